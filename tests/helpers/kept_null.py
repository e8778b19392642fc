"""Cases of the nulls and the verdict whose answers are kept; see `kept`."""

from __future__ import annotations

from typing import Any

import numpy as np
from kept import Cases
from scipy import stats

import quantize as qz
from quantize.comb.unit_range import UnitRange
from quantize.null import (
    allowed_units, bounds, calibration, compare, counts, envelopes, evidence, exclusion, guards,
    influence, lattices, occupancy, partitions, power, running_comb, running_levels, running_nulls,
    running_sums, samplers, statistics, tails, two_generators, verdict, wings,
)  # fmt: skip
from quantize.null.dependence import sensitivity
from quantize.shared_shift import SharedShift

UNIT_RANGE = (0.5, 2.5)
QUICK = {"n_resamples": 99, "rng": 1}


def comb(seed: int, n: int = 11, spread: float = 0.08, first: int = -4, last: int = 6) -> np.ndarray:
    """Steps of one unit with errors."""
    rng = np.random.default_rng([86, seed])
    x: np.ndarray = rng.integers(first, last, n) + spread * rng.normal(size=n)
    return x


def uniform(seed: int, n: int = 11) -> np.ndarray:
    """Sizes without steps."""
    return np.random.default_rng([87, seed]).uniform(-4, 6, n)


def samples() -> dict[str, tuple[Any, dict[str, Any]]]:
    """Readings and options of an analysis, by name."""
    states = np.repeat(np.arange(7), 2)
    twice = np.repeat(comb(3, 7, 0.0, 1, 9), 2) + 0.1 * np.random.default_rng(4).normal(size=14)
    levels = np.random.default_rng(5).choice([0.7, 2.9, 5.1], 12) + 0.03 * comb(6, 12, 1.0, 0, 1)
    mirrored = np.random.default_rng(8).choice([-3.1, -1.2, 1.2, 3.1], 14) + 0.03 * comb(7, 14, 1, 0, 1)
    two = np.add.outer([0, 1.0, 2.0, 3.0], [0, 0.63, 1.26]).ravel() + 0.01 * comb(9, 12, 1.0, 0, 1)
    wild = comb(10, 14, 0.06)
    wild[4], wild[5] = 61.0, 1.43
    shift = SharedShift(error=0.05, degrees_of_freedom=6.0, lever=np.ones(11))
    return {
        "comb": (comb(1), {}),
        "sharp comb": (comb(2, 16, 0.04), {}),
        "broad comb": (comb(2, 16, 0.25), {}),
        "comb, free": (comb(1) + 0.3, {"offset": "free"}),
        "comb, at an offset": (comb(1) + 0.3, {"offset": 0.3}),
        "comb, sigma known": (comb(1), {"sigma_range": 0.08}),
        "comb, sigma between": (comb(1), {"sigma_range": (0.02, 0.2)}),
        "comb, sigmas": (qz.Readings(comb(1), sigma=np.linspace(0.05, 0.12, 11)), {}),
        "comb, strict": (comb(2, 16, 0.04), {"alpha": 0.01}),
        "comb, positive": (np.abs(comb(2, 16, 0.04)) + 1, {"integers": "positive"}),
        "comb, groups": (comb(2, 16, 0.04), {"group": ["A", "B"] * 8}),
        "comb, smooth alone": (comb(2, 16, 0.04), {"null": "smooth"}),
        "comb, shifted": (qz.Readings(comb(1), shift=shift), {}),
        "uniform": (uniform(1), {}),
        "uniform, free": (uniform(2), {"offset": "free"}),
        "uniform, sigma known": (uniform(3, 20), {"sigma_range": 0.02}),
        "normal": (np.random.default_rng(3).normal(0, 3, 12), {}),
        "states": (qz.Readings(twice, state=states), {}),
        "states, free": (qz.Readings(twice + 0.3, state=states), {"offset": "free"}),
        "levels": (levels, {}),
        "mirrored": (mirrored, {}),
        "two units": (two, {}),
        "rounded": (np.round(comb(1), 1), {}),
        "rounded coarsely": (qz.Readings(np.rint(2 * comb(1)) / 2, resolution=0.5), {}),
        "wild": (wild, {}),
        "outliers": (comb(1), {"model": qz.MixtureModel(outliers=0.1, sigma=0.08)}),
        "two levels": ([1.0, 1.01, 2.02, 1.99, 1.0], {}),
        "four": (comb(1)[:4], {}),
    }


def _analysed() -> Cases:
    def of(x: Any, options: dict[str, Any]) -> Any:
        found = qz.analyze(x, UNIT_RANGE, **QUICK | options)
        names = ("verdict", "reasons", "advice", "unit", "unit_err", "sigma", "offset", "p_value",
                 "p_values", "log_bayes_factor", "log_bayes_factors", "log_bayes_factor_mixture",
                 "no_unit_above", "integers", "findings", "estimates", "unit_range", "settings",
                 "smooth", "evidence")  # fmt: skip
        return {name: getattr(found, name) for name in names} | {"repr": repr(found)}

    def weighed(x: Any, options: dict[str, Any]) -> Any:
        model = {k: v for k, v in options.items() if k in ("offset", "sigma_range", "model")}
        fit = qz.fit_mixture(x, UNIT_RANGE, **model)
        limit = exclusion.excluded_units(fit)
        return [
            evidence.level_evidence(fit.posterior, alpha=0.02), limit, limit and limit.decides,
            allowed_units.worth_saying(fit), guards.findings_on_readings(
                fit, fit.unit_range, 0.7, alpha=0.05
            ),
            influence.single_state(fit.posterior, 0.05) if len(fit.readings) < 8 else None,
        ]  # fmt: skip

    everything = samples()
    out: Cases = {f"analysis, {n}": lambda x=x, o=o: of(x, o) for n, (x, o) in everything.items()}
    for name in ("comb", "comb, free", "uniform, sigma known", "states", "outliers", "four"):
        x, options = everything[name]
        out[f"weighed, {name}"] = lambda x=x, o=options: weighed(x, o)
    return out


def _compared() -> Cases:
    x, states = comb(1), qz.Readings(comb(1), state=[0, 0, 1, 1, 2, 2, 3, 4, 5, 6, 7])

    def of(data: Any = x, **options: Any) -> Any:
        found = qz.compare_null(data, UNIT_RANGE, n_resamples=200, rng=2, **options)
        limits = [found.critical_value(0.05), found.critical_value(0.001, extrapolate=True)]
        return [found, limits]

    def spread(values: Any) -> Any:
        return np.std(values, axis=-1)

    given: dict[str, dict[str, Any]] = {
        "all": {}, "free": {"offset": "free"}, "at an offset": {"offset": 0.2},
        "smooth": {"null": "smooth"}, "levels": {"null": "lumpy"}, "uniform": {"null": "uniform"},
        "normal": {"null": "normal"}, "family": {"null": stats.expon}, "own": {"statistic": spread},
        "nothing": {"null": "nothing"}, "states": {"data": states}, "batches": {"batch": 50},
        "states, levels": {"data": states, "null": "lumpy"}, "no statistic": {"statistic": "size"},
        "rounded": {"data": np.round(x, 1)}, "sigmas": {"data": qz.Readings(x, sigma=0.1)},
    }  # fmt: skip
    out: Cases = {f"null, {name}": lambda o=options: of(**o) for name, options in given.items()}
    rng = np.random.default_rng(3)
    drawn = np.sort(rng.gumbel(size=300))
    tried = UnitRange(low=0.5, high=2.5, chosen=False, reason="so")

    def scale() -> Any:
        return statistics.LargestScore.of(qz.Readings(x), tried, 0.0, False).scale

    return out | {
        "critical, too rare": lambda: qz.compare_null(
            x, UNIT_RANGE, n_resamples=99, rng=1
        ).critical_value(0.001),
        "counted": lambda: [tails.counted_p(v, drawn) for v in (-9.0, drawn[7], 1.3, 99.0)],
        "critical": lambda: [tails.critical_value(a, drawn) for a in (0.5, 0.05, 0.01)],
        "tail": lambda: [
            (t, t.p_value(4.0), t.p_value(9.0), t.value(0.01), t.value(1e-5))
            for t in (
                tails.fit_tail(drawn, exponential=True),
                tails.fit_tail(drawn, exponential=False),
                tails.fit_tail(np.tanh(drawn), exponential=False),
                tails.fit_tail(drawn, exponential=False, reach=5.0),
            )
        ],
        "tail on a scale": lambda: [
            (t.p_value(5.0), t.value(1e-3))
            for t in (tails.Tail.of(np.abs(drawn), scale()), tails.Tail.of(drawn, None, 4.0))
        ],
        "scale": lambda: [
            (scale(), scale().of(3.0), scale().of(np.array([0.0, 2.0, 6.0])), scale().back(4.0))
        ],
        "resamples": lambda: [tails.resamples(19), tails.resamples(999)],
        "resamples, few": lambda: tails.resamples(0),
        "need resamples": lambda: [tails.need_resamples(19, 0.05), tails.need_resamples(99, 0.01)],
        "need more resamples": lambda: tails.need_resamples(18, 0.05),
        "drawn again": lambda: [
            s(3, np.random.default_rng(4))
            for data in (qz.Readings(x), states, qz.Readings(np.round(x, 1)))
            for s in (
                samplers.SmoothedBootstrap.of(data, 2.5),
                samplers.RedrawnLevels.of(data, 0.5, 2.5),
                samplers.FittedFamily.of(data, samplers.Uniform()),
                samplers.FittedFamily.of(data, samplers.Normal()),
            )
        ],
        "density": lambda: samplers.SmoothedBootstrap.of(qz.Readings(x), 2.5).density(0.05),
    }


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
            power.stored().sharpest(n, r, p, 0.05) for n in (8, 30, 200) for r, p in ((1, 0.8), (3, 0.5))
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
            calibration.score({"lumpy: a": 2.0, "lumpy: b": 1.0, "heaped: c": 3.0}, n,
                              "offset zero, sigma known") for n in (5, 60)
        ],  # fmt: skip
        "alpha at the floor": lambda: calibration.need_alpha(1e-4),
        "alpha below": lambda: calibration.need_alpha(0.99e-4),
    }


def _running() -> Cases:
    def of(x: Any, **options: Any) -> Any:
        looks = options.pop("looks", None)
        process = qz.RunningEvidence((0.5, 2.5), (-5.0, 7.0), **options)
        found = process.read(x, looks=looks)
        return [found.result(), found.log_evidences, found.best_unit(), found.passes(0.05), found.passes(0.9)]

    x = comb(4, 10, 0.05)
    low = np.array([-3.0, -1.0, 0.4, 0.5, 2.0, 2.02, 5.0])
    return {
        "running": lambda: of(x),
        "running, without steps": lambda: of(uniform(3, 9)),
        "running, moved": lambda: of(x + 0.3, offset=0.3),
        "running, sigma": lambda: of(x, sigma_range=(0.05, 0.1)),
        "running, some looks": lambda: of(x, looks=[4, 7]),
        "running, states": lambda: of(qz.Readings(x[:4], state=[0, 0, 1, 2])),
        "running, outside": lambda: of([8.0]),
        "running, no window": lambda: qz.RunningEvidence((0.5, 2.5), (1.0, 1.0)),
        "running, words": lambda: qz.RunningEvidence((0.5, 2.5), "wide"),
        "running, narrow": lambda: qz.RunningEvidence((0.5, 2.5), (0.0, 1.0)),
        "running, alpha": lambda: of(x[:3]) and qz.RunningEvidence((0.5, 2.5), (-5, 7)).passes(1.0),
        "fixed envelopes": lambda: [
            running_nulls.log_fixed_envelopes(v, (-5.0, 7.0)) for v in (low, low[:2], x, 0 * low)
        ],
        "heaped": lambda: running_nulls.log_heaped(np.array([0.0, 0.01, -0.2, 0.5])),
        "cells": lambda: [running_levels.cell_edges(np.sort(v), s) for v in (low, x) for s in (0.1, 2.0)],
        "sums of two units": lambda: running_sums.SumsOfTwoUnits(np.array([0.05, 0.2]), 7.0)
        .log_evidences([1.0, 1.63, 2.6, 3.3, 0.0]),
        "predictive comb": lambda: _predicted(x),
        "long": lambda: of(comb(5, 104, 0.05), looks=[104]),
    }


def _predicted(x: np.ndarray) -> Any:
    one = running_comb.PredictiveComb(0.5, 2.5, (-5.0, 7.0))
    out = []
    for value in x[:6]:
        one.update(float(value))
        out.append([one.log_evidence, one.best_unit, one.log_nulls()])
    return [[side.teeth for side in one.sides], out]


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
        "own widths": lambda: partitions.log_own_widths(x, count, inner, np.array([0.02, 0.3]), 9.0),
        "most probable groups": lambda: [
            partitions.most_probable_groups(x, 1 / count, s) for s in (0.02, 0.3, 2.0)
        ],
        "widened": lambda: [partitions.widened_span(x), partitions.widened_span(x, 30)],
        "seats": lambda: [seats(), occupancy.log_norm(np.array([2, 5, 40]), 9)],
        "next share": lambda: occupancy.next_share(np.array([0.0, 2.0, 5.0]), np.array(6), 7),
        "seating": lambda: [occupancy.seat(whole, count, free=f) for f in (True, False)],
        "without wings": lambda: wings.without_wings(whole),
        "least squares": lambda: [
            lattices.least_squares(x, 1.0 * count, design),
            lattices.least_squares(x, 1.0 * count, 0 * design),
        ],
        "integrated": lambda: lattices.integrated(x, variance, design),
        "integrated, open": lambda: lattices.integrated(x, variance, 0 * design),
        "distinct": lambda: lattices.first_distinct(np.concatenate([whole, whole, -whole]), 3),
        "envelopes": lambda: [
            (envelopes.log_uniform(v), envelopes.log_normal(v, 9.0), envelopes.log_skewed(v),
             envelopes.log_beta(v)) for v in (x, long)
        ],  # fmt: skip
        "broad lumps": lambda: envelopes.log_broad_lumps(x, count, inner),
        "heaps": lambda: [envelopes.log_ratio_over_heaps(x, u) for u in (0.7, 1.0, 2.2)],
        "falling": lambda: envelopes.log_falling(np.array([2, 5, 9]), 4),
        "sums of logs": lambda: [envelopes.log_sum_exp(design[:, :, 0]), envelopes.log_mean_exp(x)],
        "log share": lambda: [evidence.log_share(n, m) for n, m in ((5, 2), (9, 9), (30, 1))],
        "coefficients": lambda: [
            two_generators._coefficients(s, m) for s in (True, False) for m in (1, 2, 4)
        ],
        "within": lambda: [two_generators._within(a, b, 4) for a, b in ((1, 1), (2, 3), (5, 1), (0, 2))],
        "candidates": lambda: [
            two_generators._candidates(x, 1.0 * count, o) for o in (True, False)
        ],
        "statistic": lambda: [
            statistics.LargestScore.of(d, tried, 0.1, f)(
                np.stack([x, uniform(1, 7), x**2])
            )
            for d in (qz.Readings(x), qz.Readings(x, sigma=0.1))
            for f in (True, False)
        ],
        "unit conversions": lambda: statistics.error_of_transform(30, 900, np.complex64),
    }


def _guarded() -> Cases:
    given = ("any", "positive", (1, 9), (2, None), (-3, 4))

    def allowed(integers: Any, **more: Any) -> Any:
        data = qz.Readings(np.abs(comb(1)) + 1)
        tried = UnitRange(low=0.5, high=2.5, chosen=False, reason="so")
        return allowed_units.allowed_units(tried, qz.MixtureModel(integers=integers, **more), data)

    def counted(**options: Any) -> Any:
        rng = np.random.default_rng(6)
        values = rng.integers(1, 8, 3000) + 0.07 * rng.standard_normal(3000)
        if options.pop("smooth", False):
            values = rng.normal(4, 1.5, 3000)
        edges = np.arange(-2, 11, 0.1)
        found = qz.counts.Histogram(edges, np.histogram(values, edges)[0])
        got = counts.analyze_counts(found, (0.6, 1.7), **options)
        names = ("verdict", "reasons", "advice", "unit", "unit_err", "findings", "p_value", "p_values",
                 "log_bayes_factor", "log_bayes_factors", "no_unit_above")  # fmt: skip
        return [{n: getattr(got, n, None) for n in names}, repr(got), got.interval(), got.interval(0.5)]

    limits = (1e-5, 0.00999, 0.01, 0.0495, 0.05, 0.0951, 0.2)
    return {
        **{f"allowed, {i}": lambda i=i: allowed(i) for i in given},
        "allowed in a window": lambda: allowed((1, 9), window=(0.0, 12.0)),
        "allowed, sigma": lambda: allowed((1, 9), sigma=0.1),
        "in words": lambda: [allowed_units.in_words(i) for i in given[1:]],
        "resolution": lambda: [
            guards.not_the_resolution(s, u, e)
            for s, u, e in ((None, 1.0, 0.1), (0.1, 0.5, 0.01), (0.1, 0.2, 0.001), (0.1, 0.1, 1e-3),
                            (0.1, 0.23, 0.1), (0.5, 0.25, 0.001))
        ],  # fmt: skip
        "below": lambda: [guards._below(p, 0.95) for p in (0.5, 0.949, 0.9499, 0.94999)],
        "levels seen": lambda: [guards._levels_seen(n, free=f) for n in (2, 3, 4, 5) for f in (0, 1)],
        "majority": lambda: [guards._majority_in_levels(b) for b in (0.0, 0.3, 0.5, 0.51)],
        "shape": lambda: [guards._normal_shape(c) for c in (0.8, 1.9, 2.0, 3.1, 90.0)],
        "per cent": lambda: [verdict._per_cent(p) for p in limits],
        "times": lambda: [verdict._times(v) for v in (-3.0, 0.0, 1.0, 5.0, 20.0)],
        "round down": lambda: [verdict._round_down(v) for v in (9.9, 31.0, 99.9, 1234.0)],
        "thin": lambda: [verdict._thin_message(v) for v in (-2.0, 0.5, 2.0)],
        "counts": counted,
        "counts, free": lambda: counted(offset="free"),
        "counts, strict": lambda: counted(alpha=0.001, sigma_range=(0.05, 0.2)),
        "counts without steps": lambda: counted(smooth=True),
        "sensitivity": lambda: sensitivity(comb(1), UNIT_RANGE, n_resamples=49, rng=1),
        "sensitivity, own ranges": lambda: sensitivity(
            comb(1), UNIT_RANGE, unit_ranges=[(0.8, 2.0)], n_resamples=49, rng=1
        ),
        "left out": lambda: influence.without_each_state(comb(2, 6, 0.04), UNIT_RANGE),
        "groups": lambda: [influence.group_codes(g, 4) for g in (list("abab"), [1, 1, 2, 3])],
        "groups, short": lambda: influence.group_codes(list("aba"), 4),
        "informative": lambda: guards.need_informative_range(qz.Readings(comb(1)), (30.0, 60.0)),
        "need spread": lambda: compare._need_spread(np.ones(3), "own"),
    }  # fmt: skip


def cases() -> Cases:
    """Every case by name."""
    parts = (_analysed, _compared, _bounds, _power, _running, _parts, _guarded)
    return {name: call for part in parts for name, call in part().items()}
