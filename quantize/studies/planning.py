"""plan(): how many readings, how small a unit, which bench."""

from __future__ import annotations

import dataclasses
import itertools
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError, explained, one_line
from quantize._support.parallel import Progress
from quantize._support.randomness import RngLike
from quantize._support.results import Result
from quantize._support.validation import FloatArray
from quantize.comb.unit_range import scatter_of_repeats
from quantize.null.power import ALPHAS, REPEATS, Estimate, stored
from quantize.readings import Readings, as_readings
from quantize.studies.bench import setups
from quantize.studies.conditions import Condition, Whole
from quantize.studies.estimators import Named, estimators_of
from quantize.studies.search import (
    Search,
    Simulator,
    run_searches,
    search_readings,
    search_spread,
    seed_of,
)
from quantize.studies.study import Workers
from quantize.studies.summary import share_row

if TYPE_CHECKING:
    import pandas as pd

    from quantize.charge.apparatus import Apparatus
    from quantize.charge.planning import BenchPlan

Numbers = float | Sequence[float] | FloatArray
"""One number or several."""

INTEGERS = (-4, 4)
_FEWEST_DEGREES = 3


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Plan(Result):
    """Result of `plan`.

    Attributes
    ----------
    question : {"readings", "unit", "bench"}
        What was asked for.
    table : pandas.DataFrame
        For "readings": sigma_over_unit, sigma, repeats, readings, low, high, states. For "unit":
        readings, repeats, sigma, unit, low, high, sigma_over_unit. Low and high are the ends of a
        95 % interval of the answer; NaN is an answer beyond what was simulated. For "bench": the
        table of `quantize.charge.plan_bench`, and readings, low, high for each setup.
    curves : pandas.DataFrame
        The simulations behind it: sigma_over_unit, repeats, readings, power, low, high.
    power, alpha : float
        Share of runs that shall show steps, and share of false steps that is accepted.
    method : {"table", "simulation"}
        Where the answer comes from.
    note : str
        What the answer holds for.
    cautions : tuple of str
        What to mind at the bench.
    """

    question: str
    table: pd.DataFrame
    curves: pd.DataFrame
    power: float
    alpha: float
    method: str
    note: str
    cautions: tuple[str, ...]

    def _headline(self) -> str:
        row = self.table.iloc[0]
        if self.question == "unit":
            said = f"unit of {row['unit']:.3g} or more from {row['readings']:.0f} readings"
        else:
            said = f"{row['readings']:.0f} readings at sigma/unit {row['sigma_over_unit']:.3g}"
        more = f", and {len(self.table) - 1} rows more" if len(self.table) > 1 else ""
        said = said.replace("unit of nan or more", "no unit")
        said = said.replace("nan readings", "more readings than simulated")
        return f"{said}{more}"


@explained()
def plan(
    *,
    sigma: Numbers | None = None,
    unit: float = 1.0,
    readings: int | Sequence[int] | Readings | None = None,
    repeats: int | Sequence[int] | None = None,
    apparatus: Apparatus | Mapping[str, Any] | str | Path | None = None,
    diameters: Numbers | str | Sequence[str] | None = None,
    intervals: Numbers = (5.0, 10.0, 20.0),
    power: float = 0.8,
    alpha: float = 0.05,
    integers: Whole = INTEGERS,
    estimator: Named = "verdict",
    replicates: int | None = None,
    rng: RngLike = None,
    workers: Workers = None,
    checkpoint: str | os.PathLike[str] | None = None,
    progress: Progress = False,
) -> Plan:
    """Say how many readings show steps, how small a unit readings show, or which bench to build.

    The answer comes from a stored table of simulations, or from simulations made for the question
    where `replicates` is given.

    Parameters
    ----------
    sigma : float or list of float, optional
        Standard deviation of a reading, in the unit of the readings; asks for the number of
        readings. With `readings` it is the one sigma of these.
    unit : float
        The unit expected, in the unit of the readings.
    readings : int, list of int or Readings, optional
        How many there are, or the `Readings` at hand; asks for the smallest unit that they can
        show. Their sigma is given, in the readings, or determined by repeats.
    repeats : int or list of int, optional
        Readings of each charge state; 1, 2 and 4 are compared if left out.
    apparatus : Apparatus, mapping, str or Path, optional
        A bench; asks for the best sphere, interval and voltage. It needs the separation of the
        plates, the density of the spheres, and the scale's division and length.
    diameters : float, str or list of these, optional
        Those of the spheres to be tried, m, or "2.1 um"; that of the apparatus if left out.
    intervals : float or list of float
        Timed intervals to be tried, s.
    power : float
        Share of such runs that shall show steps.
    alpha : float
        Share of false steps that is accepted.
    integers : (int, int), ("poisson", mean), ("walk", start) or callable
        Which whole numbers occur; a pair is uniform from the first to the last. See
        `quantize.studies.Condition`.
    estimator : str, callable or Estimator
        Whose power it is, one of those that `compare_estimators` takes. "verdict" is the verdict
        of `analyze`.
    replicates : int, optional
        Simulate so many samples at each of about five sizes, in place of the stored table. The
        table knows whole numbers from -4 to 4, the verdict, repeats of 1, 2 and 4, and alpha of
        0.10, 0.05, 0.02 and 0.01.
    rng : int, SeedSequence or Generator, optional
        The seed of the simulations; left out, that of the checkpoint, if there is one.
    workers : int, concurrent.futures.Executor or map-like callable, optional
        Who simulates. None works in this process, a number starts so many processes.
    checkpoint : str or Path, optional
        File in which finished simulations are kept, and from which they go on. Later rounds of a
        search have files of their own beside it, with a number at the end of the name.
    progress : bool or callable
        True shows a bar with the time left; a callable gets (samples done, samples).

    Returns
    -------
    Plan
        The answers in a table, each with its interval, and the simulations behind them.

    Raises
    ------
    InputError
        For input that cannot be used, or cases that the table does not have.

    Examples
    --------
    >>> import quantize as qz
    >>> sharp = qz.plan(sigma=0.1, repeats=1)
    >>> bool(10 < sharp.table["readings"][0] < 25)
    True
    >>> shown = qz.plan(readings=20, sigma=0.3, repeats=1)
    >>> bool(1 < shown.table["unit"][0] < 4)
    True
    """
    wish = validation.fraction("power", power)
    level = validation.fraction("alpha", alpha)
    asked = _repeats_of(repeats)
    simulator = None
    if replicates is not None:
        [decider] = estimators_of(estimator)
        simulator = Simulator(
            replicates=validation.count("replicates", replicates, least=2),
            seed=seed_of(rng, checkpoint),
            estimator=decider,
            workers=workers,
            checkpoint=checkpoint,
            progress=progress,
        )
    elif checkpoint is not None:
        raise InputError("`checkpoint` is for simulations; give `replicates` as well.")
    else:
        _need_the_table(estimator, integers, level, asked)
    question = _Question(power=wish, alpha=level, integers=integers, simulator=simulator)
    if apparatus is not None:
        if readings is not None or sigma is not None:
            raise InputError("`apparatus` determines sigma and readings; leave those two out.")
        return question.bench(setups(apparatus, diameters, intervals), asked or (1,))
    if readings is not None:
        counts, own, own_repeats = _at_hand(readings, sigma)
        return question.unit(counts, own, asked or own_repeats)
    if sigma is None:
        raise InputError(
            "`sigma` is missing; give it for the number of readings, with `readings` for the "
            "smallest unit, or give `apparatus`."
        )
    given = [validation.positive("sigma", s) for s in np.atleast_1d(sigma).tolist()]
    if not given:
        raise InputError("`sigma` is an empty list; give at least one.")
    return question.readings(given, validation.positive("unit", unit), asked or REPEATS)


@dataclasses.dataclass(frozen=True, kw_only=True)
class _Question:
    """What is asked, and the means to answer it: simulations, or else the stored table."""

    power: float
    alpha: float
    integers: Whole
    simulator: Simulator | None

    def readings(self, sigma: list[float], unit: float, repeats: tuple[int, ...]) -> Plan:
        """Readings for the power."""
        cases = [(s / unit, m) for s in sigma for m in repeats]
        answers, curves = self.needed(cases)
        rows = []
        for (spread, m), answer in zip(cases, answers, strict=True):
            rows.append({"sigma_over_unit": spread, "sigma": spread * unit, "repeats": m} | answer)
            rows[-1]["states"] = np.ceil(answer["readings"] / m)
        return self.result("readings", rows, curves)

    def needed(
        self, cases: list[tuple[float, int]]
    ) -> tuple[list[dict[str, float]], list[dict[str, float]]]:
        """Readings, low and high for each (sigma/unit, repeats), and the shares behind them."""
        if self.simulator is None:
            table = stored()
            found = [table.readings(s, m, self.power, self.alpha) for s, m in cases]
            return [_whole(answer, m) for answer, (_, m) in zip(found, cases, strict=True)], []
        searches = [search_readings(s, m, self.integers) for s, m in cases]
        found = self.simulated(searches, self.simulator)
        answers = [_whole(answer, m) for answer, (_, m) in zip(found, cases, strict=True)]
        curves = [
            share_row(s, m, n, hits, samples)
            for (s, m), search in zip(cases, searches, strict=True)
            for n, hits, samples in search.hits(self.alpha)
        ]
        return answers, curves

    def unit(self, counts: list[int], sigma: float, repeats: tuple[int, ...]) -> Plan:
        """Smallest unit for the power."""
        rows, curves = [], []
        for count, m in itertools.product(counts, repeats):
            if self.simulator is None:
                spread = stored().sharpest(count, m, self.power, self.alpha)
            else:
                search = search_spread(count, m, self.integers)
                [spread] = self.simulated([search], self.simulator)
                curves += [share_row(s, m, count, *share) for s, *share in search.hits(self.alpha)]
            low, high = spread.ends()
            rows.append(
                {
                    "readings": count,
                    "repeats": m,
                    "sigma": sigma,
                    "unit": sigma / spread.value,
                    "low": sigma / high,
                    "high": sigma / low,
                    "sigma_over_unit": spread.value,
                }
            )
        return self.result("unit", rows, curves)

    def bench(self, planned: BenchPlan, repeats: tuple[int, ...]) -> Plan:
        """Setups at the bench, the one that needs fewest readings first."""
        import pandas as pd

        top = planned.table.head(12 if self.simulator is None else 3)
        cases = [(s, m) for s in top["sigma_over_unit"].tolist() for m in repeats]
        answers, curves = self.needed(cases)
        pairs = [(setup, m) for setup in top.to_dict("records") for m in repeats]
        rows: list[dict[Any, Any]] = [
            {**setup, "repeats": m, **answer}
            for (setup, m), answer in zip(pairs, answers, strict=True)
        ]
        table = pd.DataFrame(rows).sort_values("readings", kind="stable", ignore_index=True)
        return self.result("bench", table, curves, planned.note, planned.cautions)

    def simulated(self, searches: list[Search], simulator: Simulator) -> list[Estimate]:
        """Where each search reaches the power."""
        run_searches(searches, simulator, power=self.power, alpha=self.alpha)
        return [search.reached(self.power, self.alpha) for search in searches]

    def result(
        self,
        question: str,
        rows: Any,
        curves: list[dict[str, float]],
        more: str = "",
        cautions: tuple[str, ...] = (),
    ) -> Plan:
        """The answer with what it holds for."""
        import pandas as pd

        shown = Condition(integers=self.integers).label("integers")
        note = (
            f"Readings with normal errors, whole numbers {shown.replace(' ', ' … ', 1)}, offset "
            f"zero, default range of units; power {self.power:g} at alpha {self.alpha:g}."
        )
        columns = ["sigma_over_unit", "repeats", "readings", "power", "low", "high"]
        if self.simulator is None:
            curves = [share_row(*share) for share in stored().shares(self.alpha)]
        return Plan(
            question=question,
            table=pd.DataFrame(rows),
            curves=pd.DataFrame(curves, columns=columns),
            power=self.power,
            alpha=self.alpha,
            method="table" if self.simulator is None else "simulation",
            note=f"{note} {more}".strip(),
            cautions=cautions,
        )


def _whole(answer: Estimate, m: int) -> dict[str, float]:
    """Whole states of m readings each, the ends of the interval like the answer between them."""
    low, high = answer.ends()
    value = answer.value if np.isfinite(answer.log) else float("nan")
    numbers = {"readings": value, "low": low, "high": high}
    return {name: float(m * np.ceil(n / m - 1e-9)) for name, n in numbers.items()}


def _need_the_table(estimator: Any, integers: Any, alpha: float, repeats: tuple[int, ...]) -> None:
    """Refuse what the stored table cannot answer."""
    remedy = "give `replicates` to simulate it"
    if estimator != "verdict":
        raise InputError(f"`estimator` is {estimator!r}, which the table does not have; {remedy}.")
    if not isinstance(integers, Sequence) or tuple(integers) != INTEGERS:
        raise InputError(f"`integers` is {integers!r}, which the table does not have; {remedy}.")
    for name, has, asked in (("alpha", ALPHAS, (alpha,)), ("repeats", REPEATS, repeats)):
        for value in set(asked).difference(has):
            known = ", ".join(f"{each:g}" for each in has[:-1]) + f" and {has[-1]:g}"
            said = f"`{name}` is {value:g}; the table has {known}, so take one of these"
            raise InputError(f"{said} or {remedy}.")


def _repeats_of(given: Any) -> tuple[int, ...]:
    """Numbers of repeats; none where nothing was said."""
    if given is None:
        return ()
    counts = tuple(validation.count("repeats", m) for m in np.atleast_1d(given).tolist())
    if not counts:
        raise InputError("`repeats` is an empty list; give at least one number.")
    return counts


def _at_hand(readings: Any, sigma: Any) -> tuple[list[int], float, tuple[int, ...]]:
    """Numbers of readings, and sigma and repeats of those at hand."""
    own = None if sigma is None else validation.positive("sigma", sigma)
    if not isinstance(readings, Readings):
        try:
            counts = [validation.count("readings", n) for n in np.atleast_1d(readings).tolist()]
        except InputError:
            counts = []
        if not counts:
            raise InputError(
                f"`readings` is {one_line(repr(readings))[:60]}; say how many, 20 or "
                "[10, 20, 40], or hand in those at hand as Readings(values)."
            )
        if own is None:
            raise InputError("`sigma` is missing; a number of readings alone shows no unit.")
        return counts, own, REPEATS
    data = as_readings(readings)
    levels = data.levels()
    if own is None and data.sigma is not None:
        own = float(np.median(data.sigma))
    if own is None:
        if levels.degrees < _FEWEST_DEGREES:
            raise InputError(
                "`sigma` is missing, and the readings do not determine it; give it, or label the "
                "states of readings that were repeated."
            )
        # Repeats that were all rounded to one number still have the error of rounding.
        least = (data.rounding_step or 0.0) / np.sqrt(12)
        own = max(scatter_of_repeats(data), float(least))
        if own == 0:
            raise InputError("`readings` do not scatter within their states; give `sigma`.")
    repeats = max(round(len(data) / levels.mean.size), 1)
    return [len(data)], own, (min(REPEATS, key=lambda m: abs(m - repeats)),)
