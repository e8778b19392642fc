"""The public face is what ``interface.json`` and the schema of the results say."""

from __future__ import annotations

import json

import schemas
from interface import FILE, interface


def test_names_signatures_and_keys_are_those_promised() -> None:
    # After a change that is meant: python tests/helpers/interface.py, and a line in the changelog.
    assert interface() == json.loads(FILE.read_text(encoding="utf-8"))
    assert schemas.FILE.read_text(encoding="utf-8") == schemas.written()
