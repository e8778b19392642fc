"""The fixed-size evidence that a verdict rests on: comb against continuous, lumpy and heaped."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

import numpy as np

from quantize._support import validation
from quantize._support.randomness import RngLike
from quantize._support.results import Result
from quantize._support.validation import FloatArray
from quantize.null import calibration
from quantize.null.placement import LEVELS_AT_ZERO, LEVELS_FREE
from quantize.null.weighing import weigh
from quantize.readings import as_readings

SURE = 0.95
"""Probability of enough occupied teeth below which nothing counts as steps."""


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class LevelEvidence(Result):
    """How strongly the places of the levels speak for a comb.

    Attributes
    ----------
    log_evidences : dict
        Log evidence of the comb, in log density of the readings, and for each null that which gives
        its factor in `log_bayes_factors` beside it.
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
        Number of levels that were weighed (a part, in samples above 200).
    alpha : float
        Level of the verdict.
    steps : bool
        Whether p is at most `alpha` and enough teeth are occupied.
    part : str
        Which part of the stored table the p-values are from (see `calibration.mode`).
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
    part: str

    _private = ("units", "density", "part")

    @property
    def sure_of_levels(self) -> bool:
        """Whether enough teeth are occupied with the probability that is asked for."""
        return self.occupied_teeth >= SURE

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
    noise: str = "constant",
    alpha: float = 0.05,
    rng: RngLike = None,
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
    noise : {"constant", "proportional", "counting"}
        How the noise of a reading depends on its size, for the comb and for the nulls with levels
        alike: s0², s0² + s1²·x² or s0² + s1²·abs(x). See `quantize.null.noise`.
    alpha : float
        Level of the verdict.
    rng : None, int or numpy.random.Generator
        Chooses the part that is weighed in samples above 200 levels.

    Returns
    -------
    LevelEvidence

    Raises
    ------
    InputError
        When no unit of the band is below half the span of the readings.

    Examples
    --------
    >>> import numpy as np
    >>> steps = np.array([-3.02, -1.97, -1.05, 0.04, 0.96, 1.0, 2.03, 3.98, 2.96, -1.0])
    >>> weigh_evidence(steps, (0.3, 3.0)).p_value < 0.05
    True
    """
    data = as_readings(readings, least=3)
    alpha = validation.fraction("alpha", alpha)
    found = weigh(data, unit_range, offset=offset, sigma_range=sigma_range, noise=noise, rng=rng)
    told = data.sigma is not None or data.levels().degrees > 0
    pair = validation.sigma_range(sigma_range)
    fixed = pair is not None and pair[0] == pair[1]
    free = isinstance(offset, str) and offset == "free"
    part = calibration.mode(sigma_known=told or fixed, free=free)
    evidences = {"comb": found.log_comb} | {
        name: found.log_comb - ratio for name, ratio in found.log_ratios.items()
    }
    return LevelEvidence(
        log_evidences=evidences,
        log_bayes_factors=found.log_ratios,
        log_bayes_factor=min(found.log_ratios.values()),
        occupied_teeth=found.enough_levels,
        least_teeth=LEVELS_FREE if free else LEVELS_AT_ZERO,
        unit=found.best_unit,
        units=found.placement.unit,
        density=found.placement.density,
        band=found.band,
        weighed=found.weighed,
        **_rated(found.log_ratios, found.weighed, part, alpha, found.enough_levels),
        part=part,
    )


def averaged_evidence(rows: Sequence[LevelEvidence], weights: FloatArray) -> LevelEvidence:
    """The evidence of readings that share an error, from that at several sizes of it.

    Parameters
    ----------
    rows : sequence of LevelEvidence
        Of the same readings, moved by each.
    weights : numpy.ndarray, shape (len(rows),)
        Prior share of each. Where they sum to less than one, the comb has no evidence elsewhere;
        levels anywhere have as much there as here.

    Notes
    -----
    Under data without steps an average of evidence ratios has the mean of a single one and spreads
    less, so that the tails of the stored table serve for it.
    """
    with np.errstate(divide="ignore"):
        log_weight = np.log(weights)
    whole = float(np.logaddexp.reduce(log_weight))
    names = [name for name in rows[0].log_evidences if all(name in r.log_evidences for r in rows)]
    evidences = {
        name: float(np.logaddexp.reduce([r.log_evidences[name] for r in rows] + log_weight))
        - (0.0 if name == "comb" else whole)
        for name in names
    }
    ratios = {name: evidences["comb"] - evidences[name] for name in names if name != "comb"}
    posterior = np.exp([r.log_evidences["comb"] for r in rows] + log_weight - evidences["comb"])
    best = rows[int(np.argmax(posterior))]
    occupied = float(posterior @ [r.occupied_teeth for r in rows])
    return dataclasses.replace(
        best,
        log_evidences=evidences,
        log_bayes_factors=ratios,
        log_bayes_factor=min(ratios.values()),
        occupied_teeth=occupied,
        **_rated(ratios, best.weighed, best.part, best.alpha, occupied),
    )


def _rated(
    log_ratios: dict[str, float], weighed: int, part: str, alpha: float, occupied: float
) -> dict[str, Any]:
    """Score, p-values and what they decide."""
    lead = calibration.score(log_ratios, weighed)
    p_values = calibration.p_values(lead, weighed, part)
    p_value = max(p_values.values())
    return {
        "score": lead,
        "p_values": p_values,
        "p_value": p_value,
        "alpha": alpha,
        "steps": bool(p_value <= alpha and occupied >= SURE),
    }
