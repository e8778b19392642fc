"""The line through many drops: the unit and the slip together, from drops of many sizes."""

from __future__ import annotations

import dataclasses

import numpy as np
from numpy.typing import ArrayLike

from quantize._support.errors import InputError
from quantize._support.results import Result
from quantize._support.validation import FloatArray, float_array
from quantize.charge.stated import stated


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class LineThroughDrops(Result):
    """Result of `line_through_drops`.

    Attributes
    ----------
    value, standard_uncertainty : float
        The unit in coulombs, from the intercept, and its uncertainty from the scatter about the
        line alone. It goes with the power 1.5 of the viscosity, which all drops share.
    slope : float
        Of e1^(2/3) against 1/(p·a), in C^(2/3)·Pa·m.
    slip_coefficient : float
        Slope over intercept: b of the one-term slip correction, Pa·m.
    residuals : numpy.ndarray, shape (n,)
        Of e1^(2/3).
    """

    value: float
    standard_uncertainty: float
    slope: float
    slip_coefficient: float
    residuals: FloatArray

    def _headline(self) -> str:
        return f"{stated(self.value, self.standard_uncertainty, 'C')[1]}, random part"

    def __str__(self) -> str:
        return f"Line through {self.residuals.size} drops: {self._headline()}"


def line_through_drops(
    apparent: ArrayLike, radius: ArrayLike, pressure: ArrayLike, *, sigma: ArrayLike | None = None
) -> LineThroughDrops:
    r"""Extrapolate apparent units, computed without slip, to no slip.

    Parameters
    ----------
    apparent : array_like, shape (n,)
        The unit of each drop in coulombs, with Stokes' law without slip.
    radius : array_like, shape (n,)
        Radius of each drop, m.
    pressure : array_like, shape (n,)
        Pressure of the air about each drop, Pa.
    sigma : array_like, shape (n,), optional
        Standard uncertainty of each apparent unit; equal relative ones if left out.

    Returns
    -------
    LineThroughDrops
        The unit without slip, and the slip coefficient.

    Raises
    ------
    InputError
        For unequal lengths, fewer than three drops, and values that are not above zero.

    Notes
    -----
    Without slip a charge comes out as :math:`e_1 = e\,(1 + b/(pa))^{3/2}`, so that
    :math:`e_1^{2/3} = e^{2/3} + e^{2/3} b/(pa)` is a straight line in :math:`1/(pa)`.

    References
    ----------
    Millikan, Phys. Rev. 2:109 (1913).

    Examples
    --------
    >>> import numpy as np
    >>> a, p = np.array([1e-6, 1.5e-6, 2e-6]), np.array([1e5, 5e4, 2e4])
    >>> e1 = 1.6e-19 * (1 + 8.2e-3 / (p * a)) ** 1.5
    >>> found = line_through_drops(e1, a, p)
    >>> round(found.value * 1e19, 6), round(found.slip_coefficient * 1e3, 6)
    (1.6, 8.2)
    """
    e1, a, p = (
        float_array(name, value)
        for name, value in (("apparent", apparent), ("radius", radius), ("pressure", pressure))
    )
    if not e1.size == a.size == p.size or e1.size < 3:
        raise InputError(
            f"`apparent`, `radius` and `pressure` have {e1.size}, {a.size} and {p.size} entries; "
            "give equally many, three at least."
        )
    if min(e1.min(), a.min(), p.min()) <= 0:
        raise InputError("`apparent`, `radius` and `pressure` must all be above zero.")
    x, y = 1 / (p * a), e1 ** (2 / 3)
    weight = None if sigma is None else 1.5 * e1 / (y * float_array("sigma", sigma))
    (slope, intercept), covariance = np.polyfit(x, y, 1, w=weight, cov=True)
    return LineThroughDrops(
        value=float(intercept**1.5),
        standard_uncertainty=float(1.5 * intercept**0.5 * np.sqrt(covariance[1, 1])),
        slope=float(slope),
        slip_coefficient=float(slope / intercept),
        residuals=y - np.polyval([slope, intercept], x),
    )
