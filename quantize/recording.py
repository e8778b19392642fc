"""The step to which each reading was recorded, as its decimals show it, and what it does."""

from __future__ import annotations

import functools

import numpy as np

from quantize._support.validation import FloatArray, IntArray

_MOST_DIGITS = 8
_TOLERANCE = 8 * float(np.finfo(float).eps)
_DROPPED = 3
"""So many final digits that all larger readings lack are no chance: one in a thousand."""
_RULED = (2, 5, 10, 20, 25, 50)
"""Steps of rulers and dials, and these times powers of ten, in units of the last digit."""
_FEWEST = {2: 16, 5: 8}
"""So many different values must be multiples before the record is taken to have that step, and of
the others ..."""
_FEW = 4
"""... so many: by chance one in ten thousand, and fewer."""


def recorded_steps(values: FloatArray) -> FloatArray | None:
    """The step of the last digit that was written, shape (n,); None for machine precision.

    Either all readings have the same number of decimals, or the same number of significant digits:
    then the step grows with the reading. Whole numbers of up to eight digits have step 1 or more.
    Where at least sixteen different values are even, eight end in 0 or 5, or four are multiples of
    10, 20, 25 or 50 or of ten times, a hundred times ... these, so had the ruler. Errors of the
    last few bits, as arithmetic leaves them, do not matter.

    >>> recorded_steps(np.array([4.5, 12.25, 103.0])).tolist()
    [0.01, 0.01, 0.01]
    >>> recorded_steps(np.array([0.98, 1.2, 3.4, 12.0, 150.0])).tolist()
    [0.01, 0.1, 0.1, 1.0, 10.0]
    >>> recorded_steps(np.array([0.1, 0.2, 0.1 + 0.2])).tolist()
    [0.1, 0.1, 0.1]
    >>> recorded_steps(np.array([1.25, 2.0, 3.5, 4.75])).tolist()
    [0.25, 0.25, 0.25, 0.25]
    """
    size = np.abs(values)
    largest = float(size.max(initial=0.0))
    written = size > _TOLERANCE * largest
    if not written.any():
        return None
    last = _last_digits(size[written], _TOLERANCE * largest)
    if last is None:
        return None
    first = np.floor(np.log10(size[written]) + 1e-12).astype(np.int64)
    lowest = int(last.min())
    digits = int(np.max(first - last)) + 1
    of_digits = np.maximum(first - digits + 1, lowest)
    if np.sum(of_digits - lowest) >= _DROPPED:
        out = np.full(values.size, 10.0**lowest)
        out[written] = _power(of_digits)
        return out
    if 1 <= largest < 10.0**_MOST_DIGITS:
        lowest = min(lowest, 0)
    if int(first.max()) - lowest + 1 > _MOST_DIGITS:
        return None
    step = float(_power(np.array([lowest]))[0])
    return np.full(values.size, step * _multiple(size[written] / step))


def _power(exponent: IntArray) -> FloatArray:
    """Powers of ten as they are written."""
    return np.array([float(f"1e{int(e)}") for e in exponent])


def _last_digits(size: FloatArray, tolerance: float) -> IntArray | None:
    """Exponent of the last digit of each number that is not zero; None with too many digits."""
    first = np.floor(np.log10(size) + 1e-12).astype(np.int64)
    out = np.full(size.size, np.iinfo(np.int64).min)
    for digits in range(1, _MOST_DIGITS + 2):
        open_ = out == np.iinfo(np.int64).min
        if not open_.any():
            break
        exponent = first[open_] - digits + 1
        step = 10.0**exponent
        off = np.abs(size[open_] - step * np.rint(size[open_] / step))
        out[open_] = np.where(off <= tolerance, exponent, out[open_])
    return None if np.any(out == np.iinfo(np.int64).min) else out


def _multiple(steps: FloatArray) -> int:
    """Of how many steps of a ruler all readings are multiples, or 1."""
    different = np.unique(np.rint(steps).astype(np.int64))
    common = int(np.gcd.reduce(different))
    tens = [10**power for power in range(len(str(common)))]
    ruled = {ruler * ten: _FEWEST.get(ruler * ten, _FEW) for ruler in _RULED for ten in tens}
    told = [step for step, few in ruled.items() if different.size >= few and common % step == 0]
    return max(told, default=1)


def is_ruled(step: float) -> bool:
    """Whether a step found by `recorded_steps` is coarser than the last digit that is written.

    >>> [is_ruled(step) for step in (0.01, 0.25, 1.0, 10.0)]
    [False, True, False, True]
    """
    power = np.log10(step)
    return bool(1 < step < 10.0**_MOST_DIGITS or abs(power - np.rint(power)) > 1e-9)


def rounded_alike(values: FloatArray, like: FloatArray, steps: FloatArray) -> FloatArray:
    """Values recorded as the readings `like` were: to the step of the one nearest in size.

    >>> rounded_alike(np.array([[1.26, 14.2]]), np.array([1, 12]), np.array([0.1, 1]))
    array([[ 1.3, 14. ]])
    """
    if np.all(steps == steps[0]):
        step: FloatArray | float = float(steps[0])
    else:
        order = np.argsort(np.abs(like), kind="stable")
        size = np.abs(like)[order]
        place = np.searchsorted(0.5 * (size[1:] + size[:-1]), np.abs(values))
        step = steps[order][place]
    return np.rint(values / step) * step


def with_shared_rounding(
    error: float,
    values: FloatArray,
    k: FloatArray,
    pull: FloatArray,
    step: float | None,
    counts: FloatArray | IntArray | None = None,
) -> float:
    """The standard error of Σ pull·values, with the rounding error that readings of a level share.

    Readings of one whole number that scatter by much less than the step are all rounded alike, and
    more of them do not average that error away. `error` is that of readings with errors of their
    own; each entry stands for so many readings as `counts` says.
    """
    if step is None or not np.isfinite(error):
        return error
    c = np.ones(values.size) if counts is None else counts
    _, level = np.unique(k, return_inverse=True)
    held = np.bincount(level, c)
    away = (values - (np.bincount(level, c * values) / held)[level]) / step
    within = float(c @ np.square(away)) / max(float(np.sum(held - 1)), 1.0)
    shared = step**2 * float(np.interp(within, *_within_and_shared()))
    own, together = c @ np.square(pull), np.sum(np.square(np.bincount(level, c * pull)))
    return (
        float(np.sqrt(max(error**2 - shared * own, 0.0) + shared * together)) if shared else error
    )


@functools.cache
def _within_and_shared() -> tuple[FloatArray, FloatArray]:
    """Variance within levels, and mean square of the error they share, in squared steps, rising.

    Both are averages over where a level may stand within a step. The error of the mean of rounded
    normal readings is a Fourier series in that place (Widrow and Kollár, *Quantization Noise*,
    2008, chapter 4); both together are sigma² + 1/12.
    """
    sigma, m = np.linspace(0.0, 1.0, 201), np.arange(1, 1000)
    shared = (np.exp(-np.square(2 * np.pi * np.outer(sigma, m))) / m**2).sum(1) / (2 * np.pi**2)
    return sigma**2 + shared[0] - shared, np.r_[shared[:-1], 0.0]
