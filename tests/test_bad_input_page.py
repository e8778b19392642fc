"""Every answer on the page about bad input is given, word for word."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import quantize as qz
from quantize import charge

PAGE = Path(__file__).parents[1] / "docs" / "bad_input.md"
ROWS = re.findall(r"^\* - `(.*)`\n  - (.*)$", PAGE.read_text(encoding="utf-8"), re.MULTILINE)
NAMES = {"qz": qz, "charge": charge, "PAGE": [2.1, 3.9, 6.0, 8.1, 9.9, 14.0]}


def test_the_page_has_many_rows() -> None:
    assert len(ROWS) > 30


@pytest.mark.parametrize(("code", "answer"), ROWS, ids=[code for code, _ in ROWS])
def test_the_answer_is_the_one_printed(code: str, answer: str) -> None:
    with pytest.raises(qz.InputError) as caught:
        eval(code, dict(NAMES))
    assert str(caught.value) == answer
