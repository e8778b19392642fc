"""Cases of priors, noise and envelopes whose answers are kept; see `kept`."""

from __future__ import annotations

from typing import Any

import numpy as np
from kept import Cases
from model_cases import CASES, X
from scipy import stats

import quantize as qz
from quantize.model import bias, distributions, mixture, noise, sigma_prior
from quantize.model.envelope import envelope_of
from quantize.model.noise import POWERS
from quantize.model.priors import priors_of

UNIT_RANGE = (0.6, 2.2)
PRIORS: dict[str, Any] = {
    "normal": lambda: stats.norm(0.3, 0.2),
    "lognormal": lambda: stats.lognorm(0.4, scale=0.1),
    "loguniform": lambda: stats.loguniform(0.02, 0.4),
    "beta": lambda: distributions.beta(2.0, 30.0),
    "t": lambda: distributions.student_t(4.0, 0.3),
    "t, normal": lambda: distributions.student_t(np.inf, 0.3),
    "number": lambda: 0.4,
}


def _distributions() -> Cases:
    at = np.array([0.01, 0.03, 0.11, 0.35, 0.9])
    out: Cases = {}
    for name, prior in PRIORS.items():
        out[f"prior {name}"] = lambda p=prior: [
            distributions.is_distribution(p()),
            distributions.nodes(p()),
            distributions.nodes(p(), 3),
            distributions.log_density(p(), at),
            distributions.sample(p(), 4, np.random.default_rng(1)),
            distributions.reach(p()),
            distributions.text(p()),
            distributions.described({"a": (p(), 1.0)}),
        ]
    bad = (0.0, -1.0, (2.0, 1.0), (0.0, 1.0), (1, 2, 3), "x", stats.norm(-1, 2), np.nan)
    good = (None, 0.2, (0.1, 0.4), (0.3, 0.3), stats.lognorm(0.3), [0.1, 0.2])
    for i, value in enumerate((*bad, *good)):
        out[f"positive prior {i}"] = lambda v=value: distributions.text(
            distributions.positive_prior("growth", v)
        )
    out["prior with its middle at zero"] = lambda: distributions.text(
        distributions.positive_prior("growth", stats.norm(0.0, 1.0))
    )
    return out | {
        "texts": lambda: [distributions.text(v) for v in ((1.0, None), None, "free", 0.25)],
        "edge weights": lambda: [distributions.edge_weights(n) for n in (7, 8, 30)],
        "edge weights by index": lambda: [
            distributions.log_edge_weights(np.arange(n), n) for n in (7, 8, 12)
        ],
    }


def _noise() -> Cases:
    d, sd = np.array([0.0, 0.3, -1.2, 9.0, 60.0]), np.array([0.1, 0.2, 1.0, 2.0, 0.5])
    step = np.array([1e-5, 0.3, 2.0, 5.0, 0.1])
    unit, ratio = np.array([0.5, 1.0, 2.0]), np.array([0.01, 0.2, 0.35, 0.5, 3.0])
    return {
        "normal": lambda: noise.log_normal(d, sd),
        "normal in place": lambda: [
            noise.log_normal_in_place(d.copy(), sd**2, 0.3 * sd**2),
            noise.log_normal_in_place(d.copy(), *(2 * [sd**2])),
        ],
        "rounded": lambda: noise.log_rounded(d, sd, step),
        "rounded twice": lambda: noise.log_rounded_twice(d, sd, step),
        "rounded twice, far": lambda: noise.log_rounded_twice(d + 30, sd, step),
        "beyond": lambda: [noise.log_beyond(d, sd, s * np.ones(5)) for s in (1, -1)],
        "changed": lambda: noise.log_changed(d, sd, np.ones(5)),
        "grown": lambda: [noise.grown_variance(sd**2, np.array(0.1), d, p) for p in (0, 1, 2)],
        "powers": lambda: POWERS,
        "taper": lambda: sigma_prior.log_taper(ratio),
        "normaliser": lambda: sigma_prior.log_normaliser(unit, 0.02, 0.6),
        "sigma density": lambda: [
            sigma_prior.log_density(s, unit, 0.02, 0.6)
            for s in (np.array([0.02, 0.1, 0.6]), np.array([0.019, 0.3, 0.61]))
        ],
        "sigma drawn": lambda: sigma_prior.draw_sigma(unit, 0.02, 0.6, np.random.default_rng(1)),
        "sigma above": lambda: sigma_prior.upper_quantile(
            np.array([0.0, 0.3, 1.0]), unit, 0.02, 0.6
        ),
        "information": lambda: bias.information_left(np.array([0.01, 0.1, 0.2, 0.33, 0.6, 2.0])),
    }


def _models() -> Cases:
    given: dict[str, dict[str, Any]] = {
        "plain": {},
        "everything": {
            "offset": stats.norm(0.0, 0.1),
            "sigma": (0.1, 0.3),
            "noise": "counting",
            "envelope": stats.norm(4, 3),
            "outliers": "free",
            "integers": "positive",
            "rounding": True,
            "priors": {"growth": 0.2, "unit": stats.lognorm(0.5)},
        },
        "by priors": {"priors": {"sigma": 0.2, "offset": 0.3, "outliers": 0.1}},
        "numbers": {
            "offset": 0.0,
            "sigma": 0.2,
            "outliers": 0.999,
            "integers": (-3, 4),
            "window": (-3, 5.5),
        },
        "last open": {"integers": (0, None)},
        "free": {"offset": "free", "envelope": "levels", "window": (0, 9)},
        "bad offset": {"offset": "somewhere"},
        "bad sigma": {"sigma": 0.0},
        "bad noise": {"noise": "loud"},
        "bad envelope": {"envelope": "square"},
        "bad window": {"window": (1.0, 1.0)},
        "no window": {"window": 3.0},
        "bad outliers": {"outliers": 1.0},
        "few outliers": {"outliers": -0.001},
        "outliers in words": {"outliers": "some"},
        "outliers beyond": {"outliers": stats.norm(0, 1)},
        "bad integers": {"integers": (3, 3)},
        "halves": {"integers": (0.5, 3)},
        "integers in words": {"integers": "odd"},
        "integers alone": {"integers": 3},
        "three integers": {"integers": (1, 2, 3)},
        "first open": {"integers": (None, 3)},
        "last open below": {"integers": (-1, None)},
        "last open, window": {"integers": (1, None), "window": (0, 3)},
        "last open, normal": {"integers": (1, None), "envelope": "normal"},
        "bad rounding": {"rounding": 1},
        "bad prior": {"priors": {"size": 1.0}},
        "growth alone": {"priors": {"growth": 0.1}},
        "window of words": {"window": ("a", 2)},
    }

    def of(options: dict[str, Any]) -> Any:
        model = qz.MixtureModel(**options)
        plain = {k: str(v) for k, v in model.to_dict().items()}
        return [plain, repr(model), model.plain_offset, model.rounding, model.integers]

    coarse = qz.Readings(np.round(X, 1), resolution=0.4)
    return {
        **{f"model, {name}": lambda o=options: of(o) for name, options in given.items()},
        "recorded": lambda: [
            qz.MixtureModel().as_recorded(r, s).rounding
            for r, s in ((coarse, 1.0), (coarse, 0.999), (coarse, 1.1), (qz.Readings(X), 0.1))
        ],
        "models meant": lambda: [
            repr(mixture.model_of("free", 0.2, None)),
            repr(mixture.model_of("zero", (0.1, 0.2), None, "positive")),
            repr(mixture.model_of("zero", None, qz.MixtureModel(sigma=0.1))),
        ],
        "model twice": lambda: mixture.model_of("free", None, qz.MixtureModel()),
        "model and sigma": lambda: mixture.model_of("zero", 0.1, qz.MixtureModel()),
        "model and integers": lambda: mixture.model_of("zero", None, qz.MixtureModel(), (1, 2)),
        "no model": lambda: mixture.model_of("zero", None, {"sigma": 0.1}),
        "contradicting": lambda: qz.fit_mixture(
            qz.Readings([1.0, 2.0, 3.0], state=["a", "a", "b"], sigma=0.05), UNIT_RANGE
        ),
        "too coarse": lambda: qz.fit_mixture(
            qz.Readings([2.2, 4.4, 0.0], resolution=2.2),
            UNIT_RANGE,
            model=qz.MixtureModel(rounding=True),
        ),
        "too many": lambda: mixture.need_few(qz.Readings(np.zeros(mixture.MOST_READINGS + 1))),
    }


def _envelopes() -> Cases:
    out: Cases = {}
    unit, offset = np.array([0.7, 1.0, 1.9]), np.array([0.0, 0.2, -0.3])
    teeth = np.array([[-2.0, 0.0, 3.0, 11.0]] * 3)
    small = np.full(3, 0.05)
    spreads = (np.full(3, 0.04), np.full(3, 0.06))
    calls: dict[str, Any] = {
        "mass": lambda e: e.log_mass(teeth, unit, offset, small),
        "most": lambda e: e.most_log_mass(teeth, unit, offset, small, small, spreads),
        "count": lambda e: [
            e.count(unit, offset, small),
            e.least_count(unit, offset, small, small, spreads),
        ],
        "ends": lambda e: [e.ends(unit, offset), e.span, e.limits, e.reach, e.outside],
        "kind": lambda e: [e.bounded, e.limited, e.closed],
        "teeth": lambda e: e.teeth(0.9, 0.1),
        "drawn": lambda e: e.draw(0.9, 0.1, 5, np.random.default_rng(1)),
        "continuum": lambda e: e.continuum(
            lambda size: size / np.array([[0.1], [0.4]]), 20.0, np.ones(1)
        ),
    }
    for name in (
        "plain",
        "window",
        "narrow window",
        "positive",
        "range",
        "window and positive",
        "normal envelope",
        "narrow envelope",
        "exponential envelope",
        "two-sided exponential",
        "off the scale, normal",
    ):
        for told, call in calls.items():
            out[f"envelope, {name}, {told}"] = lambda n=name, c=call: c(_envelope(n))
    return out


def _envelope(name: str) -> Any:
    readings, options = CASES[name]
    return envelope_of(qz.MixtureModel(**options), readings, 0.6)


def _priors() -> Cases:
    tried = qz.comb.unit_range.UnitRange(low=0.6, high=2.2, chosen=False, reason="so")
    at = np.array([0.5, 0.6, 1.0, 1.7, 2.2, 2.3])
    names = ("plain", "sigmas", "proportional", "counting", "outliers", "free offset")
    names += ("offset with a prior", "shift", "everything")
    given: dict[str, Any] = {name: CASES[name] for name in names} | {
        "unit": (CASES["plain"][0], {"priors": {"unit": stats.lognorm(0.5, scale=1.0)}}),
        "unit on a part": (CASES["plain"][0], {"priors": {"unit": stats.uniform(0.8, 1.0)}}),
        "unit beyond": (CASES["plain"][0], {"priors": {"unit": stats.uniform(4.0, 1.0)}}),
        "sigma": (CASES["plain"][0], {"sigma": stats.lognorm(0.4, scale=0.1)}),
        "sigma between": (CASES["plain"][0], {"sigma": (0.05, 0.3)}),
        "sigma known": (CASES["plain"][0], {"sigma": 0.2, "offset": 0.1}),
        "factor": (CASES["sigmas"][0], {"sigma": 1.2}),
        "growth": (CASES["plain"][0], {"noise": "counting", "priors": {"growth": (0.01, 0.1)}}),
        "growth known": (CASES["plain"][0], {"noise": "counting", "priors": {"growth": 0.1}}),
        "outliers known": (CASES["plain"][0], {"outliers": 0.1}),
        "shifted prior": (CASES["shift"][0], {"offset": stats.norm(0.0, 0.1)}),
    }

    def of(readings: qz.Readings, options: dict[str, Any]) -> Any:
        prior = priors_of(qz.MixtureModel(**options), tried, readings)
        p = prior.draw(5, np.random.default_rng(2))
        theta = prior.coordinates(p)
        return [
            (p, theta, prior.names, prior.parameters(theta), prior.log_density(p), prior.free),
            (prior.log_unit_density(at), prior.log_sigma_density(0.1 * at, at)),
            (prior.sigma_nodes(4), prior.sigma_reach()),
        ]

    return {f"priors, {name}": lambda g=one: of(*g) for name, one in given.items()}


MAKERS = (_distributions, _noise, _models, _envelopes, _priors)
