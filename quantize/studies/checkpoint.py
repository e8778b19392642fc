"""Finished chunks of a study on disk (see `quantize._support.journal`)."""

from __future__ import annotations

from typing import Any

import numpy as np

from quantize._support.journal import Journal
from quantize._support.results import jsonable
from quantize.studies.replicates import Chunk, Outcomes
from quantize.studies.study import SCHEMA, differences

_FLOATS = ("bound", "unit", "decision", "seconds", "page_seconds")
_WHOLE = ("covered", "fate")


class Checkpoint(Journal):
    """The file behind a study."""

    schema = SCHEMA

    def open(self, header: dict[str, Any]) -> list[tuple[Chunk, Outcomes]]:
        """Begin or go on; returns the chunks that are finished.

        Raises
        ------
        InputError
            When the file is of another study, is used by another process, or cannot be written.
        """
        return self.begin(header, differences, _chunk)

    def save(self, chunk: Chunk, outcomes: Outcomes) -> None:
        """Write a finished chunk through to the disk.

        Raises
        ------
        InputError
            When the disk is full or the file cannot be written; what was kept before stays.
        """
        self.add(_record(chunk, outcomes))


def _record(chunk: Chunk, outcomes: Outcomes) -> dict[str, Any]:
    """A chunk as JSON; floats keep every digit, NaN is null."""
    body: dict[str, Any] = {"cell": chunk.cell, "first": chunk.first, "count": chunk.count}
    for name in _FLOATS:
        body[name] = jsonable(getattr(outcomes, name))
    for name in _WHOLE:
        body[name] = getattr(outcomes, name).tolist()
    body["messages"] = outcomes.messages
    return body


def _chunk(body: dict[str, Any]) -> tuple[Chunk, Outcomes]:
    chunk = Chunk(cell=body["cell"], first=body["first"], count=body["count"])
    arrays: dict[str, Any] = {name: np.array(body[name], dtype=float) for name in _FLOATS}
    arrays |= {name: np.array(body[name], dtype=np.int64) for name in _WHOLE}
    messages = {name: (int(row), str(text)) for name, (row, text) in body["messages"].items()}
    return chunk, Outcomes(**arrays, messages=messages)
