"""Cases of what the nulls are made of whose answers are kept; see `kept`."""

from __future__ import annotations

from typing import Any

import numpy as np
from kept import Cases
from kept_null import UNIT_RANGE, comb, uniform

import quantize as qz
from quantize.comb.unit_range import UnitRange
from quantize.null import (
    allowed_units,
    assigned,
    bounds,
    calibration,
    compare,
    counts,
    envelopes,
    evidence,
    guards,
    influence,
    lattices,
    occupancy,
    partitions,
    power,
    sample,
    statistics,
    two_generators,
    verdict,
)
from quantize.null.dependence import sensitivity


def _bounds() -> Cases:
    x, sigmas = comb(1), qz.Readings(comb(1), sigma=np.linspace(0.05, 0.12, 11))
    unit = np.array([0.7, 1.0, 1.02, 2.4])
    out: Cases = {}
    for name, offset in (("zero", 0.0), ("free", "free"), ("at", 0.2)):
        out[f"p-value bound, {name}"] = lambda o=offset: [
            bounds.p_value_bound(h, d, UNIT_RANGE, offset=o)
            for h in (1.0, 3.0, 9.0)
            for d in (x, sigmas)
        ]
        out[f"height, {name}"] = lambda o=offset: [
            bounds.height_for(p, d, UNIT_RANGE, offset=o) for p in (0.2, 1e-3) for d in (x, sigmas)
        ]
        start = None if offset == "free" else offset
        out[f"spacing, {name}"] = lambda o=start: [
            bounds.equal_spacing(np.array(p), 1.0, (0.4, 2.0), offset=o, closest=0.3)
            for p in ([1.0, 2.02, 3.97], [0.0, 1.01, 1.99, 5.02], [-1.0, 1.0, 3.01, 4.0, 7.1])
        ]
        out[f"residual, {name}"] = lambda o=start: bounds.residual_over(x, unit, offset=o)
    return out | {
        "height of nothing": lambda: bounds.height_for(0.0, x, UNIT_RANGE),
        "bound of a bad height": lambda: bounds.p_value_bound(np.nan, x, UNIT_RANGE),
        "rayleigh": lambda: [bounds.rayleigh_bound(p, 3.0, (0.4, 2.0)) for p in (0.5, 4.0, 30.0)],
        "score": lambda: [bounds.score_bound(s, 9.0, (0.4, 2.0)) for s in (-1.0, 0.5, 3.0, 6.0)],
        "ball": lambda: [bounds._ball(k, 1.3) for k in (1, 2, 3, 6)],
        "mean phase": lambda: bounds._mean_phase(np.array([0.9, 1.05, 2.1])),
    }


def _power() -> Cases:
    def curve() -> Any:
        return power.fit_curve([1.0, 2.0, 3.0, 4.0], [3, 30, 81, 99], [100, 100, 100, 100])

    return {
        "curve": lambda: [curve(), curve().reaches(0.5), curve().reaches(0.9)],
        "curve of ones": lambda: power.fit_curve([1.0, 1.5], [0, 10], [10, 10]),
        "readings": lambda: [
            power.stored().readings(s, r, p, a)
            for s in (0.05, 0.1, 0.17, 0.25)
            for r, p, a in ((1, 0.8, 0.05), (1, 0.5, 0.01), (3, 0.9, 0.05))
        ],
        "sharpest": lambda: [
            power.stored().sharpest(n, r, p, 0.05)
            for n in (8, 30, 200)
            for r, p in ((1, 0.8), (3, 0.5))
        ],
        "estimate": lambda: power.Estimate(log=2.0, error=0.1).ends(),
        "needed": lambda: [power.readings_needed(s) for s in (0.01, 0.05, 0.1, 0.2, 0.29, 0.5)],
        "modes of the table": lambda: [
            calibration.p_values(v, n, calibration.mode(sigma_known=k, free=f))
            for v in (-30.0, 0.3, 2.0, 7.5, 40.0)
            for n in (4, 17, 2000)
            for k in (True, False)
            for f in (True, False)
        ],
        "score of ratios": lambda: [
            calibration.score(
                {"lumpy: a": 2.0, "lumpy: b": 1.0, "heaped: c": 3.0}, n, "offset zero, sigma known"
            )
            for n in (5, 60)
        ],
        "alpha at the floor": lambda: calibration.need_alpha(1e-4),
        "alpha below": lambda: calibration.need_alpha(0.99e-4),
    }


def _parts() -> Cases:
    x = np.sort(comb(1, 7))
    count, inner = np.array([1, 2, 1, 1, 3, 1, 1]), np.array([0, 0.02, 0, 0, 0.1, 0, 0])
    variance = np.outer([0.05**2, 0.2**2], 1 / count)
    seats = lambda: occupancy.log_seats(int(count.sum()))  # noqa: E731
    tried = UnitRange(low=0.5, high=2.5, chosen=False, reason="so")
    whole = np.sort(np.array([[-4, -2, 0, 2, 4, 4, 6], [-3, -1, 0, 2, 2, 3, 5]]), axis=1)
    design = np.stack([whole, np.ones_like(whole)], axis=2).astype(float)
    long = np.array([-3.0, 0.0, 0.01, 1.0, 4.0])
    return {
        "partitions": lambda: partitions.log_partition_sums(x, variance, count, seats(), 5),
        "any number": lambda: [
            partitions.log_any_number(x, variance, count, 9.0),
            partitions.log_any_number(x * 1e3, variance, count, 9e3),
        ],
        "own widths": lambda: partitions.log_own_widths(
            x, count, inner, np.array([0.02, 0.3]), 9.0
        ),
        "most probable groups": lambda: [
            partitions.most_probable_groups(x, 1 / count, s) for s in (0.02, 0.3, 2.0)
        ],
        "widened": lambda: [partitions.widened_span(x), partitions.widened_span(x, 30)],
        "seats": lambda: [seats(), occupancy.log_norm(np.array([2, 5, 40]), 9)],
        "next share": lambda: occupancy.next_share(np.array([0.0, 2.0, 5.0]), np.array(6), 7),
        "seating": lambda: [occupancy.seat(whole, count, free=f) for f in (True, False)],
        "without wings": lambda: assigned.without_wings(whole),
        "least squares": lambda: [
            lattices.least_squares(x, 1.0 * count, design),
            lattices.least_squares(x, 1.0 * count, 0 * design),
        ],
        "integrated": lambda: lattices.integrated(x, variance, design),
        "integrated, open": lambda: lattices.integrated(x, variance, 0 * design),
        "distinct": lambda: lattices.first_distinct(np.concatenate([whole, whole, -whole]), 3),
        "envelopes": lambda: [
            (
                envelopes.log_uniform(v),
                envelopes.log_normal(v, 9.0),
                envelopes.log_skewed(v),
                envelopes.log_beta(v),
            )
            for v in (x, long)
        ],
        "broad lumps": lambda: envelopes.log_broad_lumps(x, count, inner),
        "heaps": lambda: [envelopes.log_ratio_over_heaps(x, u) for u in (0.7, 1.0, 2.2)],
        "falling": lambda: envelopes.log_falling(np.array([2, 5, 9]), 4),
        "sums of logs": lambda: [envelopes.log_sum_exp(design[:, :, 0]), envelopes.log_mean_exp(x)],
        "merged": lambda: [_merged(n) for n in (3, 6, 9)],
        "averaged": lambda: _averaged(),
        "log share": lambda: [evidence.log_share(n, m) for n, m in ((5, 2), (9, 9), (30, 1))],
        "coefficients": lambda: [
            two_generators._coefficients(s, m) for s in (True, False) for m in (1, 2, 4)
        ],
        "within": lambda: two_generators._within(
            np.array([(1, 1), (2, 3), (5, 1), (0, 2)]), np.full(4, 4)
        ),
        "candidates": lambda: [
            two_generators._candidates(x, 1.0 * count, o) for o in (True, False)
        ],
        "statistic": lambda: [
            statistics.LargestScore.of(d, tried, 0.1, f)(np.stack([x, uniform(1, 7), x**2]))
            for d in (qz.Readings(x), qz.Readings(x, sigma=0.1))
            for f in (True, False)
        ],
        "unit conversions": lambda: statistics.error_of_transform(30, 900, np.complex64),
    }


def _merged(most: int) -> Any:
    found = qz.fit_mixture(comb(6, 9), UNIT_RANGE, sigma_range=0.08).posterior
    one = sample.sample_of(found)
    return [
        one,
        sample.merged(one, most),
        one.least_sigma,
        one.log_weight,
        one.log_evidence_of_noise,
    ]


def _averaged() -> Any:
    fits = [qz.fit_mixture(comb(6, 9) + z, UNIT_RANGE) for z in (-0.03, 0.04)]
    rows = [evidence.level_evidence(fit.posterior, alpha=0.05) for fit in fits]
    return [
        evidence.averaged_evidence(rows, np.array(w), fits[0].posterior, 0.02)
        for w in ([0.4, 0.5], [1.0, 0.0])
    ]


def _guarded() -> Cases:
    given = ("any", "positive", (1, 9), (2, None), (-3, 4))

    def allowed(integers: Any, **more: Any) -> Any:
        data = qz.Readings(np.abs(comb(1)) + 1)
        tried = UnitRange(low=0.5, high=2.5, chosen=False, reason="so")
        return allowed_units.allowed_units(tried, qz.MixtureModel(integers=integers, **more), data)

    def counted(**options: Any) -> Any:
        rng = np.random.default_rng(6)
        values = rng.integers(1, 8, 3000) + 0.07 * rng.standard_normal(3000)
        kind = options.pop("kind", "comb")
        if kind == "smooth":
            values = rng.normal(4, 1.5, 3000)
        if kind == "levels":
            values = rng.choice([1.1, 2.9, 5.4], 3000) + 0.07 * rng.standard_normal(3000)
        edges = np.arange(-2, 11, 0.1)
        found = qz.counts.Histogram(edges, np.histogram(values, edges)[0])
        got = counts.analyze_counts(found, (0.6, 1.7), **options)
        names = (
            "verdict",
            "reasons",
            "advice",
            "unit",
            "unit_err",
            "findings",
            "p_value",
            "p_values",
            "log_bayes_factor",
            "log_bayes_factors",
            "no_unit_above",
        )
        return [
            {n: getattr(got, n, None) for n in names},
            repr(got),
            got.interval(),
            got.interval(0.5),
        ]

    limits = (1e-5, 0.00999, 0.01, 0.0495, 0.05, 0.0951, 0.2)
    return {
        **{f"allowed, {i}": lambda i=i: allowed(i) for i in given},
        "allowed in a window": lambda: allowed((1, 9), window=(0.0, 12.0)),
        "allowed, sigma": lambda: allowed((1, 9), sigma=0.1),
        "in words": lambda: [allowed_units.in_words(i) for i in given[1:]],
        "resolution": lambda: [
            guards.not_the_resolution(s, u, e)
            for s, u, e in (
                (None, 1.0, 0.1),
                (0.1, 0.5, 0.01),
                (0.1, 0.2, 0.001),
                (0.1, 0.1, 1e-3),
                (0.1, 0.23, 0.1),
                (0.5, 0.25, 0.001),
            )
        ],
        "below": lambda: [guards._below(p, 0.95) for p in (0.5, 0.949, 0.9499, 0.94999)],
        "levels seen": lambda: [
            guards._levels_seen(n, free=f) for n in (2, 3, 4, 5) for f in (0, 1)
        ],
        "majority": lambda: [guards._majority_in_levels(b) for b in (0.0, 0.3, 0.5, 0.51)],
        "shape": lambda: [guards._normal_shape(c) for c in (0.8, 1.9, 2.0, 3.1, 90.0)],
        "per cent": lambda: [verdict._per_cent(p) for p in limits],
        "times": lambda: [verdict._times(v) for v in (-3.0, 0.0, 1.0, 5.0, 20.0)],
        "thin": lambda: [verdict._thin_message(v) for v in (-2.0, 0.5, 2.0)],
        "counts": counted,
        "counts, free": lambda: counted(offset="free"),
        "counts, strict": lambda: counted(alpha=0.001, sigma_range=(0.05, 0.2)),
        "counts without steps": lambda: counted(kind="smooth"),
        "counts of levels": lambda: counted(kind="levels"),
        "counts of levels, free": lambda: counted(kind="levels", offset="free"),
        "sensitivity": lambda: sensitivity(comb(1), UNIT_RANGE, n_resamples=49, rng=1),
        "sensitivity, own ranges": lambda: sensitivity(
            comb(1), UNIT_RANGE, unit_ranges=[(0.8, 2.0)], n_resamples=49, rng=1
        ),
        "left out": lambda: influence.without_each_state(comb(2, 6, 0.04), UNIT_RANGE),
        "groups": lambda: [influence.group_codes(g, 4) for g in (list("abab"), [1, 1, 2, 3])],
        "groups, short": lambda: influence.group_codes(list("aba"), 4),
        **{
            f"informative, {u}": lambda u=u: guards.need_informative_range(qz.Readings(comb(1)), u)
            for u in ((0.01, 4.4), (4.4, 4.5), (1e-3, 0.02), (4.51, 9.0))
        },
        "informative": lambda: guards.need_informative_range(qz.Readings(comb(1)), (30.0, 60.0)),
        "need spread": lambda: compare._need_spread(np.ones(3), "own"),
    }


MAKERS = (_bounds, _power, _parts, _guarded)
