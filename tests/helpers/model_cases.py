"""Samples and models that between them use every option of the mixture."""

import numpy as np
from scipy import stats

import quantize as qz
from quantize.model.wrapped_likelihood import likelihood_of
from quantize.shared_shift import SharedShift

RNG = np.random.default_rng(1907)
K = RNG.integers(1, 8, size=7)
X = K + 0.15 * RNG.normal(size=7)
STATE = ["a", "a", "b", "c", "c", "c", "d"]
REPEATED = np.array([3.05, 2.93, 5.1, 1.02, 0.87, 1.11, 7.03])
SIGMA = RNG.uniform(0.05, 0.3, size=7)
LEVER = np.array([1.0, 1.0, 0.6, -1.3, -1.3, -1.3, 2.0])
"""The same for all readings of a state."""


def sample(**columns):
    return qz.Readings(columns.pop("values", X), **columns)


def shift(lever):
    return SharedShift(error=0.1, lever=lever)


CASES = {
    "plain": (sample(), {}),
    "states": (sample(values=REPEATED, state=STATE), {}),
    "sigmas": (sample(sigma=SIGMA), {"sigma": (0.3, 3.0)}),
    "states with sigmas": (sample(values=REPEATED, state=STATE, sigma=SIGMA), {}),
    "proportional": (sample(), {"noise": "proportional"}),
    "proportional with sigmas": (
        sample(values=REPEATED, state=STATE, sigma=SIGMA),
        {"noise": "proportional", "sigma": (0.5, 2.0), "window": (0, 9)},
    ),
    "counting": (sample(), {"noise": "counting"}),
    "outliers": (sample(), {"outliers": "free"}),
    "outliers with states": (sample(values=REPEATED, state=STATE), {"outliers": "free"}),
    "window": (sample(), {"window": (0.4, 8.6)}),
    "narrow window": (sample(), {"window": (0.9, 6.5)}),
    "positive": (sample(values=X - 2), {"integers": "positive"}),
    "range": (sample(), {"integers": (1, 9)}),
    "window and positive": (sample(), {"window": (-3, 9), "integers": "positive"}),
    "normal envelope": (sample(), {"envelope": "normal"}),
    "narrow envelope": (sample(), {"envelope": stats.norm(3, 1.1)}),
    "exponential envelope": (sample(), {"envelope": "exponential", "integers": "positive"}),
    "two-sided exponential": (sample(values=X - 4), {"envelope": "exponential"}),
    "rounded": (sample(values=np.round(X, 1), resolution=0.1), {"rounding": True}),
    "coarsely rounded": (sample(values=np.round(2 * X) / 2, resolution=0.5), {"rounding": True}),
    "printed": (sample(values=np.round(X, 1)), {"rounding": True}),
    "rounded twice": (
        sample(values=np.round(2 * X) / 2, resolution=0.5, ends=[1, 2, 2, 2, 1, 1, 2]),
        {"rounding": True},
    ),
    "off the scale": (sample(beyond=[0, 0, 1, 0, 0, -1, 0]), {"window": (-1, 10)}),
    "off the scale, range": (sample(beyond=[0, 0, 1, 0, 0, 0, 0]), {"integers": (1, 14)}),
    "off the scale, normal": (sample(beyond=[0, 0, 1, 0, 0, 0, 0]), {"envelope": stats.norm(4, 3)}),
    "off the scale in a state": (
        sample(values=REPEATED, state=STATE, beyond=[0, -1, 0, 0, 1, 0, 0]),
        {},
    ),
    "off the scale in a state, outliers": (
        sample(values=REPEATED, state=STATE, beyond=[0, -1, 0, 0, 1, 0, 0]),
        {"outliers": 0.05},
    ),
    "off the scale in a state, outliers in a window": (
        sample(values=REPEATED, state=STATE, beyond=[0, -1, 0, 0, 1, 0, 0]),
        {"outliers": 0.05, "window": (-1, 10)},
    ),
    "off the scale, open": (sample(beyond=[0, 0, 1, 0, 0, 0, 0]), {}),
    "changed": (sample(changed=[0, 1, 0, 0, 0, 0, 1]), {}),
    "free offset": (sample(), {"offset": "free"}),
    "offset with a prior": (sample(), {"offset": stats.norm(0.1, 0.05)}),
    "free offset in a window": (sample(), {"offset": "free", "window": (0.4, 8.6)}),
    "shift": (sample(shift=shift(np.full(7, 0.8))), {}),
    "shift of unequal levers": (sample(shift=shift(LEVER)), {}),
    "shift of states": (
        sample(values=REPEATED, state=STATE, sigma=SIGMA, shift=shift(LEVER)),
        {"sigma": (0.5, 2.0)},
    ),
    "shift within states": (
        sample(values=REPEATED, state=STATE, shift=shift(np.linspace(0.5, 1.5, 7))),
        {"outliers": "free"},
    ),
    "shift in a window": (sample(shift=shift(LEVER)), {"window": (0.4, 8.6)}),
    "shift in an envelope": (
        sample(shift=shift(LEVER)),
        {"envelope": stats.norm(3, 2), "noise": "proportional"},
    ),
    "everything": (
        sample(
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
