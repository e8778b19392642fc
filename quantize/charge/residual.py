"""A voltage left on the plates when the field is thought to be off."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from quantize._support.errors import InputError
from quantize._support.results import Result
from quantize.charge.quantity import Quantity, Scope

if TYPE_CHECKING:
    from quantize.charge.rows import Rows

TAKEN_OFF = "taken off"
NO_SCATTER = 1e-9  # of the fall; what the last binary digits leave of it
_LEAST_FALLS = 4
_TURNS = 4


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class ResidualVoltage(Result):
    """Result of `residual_voltage`.

    Attributes
    ----------
    voltage : Quantity
        Left on the plates in the rows at zero voltage, V; positive if it lifts where the voltages
        of the run do.
    fall : Quantity
        Divisions fallen in one interval in no field at all.
    measured : Quantity
        The fall as read, which holds the mean push of the residual voltage.
    p_value : float
        How often falls without any residual voltage go with the charge as much as these.
    """

    _private: ClassVar[tuple[str, ...]] = ()

    voltage: Quantity
    fall: Quantity
    measured: Quantity
    p_value: float

    def _headline(self) -> str:
        v, f, m = self.voltage, self.fall, self.measured
        return (
            f"{v.value:+.2g} ± {v.standard_uncertainty:.2g} V (p = {self.p_value:.2g}); fall "
            f"{f.value:.2f} ± {f.standard_uncertainty:.2f} divisions without it, "
            f"{m.value:.2f} ± {m.standard_uncertainty:.2f} as read"
        )


def residual_voltage(run: Rows) -> ResidualVoltage:
    r"""Estimate what voltage the plates keep when they are switched off, and the fall without it.

    Parameters
    ----------
    run : Run
        Of one particle, with falls in four charge states or more.

    Returns
    -------
    ResidualVoltage

    Raises
    ------
    InputError
        For too few falls, or falls whose charge state is not noted or does not vary.

    Notes
    -----
    In a state that moves x divisions at the voltage V the charge is in proportion to
    :math:`y = (x + F)V_0/V`, whether it comes in steps or not. A voltage v left on the plates
    changes the fall in that state to :math:`f = F - (v/V_0)\,y`: a straight line through the
    falls, whose value at y = 0 is F. Both have Student's t with two degrees of freedom less than
    there are falls. F is less well known than the mean of the falls, because no charge is zero.

    Examples
    --------
    >>> from quantize.charge import Run, residual_voltage
    >>> page = {"state": list("aabbccdd"), "V": [200, 0] * 4,
    ...         "div": [0, -59.4, 10, -59.3, 20, -59.2, -30, -59.7]}
    >>> found = residual_voltage(Run(page))
    >>> round(found.voltage.value, 2), round(found.fall.value, 1)
    (2.0, 60.0)
    """
    from scipy.stats import t

    falls, driven, reference = run.falls, run.driven, run.reference_voltage
    if len(falls) < _LEAST_FALLS or reference is None:
        raise InputError(
            f"`run` has {len(falls)} falls without field; a residual voltage shows only in "
            f"{_LEAST_FALLS} or more, read in different charge states."
        )
    stretch = run.stretch()
    keys = (driven["particle"] + "|" + driven["state"]).to_numpy()
    by_state = driven.assign(moved=run.moved() * stretch, stretch=stretch).groupby(keys)
    means = by_state[["moved", "stretch"]].mean()
    labels = (falls["particle"] + "|" + falls["state"]).to_numpy()
    at = means.reindex(labels)
    moved, lever = at["moved"].to_numpy(float), at["stretch"].to_numpy(float)
    if (falls["state"] == "").any() or np.isnan(moved).any():
        raise InputError(
            "`run` has falls whose charge state is not noted or was not read at a voltage; a "
            "residual voltage shows only where the charge is known to differ."
        )
    fallen = -(falls["divisions"] / falls["seconds"]).to_numpy(float) * run.interval
    fall, slope = float(fallen.mean()), 0.0
    for _ in range(_TURNS):
        y = moved + fall * lever
        centred = y - y.mean()
        squares = float(centred @ centred)
        if squares <= (1e-6 * fall) ** 2:
            raise InputError(
                "`run` has falls in one charge state only; a residual voltage shows only where the "
                "charge differs, so read falls in other states."
            )
        slope = float(centred @ fallen) / squares
        fall = float(fallen.mean() - slope * y.mean())
    degrees = fallen.size - 2
    rest = fallen - fall - slope * y
    sigma = math.sqrt(float(rest @ rest) / degrees)
    sigma = max(sigma, float(np.sqrt(np.mean(run.rounding(falls, "one end") ** 2))))
    if sigma <= NO_SCATTER * fall:
        raise InputError(
            "`run` has falls that lie on one line to the last digit; with no scatter, a residual "
            "voltage cannot be distinguished from none."
        )
    error = sigma / math.sqrt(squares)
    return ResidualVoltage(
        voltage=_student(-slope * reference, error * reference, degrees, "session", "V"),
        fall=_student(
            fall,
            sigma * math.sqrt(1 / y.size + y.mean() ** 2 / squares),
            degrees,
            "particle",
            "div",
        ),
        measured=run.fall_as_read() or Quantity(value=fall, unit="div"),
        p_value=2 * float(t.sf(abs(slope) / error, degrees)),
    )


def _student(value: float, error: float, degrees: int, scope: Scope, unit: str) -> Quantity:
    return Quantity(
        value=value,
        standard_uncertainty=error,
        distribution="t",
        degrees_of_freedom=degrees,
        scope=scope,
        unit=unit,
    )
