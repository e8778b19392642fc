"""Which units are tried: the range and the grid inside it."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from typing import Any

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError
from quantize._support.validation import FloatArray
from quantize.readings import Readings

LARGEST_GRID = 20_000_000
"""Most trial units one call will hold (8 bytes each, and as much again for the result)."""
_FACTORS = (0.2, 10.0)
"""A factor on given sigmas that is not between these was meant as a sigma."""
_FAR_OFF = 100.0
"""So many spans from where multiples are counted, the offset is the first thing to doubt."""

_MOST_SPANS = 1e6
_FEWEST_STEPS = 40
_MOST_STEPS = 400


@dataclasses.dataclass(frozen=True, kw_only=True)
class UnitRange:
    """The range of units that is searched, and where it came from.

    Attributes
    ----------
    low, high : float
        Ends of the range, in the readings' own unit.
    chosen : bool
        True when the rule of `default_unit_range` chose it, False when the caller did.
    reason : str
        One sentence that says how the range came about.
    """

    low: float
    high: float
    chosen: bool
    reason: str

    def __iter__(self) -> Iterator[float]:
        """Low and high: it goes wherever a pair does."""
        yield from (self.low, self.high)

    @classmethod
    def given(cls, pair: Any, name: str = "unit_range") -> UnitRange:
        """The caller's pair, checked; a range as it is."""
        if isinstance(pair, cls):
            return pair
        low, high = validation.unit_range(pair, name=name)
        return cls(low=low, high=high, chosen=False, reason="given by the caller")

    @property
    def factor(self) -> float:
        """high/low."""
        return self.high / self.low

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready dictionary."""
        return dataclasses.asdict(self)


def unit_range_for(
    readings: Readings, unit_range: Any = None, *, sigma_range: tuple[float, float] | None = None
) -> UnitRange:
    """The caller's range, checked, or the one that `default_unit_range` gives."""
    if unit_range is None:
        return default_unit_range(readings, sigma_range=sigma_range)
    if isinstance(unit_range, UnitRange):
        return unit_range
    given = UnitRange.given(unit_range)
    if readings.span > 0 and given.high > _MOST_SPANS * readings.reach:
        raise InputError(
            f"`unit_range` ends at {given.high:g}, more than {_MOST_SPANS:.0e} times the span of "
            f"the readings and zero ({readings.reach:g}); no unit above half of their span can "
            "show, so lower the end."
        )
    refuse_too_many_units(given, readings.span)
    return given


def default_unit_range(
    readings: Readings, *, sigma_range: tuple[float, float] | None = None
) -> UnitRange:
    """The range of trial units for readings that come without one.

    The largest unit is half of (span + 2 sigma): a larger one would leave fewer than three levels
    in view. The smallest is the largest of

    - 2.5 times the rounding step (whole multiples of the rounding itself are not steps of nature),
    - three times sigma, where sigma is known (closer levels cannot be distinguished),
    - the span divided by 40, or by twice the number of readings if that is more (at most 400).

    The span is that of the readings without the few that lie far from all others
    (`Readings.far`): one decimal point in the wrong place would otherwise make the range.

    `InputError` if no unit is left between the two.
    """
    sigma = _typical_sigma(readings, sigma_range)
    step = readings.rounding_step or 0.0
    n, span = len(readings), float(np.ptp(np.delete(readings.values, readings.far)))
    low, high = (float(end) for end in default_limits(span, n, step=step, sigma=sigma))
    cause = {
        2.5 * step: "2.5 times the rounding step",
        3 * sigma: "three times sigma",
    }.get(low, f"the span divided by {_steps_in_span(n)}")
    if low >= high:
        raise InputError(
            f"`unit_range` cannot be chosen: the smallest unit that could show ({low:.4g}, {cause})"
            f" is not below the largest ({high:.4g}, half the span of the readings); take readings"
            " that spread wider, or give `unit_range` yourself."
        )
    return UnitRange(
        low=low,
        high=high,
        chosen=True,
        reason=f"from {cause} to half the span of the readings (plus sigma)",
    )


def default_limits(
    span: FloatArray | float, n: int, *, step: float, sigma: float
) -> tuple[FloatArray, FloatArray]:
    """The arithmetic of `default_unit_range`, for one data set or many."""
    spans = np.asarray(span, float)
    low = np.maximum(spans / _steps_in_span(n), max(3 * sigma, 2.5 * step))
    return low, 0.5 * (spans + 2 * sigma)


def _steps_in_span(n: int) -> int:
    return min(max(_FEWEST_STEPS, 2 * n), _MOST_STEPS)


def _typical_sigma(readings: Readings, sigma_range: tuple[float, float] | None) -> float:
    """That of the readings, or the one that is known; beside given ones it is their factor."""
    given = None if readings.sigma is None else float(np.median(readings.sigma))
    if sigma_range is None or sigma_range[0] != sigma_range[1]:
        return given or 0.0
    need_factor(sigma_range, readings)
    return float(sigma_range[0]) * (given or 1.0)


def need_factor(sigma_range: tuple[float, float], readings: Readings) -> None:
    """Refuse a factor on the sigmas that readings carry which can only be meant as a sigma."""
    low, high = sigma_range
    if readings.sigma is None or (low <= _FACTORS[1] and high >= _FACTORS[0]):
        return
    said = f"{low:.3g}" if low == high else f"{low:.3g} to {high:.3g}"
    least, most = float(readings.sigma.min()), float(readings.sigma.max())
    own = f"{least:.3g}" if least == most else f"{least:.3g} to {most:.3g}"
    raise InputError(
        f"`sigma` or `sigma_range` is {said}, but each reading carries a sigma of its own ({own}), "
        f"and beside these it is a factor on all of them, from {_FACTORS[0]:g} to {_FACTORS[1]:g}; "
        "leave it out, or give the readings without their own."
    )


def nearer_offset(reach: float, span: float) -> str:
    """A last remedy where readings lie far from where multiples are counted; empty elsewhere."""
    if reach < _FAR_OFF * span:
        return ""
    return (
        f", or give an `offset` nearer to the readings: they lie {reach:.4g} from where multiples "
        "are counted"
    )


def refuse_too_many_units(
    unit_range: UnitRange, reach: float, oversampling: float = 5.0, *, remedy: str = ""
) -> float:
    """How many trial units a grid needs; InputError if they are more than `LARGEST_GRID`."""
    first, last = 1 / unit_range.high, 1 / unit_range.low
    wanted = (last - first) * reach * oversampling
    if not wanted < LARGEST_GRID:
        low = 1 / (first + LARGEST_GRID / (reach * oversampling) * 0.5)
        raise InputError(
            f"`unit_range` ({unit_range.low:g}, {unit_range.high:g}) needs {wanted:.3g} trial "
            f"units, more than the {LARGEST_GRID:.3g} that fit in memory; raise the low end to "
            f"about {low:.3g}{remedy}."
        )
    return wanted


def enough_oversampling(oversampling: object) -> float:
    """Trial units for a cycle of the fastest phase, checked."""
    os = validation.number("oversampling", oversampling)
    if os < 2:
        raise InputError(f"`oversampling` is {os:g}; at least 2 is needed to see every peak.")
    return os


def trial_frequencies(
    unit_range: UnitRange, reach: float, oversampling: float = 5.0, *, remedy: str = ""
) -> FloatArray:
    """Frequencies 1/u, uniform, from 1/high to 1/low.

    The step is 1/(oversampling·reach): over one step no phase moves by more than 1/oversampling
    of a cycle against another.

    `InputError` if the grid would hold more than `LARGEST_GRID` units.
    """
    wanted = refuse_too_many_units(unit_range, reach, oversampling, remedy=remedy)
    first, last = 1 / unit_range.high, 1 / unit_range.low
    return np.linspace(first, last, max(int(np.ceil(wanted)), 8) + 1)


def default_sigma_range(readings: Readings, unit_range: UnitRange) -> tuple[float, float]:
    """The support of the prior of an unknown sigma, for a range of units.

    From the standard deviation of rounding (step/sqrt(12)), or a hundredth of the smallest unit
    if that is more, to half of the largest unit. Within it the prior falls off where sigma nears
    the unit (`quantize.model.sigma_prior`). A floor is needed: with equal readings and none, the
    answer would be zero. Rounding makes none where repeats scatter less than it does: they were
    all rounded to one number, and share that error.
    """
    floor = (readings.rounding_step or 0.0) / math.sqrt(12)
    if scatter_of_repeats(readings) < floor:
        floor = 0.0
    floor = max(floor, unit_range.low / 100)
    return floor, max(unit_range.high / 2, 1.01 * floor)


def scatter_of_repeats(readings: Readings) -> float:
    """Standard deviation within charge states, in the scale of each; infinite without repeats."""
    levels = readings.select(readings.measured).levels()
    return math.sqrt(levels.scatter / levels.degrees) if levels.degrees else math.inf
