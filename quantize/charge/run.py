"""A run: the readings of one or several particles, with signs and units settled."""

from __future__ import annotations

import dataclasses
import math
from collections import Counter
from typing import TYPE_CHECKING, Any

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError
from quantize._support.validation import FloatArray
from quantize.charge.apparatus import Apparatus, load_apparatus
from quantize.charge.page import read_page
from quantize.charge.quantity import Quantity
from quantize.charge.tidy import guess_timing, tidy
from quantize.readings import Readings

if TYPE_CHECKING:
    import pandas as pd


@dataclasses.dataclass(frozen=True, eq=False, repr=False)
class Run:
    """Rows of one run at the bench.

    Make one with ``Run(source, apparatus)``, where `source` is a file name, a DataFrame or a
    mapping of columns; see `read_run`.

    Attributes
    ----------
    table : pandas.DataFrame
        One row a reading: row, particle, state, voltage (V, positive when the lower plate is),
        divisions (up is positive), seconds, off_scale, kept, reason, and what else was noted.
    apparatus : Apparatus or None
    timing : {"fixed time", "fixed distance"}
    remarks : tuple of str
        What was understood or assumed when the page was read.

    Examples
    --------
    >>> from quantize.charge import Run
    >>> run = Run({"V": [219, 219, 0], "div": [12, -9, -61], "t (s)": [10, 10, 10]})
    >>> run
    <Run: 3 readings of 1 particle, 1 of them falls without field, fixed time>
    """

    table: pd.DataFrame
    apparatus: Apparatus | None
    timing: str
    remarks: tuple[str, ...]
    source: str

    def __init__(self, source: Any, apparatus: Any = None) -> None:
        page = read_page(source)
        bench = None if apparatus is None else load_apparatus(apparatus)
        table, remarks = tidy(page, bench)
        timing = bench.word("run.timing") if bench else None
        if timing is None:
            used = table[table["kept"]]
            if len(used) == 0:
                raise InputError(f"`run` ({page.source}) has no row that is kept.")
            timing, why = guess_timing(
                used["divisions"].to_numpy(float), used["seconds"].to_numpy(float)
            )
            remarks.append(f"taken as readings at {timing}: {why}")
        self._put(table, bench, str(timing), tuple(remarks), page.source)

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

    def select(self, rows: Any) -> Run:
        """The run with only the rows where the mask `rows` is true."""
        new = object.__new__(Run)
        chosen = self.table[np.asarray(rows, dtype=bool)].reset_index(drop=True)
        new._put(chosen, self.apparatus, self.timing, self.remarks, self.source)
        return new

    def particle(self, label: object) -> Run:
        """The rows of one particle, with the apparatus entries of that particle."""
        if str(label) not in self.particles:
            raise InputError(f"`particle` is {label!r}; the run holds {', '.join(self.particles)}.")
        one = self.select(self.table["particle"] == str(label))
        if one.apparatus is not None:
            object.__setattr__(one, "apparatus", one.apparatus.for_particle(label))
        return one

    @property
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

    @property
    def used(self) -> pd.DataFrame:
        """Rows that are kept and on the scale."""
        return self.table[self.table["kept"] & (self.table["off_scale"] == 0)]

    @property
    def falls(self) -> pd.DataFrame:
        """Used rows at zero voltage."""
        used = self.used
        return used[used["voltage"] == 0]

    @property
    def driven(self) -> pd.DataFrame:
        """Used rows with a voltage, or with none noted."""
        used = self.used
        return used[used["voltage"] != 0]

    @property
    def interval(self) -> float:
        """The time in seconds to which readings are scaled: declared, else the commonest."""
        if self.apparatus is not None and self.apparatus.has("run.interval"):
            return self.apparatus.need("run.interval").value
        seconds = self.used["seconds"].to_numpy(float)
        if self.timing == "fixed distance":
            return float(np.median(seconds))
        return float(Counter(np.round(seconds, 6).tolist()).most_common(1)[0][0])

    @property
    def reference_voltage(self) -> float | None:
        """The size of the voltage to which readings are scaled: balance, else the commonest."""
        if self.apparatus is not None and self.apparatus.has("plates.voltage"):
            return abs(self.apparatus.need("plates.voltage").value)
        voltages = np.abs(self.driven["voltage"].dropna().to_numpy(float))
        if voltages.size == 0:
            return None
        return float(Counter(np.round(voltages, 9).tolist()).most_common(1)[0][0])

    def fall(self) -> Quantity | None:
        """Divisions fallen in one `interval` without field, from the rows at zero voltage.

        With three falls or more the error is that of their mean, Student-t; with fewer it comes
        from the scatter within the charge states. None when the run has no fall.
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
        spread = max(spread, self.resolution() / math.sqrt(12))
        return Quantity(
            value=mean,
            standard_uncertainty=spread / math.sqrt(n),
            distribution="t" if degrees else "normal",
            degrees_of_freedom=degrees or math.inf,
            scope="particle",
            unit="div",
        )

    def resolution(self) -> float:
        """Step of the divisions as written, in divisions."""
        values = self.used["divisions"].to_numpy(float)
        return Readings(values).printed_resolution or 1e-9

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

    def joined(self) -> tuple[FloatArray, FloatArray, FloatArray, float]:
        """Levels of the comb through zero: values, resolutions, share of the fall in each, fall.

        At voltage V the distance x in time t and the fall F in the reference interval T obey
        (x·T/t + F)·V0/V = u·n, whatever the balance.
        """
        fall = self.fall_on_record()
        if fall is None:
            raise InputError(
                "no fall without field is known; read some at zero voltage, or give "
                "`fall.divisions` in the apparatus file."
            )
        rows = self.driven
        stretch = self._stretch()
        x = rows["divisions"].to_numpy(float) * self.interval / rows["seconds"].to_numpy(float)
        h = self.resolution() * self.interval / rows["seconds"].to_numpy(float)
        return (x + fall.value) * stretch, h * np.abs(stretch), stretch, fall.value

    def _stretch(self) -> FloatArray:
        """V0/V of each driven row."""
        v = self.driven["voltage"].to_numpy(float)
        reference = self.reference_voltage
        if np.isnan(v).any() or reference is None:
            return np.ones(v.size)
        return reference / v

    def readings(
        self, *, particle: object = None, fall: str = "auto", sigma: Any = None
    ) -> Readings:
        """The run as `Readings` in divisions per interval at the reference voltage.

        Parameters
        ----------
        particle : str, optional
            Needed when the run holds several.
        fall : {"auto", "joined", "apart"}
            "joined" adds the fall, so that the comb starts at zero: analyze with
            ``offset="zero"``. "apart" leaves the distances as they are: analyze with
            ``offset="free"``. "auto" joins when a fall is known; see `offset`.
        sigma : float, array_like or "predicted", optional
            Standard deviation of each reading; "predicted" takes it from the apparatus.

        Returns
        -------
        Readings
            Kept rows on the scale with a voltage, with states and the resolution of each row.
        """
        validation.choice("fall", fall, ("auto", "joined", "apart"))
        run = self._single(particle)
        rows = run.driven
        if len(rows) == 0:
            raise InputError("`run` has no kept reading with a voltage on the plates.")
        if fall == "joined" or (fall == "auto" and run.offset == "zero"):
            values, resolution, _, _ = run.joined()
        else:
            run._need_one_voltage()
            per_interval = run.interval / rows["seconds"].to_numpy(float)
            values = rows["divisions"].to_numpy(float) * per_interval
            resolution = run.resolution() * per_interval
        states = rows["state"].tolist()
        return Readings(
            values,
            sigma=sigma,
            state=states if all(states) else None,
            resolution=resolution,
        )

    @property
    def offset(self) -> str:
        """The offset with which `readings` should be analysed: "zero" once a fall is known."""
        return "zero" if self.fall_on_record() is not None else "free"

    def _single(self, particle: object) -> Run:
        if particle is not None:
            return self.particle(particle)
        if len(self.particles) > 1:
            raise InputError(
                f"`run` holds the particles {', '.join(self.particles)}; each has its own unit "
                "in divisions, so name one with `particle=`."
            )
        return self.particle(self.particles[0])

    def _need_one_voltage(self) -> None:
        voltages = self.driven["voltage"].dropna().unique()
        if len(voltages) > 1:
            raise InputError(
                f"`run` has readings at {len(voltages)} voltages ("
                + ", ".join(f"{v:g} V" for v in sorted(voltages)[:6])
                + "); they form one comb only with the fall added, so measure the fall."
            )


def read_run(path_or_frame: Any, apparatus: Any = None) -> Run:
    """Read a run from a file, a DataFrame or a mapping of columns.

    Parameters
    ----------
    path_or_frame : str, path-like, DataFrame or mapping
        csv, tsv, xlsx or parquet; columns may carry the names and units that students give them.
    apparatus : str, path-like, mapping or Apparatus, optional
        What the apparatus file declares settles signs, timing and blanks.

    Returns
    -------
    Run

    Raises
    ------
    InputError
        One sentence, with the row where there is one.

    Examples
    --------
    >>> from quantize import charge
    >>> run = charge.read_run({"drop no.": [1, 1], "U / V": [219, 0], "divisions": [7, -60]})
    >>> run.table["voltage"].tolist()
    [219.0, 0.0]
    """
    if isinstance(path_or_frame, Run):
        return path_or_frame
    return Run(path_or_frame, apparatus)
