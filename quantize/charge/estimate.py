"""The unit in divisions from a run, with what all its readings share kept out of their sigma.

The fall F is added to the readings, which closes the comb at zero: (x + F)·V0/V = u·n. One error
of F moves all readings together. It is a *shift*, never part of a sigma, and is integrated over
with its own distribution; the same goes for the zero when only a held state tells it.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError
from quantize._support.results import Result
from quantize._support.validation import FloatArray, IntArray
from quantize.charge.balance import Balance, balance_of
from quantize.charge.prediction import predicted_scatter
from quantize.charge.quantity import Quantity
from quantize.charge.shifts import (
    Shifted,
    at_mode,
    joined_modes,
    over_shifts,
    posterior_of_shift,
    slope_against,
)
from quantize.charge.votes import Vote
from quantize.readings import Readings

if TYPE_CHECKING:
    import pandas as pd

    from quantize.charge.run import Run

_PRESSED = 0.9  # of an end of the believed range, beyond which the posterior lies against it
_SIGMA_DOUBT = 1.5  # factor either way in which the predicted scatter is believed
_LEAST_REPEATS = 3
_BEYOND_DOUBT = 1e-3


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class RunFit(Result):
    """Result of `fit_run`.

    Attributes
    ----------
    unit, unit_err : float
        Divisions per interval at the reference voltage; the error of the shared shift included.
    unit_err_given_fall : float
        The error with the shift held fixed, for a conversion that carries it apart.
    log_bayes_factor : float
        Comb over continuum, averaged over the shift.
    alternatives : pandas.DataFrame
        Modes: unit, unit_err, share.
    integers : numpy.ndarray of int, shape (n,)
    balance : Balance or None
    fall_added : Quantity or None
        The fall that was added to the readings; None without one.
    fall : Quantity or None
        The fall after the readings have had their say on it; None without one.
    fall_slope : float
        How far the unit moves with the fall.
    shift : Quantity
        The shared shift: zero with the error of the fall, or the held level; divisions.
    shifted_by : float
        Posterior mean of the shift, in its prior standard errors.
    sigma : str
        Where the scatter came from.
    nodes : numpy.ndarray, shape (3, m)
        Unit, error and weight of the best mode at each shift that was tried.
    """

    _private: ClassVar[tuple[str, ...]] = ("readings", "nodes", "shifted")
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
    nodes: FloatArray
    shifted: Shifted

    @functools.cached_property
    def vote(self) -> Vote:
        """The whole posterior of unit and fall, for `joint_unit`."""
        fall, z = self.fall, self.shifted.z
        log_fall = None
        if fall is not None and self.fall_added is not None:
            added = self.fall_added
            log_fall = np.log((added.value + z * added.standard_uncertainty) / fall.value)
        marginals = [fit.marginal for fit in self.shifted.fits]
        sizes = [m.mass.size for m in marginals]
        weight = np.repeat(self.shifted.weight, sizes)
        return Vote(
            log_unit=np.concatenate([m.log_unit for m in marginals]) - math.log(self.unit),
            log_fall=None if log_fall is None else np.repeat(log_fall, sizes),
            mass=weight * np.concatenate([m.mass for m in marginals]),
            fall_exponent=0.0 if fall is None else self.fall_slope * fall.value / self.unit,
        )

    def interval(self, prob: float = 0.95) -> FloatArray:
        """Interval with equal tails for the unit of the best mode, one row (low, high)."""
        from scipy.special import ndtr

        tail = (1 - validation.fraction("prob", prob)) / 2
        unit, error, share = self.nodes
        reach = 8 * self.unit_err
        grid = np.linspace(self.unit - reach, self.unit + reach, 4001)
        spread = np.maximum(error, 1e-12 * unit)
        below = ndtr((grid[:, None] - unit) / spread) @ share
        return np.array([np.interp([tail, 1 - tail], below, grid)])

    def _headline(self) -> str:
        share = float(self.alternatives["share"].iloc[0])
        return (
            f"unit {self.unit:.6g} ± {self.unit_err:.2g} divisions ({100 * share:.3g} % of the "
            f"posterior), log Bayes factor {self.log_bayes_factor:.2f}"
        )

    def __str__(self) -> str:
        lines = [f"Unit of the run: {self._headline()}", f"  scatter {self.sigma}"]
        if self.balance is not None:
            lines.append(f"  {self.balance.sentence}")
        return "\n".join(lines)


def fit_run(run: Run, unit_range: Any = None, *, sigma: str = "auto") -> RunFit:
    r"""Posterior of the unit of one particle's run, in divisions.

    Parameters
    ----------
    run : Run
        Of one particle.
    unit_range : (float, float), optional
        Divisions per interval; see `quantize.fit_mixture`.
    sigma : {"auto", "prior", "predicted", "free"}
        "prior" believes the scatter predicted from the apparatus to a factor of 1.5 either way,
        "predicted" takes it as known for each row, "free" leaves it to the readings. "auto" is
        "prior" where a prediction can be made that the repeats do not contradict beyond doubt.

    Returns
    -------
    RunFit

    Raises
    ------
    InputError
        When neither a fall nor a held state tells where zero is and readings at several voltages
        stand on the page.

    Notes
    -----
    With a shared shift δ of density p, the posterior is
    :math:`\int p(δ)\,P(u\mid y + δ)\,dδ`, the weights being p(δ) times the evidence of each δ.
    Without fall or held state the offset is free.

    Readings off the scale count as at least as far as they are written, and one within which the
    charge changed as anywhere between two neighbouring steps (see `quantize.Readings`). With such
    readings an unknown scatter is first found from the others and then taken as known, which
    keeps the work to seconds.

    Examples
    --------
    >>> from quantize.charge import Run
    >>> page = {"V": [200] * 8 + [0, 0, 0], "div": [-20, -10, 0, 10, 21, 0, -19, 9, -60, -60, -61],
    ...         "state": list("abcdecad") + [""] * 3}
    >>> found = Run(page).fit((5, 20))
    >>> bool(abs(found.unit - 10) < 0.5)
    True
    """
    from quantize.comb.band import band_for
    from quantize.model.mixture import fit_mixture

    validation.choice("sigma", sigma, ("auto", "prior", "predicted", "free"))
    levels = _levels(run)
    known, believed, words = _scatter(run, sigma, levels.rows)
    shift = levels.shift
    central = levels.readings(run, known, 0.0)
    if not central.measured.all() and known is None:
        known, words = _settled(run, levels, central, unit_range, believed, words)
        believed = None
    if shift is None:
        readings = levels.readings(run, known, 0.0)
        plain = fit_mixture(readings, unit_range, offset="free", sigma_range=believed)
        whole = Shifted(
            z=np.zeros(1),
            weight=np.ones(1),
            fits=(plain,),
            log_bayes_factor=plain.log_bayes_factor,
        )
        return _result(whole, run, levels, _at_the_bound(whole, believed, words), readings)
    if unit_range is None:
        band = band_for(central, None, sigma_range=believed)
        unit_range = (band.low, band.high)

    def fit_at(z: float) -> Any:
        return fit_mixture(levels.readings(run, known, z), unit_range, sigma_range=believed)

    found = over_shifts(shift, fit_at)
    return _result(found, run, levels, _at_the_bound(found, believed, words), central)


def _at_the_bound(found: Shifted, believed: Any, words: str) -> str:
    """Words about the scatter, with a warning where the readings press against an end of it."""
    if believed is None:
        return words
    sigma = float(found.weight @ [fit.sigma for fit in found.fits])
    low, high = believed
    if low / _PRESSED < sigma < high * _PRESSED:
        return words
    end, more = (high, "more") if sigma > low / _PRESSED else (low, "less")
    return (
        f"{words}; the readings would have {more} and were held to {end:.2f}, so that the error of "
        f"the unit may be too {'small' if more == 'more' else 'large'}: look at the checks, or fit "
        'with sigma="free"'
    )


def _settled(
    run: Run, levels: _Levels, readings: Readings, unit_range: Any, believed: Any, words: str
) -> tuple[Any, str]:
    """Sigma as the measured readings tell it, in the proportions that are predicted."""
    from quantize.model.mixture import fit_mixture

    plain = fit_mixture(
        readings.select(readings.measured),
        unit_range,
        offset="free" if levels.shift is None else "zero",
        sigma_range=believed,
    )
    told = f"{words}, and then fixed at the {plain.sigma:.2f} found from the readings on the scale"
    if believed is None:
        return plain.sigma, told
    predicted = predicted_scatter(run, levels.rows).total
    return predicted * plain.sigma / float(np.sqrt(np.mean(predicted**2))), told


@dataclasses.dataclass(frozen=True, kw_only=True)
class _Levels:
    """Values of a comb through zero, how each leans on the shared shift, and the shift.

    `rows` are the rows of the table behind them; without a shift the offset is free.
    """

    rows: pd.DataFrame
    values: FloatArray
    lever: FloatArray
    shift: Quantity | None

    def readings(self, run: Run, sigma: Any, z: float) -> Readings:
        """The values with the shift `z` standard errors up."""
        error = 0.0 if self.shift is None else self.shift.standard_uncertainty
        return run.as_readings(self.rows, self.values + self.lever * z * error, self.lever, sigma)


def _levels(run: Run) -> _Levels:
    rows, found = run.telling, len(run.driven)
    if found < 2:
        noun = "reading" if found == 1 else "readings"
        raise InputError(
            f"`run` has {found} {noun} on the scale with a voltage on the plates; at least 2 are "
            "needed to look for steps."
        )
    fall = run.fall_on_record()
    if fall is not None:
        values, _, stretch, _ = run.joined(rows)
        shift = dataclasses.replace(fall, value=0.0)
        return _Levels(rows=rows, values=values, lever=stretch, shift=shift)
    run.need_one_voltage()
    held = run.apparatus.word("run.held_state") if run.apparatus else None
    moved, there = run.moved(rows), (rows["state"] == held).to_numpy(bool)
    level = run.moved()[(run.driven["state"] == held).to_numpy(bool)]
    if held is None or level.size == 0:
        return _Levels(rows=rows, values=moved, lever=np.ones(moved.size), shift=None)
    observed, degrees = run.scatter()
    shift = Quantity(
        value=float(level.mean()),
        standard_uncertainty=observed / math.sqrt(level.size),
        degrees_of_freedom=degrees or math.inf,
        unit="div",
    )
    # Rows of the held state itself tell the zero, and may not be used a second time.
    rest = moved[~there] - shift.value
    return _Levels(rows=rows[~there], values=rest, lever=-np.ones(rest.size), shift=shift)


def _scatter(run: Run, sigma: str, rows: pd.DataFrame) -> tuple[Any, Any, str]:
    """Sigmas of the readings, the range in which a common one is believed, and words."""
    if sigma == "free":
        return None, None, "left to the readings"
    try:
        predicted = predicted_scatter(run, rows).total
    except InputError:
        if sigma != "auto":
            raise
        return None, None, "left to the readings, since the apparatus cannot predict it"
    if sigma == "predicted":
        return predicted, None, f"predicted from the apparatus, {predicted.mean():.2f} divisions"
    middle = float(np.sqrt(np.mean(predicted**2)))
    if sigma == "auto" and (observed := _contradicted(run)) is not None:
        return (
            None,
            None,
            f"left to the readings, since within a state they scatter by {observed:.2f} divisions "
            "and not as predicted",
        )
    return (
        None,
        (middle / _SIGMA_DOUBT, middle * _SIGMA_DOUBT),
        f"believed within a factor of {_SIGMA_DOUBT:g} of the predicted {middle:.2f} divisions",
    )


def _contradicted(run: Run) -> float | None:
    """The observed scatter, if it is outside the believed range beyond doubt."""
    from scipy.stats import chi2

    observed, degrees = run.scatter()
    if degrees < _LEAST_REPEATS:
        return None
    usual = predicted_scatter(run).total / np.maximum(np.abs(run.stretch()), 1e-300)
    ratio = observed / float(np.sqrt(np.mean(usual**2)))
    above = float(chi2.sf(degrees * (ratio / _SIGMA_DOUBT) ** 2, degrees))
    below = float(chi2.cdf(degrees * (ratio * _SIGMA_DOUBT) ** 2, degrees))
    return observed if min(above, below) < _BEYOND_DOUBT else None


def believed_scatter(run: Run) -> tuple[float, float] | None:
    """The range in which the scatter of `Run.readings` is believed; None without a prediction."""
    levels = _levels(run)
    pair: tuple[float, float] | None = _scatter(run, "auto", levels.rows)[1]
    return pair


def _result(found: Shifted, run: Run, levels: _Levels, words: str, readings: Readings) -> RunFit:
    import pandas as pd

    modes = joined_modes(found)
    best = modes[0]
    near, inner, share = at_mode(found, best["unit"])
    central = found.fits[int(np.argmax(found.weight))]
    shift = levels.shift or Quantity(value=0.0, unit="div")
    error = shift.standard_uncertainty
    slope = slope_against(found.z, near, share)
    rest = near - best["unit"] - slope * (found.z - float(share @ found.z))
    fall = run.fall_on_record()
    return RunFit(
        unit=best["unit"],
        unit_err=best["unit_err"],
        unit_err_given_fall=float(np.sqrt(share @ (inner**2 + rest**2))),
        log_bayes_factor=found.log_bayes_factor,
        alternatives=pd.DataFrame(modes),
        integers=np.asarray(central.integers),
        balance=None if fall is None else balance_of(fall, near, inner, share, found.z),
        fall_added=fall,
        fall=None if fall is None else posterior_of_shift(fall, found.z, share),
        fall_slope=slope / error if fall is not None and error > 0 else 0.0,
        shift=shift,
        shifted_by=float(found.weight @ found.z),
        sigma=words,
        readings=readings,
        nodes=np.array([near, inner, share]),
        shifted=found,
    )
