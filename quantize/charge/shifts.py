"""One error that all readings of a run share, integrated over with its own distribution."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from typing import Any

import numpy as np

from quantize._support.validation import FloatArray
from quantize.charge.quantity import Quantity

_SHIFTS = 17  # values of the shift that are tried first
_ROUNDS = 4
_LARGEST_CELL = 0.2  # share of the posterior between neighbouring shifts
_NORMAL_REACH, _LONGEST_REACH = 4.2, 12.0  # in standard errors
_SPREAD = 3.0
_SAME_MODE = 0.02


@dataclasses.dataclass(frozen=True, kw_only=True)
class Shifted:
    """Fits at several values of the shift.

    `z` are the shifts in standard errors, rising; `weight` is the posterior share of each, and
    `log_bayes_factor` the evidence averaged over the prior of the shift.
    """

    z: FloatArray
    weight: FloatArray
    fits: tuple[Any, ...]
    log_bayes_factor: float


def over_shifts(shift: Quantity, fit_at: Callable[[float], Any]) -> Shifted:
    """Call `fit_at` at as many shifts as the posterior of the shift needs.

    The trapezium rule in x, where z = reach·sinh(x)/sinh(3): the few degrees of freedom of few
    falls mean long tails, so the steps widen outwards. Where more than a fifth of the posterior
    lies between two neighbours, the step between them is halved.
    """
    if shift.standard_uncertainty == 0:
        fit = fit_at(0.0)
        return Shifted(
            z=np.zeros(1), weight=np.ones(1), fits=(fit,), log_bayes_factor=fit.log_bayes_factor
        )
    density, reach = _prior(shift.degrees_of_freedom)
    x = np.linspace(-_SPREAD, _SPREAD, _SHIFTS)
    fits = [fit_at(z) for z in _stretched(x, reach)]
    for _ in range(_ROUNDS):
        weight = _weights(x, reach, density, fits)[0]
        cells = (weight[:-1] + weight[1:]) / 2
        wide = np.flatnonzero(cells > _LARGEST_CELL)
        if wide.size == 0:
            break
        new = (x[wide] + x[wide + 1]) / 2
        fits += [fit_at(z) for z in _stretched(new, reach)]
        x = np.concatenate([x, new])
        order = np.argsort(x)
        x, fits = x[order], [fits[i] for i in order]
    weight, evidence = _weights(x, reach, density, fits)
    return Shifted(
        z=_stretched(x, reach), weight=weight, fits=tuple(fits), log_bayes_factor=evidence
    )


def _prior(degrees: float) -> tuple[Callable[[FloatArray], FloatArray], float]:
    from scipy.stats import norm, t

    law = norm() if math.isinf(degrees) else t(degrees)
    reach = min(max(float(law.ppf(0.9995)), _NORMAL_REACH), _LONGEST_REACH)
    return law.pdf, reach


def _stretched(x: FloatArray, reach: float) -> FloatArray:
    z: FloatArray = reach * np.sinh(x) / math.sinh(_SPREAD)
    return z


def _weights(
    x: FloatArray, reach: float, density: Callable[[FloatArray], FloatArray], fits: list[Any]
) -> tuple[FloatArray, float]:
    """Posterior share of each shift, and the log evidence."""
    prior = density(_stretched(x, reach)) * np.cosh(x) * np.gradient(x)
    # The trapezium rule has half a step at each end, and np.gradient a whole one.
    prior[[0, -1]] /= 2
    prior /= prior.sum()
    logs = np.array([f.log_bayes_factor for f in fits])
    top = float(logs.max())
    weight = prior * np.exp(logs - top)
    total = float(weight.sum())
    return weight / total, top + math.log(total)


def joined_modes(found: Shifted) -> list[dict[str, float]]:
    """Modes of all shifts, those within 2 % of each other taken as one; best first."""
    rows = [
        (float(row["unit"]), float(row["unit_err"]), float(row["share"]) * w)
        for f, w in zip(found.fits, found.weight, strict=True)
        for row in f.alternatives.to_dict("records")
    ]
    modes = []
    left = sorted(rows, key=lambda r: -r[2])
    while left:
        centre = left[0][0]
        mine = [r for r in left if abs(r[0] / centre - 1) < _SAME_MODE]
        left = [r for r in left if abs(r[0] / centre - 1) >= _SAME_MODE]
        share = sum(r[2] for r in mine)
        mean = sum(r[0] * r[2] for r in mine) / share
        variance = sum((r[1] ** 2 + (r[0] - mean) ** 2) * r[2] for r in mine) / share
        modes.append({"unit": mean, "unit_err": math.sqrt(variance), "share": share})
    modes.sort(key=lambda m: -m["share"])
    return modes


def at_mode(found: Shifted, unit: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Unit, error and posterior share of the mode at `unit` for each shift."""
    n = found.z.size
    units, errors, shares = np.full(n, unit), np.zeros(n), np.zeros(n)
    for i, f in enumerate(found.fits):
        table = f.alternatives
        near = (table["unit"] / unit - 1).abs()
        j = int(near.to_numpy().argmin())
        if near.iloc[j] < 2 * _SAME_MODE:
            units[i], errors[i] = float(table["unit"].iloc[j]), float(table["unit_err"].iloc[j])
            shares[i] = found.weight[i] * float(table["share"].iloc[j])
    total = shares.sum()
    return units, errors, shares / total if total > 0 else found.weight


def slope_against(z: FloatArray, unit: FloatArray, share: FloatArray) -> float:
    """How the unit rises with the shift, over the posterior of both; per standard error."""
    off = z - float(share @ z)
    squares = float(share @ off**2)
    return float(share @ (off * unit)) / squares if squares > 0 else 0.0


def posterior_of_shift(prior: Quantity, z: FloatArray, share: FloatArray) -> Quantity:
    r"""The shared quantity after the readings have had their say on it, as a Student's t.

    Its width is half of the central 68 % of the posterior. Where readings of known scatter have
    narrowed it from s to s', its degrees of freedom rise from ν to ν·(s/s')⁴: only the first part
    of :math:`1/s'^2 = 1/s^2 + 1/s_\mathrm{readings}^2` was estimated from few repeats.
    """
    from scipy.stats import norm, t

    error, nu = prior.standard_uncertainty, prior.degrees_of_freedom
    if error == 0 or z.size == 1:
        return prior
    tail = float(norm.sf(1.0))
    below = np.cumsum(share) - share / 2
    low, middle, high = np.interp([tail, 0.5, 1 - tail], below, z)
    half = (high - low) / 2
    one = 1.0 if math.isinf(nu) else float(t.isf(tail, nu))
    narrowed = min(half / one, 1.0)
    after = nu / narrowed**4
    return dataclasses.replace(
        prior,
        value=prior.value + float(middle) * error,
        standard_uncertainty=half * error / float(t.isf(tail, after)),
        degrees_of_freedom=after,
    )
