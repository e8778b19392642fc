"""Where power reaches what is wished, by simulation: sizes round a guess, then a curve."""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from quantize._support import randomness
from quantize._support.parallel import Progress
from quantize._support.randomness import RngLike
from quantize._support.validation import FloatArray
from quantize.null.power import UNKNOWN, Curve, Estimate, fit_curve
from quantize.null.sample import MOST_ITEMS
from quantize.studies.conditions import Condition, Whole
from quantize.studies.estimators import Estimator
from quantize.studies.study import Checkpoint, Workers, declare, run_study

ROUNDS = 3
FEWEST_STATES = 5
_AROUND = (0.6, 0.8, 1.0, 1.25, 1.6)
_GUESS = ((0.05, 0.10, 0.15, 0.20, 0.25), (8, 11, 20, 45, 90))
"""sigma/unit, and the states with which a search for the usual power begins."""
_BEYOND = 0.3
"""How far beyond the simulated sizes the curve is followed, in the logarithm."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Simulator:
    """How the simulations are run."""

    replicates: int
    seed: np.random.SeedSequence
    estimator: Estimator
    workers: Workers = None
    checkpoint: str | os.PathLike[str] | None = None
    progress: Progress = False

    def decisions(self, conditions: Sequence[Condition], number: int) -> list[FloatArray]:
        """The p-values in a round, for every sample of every condition; NaN without an answer."""
        kept = None
        if self.checkpoint is not None:
            path = Path(self.checkpoint)
            kept = Checkpoint(path if number == 0 else path.with_name(f"{path.name}.{number}"))
        key = (*self.seed.spawn_key, number)
        study, _ = declare(
            tuple(conditions),
            (self.estimator,),
            replicates=self.replicates,
            prob=0.95,
            time_limit=None,
            rng=np.random.SeedSequence(self.seed.entropy, spawn_key=key),
            checkpoint=kept,
        )
        answers = run_study(study, workers=self.workers, checkpoint=kept, progress=self.progress)
        return [outcomes.decision[:, 0] for outcomes in answers]


def seed_of(
    rng: RngLike, checkpoint: str | os.PathLike[str] | None = None
) -> np.random.SeedSequence:
    """The seed of a plan: the one given, that of the checkpoint, or a fresh one."""
    kept = Checkpoint(checkpoint).header() if checkpoint is not None and rng is None else None
    if kept is None:
        return randomness.own_seed(rng, randomness.generator(rng))
    # Without the number of the round, and the child that its study took.
    seed = kept["seed"]
    return np.random.SeedSequence(seed["entropy"], spawn_key=tuple(seed["spawn_key"][:-2]))


@dataclasses.dataclass(kw_only=True)
class Search:
    """Values of x at which to simulate, until the power asked for lies among them.

    `condition` makes a condition from a value, `tidy` is the nearest value that can be simulated.
    """

    condition: Callable[[float], Condition]
    tidy: Callable[[float], float]
    guess: float
    smallest: float
    largest: float
    decisions: dict[float, FloatArray] = dataclasses.field(default_factory=dict)
    settled: bool = False

    def values(self) -> list[float]:
        """Where to simulate next."""
        wanted = [
            self.tidy(min(max(self.guess * factor, self.smallest), self.largest))
            for factor in _AROUND
        ]
        return sorted(set(wanted) - set(self.decisions))

    def hits(self, alpha: float) -> list[tuple[float, int, int]]:
        """Values, samples with steps, and samples."""
        return [
            (value, int(np.sum(p <= alpha)), p.size) for value, p in sorted(self.decisions.items())
        ]

    def curve(self, alpha: float) -> Curve:
        """The probit line in the logarithm of the value."""
        values, hits, samples = zip(*self.hits(alpha), strict=True)
        return fit_curve(np.log(values).tolist(), hits, samples)

    def review(self, power: float, alpha: float) -> None:
        """Whether the power lies among the values; otherwise move on."""
        curve = self.curve(alpha)
        x, _ = curve.reaches(power)
        # A curve that does not rise points nowhere.
        if not np.isfinite(x):
            x = curve.last
        if curve.first <= x <= curve.last:
            self.settled = True
            return
        target = float(np.exp(np.clip(x, curve.first - np.log(4), curve.last + np.log(4))))
        self.guess = min(max(target, self.smallest), self.largest)
        self.settled = not self.values()

    def reached(self, power: float, alpha: float) -> Estimate:
        """The value at which the power is reached; unknown where that lies beyond all values."""
        curve = self.curve(alpha)
        log, error = curve.reaches(power)
        if not self.settled or not curve.first - _BEYOND <= log <= curve.last + _BEYOND:
            return UNKNOWN
        return Estimate(log=log, error=error)


def search_readings(spread: float, repeats: int, integers: Whole) -> Search:
    """For the number of readings at a sigma/unit, up to as many states as the verdict compares."""
    guess = float(np.interp(spread / np.sqrt(repeats), *_GUESS)) * np.sqrt(repeats)
    return Search(
        condition=lambda n: Condition(
            n=int(n), sigma=spread, repeats=repeats, integers=integers, unit_range=None
        ),
        tidy=lambda n: float(repeats * max(round(n / repeats), FEWEST_STATES)),
        guess=guess,
        smallest=repeats * FEWEST_STATES,
        largest=repeats * MOST_ITEMS,
    )


def search_spread(count: int, repeats: int, integers: Whole) -> Search:
    """For the sigma/unit at a number of readings."""
    states = np.log(count / repeats)
    guess = float(np.interp(states, np.log(_GUESS[1]), _GUESS[0])) * np.sqrt(repeats)
    return Search(
        condition=lambda s: Condition(
            n=count, sigma=s, repeats=repeats, integers=integers, unit_range=None
        ),
        tidy=lambda s: float(f"{s:.3g}"),
        guess=guess,
        smallest=0.01,
        largest=1.0,
    )


def run_searches(
    searches: Sequence[Search], simulator: Simulator, *, power: float, alpha: float
) -> None:
    """Simulate for all of them together, in at most `ROUNDS` rounds."""
    for number in range(ROUNDS):
        jobs = [
            (search, value)
            for search in searches
            if not search.settled
            for value in search.values()
        ]
        if not jobs:
            return
        answers = simulator.decisions([search.condition(value) for search, value in jobs], number)
        for (search, value), decisions in zip(jobs, answers, strict=True):
            search.decisions[value] = decisions
        for search in searches:
            if not search.settled:
                search.review(power, alpha)
