"""Every option of the model once, as it is said of readings in any unit of measurement.

`c` is how many of the new units make one of the old: lengths are multiplied by it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from scipy import stats

import quantize as qz
from quantize.shared_shift import SharedShift

SIZE = 12
WINDOW = (-0.3, 9.7)

Model = Callable[[float], dict[str, Any]]

MODELS: dict[str, Model] = {
    "nothing": lambda c: {},
    "sigma known": lambda c: {"sigma": 0.1 * c},
    "sigma between": lambda c: {"sigma": (0.02 * c, 0.4 * c)},
    "sigma prior": lambda c: {"sigma": stats.lognorm(0.4, scale=0.1 * c)},
    "offset fixed": lambda c: {"offset": 0.2 * c},
    "offset free": lambda c: {"offset": "free"},
    "offset prior": lambda c: {"offset": stats.norm(0.05 * c, 0.1 * c)},
    "noise proportional": lambda c: {"noise": "proportional", "priors": {"growth": 0.02}},
    "noise counting": lambda c: {"noise": "counting", "priors": {"growth": 0.04 * np.sqrt(c)}},
    "growth between": lambda c: {"noise": "proportional", "priors": {"growth": (0.005, 0.05)}},
    "envelope normal": lambda c: {"envelope": "normal"},
    "envelope exponential": lambda c: {"envelope": "exponential"},
    "envelope levels": lambda c: {"envelope": "levels", "window": _window(c)},
    "envelope distribution": lambda c: {"envelope": stats.norm(4 * c, 3 * c)},
    "window": lambda c: {"window": _window(c)},
    "outliers few": lambda c: {"outliers": 1e-6},
    "outliers known": lambda c: {"outliers": 0.05},
    "outliers free": lambda c: {"outliers": "free"},
    "outliers prior": lambda c: {"outliers": stats.beta(2, 30)},
    "integers positive": lambda c: {"integers": "positive"},
    "integers bounded": lambda c: {"integers": (1, 9)},
    "integers with the last open": lambda c: {"integers": (1, None)},
    "integers in a window": lambda c: {"integers": (1, 9), "window": _window(c), "sigma": 0.1 * c},
    "rounding": lambda c: {"rounding": True},
    "unit prior": lambda c: {"priors": {"unit": stats.lognorm(0.5, scale=c)}},
}

FACTORS: dict[str, Model] = {"common factor": lambda c: {"sigma": (0.5, 2.0)}}
"""What is said of readings that carry their own sigmas, whatever their unit."""

READINGS: dict[str, Callable[[float], dict[str, Any]]] = {
    "sigma given": lambda c: {"sigma": 0.1 * c * np.linspace(0.7, 1.4, SIZE)},
    "relative sigma given": lambda c: {"relative_sigma": np.linspace(0.7, 1.4, SIZE)},
    "states": lambda c: {"state": np.arange(SIZE) // 2},
    "both ends read": lambda c: {"ends": 2},
    "off the scale": lambda c: {"beyond": (np.arange(SIZE) == 0).astype(int)},
    "changed": lambda c: {"changed": np.arange(SIZE) == 3},
    "rounded to steps of their own": lambda c: {
        "resolution": 0.0025 * c * np.linspace(1, 60, SIZE)
    },
    "shifted together": lambda c: {"shift": SharedShift(error=0.03 * c, lever=np.ones(SIZE))},
    "unit named": lambda c: {"unit_name": f"1e{round(np.log10(c))} div"},
}
"""What may come with the readings."""

SHIFTED = ("offset free",)
"""Where a shift of all readings changes nothing."""


def _window(c: float) -> tuple[float, float]:
    return WINDOW[0] * c, WINDOW[1] * c


def model(name: str, c: float = 1.0) -> qz.MixtureModel:
    """The model with this option alone."""
    return qz.MixtureModel(**(MODELS | FACTORS)[name](c))


def sample(values: Any, c: float = 1.0, moved: float = 0.0, **others: Any) -> qz.Readings:
    """Readings in the new unit of measurement, recorded to 1/400 of an old one."""
    said = {"resolution": 0.0025 * c} | others
    return qz.Readings((np.asarray(values) + moved) * c, **said)


def comb(seed: int, *, repeats: int = 1, spread: float = 0.1) -> np.ndarray:
    """Steps of one unit, 1 to 9, in full precision."""
    rng = np.random.default_rng(seed)
    k = np.repeat(rng.integers(1, 10, SIZE // repeats), repeats)
    return k + spread * rng.normal(size=SIZE)


def uniform(seed: int, *, repeats: int = 1) -> np.ndarray:
    """Sizes without steps, each read `repeats` times."""
    rng = np.random.default_rng(seed)
    size = np.repeat(rng.uniform(0.5, 9.5, SIZE // repeats), repeats)
    return size + (0.1 * rng.normal(size=SIZE) if repeats > 1 else 0.0)
