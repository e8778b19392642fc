"""The one place that decides whether and how a file may be written.

A file is written aside and then renamed into place, so that it appears whole or not at all: behind
a link, and with the permissions of the file that it replaces. Devices and pipes are written
straight. What a call reads is never written over, nor one of its files by another.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import stat
import sys
import tempfile
from collections.abc import Hashable, Mapping
from pathlib import Path

from quantize._support.errors import InputError, InputTypeError

PathLike = str | os.PathLike[str]


def check_target(path: PathLike, *, name: str, whole: bool = False) -> Path:
    """The path as a `Path`, refused with one sentence where nothing can be written.

    The argument `name` gave it. Where it must be `whole` a device or a pipe will not do.

    `InputError` for a folder, a disk, a file or folder that may not be written, and a folder
    that does not exist.
    """
    if not isinstance(path, (str, os.PathLike)) or path == "":
        raise InputTypeError(f"`{name}` is {path!r}; give the name of a file.")
    try:
        found = _found(path)
        if _own_stream(found) is not None and not whole:
            return Path(path)
        if found is None or stat.S_ISREG(found.st_mode):
            _need_folder(path, name)
        elif stat.S_ISDIR(found.st_mode):
            raise InputError(f"`{name}` is {str(path)!r}, a folder; give the name of a file in it.")
        elif whole or stat.S_ISBLK(found.st_mode):
            raise InputError(
                f"`{name}` is {str(path)!r}, which is no file; give the name of a file."
            )
        if found is not None and not os.access(path, os.W_OK):
            raise PermissionError(None, "Permission denied")
    except (OSError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        raise _unwritable(path, name, error) from None
    return Path(path)


def check_apart(
    outputs: Mapping[str, PathLike | None], inputs: Mapping[str, PathLike | None]
) -> None:
    """Refuse outputs that are a file which is read, or one file, however its name is spelled."""
    taken: dict[Hashable, str] = {}
    for argument, path in [*inputs.items(), *outputs.items()]:
        mark = None if path is None else _identity(path)
        if mark is None:
            continue
        other = taken.setdefault(mark, argument)
        if other == argument or argument in inputs:
            continue
        remedy = (
            ", which is read; choose another name" if other in inputs else "; give each its own"
        )
        raise InputError(f"`{argument}` is {str(path)!r}, the same file as `{other}`{remedy}.")


def write_whole(path: PathLike, data: bytes, *, name: str = "path") -> Path:
    """Write `data` so that no half file is left; straight to a device or a pipe.

    `InputError` when it cannot be written; an existing file is then untouched.
    """
    target = check_target(path, name=name)
    try:
        found = _found(target)
        own = _own_stream(found)
        if own is None and (found is None or stat.S_ISREG(found.st_mode)):
            _replace(Path(os.path.realpath(target)), found, data)
        else:
            _write_straight(target if own is None else os.dup(own), data)
    except OSError as error:
        raise _unwritable(path, name, error) from None
    return target


def _unwritable(path: PathLike, name: str, error: Exception) -> InputError:
    """The error for a place where nothing can be written."""
    reason = getattr(error, "strerror", None) or error
    return InputError(
        f"`{name}` is {str(path)!r}, which cannot be written ({reason}); choose another place."
    )


def _found(path: PathLike) -> os.stat_result | None:
    """What stands there, links followed."""
    try:
        return os.stat(path)
    except (FileNotFoundError, NotADirectoryError):
        return None


def _need_folder(path: PathLike, name: str) -> None:
    """Raise where the folder of a file, links followed, does not exist or may not be written."""
    folder = Path(os.path.realpath(path)).parent
    if not folder.is_dir():
        shown = folder if os.path.islink(path) else Path(path).parent
        raise InputError(
            f"`{name}` is {str(path)!r}, and there is no folder {str(shown)!r}; "
            "make it first or choose another."
        )
    tempfile.TemporaryFile(dir=folder).close()


def _replace(place: Path, old: os.stat_result | None, data: bytes) -> None:
    """Write aside, for the eyes of those only who may read the old file, and rename."""
    aside = place.with_name(f".{secrets.token_hex(6)}.part")
    how = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    try:
        with open(os.open(aside, how, 0o666 if old is None else 0o600), "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        if old is not None:
            if hasattr(os, "chown"):
                with contextlib.suppress(OSError):
                    os.chown(aside, old.st_uid, old.st_gid)
            os.chmod(aside, stat.S_IMODE(old.st_mode))
        os.replace(aside, place)
    finally:
        with contextlib.suppress(OSError):
            aside.unlink(missing_ok=True)


def _write_straight(target: Path | int, data: bytes) -> None:
    if sys.stdout is not None:
        sys.stdout.flush()
    with open(target, "wb") as stream:
        stream.write(data)


def _own_stream(found: os.stat_result | None) -> int | None:
    """Standard output or standard error, where they are what was found.

    A redirected one may be a file, which must not be taken from under the program.
    """
    for stream in (1, 2):
        with contextlib.suppress(OSError):
            if found is not None and os.path.samestat(found, os.fstat(stream)):
                return stream
    return None


def _identity(path: PathLike) -> Hashable:
    """The same for every spelling of one file; None for what takes any number of writers."""
    try:
        found = _found(path)
        if found is None:
            return os.path.normcase(os.path.realpath(path))
    except (OSError, ValueError):
        return None
    return None if stat.S_ISCHR(found.st_mode) else (found.st_dev, found.st_ino)
