"""Pages of readings and models that between them use every option of the mixture."""

import numpy as np
from scipy import stats

import quantize as qz
from quantize.model.wrapped_likelihood import likelihood_of

RNG = np.random.default_rng(1907)
K = RNG.integers(1, 8, size=7)
X = K + 0.15 * RNG.normal(size=7)
STATE = ["a", "a", "b", "c", "c", "c", "d"]
REPEATED = np.array([3.05, 2.93, 5.1, 1.02, 0.87, 1.11, 7.03])
SIGMA = RNG.uniform(0.05, 0.3, size=7)


def page(**columns):
    return qz.Readings(columns.pop("values", X), **columns)


CASES = {
    "plain": (page(), {}),
    "states": (page(values=REPEATED, state=STATE), {}),
    "sigmas": (page(sigma=SIGMA), {"sigma": (0.3, 3.0)}),
    "states with sigmas": (page(values=REPEATED, state=STATE, sigma=SIGMA), {}),
    "proportional": (page(), {"noise": "proportional"}),
    "proportional with sigmas": (
        page(values=REPEATED, state=STATE, sigma=SIGMA),
        {"noise": "proportional", "sigma": (0.5, 2.0), "window": (0, 9)},
    ),
    "counting": (page(), {"noise": "counting"}),
    "outliers": (page(), {"outliers": "free"}),
    "outliers with states": (page(values=REPEATED, state=STATE), {"outliers": "free"}),
    "window": (page(), {"window": (0.4, 8.6)}),
    "narrow window": (page(), {"window": (0.9, 6.5)}),
    "positive": (page(values=X - 2), {"integers": "positive"}),
    "range": (page(), {"integers": (1, 9)}),
    "window and positive": (page(), {"window": (-3, 9), "integers": "positive"}),
    "normal envelope": (page(), {"envelope": "normal"}),
    "narrow envelope": (page(), {"envelope": stats.norm(3, 1.1)}),
    "exponential envelope": (page(), {"envelope": "exponential", "integers": "positive"}),
    "two-sided exponential": (page(values=X - 4), {"envelope": "exponential"}),
    "rounded": (page(values=np.round(X, 1), resolution=0.1), {"rounding": True}),
    "coarsely rounded": (page(values=np.round(2 * X) / 2, resolution=0.5), {"rounding": True}),
    "printed": (page(values=np.round(X, 1)), {"rounding": True}),
    "rounded twice": (
        page(values=np.round(2 * X) / 2, resolution=0.5, ends=[1, 2, 2, 2, 1, 1, 2]),
        {"rounding": True},
    ),
    "off the scale": (page(beyond=[0, 0, 1, 0, 0, -1, 0]), {"window": (-1, 10)}),
    "off the scale, range": (page(beyond=[0, 0, 1, 0, 0, 0, 0]), {"integers": (1, 14)}),
    "off the scale, normal": (page(beyond=[0, 0, 1, 0, 0, 0, 0]), {"envelope": stats.norm(4, 3)}),
    "off the scale in a state": (
        page(values=REPEATED, state=STATE, beyond=[0, -1, 0, 0, 1, 0, 0]),
        {},
    ),
    "off the scale, open": (page(beyond=[0, 0, 1, 0, 0, 0, 0]), {}),
    "changed": (page(changed=[0, 1, 0, 0, 0, 0, 1]), {}),
    "free offset": (page(), {"offset": "free"}),
    "offset with a prior": (page(), {"offset": stats.norm(0.1, 0.05)}),
    "free offset in a window": (page(), {"offset": "free", "window": (0.4, 8.6)}),
    "everything": (
        page(
            values=np.round(REPEATED, 2),
            state=STATE,
            sigma=SIGMA,
            resolution=0.25,
            ends=[1, 2, 2, 1, 1, 1, 1],
            beyond=[0, 0, 0, 0, 0, 0, 1],
            changed=[0, 1, 0, 0, 0, 0, 0],
        ),
        {
            "noise": "proportional",
            "sigma": (0.5, 2.0),
            "outliers": "free",
            "rounding": True,
            "envelope": stats.norm(4, 3),
            "integers": "positive",
            "offset": stats.norm(0.0, 0.1),
        },
    ),
}


def case(name):
    """Readings, model and likelihood."""
    readings, options = CASES[name]
    model = qz.MixtureModel(**options)
    return readings, model, likelihood_of(model, readings)
