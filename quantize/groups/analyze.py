"""analyze_groups(): the whole analysis for each of many small data sets."""

from __future__ import annotations

import contextlib
import dataclasses
import functools
import os
from collections.abc import Hashable, Iterator, Mapping, Sequence
from concurrent.futures import BrokenExecutor
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from quantize._support import randomness, validation
from quantize._support.errors import InputError
from quantize._support.parallel import Progress, ordered_map, steps
from quantize._support.randomness import RngLike
from quantize._support.results import Result
from quantize.analysis import Analysis, analyze
from quantize.groups.kept import KeptGroups, Row, header
from quantize.groups.split import Group, split
from quantize.model.mixture import model_of
from quantize.readings import Readings

if TYPE_CHECKING:
    import pandas as pd

_AT_ONCE = 4
"""Groups that travel to a worker together."""
_NUMBERS = ("unit", "unit_err", "share", "sigma", "offset", "p_value", "log_bayes_factor")
_OF_THE_CALL = ("`alpha`", "`n_resamples`", "`null`", "`offset`")
"""Sentences that begin so are about the call, not about a group."""

Task = tuple[tuple[int, Readings], ...]


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
        """For each group that could not be used, one sentence that says why."""
        lost = self.table["verdict"].isna()
        return dict(zip(self.table["group"][lost], self.table["reason"][lost], strict=True))

    def analysis(self, group: Hashable) -> Analysis:
        """The full analysis of one group, done again from its seed.

        Raises
        ------
        InputError
            For a label that there is not, or a group that could not be used.
        """
        places = {g.label: i for i, g in enumerate(self.groups)}
        if group not in places:
            raise InputError(
                f"`group` is {group!r}, and {self.by!r} has no such label; the first is "
                f"{self.groups[0].label!r}."
            )
        place = places[group]
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
        return _child(self.seed, [g.label for g in self.groups].index(group))

    def _headline(self) -> str:
        parts = [f"{number} {verdict}" for verdict, number in self.counts.items() if number]
        if self.failed:
            parts.append(f"{len(self.failed)} not analysed")
        return f"{len(self)} groups: {', '.join(parts)}"


class _Analyses(Mapping[Hashable, Analysis]):
    """Analyses that are made when they are looked at: all of thousands would not fit."""

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


def analyze_groups(
    table: Any,
    *,
    by: str,
    value: str,
    sigma: str | float | None = None,
    state: str | None = None,
    resolution: str | float | None = None,
    unit_range: Any = None,
    offset: str | float = "zero",
    sigma_range: Any = None,
    model: Any = None,
    null: str = "all",
    alpha: float = 0.05,
    n_resamples: int = 9999,
    keep: str | os.PathLike[str] | None = None,
    rng: RngLike = None,
    workers: Any = None,
    progress: Progress = False,
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
        Column, or one number for all.
    state : str, optional
        Column of the charge state; each group has its own states.
    resolution : str or float, optional
        Column, or one number for all.
    unit_range, offset, sigma_range, model, null, alpha, n_resamples
        As in `analyze`, the same for every group.
    keep : path, optional
        File to which every finished group is written; the same call goes on from it after any
        stop, with the seed that the file names where `rng` is left out.
    rng : int, SeedSequence or Generator, optional
        Group i, counted by first appearance, gets the i-th child; so the answer depends on
        neither `workers` nor how the rows of different groups are mixed.
    workers : int, map-like callable or concurrent.futures.Executor, optional
    progress : bool or callable
        True shows a bar; a callable gets (done, total) groups.

    Returns
    -------
    GroupAnalyses

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
    >>> page = [2.1, 3.9, 6.0, 8.1, 9.9, 14.0, 4.1, 11.9, 16.1, 6.1]
    >>> table = {"particle": ["A"] * 10 + ["B"], "divisions": [*page, 7.2]}
    >>> found = qz.analyze_groups(table, by="particle", value="divisions", n_resamples=999, rng=1)
    >>> found
    <GroupAnalyses: 2 groups: 1 steps, 1 not analysed>
    >>> found.failed
    {'B': '`divisions` has 1 reading; at least 3 are needed to look for steps.'}
    >>> found.analysis("A").integers.tolist()
    [1, 2, 3, 4, 5, 7, 2, 6, 8, 3]
    """
    groups = split(table, by=by, value=value, sigma=sigma, state=state, resolution=resolution)
    options: dict[str, Any] = {
        "unit_range": None if unit_range is None else validation.unit_range(unit_range),
        "offset": offset,
        "sigma_range": sigma_range,
        "model": model,
        "null": validation.choice("null", null, ("all", "smooth")),
        "alpha": validation.fraction("alpha", alpha),
        "n_resamples": validation.count("n_resamples", n_resamples),
    }
    validation.offset_mode(offset)
    usable = [(i, g.readings) for i, g in enumerate(groups) if g.readings is not None]
    model_of(offset, sigma_range, model)
    settings = options | {"model": None if model is None else model.to_dict()}
    kept = None if keep is None else KeptGroups(keep)
    generator = _generator(rng, kept)
    seed = randomness.record(generator)
    randomness.spawn(generator, len(groups))
    rows: dict[int, Row] = {}
    try:
        if kept is not None:
            rows |= dict(kept.open(header(groups, settings, seed)))
        tasks = _tasks([(i, readings) for i, readings in usable if i not in rows])
        bar = steps(progress, len(usable), "groups", done=len(rows))
        for task, answers in _answers(tasks, options, seed, workers):
            for (place, _), row in zip(task, answers, strict=True):
                rows[place] = row
                if kept is not None:
                    kept.save(place, row)
            bar.advance(len(task))
        bar.close()
    finally:
        if kept is not None:
            kept.close()
    return GroupAnalyses(
        table=_table(groups, rows),
        by=str(by),
        value=str(value),
        alpha=float(alpha),
        settings=settings,
        seed=seed,
        groups=tuple(groups),
        options=options,
    )


def _generator(rng: RngLike, kept: KeptGroups | None) -> np.random.Generator:
    seed = None if kept is None or rng is not None else kept.header()
    if seed is None:
        return randomness.generator(rng)
    made = np.random.SeedSequence(
        seed["seed"]["entropy"], spawn_key=tuple(seed["seed"]["spawn_key"])
    )
    return randomness.generator(made)


def _tasks(usable: Sequence[tuple[int, Readings]]) -> list[Task]:
    return [tuple(usable[i : i + _AT_ONCE]) for i in range(0, len(usable), _AT_ONCE)]


def _answers(
    tasks: list[Task], options: dict[str, Any], seed: dict[str, Any], workers: Any
) -> Iterator[tuple[Task, list[Row]]]:
    perform = functools.partial(_perform, options=options, seed=seed)
    with _one_thread():
        try:
            yield from zip(tasks, ordered_map(perform, tasks, workers), strict=True)
        except BrokenExecutor as error:
            raise InputError(
                f"`workers` is {workers!r}, and a process of it has died ({error}); start again, "
                "with `keep` to go on from what is finished."
            ) from None


def _perform(task: Task, *, options: dict[str, Any], seed: dict[str, Any]) -> list[Row]:
    return [_row(readings, options, _child(seed, place)) for place, readings in task]


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


@contextlib.contextmanager
def _one_thread() -> Iterator[None]:
    """One thread of linear algebra; the groups are small and the workers many."""
    from threadpoolctl import threadpool_limits

    with threadpool_limits(1):
        yield
