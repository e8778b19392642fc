"""A posterior averaged over an error that the readings share.

Where the lattice of unit and shift would be too large, and for the second of two shifts.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from quantize._support import randomness
from quantize._support.randomness import RngLike
from quantize._support.validation import BoolArray, FloatArray, IntArray
from quantize.model.likelihood import Parameters
from quantize.model.nodes import Nodes
from quantize.model.posterior import Posterior
from quantize.readings import Readings
from quantize.shared_shift import SharedShift

if TYPE_CHECKING:
    import pandas as pd

_ROUNDS = 6
_NORMAL_REACH, _LONGEST_REACH = 4.2, 12.0  # in standard errors
_SAME_MODE = 0.04
_NEGLIGIBLE = 30.0  # nats below the highest node
_LAID_OUT = 15.0  # nats below the highest node; what is lower needs no smoothness
_MOST_PLACES = 40
_MOST_NODES = 1_000_000
_LEAST_WEIGHT = 1e-4
_LEAST_PROBABILITY = 1e-4


@dataclasses.dataclass(frozen=True, kw_only=True)
class Rule:
    """How a shift is summed over.

    Attributes
    ----------
    first : int
        Values that are tried first.
    spread : float
        How much wider their steps become outwards: by up to cosh(spread).
    largest : float
        Share of the posterior between neighbours from which on the step between them is halved.
    """

    first: int = 17
    spread: float = 3.0
    largest: float = 0.1


OF_TWO = Rule(first=7, spread=1.5, largest=0.3)
"""Of each of two shifts: steps of about one standard error, which suit a smooth posterior."""


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Averaged:
    """What was found at several values of a shift.

    `z` are the shifts in standard errors, rising; `prior` and `weight` are the share of each before
    and after the readings, `step` the length that each stands for, and `log_evidence` that averaged
    over the prior.
    """

    z: FloatArray
    prior: FloatArray
    weight: FloatArray
    step: FloatArray
    found: tuple[Any, ...]
    log_evidence: float

    @property
    def best(self) -> Any:
        """What was found at the most probable shift."""
        return self.found[int(np.argmax(self.weight))]


def over_shift(
    degrees: float,
    at: Callable[[float], Any],
    log_evidence: Callable[[Any], float],
    rule: Rule = Rule(),
) -> Averaged:
    """Call `at` with as many shifts, in standard errors, as the rule needs.

    The trapezium rule in x, where z = reach·sinh(x)/sinh(spread): few degrees of freedom mean long
    tails, so the steps widen outwards.
    """
    density, reach = _law(degrees)
    scale = reach / math.sinh(rule.spread)
    x = np.linspace(-rule.spread, rule.spread, rule.first)
    found = [at(z) for z in scale * np.sinh(x)]
    for _ in range(_ROUNDS):
        logs = np.array([log_evidence(one) for one in found])
        weight = _weights(_prior(x, scale, density), logs)[0]
        wide = np.flatnonzero((weight[:-1] + weight[1:]) / 2 > rule.largest)
        if wide.size == 0:
            break
        new = (x[wide] + x[wide + 1]) / 2
        found += [at(z) for z in scale * np.sinh(new)]
        x = np.concatenate([x, new])
        order = np.argsort(x)
        x, found = x[order], [found[i] for i in order]
    prior = _prior(x, scale, density)
    weight, evidence = _weights(prior, np.array([log_evidence(one) for one in found]))
    z: FloatArray = scale * np.sinh(x)
    return Averaged(
        z=z,
        prior=prior,
        weight=weight,
        step=np.gradient(z),
        found=tuple(found),
        log_evidence=evidence,
    )


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class AveragedPosterior(Posterior):
    """A posterior averaged over the last shift of its readings.

    `at_shift` gives the posterior with that shift so many standard errors up and taken off.
    """

    at_shift: Callable[[float], Posterior]

    @classmethod
    def over(cls, found: Posterior, at_shift: Callable[[float], Posterior]) -> AveragedPosterior:
        """`found`, the last of its shifts averaged over."""
        fields = {f.name: getattr(found, f.name) for f in dataclasses.fields(found)}
        return cls(**fields, at_shift=at_shift)

    @property
    def outer(self) -> SharedShift:
        """The shift that is averaged over."""
        shift = self.readings.shift
        assert shift is not None
        return shift.also or shift

    @functools.cached_property
    def averaged(self) -> Averaged:
        """The posteriors at the values of the shift."""
        if self.alone:
            rule = OF_TWO if self.common is not None else Rule()
        else:
            broad = isinstance(self.at_shift(0.0), AveragedPosterior)
            rule = OF_TWO if broad else Rule(first=9)
        return over_shift(self.outer.degrees_of_freedom, self.at_shift, _log_evidence, rule)

    @property
    def alone(self) -> bool:
        """Whether it is the only shift, which then stands in the place of the offset."""
        return self.readings.shift is self.outer

    @property
    def settled(self) -> Posterior:
        """That with the shift at its most probable value."""
        best: Posterior = self.averaged.best.settled
        return best

    @functools.cached_property
    def _nodes(self) -> Nodes:
        """The nodes of all of them."""
        error = self.outer.error if self.alone else None
        return _joined(self.averaged, error)

    @property
    def integers(self) -> IntArray:
        """Most probable whole number of each reading, at the most probable shift."""
        best: IntArray = self.averaged.best.integers
        return best

    @functools.cached_property
    def integer_probabilities(self) -> pd.DataFrame:
        """Rows (reading, integer, probability), averaged over the shift."""
        import pandas as pd

        parts = [
            one.integer_probabilities.assign(weight=weight) for one, weight in self._that_count
        ]
        rows = pd.concat(parts)
        rows["probability"] *= rows["weight"]
        sums = rows.groupby(["reading", "integer"], as_index=False)["probability"].sum()
        sums = sums[sums["probability"] >= _LEAST_PROBABILITY]
        sums = sums.sort_values(["reading", "probability"], ascending=[True, False])
        ranked: pd.DataFrame = sums.reset_index(drop=True)
        return ranked

    def outlier_probabilities(self) -> FloatArray:
        """Probability that each reading is off the comb, averaged over the shift."""
        parts = [w * one.outlier_probabilities() for one, w in self._that_count]
        total: FloatArray = np.sum(parts, axis=0)
        return total

    def integers_in_best_mode(self, n: int, rng: RngLike = None) -> IntArray:
        """Whole numbers in draws from the best mode, at the most probable shift."""
        drawn: IntArray = self.averaged.best.integers_in_best_mode(n, rng)
        return drawn

    def nearer_than_chance(self) -> BoolArray:
        """Which readings the comb makes likelier, at the most probable shift."""
        near: BoolArray = self.averaged.best.nearer_than_chance()
        return near

    def draws(self, n: int, rng: RngLike = None) -> Parameters:
        """`n` independent draws."""
        generator = randomness.generator(rng)
        weight = self.averaged.weight
        sizes = generator.multinomial(n, weight / weight.sum())
        parts = [
            one.draws(int(k), generator)
            for one, k in zip(self.averaged.found, sizes, strict=True)
            if k
        ]
        if self.alone:
            parts = [
                dataclasses.replace(part, offset=part.offset + z * self.outer.error)
                for part, z in zip(parts, self.averaged.z[sizes > 0], strict=True)
            ]
        fields = [f.name for f in dataclasses.fields(Parameters)]
        return Parameters(
            **{name: np.concatenate([getattr(part, name) for part in parts]) for name in fields}
        )

    def predictions(self, n: int, rng: RngLike = None) -> FloatArray:
        """`n` samples of the same charge states, at the most probable shift."""
        again: FloatArray = self.averaged.best.predictions(n, rng)
        return again

    @property
    def _that_count(self) -> list[tuple[Any, float]]:
        """The posteriors at the shifts that are not negligible, with their weights."""
        pairs = zip(self.averaged.found, self.averaged.weight, strict=True)
        return [(one, weight) for one, weight in pairs if weight > _LEAST_WEIGHT]


def _log_evidence(one: Posterior) -> float:
    return one.log_continuum + one.log_bayes_factor


def _joined(averaged: Averaged, error: float | None) -> Nodes:
    """The nodes of every posterior, each with the prior weight of its shift.

    With the standard `error` of the shift, that is put in the place of the offset.

    Between two shifts the unit moves on: the nodes that matter are laid out over the units that
    their posterior stands for, in steps of a cell.
    """
    parts: list[Nodes] = [one._nodes for one in averaged.found]
    with np.errstate(divide="ignore"):
        log_prior = np.log(averaged.prior)
    continuum = float(np.logaddexp.reduce([p.log_continuum for p in parts] + log_prior))
    names = ("log_unit", "bias", "cell", "shift", "shift_cell", "index")
    arrays = {name: np.concatenate([getattr(p, name) for p in parts]) for name in names}
    arrays["log_mass"] = np.concatenate(
        [
            p.log_mass + p.log_continuum + weight - continuum
            for p, weight in zip(parts, log_prior, strict=True)
        ]
    )
    sizes = [p.log_mass.size for p in parts]
    if error is not None:
        arrays["shift"] = np.repeat(averaged.z * error, sizes)
        arrays["shift_cell"] = np.repeat(averaged.step * error, sizes)
    across = np.repeat(_moved_across(averaged), sizes)
    keep = arrays["log_mass"] > arrays["log_mass"].max() - _NEGLIGIBLE
    arrays = {name: array[keep] for name, array in arrays.items()}
    return Nodes(**_laid_out(arrays, across[keep]), noise=parts[0].noise, log_continuum=continuum)


def _moved_across(averaged: Averaged) -> FloatArray:
    """How far the log of the best unit moves across what each posterior stands for."""
    unit = averaged.best.modes[0].unit
    near, share = np.full(averaged.z.size, unit), np.zeros(averaged.z.size)
    for i, one in enumerate(averaged.found):
        if averaged.weight[i] < _LEAST_WEIGHT:
            continue
        mode = min(one.modes, key=lambda m: abs(math.log(m.unit / unit)))
        if abs(mode.unit / unit - 1) < _SAME_MODE:
            near[i], share[i] = mode.unit, averaged.weight[i] * mode.share
    known = share > 0
    if known.sum() < 3:
        return np.zeros(averaged.z.size)
    slope = np.polyfit(averaged.z[known], np.log(near[known]), 1, w=np.sqrt(share[known]))[0]
    across: FloatArray = np.abs(slope) * averaged.step
    return across


def _laid_out(arrays: dict[str, Any], across: FloatArray) -> dict[str, Any]:
    """Each node in as many places as its cell goes into the log unit that it stands for."""
    log_mass = arrays["log_mass"]
    places = np.ceil(across / arrays["cell"]).clip(1, _MOST_PLACES).astype(np.int64)
    places[log_mass < log_mass.max() - _LAID_OUT] = 1
    while int(places.sum()) > max(_MOST_NODES, 2 * places.size) and places.max() > 1:
        places = np.maximum(places // 2, 1)
    owner = np.repeat(np.arange(places.size), places)
    start = np.repeat(np.cumsum(places) - places, places)
    place = (np.arange(owner.size) - start + 0.5) / places[owner] - 0.5
    out = {name: array[owner] for name, array in arrays.items()}
    out["log_unit"] = out["log_unit"] + place * across[owner]
    out["log_mass"] = out["log_mass"] - np.log(places[owner])
    return out


def _law(degrees: float) -> tuple[Callable[[FloatArray], FloatArray], float]:
    from scipy.stats import norm, t

    law = norm() if math.isinf(degrees) else t(degrees)
    reach = min(max(float(law.ppf(0.9995)), _NORMAL_REACH), _LONGEST_REACH)
    return law.pdf, reach


def _prior(x: FloatArray, scale: float, density: Callable[[FloatArray], FloatArray]) -> FloatArray:
    """Prior share of each shift."""
    prior = density(scale * np.sinh(x)) * np.cosh(x) * np.gradient(x)
    # The trapezium rule has half a step at each end, and np.gradient a whole one.
    prior[[0, -1]] /= 2
    total: FloatArray = prior / prior.sum()
    return total


def _weights(prior: FloatArray, logs: FloatArray) -> tuple[FloatArray, float]:
    """Posterior share of each shift, and the log evidence."""
    top = float(logs.max())
    weight = prior * np.exp(logs - top)
    total = float(weight.sum())
    return weight / total, top + math.log(total)


def with_shift_at(readings: Readings, z: float) -> Readings:
    """The readings with the last of their shared shifts at `z` standard errors, taken off."""
    if readings.shift is None:
        return readings
    last = readings.shift.also or readings.shift
    left = None if last is readings.shift else dataclasses.replace(readings.shift, also=None)
    return readings.replace(values=readings.values - z * last.error * last.lever, shift=left)
