"""The unit in divisions from a run, with what all its readings share kept out of their sigma.

The fall F is added to the readings, which closes the comb at zero: (x + F)·V0/V = u·n. One error
of F moves all readings together. It is a *shift*, never part of a sigma, and is integrated over
with its own distribution; the same goes for the zero when it is known only from a held state.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from typing import TYPE_CHECKING, Any, ClassVar, Literal

import numpy as np
import pandas as pd

from quantize._support import validation
from quantize._support.errors import InputError
from quantize._support.results import Result
from quantize._support.validation import FloatArray, IntArray
from quantize.charge.fall import Balance, balance_of, posterior_of_shift, slope_against
from quantize.charge.levels import Levels, levels_of, steadied
from quantize.charge.particle_posterior import PosteriorPoints
from quantize.charge.quantity import Quantity
from quantize.charge.rows import Rows, predicted_as_read, root_mean_square, watched_unit
from quantize.charge.run_table import scatter_over
from quantize.model.mixture import MixtureFit, fit_mixture, posterior_of
from quantize.readings import Readings

if TYPE_CHECKING:
    from quantize.sampling.result import SampledMixture

Interval = tuple[float, float]
_PRESSED = 0.9  # of an end of the believed range, beyond which the posterior lies against it
_SIGMA_DOUBT = 1.5  # factor either way in which the predicted scatter is believed
_LEAST_REPEATS = 3
_DIFFERENT = 1.5  # factor between predictions that are worth naming
_BEYOND_DOUBT = 1e-3
_PARTS = 5
_TOO_LIGHT = 1e-7
_APART = 201  # quantiles that stand for a normal law


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class RunFit(Result):
    """Result of `fit_run`.

    Attributes
    ----------
    unit, unit_err : float
        Best unit, in divisions per interval at the reference voltage, and its standard uncertainty.
    unit_err_given_fall : float
        That with the shared shift held fixed, for a conversion that carries it apart.
    log_bayes_factor : float
        Natural log of the Bayes factor of comb over continuum, averaged over the shift, of rows
        without a change of charge in them. That of `mixture` counts those, too.
    alternatives : pandas.DataFrame
        Modes of the posterior, the largest first: unit, unit_err, share, sigma, relation.
    integers : numpy.ndarray of int, shape (n,)
        Whole number of units of each reading, for the best unit.
    balance : Balance or None
        How many units balanced the sphere; None without a fall.
    fall_added, fall : Quantity or None
        The fall that was added to the readings, in divisions, and its posterior given them.
    fall_slope : float
        Divisions by which the unit changes for one division of the fall.
    shift, shifted_by : Quantity, float
        The shared shift: zero with the error of the fall, or the held level, in divisions; its
        posterior mean, in prior standard errors.
    sigma : str
        Where the scatter came from.
    readings, mixture, run : Readings, MixtureFit, Run
        What was fitted, the posterior behind it, averaged over the shift, and the run as fitted.
    remarks : tuple of str
        Rows that are taken otherwise than they are written.
    """

    _private: ClassVar[tuple[str, ...]] = ("readings", "mixture", "run")
    schema_version: ClassVar[int] = 2

    unit: float
    unit_err: float
    unit_err_given_fall: float
    log_bayes_factor: float
    alternatives: pd.DataFrame
    integers: IntArray
    balance: Balance | None
    fall_added: Quantity | None
    fall: Quantity | None
    fall_slope: float
    shift: Quantity
    shifted_by: float
    sigma: str
    readings: Readings
    mixture: MixtureFit
    run: Rows
    remarks: tuple[str, ...] = ()

    @functools.cached_property
    def points(self) -> PosteriorPoints:
        """The whole posterior of unit and fall, for `joint_unit`."""
        log_unit, shifts, mass = self.mixture.posterior.filled_cells(_PARTS, _TOO_LIGHT)
        log_fall = None
        if self.fall is not None and self.fall_added is not None:
            fallen = self.fall_added.value - shifts
            # Heavy tails of a fall from few repeats reach below zero, where no sphere falls.
            falls = fallen > 0
            log_unit, mass = log_unit[falls], mass[falls] / mass[falls].sum()
            log_fall = np.log(fallen[falls] / self.fall.value)
        return PosteriorPoints(
            log_unit=log_unit - math.log(self.unit),
            log_fall=log_fall,
            mass=mass,
            fall_exponent=0.0
            if self.fall is None
            else self.fall_slope * self.fall.value / self.unit,
        )

    def interval(self, prob: float = 0.95) -> FloatArray:
        """Highest-density set of the unit in divisions.

        Parameters
        ----------
        prob : float
            Probability that the set holds, between 0 and 1.

        Returns
        -------
        numpy.ndarray, shape (k, 2)
            Rows (low, high), that of the best unit first; more than one where rivals need it.
        """
        rows = self.mixture.interval(prob)
        away = np.abs(np.log(rows.mean(axis=1) / self.unit))
        return np.asarray(rows[np.argsort(away > away.min(), kind="stable")])

    def _headline(self) -> str:
        share = float(self.alternatives["share"].iloc[0])
        return (
            f"unit {self.unit:.6g} ± {self.unit_err:.2g} divisions ({100 * share:.3g} % of the "
            f"posterior), log Bayes factor over values of any size {self.log_bayes_factor:.2f}"
        )

    def __str__(self) -> str:
        lines = [f"Unit of the run: {self._headline()}", f"  scatter {self.sigma}"]
        if self.balance is not None:
            lines.append(f"  {self.balance.sentence}")
        return "\n".join([*lines, *(f"  {remark}" for remark in self.remarks)])


def fit_run(
    run: Rows,
    unit_range: Interval | None = None,
    *,
    sigma: Literal["auto", "prior", "predicted", "free"] = "auto",
) -> RunFit:
    r"""Find the posterior of the unit of one particle's run, in divisions.

    Parameters
    ----------
    run : Run
        The run of one particle.
    unit_range : (float, float), optional
        Smallest and largest unit that are tried, in divisions per interval; found from the
        readings if left out (see `quantize.fit_mixture`).
    sigma : {"auto", "prior", "predicted", "free"}
        What is taken for the scatter of the readings. "prior" believes the one predicted from the
        apparatus to a factor of 1.5 either way, "predicted" takes it as known for each row, "free"
        leaves it to the readings. "auto" is "prior" where a prediction can be made that the
        repeats do not contradict beyond doubt, else "free".

    Returns
    -------
    RunFit
        Unit, whole numbers, balance and fall, with the posterior behind them.

    Raises
    ------
    InputError
        When neither a fall nor a held state determines where zero is and there are readings at
        several voltages, or when a scatter is asked for that the apparatus cannot predict.

    Notes
    -----
    With a shared shift δ of density p, the posterior is
    :math:`\int p(δ)\,P(u\mid y + δ)\,dδ`, the weights being p(δ) times the evidence of each δ.
    Without fall or held state the offset is free.

    Readings off the scale count as at least as far as they are written, and one within which the
    charge changed as anywhere between two neighbouring steps (see `quantize.Readings`).

    Examples
    --------
    >>> from quantize.charge import Run
    >>> sheet = {"V": [200] * 8 + [0, 0, 0], "state": list("abcdecad") + [""] * 3,
    ...          "div": [-20, -10, 0, 10, 21, 0, -19, 9, -60, -60, -61]}
    >>> found = Run(sheet).fit((5, 20))
    >>> bool(abs(found.unit - 10) < 0.5)
    True
    """
    levels = steadied(run, levels_of(run))
    scatter, believed, words = scatter_of_levels(run, sigma, levels)
    readings = levels.readings(run, **scatter)
    found = fit_mixture(readings, unit_range, offset=levels.offset, sigma_range=believed)
    return fit_from(found, run, levels.shift, at_the_bound(found, believed, words))


def at_the_bound(found: MixtureFit, believed: Interval | None, words: str) -> str:
    """Words about the scatter, with a warning where the readings press against an end of it."""
    if believed is None:
        return words
    low, high = believed
    if low / _PRESSED < found.sigma < high * _PRESSED:
        return words
    end, more = (high, "more") if found.sigma > low / _PRESSED else (low, "less")
    return (
        f"{words}; the readings would have {more} and were held to {end:.2f}, so that the error of "
        f"the unit may be too {'small' if more == 'more' else 'large'}: look at the checks, or fit "
        'with sigma="free"'
    )


def scatter_of_levels(
    run: Rows, sigma: str | float, levels: Levels
) -> tuple[dict[str, Any], Interval | None, str]:
    """Sigmas of the readings or their proportions, the range in which a common one is believed.

    And where they came from, in words.
    """
    if not isinstance(sigma, str):
        return {"sigma": validation.positive("sigma", sigma)}, None, "given"
    validation.choice("sigma", sigma, ("auto", "prior", "predicted", "free"))
    alike = {"relative_sigma": levels.relative_scatter(run, predicted=False)}
    if sigma == "free":
        return alike, None, "left to the readings, alike for each as read"
    try:
        predicted = levels.predicted(run)
    except InputError:
        if sigma != "auto":
            raise
        return alike, None, "left to the readings, since the apparatus cannot predict it"
    if sigma == "predicted":
        words = f"predicted from the apparatus, {predicted.mean():.2f} divisions"
        return {"sigma": predicted}, None, words
    middle = root_mean_square(predicted)
    relative = {"relative_sigma": levels.relative_scatter(run)}
    if sigma == "auto" and (ratio := _contradicted(run)) is not None:
        words = (
            "in the proportions predicted from the apparatus; the common factor is left to the "
            f"readings, since within a state they scatter {ratio:.2f} times as much as predicted"
        )
        return relative, None, words
    words = f"believed within a factor of {_SIGMA_DOUBT:g} of the predicted {middle:.2f} divisions"
    if predicted.max() >= _DIFFERENT * predicted.min():
        words += (
            f" (root mean square; from {predicted.min():.2f} to {predicted.max():.2f}, and each "
            "reading counts in proportion)"
        )
    return relative, (middle / _SIGMA_DOUBT, middle * _SIGMA_DOUBT), words


def _contradicted(run: Rows) -> float | None:
    """Observed over predicted scatter, if it is outside the believed range beyond doubt."""
    from scipy.stats import chi2

    ratio, degrees = scatter_over(run, predicted_as_read(run, run.driven).total)
    if degrees < _LEAST_REPEATS:
        return None
    above = float(chi2.sf(degrees * (ratio / _SIGMA_DOUBT) ** 2, degrees))
    below = float(chi2.cdf(degrees * (ratio * _SIGMA_DOUBT) ** 2, degrees))
    return ratio if min(above, below) < _BEYOND_DOUBT else None


def believed_scatter(run: Rows) -> Interval | None:
    """The range in which the scatter of `Run.readings` is believed; None without a prediction."""
    return scatter_of_levels(run, "auto", levels_of(run))[1]


def fit_from(found: MixtureFit, run: Rows, shift: Quantity | None, words: str) -> RunFit:
    """What a posterior of the levels of a run says about its unit, fall and balance."""
    posterior = found.posterior
    points = near, moved, share = posterior.units_and_shifts(posterior.modes[0])
    _, moved_of_all, share_of_all = posterior.units_and_shifts()
    shift = shift or Quantity(value=0.0, unit="div")
    error = shift.standard_uncertainty if posterior.shared else 0.0
    z = _in_errors(moved, error)
    given_fall, slope = _given_shift(found, points, error)
    watched = watched_unit(run, found)
    fall = run.fall_on_record()
    if fall is not None and shift.standard_uncertainty:
        # What was added, with the error with which it was.
        fall = dataclasses.replace(shift, value=fall.value, scope=fall.scope)
    data, evidence = found.readings, found.log_bayes_factor
    if data.changed is not None:
        stayed = posterior_of(found.model, data.select(~data.changed), found.unit_range)
        evidence = stayed.log_bayes_factor
    own = _apart(found.unit, found.unit_err)
    balanced = (near, np.zeros(near.size), share, z) if error else own
    return RunFit(
        unit=found.unit,
        unit_err=math.hypot(found.unit_err, watched),
        unit_err_given_fall=math.hypot(given_fall, watched),
        log_bayes_factor=evidence,
        alternatives=found.alternatives,
        integers=np.asarray(found.integers),
        balance=None if fall is None else balance_of(fall, *balanced),
        fall_added=fall,
        fall=fall if fall is None or not error else posterior_of_shift(fall, z, share),
        fall_slope=0.0 if fall is None else slope,
        shift=shift,
        shifted_by=float(share_of_all @ _in_errors(moved_of_all, error)),
        sigma=words,
        readings=data,
        mixture=found,
        run=run,
    )


def _apart(unit: float, error: float) -> tuple[FloatArray, ...]:
    """A fall that went into no reading: its error beside that of the unit."""
    from scipy.stats import norm

    z = norm.ppf((np.arange(_APART) + 0.5) / _APART)
    return tuple(np.broadcast_arrays(unit, error, 1 / _APART, z))


def _in_errors(moved: FloatArray, error: float) -> FloatArray:
    # A reading to which too large a fall was added lies too high.
    return -moved / error if error else np.zeros(moved.size)


def _given_shift(found: Any, points: tuple[FloatArray, ...], error: float) -> tuple[float, float]:
    """The error of the unit with the shift held fixed, and its slope against the fall added.

    From units, shifts and shares of the best mode.
    """
    if error == 0:
        return float(found.unit_err), 0.0
    near, moved, share = points
    z = _in_errors(moved, error)
    # Off by a unit, the shift makes the whole numbers others, and the unit does not follow it.
    same = share * (np.abs(moved - float(share @ moved)) < 0.5 * found.unit)
    same = same / same.sum() if same.any() else share
    slope = slope_against(z, near, same)
    rest = near - float(same @ near) - slope * (z - float(same @ z))
    return float(np.sqrt(same @ rest**2)), slope / error


def fall_apart(unit: Any, fall: Quantity | None) -> tuple[float, float, Quantity] | None:
    """Of a result whose error holds that of the fall: its error without, slope, and the fall.

    None for one to whose readings the fall was not added with its error.
    """
    for found in (unit, getattr(unit, "fit", None)):
        if isinstance(found, RunFit):
            # The level of a held state is in no line of a budget but that of the unit.
            own = found.unit_err_given_fall, found.fall_slope
            return None if found.fall is None else (*own, found.fall)
    found = getattr(unit, "mixture", unit)
    shift = getattr(getattr(found, "readings", None), "shift", None)
    if fall is None or shift is None or not math.isclose(shift.error, fall.standard_uncertainty):
        return None
    if isinstance(found, MixtureFit):
        shared, points = (p := found.posterior).shared, p.units_and_shifts(p.modes[0])
    elif shared := "offset" in getattr(getattr(found, "target", None), "names", ()):
        points = _drawn(found)
    if not shared:
        return None
    error, slope = _given_shift(unit, points, shift.error)
    after = posterior_of_shift(fall, _in_errors(points[1], shift.error), points[2])
    return error, slope, after


def _drawn(found: SampledMixture) -> tuple[FloatArray, ...]:
    """Units, shifts and shares of the draws in the best mode, which are nearest to its unit."""
    unit, shift = found.draws[["unit", "offset"]].to_numpy(float).T
    modes = np.log(found.alternatives["unit"].to_numpy(float))
    best = np.argmin(np.abs(np.log(unit)[:, None] - modes), axis=1) == 0
    return unit[best], shift[best], np.full(best.sum(), 1 / best.sum())
