"""The posterior of a sample under a model: what quadrature found, and what is read of it.

Nobody outside `quantize.model` reads nodes. Offsets are in the unit of the readings, and log masses
are relative to the same sample without steps, except in `Posterior.likeliest`.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from typing import TYPE_CHECKING, Literal

import numpy as np

from quantize._support import randomness
from quantize._support.randomness import RngLike
from quantize._support.results import taken
from quantize._support.validation import BoolArray, FloatArray, IntArray
from quantize.comb.least_squares import candidate_combs
from quantize.comb.unit_range import UnitRange
from quantize.model import draws as drawing
from quantize.model import modes as mode_finding
from quantize.model.likelihood import Likelihood, Parameters
from quantize.model.model import MixtureModel
from quantize.model.modes import Marginal, Mode
from quantize.model.nodes import Nodes, NoiseNodes, log_noise_prior, noise_nodes
from quantize.model.priors import ParameterPriors, priors_of
from quantize.model.quadrature import MOST_WITH_SHIFT, integrate
from quantize.model.wrapped_likelihood import likelihood_of, nearer_than_chance
from quantize.readings import Readings

if TYPE_CHECKING:
    import pandas as pd

_RIVALS = 8
_NODES_FOR_INTEGERS = {"offset known": 2000, "offset free": 8000}
"""Whole numbers are right to .001 with as many, to .003 with a free offset."""
_WORK_FOR_INTEGERS = 2_000_000
_SMALLEST_PROBABILITY = 1e-4
_FEWEST_DEGREES = 5
"""Degrees of freedom from which on the scatter within states counts as known."""


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Posterior:
    """Posterior of unit, offset and noise for one sample; integrated when first asked for.

    One that will be averaged with others, which need no fine lattice each, has the priors and the
    nodes of the noise in `common` with them.
    """

    model: MixtureModel
    readings: Readings
    unit_range: UnitRange
    prior: ParameterPriors
    likelihood: Likelihood
    common: Posterior | None = None

    @classmethod
    def of(
        cls,
        model: MixtureModel,
        readings: Readings,
        unit_range: UnitRange,
        *,
        common: Posterior | None = None,
    ) -> Posterior:
        """That of everything that `model` leaves unknown, on one lattice; see `posterior_of`."""
        model = model.as_recorded(readings, unit_range.low)
        prior = priors_of(model, unit_range, readings)
        if common is not None:
            noise = common.prior
            prior = dataclasses.replace(prior, sigma=noise.sigma, growth=noise.growth)
        return cls(
            model=model,
            readings=readings,
            unit_range=unit_range,
            prior=prior,
            likelihood=likelihood_of(model, readings, unit_range.low),
            common=common,
        )

    @functools.cached_property
    def _candidates(self) -> FloatArray:
        """Units and offsets worth trying first."""
        offset: Literal["free"] | float = "free"
        if not self.prior.free:
            given = self.prior.offset
            offset = given if isinstance(given, float) else float(given.median())
        return candidate_combs(self.readings, self.unit_range, offset, most=_RIVALS)

    @functools.cached_property
    def _nodes(self) -> Nodes:
        """The quadrature nodes that count."""
        return integrate(
            self.likelihood,
            self.prior,
            self.noise,
            self._candidates,
            most=MOST_WITH_SHIFT if self.shared else None,
            one_of_many=self.common is not None,
        )[0]

    def nodes_at(
        self, shifts: FloatArray, log_weight: FloatArray, floor: float = -np.inf
    ) -> list[Nodes]:
        """The nodes that count with the shift of the readings at each of some values.

        Nodes of a small log mass, the `log_weight` of the shift included, are left out: beside the
        largest or beside `floor`.
        """
        return integrate(
            self.likelihood,
            dataclasses.replace(self.prior, offset=0.0),
            self.noise,
            self._candidates,
            one_of_many=True,
            shifts=shifts,
            log_weight=log_weight,
            floor=floor,
        )

    @functools.cached_property
    def noise(self) -> NoiseNodes:
        """Sigma, growth and share of outliers at which everything is evaluated."""
        if self.common is not None:
            return self.common.noise
        return noise_nodes(self.prior, self.likelihood)

    @property
    def shared(self) -> bool:
        """Whether an error that the readings share stands in the place of the offset."""
        return self.readings.shift is not None and not self.prior.free

    @property
    def settled(self) -> Posterior:
        """The posterior with nothing averaged over; itself, unless something is.

        Whole numbers, and what is predicted with them, are of that.
        """
        return self

    @property
    def log_noise_prior(self) -> FloatArray:
        """Log prior mass of each node of `noise`, the unit integrated out."""
        return log_noise_prior(self.prior, self.noise)

    @property
    def log_bayes_factor(self) -> float:
        """Log evidence of the comb over that of sizes without steps, the rest of the model kept."""
        return self._nodes.log_bayes_factor

    @property
    def log_continuum(self) -> float:
        """Log evidence of the same sample without steps."""
        return self._nodes.log_continuum

    @functools.cached_property
    def marginal(self) -> Marginal:
        """Posterior of log unit on a fine grid."""
        ends = dataclasses.replace(self.unit_range, low=self.prior.low, high=self.prior.high)
        return mode_finding.marginal_of_unit(ends, self._nodes)

    @functools.cached_property
    def modes(self) -> list[Mode]:
        """Modes of the unit, the best first."""
        return mode_finding.find_modes(self._nodes, self.marginal, self.reach)

    @property
    def reach(self) -> float:
        """Largest distance of a level from where whole numbers are counted."""
        origin = self.prior.offset if isinstance(self.prior.offset, float) else self.prior.origin
        means = self.readings.select(self.readings.measured).levels().mean
        return float(np.abs(means - origin).max())

    def interval(self, prob: float) -> FloatArray:
        """Highest-density set of the unit: rows (low, high)."""
        return mode_finding.highest_density_set(self.marginal, prob)

    @functools.cached_property
    def parameters(self) -> pd.DataFrame:
        """Mean and standard deviation of every unknown parameter within the best mode."""
        import pandas as pd

        places = self._in_mode(self.modes[0])
        p, weight = self._at(places), self._weight(places)
        values = {"unit": p.unit, "sigma": p.sigma, "growth": p.growth, "outliers": p.outliers}
        rows = []
        for name, value in values.items():
            if name == "unit" or any(name in coordinate for coordinate in self.prior.names):
                mean, sd = mode_finding.moments(value, weight)
                rows.append({"parameter": name, "mean": mean, "sd": sd})
        if self.prior.free:
            mean = self._free_offset(places, weight)
            sd = mode_finding.spread_of_offset(p.offset, p.unit, weight, mean)
            rows.append({"parameter": "offset", "mean": mean, "sd": sd})
        elif "offset" in self.prior.names:
            mean, sd = mode_finding.moments(p.offset, weight)
            rows.append({"parameter": "offset", "mean": mean, "sd": sd})
        return pd.DataFrame(rows)

    def _free_offset(self, places: IntArray, weight: FloatArray) -> float:
        """Mean of the phases round the circle, at the unit of the best mode, in [0, unit)."""
        unit = self.modes[0].unit
        vector = np.sum(weight * np.exp(2j * np.pi * self._nodes.shift[places]))
        return (self.prior.origin + unit * float(np.angle(vector) / (2 * np.pi))) % unit

    def _offset_of_best_comb(self) -> float:
        """Mean offset in the best mode without the combs that whole units lie between."""
        places = self._in_mode(self.modes[0])
        offset, log_mass = self._at(places).offset, self._nodes.log_mass[places]
        away = np.abs(offset - offset[np.argmax(log_mass)]) * np.abs(self.likelihood.lever).max()
        same = away <= 0.5 * self.modes[0].unit
        return mode_finding.moments(offset[same], self._weight(places[same]))[0]

    @functools.cached_property
    def centre(self) -> Parameters:
        """The parameters in the middle of the best mode, each of shape (1,)."""
        table = self.parameters
        means = dict(zip(table["parameter"], table["mean"], strict=True))
        known = taken(self.prior, "sigma", "offset", "growth", "outliers")
        if "offset" in self.prior.names:
            means["offset"] = self._offset_of_best_comb()
        fixed = {name: np.array([means.get(name, value)], float) for name, value in known.items()}
        return Parameters(unit=np.array([self.modes[0].unit]), **fixed)

    @property
    def integers(self) -> IntArray:
        """Most probable whole number of each reading in the middle of the best mode."""
        return self.settled.likelihood.best_integers(self.settled.centre)

    @functools.cached_property
    def integer_probabilities(self) -> pd.DataFrame:
        """Rows (reading, integer, probability) over the whole posterior, down to 1e-4."""
        import pandas as pd

        places, share = self._representative
        whole, probability = self.likelihood.integer_shares(self._combs(places), share)
        probability = probability[self.likelihood.state_of_reading()]
        ranked = np.argsort(-probability, axis=1, kind="stable")
        chance = np.take_along_axis(probability, ranked, axis=1)
        reading, place = np.nonzero(chance >= _SMALLEST_PROBABILITY)
        integer, chance = whole[ranked[reading, place]], chance[reading, place]
        return pd.DataFrame({"reading": reading, "integer": integer, "probability": chance})

    @functools.cached_property
    def outlier_probabilities(self) -> FloatArray:
        """Probability that each reading is off the comb, shape (n,)."""
        places, share = self._representative
        return self.likelihood.outlier_probability(self._combs(places), share)

    def integers_in_best_mode(self, n: int, rng: RngLike = None) -> IntArray:
        """Whole numbers of each charge state in `n` draws from the best mode, shape (n, J)."""
        generator, found = randomness.generator(rng), self.settled
        places = found._in_mode(found.modes[0])
        pick = generator.choice(places, size=n, p=found._weight(places))
        return found.likelihood.draw_integers(found._combs(pick), generator)

    @property
    def known_sigma(self) -> float | None:
        """Typical scatter of a level mean, where it is known otherwise than through the comb.

        That of repeats that were all rounded to one number is not less than rounding has.
        """
        levels = self.readings.select(self.readings.measured).levels()
        typical = float(np.median(np.sqrt(levels.factor)))
        if self.model.noise != "constant":
            return None
        rounding = float(np.sqrt(np.median(self.likelihood.kinds.rounding)))
        if isinstance(self.prior.sigma, float):
            return math.hypot(self.prior.sigma * typical, rounding)
        if levels.degrees >= _FEWEST_DEGREES and not levels.sigma_given:
            return max(math.sqrt(levels.scatter / levels.degrees) * typical, rounding)
        return None

    def nearer_than_chance(self) -> BoolArray:
        """Which readings the best mode makes likelier than sizes without steps, shape (n,)."""
        return nearer_than_chance(self.settled.likelihood, self.settled.centre)

    def draws(self, n: int, rng: RngLike = None) -> Parameters:
        """`n` independent draws; a free offset lies in [0, unit)."""
        return self.prior.parameters(self.coordinates(n, rng))

    def coordinates(self, n: int, rng: RngLike = None) -> FloatArray:
        """`n` independent draws in the coordinates of the prior, shape (n, d)."""
        generator = randomness.generator(rng)
        return drawing.draw(self.likelihood, self.prior, self._nodes, n, generator)

    def predictions(self, n: int, rng: RngLike = None) -> FloatArray:
        """`n` samples that the same charge states would give again, shape (n, readings)."""
        generator, found = randomness.generator(rng), self.settled
        return drawing.predict(found.likelihood, found.draws(n, generator), generator)

    def likeliest(
        self, most: int, *, within: float, least: FloatArray, largest: float
    ) -> tuple[Parameters, IntArray, FloatArray]:
        """The most probable combs, no further below the best than `within`.

        Their units, the bias of `quantize.model.bias` in them, lie between `least` (at each node
        of noise) and `largest`. With them come the node of noise of each, and the log of its prior
        mass times likelihood.
        """
        nodes = self._nodes
        unit = np.exp(nodes.log_unit)
        shown = (unit >= least[nodes.index]) & (unit <= largest)
        places = np.flatnonzero(shown & (nodes.log_mass > nodes.log_mass.max() - within))
        places = places[np.argsort(-nodes.log_mass[places], kind="stable")[:most]]
        log_mass = nodes.log_mass[places] + nodes.log_continuum
        return self._combs(places), nodes.index[places], log_mass

    @property
    def most_probable_shift(self) -> float:
        """The shift of the readings at the most probable point."""
        return float(self._nodes.shift[np.argmax(self._nodes.log_mass)])

    def units_and_shifts(self, mode: Mode | None = None) -> tuple[FloatArray, ...]:
        """Units, shifts of the readings (zero without one) and shares, in one mode or in all."""
        nodes = self._nodes
        places = np.arange(nodes.share.size) if mode is None else self._in_mode(mode)
        shift = nodes.shift[places] if self.shared else np.zeros(places.size)
        return np.exp(nodes.corrected[places]), shift, self._weight(places)

    def filled_cells(self, parts: int, lightest: float) -> tuple[FloatArray, ...]:
        """Log units, shifts and shares of `parts` points within the cell of every node.

        Nodes that have less than the part `lightest` of the heaviest one are left out.
        """
        nodes = self._nodes
        heavy = nodes.share > lightest * nodes.share.max()
        within = (np.arange(parts) + 0.5) / parts - 0.5
        log_unit = nodes.corrected[heavy][:, None] + nodes.cell[heavy][:, None] * within
        shift = np.zeros_like(log_unit)
        if self.shared:
            apart = nodes.shift_cell[heavy][:, None] * np.roll(within, 2)[::-1]
            shift = nodes.shift[heavy][:, None] + apart
        mass = np.repeat(nodes.share[heavy] / nodes.share[heavy].sum() / parts, parts)
        return log_unit.ravel(), shift.ravel(), mass

    def _combs(self, places: IntArray) -> Parameters:
        """The combs of some nodes, the bias still in their units."""
        nodes = self._nodes
        return self.prior.parameters(drawing.at_nodes(self.prior, nodes, places, nodes.log_unit))

    def _at(self, places: IntArray) -> Parameters:
        """The parameters at some nodes, the bias taken off their units."""
        corrected = drawing.at_nodes(self.prior, self._nodes, places, self._nodes.corrected)
        return self.prior.parameters(corrected)

    def _in_mode(self, mode: Mode) -> IntArray:
        """Places of the nodes within a mode."""
        u = self._nodes.corrected
        return np.flatnonzero((u >= np.log(mode.low)) & (u <= np.log(mode.high)))

    def _weight(self, places: IntArray) -> FloatArray:
        share = self._nodes.share[places]
        return np.asarray(share / share.sum())

    @functools.cached_property
    def _representative(self) -> tuple[IntArray, FloatArray]:
        """Nodes that stand for all, with their shares: the heaviest, and a fair sample of the rest.

        The sample takes a node at even steps of the share summed along the unit, on which the
        whole numbers depend most.
        """
        share = self._nodes.share / self._nodes.share.sum()
        wanted = _WORK_FOR_INTEGERS // self.likelihood.states
        most = _NODES_FOR_INTEGERS["offset free" if self.prior.free else "offset known"]
        wanted = int(np.clip(wanted, 300, most))
        order = np.argsort(-share, kind="stable")
        if order.size <= wanted:
            return order, share[order]
        heavy, rest = order[: wanted // 2], order[wanted // 2 :]
        rest = rest[np.argsort(self._nodes.corrected[rest], kind="stable")]
        running = np.cumsum(share[rest])
        steps = (np.arange(wanted // 2) + 0.5) / (wanted // 2) * running[-1]
        other = rest[np.minimum(np.searchsorted(running, steps), rest.size - 1)]
        weight = np.concatenate([share[heavy], np.full(other.size, running[-1] / other.size)])
        return np.concatenate([heavy, other]), weight
