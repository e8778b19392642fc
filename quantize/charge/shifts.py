"""What readings say about an error that they share."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from quantize._support.validation import FloatArray
from quantize.charge.quantity import Quantity


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
    order = np.argsort(z, kind="stable")
    z, share = z[order], share[order]
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
