"""The fixed-size evidence that a verdict rests on: comb against continuous, lumpy and heaped."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from quantize._support import randomness, validation
from quantize._support.errors import InputError
from quantize._support.randomness import RngLike
from quantize._support.results import Result
from quantize._support.validation import FloatArray
from quantize.null import calibration
from quantize.null.heaped import log_ratio_over_heaps
from quantize.null.placement import LEVELS_AT_ZERO, LEVELS_FREE, Placement, place
from quantize.null.sigma import sigma_grid
from quantize.readings import Readings, as_readings

MOST_LEVELS = 80
"""Larger samples are weighed by a random part of this size."""
SURE = 0.95
"""Probability of enough occupied teeth below which nothing counts as steps."""


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class LevelEvidence(Result):
    """How strongly the places of the levels speak for a comb.

    Attributes
    ----------
    log_evidences : dict
        Log evidence of the comb and of each null, in log density of the readings.
    log_bayes_factors : dict
        Comb over each null.
    log_bayes_factor : float
        Comb over the null that explains the readings best.
    score : float
        Least lead of the comb over any kind of null beyond the hurdle for its kind; what the
        p-values are of.
    p_values : dict
        Under each named null (see `quantize.null.calibration`).
    p_value : float
        The largest of them.
    occupied_teeth : float
        Probability, given a comb, that enough teeth are occupied for a comb to show.
    least_teeth : int
        How many that is.
    unit : float
        Most probable unit.
    units, density : arrays, shape (U,)
        Units tried and their posterior shares.
    band : tuple of float
        Units that took part, after the guard of half the span.
    weighed : int
        Number of levels that were weighed (a part, in samples above 80).
    alpha : float
        Level of the verdict.
    steps : bool
        Whether p is at most `alpha` and enough teeth are occupied.
    """

    log_evidences: dict[str, float]
    log_bayes_factors: dict[str, float]
    log_bayes_factor: float
    score: float
    p_values: dict[str, float]
    p_value: float
    occupied_teeth: float
    least_teeth: int
    unit: float
    units: FloatArray
    density: FloatArray
    band: tuple[float, float]
    weighed: int
    alpha: float
    steps: bool

    _private = ("units", "density")

    def _headline(self) -> str:
        return (
            f"p = {self.p_value:.3g}, log Bayes factor {self.log_bayes_factor:.2f} over the "
            f"strongest null, unit {self.unit:.4g}"
        )


def weigh_evidence(
    readings: Any,
    unit_range: tuple[float, float],
    *,
    offset: str | float = "zero",
    sigma_range: tuple[float, float] | None = None,
    alpha: float = 0.05,
    n_resamples: int = 0,
    rng: RngLike = None,
    workers: Any = None,
) -> LevelEvidence:
    """Compare where the levels stand under a comb and under every kind of data without steps.

    Parameters
    ----------
    readings : Readings or array_like, shape (n,)
        Charge states count as one level each; their scatter informs sigma.
    unit_range : (float, float)
        Band of units, in the readings' unit; cut to at most half of (span + 2 sigma).
    offset : "zero", "free" or float
    sigma_range : (float, float), optional
        Support of the unknown common sigma; see `quantize.null.sigma.sigma_grid`.
    alpha : float
        Level of the verdict.
    n_resamples : int
        Accepted for the sake of one signature; the calibration is a stored table.
    rng : None, int or numpy.random.Generator
        Chooses the part that is weighed in samples above 80 levels.
    workers : None
        Accepted for the sake of one signature.

    Returns
    -------
    LevelEvidence

    Raises
    ------
    InputError
        When no unit of the band is below half the span of the readings.

    Examples
    --------
    >>> steps = np.array([-3.02, -1.97, -1.05, 0.04, 0.96, 1.0, 2.03, 3.98, 2.96, -1.0])
    >>> weigh_evidence(steps, (0.3, 3.0)).p_value < 0.05
    True
    """
    data = as_readings(readings, least=3)
    placed, ratios, band, weighed = _weigh(data, unit_range, offset, sigma_range, rng)
    told = data.sigma is not None or data.levels().degrees > 0
    fixed = sigma_range is not None and sigma_range[0] == sigma_range[1]
    free = isinstance(offset, str) and offset == "free"
    lead = calibration.score(
        ratios, weighed, sigma_known=told or fixed, free=free, teeth=_teeth(placed)
    )
    p_values = calibration.p_values(lead, weighed)
    p_value = max(p_values.values())
    evidences = {"comb": placed.log_comb} | {
        name: placed.log_comb - ratio for name, ratio in ratios.items()
    }
    return LevelEvidence(
        log_evidences=evidences,
        log_bayes_factors=ratios,
        log_bayes_factor=min(ratios.values()),
        score=lead,
        p_values=p_values,
        p_value=p_value,
        occupied_teeth=placed.enough_levels,
        least_teeth=LEVELS_FREE if free else LEVELS_AT_ZERO,
        unit=float(placed.unit[placed.best]),
        units=placed.unit,
        density=placed.density,
        band=band,
        weighed=weighed,
        alpha=alpha,
        steps=bool(p_value <= alpha and placed.enough_levels >= SURE),
    )


def log_ratios(
    readings: Any,
    unit_range: tuple[float, float],
    *,
    offset: str | float = "zero",
    sigma_range: tuple[float, float] | None = None,
    rng: RngLike = None,
) -> tuple[dict[str, float], float, int]:
    """Log Bayes factors of the comb over each null, probability of enough teeth, and teeth.

    The part of `weigh_evidence` that needs no calibration.
    """
    data = as_readings(readings, least=3)
    placed, ratios, _, _ = _weigh(data, unit_range, offset, sigma_range, rng)
    return ratios, placed.enough_levels, _teeth(placed)


def _teeth(placed: Placement) -> int:
    return int(np.ptp(placed.integers)) + 1


def _weigh(
    data: Readings,
    unit_range: tuple[float, float],
    offset: str | float,
    sigma_range: tuple[float, float] | None,
    rng: RngLike,
) -> tuple[Placement, dict[str, float], tuple[float, float], int]:
    low, high = validation.unit_range(unit_range)
    levels = data.levels()
    free = isinstance(offset, str) and offset == "free"
    shift = 0.0 if isinstance(offset, str) else validation.number("offset", offset)
    order = np.argsort(levels.mean, kind="stable")
    values, factor = levels.mean[order] - shift, levels.factor[order]
    if values.size > MOST_LEVELS:
        chosen = randomness.generator(rng).permutation(values.size)[:MOST_LEVELS]
        chosen.sort()
        values, factor = values[chosen], factor[chosen]
    sigma, log_prior = sigma_grid(data, levels, low, high, sigma_range)
    smallest = float(sigma[0] * np.sqrt(np.median(factor)))
    top = min(high, 0.5 * (float(np.ptp(values)) + 2 * smallest))
    if top <= low * (1 + 1e-9):
        raise InputError(
            f"`unit_range` starts at {low:.4g}, but no unit above {top:.4g} (half the span of the "
            "readings) can show; lower the band or take readings that spread wider."
        )
    placed = place(values, factor, sigma, log_prior, low, top, free=free)
    unit = float(placed.unit[placed.best])
    centre = 0.0
    if free:
        centre = float(np.average(values - unit * placed.integers, weights=1 / factor))
    ratios = dict(placed.log_ratios)
    ratios["heaped"] = log_ratio_over_heaps(values, factor, unit, centre)
    return placed, ratios, (low, top), int(values.size)
