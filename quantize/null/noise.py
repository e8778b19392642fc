"""Noise that is not one sigma for all: patterns of variance that comb and nulls share alike."""

from __future__ import annotations

import dataclasses

import numpy as np

from quantize._support import validation
from quantize._support.validation import FloatArray
from quantize.readings import Levels, Readings

NOISES = ("constant", "proportional", "counting")
"""Variance of a reading of size m: s0², s0² + s1²·m², s0² + s1²·abs(m)."""

_GROWTHS = (0.0, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0)
"""s1 times the largest reading, in units of s0."""
_BETWEEN = ((0.0, 0.5), (3.0, 0.25), (15.0, 0.25))
"""Variance between states in units of that of a typical state's mean, and its prior."""


@dataclasses.dataclass(frozen=True)
class Pattern:
    """One pattern of variances: the levels under it, and its prior with what its states say.

    `log_weight` is the log of the prior of the pattern times the part of the likelihood of the
    scatter within the states that depends on the pattern but not on sigma.
    """

    levels: Levels
    log_weight: float


def patterns(readings: Readings, noise: str = "constant") -> list[Pattern]:
    """The patterns that are averaged over.

    Where states were read more than once, the means of the states may scatter more than their
    readings tell: with probability one half they do, by a factor of two or four in sigma.

    Examples
    --------
    >>> page = Readings([1.0, 2.0, 4.1])
    >>> len(patterns(page)), len(patterns(page, "proportional"))
    (1, 9)
    """
    validation.choice("noise", noise, NOISES)
    plain = readings.levels()
    grown = (
        [(plain, 0.0)]
        if noise == "constant"
        else [_grown(readings, plain, noise, growth) for growth in _GROWTHS]
    )
    between = _BETWEEN if plain.degrees > 0 else ((0.0, 1.0),)
    out = []
    for levels, log_within in grown:
        typical = float(np.median(levels.factor))
        for extra, prior in between:
            wider = dataclasses.replace(levels, factor=levels.factor + extra * typical)
            out.append(Pattern(wider, log_within + float(np.log(prior / len(grown)))))
    return out


def _grown(readings: Readings, plain: Levels, noise: str, growth: float) -> tuple[Levels, float]:
    """Levels whose readings have a variance that grows, and the log likelihood that goes with it.

    Within a state the readings x_i, of variances σ²·f_i about a common level, have the density

        ∏ N(x_i) = N(mean; σ²·F) · ∏(2πσ²f_i)^-1/2 · (2πσ²F)^1/2 · exp(−scatter/2σ²) ,

    F = 1/Σ(1/f_i); its part without sigma is handed out here, against that of the plain pattern.
    """
    size = np.abs(plain.mean)[plain.index]
    largest = float(size.max()) or 1.0
    shape = (size / largest) ** (2 if noise == "proportional" else 1)
    base = np.ones(len(readings)) if readings.sigma is None else readings.sigma**2
    factor = base + growth**2 * float(np.median(base)) * shape
    levels = Readings(readings.values, sigma=np.sqrt(factor), state=readings.state).levels()
    log_within = -0.5 * float(np.sum(np.log(factor)) - np.sum(np.log(levels.factor)))
    if plain.sigma_given:
        log_within -= 0.5 * levels.scatter
    return dataclasses.replace(levels, sigma_given=plain.sigma_given), log_within


def pooled(
    log_comb: FloatArray, log_weight: FloatArray, ratios: list[dict[str, float]]
) -> dict[str, float]:
    """Log Bayes factors over all patterns: evidences of comb and null are added, not the ratios.

    `log_comb`, `log_weight`, shape (P,), and a dictionary of log ratios for each pattern.
    """
    names = set.intersection(*(set(r) for r in ratios))
    comb = log_comb + log_weight
    out = {}
    for name in ratios[0]:
        if name in names:
            over = np.array([r[name] for r in ratios])
            usable = np.isfinite(over) & np.isfinite(comb)
            null = np.logaddexp.reduce(comb[usable] - over[usable]) if usable.any() else np.inf
            out[name] = float(np.logaddexp.reduce(comb) - null) if usable.any() else -np.inf
    return out
