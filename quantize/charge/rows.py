"""The rows of a run, and what follows from them without any model of steps."""

from __future__ import annotations

import dataclasses
import functools
import math
from collections import Counter
from typing import TYPE_CHECKING, Any, Self

import numpy as np

from quantize._support.errors import InputError
from quantize._support.validation import FloatArray
from quantize.charge.apparatus import Apparatus
from quantize.charge.quantity import Quantity
from quantize.charge.reticle import ROUNDING_SD, written_step
from quantize.readings import Readings

if TYPE_CHECKING:
    import pandas as pd


@dataclasses.dataclass(frozen=True, eq=False, repr=False)
class Rows:
    """Checked rows, their bench, and the way they were timed; see `Run`."""

    table: pd.DataFrame
    apparatus: Apparatus | None
    timing: str
    remarks: tuple[str, ...]
    source: str

    def _put(
        self,
        table: pd.DataFrame,
        apparatus: Apparatus | None,
        timing: str,
        remarks: tuple[str, ...],
        source: str,
    ) -> None:
        for name, value in (
            ("table", table),
            ("apparatus", apparatus),
            ("timing", timing),
            ("remarks", remarks),
            ("source", source),
        ):
            object.__setattr__(self, name, value)

    def select(self, rows: Any) -> Self:
        """The run with only the rows where the mask `rows` is true."""
        new = object.__new__(type(self))
        chosen = self.table[np.asarray(rows, dtype=bool)].reset_index(drop=True)
        new._put(chosen, self.apparatus, self.timing, self.remarks, self.source)
        return new

    def particle(self, label: object) -> Self:
        """The rows of one particle, with the apparatus entries of that particle."""
        if str(label) not in self.particles:
            raise InputError(f"`particle` is {label!r}; the run holds {', '.join(self.particles)}.")
        own = self.apparatus is None or str(label) not in self.apparatus.particles
        if own and len(self.particles) == 1:
            return self
        one = self.select(self.table["particle"] == str(label))
        if one.apparatus is not None:
            object.__setattr__(one, "apparatus", one.apparatus.for_particle(label))
        return one

    @functools.cached_property
    def particles(self) -> tuple[str, ...]:
        """Labels in order of appearance."""
        return tuple(dict.fromkeys(self.table["particle"]))

    def __len__(self) -> int:
        return len(self.table)

    def __repr__(self) -> str:
        particles = len(self.particles)
        noun = "particle" if particles == 1 else "particles"
        falls = int((self.table["voltage"] == 0).sum())
        return (
            f"<Run: {len(self)} readings of {particles} {noun}, {falls} of them falls without "
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

    @functools.cached_property
    def driven(self) -> pd.DataFrame:
        """Used rows with a voltage, or with none noted, and one charge throughout."""
        used = self.used
        return used[(used["voltage"] != 0) & ~used["changed"]]

    @functools.cached_property
    def informative(self) -> pd.DataFrame:
        """The driven rows, and those that tell less: off the scale, or with a change of charge.

        Off the scale, a passage over a fixed distance tells nothing that can be used.
        """
        table = self.table
        rows = table[table["kept"] & (table["voltage"] != 0)]
        if self.timing == "fixed distance":
            return rows[(rows["off_scale"] == 0) & ~rows["changed"]]
        return rows[(rows["off_scale"] == 0) | ~rows["changed"]]

    @functools.cached_property
    def interval(self) -> float:
        """The time in seconds to which readings are scaled: declared, else the commonest."""
        if self.apparatus is not None and self.apparatus.has("run.interval"):
            return self.apparatus.need("run.interval").value
        seconds = self.used["seconds"].to_numpy(float)
        if self.timing == "fixed distance":
            return float(np.median(seconds))
        return float(Counter(np.round(seconds, 6).tolist()).most_common(1)[0][0])

    @functools.cached_property
    def reference_voltage(self) -> float | None:
        """The size of the voltage to which readings are scaled: balance, else the commonest."""
        if self.apparatus is not None and self.apparatus.has("plates.voltage"):
            return abs(self.apparatus.need("plates.voltage").value)
        voltages = np.abs(self.driven["voltage"].dropna().to_numpy(float))
        if voltages.size == 0:
            return None
        return float(Counter(np.round(voltages, 9).tolist()).most_common(1)[0][0])

    def integers_of(self, analysis: Any) -> FloatArray | None:
        """Whole numbers of the driven rows from an analysis of all that tell; None if unlike."""
        integers = getattr(analysis, "integers", None)
        rows = self.informative
        if integers is None or len(integers) not in (len(rows), len(self.driven)):
            return None
        array = np.asarray(integers, dtype=np.float64)
        if array.size == len(rows):
            array = array[rows.index.isin(self.driven.index)]
        return array if np.any(array) else None

    def fall(self) -> Quantity | None:
        """Divisions fallen in one `interval` without field, from the rows at zero voltage.

        Where the apparatus declares ``residual_voltage = "taken off"`` it is the corrected one of
        `residual_voltage`, else that of `fall_as_read`.
        """
        if self.apparatus is None or not self.apparatus.word("run.residual_voltage"):
            return self.fall_as_read()
        from quantize.charge.residual import residual_voltage

        return residual_voltage(self).fall

    def fall_as_read(self) -> Quantity | None:
        """Mean of the falls, whatever field there may have been.

        With three falls or more the error is that of their mean, Student-t; with fewer it comes
        from the scatter within the charge states, or as it is predicted where no state was
        repeated. It is never below that of the rounding. None when the run has no fall.
        """
        falls = self.falls
        if len(falls) == 0:
            return None
        scaled = -falls["divisions"].to_numpy(float) / falls["seconds"].to_numpy(float)
        scaled = scaled * self.interval
        n = scaled.size
        mean = float(-falls["divisions"].sum() / falls["seconds"].sum() * self.interval)
        if mean <= 0:
            raise InputError(
                f"the rows without field move {-mean:g} divisions upwards on average; a sphere "
                "falls there, so declare image_inverted = true or look at the signs."
            )
        if n >= 3:
            spread, degrees = float(np.std(scaled, ddof=1)), n - 1
        else:
            spread, degrees = self.scatter()
        if degrees == 0:
            spread = self._predicted_fall_scatter(mean)
        # Student's t has its own room for a small scatter; the floor is for none at all.
        spread = max(spread, float(np.sqrt(np.mean(self.rounding(falls, "one end") ** 2))))
        return Quantity(
            value=mean,
            standard_uncertainty=spread / math.sqrt(n),
            distribution="t" if degrees else "normal",
            degrees_of_freedom=degrees or math.inf,
            scope="particle",
            unit="div",
        )

    def _predicted_fall_scatter(self, fall: float) -> float:
        """Of one fall without field, as the apparatus explains it; zero where it cannot."""
        from quantize.charge.prediction import scatter_of

        try:
            total = scatter_of(self, self.falls, fall).total
        except InputError:
            return 0.0
        return float(np.sqrt(np.mean(total**2)))

    def resolution(self) -> float:
        """Step to which positions are read, in divisions: declared, else as they are written."""
        given = self.apparatus.get("reticle.step") if self.apparatus else None
        if given is not None:
            return given.value
        return written_step(self.raw_divisions()) or 1e-9

    def rounding(self, rows: pd.DataFrame, ends: str | None = None) -> FloatArray:
        """Standard deviation that rounding gives each of `rows`, in divisions per interval.

        That of the positions in a fixed time, at both ends or at one, as it is declared unless
        `ends` says. A fixed distance is exact, and its times are rounded as they are written.
        Tracks carry their error with them.
        """
        seconds = rows["seconds"].to_numpy(float)
        if "track_error" in rows:
            return np.zeros(seconds.size)
        if self.timing == "fixed distance":
            step = Readings(self.used["seconds"].to_numpy(float)).printed_resolution or 0.0
            speed = np.abs(rows["divisions"].to_numpy(float)) / seconds
            timed: FloatArray = step / math.sqrt(12) * speed / seconds * self.interval
            return timed
        declared = self.apparatus.word("reticle.rounding") if self.apparatus else None
        read: FloatArray = self.resolution() * self.interval / seconds
        return read * ROUNDING_SD[ends or str(declared or "both ends")]

    @functools.cached_property
    def gate(self) -> Quantity | None:
        """The length of every passage over a fixed distance, in divisions; None at fixed time."""
        if self.timing != "fixed distance":
            return None
        given = self.apparatus.get("run.distance") if self.apparatus else None
        length = float(np.median(np.abs(self.used["divisions"].to_numpy(float))))
        return given or Quantity(value=length, unit="div")

    def scatter(self) -> tuple[float, int]:
        """Standard deviation within states at one voltage, per `interval`, and its freedom."""
        driven = self.driven
        labels = driven["state"].to_numpy(str)
        if driven.empty or (labels == "").all():
            return 0.0, 0
        x = (driven["divisions"] / driven["seconds"]).to_numpy(float) * self.interval
        keys = driven["particle"] + "|" + driven["state"] + "|" + driven["voltage"].astype(str)
        groups = x - driven.assign(x=x).groupby(keys.to_numpy())["x"].transform("mean").to_numpy()
        degrees = len(x) - keys.nunique()
        if degrees < 1:
            return 0.0, 0
        return float(np.sqrt(np.sum(groups**2) / degrees)), int(degrees)

    def fall_on_record(self) -> Quantity | None:
        """The fall per interval in divisions: from the rows, else from the apparatus."""
        measured = self.fall()
        if measured is not None or self.apparatus is None:
            return measured
        return self.apparatus.get("fall.divisions")

    def joined(
        self, rows: pd.DataFrame | None = None
    ) -> tuple[FloatArray, FloatArray, FloatArray, float]:
        """Levels of the comb through zero: values, resolutions, share of the fall in each, fall.

        Of the driven rows, or of the `rows` given.

        At voltage V the distance x in time t and the fall F in the reference interval T obey
        (x·T/t + F)·V0/V = u·n, whatever the balance.
        """
        fall = self.fall_on_record()
        if fall is None:
            raise InputError(
                "no fall without field is known; read some at zero voltage, or give "
                "`fall.divisions` in the apparatus file."
            )
        rows = self.driven if rows is None else rows
        stretch = self.stretch(rows)
        x = self.moved(rows)
        h = self.resolution() * self.interval / rows["seconds"].to_numpy(float)
        return (x + fall.value) * stretch, h * np.abs(stretch), stretch, fall.value

    def moved(self, rows: pd.DataFrame | None = None) -> FloatArray:
        """Divisions per interval of the driven rows, a fixed distance's bias taken off."""
        from quantize.charge.prediction import fixed_distance_excess

        rows = self.driven if rows is None else rows
        speed = rows["divisions"].to_numpy(float) / rows["seconds"].to_numpy(float)
        moved: FloatArray = (speed - fixed_distance_excess(self, rows)) * self.interval
        return moved

    def stretch(self, rows: pd.DataFrame | None = None) -> FloatArray:
        """V0/V of each driven row."""
        v = (self.driven if rows is None else rows)["voltage"].to_numpy(float)
        reference = self.reference_voltage
        if np.isnan(v).any() or reference is None:
            return np.ones(v.size)
        return reference / v

    def raw_divisions(self) -> FloatArray:
        """Positions as read from the scale: starts and ends if noted, else the distances."""
        used = self.used
        if "start" in used and "end" in used:
            both: FloatArray = used[["start", "end"]].to_numpy(float).ravel()
            finite: FloatArray = both[np.isfinite(both)]
            return finite
        distances: FloatArray = np.abs(used["divisions"].to_numpy(float))
        return distances

    def time_of(self, rows: pd.DataFrame) -> tuple[FloatArray, str]:
        """When `rows` were read: by the clock if every one of them has a time, else by order."""
        if "clock" in rows and len(rows):
            seconds = [_clock_seconds(text) for text in rows["clock"]]
            if all(s is not None for s in seconds):
                return np.array(seconds, dtype=np.float64), "by the clock"
        return rows["row"].to_numpy(float), "in the order of the rows"

    def with_discarded(self) -> Self:
        """The run with the discarded rows that hold a reading counted again."""
        table = self.table.copy()
        table["kept"] = table["kept"] | (
            np.isfinite(table["divisions"]) & np.isfinite(table["voltage"]) & (table["seconds"] > 0)
        )
        new = object.__new__(type(self))
        new._put(table, self.apparatus, self.timing, self.remarks, self.source)
        return new


def _clock_seconds(text: str) -> float | None:
    """Seconds since midnight of ``14:05`` or ``14:05:30``; None for anything else."""
    parts = text.strip().split(":")
    if len(parts) not in (2, 3) or not all(part.replace(".", "", 1).isdigit() for part in parts):
        return None
    hours, minutes, seconds = (float(part) for part in (*parts, "0")[:3])
    return 3600 * hours + 60 * minutes + seconds
