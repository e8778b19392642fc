"""Mixture over integers: the exact posterior of the unit with every whole number summed over."""

from __future__ import annotations

import dataclasses
import functools
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from quantize._support import randomness, validation
from quantize._support.errors import InputError, InputTypeError
from quantize._support.randomness import RngLike
from quantize._support.results import Result, jsonable
from quantize._support.validation import FloatArray, IntArray
from quantize.comb import alternatives as rivals
from quantize.comb import posterior
from quantize.comb.grid import Band, band_for, default_sigma_range
from quantize.comb.problem import Problem
from quantize.comb.quadrature import Nodes, integrate
from quantize.readings import Readings, as_readings

if TYPE_CHECKING:
    import pandas as pd

    from quantize.comb.model.likelihood import PageLikelihood

_SMALLEST_SHARE = 1e-3
_SMALLEST_PROBABILITY = 1e-4
_NODES_FOR_INTEGERS = 8000
_WORK_FOR_INTEGERS = 2_000_000
_REACH = ((0.15, 1), (0.3, 2), (0.45, 3), (np.inf, 4))
"""Below each spread, in turns, this many whole numbers on either side can be meant."""


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class MixtureFit(Result):
    """Result of `fit_mixture`.

    Attributes
    ----------
    unit, unit_err : float
        Posterior mean and standard deviation of the unit within the highest mode (in log unit).
    sigma : float
        Posterior mean of sigma within that mode (the median of the given ones, where given).
    offset : float
        The offset: fixed, or its posterior mean round the circle within that mode.
    log_bayes_factor : float
        Natural log of the evidence for the comb over that for a continuum of flat envelope.
    alternatives : pandas.DataFrame
        Every mode with at least 0.1 % of the posterior, the highest first: unit, unit_err,
        share, sigma, relation.
    integers : numpy.ndarray of int, shape (n,)
        Most probable whole number of each reading at the best mode.
    """

    _private: ClassVar[tuple[str, ...]] = ("readings", "nodes", "problem")

    unit: float
    unit_err: float
    sigma: float
    offset: float
    log_bayes_factor: float
    alternatives: pd.DataFrame
    integers: IntArray
    band: Band
    settings: dict[str, Any]
    readings: Readings
    nodes: Nodes
    problem: Problem

    @property
    def modes(self) -> pd.DataFrame:
        """The same table as `alternatives`."""
        return self.alternatives

    @functools.cached_property
    def integer_probabilities(self) -> pd.DataFrame:
        """Rows (reading, integer, probability) over the whole posterior, down to 1e-4."""
        return _integer_table(self.problem, self.nodes, self.readings)

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready dictionary with stable keys."""
        return super().to_dict() | {"integer_probabilities": jsonable(self.integer_probabilities)}

    @functools.cached_property
    def marginal(self) -> posterior.Marginal:
        """Posterior of log unit on a fine grid."""
        return posterior.marginal_of_unit(self.problem, self.nodes)

    def interval(self, prob: float = 0.95) -> FloatArray:
        """Highest-density set of the unit (in log unit): rows (low, high), one or more."""
        return posterior.highest_density_set(self.marginal, validation.fraction("prob", prob))

    @property
    def parameters(self) -> pd.DataFrame:
        """Mean and standard deviation of every unknown parameter within the highest mode."""
        import pandas as pd

        rows = [{"parameter": "unit", "mean": self.unit, "sd": self.unit_err}]
        nodes = self.nodes
        unit = np.exp(nodes.log_unit)
        near = np.abs(unit - self.unit) < 5 * self.unit_err
        weight = nodes.share[near] / nodes.share[near].sum()
        if not self.problem.sigma_known:
            mean = float(weight @ nodes.sigma[near])
            sd = float(np.sqrt(weight @ np.square(nodes.sigma[near] - mean)))
            rows.append({"parameter": "sigma", "mean": mean, "sd": sd})
        if self.problem.free:
            offset = self.problem.origin + nodes.phase[near] * unit[near]
            sd = posterior.spread_of_offset(offset, unit[near], weight, self.offset)
            rows.append({"parameter": "offset", "mean": self.offset, "sd": sd})
        return pd.DataFrame(rows)

    def draws(self, n: int, *, rng: RngLike = None) -> pd.DataFrame:
        """`n` independent draws of unit, sigma and offset from the posterior."""
        import pandas as pd

        size = validation.count("n", n)
        generator = randomness.generator(rng)
        unit, sigma, phase = posterior.draw(self.problem, self.nodes, size, generator)
        offset = self.problem.origin + phase * unit
        if self.problem.free:
            offset = offset % unit
        return pd.DataFrame({"unit": unit, "sigma": sigma, "offset": offset})

    def predictions(self, n: int = 200, *, rng: RngLike = None) -> FloatArray:
        """`n` pages that the same charge states would give again, shape (n, readings).

        For a posterior-predictive check: ``plot(view="prediction")`` draws it.
        """
        from quantize.comb.model.likelihood import Parameters
        from quantize.comb.model.predict import predict

        generator = randomness.generator(rng)
        drawn = self.draws(n, rng=generator)
        zero = np.zeros(len(drawn))
        column = {name: drawn[name].to_numpy() for name in drawn}
        p = Parameters(
            unit=column["unit"],
            sigma=column["sigma"],
            offset=column["offset"],
            growth=column.get("growth", zero),
            outliers=column.get("outliers", zero),
        )
        return predict(self._page(), p, generator)

    def _page(self) -> PageLikelihood:
        from quantize.comb.model.mixture_model import MixtureModel
        from quantize.comb.model.page import likelihood_of

        return likelihood_of(MixtureModel(offset=self.settings["offset"]), self.readings)

    def _headline(self) -> str:
        share = float(self.alternatives["share"].iloc[0])
        return (
            f"unit {self.unit:.6g} ± {self.unit_err:.2g} ({100 * share:.3g} % of the posterior), "
            f"log Bayes factor over values of any size {self.log_bayes_factor:.2f}"
        )


def fit_mixture(
    readings: Any,
    unit_range: Any = None,
    *,
    offset: str | float = "zero",
    sigma_range: Any = None,
    model: Any = None,
) -> MixtureFit:
    r"""Posterior of the unit by quadrature, every whole number summed over.

    Parameters
    ----------
    readings : Readings or array_like, shape (n,)
        Sigmas given with the readings are taken as known. Readings of one charge state share one
        whole number; their scatter about it also tells sigma.
    unit_range : (float, float), optional
        Support of the log-uniform prior of the unit; see `default_band`.
    offset : {"zero", "free"} or float
        With "free" the offset is uniform over one unit.
    sigma_range : float or (float, float), optional
        A number is a known sigma; a pair the support of its log-uniform prior. See
        `default_sigma_range` for the rule used when it is left out.
    model : MixtureModel, optional
        Everything else that may be assumed of a run; it then also says offset and sigma, and the
        result is a `ModelFit`.

    Returns
    -------
    MixtureFit

    Raises
    ------
    InputError
        For input that cannot be used, or a grid that would not fit in memory.

    Notes
    -----
    With every whole number equally likely beforehand, the likelihood of the comb divided by that
    of a continuum is the product of wrapped-normal densities of the phases
    (`log_wrapped_normal`). It is integrated over log u, log sigma and the offset.

    Examples
    --------
    >>> import quantize as qz
    >>> found = qz.fit_mixture([2.1, 3.9, 6.0, 8.1, 9.9, 14.0], (1.2, 5))
    >>> found.integers.tolist()
    [1, 2, 3, 4, 5, 7]
    >>> found.log_bayes_factor > 3
    True
    """
    data = as_readings(readings, measured=False)
    model = model_for(data, offset, sigma_range, model)
    if model is not None:
        if not model.is_plain_for(data):
            from quantize.comb.model.fit import fit_model

            known = (model.sigma, model.sigma) if isinstance(model.sigma, float) else None
            return fit_model(data, band_for(data, unit_range, sigma_range=known), model)
        offset, sigma_range = model.offset, model.sigma
    mode, b = validation.offset_mode(offset)
    known = validation.sigma_range(sigma_range)
    band = band_for(data, unit_range, sigma_range=known)
    problem = _problem(data, band, mode == "free", b, known)
    nodes = integrate(problem)
    if nodes.log_mass.size == 0:
        raise InputError(
            f"`sigma_range` ({problem.sigma_low:g}, {problem.sigma_high:g}) makes these readings "
            "impossible at every unit; widen it."
        )
    marginal = posterior.marginal_of_unit(problem, nodes)
    modes = posterior.find_modes(problem, nodes, marginal)
    best = modes[0]
    in_best = (nodes.log_unit >= np.log(best.low)) & (nodes.log_unit <= np.log(best.high))
    phase = _mean_phase(nodes, in_best) if problem.free else 0.0
    found_offset = problem.origin + phase * best.unit
    if problem.free:
        found_offset %= best.unit
    sigma = float(np.median(data.sigma)) if data.sigma is not None else best.sigma
    result = MixtureFit(
        unit=best.unit,
        unit_err=best.unit_err,
        sigma=sigma,
        offset=float(found_offset),
        log_bayes_factor=nodes.log_evidence,
        alternatives=mode_table(modes, data),
        integers=np.rint((data.levels().mean - found_offset) / best.unit).astype(np.int64)[
            data.levels().index
        ],
        band=band,
        settings={
            "offset": offset,
            "sigma_range": None
            if data.sigma is not None
            else [problem.sigma_low, problem.sigma_high],
        },
        readings=data,
        nodes=nodes,
        problem=problem,
    )
    object.__setattr__(result, "marginal", marginal)
    return result


def model_for(data: Readings, offset: str | float, sigma_range: Any, model: Any) -> Any:
    """The model that is meant, checked; None where the plain one is."""
    from quantize.comb.model.mixture_model import MixtureModel

    if model is None:
        return None if data.measured.all() else MixtureModel(offset=offset, sigma=sigma_range)
    if not isinstance(model, MixtureModel):
        raise InputTypeError(
            f"`model` is a {type(model).__name__}; give a MixtureModel, or leave it out."
        )
    if sigma_range is not None or not (isinstance(offset, str) and offset == "zero"):
        raise InputError(
            "`offset` and `sigma_range` are part of `model`; give them there, as offset and sigma."
        )
    return model


def _problem(
    data: Readings, band: Band, free: bool, offset: float, sigma: tuple[float, float] | None
) -> Problem:
    levels = data.levels()
    if data.sigma is not None:
        low, high = 1.0, 1.0
    else:
        low, high = sigma or default_sigma_range(data, band)
    origin = float(np.average(levels.mean, weights=1 / levels.factor)) if free else offset
    return Problem(
        levels=levels,
        origin=origin,
        low=band.low,
        high=band.high,
        sigma_low=low,
        sigma_high=high,
        free=free,
    )


def _mean_phase(nodes: Nodes, inside: Any) -> float:
    vector = np.sum(nodes.share[inside] * np.exp(2j * np.pi * nodes.phase[inside]))
    return float(np.angle(vector) / (2 * np.pi))


def mode_table(modes: list[posterior.Mode], data: Readings) -> pd.DataFrame:
    rows = [
        {"unit": m.unit, "unit_err": m.unit_err, "share": m.share, "sigma": m.sigma}
        for i, m in enumerate(modes)
        if i == 0 or m.share >= _SMALLEST_SHARE
    ]
    tolerance = max(0.2 * modes[0].unit / data.reach, 3 * modes[0].unit_err / modes[0].unit)
    return rivals.table(rows, min(tolerance, 0.1))


def _integer_table(problem: Problem, nodes: Nodes, data: Readings) -> pd.DataFrame:
    """Probabilities of the whole number of each reading over the whole posterior."""
    import pandas as pd

    order, share = representative(nodes.share, nodes.log_unit, problem.mean.size)
    u = np.exp(nodes.log_unit[order])
    spread = nodes.sigma[order][:, None] * np.sqrt(problem.levels.factor) / u[:, None]
    turns = problem.mean / u[:, None] - nodes.phase[order][:, None]
    if problem.free:
        # Count from the tooth in [0, unit), not from the origin of the phases.
        turns += np.floor((problem.origin + nodes.phase[order] * u) / u)[:, None]
    nearest = np.rint(turns)
    tables = []
    for k, probability in _probabilities(turns - nearest, nearest.astype(np.int64), spread, share):
        ranked = np.argsort(-probability, kind="stable")
        ranked = ranked[probability[ranked] >= _SMALLEST_PROBABILITY]
        tables.append((k[ranked], probability[ranked]))
    index = data.levels().index
    reading = np.concatenate([np.full(tables[j][0].size, i) for i, j in enumerate(index)])
    return pd.DataFrame(
        {
            "reading": reading.astype(np.int64),
            "integer": np.concatenate([tables[j][0] for j in index]),
            "probability": np.concatenate([tables[j][1] for j in index]),
        }
    )


def _probabilities(
    phase: FloatArray, nearest: IntArray, spread: FloatArray, share: FloatArray
) -> list[tuple[IntArray, FloatArray]]:
    """For each level (columns): its whole numbers, and their probability over the nodes (rows)."""
    levels = nearest.shape[1]
    first = nearest.min(axis=0) - _REACH[-1][1]
    width = int((nearest.max(axis=0) - first).max()) + _REACH[-1][1] + 1
    total = np.zeros((levels, width))
    flat = (nearest - first) + width * np.arange(levels)
    # Where the spread is small only the nearest neighbours have a weight above the last digit.
    widest = spread.max(axis=1)
    for below, reach in _REACH:
        rows = np.flatnonzero((widest < below) & (widest >= 0))
        widest[rows] = -1.0
        if rows.size == 0:
            continue
        half, phi = 0.5 / spread[rows] ** 2, phase[rows]
        neighbours = [j for j in range(-reach, reach + 1) if j != 0]
        # (phi − j)² − phi² = j(j − 2·phi): the nearest one has weight one.
        weights = [np.exp(-j * (j - 2 * phi) * half) for j in neighbours]
        central = share[rows, None] / (1 + sum(weights))
        for j, weight in zip([0, *neighbours], [1.0, *weights], strict=True):
            place = (flat[rows] + j).ravel()
            mass = np.bincount(place, (central * weight).ravel(), levels * width)
            total += mass.reshape(levels, width)
    return [(first[i] + np.arange(width), total[i]) for i in range(levels)]


def representative(
    share: FloatArray, log_unit: FloatArray, levels: int
) -> tuple[IntArray, FloatArray]:
    """Nodes that stand for all, with their shares: the heaviest, and a fair sample of the rest.

    The sample takes a node at even steps of the share summed along the unit, on which the whole
    numbers depend most.
    """
    wanted = int(np.clip(_WORK_FOR_INTEGERS // levels, 300, _NODES_FOR_INTEGERS))
    share = share / share.sum()
    order = np.argsort(-share, kind="stable")
    if order.size <= wanted:
        return order, share[order]
    heavy, rest = order[: wanted // 2], order[wanted // 2 :]
    rest = rest[np.argsort(log_unit[rest], kind="stable")]
    running = np.cumsum(share[rest])
    places = (np.arange(wanted // 2) + 0.5) / (wanted // 2) * running[-1]
    other = rest[np.minimum(np.searchsorted(running, places), rest.size - 1)]
    weight = np.concatenate([share[heavy], np.full(other.size, running[-1] / other.size)])
    return np.concatenate([heavy, other]), weight
