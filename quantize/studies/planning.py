"""plan(): how many readings, how small a unit, which bench."""

from __future__ import annotations

import dataclasses
import os
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from quantize._support import randomness, validation
from quantize._support.errors import InputError
from quantize._support.parallel import Progress
from quantize._support.randomness import RngLike
from quantize._support.results import Result
from quantize.studies import power_curves
from quantize.studies.conditions import Condition
from quantize.studies.planning_inputs import REPEATS, at_hand, repeats_of, setups
from quantize.studies.search import FEWEST_STATES, Machinery, Search, decider, run_searches

if TYPE_CHECKING:
    import pandas as pd

INTEGERS = (-4, 4)
_GUESS = ((0.05, 0.10, 0.15, 0.20, 0.25), (8, 11, 20, 45, 90))


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Plan(Result):
    """Result of `plan`.

    Attributes
    ----------
    question : {"readings", "unit", "bench"}
    table : pandas.DataFrame
        For "readings": sigma_over_unit, sigma, repeats, readings, low, high, states. For "unit":
        readings, repeats, sigma, unit, low, high, sigma_over_unit. Low and high are the ends of a
        95 % interval of the answer; NaN is an answer beyond what was simulated. For "bench": the
        table of `quantize.charge.plan_bench`, and readings, low, high for each setup.
    curves : pandas.DataFrame
        The simulations behind it: sigma_over_unit, repeats, readings, power, low, high.
    method : {"table", "simulation"}
    note : str
        What the answer holds for.
    """

    question: str
    table: pd.DataFrame
    curves: pd.DataFrame
    power: float
    alpha: float
    method: str
    note: str
    cautions: tuple[str, ...]

    _private: ClassVar[tuple[str, ...]] = ()

    def _headline(self) -> str:
        row = self.table.iloc[0]
        if self.question == "unit":
            said = f"unit of {row['unit']:.3g} or more from {row['readings']:.0f} readings"
        else:
            said = f"{row['readings']:.0f} readings at sigma/unit {row['sigma_over_unit']:.3g}"
        more = f", and {len(self.table) - 1} rows more" if len(self.table) > 1 else ""
        return f"{said}{more}"


def plan(
    *,
    sigma: Any = None,
    unit: float = 1.0,
    readings: Any = None,
    repeats: Any = None,
    apparatus: Any = None,
    diameters: Any = None,
    intervals: Any = (5.0, 10.0, 20.0),
    power: float = 0.8,
    alpha: float = 0.05,
    integers: Any = INTEGERS,
    estimator: Any = "verdict",
    replicates: int | None = None,
    rng: RngLike = None,
    workers: Any = None,
    checkpoint: str | os.PathLike[str] | None = None,
    progress: Progress = False,
) -> Plan:
    """How many readings show steps, how small a unit these readings show, or which bench to build.

    Parameters
    ----------
    sigma : float or list of float, optional
        Standard deviation of a reading, in the unit of the readings; asks for the number of
        readings. With `readings` it is the one sigma of these.
    unit : float
        The unit expected, likewise.
    readings : int, Readings or array_like, optional
        Readings at hand, or their number; asks for the smallest unit that they can show. Their
        sigma is given, in the readings, or told by repeats.
    repeats : int or list of int, optional
        Readings of each charge state; 1, 2 and 4 are compared if left out.
    apparatus : Apparatus, mapping, str or Path, optional
        A bench; asks for the best sphere, interval and voltage. It needs the separation of the
        plates, the density of the spheres, and the scale's division and length.
    diameters : list of float, optional
        Of the spheres to be tried, m; that of the apparatus if left out.
    intervals : list of float
        To be tried, s.
    power : float
        Share of such runs that shall show steps.
    alpha : float
        Share of false steps that is accepted.
    integers : (int, int) or other
        Which whole numbers occur; see `quantize.studies.Condition`.
    estimator : str or callable
        Whose power it is; see `compare_estimators`. "verdict" is what `analyze` waits for.
    replicates : int, optional
        Simulate so many pages at each of about five sizes, in place of the stored table. The
        table knows whole numbers from -4 to 4, the verdict, repeats of 1, 2 and 4, and alpha of
        0.10, 0.05, 0.02 and 0.01.
    rng, workers, checkpoint, progress
        As in `compare_estimators`. Later rounds of a search have checkpoints of their own beside
        the first, with a number at the end of the name.

    Returns
    -------
    Plan

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
    told = repeats_of(repeats)
    machinery = _machinery(estimator, replicates, rng, workers, checkpoint, progress)
    if machinery is None:
        _need_the_table(estimator, integers, level)
    ask = Question(wish, level, integers, machinery)
    if apparatus is not None:
        if readings is not None or sigma is not None:
            raise InputError("`apparatus` tells sigma and readings; leave those two out.")
        return ask.bench(apparatus, diameters, intervals, told or (1,))
    if readings is not None:
        count, own, own_repeats = at_hand(readings, sigma)
        return ask.unit(count, own, told or own_repeats)
    if sigma is None:
        raise InputError(
            "`sigma` is missing; give it for the number of readings, with `readings` for the "
            "smallest unit, or give `apparatus`."
        )
    given = [validation.positive("sigma", s) for s in np.atleast_1d(sigma).tolist()]
    if not given:
        raise InputError("`sigma` is an empty list; give at least one.")
    return ask.readings(given, validation.positive("unit", unit), told or REPEATS)


class Question:
    """What is asked, and the means to answer it."""

    def __init__(
        self, power: float, alpha: float, integers: Any, machinery: Machinery | None
    ) -> None:
        self.power, self.alpha, self.integers = power, alpha, integers
        self.machinery = machinery

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
        """Readings, low and high for each (sigma/unit, repeats)."""
        if self.machinery is None:
            found = [power_curves.from_table(s, m, self.power, self.alpha) for s, m in cases]
            return [_whole(answer, m) for answer, (_, m) in zip(found, cases, strict=True)], []
        searches = [self.search_readings(s, m) for s, m in cases]
        run_searches(searches, self.machinery, power=self.power, alpha=self.alpha)
        answers, curves = [], []
        for (s, m), search in zip(cases, searches, strict=True):
            answers.append(_whole(self._reached(search), m))
            curves += self._shares(search, s, m)
        return answers, curves

    def unit(self, count: int, sigma: float, repeats: tuple[int, ...]) -> Plan:
        """Smallest unit for the power."""
        rows, curves = [], []
        searches = []
        for m in repeats:
            if self.machinery is None:
                spread = power_curves.sharpest(count, m, self.power, self.alpha)
                error = self._error_of_spread(count, m, spread)
            else:
                search = self._search_spread(count, m)
                searches.append(search)
                run_searches([search], self.machinery, power=self.power, alpha=self.alpha)
                found = self._reached(search)
                spread, error = found.value, found.error
                curves += self._shares(search, None, m, count)
            rows.append(
                {
                    "readings": count,
                    "repeats": m,
                    "sigma": sigma,
                    "unit": sigma / spread,
                    "low": sigma / spread * float(np.exp(-1.96 * error)),
                    "high": sigma / spread * float(np.exp(1.96 * error)),
                    "sigma_over_unit": spread,
                }
            )
        return self.result("unit", rows, curves)

    def bench(
        self, apparatus: Any, diameters: Any, intervals: Any, repeats: tuple[int, ...]
    ) -> Plan:
        """Setups at the bench, the one that needs fewest readings first."""
        import pandas as pd

        planned = setups(apparatus, diameters, intervals)
        most = 12 if self.machinery is None else 3
        top = planned.table.head(most)
        cases = [(s, m) for s in top["sigma_over_unit"].tolist() for m in repeats]
        answers, curves = self.needed(cases)
        pairs = [(setup, m) for setup in top.to_dict("records") for m in repeats]
        rows: list[dict[Any, Any]] = [
            {**setup, "repeats": m, **answer}
            for (setup, m), answer in zip(pairs, answers, strict=True)
        ]
        table = pd.DataFrame(rows).sort_values("readings", kind="stable", ignore_index=True)
        return self.result("bench", table, curves, planned.note, planned.cautions)

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
        if self.machinery is None:
            curves = power_curves.stored_shares(self.alpha)
        return Plan(
            question=question,
            table=pd.DataFrame(rows),
            curves=pd.DataFrame(curves, columns=columns),
            power=self.power,
            alpha=self.alpha,
            method="table" if self.machinery is None else "simulation",
            note=f"{note} {more}".strip(),
            cautions=cautions,
        )

    def _reached(self, search: Search) -> power_curves.Estimate:
        curve = search.curve(self.alpha)
        log, error = curve.reaches(self.power)
        if not search.settled or not curve.first - 0.3 <= log <= curve.last + 0.3:
            return power_curves.UNKNOWN
        return power_curves.Estimate(log=log, error=error)

    def search_readings(self, spread: float, m: int) -> Search:
        """Sizes round a guess, up to as many states as the verdict weighs."""
        from quantize.null.sample import MOST_ITEMS

        guess = float(np.interp(spread / np.sqrt(m), *_GUESS)) * np.sqrt(m)
        return Search(
            condition=lambda n: Condition(
                n=int(n), sigma=spread, repeats=m, integers=self.integers, unit_range=None
            ),
            tidy=lambda n: float(m * max(round(n / m), FEWEST_STATES)),
            guess=guess,
            smallest=m * FEWEST_STATES,
            largest=m * MOST_ITEMS,
        )

    def _search_spread(self, count: int, m: int) -> Search:
        guess = float(np.interp(np.log(count / m), np.log(_GUESS[1]), _GUESS[0])) * np.sqrt(m)
        return Search(
            condition=lambda s: Condition(
                n=count, sigma=s, repeats=m, integers=self.integers, unit_range=None
            ),
            tidy=lambda s: float(f"{s:.3g}"),
            guess=guess,
            smallest=0.01,
            largest=1.0,
        )

    def _shares(
        self, search: Search, spread: float | None, m: int, count: int = 0
    ) -> list[dict[str, float]]:
        return [
            power_curves.share_of(
                value if spread is None else spread,
                m,
                count if spread is None else value,
                hits,
                pages,
            )
            for value, hits, pages in zip(*search.hits(self.alpha), strict=True)
        ]

    def _error_of_spread(self, count: int, m: int, spread: float) -> float:
        """The error of log n carried over to the logarithm of sigma/unit."""
        if not np.isfinite(spread):
            return float("nan")
        near = [power_curves.from_table(spread * f, m, self.power, self.alpha) for f in (0.95, 1.0)]
        slope = (near[1].log - near[0].log) / -np.log(0.95)
        return float(near[1].error / max(slope, 0.1))


def _whole(answer: power_curves.Estimate, m: int) -> dict[str, float]:
    """Whole states of m readings each."""
    low, high = answer.ends()
    value = float(m * np.ceil(answer.value / m - 1e-9)) if np.isfinite(answer.log) else float("nan")
    return {"readings": value, "low": low, "high": high}


def _machinery(
    estimator: Any,
    replicates: int | None,
    rng: RngLike,
    workers: Any,
    checkpoint: Any,
    progress: Progress,
) -> Machinery | None:
    if replicates is None:
        if checkpoint is not None:
            raise InputError("`checkpoint` is for simulations; give `replicates` as well.")
        return None
    seed = randomness.seed_sequence(randomness.generator(rng))
    return Machinery(
        replicates=validation.count("replicates", replicates, least=2),
        seed=seed,
        estimator=decider(estimator),
        workers=workers,
        checkpoint=checkpoint,
        progress=progress,
    )


def _need_the_table(estimator: Any, integers: Any, alpha: float) -> None:
    """Refuse what the stored table cannot answer."""
    remedy = "give `replicates` to simulate it"
    if estimator != "verdict":
        raise InputError(f"`estimator` is {estimator!r}, which the table does not have; {remedy}.")
    if callable(integers) or tuple(integers) != INTEGERS:
        raise InputError(f"`integers` is {integers!r}, which the table does not have; {remedy}.")
    if alpha not in power_curves.ALPHAS:
        raise InputError(
            f"`alpha` is {alpha:g}; the table has 0.1, 0.05, 0.02 and 0.01, so take one of these "
            f"or {remedy}."
        )
