"""The checked table of a run: which rows count, how they were timed, how they are rounded."""

from __future__ import annotations

import dataclasses
import functools
import math
from collections import Counter
from collections.abc import Callable, Sequence
from typing import Any, Self, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from quantize._support.errors import InputError
from quantize._support.validation import FloatArray
from quantize.charge.apparatus import Apparatus, value_of
from quantize.charge.noise import ROUNDING_SD, at_fixed_time, over_fixed_distance
from quantize.charge.quantity import Quantity, normal, put
from quantize.charge.reticle import unscaled, written_step
from quantize.charge.stated import counted, rows_named
from quantize.levels import levels_of
from quantize.readings import Readings

_STEP_IN_FULL_PRECISION = 1e-9  # divisions, where positions show no step
CLOCK = r"\d+:\d+:\d+(?:\.\d+)?"

R = TypeVar("R")
T = TypeVar("T")


def once(method: Callable[[T], R]) -> Callable[[T], R]:
    """A method without arguments whose answer is kept, since no run changes."""

    @functools.wraps(method)
    def kept(self: T) -> R:
        answers, name = vars(self), f"_{method.__name__}"
        if name not in answers:
            answers[name] = method(self)
        answer: R = answers[name]
        return answer

    return kept


@dataclasses.dataclass(frozen=True, eq=False, repr=False)
class RunTable:
    """Checked rows, their bench, and the way they were timed; see `Run`."""

    table: pd.DataFrame
    apparatus: Apparatus | None
    timing: str
    remarks: tuple[str, ...]
    source: str

    def _with(self, **changes: Any) -> Self:
        """The same with some fields changed; what was computed from them is computed anew."""
        new = object.__new__(type(self))
        fields = {field.name: getattr(self, field.name) for field in dataclasses.fields(self)}
        put(new, **(fields | changes))
        return new

    def select(self, rows: ArrayLike) -> Self:
        """The run with only the rows where the mask `rows` is true."""
        return self._with(table=self.table[np.asarray(rows, dtype=bool)].reset_index(drop=True))

    def particle(self, label: object) -> Self:
        """The rows of one particle, with the apparatus entries of that particle."""
        if str(label) not in self.particles:
            raise InputError(f"`particle` is {label!r}; the run holds {', '.join(self.particles)}.")
        if str(label) not in self.known.particles and len(self.particles) == 1:
            return self
        one = self.select(self.table["particle"] == str(label))
        return (
            one if one.apparatus is None else one._with(apparatus=one.apparatus.for_particle(label))
        )

    def single(self, particle: object = None) -> Self:
        """The run of one particle: the one named, or the only one there is."""
        if particle is not None:
            return self.particle(particle)
        if len(self.particles) > 1:
            raise InputError(
                f"`run` holds the particles {', '.join(self.particles)}; each has its own unit "
                "in divisions, so name one with `particle=`."
            )
        return self.particle(self.particles[0])

    def bench(self) -> Apparatus:
        """The apparatus; InputError when there is none."""
        if self.apparatus is None:
            raise InputError(
                "`run` has no apparatus; read it with one, as in Run(table, apparatus)."
            )
        return self.apparatus

    @property
    def known(self) -> Apparatus:
        """The apparatus; where there is none, one that states nothing."""
        return self.apparatus or Apparatus.of({})

    @functools.cached_property
    def particles(self) -> tuple[str, ...]:
        """Labels in order of appearance."""
        return tuple(dict.fromkeys(self.table["particle"]))

    def __len__(self) -> int:
        return len(self.table)

    def __repr__(self) -> str:
        particles = counted(len(self.particles), "particle")
        falls = int((self.table["voltage"] == 0).sum())
        return (
            f"<Run: {len(self)} readings of {particles}, {falls} of them falls without "
            f"field, {self.timing}>"
        )

    @functools.cached_property
    def used(self) -> pd.DataFrame:
        """Rows that are kept and on the scale."""
        return self.table[self.table["kept"] & (self.table["off_scale"] == 0)]

    @functools.cached_property
    def falls(self) -> pd.DataFrame:
        """Used rows at zero voltage."""
        used = self.used
        return used[used["voltage"] == 0]

    @property
    def fall_wanted(self) -> str:
        """What to do where no fall is known, as a part of a sentence."""
        rows = self.table[self.table["kept"] & (self.table["voltage"] == 0)]
        if (rows["off_scale"] == 0).any() or rows.empty:
            return "read some at zero voltage"
        they = "the row" if len(rows) == 1 else f"the {len(rows)} rows"
        return f"{they} at zero voltage ran off the scale, so time some over a shorter interval"

    @functools.cached_property
    def driven(self) -> pd.DataFrame:
        """Used rows with a voltage, or with none noted, and one charge throughout."""
        used = self.used
        return used[(used["voltage"] != 0) & ~used["changed"]]

    @functools.cached_property
    def informative(self) -> pd.DataFrame:
        """The driven rows, and the less informative: off the scale, or with a change of charge.

        Off the scale, a passage over a fixed distance cannot be used. Nor can a row whose charge
        seems to have changed because it lies `apart`, maybe by several units.
        """
        table = self.table
        if "apart" in table:
            table = table[~table["apart"]]
        rows = table[table["kept"] & (table["voltage"] != 0)]
        if self.timing == "fixed distance":
            return rows[(rows["off_scale"] == 0) & ~rows["changed"]]
        return rows[(rows["off_scale"] == 0) | ~rows["changed"]]

    def with_discarded(self) -> Self:
        """The run with the discarded rows that hold a reading counted again."""
        table = self.table.copy()
        table["kept"] = table["kept"] | (
            np.isfinite(table["divisions"]) & np.isfinite(table["voltage"]) & (table["seconds"] > 0)
        )
        return self._with(table=table)

    @functools.cached_property
    def interval(self) -> float:
        """The time in seconds to which readings are scaled: declared, else the commonest."""
        if self.known.has("run.interval"):
            return self.known.need("run.interval").value
        seconds = (self.used if len(self.used) else self.table)["seconds"].to_numpy(float)
        return float(np.median(seconds)) if self.timing == "fixed distance" else _commonest(seconds)

    @functools.cached_property
    def reference_voltage(self) -> float | None:
        """The size of the voltage to which readings are scaled: balance, else the commonest."""
        if self.known.has("plates.voltage"):
            return abs(self.known.need("plates.voltage").value)
        voltages = np.abs(self.driven["voltage"].dropna().to_numpy(float))
        return _commonest(voltages, 9) if voltages.size else None

    def stretch(self, rows: pd.DataFrame | None = None) -> FloatArray:
        """V0/V of each driven row, V0 being the reference voltage."""
        v = (self.driven if rows is None else rows)["voltage"].to_numpy(float)
        reference = self.reference_voltage
        return np.ones(v.size) if reference is None or np.isnan(v).any() else reference / v

    def need_one_voltage(self) -> None:
        """Raise InputError for readings at several voltages, which the fall alone would join."""
        voltages = self.driven["voltage"].dropna().unique()
        if len(voltages) > 1:
            raise InputError(
                f"`run` has readings at {len(voltages)} voltages ("
                + ", ".join(f"{v:g} V" for v in sorted(voltages)[:6])
                + "); they form one comb only with the fall added, so measure the fall."
            )

    @functools.cached_property
    def gate(self) -> Quantity | None:
        """The length of every passage over a fixed distance, in divisions; None at fixed time."""
        if self.timing != "fixed distance":
            return None
        given = self.known.get("run.distance")
        if given is not None and given.unit == "div":
            return given
        length = float(np.median(np.abs(self.used["divisions"].to_numpy(float))))
        relative = 0.0 if given is None else given.relative
        return normal(length, relative * length, "div")

    def raw_divisions(self) -> FloatArray:
        """Positions as read from the scale: starts and ends if noted, else the distances."""
        used = self.used
        read = (
            used[["start", "end"]] if {"start", "end"} <= set(used) else used[["divisions"]].abs()
        )
        values = read.to_numpy(float).ravel()
        return np.asarray(values[np.isfinite(values)], dtype=np.float64)

    @once
    def resolution(self) -> float:
        """Step to which positions are read, in divisions: declared, else as they are written."""
        one = written_in(self.table, "start" if "start" in self.used else "divisions")
        raw = self.raw_divisions()
        step = written_step(unscaled(raw, one)) if raw.size else None
        read = _STEP_IN_FULL_PRECISION if step is None else float(f"{step * one:.12g}")
        return value_of(self.known, "reticle.step", read)

    def rounding(self, rows: pd.DataFrame, ends: str | None = None) -> FloatArray:
        """Standard deviation that rounding gives each of `rows`, in divisions per interval.

        That of the positions in a fixed time, at both ends or at one, as it is declared unless
        `ends` says. A fixed distance is exact, and its times are rounded as they are written.
        Tracks carry their error with them.
        """
        seconds = lasted(self, rows)
        if "track_error" in rows:
            return np.zeros(seconds.size)
        if self.timing == "fixed distance":
            one = written_in(self.table, "seconds")
            shown = unscaled(self.used["seconds"].to_numpy(float), one)
            step = (Readings(shown).printed_resolution or 0.0) * one
            length = np.abs(rows["divisions"].to_numpy(float))
            timed = over_fixed_distance(length / seconds, length, rounding=step / math.sqrt(12))
            return timed.rounding * self.interval
        declared = str(self.known.word("reticle.rounding", "both ends"))
        sd = self.resolution() * ROUNDING_SD[ends or declared]
        return at_fixed_time(0.0, seconds, rounding=sd).rounding * self.interval

    @once
    def scatter(self) -> tuple[float, int]:
        """Standard deviation within states at one voltage, per `interval`, and its freedom."""
        return scatter_over(self, 1.0)

    def time_of(self, rows: pd.DataFrame) -> tuple[FloatArray, str]:
        """When `rows` were read: by the clock if every one of them has a time, else by order."""
        if "clock" in rows and len(rows):
            text = rows["clock"].str.strip()
            dated = text.where(text.str.fullmatch(rf"\d{{4}}-\d\d-\d\d[ T]{CLOCK}"))
            since = pd.to_datetime(dated, format="ISO8601", errors="coerce") - pd.Timestamp(0)
            if since.notna().all():
                return np.asarray(since.dt.total_seconds(), dtype=np.float64), "by the clock"
            full = text.where(text.str.count(":") == 2, text + ":00")
            time = pd.to_timedelta(full.where(full.str.fullmatch(CLOCK)), errors="coerce")
            if time.notna().all():
                seconds = time.dt.total_seconds().to_numpy(float)
                # A page that goes on after midnight does not begin anew.
                days = np.cumsum(np.diff(seconds, prepend=seconds[0]) < -43_200)
                return seconds + 86_400.0 * days, "by the clock"
        return rows["row"].to_numpy(float), "in the order of the rows"

    def integers_of(self, analysis: Any) -> FloatArray | None:
        """Whole numbers of the driven rows from an analysis of the informative; None if unlike."""
        found = getattr(analysis, "integers", None)
        integers = np.asarray(() if found is None else found, dtype=np.float64)
        if integers.size == len(self.informative):
            integers = integers[self.informative.index.isin(self.driven.index)]
        return integers if integers.size == len(self.driven) and np.any(integers) else None


def rows_of(run: RunTable, rows: Sequence[int], most: int | None = None) -> str:
    """Rows in a sentence, by their numbers in the table and the lines of the file."""
    return rows_named(rows, run.table.attrs.get("lines", "").split(), run.source, most)


def written_in(table: pd.DataFrame, column: str) -> float:
    """Divisions, or seconds, for one of the unit in which a column of a run was written."""
    return float(table.attrs.get("written", {}).get(column, 1.0))


def _commonest(values: FloatArray, decimals: int = 6) -> float:
    return float(Counter(np.round(values, decimals).tolist()).most_common(1)[0][0])


def per_interval(run: RunTable, rows: pd.DataFrame) -> FloatArray:
    """Divisions per interval of each of `rows`, as read."""
    return np.asarray(rows["divisions"] * intervals_over(run, rows), dtype=np.float64)


def intervals_over(run: RunTable, rows: pd.DataFrame) -> FloatArray:
    """The interval over the time of each of `rows`, both as they truly were, not as shown."""
    return run.interval / lasted(run, rows)


def lasted(run: RunTable, rows: pd.DataFrame) -> FloatArray:
    """How long each of `rows` lasted, in seconds of a watch that shows the interval right.

    A bias of the watch is the same for short and long times, and changes their proportion.
    """
    late = value_of(run.known, "watch.bias", 0.0) / value_of(run.known, "watch.rate", 1.0)
    seconds = rows["seconds"].to_numpy(float)
    if np.any(seconds + late <= 0):
        raise InputError(
            f"`bias` under [watch] takes {-late:g} s off every time, and a row of the run lasts "
            f"{np.nanmin(seconds):g} s; state the bias as the true time less the one shown."
        )
    return np.asarray((seconds + late) * (run.interval / (run.interval + late)))


def scatter_over(run: RunTable, sigma: FloatArray | float) -> tuple[float, int]:
    """As `RunTable.scatter`, of the driven readings over standard deviations of theirs."""
    driven = run.driven
    if driven.empty or (driven["state"] == "").all():
        return 0.0, 0
    codes = same_state(driven).factorize()[0]
    within = levels_of(per_interval(run, driven), np.full(len(driven), sigma), codes)
    return math.sqrt(within.scatter / max(within.degrees, 1)), within.degrees


def same_state(rows: pd.DataFrame) -> pd.Series[str]:
    """One label for all rows of one particle in one charge state at one voltage."""
    return rows["particle"] + "|" + rows["state"] + "|" + rows["voltage"].astype(str)


def same_state_or_row(rows: pd.DataFrame) -> pd.Series[str]:
    """As `same_state`, but a reading without a label is one of its own."""
    return same_state(rows).where(rows["state"] != "", rows["row"].astype(str))


def guess_timing(divisions: FloatArray, seconds: FloatArray) -> tuple[str, str]:
    """Fixed time or fixed distance, from the column that stays the same, and how it was told."""
    with np.errstate(over="ignore"):
        time, length = np.round(seconds, 6), np.round(np.abs(divisions), 6)
    times = Counter(time.tolist()).most_common(1)[0][1] / time.size
    lengths = Counter(length.tolist()).most_common(1)[0][1] / length.size
    if lengths > 0.9 and times < 0.9:
        return "fixed distance", "the distance is the same in nearly all rows and the time is not"
    kinds, scattered = np.unique(length).size, np.unique(time).size > time.size / 2
    if kinds <= length.size / 5 and scattered and time.max() / 2 > time.min():
        return "fixed distance", f"only {kinds} distances occur, and the times scatter"
    if times > 0.5:
        return "fixed time", "the time is the same in most rows"
    return "fixed time", "neither time nor distance stays the same"
