"""Cases of the comb whose answers are kept; see `kept`."""

from __future__ import annotations

from typing import Any

import numpy as np
from kept import Cases

import quantize as qz
from quantize.comb import (
    alternatives,
    assignments,
    least_squares,
    sums,
    unit_range,
    window,
    wrapped,
)

PHASE = np.array([0.0, 0.03, -0.2, 0.41, -0.5, 0.5, 0.25])
SPREAD = np.array([0.004, 0.049, 0.051, 0.19, 0.29, 0.31, 0.39, 0.41, 1.2])
GRID_PHASE, GRID_SPREAD = (a.ravel() for a in np.meshgrid(PHASE, SPREAD))


def data(seed: int, n: int = 14, spread: float = 0.1, scale: float = 1.0) -> np.ndarray:
    """Steps of one unit with errors."""
    rng = np.random.default_rng([83, seed])
    x: np.ndarray = scale * (rng.integers(-5, 9, n) + spread * rng.normal(size=n))
    return x


def wild(seed: int) -> np.ndarray:
    """Steps with two readings far from any."""
    x = data(seed)
    x[3] += 0.45
    x[7] = 61.3
    return x


def readings() -> dict[str, Any]:
    """What is fitted, by name."""
    x = data(1)
    return {
        "plain": x,
        "with sigmas": qz.Readings(x, sigma=np.linspace(0.05, 0.3, x.size)),
        "rounded": qz.Readings(np.round(x, 1)),
        "rounded to a quarter": qz.Readings(np.rint(4 * x) / 4, resolution=0.25),
        "exact": np.array([2.0, 4.0, 6.0, 12.0, -8.0]),
        "positive": np.abs(data(2)) + 0.7,
        "in tiny units": data(3, scale=1.6e-19),
        "wide": data(4, spread=0.28),
        "wild": wild(5),
        "far": data(6) + 40.3,
        "three": data(7)[:3],
        "two": np.array([2.1, 5.9]),
        "many": data(8, n=90),
    }


def _wrapped() -> Cases:
    rng = np.random.default_rng(84)
    phase = rng.uniform(-0.5, 0.5, (SPREAD.size, 130))
    column = SPREAD[:, None]
    low = np.array([0.15, 0.2, 0.3, 0.5])
    mean, unit = rng.uniform(-4, 9, 12), np.array([0.9, 1.0, 1.7])
    moves = np.array([[0.01, 0.0, 0.01], [0.04, 0.05, 0.06]])
    turns = np.array([[0.0, 0.2, -0.4], [0.0, 0.02, 0.3]])

    def found() -> Any:
        return sums.waves(mean, unit)

    half = np.array([0.0004, 0.1, 0.3, 0.5, 0.7, 1.2])
    rounded = np.meshgrid(PHASE, half, [0.02, 0.1, 0.29, 0.31, 0.8])
    far = np.array([0.0, 0.5, 3.0, 25.0, 60.0, 3e4])
    row = np.array([0, 3, 39, 12, 7, 20, 31])
    return {
        "wrapped normal": lambda: wrapped.log_wrapped_normal(GRID_PHASE, GRID_SPREAD),
        "wrapped normal, narrow": lambda: wrapped.log_wrapped_normal(PHASE, 0.2),
        "wrapped normal, wide": lambda: [wrapped.log_wrapped_normal(p, 0.4) for p in PHASE],
        "comb over continuum": lambda: [
            wrapped.log_comb_over_continuum(np.stack([PHASE, 3 * PHASE]), SPREAD[:7], outliers=o)
            for o in (0.0, 0.05)
        ],
        "density sum": lambda: wrapped.log_density_sum(phase, column),
        "density sum, one form": lambda: [
            wrapped.log_density_sum(phase[:2], np.full((2, 1), s)) for s in (0.02, 0.05, 0.3, 0.4)
        ],
        "density sum, own spreads": lambda: wrapped.log_density_sum(
            phase[:, :9], np.tile(SPREAD, (9, 1))
        ),
        "product": lambda: [wrapped.log_product(np.exp(phase[:, :n])) for n in (1, 64, 65, 130)],
        "coefficients": lambda: wrapped.coefficients(low, 6),
        "harmonics": lambda: [wrapped.harmonics_needed(s) for s in (0.15, 0.2, 0.4, 1.0)],
        "harmonics, fewer digits": lambda: [wrapped.harmonics_needed(s, 9.0) for s in (0.1, 0.7)],
        "cosine sums": lambda: [
            wrapped.cosine_sums(mean, unit),
            *(wrapped.cosine_sums(mean, unit, s) for s in (0.15, 0.24, 0.3, 1.5)),
        ],
        "by cosines": lambda: wrapped.log_likelihood_from_cosines(
            wrapped.cosine_sums(mean, np.linspace(0.5, 3, 40)),
            row,
            12,
            np.array([0.2, 0.24, 0.26, 0.31, 0.5, 0.9, 1.4]),
        ),
        "most of waves": lambda: [
            wrapped.most_of_waves(found(), 12, turns, moves, least, 1.3 * least)
            for least in (np.array([0.2, 0.3, 0.45]), np.array([0.7, 0.15, 1.0]))
        ],
        "interval": lambda: wrapped.log_interval(
            far, np.array([1.0, 1e-4, 0.1, 2.0, 1e-5, 3.0]), np.array([1.0, 0.5, 2.0, 1, 1, 1])
        ),
        "interval, all far": lambda: wrapped.log_interval(
            far + 30, np.full(6, 2.0), np.full(6, 0.5)
        ),
        "rounded phase": lambda: [
            wrapped.log_rounded_phase(rounded[0][:, i, k], rounded[1][:, i, k], rounded[2][:, i, k])
            for i in range(PHASE.size)
            for k in range(5)
        ],
        "waves": lambda: [found().real, found().imag],
    }


def _window() -> Cases:
    t, s = np.meshgrid([2.4, -0.5, 7.51, 0.0], [0.001, 0.1, 0.24, 0.25, 0.26, 0.6])
    unit = np.array([0.3, 1.0, 2.2, 6.0, 40.0])
    spread = np.array([0.02, 0.1, 0.3, 0.6, 0.1])
    return {
        "soft rounding": lambda: [window.soft_round(t[i], s[i]) for i in range(len(s))],
        "soft rounding of one": lambda: window.soft_round(2.4, np.array([0.1, 3.0])),
        "unit excess": lambda: [
            window.log_unit_excess(unit, spread, 13.0, n) for n in (1, 5, 14, 300)
        ],
        "unit excess by place": lambda: window.log_unit_excess(
            unit, spread[:3], 13.0, 9, np.array([4, 0, 2])
        ),
        "least unit excess": lambda: [
            window.least_log_unit_excess(unit, half * np.ones(5), (0.8 * spread, spread), span, n)
            for half, span, n in ((0.0, 13.0, 9), (0.05, 13.0, 9), (0.01, 5.0, 1), (0.2, 5.0, 60))
        ],
    }


def _relations() -> Cases:
    ratios = (
        1,
        1.001,
        0.5,
        2,
        2 / 3,
        1.5,
        3,
        5,
        6,
        0.2,
        0.1,
        0.16,
        1.31,
        4 / 5,
        0.001,
        5 / 4,
        1.02,
    )
    return {
        "relations": lambda: [alternatives.relation(2.5 * r, 2.5, 0.01) for r in ratios],
        "relations, strict": lambda: [alternatives.relation(r, 1.0, 1e-6) for r in ratios],
        "relations at the limit": lambda: [
            alternatives.relation(1.25, 1.0, 0.25),
            alternatives.relation(0.625, 1.0, 0.25),
        ],
        "table": lambda: alternatives.table(
            [{"unit": 2.0, "score": 3.0}, {"unit": 1.0, "score": 2.0}], 0.01
        ),
        "table of none": lambda: alternatives.table([], 0.01),
    }


def _fits() -> Cases:
    out: Cases = {}
    ranges = {"exact": (0.8, 6.0), "in tiny units": (0.8e-19, 6e-19), "two": (0.5, 3.0)}
    for name, x in readings().items():
        given = ranges.get(name, (0.6, 3.0))
        one, free = (x[0] if isinstance(x, np.ndarray) else x.values[0]), {"offset": "free"}
        options: dict[str, dict[str, Any]] = {"zero": {}, "free": free, "at": {"offset": 0.1 * one}}
        for told, more in options.items():
            out[f"fit, {name}, {told}"] = lambda x=x, g=given, o=more: _fit(x, g, **o)
            out[f"score, {name}, {told}"] = lambda x=x, g=given, o=more: _score(x, g, **o)
        for loss in ("huber", "cauchy") if name in ("plain", "with sigmas", "two") else ():
            out[f"fit, {name}, {loss}"] = lambda x=x, g=given, o=loss: _fit(x, g, loss=o)
    x = data(1)
    out["fit, free, cauchy"] = lambda: _fit(wild(5), (0.9, 1.6), offset="free", loss="cauchy")
    for told, more in {
        "harmonics": {"harmonics": 3},
        "harmonics, free": {"harmonics": 2, "offset": "free"},
        "fine": {"oversampling": 9.0},
        "coarse": {"oversampling": 2.0},
        "too coarse": {"oversampling": 1.99},
        "no harmonics": {"harmonics": 0},
        "own grid": {"trial_units": [0.7, 2.0, 1.02, 0.99]},
        "own grid, free": {"trial_units": [0.7, 2.0, 1.02, 0.99], "offset": "free"},
        "own grid, one": {"trial_units": [1.01]},
        "own grid, none": {"trial_units": []},
        "own grid, zero": {"trial_units": [1.0, 0.0]},
    }.items():
        out[f"score, {told}"] = lambda o=more: _score(
            x, None if "trial_units" in o else (0.6, 3), **o
        )
    return out | {
        "score of one": lambda: _score([2.0], (0.6, 3)),
        "score of one, free": lambda: _score([2.0], (0.6, 3), offset="free"),
        "score of equals": lambda: _score([2.0, 2.0], None),
        "score in the chosen range": lambda: _score(x, None),
        "fit in the chosen range": lambda: _fit(x, None),
        "fit of one": lambda: _fit([2.0], (0.6, 3)),
        "fit of zeros": lambda: _fit([0.0, 0.0, 0.1], (0.6, 3)),
        "fit beyond": lambda: _fit(x, (30, 40)),
        "fit, too many": lambda: _fit(x + 1e9, (0.6, 3)),
        "fit, free, too many": lambda: _fit(x, (1e-7, 3), offset="free"),
        "score, too many": lambda: _score(x + 1e8, (0.6, 3)),
        "score of very many": lambda: _score(data(9, n=20_001)[:], (0.8, 1.3)),
        "score of very many, free": lambda: _score(
            data(9, n=20_001), (0.9, 1.1), offset="free", harmonics=2
        ),
        "candidates": lambda: [
            least_squares.candidate_combs(
                qz.Readings(x), unit_range.unit_range_for(qz.Readings(x), (0.6, 3)), o, most=n
            )
            for o, n in (("zero", 3), ("free", 4), (0.2, 20))
        ],
        "no candidates": lambda: (
            least_squares.candidate_combs(
                qz.Readings(x), unit_range.unit_range_for(qz.Readings(x), (40, 60)), "zero", most=3
            ).shape
        ),
        "rounding variance": lambda: [
            least_squares.rounding_variance(qz.Readings(a, resolution=r))
            for a, r in (([1.0, 2.5], None), ([1.0, 2.5], 0.5), ([0.123456789, np.pi], None))
        ],
        "confidence": lambda: [
            least_squares._confidence(np.array([0.1, 0.5]), 1.0, np.array(s))
            for s in ([0.3, 2.0], [0.0, 1.0])
        ],
    }


def _fit(x: Any, given: Any, **options: Any) -> Any:
    found = qz.fit_comb(x, given, **options)
    return [found, found.interval(), found.interval(0.5)]


def _score(x: Any, given: Any, **options: Any) -> Any:
    found = qz.periodogram(x, given, **options)
    return [found, found.interval(), found.interval(0.5)]


def _assigned() -> Cases:
    out: Cases = {}
    for name, x in {"plain": data(1, 9), "positive": np.abs(data(2, 9)) + 0.7}.items():
        w = np.linspace(0.5, 2.0, x.size)
        for grain in (0.0, 1e-3):
            told = f"{name}, {grain}"
            out[f"fixed, {told}"] = lambda x=x, w=w, g=grain: assignments.fixed_offset(
                x, w, 0.6, 3.0, grain=g
            )
            out[f"free, {told}"] = lambda x=x, w=w, g=grain: assignments.free_offset(
                x, w, 0.6, 3.0, grain=g
            )
    x, w = data(1, 9), np.ones(9)
    return out | {
        "free, coarse": lambda: assignments.free_offset(x, w, 0.6, 3.0, fineness=3),
        "free, narrow": lambda: assignments.free_offset(x, w, 0.99, 1.0),
        "fixed, defaults": lambda: assignments.fixed_offset(x, w, 0.6, 3.0),
    }


def _sums() -> Cases:
    x, w = data(1, 25), np.linspace(0.5, 2, 25)
    grid = 0.4 + 0.01 * np.arange(90)
    f = np.array([0.41, 0.6234, 1.0, 1.2877])

    def between(oversampling: float, centre: float = 0.0) -> Any:
        step = 1 / (oversampling * float(np.ptp(x)))
        found = sums.harmonic_sums(x + centre, w, 0.2, step, 400)
        one = sums.SumsBetween(
            first=0.2, step=step, sums=found, centre=centre + 1.5, oversampling=oversampling
        )
        return [one.at(f).real, one.at(f[:, None]).imag]

    return {
        "unit circle": lambda: [sums.unit_circle(1e9 + grid).real, sums.unit_circle(-grid).imag],
        "plain sums": lambda: [sums.sums_at(x, w, grid).real, sums.sums_at(x, w, grid).imag],
        "block sums": lambda: [
            [
                sums.harmonic_sums(x, w, 0.4, 0.01, n).real,
                sums.harmonic_sums(x, w, 0.4, 0.01, n).imag,
            ]
            for n in (1, 2, 90)
        ],
        "transform": lambda: [
            [found.real, found.imag]
            for found in (
                sums.nonuniform_fft(x, w, 0.4, 0.01, 90),
                sums.nonuniform_fft(x, w, 0.403, 0.01, 90),
                sums.nonuniform_fft(x, w, 9.0, 0.01, 90),
            )
        ],
        "seconds": lambda: [sums.predicted_seconds(n, m) for n, m in ((1, 1), (500, 9000))],
        "neighbours": lambda: [sums.neighbours(o) for o in (1.0, 1.5, 2.0, 5.0, 20.0)],
        "between": lambda: [between(5.0), between(2.0), between(5.0, 30.0)],
    }


def _ranges() -> Cases:
    x = data(1)
    given: dict[str, Any] = {
        "plain": x,
        "few": x[:4],
        "many": data(8, n=90),
        "very many": data(8, n=300),
        "rounded": np.round(x),
        "rounded finely": np.round(x, 2),
        "equal": [3.0, 3.0],
        "coarse": qz.Readings(np.rint(x / 3) * 3, resolution=3.0),
        "sigma": qz.Readings(x, sigma=np.linspace(0.1, 0.5, x.size)),
        "sigma wide": qz.Readings(x, sigma=4.0),
        "wild": np.append(x, 4e3),
    }

    def chosen(x: Any, **more: Any) -> Any:
        one = x if isinstance(x, qz.Readings) else qz.Readings(x)
        found = unit_range.default_unit_range(one, **more)
        sigma = unit_range.default_sigma_range(one, found)
        return [found, found.reason, tuple(found), found.factor, found.to_dict(), sigma]

    def checked(pair: Any, x: Any = x) -> Any:
        return unit_range.unit_range_for(qz.Readings(x), pair)

    two = unit_range.UnitRange(low=0.5, high=2.0, chosen=False, reason="so")
    return {
        **{f"range, {name}": lambda x=x: chosen(x) for name, x in given.items()},
        "range, sigma known": lambda: chosen(x, sigma_range=(0.2, 0.2)),
        "range, sigma between": lambda: chosen(x, sigma_range=(0.2, 0.3)),
        "range given": lambda: [checked((0.5, 2)), checked(two), checked(None)],
        "range at the limit": lambda: checked((1.0, 1e6), [0.0, 1.0]),
        "range beyond the limit": lambda: checked((1.0, 1.01e6), [0.0, 1.0]),
        "range the wrong way": lambda: checked((2.0, 1.0)),
        "range too fine": lambda: checked((1e-9, 1.0)),
        "limits": lambda: unit_range.default_limits(np.array([3.0, 80.0]), 30, step=0.1, sigma=0.4),
        "nearer": lambda: [bool(unit_range.nearer_offset(r, 1.0)) for r in (99.9, 100.0, 100.1)],
        "frequencies": lambda: [
            unit_range.trial_frequencies(two, 13.0),
            unit_range.trial_frequencies(two, 0.1),
            unit_range.trial_frequencies(two, 13.0, 2.0),
        ],
        "units": lambda: unit_range.refuse_too_many_units(two, 13.0),
        "units at the limit": lambda: unit_range.refuse_too_many_units(
            two, unit_range.LARGEST_GRID / 7.5
        ),
        "too many units": lambda: unit_range.refuse_too_many_units(two, 4e6, remedy=", or `so`"),
        "sigma range": lambda: [
            unit_range.default_sigma_range(qz.Readings(a), two) for a in ([1.0, 2.0], [0.123, np.e])
        ],
    }


MAKERS = (_wrapped, _window, _relations, _fits, _assigned, _sums, _ranges)
