"""The unit in divisions from a run, with what all its readings share kept out of their sigma.

The fall F is added to the readings, which closes the comb at zero: (x + F)·V0/V = u·n. One error
of F moves all readings together. It is a *shift*, never part of a sigma, and is integrated over
with its own distribution; the same goes for the zero when only a held state tells it.
"""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError
from quantize._support.results import Result
from quantize._support.validation import FloatArray, IntArray
from quantize.charge.prediction import predicted_scatter
from quantize.charge.quantity import Quantity
from quantize.readings import Readings

if TYPE_CHECKING:
    import pandas as pd

    from quantize.charge.run import Run

_SHIFTS = 17  # values of the shift that are tried
_NORMAL_REACH, _LONGEST_REACH = 4.2, 12.0  # in standard errors
_UNDECIDABLE = 0.25  # units; beyond this the balance charge cannot be told
_SIGMA_DOUBT = 1.5  # factor either way in which the predicted scatter is believed
_SAME_MODE = 0.02


@dataclasses.dataclass(frozen=True, kw_only=True)
class Balance:
    """How many units the sphere held at balance.

    `units` and `standard_uncertainty` are F/u; `integer` is the nearest whole number or None when
    it cannot be told, with `probability` that it is the right one.
    """

    units: float
    standard_uncertainty: float
    integer: int | None
    probability: float
    sentence: str


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
    shift : Quantity
        The shared shift: zero with the error of the fall, or the held level; divisions.
    shifted_by : float
        Posterior mean of the shift, in its prior standard errors.
    sigma : str
        Where the scatter came from.
    nodes : numpy.ndarray, shape (3, m)
        Unit, error and weight of the best mode at each shift that was tried.
    """

    _private: ClassVar[tuple[str, ...]] = ("readings", "nodes")

    unit: float
    unit_err: float
    unit_err_given_fall: float
    log_bayes_factor: float
    alternatives: pd.DataFrame
    integers: IntArray
    balance: Balance | None
    shift: Quantity
    shifted_by: float
    sigma: str
    readings: Readings
    nodes: FloatArray

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
        "prior" where a prediction can be made.

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

    Examples
    --------
    >>> from quantize.charge import Run
    >>> page = {"V": [200] * 8 + [0, 0, 0], "div": [-20, -10, 0, 10, 21, 0, -19, 9, -60, -60, -61],
    ...         "state": list("abcdecad") + [""] * 3}
    >>> found = Run(page).fit((5, 20))
    >>> bool(abs(found.unit - 10) < 0.5)
    True
    """
    from quantize.comb.mixture import fit_mixture

    validation.choice("sigma", sigma, ("auto", "prior", "predicted", "free"))
    values, lever, shift, states = _levels(run)
    known, believed, words = _scatter(run, sigma, len(values))
    if shift is None:
        readings = run.readings(fall="apart", sigma=known)
        plain = fit_mixture(readings, unit_range, offset="free", sigma_range=believed)
        return _result([plain], np.ones(1), np.zeros(1), run, None, words, readings)
    z, weights = _shifts(shift)
    fits = []
    for step in z:
        moved = values + lever * step * shift.standard_uncertainty
        readings = Readings(moved, sigma=known, state=states, resolution=_step(run, lever))
        fits.append(fit_mixture(readings, unit_range, sigma_range=believed))
        if unit_range is None:
            unit_range = (fits[0].band.low, fits[0].band.high)
    central = Readings(values, sigma=known, state=states, resolution=_step(run, lever))
    return _result(fits, weights, z, run, shift, words, central)


def _levels(run: Run) -> tuple[FloatArray, FloatArray, Quantity | None, list[str] | None]:
    """Values through zero, how each leans on the shared shift, the shift, and the states."""
    states = run.driven["state"].tolist()
    labels = states if all(states) else None
    fall = run.fall_on_record()
    if fall is not None:
        values, _, stretch, _ = run.joined()
        shift = dataclasses.replace(fall, value=0.0)
        return values, stretch, shift, labels
    run.need_one_voltage()
    held = run.apparatus.word("run.held_state") if run.apparatus else None
    moved = run.moved()
    if held is None or held not in states:
        return moved, np.ones(moved.size), None, labels
    there = np.array([s == held for s in states])
    level = moved[there]
    observed, degrees = run.scatter()
    shift = Quantity(
        value=float(level.mean()),
        standard_uncertainty=observed / math.sqrt(level.size),
        degrees_of_freedom=degrees or math.inf,
        unit="div",
    )
    # Rows of the held state itself tell the zero, and may not be used a second time.
    rest = moved[~there] - shift.value
    kept = [s for s in states if s != held]
    return rest, -np.ones(rest.size), shift, kept


def _scatter(run: Run, sigma: str, n: int) -> tuple[Any, Any, str]:
    """Sigmas of the readings, the range in which a common one is believed, and words."""
    if sigma == "free":
        return None, None, "left to the readings"
    try:
        predicted = predicted_scatter(run).total
    except InputError:
        if sigma != "auto":
            raise
        return None, None, "left to the readings, since the apparatus cannot predict it"
    if sigma == "predicted" and predicted.size == n:
        return predicted, None, f"predicted from the apparatus, {predicted.mean():.2f} divisions"
    middle = float(np.sqrt(np.mean(predicted**2)))
    return (
        None,
        (middle / _SIGMA_DOUBT, middle * _SIGMA_DOUBT),
        f"believed within a factor of {_SIGMA_DOUBT:g} of the predicted {middle:.2f} divisions",
    )


def _step(run: Run, lever: FloatArray) -> FloatArray | None:
    if run.timing == "fixed distance":
        return None
    step: FloatArray = run.resolution() * np.abs(lever)
    return step


def _shifts(shift: Quantity) -> tuple[FloatArray, FloatArray]:
    """Where the shift is tried, in standard errors, and the weight of each: a trapezium rule.

    The few degrees of freedom of few falls mean long tails, so the steps widen outwards.
    """
    from scipy.stats import norm, t

    if shift.standard_uncertainty == 0:
        return np.zeros(1), np.ones(1)
    nu = shift.degrees_of_freedom
    law = norm() if math.isinf(nu) else t(nu)
    reach = min(max(float(law.ppf(0.9995)), _NORMAL_REACH), _LONGEST_REACH)
    x = np.linspace(-3, 3, _SHIFTS)
    z = reach * np.sinh(x) / math.sinh(3)
    weights = law.pdf(z) * np.cosh(x)
    return z, weights / weights.sum()


def _result(
    fits: list[Any],
    prior: FloatArray,
    z: FloatArray,
    run: Run,
    shift: Quantity | None,
    words: str,
    readings: Readings,
) -> RunFit:
    import pandas as pd

    log_bf = np.array([f.log_bayes_factor for f in fits])
    top = float(log_bf.max())
    weight = prior * np.exp(log_bf - top)
    evidence = top + math.log(float(weight.sum()))
    weight = weight / weight.sum()
    modes = _joined_modes(fits, weight)
    best = modes[0]
    near, inner, share = _at_mode(fits, weight, best["unit"])
    own = float(np.sqrt(np.sum(share * inner**2)))
    central = fits[int(np.argmax(weight))]
    fall = run.fall_on_record()
    return RunFit(
        unit=best["unit"],
        unit_err=best["unit_err"],
        unit_err_given_fall=own,
        log_bayes_factor=evidence,
        alternatives=pd.DataFrame(modes),
        integers=np.asarray(central.integers),
        balance=None if fall is None else _balance(fall, near, inner, share, z),
        shift=shift or Quantity(value=0.0, unit="div"),
        shifted_by=float(weight @ z),
        sigma=words,
        readings=readings,
        nodes=np.array([near, inner, share]),
    )


def _joined_modes(fits: list[Any], weight: FloatArray) -> list[dict[str, float]]:
    """Modes of all shifts, those within 2 % of each other taken as one."""
    rows = [
        (float(row["unit"]), float(row["unit_err"]), float(row["share"]) * w)
        for f, w in zip(fits, weight, strict=True)
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


def _at_mode(
    fits: list[Any], weight: FloatArray, unit: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Unit, error and weight of the mode at `unit` for each shift."""
    units, errors, shares = np.full(len(fits), unit), np.zeros(len(fits)), np.zeros(len(fits))
    for i, f in enumerate(fits):
        table = f.alternatives
        near = (table["unit"] / unit - 1).abs()
        j = int(near.to_numpy().argmin())
        if near.iloc[j] < 2 * _SAME_MODE:
            units[i], errors[i] = float(table["unit"].iloc[j]), float(table["unit_err"].iloc[j])
            shares[i] = weight[i] * float(table["share"].iloc[j])
    total = shares.sum()
    return units, errors, shares / total if total > 0 else weight


def _balance(
    fall: Quantity, unit: FloatArray, error: FloatArray, share: FloatArray, z: FloatArray
) -> Balance:
    ratio = (fall.value + z * fall.standard_uncertainty) / unit
    mean = float(share @ ratio)
    spread = math.sqrt(float(share @ ((ratio - mean) ** 2 + (ratio * error / unit) ** 2)))
    text = f"the fall is {mean:.3f} ± {spread:.2g} units"
    if spread > _UNDECIDABLE:
        return Balance(
            units=mean,
            standard_uncertainty=spread,
            integer=None,
            probability=math.nan,
            sentence=(
                f"{text}, so how many units balanced the sphere is undecidable: the error is more "
                "than a quarter of a unit; measure the fall more often."
            ),
        )
    nearest = max(round(mean), 1)
    around = np.arange(max(nearest - 3, 1), nearest + 4)
    p = np.exp(-0.5 * ((mean - around) / max(spread, 1e-3)) ** 2)
    probability = float(p[around == nearest][0] / p.sum()) if p.sum() > 0 else 0.0
    off = (mean - nearest) / max(spread, 1e-12)
    tail = (
        ""
        if abs(off) < 3
        else f"; it is {mean - nearest:+.2f} units from a whole number, which a poor balance does"
    )
    return Balance(
        units=mean,
        standard_uncertainty=spread,
        integer=nearest,
        probability=probability,
        sentence=f"{text}: nearest to {nearest} whole units, probability {probability:.3f}{tail}.",
    )
