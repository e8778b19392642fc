"""What functions give on fixed cases, every field and property of it, kept in ``tests/kept/``.

``python tests/helpers/kept.py PART ...`` writes the file of a part anew, from the cases of
``kept_PART.py``, and prints what moved.
"""

from __future__ import annotations

import contextlib
import dataclasses
import functools
import importlib
import json
import math
import re
import sys
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

FOLDER = Path(__file__).resolve().parent.parent / "kept"
PARTS = ("bench", "charge", "comb", "model", "null", "null_parts", "priors")
Cases = dict[str, Callable[[], Any]]

_LONGEST = 6  # entries of an array that are kept one by one
_WORDS = 48  # characters of a text that is kept as it stands
_NUMBER = re.compile(r"`[^`]+`|[-+−]?\d+(?:\.\d+)?(?:e[-+]?\d+)?")


def numbers(value: Any, seen: tuple[int, ...] = ()) -> Any:
    """All that a value holds, in few numbers and words, ready for JSON.

    Of a long array its size, sum, a weighted sum, least and largest; of a long text the numbers
    and the names of arguments in it, so that it may be worded otherwise.
    """
    if isinstance(value, (bool, np.bool_)) or value is None:
        return None if value is None else bool(value)
    if isinstance(value, (int, np.integer)):
        return int(value)
    if isinstance(value, (float, np.floating)):
        return float(f"{value:.10g}") if math.isfinite(value) else str(float(value))
    if isinstance(value, str):
        return value if len(value) <= _WORDS else _NUMBER.findall(value)
    if isinstance(value, BaseException):
        return {type(value).__name__: _NUMBER.findall(str(value))}
    if isinstance(value, np.ndarray):
        return _array(value, seen)
    if isinstance(value, pd.Series):
        return _array(value.to_numpy(), seen)
    if isinstance(value, pd.DataFrame):
        frame = {str(name): _array(value[name].to_numpy(), seen) for name in value.columns}
        return frame | ({"attrs": numbers(dict(value.attrs), seen)} if value.attrs else {})
    if isinstance(value, dict):
        return {str(key): numbers(item, seen) for key, item in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        items = sorted(value, key=str) if isinstance(value, (set, frozenset)) else value
        return [numbers(item, seen) for item in items]
    if dataclasses.is_dataclass(value) and id(value) not in seen:
        return _fields(value, (*seen, id(value)))
    return type(value).__name__


def _array(value: np.ndarray, seen: tuple[int, ...]) -> Any:
    if value.dtype.kind not in "fiub":
        return [numbers(item, seen) for item in value.ravel().tolist()]
    flat = value.ravel().astype(float)
    if flat.size <= _LONGEST:
        return [numbers(float(item)) for item in flat]
    finite = flat[np.isfinite(flat)]
    weights = np.cos(np.flatnonzero(np.isfinite(flat)))
    ends = (finite.min(), finite.max()) if finite.size else ()
    # A sum of many terms that cancel has no digits of its own.
    scale = float(np.abs(finite).sum()) or 1.0
    sums = (finite.sum() / scale, weights @ finite / scale, scale)
    return [flat.size, finite.size, *(numbers(float(item)) for item in (*sums, *ends))]


def _fields(value: Any, seen: tuple[int, ...]) -> dict[str, Any]:
    names = [f.name for f in dataclasses.fields(value)]
    kind = type(value)
    names += [n for n in dir(kind) if isinstance(getattr(kind, n, None), property)]
    kept = {n: numbers(getattr(value, n), seen) for n in names if not n.startswith("_")}
    return {"type": kind.__name__} | kept | {"repr": _NUMBER.findall(repr(value))}


def told(call: Callable[[], Any]) -> Any:
    """What a case gives, with the warnings on the way, or the error that ends it."""
    import quantize as qz

    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always")
        try:
            found = call()
        except (qz.InputError, ValueError, TypeError) as error:
            found = error
        out = {"found": numbers(found)}
    words = [numbers(w.message) for w in said if isinstance(w.message, qz.QuantizeWarning)]
    return out | ({"warned": words} if words else {})


def cases(part: str) -> Cases:
    """The cases of a part by name."""
    makers: tuple[Callable[[], Cases], ...] = importlib.import_module(f"kept_{part}").MAKERS
    return {name: call for make in makers for name, call in make().items()}


def file_of(part: str) -> Path:
    """Where the answers of a part are kept."""
    return FOLDER / f"{part}.json"


@functools.cache
def stored(part: str) -> dict[str, Any]:
    """What was kept."""
    kept: dict[str, Any] = json.loads(file_of(part).read_text(encoding="utf-8"))
    return kept


def differences(old: Any, new: Any, rel: float, where: str = "") -> Iterator[str]:
    """What is not the same within `rel`, a line each; a field may be new."""
    if isinstance(old, dict) and isinstance(new, dict):
        for key in sorted(old):
            if key not in new:
                yield f"{where}.{key}: is gone"
            else:
                yield from differences(old[key], new[key], rel, f"{where}.{key}")
    elif isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        for i, (a, b) in enumerate(zip(old, new, strict=True)):
            yield from differences(a, b, rel, f"{where}[{i}]")
    elif not _same(old, new, rel):
        yield f"{where}: {old} -> {new}"


def _same(a: Any, b: Any, rel: float) -> bool:
    numeric = [type(x) in (int, float) for x in (a, b)]
    if all(numeric):
        return math.isclose(a, b, rel_tol=rel, abs_tol=0.0) or max(abs(a), abs(b)) < 1e-200
    if isinstance(a, str) and isinstance(b, str):
        with contextlib.suppress(ValueError):
            return _same(float(a), float(b), max(rel, 1e-3)) or a == b
    return type(a) is type(b) and bool(a == b)


def moved(part: str, name: str, call: Callable[[], Any], rel: float) -> list[str]:
    """What a case gives otherwise than it was kept."""
    now = json.loads(json.dumps(told(call)))
    return list(differences(stored(part)[name], now, rel, name))


if __name__ == "__main__":
    for one in sys.argv[1:] or PARTS:
        now = json.loads(json.dumps({name: told(call) for name, call in cases(one).items()}))
        if file_of(one).exists():
            print("\n".join(differences(stored(one), now, 1e-7)) or "nothing moved")
        short = {"sort_keys": True, "separators": (",", ":")}
        lines = [f"{json.dumps(name)}: {json.dumps(now[name], **short)}" for name in now]
        file_of(one).write_text("{\n" + ",\n".join(lines) + "\n}\n", encoding="utf-8")
