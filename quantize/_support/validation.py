"""Checks at the border: each returns the standardised value or raises one clear sentence."""

from __future__ import annotations

import math
import operator
from collections.abc import Iterable, Mapping
from typing import Any, Literal, TypeAlias, TypedDict

import numpy as np
import numpy.typing as npt

from quantize._support.errors import InputError, InputTypeError, listed, one_line, warn

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
Offset: TypeAlias = Literal["zero", "free"] | float
"""Where a comb starts: at zero, anywhere, or at a known place."""
SigmaRange: TypeAlias = float | tuple[float, float]
"""A known sigma, or the support of its prior."""
Integers: TypeAlias = Literal["any", "positive"] | tuple[int, int | None]
"""Whole numbers that are possible: a pair is the first and the last, None one that is unknown."""


class Columns(TypedDict, total=False):
    """What may be said of plain readings in the call that uses them, as in `Readings`."""

    sigma: npt.ArrayLike
    state: Any
    resolution: npt.ArrayLike
    unit_name: str


SMALLEST, LARGEST = 1e-75, 1e75
"""Sizes between which fourth powers, and ratios of them, stay within the range of a double."""

_LONGEST_NAME = 24

_MOST_RELATIVE = 100.0
"""Typical relative sigma from which on, or below whose inverse, it is no proportion."""
_EXACT = 2**53
_WRITTEN = 1_000_000  # Of more values in single precision the decimals are not looked at.


def name_of_unit(text: str | None) -> str | None:
    """The name of a unit of measurement, short enough to stand behind a number."""
    if text is None:
        return None
    name = text.strip() if isinstance(text, str) else ""
    if not name or len(name) > _LONGEST_NAME or not name.isprintable():
        raise InputError(
            f"`unit_name` is {one_line(repr(text))[:60]}; give a short text, such as 'div' or "
            "'1e-19 C'."
        )
    return name


def moderate(name: str, largest: float) -> None:
    """Refuse numbers so large or so small that their powers overflow."""
    if largest > LARGEST or 0 < largest < SMALLEST:
        raise InputError(
            f"`{name}` is of the size of {largest:.3g}; give it in a unit of measurement in which "
            f"it lies between {SMALLEST:g} and {LARGEST:g}."
        )


def number(name: str, value: object, *, any_size: bool = False) -> float:
    """One finite real number; one that is only shown may be of any size."""
    if isinstance(value, (str, bytes, bool)) or value is None:
        raise InputTypeError(f"`{name}` must be a number, not {value!r}.")
    try:
        result = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        raise InputTypeError(
            f"`{name}` must be a number, not {type(value).__name__}; pass one float."
        ) from None
    except OverflowError:
        result = math.inf
    if not math.isfinite(result):
        raise InputError(f"`{name}` is {result}; give a finite number.")
    if not any_size and abs(result) > LARGEST:
        moderate(name, abs(result))
    return result


def positive(name: str, value: object, *, zero: bool = False, any_size: bool = False) -> float:
    """One finite number above zero (or at least zero)."""
    result = number(name, value, any_size=any_size)
    if result < 0 or (result == 0 and not zero):
        wanted = "zero or more" if zero else "above zero"
        raise InputError(f"`{name}` is {result:g}; it must be {wanted}.")
    if not any_size:
        moderate(name, result)
    return result


def fraction(name: str, value: object) -> float:
    """One number strictly between 0 and 1."""
    result = number(name, value)
    if not 0 < result < 1:
        raise InputError(f"`{name}` is {result:g}; it must lie strictly between 0 and 1.")
    return result


def count(name: str, value: object, *, least: int = 1) -> int:
    """One whole number of at least `least`."""
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    try:
        if isinstance(value, bool):
            raise TypeError
        result = operator.index(value)  # type: ignore[arg-type]
    except TypeError:
        raise InputTypeError(f"`{name}` must be a whole number, not {value!r}.") from None
    if result < least:
        raise InputError(f"`{name}` is {result}; it must be at least {least}.")
    return result


def choice(name: str, value: object, allowed: Iterable[str]) -> str:
    """One of a few words."""
    options = tuple(allowed)
    if isinstance(value, str) and value in options:
        return value
    listed = ", ".join(repr(option) for option in options)
    raise InputError(f"`{name}` is {value!r}; it must be one of {listed}.")


def offset_mode(offset: object) -> tuple[str, float]:
    """Standardise `offset`: ("free", 0.0) or ("fixed", b)."""
    if isinstance(offset, str) and offset in ("zero", "free"):
        return "free" if offset == "free" else "fixed", 0.0
    said = f"`offset` is {offset!r}; it must be 'zero', 'free' or a number."
    if isinstance(offset, str):
        raise InputError(said)
    try:
        return "fixed", number("offset", offset)
    except InputTypeError:
        raise InputTypeError(said) from None


def unit_range(value: object, *, name: str = "unit_range") -> tuple[float, float]:
    """A pair (low, high) with 0 < low < high, both finite."""
    try:
        if isinstance(value, (str, bytes)):
            raise TypeError
        pair: tuple[Any, ...] = tuple(value)  # type: ignore[arg-type]
    except TypeError:
        raise InputTypeError(f"`{name}` is {value!r}; give two numbers (low, high).") from None
    if len(pair) != 2:
        raise InputError(f"`{name}` has {len(pair)} entries; give two numbers (low, high).")
    ends = []
    for which, end in zip(("low", "high"), pair, strict=True):
        try:
            if isinstance(end, (str, bytes, bool)):
                raise TypeError
            ends.append(float(end))
        except (TypeError, ValueError, OverflowError):
            raise InputTypeError(f"`{name}` has {which} end {end!r}; give a number.") from None
    low, high = ends
    if not (math.isfinite(low) and math.isfinite(high)):
        raise InputError(f"`{name}` is ({low:g}, {high:g}); both ends must be finite.")
    if low <= 0:
        raise InputError(
            f"`{name}` starts at {low:g}; {'a unit' if 'unit' in name else 'it'} is above zero, so "
            "give a positive low end."
        )
    if low >= high:
        raise InputError(
            f"`{name}` is ({low:g}, {high:g}); the low end must be below the high end."
        )
    moderate(name, low)
    moderate(name, high)
    return low, high


def sigma_range(value: Any) -> tuple[float, float] | None:
    """None, or a known sigma or a pair (low, high), both as a pair."""
    found = None if value is None else number_or_range("sigma_range", value)
    return (found, found) if isinstance(found, float) else found


def number_or_range(name: str, value: Any) -> float | tuple[float, float]:
    """A number above zero, also where a pair says it twice, or a pair (low, high)."""
    several = isinstance(value, Iterable) and not isinstance(value, (str, bytes, Mapping))
    if not several or (isinstance(value, np.ndarray) and value.ndim == 0):
        return positive(name, value)
    pair = tuple(value)
    if len(pair) == 2 and pair[0] == pair[1]:
        return positive(name, pair[0])
    return unit_range(pair, name=name)


def float_array(name: str, values: Any, *, written: bool = False) -> FloatArray:
    """A one-dimensional array of finite floats; refuses masks, text and complex numbers.

    Single precision that was `written` is read by its shortest decimals: more digits would hide
    how it was rounded.
    """
    array = _one_column(name, values)
    if array.dtype.kind in "cb":
        held = "complex numbers; give real" if array.dtype.kind == "c" else "True and False; give"
        raise InputTypeError(f"`{name}` holds {held} numbers.")
    single = array.dtype.kind == "f" and array.dtype.itemsize < 8 and array.size <= _WRITTEN
    if array.dtype.kind not in "iuf" or (single and written):
        array = _floats_one_by_one(name, array)
    result = array.astype(np.float64)
    whole = array if array.dtype.kind in "iu" and array.size else np.zeros(1, int)
    if max(int(whole.max()), -int(whole.min())) > _EXACT:
        warn(
            f"`{name}` holds whole numbers above {_EXACT} (2^53), of which floats keep the "
            "first sixteen digits; subtract what they have in common first."
        )
    bad = np.flatnonzero(~np.isfinite(result))
    if bad.size:
        shown = "blank or NaN" if np.isnan(result[bad[0]]) else "infinite"
        more = f" (and {bad.size - 1} more)" if bad.size > 1 else ""
        raise InputError(
            f"`{name}` is {shown} at entry {bad[0]}{more}; remove or mend these first."
        )
    return result


def _one_column(name: str, values: Any) -> npt.NDArray[Any]:
    """A one-dimensional array of anything, without masked entries."""
    if isinstance(values, np.ma.MaskedArray):
        if np.ma.getmaskarray(values).any():
            raise InputError(
                f"`{name}` is a masked array with masked entries; "
                "drop them first, for example with `.compressed()`."
            )
        values = np.ma.getdata(values)
    if isinstance(values, (str, bytes)):
        raise InputTypeError(f"`{name}` is text ({values[:40]!r}); give a sequence of numbers.")
    try:
        array = np.asarray(values)
    except ValueError:
        raise InputError(
            f"`{name}` holds sequences of different lengths; "
            "give a one-dimensional sequence of numbers."
        ) from None
    except Exception as error:  # others refuse in their own ways to be an array
        raise InputTypeError(
            f"`{name}` is a {type(values).__name__} that is no sequence of numbers "
            f"({one_line(str(error))[:80]}); pass the numbers of one column."
        ) from None
    if array.dtype.names:
        raise InputTypeError(
            f"`{name}` is a table with columns {listed(array.dtype.names)}; pass one of them."
        )
    if array.ndim == 0 and array.dtype.kind == "O":
        raise InputTypeError(
            f"`{name}` is a {type(values).__name__}; give a list or an array of numbers."
        )
    if array.ndim != 1:
        raise InputError(
            f"`{name}` has {array.ndim} dimensions; give a one-dimensional sequence of numbers."
        )
    return array


def _floats_one_by_one(name: str, array: npt.NDArray[Any]) -> FloatArray:
    out = np.empty(array.size)
    for i, item in enumerate(array):
        if isinstance(item, (str, bytes)):
            raise InputTypeError(f"`{name}` holds text {item[:40]!r} at entry {i}; give numbers.")
        try:
            if isinstance(item, (bool, np.bool_, np.complexfloating, np.timedelta64)):
                raise TypeError
            number = str(item) if isinstance(item, np.floating) else item
            out[i] = np.nan if is_blank(item) else float(number)
        except (TypeError, ValueError):
            raise InputTypeError(
                f"`{name}` holds {str(item)[:40]!r} at entry {i}, which is not a number."
            ) from None
        except OverflowError:
            out[i] = np.inf
    return out


def read_only(array: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """The same array with writing switched off."""
    array.setflags(write=False)
    return array


def per_reading(name: str, value: Any, n: int) -> FloatArray | None:
    """Positive numbers, one for all or one for each reading."""
    if value is None:
        return None
    if dimensions(value) == 0:
        array = np.full(n, float_array(name, [value], written=True)[0])
    else:
        array = float_array(name, value, written=True)
        one_for_each(name, array, n)
    bad = np.flatnonzero(array <= 0)
    if bad.size:
        raise InputError(
            f"`{name}` is {array[bad[0]]:g} at entry {bad[0]}; it must be above zero everywhere."
        )
    moderate(name, float(array.min()))
    moderate(name, float(array.max()))
    return read_only(array)


def one_for_each(name: str, array: npt.NDArray[Any], n: int) -> None:
    """Refuse another number of entries than there are readings."""
    if array.size != n:
        raise InputError(
            f"`{name}` has {array.size} entries and `values` has {n}; "
            "give one number for all, or one for each reading."
        )


def relative_to(sigma: Any, relative: Any, n: int) -> FloatArray | None:
    """The relative sigmas, checked: only in place of `sigma`, and about 1."""
    checked = per_reading("relative_sigma", relative, n)
    if checked is None:
        return None
    if sigma is not None:
        raise InputError(
            "`sigma` and `relative_sigma` are both given; give the sigmas themselves, or only in "
            "what proportion they stand."
        )
    typical = float(np.sqrt(np.mean(checked**2)))
    if not 1 / _MOST_RELATIVE < typical < _MOST_RELATIVE:
        raise InputError(
            f"`relative_sigma` has the root mean square {typical:.3g}; divide it by that, so that "
            "a typical reading has 1, or give it as `sigma`."
        )
    return checked


def one_of_few(name: str, value: Any, n: int, allowed: tuple[int, ...]) -> IntArray | None:
    """One of a few whole numbers for each reading."""
    if value is None:
        return None
    array = np.full(n, value) if dimensions(value) == 0 else _one_column(name, value)
    one_for_each(name, array, n)
    bad = np.flatnonzero([is_blank(i) or i not in allowed for i in array.tolist()])
    if bad.size:
        listed = ", ".join(map(str, allowed))
        raise InputError(
            f"`{name}` is {array.tolist()[bad[0]]!r} at entry {bad[0]}; it must be one of {listed}."
        )
    return read_only(array.astype(np.int64))


def dimensions(value: Any) -> int:
    """Of a sequence, or one where its entries have no common shape."""
    try:
        return int(np.ndim(value))
    except ValueError:
        return 1


def is_blank(label: Any) -> bool:
    """Whether a label is None, NaN or another mark of what is missing, which equals nothing."""
    if label is None or label is np.ma.masked:
        return True
    try:
        return bool(label != label)
    except TypeError:  # pandas.NA
        return True
    except ValueError:  # an array
        return False


def state_codes(
    state: Any, n: int, *, name: str = "state", of: str = "`values` has {n}"
) -> tuple[IntArray | None, tuple[Any, ...]]:
    """Labels as whole numbers in order of appearance, and the labels."""
    if state is None:
        return None, ()
    if isinstance(state, (str, bytes)) or dimensions(state) != 1:
        raise InputTypeError(f"`{name}` must be a sequence with one label for each reading.")
    labels = list(state)
    if len(labels) != n:
        raise InputError(
            f"`{name}` has {len(labels)} entries and {of.format(n=n)}; give one label a reading."
        )
    codes: dict[Any, int] = {}
    out = np.empty(n, dtype=np.int64)
    for i, label in enumerate(labels):
        if is_blank(label):
            raise InputError(
                f"`{name}` is blank at entry {i}; give every reading a label, or leave `{name}` "
                "out."
            )
        try:
            out[i] = codes.setdefault(label, len(codes))
        except TypeError:
            raise InputTypeError(
                f"`{name}` holds a {type(label).__name__} at entry {i}; give words or numbers."
            ) from None
    return read_only(out), tuple(codes)
