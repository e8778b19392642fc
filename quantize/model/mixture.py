"""Mixture over integers: the exact posterior of the unit with every whole number summed over."""

from __future__ import annotations

import contextlib
import dataclasses
from collections.abc import Iterator
from contextvars import ContextVar
from typing import TYPE_CHECKING, Any, ClassVar, Literal, Unpack

import numpy as np
import numpy.typing as npt

from quantize._support import validation
from quantize._support.errors import InputError, InputTypeError, explained
from quantize._support.randomness import RngLike
from quantize._support.results import Result, jsonable
from quantize._support.validation import Columns, FloatArray, IntArray, Integers
from quantize.comb import alternatives as rivals
from quantize.comb.unit_range import UnitRange, unit_range_for
from quantize.model.averaged import averaged
from quantize.model.model import MixtureModel
from quantize.model.modes import Marginal, Mode
from quantize.model.posterior import Posterior
from quantize.readings import Readings, as_readings

if TYPE_CHECKING:
    import pandas as pd

_AT_HAND: ContextVar[Posterior | None] = ContextVar("at_hand", default=None)
_SMALLEST_SHARE = 1e-3
_CONTRADICTION = 1e-9
MOST_READINGS = 10_000
"""More are refused: a minute on one core, and half a gigabyte."""


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class MixtureFit(Result):
    """Result of `fit_mixture`.

    Attributes
    ----------
    unit, unit_err : float
        Posterior mean and standard deviation of the unit within the best mode (in log unit).
    sigma : float
        Posterior mean of sigma within that mode (times the median of the given ones, if given).
    offset : float
        The offset: fixed, or its posterior mean within that mode, that of the phase on its circle
        where it is free, and that of the most probable comb where a prior leaves others, moved by
        whole units, possible.
    log_bayes_factor : float
        Natural log of the evidence for the comb over that for sizes without steps, everything
        else in the model kept. `analyze` sets the comb against other kinds of data as well.
    alternatives : pandas.DataFrame
        Every mode with at least 0.1 % of the posterior, the best first: unit, unit_err, share,
        sigma, relation.
    integers : numpy.ndarray of int, shape (n,)
        Most probable whole number of each reading in the best mode.
    model : MixtureModel
        What was assumed.
    log_evidence, log_evidence_continuum : float
        Natural logs of the probability density of the readings under the model, and under the
        same model without steps.
    """

    _private: ClassVar[tuple[str, ...]] = ("readings", "posterior")

    unit: float
    unit_err: float
    sigma: float
    offset: float
    log_bayes_factor: float
    alternatives: pd.DataFrame
    integers: IntArray
    unit_range: UnitRange
    settings: dict[str, Any]
    model: MixtureModel
    log_evidence: float
    log_evidence_continuum: float
    readings: Readings
    posterior: Posterior

    @property
    def modes(self) -> pd.DataFrame:
        """The same table as `alternatives`."""
        return self.alternatives

    @property
    def integer_probabilities(self) -> pd.DataFrame:
        """Rows (reading, integer, probability) over the whole posterior, down to 1e-4."""
        return self.posterior.integer_probabilities

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready dictionary with stable keys."""
        return super().to_dict() | {"integer_probabilities": jsonable(self.integer_probabilities)}

    @property
    def marginal(self) -> Marginal:
        """Posterior of log unit on a fine grid."""
        return self.posterior.marginal

    def interval(self, prob: float = 0.95) -> FloatArray:
        """Highest-density set of the unit (in log unit): rows (low, high), one or more."""
        return self.posterior.interval(validation.fraction("prob", prob))

    @property
    def parameters(self) -> pd.DataFrame:
        """Mean and standard deviation of every unknown parameter within the best mode.

        Sigma is counted as `sigma` is, and growth in the same unit of measurement.
        """
        table = self.posterior.parameters.set_index("parameter")
        table.loc[table.index == "sigma"] *= typical_sigma(self.readings)
        return table.reset_index()

    def outlier_probabilities(self) -> FloatArray:
        """Probability that each reading is off the comb, shape (n,); zero without outliers."""
        return self.posterior.outlier_probabilities.copy()

    @explained()
    def draws(self, n: int, *, rng: RngLike = None) -> pd.DataFrame:
        """`n` independent draws of every parameter from the posterior."""
        import pandas as pd

        p = self.posterior.draws(validation.count("n", n), rng)
        sigma = p.sigma * typical_sigma(self.readings)
        columns = {"unit": p.unit, "sigma": sigma, "offset": p.offset}
        if self.model.noise != "constant":
            columns["growth"] = p.growth
        if "outliers" in self.posterior.prior.names:
            columns["outliers"] = p.outliers
        return pd.DataFrame(columns)

    @explained()
    def predictions(self, n: int = 200, *, rng: RngLike = None) -> FloatArray:
        """`n` samples that the same charge states would give again, shape (n, readings).

        For a posterior-predictive check: ``plot(view="prediction")`` draws it.
        """
        return self.posterior.predictions(validation.count("n", n), rng)

    def _headline(self) -> str:
        share = float(self.alternatives["share"].iloc[0])
        return (
            f"unit {self.unit:.6g} ± {self.unit_err:.2g} ({100 * share:.3g} % of the posterior), "
            f"log Bayes factor over values of any size {self.log_bayes_factor:.2f}"
        )


@explained(Columns)
def fit_mixture(
    readings: Readings | npt.ArrayLike,
    unit_range: tuple[float, float] | UnitRange | None = None,
    *,
    offset: Literal["zero", "free"] | float = "zero",
    sigma_range: float | tuple[float, float] | None = None,
    integers: Integers = "any",
    model: MixtureModel | None = None,
    **columns: Unpack[Columns],
) -> MixtureFit:
    r"""Posterior of the unit by quadrature, every whole number summed over.

    Parameters
    ----------
    readings : Readings or array_like, shape (n,)
        The measured values. Sigmas given with them are taken as known. Readings of one charge
        state share one whole number; their scatter about it also determines sigma.
    unit_range : (float, float), optional
        Smallest and largest unit, in the readings' own unit: the support of a log-uniform prior.
        Left out, `default_unit_range` chooses it from span, sigma and resolution.
    offset : {"zero", "free"} or float
        Where the multiples of the unit are counted from. With "free" it is unknown, uniform over
        one unit.
    sigma_range : float or (float, float), optional
        Standard deviation of a reading, in the readings' own unit: a number is known, a pair the
        support of a log-uniform prior. Left out, `default_sigma_range` gives the support.
    integers : "any", "positive" or (int, int or None)
        Whole numbers that are possible, said before looking at the readings: all of them, those
        from 1 on, or those from the first to the last; ``(1, None)`` leaves the last one open (see
        `MixtureModel`).
    model : MixtureModel, optional
        Everything that may be assumed of the readings (noise, outliers, envelope, ...). Offset,
        sigma and integers are then part of it, and are not given beside it.
    **columns
        `sigma`, `state`, `resolution` or `unit_name` of plain values, as in `Readings`.

    Returns
    -------
    MixtureFit
        The unit with its standard deviation, the whole numbers, the rival units, and the evidence
        against values of any size.

    Raises
    ------
    InputError
        For input that cannot be used, or a search that would not fit in memory.

    Notes
    -----
    With every whole number equally likely beforehand, the likelihood of the comb divided by that
    of a continuum is the product of wrapped-normal densities of the phases. It is integrated over
    log u, log sigma and the offset, and over what else the model leaves unknown.

    Examples
    --------
    >>> import quantize as qz
    >>> found = qz.fit_mixture([2.1, 3.9, 6.0, 8.1, 9.9, 14.0], (1.2, 5))
    >>> found.integers.tolist()
    [1, 2, 3, 4, 5, 7]
    >>> found.log_bayes_factor > 3
    True
    """
    data = as_readings(readings, measured=False, columns=columns)
    assumed = model_of(offset, sigma_range, model, integers)
    known = (assumed.sigma, assumed.sigma) if isinstance(assumed.sigma, float) else None
    unit_range = unit_range_for(data, unit_range, sigma_range=known)
    return fit_posterior(data, unit_range, assumed)


def fit_posterior(data: Readings, unit_range: UnitRange, model: MixtureModel) -> MixtureFit:
    """`fit_mixture` for checked readings, range and model.

    `InputError` where the model cannot hold for these readings.
    """
    refuse_contradictions(data, model)
    found = posterior_of(model, data, unit_range)
    model = found.model
    _refuse_coarse_steps(data, unit_range, model)
    best, centre = found.modes[0], found.centre
    factor = typical_sigma(data)
    modes = [dataclasses.replace(mode, sigma=mode.sigma * factor) for mode in found.modes]
    continuum = found.log_continuum
    given = isinstance(found.prior.sigma, float) and data.sigma is not None
    return MixtureFit(
        unit=best.unit,
        unit_err=best.unit_err,
        sigma=float(centre.sigma[0]) * factor,
        offset=float(centre.offset[0]),
        log_bayes_factor=found.log_bayes_factor,
        alternatives=mode_table(modes, data),
        integers=found.integers,
        unit_range=unit_range,
        settings={
            "offset": model.to_dict()["offset"],
            "integers": model.to_dict()["integers"],
            "model": model.to_dict(),
            "sigma_range": None if given else list(found.prior.sigma_reach()),
        },
        model=model,
        log_evidence=continuum + found.log_bayes_factor,
        log_evidence_continuum=continuum,
        readings=data,
        posterior=found,
    )


def posterior_of(
    model: MixtureModel, readings: Readings, unit_range: UnitRange, *, floor: float = -np.inf
) -> Posterior:
    """The posterior of everything that `model` leaves unknown.

    Averaged over the errors that the readings share; then combs far below the log mass `floor` may
    be left out.

    `InputError` where a prior cannot be used with these readings.
    """
    need_few(readings)
    found, known = Posterior.of(model, readings, unit_range), _AT_HAND.get()
    same = known is not None and known.readings is readings and known.unit_range == unit_range
    if known is not None and same and known.model.to_dict() == found.model.to_dict():
        return known
    return averaged(found, floor)


@contextlib.contextmanager
def at_hand(known: Posterior) -> Iterator[None]:
    """Within it `posterior_of` gives `known` where it would find the same again."""
    token = _AT_HAND.set(known)
    try:
        yield
    finally:
        _AT_HAND.reset(token)


def need_few(readings: Readings) -> None:
    """Refuse more readings than are taken one by one, in time and memory."""
    if len(readings) > MOST_READINGS:
        raise InputError(
            f"`readings` holds {len(readings):,}, more than the {MOST_READINGS:,} that this model "
            "takes one by one; average the repeats of each state, or give values alone to "
            "`quantize.null.analyze_counts`."
        )


def model_of(
    offset: str | float, sigma_range: Any, model: Any, integers: Any = "any"
) -> MixtureModel:
    """The model that is meant, checked."""
    if model is None:
        validation.offset_mode(offset)
        checked: Any = offset
        sigma: Any = validation.sigma_range(sigma_range)
        return MixtureModel(offset=checked, sigma=sigma, integers=integers)
    if not isinstance(model, MixtureModel):
        raise InputTypeError(
            f"`model` is a {type(model).__name__}; give a MixtureModel, or leave it out."
        )
    plain = all(isinstance(v, str) and v == d for v, d in ((offset, "zero"), (integers, "any")))
    if sigma_range is not None or not plain:
        raise InputError(
            "`offset`, `sigma_range` and `integers` are part of `model`; give them there, as "
            "offset, sigma and integers."
        )
    return model


def refuse_contradictions(data: Readings, model: MixtureModel) -> None:
    """A state has one whole number: its readings may differ by their errors and no more.

    Only where sigma is known and nothing allows for outliers can they be seen to contradict. An
    error that they share may move them apart, as far as its own law reaches.
    """
    from scipy.special import chdtrc, ndtri, stdtrit

    if data.state is None or data.sigma is None:
        return
    if model.outliers != 0.0 or model.sigma is not None:
        return
    measured, last = data.measured, data.shift
    moved, prior = [np.ones(len(data))], [0.0]
    while last is not None:
        wide = stdtrit(min(last.degrees_of_freedom, 1e9), _CONTRADICTION) / ndtri(_CONTRADICTION)
        moved, prior = [*moved, last.error * wide * last.lever], [*prior, 1.0]
        last = last.also
    for code, label in enumerate(data.state_labels):
        mine = (data.state == code) & measured
        if mine.sum() < 2:
            continue
        x, sigma = data.values[mine], data.sigma[mine]
        design = np.vstack([np.transpose(moved)[mine] / sigma[:, None], np.diag(prior)])
        y = np.r_[(x - x.mean()) / sigma, np.zeros(len(prior))]
        chi2 = float(np.sum((y - design @ np.linalg.lstsq(design, y, rcond=None)[0]) ** 2))
        if chdtrc(mine.sum() - 1, chi2) < _CONTRADICTION:
            raise InputError(
                f"`state` '{label}' holds readings from {x.min():g} to {x.max():g}, "
                f"{float(np.ptp(x) / sigma.min()):.3g} sigma apart, but a state has one "
                "whole number; mend the label or the sigma, or allow for outliers in the model."
            )


def _refuse_coarse_steps(data: Readings, unit_range: UnitRange, model: MixtureModel) -> None:
    step = data.rounding_step
    if model.rounding and step is not None and step >= unit_range.high:
        raise InputError(
            f"`resolution` is {step:g}, no finer than the largest unit tried "
            f"({unit_range.high:g}); read to a finer step, or look for larger units."
        )


def typical_sigma(data: Readings) -> float:
    """What the sigma of a model is counted in: the median of the given ones, if there are any."""
    return 1.0 if data.sigma is None else float(np.median(data.sigma))


def mode_table(modes: list[Mode], data: Readings) -> pd.DataFrame:
    """Columns unit, unit_err, share, sigma, relation."""
    rows = [
        {"unit": m.unit, "unit_err": m.unit_err, "share": m.share, "sigma": m.sigma}
        for i, m in enumerate(modes)
        if i == 0 or m.share >= _SMALLEST_SHARE
    ]
    tolerance = max(0.2 * modes[0].unit / data.reach, 3 * modes[0].unit_err / modes[0].unit)
    return rivals.table(rows, min(tolerance, 0.1))
