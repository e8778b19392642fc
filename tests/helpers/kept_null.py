"""Cases of the nulls and the verdict whose answers are kept; see `kept`."""

from __future__ import annotations

from typing import Any

import numpy as np
from kept import Cases
from scipy import stats

import quantize as qz
from quantize.comb.unit_range import UnitRange
from quantize.null import (
    allowed_units,
    compare,
    evidence,
    exclusion,
    guards,
    influence,
    running_comb,
    running_levels,
    running_nulls,
    running_sums,
    samplers,
    statistics,
    tails,
)
from quantize.shared_shift import SharedShift

UNIT_RANGE = (0.5, 2.5)
QUICK = {"n_resamples": 99, "rng": 1}


def comb(
    seed: int, n: int = 11, spread: float = 0.08, first: int = -4, last: int = 6
) -> np.ndarray:
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
    mirrored = np.random.default_rng(8).choice([-3.1, -1.2, 1.2, 3.1], 14) + 0.03 * comb(
        7, 14, 1, 0, 1
    )
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
        "states, shifted": (
            qz.Readings(
                twice,
                state=states,
                shift=SharedShift(error=0.05, lever=np.repeat(np.linspace(0.6, 1.4, 7), 2)),
            ),
            {},
        ),
        "comb, growing": (
            comb(1) + 7,
            {"model": qz.MixtureModel(noise="proportional", priors={"growth": 0.01})},
        ),
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
        names = (
            "verdict",
            "reasons",
            "advice",
            "unit",
            "unit_err",
            "sigma",
            "offset",
            "p_value",
            "p_values",
            "log_bayes_factor",
            "log_bayes_factors",
            "log_bayes_factor_mixture",
            "no_unit_above",
            "integers",
            "findings",
            "estimates",
            "unit_range",
            "settings",
            "smooth",
            "evidence",
        )
        return {name: getattr(found, name) for name in names} | {"repr": repr(found)}

    def weighed(x: Any, options: dict[str, Any]) -> Any:
        model = {k: v for k, v in options.items() if k in ("offset", "sigma_range", "model")}
        fit = qz.fit_mixture(x, UNIT_RANGE, **model)
        limit = exclusion.excluded_units(fit)
        return [
            evidence.level_evidence(fit.posterior, alpha=0.02),
            limit,
            limit and limit.decides,
            allowed_units.worth_saying(fit),
            guards.findings_on_readings(fit, fit.unit_range, 0.7, alpha=0.05),
            influence.single_state(fit.posterior, 0.05) if len(fit.readings) < 8 else None,
        ]

    everything = samples()
    out: Cases = {f"analysis, {n}": lambda x=x, o=o: of(x, o) for n, (x, o) in everything.items()}
    for name in (
        "comb",
        "comb, free",
        "uniform, sigma known",
        "states",
        "outliers",
        "four",
        "comb, growing",
        "comb, sigmas",
        "states, shifted",
        "rounded",
    ):
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
        "all": {},
        "free": {"offset": "free"},
        "at an offset": {"offset": 0.2},
        "smooth": {"null": "smooth"},
        "levels": {"null": "lumpy"},
        "uniform": {"null": "uniform"},
        "normal": {"null": "normal"},
        "family": {"null": stats.expon},
        "own": {"statistic": spread},
        "nothing": {"null": "nothing"},
        "states": {"data": states},
        "batches": {"batch": 50},
        "states, levels": {"data": states, "null": "lumpy"},
        "no statistic": {"statistic": "size"},
        "rounded": {"data": np.round(x, 1)},
        "sigmas": {"data": qz.Readings(x, sigma=0.1)},
    }
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
                tails.Tail.of(drawn),
                tails.Tail.of(np.tanh(drawn)),
                tails.Tail.of(drawn, reach=5.0),
            )
        ],
        "tail on a scale": lambda: [
            (t.p_value(5.0), t.value(1e-3))
            for t in (tails.Tail.of(np.abs(drawn), scale()), tails.Tail.of(drawn, reach=4.0))
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
        "in the limit": lambda: [
            statistics.LargestScore.of(
                many, UnitRange(low=0.5, high=2.5, chosen=c, reason="so"), 0.1, f
            ).in_the_limit(samplers.SmoothedBootstrap.of(many, 2.5), 6, np.random.default_rng(5))
            for many in (qz.Readings(comb(7, 120, 0.2)),)
            for c in (True, False)
            for f in (True, False)
        ],
        "has a limit": lambda: [
            statistics.LargestScore.of(qz.Readings(d), tried, 0.0, False).has_limit(
                samplers.SmoothedBootstrap.of(qz.Readings(d), 2.5)
            )
            for d in (
                x,
                np.sin(np.arange(statistics._LIMIT)),
                np.sin(np.arange(statistics._LIMIT + 1)),
            )
        ],
        "tail p": lambda: [
            compare._tail_p(p, v, d, None)
            for p, v, d in (
                (0.003, 6.0, drawn),
                (0.5, 0.3, drawn),
                (0.01, 4.0, drawn[:150]),
                (11 / 301, 3.0, drawn),
                (10 / 301, 3.1, drawn),
            )
        ],
        "density": lambda: samplers.SmoothedBootstrap.of(qz.Readings(x), 2.5).density(0.05),
    }


def _running() -> Cases:
    def of(x: Any, **options: Any) -> Any:
        looks = options.pop("looks", None)
        process = qz.RunningEvidence((0.5, 2.5), (-5.0, 7.0), **options)
        found = process.read(x, looks=looks)
        return [
            found.result(),
            found.log_evidences,
            found.best_unit(),
            found.passes(0.05),
            found.passes(0.9),
        ]

    x = comb(4, 10, 0.05)
    low = np.array([-3.0, -1.0, 0.4, 0.5, 2.0, 2.02, 5.0])
    return {
        "running": lambda: of(x),
        "running, without steps": lambda: of(uniform(3, 9)),
        "running, moved": lambda: of(x + 0.3, offset=0.3),
        "running, sigma": lambda: of(x, sigma_range=(0.05, 0.1)),
        "running, some looks": lambda: of(x, looks=[4, 7]),
        "running, states": lambda: of(qz.Readings(x[:4], state=[0, 0, 1, 2])),
        "running, bad offset": lambda: of(x, offset="x"),
        "running, bad sigma": lambda: of(x, sigma_range=(0.2, 0.1)),
        "running, bad value": lambda: of(["x"]),
        "running, bad window": lambda: qz.RunningEvidence((0.5, 2.5), ("x", 1.0)),
        "running, no looks": lambda: of(x[:2], looks=[7]),
        "running, look at nothing": lambda: qz.RunningEvidence((0.5, 2.5), (-5, 7)).result(),
        "running, not looked": lambda: _not_looked(),
        "running, outside": lambda: of([8.0]),
        "running, no window": lambda: qz.RunningEvidence((0.5, 2.5), (1.0, 1.0)),
        "running, words": lambda: qz.RunningEvidence((0.5, 2.5), "wide"),
        "running, narrow": lambda: qz.RunningEvidence((0.5, 2.5), (0.0, 1.0)),
        "running, alpha": lambda: of(x[:3]) and qz.RunningEvidence((0.5, 2.5), (-5, 7)).passes(1.0),
        "fixed envelopes": lambda: [
            running_nulls.log_fixed_envelopes(v, (-5.0, 7.0)) for v in (low, low[:2], x, 0 * low)
        ],
        "heaped": lambda: running_nulls.log_heaped(np.array([0.0, 0.01, -0.2, 0.5])),
        "cells": lambda: [
            running_levels.cell_edges(np.sort(v), s) for v in (low, x) for s in (0.1, 2.0)
        ],
        "sums of two units": lambda: running_sums.SumsOfTwoUnits(
            np.array([0.05, 0.2]), 7.0
        ).log_evidences([1.0, 1.63, 2.6, 3.3, 0.0]),
        "predictive comb": lambda: _predicted(x),
        "long": lambda: of(comb(5, 104, 0.05), looks=[104]),
    }


def _not_looked() -> Any:
    process = qz.RunningEvidence((0.5, 2.5), (-5.0, 7.0))
    return [process.update(1.0, look=False), process.result(), process.passes(0.05)]


def _predicted(x: np.ndarray) -> Any:
    one = running_comb.PredictiveComb(0.5, 2.5, (-5.0, 7.0))
    out = []
    for value in x[:6]:
        one.update(float(value))
        out.append([one.log_evidence, one.best_unit, one.log_nulls()])
    return [[side.teeth for side in one.sides], out]


MAKERS = (_analysed, _compared, _running)
