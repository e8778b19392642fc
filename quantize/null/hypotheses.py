"""Evidence from where the levels stand: a comb against everything that is not one."""

from __future__ import annotations

import dataclasses

import numpy as np

from quantize._support.validation import BoolArray, FloatArray, IntArray
from quantize.model.posterior import Posterior
from quantize.null.assigned import Assigned, assigned, best_seated
from quantize.null.choices import LEVELS_AT_ZERO, LEVELS_FREE, NARROWEST
from quantize.null.envelopes import (
    WIDTHS,
    log_beta,
    log_broad_lumps,
    log_normal,
    log_ratio_over_heaps,
    log_skewed,
    log_uniform,
)
from quantize.null.occupancy import SHARE_NAMES, Seating, log_falling, log_norm, log_seats, seat
from quantize.null.partitions import (
    ONE_SCALE,
    log_any_number,
    log_mean_exp,
    log_own_widths,
    log_partition_sums,
    log_sum_exp,
    most_probable_groups,
    widened_span,
)
from quantize.null.sample import Sample, Teeth, comb_at_nodes, kept_nodes, merged
from quantize.null.two_generators import sums_of_two_units

SAME_ENVELOPE = "continuous: whatever the envelope"
"""Comb against continuum where both have one and the same smooth envelope: it then cancels, and the
ratio is that of the phases alone."""

NULLS: tuple[str, ...] = (
    SAME_ENVELOPE,
    "continuous: uniform",
    *(f"continuous: histogram, {name}" for name in SHARE_NAMES[1:]),
    "continuous: tight uniform",
    "continuous: normal",
    "continuous: skewed",
    "continuous: beta",
    "continuous: broad lumps",
    *(f"lumpy: {name}" for name in SHARE_NAMES),
    "mixed: levels and background",
    "unequal: lumps of their own widths",
    "heaped",
    "sums: from an offset",
    "small sums: from an offset",
)
"""Every null but the mirrored ones, which are compared only where there is something to mirror."""

SUMS = {
    "sums: from zero": {},
    "sums: from an offset": {"offset": True},
    "differences: from zero": {"signed": True},
}
"""Sums of two units: multiples of either of one sign, or of both signs."""
_MOST_GROUPS = 48
"""Levels on more places than this are as good as a continuum, and are taken as one."""
_NEGLIGIBLE_UNIT = 30.0
"""Of very many levels, units at which the comb is this far below the best are not averaged over: as
many levels anywhere are farther below still, and their ratio would drown all others."""
_FEW_ITEMS = 40
"""So many are enough to see at which noise levels anywhere do well."""


@dataclasses.dataclass(frozen=True)
class Comparison:
    """Log Bayes factors of the comb over each null, and the most probable comb.

    `log_comb` is the log evidence of the comb with enough occupied teeth, `log_everything` that
    with any number of them; `integers` (n,) are the teeth of the sorted values on the best one.
    `two_units` are those whose sums explain the sample best.
    """

    log_ratios: dict[str, float]
    log_comb: float
    log_everything: float
    unit: float
    offset: float
    integers: IntArray
    two_units: tuple[float, float] | None = None


def compare(found: Posterior, sample: Sample, high: float) -> Comparison:
    """Set the comb against each null, units up to `high` (at most half the span)."""
    comb = comb_at_nodes(found, sample, high)
    nothing = dict.fromkeys(NULLS, -np.inf)
    if not comb.unit.size:
        integers = np.zeros(sample.values.size, dtype=np.int64)
        return Comparison(nothing, -np.inf, -np.inf, found.unit_range.low, 0.0, integers)
    free = found.prior.free
    comb, seating = best_seated(comb, sample, free=free)
    shares = log_mean_exp(seating.log_shares, axis=0)
    log_comb = comb.log_likelihood + shares
    counted = np.where(_enough(seating, free), log_comb, -np.inf)
    order = np.argsort(-log_comb, kind="stable")
    best = int(order[0])
    result = Comparison(
        log_ratios=nothing,
        log_comb=float(log_sum_exp(counted)),
        log_everything=float(log_sum_exp(log_comb)),
        unit=float(comb.unit[best]),
        offset=float(comb.offset[best]),
        integers=comb.integers[best],
    )
    one_tooth = assigned(found, sample, comb, order, high)
    over_levels, two_units = _over_levels(sample, one_tooth, result if free else None)
    if not over_levels or not np.isfinite(result.log_comb):
        return result
    ratios = _over_continua(sample, comb, seating, counted) | over_levels
    from_start = sample.levels - result.offset * sample.levers
    ratios["heaped"] = log_ratio_over_heaps(from_start, result.unit)
    return dataclasses.replace(result, log_ratios=ratios, two_units=two_units)


def _enough(seating: Seating, free: bool) -> BoolArray:
    """Where enough different levels are occupied, and no multiple of the unit explains the same."""
    least = LEVELS_FREE if free else LEVELS_AT_ZERO
    return seating.coprime & (seating.occupied >= least)


def _over_continua(
    sample: Sample, comb: Teeth, seating: Seating, counted: FloatArray
) -> dict[str, float]:
    """The comb over sizes of any kind, drawn from smooth envelopes."""
    n, values, noise = sample.levels.size, sample.levels, sample.log_evidence_of_noise
    total = float(log_sum_exp(counted))
    phases = np.where(np.isfinite(counted), comb.log_likelihood + n * np.log(comb.unit), -np.inf)
    log_phase = float(log_sum_exp(phases)) - noise
    continuum = -n * np.log(comb.unit) + noise
    by_unit = {"continuous: uniform": continuum - n * np.log(seating.teeth)}
    for a, name in enumerate(SHARE_NAMES[1:], start=1):
        by_unit[f"continuous: histogram, {name}"] = continuum + seating.log_shares[a]
    nulls = {name: total - _averaged(counted, null) for name, null in by_unit.items()}
    envelopes = {
        "continuous: tight uniform": log_uniform(values),
        "continuous: normal": log_normal(values, widened_span(values)),
        "continuous: skewed": log_skewed(values),
    }
    # The comb, too, may have an envelope instead of shares: that of a null, kept at the teeth.
    enveloped = log_phase + float(log_mean_exp(np.array(list(envelopes.values())))) + noise
    richest = float(np.logaddexp(total, enveloped) - np.log(2))
    envelopes["continuous: beta"] = log_beta(values)
    lumps = log_broad_lumps(sample.values, sample.count, _inner(sample))
    envelopes["continuous: broad lumps"] = lumps
    nulls |= {name: value + noise for name, value in envelopes.items()}
    return {SAME_ENVELOPE: log_phase} | {name: richest - null for name, null in nulls.items()}


def _over_levels(
    sample: Sample, comb: Assigned, free: Comparison | None
) -> tuple[dict[str, float], tuple[float, float] | None]:
    """The comb over levels that stand anywhere, and the two units whose sums do best.

    None of them where no assignment has enough teeth. `free` is the best comb of a free offset.
    """
    if not comb.unit.size:
        return {}, None
    seating = seat(comb.integers, sample.count, free=free is not None)
    each = comb.log_likelihood + log_mean_exp(seating.log_shares, axis=0)[:, None]
    each[~_enough(seating, free is not None)] = -np.inf
    seated, by_noise = log_sum_exp(each), log_sum_exp(each.T)
    if not np.isfinite(seated).any():
        return {}, None
    window = widened_span(sample.levels)
    # The comb may fail at a noise at which levels anywhere do well, and the other way about.
    few = sample if sample.values.size <= _FEW_ITEMS else merged(sample, _FEW_ITEMS)
    of_few = _any_number(few, window)
    kept = kept_nodes(by_noise) | kept_nodes(of_few)
    part = sample.at_nodes(kept)
    any_number = of_few[kept] if few is sample else _any_number(part, window)
    unit, integers, teeth = comb.unit, comb.integers, seating.teeth
    nulls = _levels_anywhere(part, unit, teeth)
    sums = _sums(part, any_number, free=free is not None)
    if free is not None:
        width = 0.5 * np.log(2 * np.pi / np.sum(1 / part.variance, axis=1)) - np.log(window)
        k = free.integers
        middle = free.offset + 0.5 * free.unit * (k[0] + k[-1])
        centred = dataclasses.replace(
            part, values=part.values - middle, log_prior=part.log_prior + width
        )
        nulls |= _mirrored(centred, unit, teeth // 2 + 1)
    elif sample.values[0] < 0 < sample.values[-1]:
        reach = np.maximum(np.abs(integers[:, 0]), np.abs(integers[:, -1])) + 1
        nulls |= _mirrored(part, unit, reach)
    if sample.levels.size > ONE_SCALE:
        seated = np.where(seated > seated.max() - _NEGLIGIBLE_UNIT, seated, -np.inf)
    ratios = {name: _averaged(seated, null) for name, null in nulls.items()}
    total = float(log_sum_exp(seated))
    ratios |= {name: total - value for name, (value, _) in sums.items()}
    _, two_units = max(sums.values(), default=(-np.inf, None))
    ratios["mixed: levels and background"] = total - float(log_sum_exp(any_number))
    span = float(np.ptp(sample.levels))
    least = span / NARROWEST["lumps"]
    if len(sample.variance) > 1:
        least = max(sample.least_sigma, least)
    widths = np.geomspace(least, span / 2, WIDTHS)
    lumps = log_own_widths(sample.values, sample.count, _inner(sample), widths, window)
    ratios["unequal: lumps of their own widths"] = total - lumps - sample.log_evidence_of_noise
    return ratios, two_units


def _sums(
    sample: Sample, any_number: FloatArray, *, free: bool
) -> dict[str, tuple[float, tuple[float, float]]]:
    """Log evidence of sums of two units, and the units; from zero where the comb is, and an offset.

    They go from zero to where most readings are. With a free offset they are sought from either
    end: a sample turned about zero has the same answer.
    """
    zero, offset, differences = SUMS
    typical = sample.variance[int(np.argmax(any_number))]
    turned = sample.rearranged(np.arange(sample.values.size)[::-1], -sample.values[::-1])
    ways = [(sample, typical), (turned, typical[::-1])]
    names = [offset] if free else [zero, offset]
    if not free:
        ways = ways[:1] if sample.values @ sample.count >= 0 else ways[1:]
        names += [differences] if sample.values[0] < 0 < sample.values[-1] else []
    best: dict[str, tuple[float, tuple[float, float]]] = {}
    for each, variance in ways:
        groups = most_probable_groups(each.values, variance, 1.0)
        for name in names:
            found = sums_of_two_units(each, groups, variance, **SUMS[name])
            evidences = {name: found.log_evidence}
            if name != differences:
                evidences[f"small {name}"] = found.log_evidence_small
            for key, value in evidences.items():
                if np.isfinite(value):
                    best[key] = max(best.get(key, (value, found.units)), (value, found.units))
    return best


def _any_number(sample: Sample, window: float) -> FloatArray:
    """Log evidence of any number of levels anywhere, at each node of noise."""
    found = log_any_number(sample.values, sample.variance, sample.count, window)
    return found + sample.log_weight


def _inner(sample: Sample) -> FloatArray:
    """Sum of squares of the levels of each item about its mean."""
    starts = np.concatenate([[0], np.cumsum(sample.count)[:-1]])
    means = np.add.reduceat(sample.levels, starts) / sample.count
    deviation = np.square(sample.levels - np.repeat(means, sample.count))
    return np.asarray(np.add.reduceat(deviation, starts))


def _averaged(comb: FloatArray, null: FloatArray) -> float:
    """Log of the average of comb/null over the units; a null too small for a number is left out."""
    usable = np.isfinite(comb) & np.isfinite(null)
    return float(log_sum_exp(comb[usable] - null[usable])) if usable.any() else -np.inf


def _levels_anywhere(
    sample: Sample, unit: FloatArray, teeth: IntArray, kind: str = "lumpy"
) -> dict[str, FloatArray]:
    """Levels anywhere: as many as the comb has teeth, in the window that its teeth span."""
    total = int(sample.count.sum())
    most = min(sample.values.size, int(np.max(teeth)), _MOST_GROUPS)
    seats = log_seats(total)
    sums = log_partition_sums(sample.values, sample.variance, sample.count, seats, most)
    sums = log_sum_exp(sums + sample.log_weight[:, None, None], axis=0)
    length = np.log(teeth * unit)
    places = log_falling(teeth, most) - np.arange(most + 1) * length[:, None]
    none = sample.log_evidence_of_noise - total * length
    continuum = np.where(teeth > most, none, -np.inf)
    return {
        f"{kind}: {name}": np.logaddexp(log_sum_exp(of_groups + places) + norm, continuum)
        for name, of_groups, norm in zip(SHARE_NAMES, sums, log_norm(teeth, total), strict=True)
    }


def _mirrored(sample: Sample, unit: FloatArray, sizes: IntArray) -> dict[str, FloatArray]:
    """`sizes` levels anywhere with their mirror images; every level picks its sign by a coin."""
    order = np.argsort(np.abs(sample.values), kind="stable")
    folded = sample.rearranged(order, np.abs(sample.values)[order])
    nulls = _levels_anywhere(folded, unit, sizes, "mirrored")
    coins = int(sample.count.sum()) * np.log(2)
    return {name: null - coins for name, null in nulls.items()}
