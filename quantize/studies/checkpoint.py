"""Finished chunks on disk: one JSON object a line, each written through to the disk.

The first line says which study it is. Every further line is one chunk with a checksum; a line that
was torn when the process or the machine died is left out, and its chunk is done again.
"""

from __future__ import annotations

import contextlib
import json
import os
import zlib
from pathlib import Path
from typing import Any

import numpy as np

from quantize._support.errors import InputError, warn
from quantize._support.results import jsonable
from quantize.studies.replicates import Chunk, Outcomes
from quantize.studies.study import SCHEMA, differences

_FLOATS = ("bound", "unit", "decision", "seconds", "page_seconds")
_WHOLE = ("covered", "fate")


class Checkpoint:
    """The file behind a study.

    Parameters
    ----------
    path : str or Path
        Of the file; its folder must exist.

    Raises
    ------
    InputError
        For a folder or a device.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self.path = Path(path)
        if self.path.exists() and not self.path.is_file():
            raise InputError(
                f"`checkpoint` is {str(path)!r}, which is no file; give the name of a file."
            )
        self._file: int | None = None
        self.kept = 0

    def header(self) -> dict[str, Any] | None:
        """The first line, or None where there is no file or nothing whole in it."""
        with contextlib.suppress(FileNotFoundError):
            for line in self._lines():
                return self._header_of(line)
        return None

    def open(self, header: dict[str, Any]) -> list[tuple[Chunk, Outcomes]]:
        """Begin or go on; returns the chunks that are finished.

        Raises
        ------
        InputError
            When the file is of another study, is used by another process, or cannot be written.
        """
        try:
            self._file = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o666)
        except OSError as error:
            raise self._unwritable(error) from None
        try:
            self._lock()
            lines = self._lines()
            if not lines:
                self._cut(0)
                self._append(header)
                return []
            wrong = differences(self._header_of(lines[0]), header)
            if wrong:
                raise InputError(
                    f"`checkpoint` is {str(self.path)!r}, kept by another study: "
                    f"{'; '.join(wrong)}. Restore that, or choose another file."
                )
            self._cut(sum(len(line) for line in lines))
            return self._chunks(lines[1:])
        except BaseException:
            self.close()
            raise

    def save(self, chunk: Chunk, outcomes: Outcomes) -> None:
        """Write a finished chunk through to the disk.

        Raises
        ------
        InputError
            When the disk is full or the file cannot be written; what was kept before stays.
        """
        self._append(_record(chunk, outcomes))
        self.kept += 1

    def close(self) -> None:
        """Leave the file to others."""
        if self._file is not None:
            os.close(self._file)
            self._file = None

    def _chunks(self, lines: list[bytes]) -> list[tuple[Chunk, Outcomes]]:
        found = []
        torn = 0
        for line in lines:
            try:
                found.append(_chunk(json.loads(line)))
            except (ValueError, KeyError, TypeError):
                torn += 1
        self.kept = len(found)
        if torn or self._torn_end:
            warn(
                f"`checkpoint` {str(self.path)!r} was torn; {len(found)} finished chunks are "
                "kept, and what is missing is done again.",
                stacklevel=5,
            )
        return found

    _torn_end = False

    def _lines(self) -> list[bytes]:
        """Whole lines with their ends."""
        data = self.path.read_bytes()
        lines = data.splitlines(keepends=True)
        self._torn_end = bool(lines) and not lines[-1].endswith(b"\n")
        return lines[:-1] if self._torn_end else lines

    def _header_of(self, line: bytes) -> dict[str, Any]:
        try:
            header = json.loads(line)
            if isinstance(header, dict) and header.get("schema") == SCHEMA:
                return header
        except ValueError:
            pass
        raise InputError(
            f"`checkpoint` is {str(self.path)!r}, which no study has written; choose another file."
        )

    def _lock(self) -> None:
        """One study at a time; the lock ends with the process."""
        assert self._file is not None
        try:
            import fcntl
        except ImportError:
            return
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise InputError(
                f"`checkpoint` {str(self.path)!r} is in use by another process; wait for it, or "
                "choose another file."
            ) from None

    def _append(self, item: dict[str, Any]) -> None:
        assert self._file is not None
        data = json.dumps(item, allow_nan=False, separators=(",", ":")).encode() + b"\n"
        size = os.fstat(self._file).st_size
        try:
            while data:
                data = data[os.write(self._file, data) :]
            os.fsync(self._file)
        except OSError as error:
            with contextlib.suppress(OSError):
                self._cut(size)
            raise self._unwritable(error) from None

    def _cut(self, size: int) -> None:
        assert self._file is not None
        if os.fstat(self._file).st_size != size:
            os.ftruncate(self._file, size)

    def _unwritable(self, error: OSError) -> InputError:
        kept = f"; the {self.kept} finished chunks in it are kept" if self.kept else ""
        return InputError(
            f"`checkpoint` is {str(self.path)!r}, which cannot be written "
            f"({error.strerror or error}){kept}; make room or choose another place."
        )


def _record(chunk: Chunk, outcomes: Outcomes) -> dict[str, Any]:
    """A chunk as JSON; floats keep every digit, NaN is null."""
    body: dict[str, Any] = {"cell": chunk.cell, "first": chunk.first, "count": chunk.count}
    for name in _FLOATS:
        body[name] = jsonable(getattr(outcomes, name))
    for name in _WHOLE:
        body[name] = getattr(outcomes, name).tolist()
    body["messages"] = outcomes.messages
    return body | {"crc": _checksum(body)}


def _chunk(line: dict[str, Any]) -> tuple[Chunk, Outcomes]:
    body = {key: value for key, value in line.items() if key != "crc"}
    if line["crc"] != _checksum(body):
        raise ValueError("checksum")
    chunk = Chunk(cell=line["cell"], first=line["first"], count=line["count"])
    arrays: dict[str, Any] = {name: np.array(line[name], dtype=float) for name in _FLOATS}
    arrays |= {name: np.array(line[name], dtype=np.int64) for name in _WHOLE}
    messages = {name: (int(row), str(text)) for name, (row, text) in line["messages"].items()}
    return chunk, Outcomes(**arrays, messages=messages)


def _checksum(body: dict[str, Any]) -> int:
    return zlib.crc32(json.dumps(body, sort_keys=True, separators=(",", ":")).encode())
