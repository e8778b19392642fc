"""Cases of fits of the model whose answers are kept; see `kept`."""

from __future__ import annotations

from typing import Any

import numpy as np
from kept import Cases
from model_cases import CASES, REPEATED, STATE, X, case
from scipy import stats

import quantize as qz
from quantize.model import bias, draws
from quantize.model.terms import Cell, Parameters
from quantize.shared_shift import SharedShift

UNIT_RANGE = (0.6, 2.2)
SLOW = (
    "offset with a prior",
    "shift of unequal levers",
    "free offset in a window",
    "everything",
    "shift in an envelope",
    "shift within states",
    "shift in a window",
    "counting",
    "outliers",
    "off the scale, normal",
    "proportional with sigmas",
)


def parameters(name: str, m: int = 6) -> Parameters:
    """Values of the parameters that the model of this case has."""
    _, model, likelihood = case(name)
    rng = np.random.default_rng([85, len(name)])
    scaled = isinstance(model.sigma, tuple)
    one = np.ones(m)
    return Parameters(
        unit=np.exp(rng.uniform(np.log(0.5), np.log(2.5), m)),
        sigma=rng.uniform(0.6, 1.8, m) * (1.0 if scaled else rng.choice([0.05, 0.15, 0.4], m)),
        offset=rng.uniform(-0.4, 0.4, m)
        if likelihood.shifted or model.offset != "zero"
        else 0 * one,
        growth=0.03 * one if model.noise != "constant" else 0 * one,
        outliers=rng.choice([0.03, 0.3], m) if model.outliers != 0 else 0 * one,
    )


def _likelihood(name: str) -> Any:
    _, _, likelihood = case(name)
    p = parameters(name)
    cell = Cell(
        log_unit=np.full(6, 0.02),
        offset=np.full(6, 0.05),
        sigma_low=0.8 * p.sigma,
        growth_low=0.7 * p.growth,
    )
    shares = np.array([0.02, 0.3]) if p.outliers.any() else np.zeros(1)
    usable = p.rows(np.flatnonzero(np.isfinite(likelihood.log_likelihood(p))))
    one, weight = usable.rows(slice(0, 1)), np.full(usable.unit.size, 1 / usable.unit.size)
    calls = {
        "values": lambda: likelihood.log_likelihood(p),
        "by share": lambda: likelihood.by_share(p, shares),
        "bound": lambda: likelihood.bound(p, cell, shares),
        "pointwise": lambda: likelihood.pointwise(p),
        "teeth": lambda: likelihood.teeth(usable),
        "best": lambda: likelihood.best_integers(one),
        "shares": lambda: likelihood.integer_shares(usable, weight),
        "outlying": lambda: likelihood.outlier_probability(usable, weight),
        "drawn": lambda: likelihood.draw_integers(usable, np.random.default_rng(1)),
        "continuum": lambda: likelihood.log_continuum(p),
        "fine comb": lambda: likelihood.log_fine_comb(p),
        "work": lambda: [likelihood.work(p), likelihood.work(p, cell)],
        "shows": lambda: likelihood.shift_shows,
        "states": lambda: likelihood.state_of_reading,
        "half": lambda: [likelihood.half_width(p, None), likelihood.half_width(p, cell)],
        "blur": lambda: likelihood.blur_in_units(p),
        "excess": lambda: bias.information_left(p.sigma / p.unit),
    }
    return {told: _tried(call) for told, call in calls.items()}


def _tried(call: Any) -> Any:
    try:
        return call()
    except (AttributeError, NotImplementedError, TypeError) as error:
        return error


def _fit(readings: Any, options: dict[str, Any], unit_range: Any = UNIT_RANGE) -> Any:
    found = qz.fit_mixture(readings, unit_range, model=qz.MixtureModel(**options))
    posterior = found.posterior
    return {
        "fit": {
            name: getattr(found, name)
            for name in (
                "unit",
                "unit_err",
                "sigma",
                "offset",
                "log_bayes_factor",
                "integers",
                "alternatives",
                "modes",
                "parameters",
                "outlier_probabilities",
                "integer_probabilities",
                "settings",
                "unit_range",
            )
        },
        "repr": repr(found),
        "intervals": [found.interval(), found.interval(0.5)],
        "draws": found.draws(25, rng=3),
        "predictions": found.predictions(4, rng=3),
        "numbers": posterior.integers_in_best_mode(3, 1),
        "coordinates": posterior.coordinates(5, 1),
        "shift": posterior.most_probable_shift,
        "near": posterior.nearer_than_chance(),
        "known": posterior.known_sigma,
    }


def _fits() -> Cases:
    out: Cases = {f"likelihood, {name}": lambda n=name: _likelihood(n) for name in CASES}
    for name, (readings, options) in CASES.items():
        if name not in SLOW:
            out[f"fit, {name}"] = lambda r=readings, o=options: _fit(r, o)
    wide = qz.Readings(X, shift=SharedShift(error=0.1, degrees_of_freedom=4.0, lever=np.ones(7)))
    more: dict[str, tuple[Any, dict[str, Any]]] = {
        "unit prior": (X, {"priors": {"unit": stats.lognorm(0.5, scale=1.0)}}),
        "sigma known": (X, {"sigma": 0.15}),
        "sigma prior": (X, {"sigma": stats.lognorm(0.4, scale=0.15)}),
        "growth known": (X, {"noise": "counting", "priors": {"growth": 0.03}}),
        "growth between": (X, {"noise": "proportional", "priors": {"growth": (0.005, 0.05)}}),
        "outliers known": (X, {"outliers": 0.05, "sigma": 0.15}),
        "levels": (X, {"envelope": "levels", "window": (-1, 9)}),
        "last open": (X, {"integers": (1, None)}),
        "last open, states": (qz.Readings(REPEATED, state=STATE), {"integers": (1, None)}),
        "offset known": (X, {"offset": 0.2}),
        "t shift": (wide, {}),
        "one": ([1.3], {}),
        "two": ([1.3, 2.5], {"offset": "free"}),
    }
    for name, (readings, options) in more.items():
        out[f"fit, {name}"] = lambda r=readings, o=options: _fit(r, o)
    return out


def _drawn() -> Cases:
    models = {
        "window": {"window": (0.0, 9.0), "sigma": (0.05, 0.2)},
        "integers": {"integers": (1, 8), "offset": "free", "outliers": "free"},
        "normal": {"envelope": stats.norm(4, 3), "noise": "proportional"},
        "levels": {"envelope": "levels", "window": (0.0, 9.0)},
        "growth": {"window": (1, 9), "noise": "counting", "priors": {"growth": (0.01, 0.05)}},
    }
    options: dict[str, dict[str, Any]] = {
        "plain": {},
        "repeated": {"repeats": 2, "resolution": 0.1},
        "both ends": {"resolution": 0.25, "ends": 2, "sigma": 0.1},
    }

    def of(model: dict[str, Any], more: dict[str, Any]) -> Any:
        rng = np.random.default_rng(5)
        found = draws.draw_sample(qz.MixtureModel(**model), UNIT_RANGE, rng, states=4, **more)
        r = found.readings
        return [found.parameters, found.integers, found.outlier, r.values, r.state, r.resolution]

    out: Cases = {
        f"drawn, {name}, {told}": lambda m=model, o=more: of(m, o)
        for name, model in models.items()
        for told, more in options.items()
    }
    return out | {
        "drawn from no tooth": lambda: of({"envelope": "levels", "window": (0.1, 0.2)}, {})
    }


def _two_units() -> Cases:
    x = np.r_[2.54 * np.arange(1, 6), np.arange(3, 8)] + 0.02 * np.cos(np.arange(10))
    labels = ["in"] * 5 + ["cm"] * 5

    def of(**options: Any) -> Any:
        data = options.pop("data", x)
        return qz.model.fit_two_units(data, (0.8, 3.2), **options)

    return {
        "two units, labelled": lambda: of(labels=labels, sigma_range=0.05),
        "two units, labelled, sigma": lambda: of(labels=labels, sigma_range=(0.02, 0.1)),
        "two units, labelled, sigmas": lambda: of(labels=labels, data=qz.Readings(x, sigma=0.04)),
        "two units": lambda: of(sigma_range=0.08),
        "two units, own prior": lambda: of(sigma_range=0.08, share_prior=3.0),
        "two units, bad prior": lambda: of(share_prior=0.0),
        "two units, one label": lambda: of(labels=["in"] * 10),
        "two units, few": lambda: of(labels=["in"] * 8 + ["cm"] * 2),
        "two units, short": lambda: of(labels=["in"] * 8),
    }


MAKERS = (_fits, _drawn, _two_units)
