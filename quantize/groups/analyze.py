"""analyze_groups(): the whole analysis for each of many small data sets."""

from __future__ import annotations

import contextlib
import dataclasses
import functools
import inspect
import os
from collections.abc import Callable, Collection, Hashable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from typing import TYPE_CHECKING, Any, ClassVar, Unpack

import numpy as np
from numpy.typing import ArrayLike

from quantize._support import randomness, validation
from quantize._support.chunks import Chunk, Schedule, Work, carried_out, executor_of
from quantize._support.errors import InputError, explained
from quantize._support.parallel import Progress
from quantize._support.randomness import RngLike
from quantize._support.results import Result
from quantize.analysis import Analysis, AnalysisOptions, analyze
from quantize.groups.kept import KeptGroups, Row, header
from quantize.groups.split import Group, split
from quantize.model.mixture import model_of
from quantize.null.tails import resamples
from quantize.readings import Readings

if TYPE_CHECKING:
    import pandas as pd


_AT_ONCE = 4
"""Groups that travel to a worker together."""
_NUMBERS = ("unit", "unit_err", "share", "sigma", "offset", "p_value", "log_bayes_factor")
_OF_THE_CALL = ("`alpha`", "`n_resamples`", "`null`", "`offset`")
"""Messages that begin so are about the call, not about a group."""

Task = tuple[tuple[int, Readings], ...]
"""Groups by their place in the table."""
Placed = tuple[int, Row]


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class GroupAnalyses(Result):
    """Result of `analyze_groups`.

    Attributes
    ----------
    table : pandas.DataFrame
        One row for each group, in order of first appearance: group, n, verdict, unit, unit_err,
        share (posterior share of that unit), sigma, offset, p_value, log_bayes_factor, reason.
        A group that could not be used has no verdict, and its reason says why.
    by, value : str
        Names of the columns.
    alpha : float
        Share of false "steps" accepted in each group. With many groups without steps that share
        of them is false.
    unit_name : str or None
        What the readings are measured in, where it was said.
    """

    _private: ClassVar[tuple[str, ...]] = ("groups", "options")

    table: pd.DataFrame
    by: str
    value: str
    alpha: float
    settings: dict[str, Any]
    seed: dict[str, Any]
    groups: tuple[Group, ...]
    options: dict[str, Any]
    unit_name: str | None = None

    def __len__(self) -> int:
        return len(self.groups)

    @property
    def counts(self) -> dict[str, int]:
        """How many groups have each verdict."""
        return {
            verdict: int((self.table["verdict"] == verdict).sum())
            for verdict in ("steps", "no steps", "cannot tell")
        }

    @property
    def failed(self) -> dict[Hashable, str]:
        """For each group that could not be used, one message that says why."""
        lost = self.table["verdict"].isna()
        return dict(zip(self.table["group"][lost], self.table["reason"][lost], strict=True))

    def analysis(self, group: Hashable) -> Analysis:
        """The full analysis of one group, done again from its seed.

        Raises
        ------
        InputError
            For a label that there is not, or a group that could not be used.
        """
        place = self._place(group)
        readings = self.groups[place].readings
        if readings is None:
            raise InputError(f"`group` {group!r} was not analysed: {self.groups[place].problem}")
        return analyze(readings, rng=_child(self.seed, place), **self.options)

    @property
    def results(self) -> Mapping[Hashable, Analysis]:
        """The full analyses by label; each is done again when it is asked for."""
        return _Analyses(self)

    def seed_of(self, group: Hashable) -> np.random.SeedSequence:
        """The seed with which `analyze` gives the same for this group."""
        return _child(self.seed, self._place(group))

    def _place(self, group: Hashable) -> int:
        try:
            return [g.label for g in self.groups].index(group)
        except ValueError:
            raise InputError(
                f"`group` is {group!r}, and {self.by!r} has no such label; the first is "
                f"{self.groups[0].label!r}."
            ) from None

    def _headline(self) -> str:
        parts = [f"{number} {verdict}" for verdict, number in self.counts.items() if number]
        if self.failed:
            parts.append(f"{len(self.failed)} not analysed")
        return f"{len(self)} groups: {', '.join(parts)}"


class _Analyses(Mapping[Hashable, Analysis]):
    """Analyses that are made when they are asked for: all of thousands would not fit."""

    def __init__(self, found: GroupAnalyses) -> None:
        self._found = found
        failed = found.failed
        self._labels = [g.label for g in found.groups if g.label not in failed]

    def __getitem__(self, group: Hashable) -> Analysis:
        if group not in self._labels:
            raise KeyError(group)
        return self._found.analysis(group)

    def __iter__(self) -> Iterator[Hashable]:
        return iter(self._labels)

    def __len__(self) -> int:
        return len(self._labels)


@explained(AnalysisOptions)
def analyze_groups(
    table: pd.DataFrame | Mapping[str, ArrayLike],
    *,
    by: str,
    value: str,
    sigma: str | float | None = None,
    state: str | None = None,
    resolution: str | float | None = None,
    unit_name: str | None = None,
    checkpoint: str | os.PathLike[str] | None = None,
    rng: RngLike = None,
    workers: int | Executor | Callable[..., Any] | None = None,
    progress: Progress = False,
    **options: Unpack[AnalysisOptions],
) -> GroupAnalyses:
    """Analyse every group of a table by itself: thousands of particles, say.

    Parameters
    ----------
    table : pandas.DataFrame or dict of array_like
        One row for each reading.
    by : str
        Column that says whose reading it is.
    value : str
        Column of the readings.
    sigma : str or float, optional
        Column of the standard deviations, or one number for all.
    state : str, optional
        Column of the charge state; each group has its own states.
    resolution : str or float, optional
        Column of the steps to which readings are rounded, or one number for all.
    unit_name : str, optional
        What the readings are measured in, such as "div"; left out, what square brackets in the
        name of their column say, as in ``charge [1e-19 C]``.
    checkpoint : str or Path, optional
        File to which every finished group is written; the same call goes on from it after any
        stop, with the seed that the file names where `rng` is left out.
    rng : int, SeedSequence or Generator, optional
        The seed. Group i, counted by first appearance, gets the i-th child; so the answer depends
        on neither `workers` nor how the rows of different groups are mixed.
    workers : int, map-like callable or concurrent.futures.Executor, optional
        Who does the work. None works in this process, a number starts so many processes.
    progress : bool or callable
        True shows a bar; a callable gets (done, total) groups.
    **options
        As for `analyze`, the same for every group: `unit_range` (left out, each group has a range
        of its own), `offset`, `sigma_range`, `integers`, `model`, `null`, `alpha`, `n_resamples`.

    Returns
    -------
    GroupAnalyses
        A table with a row for each group, from which the full analysis of any can be asked.

    Raises
    ------
    InputError
        For a table, a column or an option that cannot be used. A group that cannot be used does
        not stop the others; see `GroupAnalyses.failed`.

    Notes
    -----
    Each group is tested by itself at `alpha`: among groups without steps that share is called
    "steps" wrongly. For a list of which so many per cent are false, hand the p-values to
    ``scipy.stats.false_discovery_control``.

    Examples
    --------
    >>> import quantize as qz
    >>> sample = [2.1, 3.9, 6.0, 8.1, 9.9, 14.0, 4.1, 11.9, 16.1, 6.1]
    >>> table = {"particle": ["A"] * 10 + ["B"], "divisions": [*sample, 7.2]}
    >>> found = qz.analyze_groups(table, by="particle", value="divisions",
    ...                           n_resamples=999, rng=1)
    >>> found
    <GroupAnalyses: 2 groups: 1 steps, 1 not analysed>
    >>> found.failed
    {'B': '`divisions` has 1 reading; at least 3 are needed to look for steps.'}
    >>> found.analysis("A").integers.tolist()
    [1, 2, 3, 4, 5, 7, 2, 6, 8, 3]
    """
    of_each: dict[str, Any] = {"sigma": sigma, "state": state, "resolution": resolution}
    groups, measured_in = split(table, by=by, value=value, unit_name=unit_name, **of_each)
    asked = _checked(options)
    model = asked["model"]
    settings = asked | {"model": None if model is None else model.to_dict()}
    kept = None if checkpoint is None else KeptGroups(checkpoint)
    generator = _generator(rng, kept)
    seed = randomness.record(generator)
    randomness.spawn(generator, len(groups))
    rows: dict[int, Row] = {}
    with contextlib.ExitStack() as stack:
        if kept is not None:
            stack.callback(kept.close)
            rows |= kept.open(header(groups, settings, seed))
        perform = functools.partial(_perform, options=asked, seed=seed)
        for place, row in _answers(groups, set(rows), perform, workers, progress):
            if kept is not None:
                kept.save(place, row)
            rows[place] = row
    return GroupAnalyses(
        table=_table(groups, rows),
        by=str(by),
        value=str(value),
        alpha=asked["alpha"],
        settings=settings,
        seed=seed,
        groups=tuple(groups),
        options=asked,
        unit_name=measured_in,
    )


def _checked(options: AnalysisOptions) -> dict[str, Any]:
    """All options of the analyses, those that were left out included."""
    every = inspect.signature(analyze).parameters
    asked: dict[str, Any] = {name: every[name].default for name in AnalysisOptions.__annotations__}
    asked |= options
    if asked["unit_range"] is not None:
        asked["unit_range"] = validation.unit_range(asked["unit_range"])
    asked["null"] = validation.choice("null", asked["null"], ("all", "smooth"))
    asked["alpha"] = validation.fraction("alpha", asked["alpha"])
    asked["n_resamples"] = resamples(asked["n_resamples"])
    validation.offset_mode(asked["offset"])
    model_of(asked["offset"], asked["sigma_range"], asked["model"], asked["integers"])
    return asked


def _generator(rng: RngLike, kept: KeptGroups | None) -> np.random.Generator:
    first = None if kept is None or rng is not None else kept.header()
    if first is None:
        return randomness.generator(rng)
    seed = first["seed"]
    made = np.random.SeedSequence(seed["entropy"], spawn_key=tuple(seed["spawn_key"]))
    return randomness.generator(made)


def _answers(
    groups: Sequence[Group],
    done: Collection[int],
    perform: Callable[[Task], list[Placed]],
    workers: Any,
    progress: Progress,
) -> Iterator[Placed]:
    """The rows of the groups that are not done."""
    usable = [(i, group.readings) for i, group in enumerate(groups) if group.readings is not None]
    schedule = Schedule(1, len(usable), size=_AT_ONCE)
    for j, (place, _) in enumerate(usable):
        if place in done:
            schedule.have(Chunk(cell=0, first=j, count=1), np.zeros(1))
    work = Work(
        perform=perform,
        task=lambda chunk: tuple(usable[chunk.first : chunk.first + chunk.count]),
        answer=list,
        label="groups",
        died="a process of it has died ({}); start again, with `checkpoint` to go on from "
        "what is finished",
        kept="a `checkpoint` to keep it in",
    )
    for _, rows in carried_out(schedule, work, executor_of(workers), progress):
        yield from rows


def _perform(task: Task, *, options: dict[str, Any], seed: dict[str, Any]) -> list[Placed]:
    return [(place, _row(readings, options, _child(seed, place))) for place, readings in task]


def _row(readings: Readings, options: dict[str, Any], child: np.random.SeedSequence) -> Row:
    try:
        found = analyze(readings, rng=child, **options)
    except InputError as error:
        if str(error).startswith(_OF_THE_CALL):
            raise
        return {"verdict": None, "reason": str(error)}
    return {
        "verdict": found.verdict,
        "unit": found.unit,
        "unit_err": found.unit_err,
        "share": float(found.alternatives["share"].iloc[0])
        if "share" in found.alternatives
        else float("nan"),
        "sigma": found.sigma,
        "offset": found.offset,
        "p_value": found.p_value,
        "log_bayes_factor": found.log_bayes_factor,
        "reason": found.reasons[0] if found.reasons else "",
    }


def _child(seed: dict[str, Any], place: int) -> np.random.SeedSequence:
    """What spawning gave to the group at this place, fresh."""
    key = (*seed["spawn_key"], seed["children_spawned"] + place)
    return np.random.SeedSequence(seed["entropy"], spawn_key=key)


def _table(groups: Sequence[Group], rows: Mapping[int, Row]) -> pd.DataFrame:
    import pandas as pd

    lost = [
        rows.get(i, {"verdict": None, "reason": group.problem}) for i, group in enumerate(groups)
    ]
    columns: dict[str, Any] = {
        "group": [group.label for group in groups],
        "n": [group.size for group in groups],
        "verdict": pd.Series([row["verdict"] for row in lost], dtype=object),
    }
    columns |= {name: [float(row.get(name, np.nan)) for row in lost] for name in _NUMBERS}
    columns["reason"] = pd.Series([row["reason"] for row in lost], dtype=object)
    return pd.DataFrame(columns)
