"""Finished work on disk: one JSON object a line, each written through to the disk.

The first line says what the work is. Every further line is one finished piece with a checksum; a
line that was torn when the process or the machine died is left out, and its piece is done again.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import os
import platform
import zlib
from collections.abc import Callable
from typing import Any, TypeVar

import numpy as np

from quantize._support.errors import InputError, warn
from quantize._support.writing import check_target

Piece = TypeVar("Piece")
_UNREADABLE = (ValueError, LookupError, TypeError, AttributeError, RecursionError)
"""What JSON of another shape than is written makes of reading it."""


class Journal:
    """The file behind a long piece of work, in a folder that exists.

    `InputError` for a folder, a device, and a place that cannot be written.
    """

    owner = "study"
    """What writes such a file."""
    pieces = "chunks"
    schema = ""

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self.path = check_target(path, name="checkpoint", whole=True)
        self._file: int | None = None
        self._torn_end = False
        self.kept = 0

    def header(self) -> dict[str, Any] | None:
        """The first line, or None where there is no file or nothing whole in it."""
        with contextlib.suppress(FileNotFoundError):
            for line in self._lines():
                found = self._header_of(line)
                try:
                    seed = found["seed"]
                    np.random.SeedSequence(seed["entropy"], spawn_key=tuple(seed["spawn_key"]))
                except _UNREADABLE:
                    raise self._foreign() from None
                return found
        return None

    def begin(
        self,
        header: dict[str, Any],
        differences: Callable[[dict[str, Any], dict[str, Any]], list[str]],
        read: Callable[[dict[str, Any]], Piece],
    ) -> list[Piece]:
        """Begin or go on; returns what `read` makes of every finished piece.

        `InputError` when the file is of other work, is used by another process, or cannot
        be written; it is then left as it was.
        """
        new = not self.path.exists()
        try:
            self._file = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o666)
        except OSError as error:
            raise self._unwritable(error) from None
        try:
            self._lock()
            lines = self._lines()
            if not lines:
                self._cut(0)
                self._append_first(header, new)
                return []
            try:
                wrong = differences(self._header_of(lines[0]), header)
            except _UNREADABLE as error:
                raise error if isinstance(error, InputError) else self._foreign() from None
            if wrong:
                raise InputError(
                    f"`checkpoint` is {str(self.path)!r}, kept by another {self.owner}: "
                    f"{'; '.join(wrong)}. Restore that, or choose another file."
                )
            self._cut(sum(len(line) for line in lines))
            return self._read(lines[1:], read)
        except BaseException:
            self.close()
            raise

    def add(self, body: dict[str, Any]) -> None:
        """Write a finished piece through to the disk.

        `InputError` when the disk is full or the file cannot be written; what was kept
        before stays.
        """
        self._append(body | {"crc": _checksum(body)})
        self.kept += 1

    def close(self) -> None:
        """Leave the file to others."""
        if self._file is not None:
            os.close(self._file)
            self._file = None

    def _read(self, lines: list[bytes], read: Callable[[dict[str, Any]], Piece]) -> list[Piece]:
        found = []
        torn = 0
        for line in lines:
            try:
                found.append(read(_checked(json.loads(line))))
            except _UNREADABLE:
                torn += 1
        self.kept = len(found)
        if torn or self._torn_end:
            warn(
                f"`checkpoint` {str(self.path)!r} was torn; {len(found)} finished "
                f"{self.pieces} are kept, and what is missing is done again."
            )
        return found

    def _lines(self) -> list[bytes]:
        """Whole lines with their ends."""
        data = self.path.read_bytes()
        lines = data.splitlines(keepends=True)
        self._torn_end = bool(lines) and not lines[-1].endswith(b"\n")
        if self._torn_end:
            lines.pop()
        if data and not lines and not self._begins_header(data):
            raise self._foreign()
        return lines

    def _begins_header(self, data: bytes) -> bool:
        """Whether the only line of a file is what is left of a header."""
        opening = _line({"schema": self.schema}).rstrip(b"}\n") + b","
        return data.startswith(opening) or opening.startswith(data)

    def _header_of(self, line: bytes) -> dict[str, Any]:
        try:
            header = json.loads(line)
            if header["schema"] == self.schema:
                return dict(header)
        except _UNREADABLE:
            pass
        raise self._foreign()

    def _foreign(self) -> InputError:
        return InputError(
            f"`checkpoint` is {str(self.path)!r}, which no {self.owner} has written; "
            "choose another file."
        )

    def _lock(self) -> None:
        """One process at a time; the lock ends with the process."""
        assert self._file is not None
        try:
            import fcntl
        except ImportError:
            return
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise InputError(
                f"`checkpoint` {str(self.path)!r} is in use by another process; wait for it, "
                "or choose another file."
            ) from None

    def _append_first(self, header: dict[str, Any], new: bool) -> None:
        """Write the header; where that fails, a file that was not there before goes again."""
        try:
            self._append(header)
        except InputError:
            if new:
                with contextlib.suppress(OSError):
                    self.path.unlink()
            raise

    def _append(self, item: dict[str, Any]) -> None:
        assert self._file is not None
        data = _line(item)
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
        kept = f"; the {self.kept} finished {self.pieces} in it are kept" if self.kept else ""
        return InputError(
            f"`checkpoint` is {str(self.path)!r}, which cannot be written "
            f"({error.strerror or error}){kept}; make room or choose another place."
        )


def versions() -> dict[str, str]:
    """The versions on which numbers depend, for a header."""
    import scipy

    return {
        # By name, since the package itself stands above all of its parts.
        "quantize": importlib.import_module("quantize").__version__,
        "numpy": np.__version__,
        "scipy": scipy.__version__,
        "python": ".".join(platform.python_version_tuple()[:2]),
    }


def changed(kept: dict[str, Any], wanted: dict[str, Any], settings: dict[str, Any]) -> list[str]:
    """What differs between two headers in words: settings, versions and the seed."""
    old = {**(kept.get("settings") or {}), **kept}
    found = [
        f"{name} was {old.get(name)!r} and is {value!r}"
        for name, value in settings.items()
        if old.get(name) != value
    ]
    old = kept.get("versions") or {}
    found += [
        f"the version of {name} was {old.get(name)} and is {version}"
        for name, version in wanted["versions"].items()
        if old.get(name) != version
    ]
    if kept.get("seed") != wanted["seed"]:
        found.append(f"the seed was {_seed(kept.get('seed'))} and is {_seed(wanted['seed'])}")
    return found


def _seed(seed: dict[str, Any] | None) -> str:
    return str(seed["entropy"]) if seed and not seed["spawn_key"] else str(seed)


def _line(item: dict[str, Any]) -> bytes:
    return json.dumps(item, allow_nan=False, separators=(",", ":")).encode() + b"\n"


def _checked(line: dict[str, Any]) -> dict[str, Any]:
    body = {key: value for key, value in line.items() if key != "crc"}
    if line["crc"] != _checksum(body):
        raise ValueError("checksum")
    return body


def _checksum(body: dict[str, Any]) -> int:
    return zlib.crc32(json.dumps(body, sort_keys=True, separators=(",", ":")).encode())
