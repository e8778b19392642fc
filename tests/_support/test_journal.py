"""Journals of JSON that is none of theirs: taken for torn, or refused in one sentence."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

import quantize as qz
from quantize._support.journal import Journal, changed

HEADER = {
    "schema": "",
    "question": 1,
    "seed": {"entropy": 1, "spawn_key": []},
    "versions": {"numpy": "1"},
}


def opened(path: Path) -> list[dict[str, Any]]:
    journal = Journal(path)
    try:
        return journal.begin(
            HEADER, lambda old, new: changed(old, new, {"question": new["question"]}), dict
        )
    finally:
        journal.close()


DEEP = "[" * 100_000 + "]" * 100_000


@pytest.mark.parametrize(
    "line", ["5", "[1, 2]", '"text"', "null", "true", "{}", '{"crc": 1}', DEEP]
)
def test_a_line_that_is_no_piece_is_left_out(tmp_path: Path, line: str) -> None:
    path = tmp_path / "kept.jsonl"
    journal = Journal(path)
    journal.begin(HEADER, lambda old, new: [], dict)
    journal.add({"piece": 1})
    journal.close()
    path.write_text(path.read_text() + line + "\n")
    with pytest.warns(qz.QuantizeWarning, match="was torn; 1 finished chunks are kept"):
        assert opened(path) == [{"piece": 1}]


@pytest.mark.parametrize(
    "header",
    ["5", "[]", '""', "null", DEEP]
    + [
        json.dumps(HEADER | change)
        for change in (
            {"seed": 5},
            {"seed": []},
            {"seed": {"entropy": "x", "spawn_key": []}},
            {"seed": {"entropy": 1, "spawn_key": 5}},
            {"seed": {}},
            {"versions": 5},
            {"settings": 5},
            {"schema": [""]},
        )
    ],
)
def test_a_header_of_another_shape_is_refused_and_left_alone(tmp_path: Path, header: str) -> None:
    path = tmp_path / "kept.jsonl"
    path.write_text(header + "\n")
    with pytest.raises(qz.InputError, match=r"choose another file\.$"):
        opened(path)
    if '"versions": 5' not in header and '"settings": 5' not in header:
        with pytest.raises(qz.InputError, match="which no study has written; choose another file"):
            Journal(path).header()
    assert path.read_text() == header + "\n"
