"""Finding by simulation where power reaches what is wished: sizes round a guess, then a curve."""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from quantize._support.parallel import Progress
from quantize.studies.checkpoint import Checkpoint
from quantize.studies.comparison import declare
from quantize.studies.conditions import Condition
from quantize.studies.engine import run_study
from quantize.studies.estimators import Estimator, estimators_of
from quantize.studies.power_curves import Curve, fit_curve

ROUNDS = 3
_AROUND = (0.6, 0.8, 1.0, 1.25, 1.6)
FEWEST_STATES = 5


@dataclasses.dataclass(frozen=True, kw_only=True)
class Machinery:
    """How the simulations are run."""

    replicates: int
    seed: np.random.SeedSequence
    estimator: Estimator
    workers: Any = None
    checkpoint: str | os.PathLike[str] | None = None
    progress: Progress = False

    def decisions(self, conditions: Sequence[Condition], turn: int) -> list[np.ndarray]:
        """The p-values of every page of every condition; NaN where the estimator failed."""
        kept = None
        if self.checkpoint is not None:
            path = Path(self.checkpoint)
            kept = Checkpoint(path if turn == 0 else path.with_name(f"{path.name}.{turn}"))
        study, _ = declare(
            tuple(conditions),
            (self.estimator,),
            replicates=self.replicates,
            prob=0.95,
            time_limit=None,
            rng=np.random.SeedSequence(self.seed.entropy, spawn_key=(*self.seed.spawn_key, turn)),
            checkpoint=kept,
        )
        answers = run_study(study, workers=self.workers, checkpoint=kept, progress=self.progress)
        return [outcomes.decision[:, 0] for outcomes in answers]


@dataclasses.dataclass(kw_only=True)
class Search:
    """One quest: values of x at which to simulate, until the power asked for lies among them.

    Attributes
    ----------
    condition : callable
        Makes a condition from a value.
    tidy : callable
        The nearest value that can be simulated.
    guess : float
    smallest, largest : float
        Values that are never passed.
    """

    condition: Callable[[float], Condition]
    tidy: Callable[[float], float]
    guess: float
    smallest: float
    largest: float
    decisions: dict[float, np.ndarray] = dataclasses.field(default_factory=dict)
    settled: bool = False

    def values(self) -> list[float]:
        """Where to simulate next."""
        wanted = [
            self.tidy(min(max(self.guess * factor, self.smallest), self.largest))
            for factor in _AROUND
        ]
        return sorted(set(wanted) - set(self.decisions))

    def hits(self, alpha: float) -> tuple[list[float], list[int], list[int]]:
        """Values, pages with steps, and pages."""
        values = sorted(self.decisions)
        return (
            values,
            [int(np.sum(self.decisions[value] <= alpha)) for value in values],
            [self.decisions[value].size for value in values],
        )

    def curve(self, alpha: float) -> Curve:
        """The probit line in the logarithm of the value."""
        values, hits, pages = self.hits(alpha)
        return fit_curve(np.log(values).tolist(), hits, pages)

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


def run_searches(
    searches: Sequence[Search], machinery: Machinery, *, power: float, alpha: float
) -> None:
    """Simulate for all of them together, in at most `ROUNDS` rounds."""
    for turn in range(ROUNDS):
        jobs = [
            (search, value)
            for search in searches
            if not search.settled
            for value in search.values()
        ]
        if not jobs:
            return
        answers = machinery.decisions([search.condition(value) for search, value in jobs], turn)
        for (search, value), decisions in zip(jobs, answers, strict=True):
            search.decisions[value] = decisions
        for search in searches:
            if not search.settled:
                search.review(power, alpha)


def decider(estimator: Any) -> Estimator:
    """The one estimator whose power is asked for."""
    [found] = estimators_of(estimator)
    return found
