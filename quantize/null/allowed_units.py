"""What is said of the readings: which units whole numbers leave, and what is worth saying."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np

from quantize._support.validation import FloatArray
from quantize.comb.unit_range import UnitRange
from quantize.model import distributions
from quantize.model.mixture import MixtureFit
from quantize.model.model import MixtureModel
from quantize.null.choices import BLURRED
from quantize.readings import Readings
from quantize.recording import is_ruled

_DEVIATIONS = 4.0
"""A reading farther than this from the first and the last tooth has none of them."""
_LARGE_SHARE = 0.05
"""A rival with a smaller share is not worth advice."""
_OUTLIERS = 0.1
"""Where outliers are allowed, so large a part of the readings may be some, at either end."""


def allowed_units(unit_range: UnitRange, model: MixtureModel, data: Readings) -> UnitRange | None:
    """The units of a range at which every reading can have a possible whole number; None for none.

    A reading may lie four deviations beyond the first and the last tooth. Where sigma is not known
    that is four times 0.30 units, the scatter of the widest comb that shows. Readings far from all
    others do not count. Noise that grows leaves the range as it is.
    """
    if model.integers == "any" or model.noise != "constant":
        return unit_range
    first, last = _pair(model.integers)
    # A free offset is up to one unit.
    last = math.inf if last is None else last + (model.offset == "free")
    lowest, highest, error = _extremes(model, data)
    low, high = unit_range
    slopes = [(first - _DEVIATIONS * BLURRED, last + _DEVIATIONS * BLURRED, 0.0)]
    if error is not None:
        slopes.append((first, last, _DEVIATIONS * error))
    for lower, upper, away in slopes:
        # lower·u ≤ every reading ≤ upper·u, but for `away`; turned round, one case is the other.
        for slope, value in ((upper, highest - away), (-lower, -lowest - away)):
            if slope > 0:
                low = max(low, value / slope)
            elif value > 0 or (slope < 0 and value / slope < low):
                return None
            elif slope < 0:
                high = min(high, value / slope)
    if low == unit_range.low and high == unit_range.high:
        return unit_range
    unit: Any = model.priors.get("unit")
    impossible = distributions.is_distribution(unit) and not np.ptp(unit.cdf([low, high])) > 1e-9
    if not low < high or impossible:
        return None
    why = f"of these, those at which every reading can have {in_words(model.integers)}"
    reason = unit_range.reason if why in unit_range.reason else f"{unit_range.reason}; {why}"
    return dataclasses.replace(unit_range, low=low, high=high, reason=reason)


def beyond(
    x: FloatArray, k: FloatArray, model: MixtureModel, *, free: bool
) -> tuple[int, str] | None:
    """Which level lies farthest beyond the whole numbers of a model, and how many units it is.

    None where all that may not be outliers lie within four deviations of the first and the last of
    them. `x` are levels in units of a comb, `k` their teeth; where the offset is free, it is open
    which of the teeth is the first.
    """
    first, last = _pair(model.integers)
    last = math.inf if last is None else last
    away = x - x.min() - (last - first) if free else np.maximum(x - last, first - x)
    reach = _DEVIATIONS * float(np.sqrt(np.mean(np.square(x - k))))
    set_aside = 0 if model.outliers == 0.0 else int(_OUTLIERS * away.size)
    if int(np.sum(away > reach)) <= set_aside:
        return None
    far = int(np.argmax(away))
    from_lowest = f"{x[far] - x.min():.0f} units from the lowest"
    return far, from_lowest if free else f"{x[far]:.0f} units"


def in_words(integers: Any) -> str:
    """What was said of the whole numbers."""
    first, last = _pair(integers)
    return f"a whole number from {first} " + ("on" if last is None else f"to {last}")


def _pair(integers: Any) -> tuple[int, float | None]:
    first, last = (1, None) if integers == "positive" else integers
    return first, last


def _extremes(model: MixtureModel, data: Readings) -> tuple[float, float, float | None]:
    """Smallest and largest reading from where multiples start, and their known deviation."""
    start, end = 0.0, 0.0
    if not isinstance(model.offset, str):
        start, end = distributions.reach(model.offset)
    moved = np.zeros(len(data))
    shift = data.shift
    while shift is not None:
        moved = moved + _DEVIATIONS * shift.error * np.abs(shift.lever)
        shift = shift.also
    if data.steps is not None:
        moved = moved + 0.5 * np.broadcast_to(data.steps, len(data))
    counted = data.measured.copy()
    counted[data.far] = False
    lowest = np.sort((data.values + moved - start)[counted])
    highest = np.sort((data.values - moved - end)[counted])
    beside = 0 if model.outliers == 0.0 else int(_OUTLIERS * lowest.size)
    return float(lowest[beside]), float(highest[-1 - beside]), _known(model, data)


def _known(model: MixtureModel, data: Readings) -> float | None:
    """Largest deviation of a reading, where it is known."""
    sigma: FloatArray | None = data.sigma
    if isinstance(model.sigma, float):
        return model.sigma * (1.0 if sigma is None else float(sigma.max()))
    return None if sigma is None or model.sigma is not None else float(sigma.max())


def worth_saying(mixture: MixtureFit) -> str | None:
    """What to say of the whole numbers, where simple parts of the unit remain as rivals.

    The number named lies between those that the largest and the smallest of the rivals need for
    the farthest reading.
    """
    if mixture.model.integers != "any" or mixture.posterior.prior.free:
        return None
    table = mixture.alternatives
    multiples = table["relation"].str.fullmatch(r"best|\d*u|u/\d")
    simple = table[multiples & (table["share"] >= _LARGE_SHARE)]
    if len(simple) < 2:
        return None
    reach = mixture.posterior.reach
    fewest, most = (reach / float(unit) for unit in (simple["unit"].max(), simple["unit"].min()))
    number = max(math.ceil(fewest), round(math.sqrt(fewest * most)))
    if number > most - 0.5:
        return None
    first = min(int(mixture.integers.min()), 1)
    first = first if first >= 0 else -number
    return (
        f"If no reading can be more than {number} units, whatever the readings look like, say so "
        f"(`integers=({first}, {number})`): parts of the unit remain as rivals."
    )


def if_read_finer(readings: Readings) -> list[str]:
    """What to say of the resolution, where all readings are on the steps of a ruler."""
    steps = readings.steps
    if readings.resolution is not None or steps is None or np.ptp(steps) or not is_ruled(steps[0]):
        return []
    return [
        f"All readings are multiples of {steps[0]:g} and count as recorded in steps of it; if they "
        "were read to finer steps, say so (`resolution`), and smaller units are tried."
    ]
