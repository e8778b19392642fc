"""Files written whole or not at all: aside first, then renamed into place."""

from __future__ import annotations

import contextlib
import os
import secrets
from pathlib import Path

from quantize._support.errors import InputError


def check_target(path: str | os.PathLike[str], *, name: str) -> Path:
    """The path as a `Path`, refused with one sentence where no file can be written.

    Raises
    ------
    InputError
        For a folder, and for a file in a folder that does not exist.
    """
    target = Path(path)
    try:
        folder, home = target.is_dir(), target.parent.is_dir()
    except (OSError, ValueError) as error:
        raise _unwritable(path, name, error) from None
    if folder:
        raise InputError(f"`{name}` is {str(path)!r}, a folder; give the name of a file in it.")
    if not home:
        raise InputError(
            f"`{name}` is {str(path)!r}, and there is no folder {str(target.parent)!r}; "
            "make it first or choose another."
        )
    return target


def write_whole(path: str | os.PathLike[str], data: bytes, *, name: str = "path") -> Path:
    """Write `data` to a file beside the target and rename it, so that no half file is left.

    Raises
    ------
    InputError
        When the file cannot be written; an existing file is then untouched.
    """
    target = check_target(path, name=name)
    aside = target.with_name(f".{secrets.token_hex(6)}.part")
    try:
        with aside.open("xb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(aside, target)
    except (OSError, ValueError) as error:
        raise _unwritable(path, name, error) from None
    finally:
        with contextlib.suppress(OSError, ValueError):
            aside.unlink(missing_ok=True)
    return target


def _unwritable(path: str | os.PathLike[str], name: str, error: Exception) -> InputError:
    reason = getattr(error, "strerror", None) or error
    return InputError(
        f"`{name}` is {str(path)!r}, which cannot be written ({reason}); choose another place."
    )
