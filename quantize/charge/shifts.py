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
_TOO_LIGHT = 1e-7


@dataclasses.dataclass(frozen=True, kw_only=True)
class Shifted:
    """Fits at several values of the shift.

    `z` are the shifts in standard errors, rising; `weight` is the posterior share of each, `prior`
    the share before any reading, and `log_bayes_factor` the evidence averaged over that. Where the
    shift may drift as well, `drift_z` says by how much in each fit, in standard errors. `step` and
    `drift_step` are the lengths that each fit stands for.
    """

    z: FloatArray
    weight: FloatArray
    fits: tuple[Any, ...]
    log_bayes_factor: float
    prior: FloatArray
    step: FloatArray
    drift_z: FloatArray
    drift_step: FloatArray

    @property
    def best(self) -> Any:
        """The fit at the most probable shift."""
        return self.fits[int(np.argmax(self.weight))]


def over_shifts(
    shift: Quantity, fit_at: Callable[[float], Any], *, first: int = _SHIFTS
) -> Shifted:
    """Call `fit_at` at as many shifts as the posterior of the shift needs, `first` to begin with.

    The trapezium rule in x, where z = reach·sinh(x)/sinh(3): the few degrees of freedom of few
    falls mean long tails, so the steps widen outwards. Where more than a fifth of the posterior
    lies between two neighbours, the step between them is halved.
    """
    if shift.standard_uncertainty == 0:
        fit = fit_at(0.0)
        return Shifted(
            z=np.zeros(1),
            weight=np.ones(1),
            fits=(fit,),
            log_bayes_factor=fit.log_bayes_factor,
            prior=np.ones(1),
            step=np.zeros(1),
            drift_z=np.zeros(1),
            drift_step=np.zeros(1),
        )
    density, reach = _prior(shift.degrees_of_freedom)
    x = np.linspace(-_SPREAD, _SPREAD, first)
    fits = [fit_at(z) for z in _stretched(x, reach)]
    for _ in range(_ROUNDS):
        weight = _weights(_priors(x, reach, density), fits)[0]
        cells = (weight[:-1] + weight[1:]) / 2
        wide = np.flatnonzero(cells > _LARGEST_CELL)
        if wide.size == 0:
            break
        new = (x[wide] + x[wide + 1]) / 2
        fits += [fit_at(z) for z in _stretched(new, reach)]
        x = np.concatenate([x, new])
        order = np.argsort(x)
        x, fits = x[order], [fits[i] for i in order]
    prior = _priors(x, reach, density)
    weight, evidence = _weights(prior, fits)
    return Shifted(
        z=_stretched(x, reach),
        weight=weight,
        fits=tuple(fits),
        log_bayes_factor=evidence,
        prior=prior,
        step=np.gradient(_stretched(x, reach)),
        drift_z=np.zeros(x.size),
        drift_step=np.zeros(x.size),
    )


def flattened(outer: Shifted) -> Shifted:
    """Shifts at several drifts as one list, in the order of the shifts."""
    inner: tuple[Shifted, ...] = outer.fits
    sizes = [one.z.size for one in inner]
    z = np.concatenate([one.z for one in inner])
    order = np.argsort(z, kind="stable")
    weight = np.repeat(outer.weight, sizes) * np.concatenate([one.weight for one in inner])
    # Most of these fits say nothing, and each holds a posterior.
    order = order[weight[order] > _TOO_LIGHT]
    fits = [fit for one in inner for fit in one.fits]

    def times(shares: FloatArray, name: str) -> FloatArray:
        own = np.concatenate([getattr(one, name) for one in inner])
        product: FloatArray = (np.repeat(shares, sizes) * own)[order]
        return product

    return Shifted(
        z=z[order],
        weight=weight[order] / weight[order].sum(),
        fits=tuple(fits[i] for i in order),
        log_bayes_factor=outer.log_bayes_factor,
        prior=times(outer.prior, "prior"),
        step=np.concatenate([one.step for one in inner])[order],
        drift_z=np.repeat(outer.z, sizes)[order],
        drift_step=np.repeat(outer.step, sizes)[order],
    )


def moved_across(found: Shifted, unit: float) -> FloatArray:
    """How far log unit moves across what each fit stands for, along the mode at `unit`."""
    near, _, share = at_mode(found, unit)
    told = share > 0
    if told.sum() < 4:
        return np.zeros(found.z.size)
    root = np.sqrt(share[told])[:, None]
    design = np.column_stack([np.ones(found.z.size), found.z, found.drift_z])[told]
    slopes = np.linalg.lstsq(root * design, root[:, 0] * np.log(near[told]), rcond=None)[0]
    across: FloatArray = np.hypot(slopes[1] * found.step, slopes[2] * found.drift_step)
    return across


def _prior(degrees: float) -> tuple[Callable[[FloatArray], FloatArray], float]:
    from scipy.stats import norm, t

    law = norm() if math.isinf(degrees) else t(degrees)
    reach = min(max(float(law.ppf(0.9995)), _NORMAL_REACH), _LONGEST_REACH)
    return law.pdf, reach


def _stretched(x: FloatArray, reach: float) -> FloatArray:
    z: FloatArray = reach * np.sinh(x) / math.sinh(_SPREAD)
    return z


def _priors(x: FloatArray, reach: float, density: Callable[[FloatArray], FloatArray]) -> FloatArray:
    """Prior share of each shift."""
    prior = density(_stretched(x, reach)) * np.cosh(x) * np.gradient(x)
    # The trapezium rule has half a step at each end, and np.gradient a whole one.
    prior[[0, -1]] /= 2
    total: FloatArray = prior / prior.sum()
    return total


def _weights(prior: FloatArray, fits: list[Any]) -> tuple[FloatArray, float]:
    """Posterior share of each shift, and the log evidence."""
    logs = np.array([f.log_bayes_factor for f in fits])
    top = float(logs.max())
    weight = prior * np.exp(logs - top)
    total = float(weight.sum())
    return weight / total, top + math.log(total)


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
