"""A posterior averaged over one or two errors that the readings share.

Where the lattice of unit and shift would be too large, and for the second of two shifts.
"""

from __future__ import annotations

import contextlib
import dataclasses
import functools
import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from quantize._support import randomness
from quantize._support.randomness import RngLike
from quantize._support.validation import FloatArray
from quantize.model.likelihood import Parameters
from quantize.model.nodes import Nodes
from quantize.model.posterior import Posterior
from quantize.model.quadrature import TooManyBoxes
from quantize.readings import Readings
from quantize.shared_shift import SharedShift

if TYPE_CHECKING:
    import pandas as pd

_ROUNDS = 6
_SCALE = 1.5
"""Standard errors up to which steps are about even; farther out they grow in proportion."""
_BEYOND, _LONGEST_REACH = 1e-5, 200.0
"""Probability of a shift beyond the last on either side; its largest size in standard errors."""
_LARGEST, _NO_PART = 0.3, 1e-4
"""Share between neighbours from which on steps are halved; not those of less than the second."""
_FIRST_STEP = 2.5
"""Of the shifts tried first, in standard errors of what the readings say of the shift."""
_FEWEST_SHIFTS, _MOST_SHIFTS, _MOST_OF_SECOND, _FINE = 9, 129, 17, 2001
_SAME_MODE, _LEAST_WEIGHT, _LEAST_PROBABILITY = 0.04, 1e-4, 1e-4
_NEGLIGIBLE, _LAID_OUT = 30.0, 15.0  # nats below the highest node; what is lower is left uneven
_MOST_PLACES, _MOST_NODES = 40, 1_000_000


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Averaged:
    """What was found at several values of a shift.

    `z` are the shifts in standard errors, rising; `prior` and `weight` are the share of each before
    and after the readings, `step` the length that each stands for, `found` what `over_shift` was
    given there, and `log_evidence` that averaged over the prior.
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
    first: int,
    at: Callable[[FloatArray, FloatArray], Sequence[Any]],
    log_evidence: Callable[[Any], float],
) -> Averaged:
    """Call `at` with `first` shifts, in standard errors, and their prior shares, then with more.

    The trapezium rule in x, where z = sinh(x) times a scale: few degrees of freedom mean long
    tails, so the steps widen outwards. Of a smooth function it errs by little as soon as a step is
    no longer than a standard deviation, if all steps are alike; so all that count are halved.
    """
    density, reach = _law(degrees)
    x = np.linspace(-1.0, 1.0, first) * math.asinh(reach / _SCALE)
    prior = _prior(x, density)
    found = list(at(_SCALE * np.sinh(x), prior))
    for _ in range(_ROUNDS):
        weight = _weights(prior, np.array([log_evidence(one) for one in found]))[0]
        across = (weight[:-1] + weight[1:]) / 2
        if across.max() <= _LARGEST:
            break
        halved = np.flatnonzero(across > _NO_PART)
        halved = np.arange(halved[0], halved[-1] + 1)
        new = (x[halved] + x[halved + 1]) / 2
        x = np.insert(x, halved + 1, new)
        prior = _prior(x, density)
        places = halved + 1 + np.arange(halved.size)
        more = at(_SCALE * np.sinh(new), prior[places])
        for place, one in zip(places.tolist(), more, strict=True):
            found.insert(place, one)
    weight, evidence = _weights(prior, np.array([log_evidence(one) for one in found]))
    z: FloatArray = _SCALE * np.sinh(x)
    return Averaged(
        z=z,
        prior=prior,
        weight=weight,
        step=np.gradient(z),
        found=tuple(found),
        log_evidence=evidence,
    )


def _needed(found: Posterior, shift: SharedShift) -> int:
    """How many values of a shift are tried first, so that none that counts lies between two."""
    terms = found.likelihood
    known = (shift.error * shift.lever[terms.order] / terms.scale)[terms.beyond == 0]
    length = 2 * _SCALE * math.asinh(_law(shift.degrees_of_freedom)[1] / _SCALE)
    steps = length * float(np.linalg.norm(known)) / float(found.noise.sigma.min()) / _FIRST_STEP
    return max(math.ceil(steps) + 1, _FEWEST_SHIFTS)


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class SummedPosterior(Posterior):
    """A posterior whose shift is summed over at some of its values, not on a lattice.

    Nodes whose log mass is far below `floor` need not be found.
    """

    floor: float = -np.inf

    @functools.cached_property
    def _nodes(self) -> Nodes:
        shift = self.readings.shift
        assert shift is not None
        first = min(_needed(self, shift), _MOST_SHIFTS)

        def at(z: FloatArray, prior: FloatArray) -> list[Nodes]:
            return self.nodes_at(z * shift.error, np.log(prior), self.floor)

        found = over_shift(shift.degrees_of_freedom, first, at, _log_evidence)
        continuum = _log_continuum(found, shift.degrees_of_freedom)
        return _joined(found, continuum, shift.error, smooth=self.common is None)


def averaged(found: Posterior, floor: float = -np.inf, *, on_lattice: bool = True) -> Posterior:
    """`found` averaged over the errors that its readings share; itself if there are none.

    On its lattice of unit and shift; with the shift summed over where that is too large, and at
    once if it is one of many, unless that takes very many values of the shift.
    """
    shift = found.readings.shift
    if shift is None or not found.shared:
        return found
    fields = {f.name: getattr(found, f.name) for f in dataclasses.fields(found)}
    if shift.also is not None:
        return AveragedPosterior(**fields, floor=floor)
    if on_lattice and (found.common is None or _needed(found, shift) > _MOST_SHIFTS):
        with contextlib.suppress(TooManyBoxes):
            _ = found.log_bayes_factor
            return found
    return SummedPosterior(**fields, floor=floor)


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class AveragedPosterior(Posterior):
    """A posterior averaged over the second shift of its readings.

    Nodes whose log mass is far below `floor` need not be found.
    """

    floor: float = -np.inf

    @functools.cached_property
    def averaged(self) -> Averaged:
        """The posteriors at the values of the second shift."""
        shift = self.readings.shift
        assert shift is not None
        assert shift.also is not None
        most = _MOST_OF_SECOND if self.likelihood.one_lever else _FEWEST_SHIFTS
        first, best = min(_needed(self, shift.also), most), self.floor

        on_lattice = True

        def at(z: FloatArray, prior: FloatArray) -> list[Posterior]:
            # Beside the best so far nodes of the others may be negligible.
            nonlocal best, on_lattice
            out: dict[int, Posterior] = {}
            log_prior = np.log(prior)
            for i in np.argsort(np.abs(z), kind="stable").tolist():
                moved = with_shift_at(self.readings, float(z[i]))
                one = Posterior.of(self.model, moved, self.unit_range, common=self)
                out[i] = averaged(one, best - log_prior[i], on_lattice=on_lattice)
                on_lattice = not isinstance(out[i], SummedPosterior)
                nodes = out[i]._nodes
                highest = nodes.log_mass.max(initial=-np.inf) + nodes.log_continuum
                best = max(best, highest + log_prior[i])
            return [out[i] for i in range(z.size)]

        degrees = shift.also.degrees_of_freedom
        return over_shift(degrees, first, at, lambda one: _log_evidence(one._nodes))

    @property
    def settled(self) -> Posterior:
        """That with the second shift at its most probable value."""
        best: Posterior = self.averaged.best
        return best

    @functools.cached_property
    def _nodes(self) -> Nodes:
        """The nodes of all of them."""
        shift = self.readings.shift
        assert shift is not None
        assert shift.also is not None
        nodes = tuple(one._nodes for one in self.averaged.found)
        found = dataclasses.replace(self.averaged, found=nodes)
        return _joined(found, _log_continuum(found, shift.also.degrees_of_freedom))

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

    @functools.cached_property
    def outlier_probabilities(self) -> FloatArray:
        """Probability that each reading is off the comb, averaged over the shift."""
        parts = [w * one.outlier_probabilities for one, w in self._that_count]
        return np.asarray(np.sum(parts, axis=0))

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
        fields = [f.name for f in dataclasses.fields(Parameters)]
        return Parameters(
            **{name: np.concatenate([getattr(part, name) for part in parts]) for name in fields}
        )

    @property
    def _that_count(self) -> list[tuple[Any, float]]:
        """The posteriors at the shifts that are not negligible, with their weights."""
        pairs = zip(self.averaged.found, self.averaged.weight, strict=True)
        return [(one, weight) for one, weight in pairs if weight > _LEAST_WEIGHT]


def _log_evidence(one: Nodes) -> float:
    return one.log_continuum + one.log_bayes_factor


def _log_continuum(averaged: Averaged, degrees: float) -> float:
    """Log evidence without steps, which is smooth in the shift, and broader than that of steps."""
    from scipy.interpolate import make_interp_spline

    x = np.arcsinh(averaged.z / _SCALE)
    smooth = make_interp_spline(x, [nodes.log_continuum for nodes in averaged.found])
    x = np.linspace(x[0], x[-1], _FINE)
    prior = _prior(x, _law(degrees)[0])
    return float(np.logaddexp.reduce(smooth(x) + np.log(prior / prior.sum())))


def _joined(
    averaged: Averaged, continuum: float, error: float | None = None, *, smooth: bool = True
) -> Nodes:
    """The nodes of every shift, each with its prior weight.

    With the standard `error` of the shift, that is put in the place of the offset. `continuum` is
    the log evidence without steps.

    Between two shifts the unit moves on: in a `smooth` posterior the nodes that matter are laid out
    over the units that their shift stands for, in steps of a cell.
    """
    parts: tuple[Nodes, ...] = averaged.found
    log_prior = np.log(averaged.prior)
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
    keep = arrays["log_mass"] > arrays["log_mass"].max(initial=-np.inf) - _NEGLIGIBLE
    arrays = {name: array[keep] for name, array in arrays.items()}
    if smooth and keep.any():
        arrays = _laid_out(arrays, np.repeat(_moved_across(averaged), sizes)[keep])
    return Nodes(**arrays, noise=parts[0].noise, log_continuum=continuum)


def _moved_across(averaged: Averaged) -> FloatArray:
    """How far the log of the best unit moves across what each shift stands for."""
    best: Nodes = averaged.best
    if not best.log_mass.size:
        return np.zeros(averaged.z.size)
    unit = math.exp(best.corrected[np.argmax(best.log_mass)])
    near, share = np.full(averaged.z.size, unit), np.zeros(averaged.z.size)
    for i in np.flatnonzero(averaged.weight > _LEAST_WEIGHT).tolist():
        nodes = averaged.found[i]
        mine = np.abs(nodes.corrected - math.log(unit)) < _SAME_MODE
        if part := float(nodes.share[mine].sum()):
            near[i] = nodes.share[mine] @ np.exp(nodes.corrected[mine]) / part
            share[i] = averaged.weight[i] * part
    known = share > 0
    if known.sum() < 3:
        return np.zeros(averaged.z.size)
    slope = np.polyfit(averaged.z[known], np.log(near[known]), 1, w=np.sqrt(share[known]))[0]
    return np.asarray(np.abs(slope) * averaged.step)


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
    return law.pdf, min(float(law.isf(_BEYOND)), _LONGEST_REACH)


def _prior(x: FloatArray, density: Callable[[FloatArray], FloatArray]) -> FloatArray:
    """Prior share of each shift."""
    prior: FloatArray = density(_SCALE * np.sinh(x)) * _SCALE * np.cosh(x) * np.gradient(x)
    # The trapezium rule has half a step at each end, and np.gradient a whole one.
    prior[[0, -1]] /= 2
    return prior


def _weights(prior: FloatArray, logs: FloatArray) -> tuple[FloatArray, float]:
    """Posterior share of each shift, and the log evidence."""
    top = float(logs.max())
    if not math.isfinite(top):
        return prior, top
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
