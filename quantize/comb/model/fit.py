"""fit_model(): the general mixture by quadrature, and its result."""

from __future__ import annotations

import dataclasses
import functools
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from quantize._support import randomness, validation
from quantize._support.errors import InputError
from quantize._support.randomness import RngLike
from quantize._support.validation import FloatArray, IntArray
from quantize.comb import posterior
from quantize.comb.fit import fit_comb
from quantize.comb.grid import Band
from quantize.comb.mixture import MixtureFit, mode_table, representative
from quantize.comb.model import draws as drawing
from quantize.comb.model.likelihood import PageLikelihood, Parameters
from quantize.comb.model.mixture_model import MixtureModel
from quantize.comb.model.page import likelihood_of
from quantize.comb.model.parameter_priors import ParameterPriors, priors_of
from quantize.comb.model.search import ModelNodes, integrate_model
from quantize.comb.problem import Problem
from quantize.readings import Readings

if TYPE_CHECKING:
    import pandas as pd

_RIVALS = 8
_SMALLEST_PROBABILITY = 1e-4
_CONTRADICTION = 1e-9


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class ModelFit(MixtureFit):
    """Result of `fit_mixture` with a `MixtureModel`: a `MixtureFit` and what the model adds.

    Attributes
    ----------
    model : MixtureModel
        What was assumed.
    log_evidence, log_evidence_continuum : float
        Natural logs of the probability density of the readings under the model, and under the
        same model without steps.
    """

    _private: ClassVar[tuple[str, ...]] = (
        *MixtureFit._private,
        "likelihood",
        "prior",
        "model_nodes",
        "mode_list",
    )

    model: MixtureModel
    log_evidence: float
    log_evidence_continuum: float
    parameter_table: pd.DataFrame
    likelihood: PageLikelihood
    prior: ParameterPriors
    model_nodes: ModelNodes
    mode_list: tuple[posterior.Mode, ...]

    @property
    def parameters(self) -> pd.DataFrame:
        """Mean and standard deviation of every unknown parameter within the highest mode."""
        return self.parameter_table

    @functools.cached_property
    def integer_probabilities(self) -> pd.DataFrame:
        """Rows (reading, integer, probability) over the whole posterior, down to 1e-4."""
        return _integer_table(self.likelihood, self.prior, self.model_nodes)

    def draws(self, n: int, *, rng: RngLike = None) -> pd.DataFrame:
        """`n` independent draws of every parameter from the posterior."""
        import pandas as pd

        size = validation.count("n", n)
        theta = drawing.draw(
            self.likelihood, self.prior, self.model_nodes, size, randomness.generator(rng)
        )
        p = self.prior.parameters(theta)
        offset = p.offset % p.unit if self.prior.free else p.offset
        columns = {"unit": p.unit, "sigma": p.sigma, "offset": offset}
        if self.model.noise != "constant":
            columns["growth"] = p.growth
        if "outliers" in self.prior.names:
            columns["outliers"] = p.outliers
        return pd.DataFrame(columns)

    def _page(self) -> PageLikelihood:
        return self.likelihood

    def outlier_probabilities(self) -> FloatArray:
        """Probability that each reading is off the comb, shape (n,); zero without outliers."""
        places, share = _representative(self.model_nodes, self.likelihood)
        p = _at(self.prior, self.model_nodes, places)
        return self.likelihood.outlier_probability(p, share)


def fit_model(data: Readings, band: Band, model: MixtureModel) -> ModelFit:
    """Quadrature over everything that `model` leaves unknown.

    Raises
    ------
    InputError
        Where the model cannot hold for these readings.
    """
    refuse_contradictions(data, model)
    _refuse_coarse_steps(data, band, model)
    prior = priors_of(model, band, data)
    likelihood = likelihood_of(model, data)
    nodes = integrate_model(likelihood, prior, _candidates(data, band, prior))
    plain = nodes.as_nodes(phases=prior.free)
    problem = _problem(data, band, prior)
    marginal = posterior.marginal_of_unit(problem, plain)
    modes = posterior.find_modes(problem, plain, marginal)
    best = modes[0]
    inside = (nodes.log_unit >= np.log(best.low)) & (nodes.log_unit <= np.log(best.high))
    table = _parameter_table(prior, nodes, np.flatnonzero(inside), best.unit)
    means = dict(zip(table["parameter"], table["mean"], strict=True))
    offset = means.get("offset", prior.offset if isinstance(prior.offset, float) else 0.0)
    at_best = Parameters(
        unit=np.array([best.unit]),
        sigma=np.array([means.get("sigma", prior.sigma)], float),
        offset=np.array([offset], float),
        growth=np.array([means.get("growth", prior.growth)], float),
        outliers=np.array([means.get("outliers", prior.outliers)], float),
    )
    sigma = float(at_best.sigma[0])
    if data.sigma is not None:
        sigma *= float(np.median(data.sigma))
    result = ModelFit(
        unit=best.unit,
        unit_err=best.unit_err,
        sigma=sigma,
        offset=float(offset),
        log_bayes_factor=nodes.log_evidence - nodes.log_continuum,
        alternatives=mode_table(modes, data),
        integers=likelihood.best_integers(at_best),
        band=band,
        settings={"model": model.to_dict(), "sigma_range": _sigma_setting(prior, data)},
        readings=data,
        nodes=plain,
        problem=problem,
        model=model,
        log_evidence=nodes.log_evidence,
        log_evidence_continuum=nodes.log_continuum,
        parameter_table=table,
        likelihood=likelihood,
        prior=prior,
        model_nodes=nodes,
        mode_list=tuple(modes),
    )
    object.__setattr__(result, "marginal", marginal)
    return result


def refuse_contradictions(data: Readings, model: MixtureModel | None = None) -> None:
    """A state has one whole number: its readings may differ by their errors and no more.

    Only where sigma is known and nothing allows for outliers can they be seen to contradict.
    """
    from scipy import stats

    if data.state is None or data.sigma is None:
        return
    if model is not None and (model.outliers != 0.0 or model.sigma is not None):
        return
    measured = data.measured
    for code, label in enumerate(data.state_labels):
        mine = (data.state == code) & measured
        if mine.sum() < 2:
            continue
        weight = data.sigma[mine] ** -2.0
        x = data.values[mine]
        chi2 = float(np.sum(weight * (x - np.average(x, weights=weight)) ** 2))
        if stats.chi2.sf(chi2, mine.sum() - 1) < _CONTRADICTION:
            raise InputError(
                f"`state` {label!r} holds readings from {x.min():g} to {x.max():g}, "
                f"{float(np.ptp(x) * np.sqrt(weight.max())):.3g} sigma apart, but a state has one "
                "whole number; mend the label or the sigma, or allow for outliers in the model."
            )


def _refuse_coarse_steps(data: Readings, band: Band, model: MixtureModel) -> None:
    step = data.rounding_step
    if model.rounding and step is not None and step >= band.high:
        raise InputError(
            f"`resolution` is {step:g}, no finer than the largest unit tried ({band.high:g}); read "
            "to a finer step, or look for larger units."
        )


def _candidates(data: Readings, band: Band, prior: ParameterPriors) -> FloatArray:
    """Units and offsets of the best least-squares combs."""
    offset: str | float = "free"
    if not prior.free:
        offset = prior.offset if isinstance(prior.offset, float) else float(prior.offset.mean())
    try:
        found = fit_comb(data, band, offset=offset)
    except InputError:
        return np.empty((0, 2))
    units = found.alternatives["unit"].to_numpy()[:_RIVALS]
    return np.column_stack([units, np.full(units.size, found.offset)])


def _problem(data: Readings, band: Band, prior: ParameterPriors) -> Problem:
    """What the plain quadrature would integrate: the modes are found in it, and guards read it."""
    sigma_low, sigma_high = prior.sigma_reach()
    return Problem(
        levels=data.select(data.measured).levels(),
        origin=prior.offset if isinstance(prior.offset, float) else prior.origin,
        low=band.low,
        high=band.high,
        sigma_low=sigma_low,
        sigma_high=sigma_high,
        free=prior.free,
    )


def _sigma_setting(prior: ParameterPriors, data: Readings) -> list[float] | None:
    if isinstance(prior.sigma, float):
        return None if data.sigma is not None else [prior.sigma, prior.sigma]
    return list(prior.sigma_reach())


def _parameter_table(
    prior: ParameterPriors, nodes: ModelNodes, places: IntArray, unit: float
) -> pd.DataFrame:
    """Mean and standard deviation of the parameters over some nodes."""
    import pandas as pd

    p = _at(prior, nodes, places)
    weight = nodes.share[places] / nodes.share[places].sum()
    values = {"unit": p.unit, "sigma": p.sigma, "growth": p.growth, "outliers": p.outliers}
    rows = []
    for name, value in values.items():
        if name == "unit" or any(name in coordinate for coordinate in prior.names):
            mean = float(np.sum(weight * value))
            sd = float(np.sqrt(np.sum(weight * (value - mean) ** 2)))
            rows.append({"parameter": name, "mean": mean, "sd": sd})
    if "phase" in prior.names:
        vector = np.sum(weight * np.exp(2j * np.pi * nodes.shift[places]))
        mean = (prior.origin + unit * float(np.angle(vector) / (2 * np.pi))) % unit
        sd = posterior.spread_of_offset(p.offset, p.unit, weight, mean)
        rows.append({"parameter": "offset", "mean": mean, "sd": sd})
    elif "offset" in prior.names:
        mean = float(np.sum(weight * p.offset))
        sd = float(np.sqrt(np.sum(weight * (p.offset - mean) ** 2)))
        rows.append({"parameter": "offset", "mean": mean, "sd": sd})
    return pd.DataFrame(rows)


def _at(prior: ParameterPriors, nodes: ModelNodes, places: IntArray) -> Parameters:
    return prior.parameters(drawing.at_nodes(prior, nodes, places))


def _representative(nodes: ModelNodes, likelihood: PageLikelihood) -> tuple[IntArray, FloatArray]:
    return representative(nodes.share, nodes.log_unit, likelihood.states)


def _integer_table(
    likelihood: PageLikelihood, prior: ParameterPriors, nodes: ModelNodes
) -> pd.DataFrame:
    import pandas as pd

    places, share = _representative(nodes, likelihood)
    p = _at(prior, nodes, places)
    columns: dict[str, list[Any]] = {"reading": [], "integer": [], "probability": []}
    whole, probability = likelihood.integer_shares(p, share)
    state = likelihood.state_of_reading()
    for reading, j in enumerate(state):
        ranked = np.argsort(-probability[j], kind="stable")
        ranked = ranked[probability[j][ranked] >= _SMALLEST_PROBABILITY]
        columns["reading"] += [reading] * ranked.size
        columns["integer"] += whole[ranked].tolist()
        columns["probability"] += probability[j][ranked].tolist()
    return pd.DataFrame(columns)
