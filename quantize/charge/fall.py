"""The fall without field: what changes it, what readings say about it, how many units it is worth.

Plain arithmetic, for `Rows`, `Levels` and the fit of a run.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from quantize._support.errors import InputError
from quantize._support.results import Result
from quantize._support.validation import FloatArray
from quantize.charge.quantity import Quantity, from_repeats
from quantize.charge.stated import counted, plus_minus
from quantize.comb.wrapped import log_comb_over_continuum

TAKEN_OFF = "taken off"
NO_SCATTER = 1e-9  # of the fall; what the last binary digits leave of it
_ROUNDS = 4
_UNDECIDABLE = 0.25  # units; beyond this the number of units at balance is undecidable
_SHARPEST = 1e-12  # units


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


def line_in_charge(
    fallen: FloatArray,
    moved: FloatArray,
    lever: FloatArray,
    *,
    reference: float,
    least: float,
    measured: Quantity,
) -> ResidualVoltage:
    """Straight line through falls `fallen` against the charge of their states.

    A state moved `moved` and its charge is in proportion to ``moved + fall * lever``, at the
    `reference` voltage; the scatter is at least `least`.
    """
    from scipy.stats import t

    fall, slope = float(fallen.mean()), 0.0
    for _ in range(_ROUNDS):
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
    sigma = max(math.sqrt(float(rest @ rest) / degrees), least)
    if sigma <= NO_SCATTER * fall:
        raise InputError(
            "`run` has falls that lie on one line to the last digit; with no scatter, a residual "
            "voltage cannot be distinguished from none."
        )
    error = sigma / math.sqrt(squares)
    error_at_zero = sigma * math.sqrt(1 / y.size + y.mean() ** 2 / squares)
    return ResidualVoltage(
        voltage=from_repeats(
            -slope * reference, error * reference, degrees, scope="session", unit="V"
        ),
        fall=from_repeats(fall, error_at_zero, degrees, scope="particle", unit="div"),
        measured=measured,
        p_value=2 * float(t.sf(abs(slope) / error, degrees)),
    )


def slope_against(z: FloatArray, unit: FloatArray, share: FloatArray) -> float:
    """How the unit rises with the shift, over the posterior of both; per standard error."""
    off = z - float(share @ z)
    squares = float(share @ off**2)
    return float(share @ (off * unit)) / squares if squares > 0 else 0.0


def posterior_of_shift(prior: Quantity, z: FloatArray, share: FloatArray) -> Quantity:
    r"""The shared quantity given the readings, as a Student's t.

    Its width is half of the central 68 % of the posterior. Where readings of known scatter have
    narrowed it from s to s', its degrees of freedom rise from ν to ν·(s/s')⁴: only the first part
    of :math:`1/s'^2 = 1/s^2 + 1/s_\mathrm{readings}^2` was estimated from few repeats.
    """
    from scipy.stats import norm, t

    error, nu = prior.standard_uncertainty, prior.degrees_of_freedom
    if error == 0 or z.size == 1:
        return prior
    tail = float(norm.sf(1.0))
    # Many units stand at one shift; only between shifts is there anything to interpolate.
    z, place = np.unique(np.round(z, 9), return_inverse=True)
    mass = np.bincount(place, weights=share)
    below = np.clip(np.cumsum(mass) - mass / 2, 0, 1)
    # Deviates of a normal law lie on a straight line.
    low, middle, high = np.interp([-1.0, 0.0, 1.0], norm.ppf(below), z)
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


@dataclasses.dataclass(frozen=True, kw_only=True)
class Balance:
    """How many units the sphere held at balance.

    Attributes
    ----------
    units, standard_uncertainty : float
        Divisions fallen in one interval without field, over the unit.
    integer : int or None
        The nearest whole number; None where the error is too large to determine it.
    probability : float
        That `units` is a whole number at all, against any size between with even odds beforehand;
        NaN where the error is too large to determine it.
    sentence : str
        All of this in words.
    """

    units: float
    standard_uncertainty: float
    integer: int | None
    probability: float
    sentence: str


def balance_of(
    fall: Quantity, unit: FloatArray, error: FloatArray, share: FloatArray, z: FloatArray
) -> Balance:
    """How many units the fall is worth, as added to the readings.

    `unit`, `error` and `share` are the unit, its error and the posterior share at each value of the
    fall, `z` those values in standard errors from `fall`; each of shape (m,).
    """
    ratio = (fall.value + z * fall.standard_uncertainty) / unit
    mean = float(share @ ratio)
    spread = math.sqrt(float(share @ ((ratio - mean) ** 2 + (ratio * error / unit) ** 2)))
    nearest = max(round(mean), 1)
    worth = f"{plus_minus(mean, spread)} units"
    probability = whole_number_probability(mean, spread)
    sentence = (
        f"the fall is {worth}, nearest to {counted(nearest, 'whole unit')}; that it is a whole "
        f"number at all has the probability {_shown(probability)}, against any size between and "
        "with even odds beforehand"
    )
    off = mean - nearest
    if abs(off) >= 3 * max(spread, _SHARPEST):
        sentence += f"; it is {off:+.3f} units from a whole number, which a poor balance does"
    if spread > _UNDECIDABLE:
        probability = math.nan
        sentence = (
            f"the fall is {worth}, so how many units balanced the sphere "
            "is undecidable: the error is more than a quarter of a unit; measure the fall more "
            "often"
        )
    return Balance(
        units=mean,
        standard_uncertainty=spread,
        integer=None if spread > _UNDECIDABLE else nearest,
        probability=probability,
        sentence=f"{sentence}.",
    )


def whole_number_probability(units: float, spread: float) -> float:
    """Probability that a number of units, known within `spread`, is whole and not of any size.

    Whole numbers have the density of the phase Σ N(x; n, s) over n, any size the density 1; the
    odds are even beforehand.

    >>> [round(whole_number_probability(fall, 0.02), 3) for fall in (5.98, 5.5)]
    [0.924, 0.0]
    """
    from scipy.special import expit

    log_odds = log_comb_over_continuum(np.array([units]), np.array([max(spread, _SHARPEST)]))
    return float(expit(log_odds))


def _shown(probability: float) -> str:
    if probability < 0.001:
        return "below 0.001"
    return "above 0.999" if probability > 0.999 else f"{probability:.3f}"
