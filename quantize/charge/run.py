"""A run: the readings of one or several particles, with signs and units settled."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, Union

from numpy.typing import ArrayLike

from quantize._support.errors import InputError, warn
from quantize._support.randomness import RngLike
from quantize._support.rendering import renderer
from quantize.charge.apparatus import ApparatusLike, load_apparatus
from quantize.charge.columns import Header
from quantize.charge.levels import readings_of
from quantize.charge.page import read_page
from quantize.charge.rows import Rows, residual_voltage
from quantize.charge.tidy import guess_timing, tidy
from quantize.files import read_table
from quantize.readings import Readings

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from quantize.charge.coulombs import UnitInCoulombs
    from quantize.charge.estimate import RunFit
    from quantize.charge.fall import ResidualVoltage
    from quantize.charge.particles import JointUnit
    from quantize.charge.run_analysis import RunAnalysis
    from quantize.charge.soundness import Checks

RunLike = Union[str, Path, "pd.DataFrame", Mapping[str, Any]]
"""What a run may be read from: a file, a table, or columns by name."""
Sigma = Literal["auto", "prior", "predicted", "free"]
_LARGEST_TABLE = 5_000_000  # bytes; no run written by hand is larger


@dataclasses.dataclass(frozen=True, eq=False, repr=False)
class Run(Rows):
    """Rows of one run at the bench.

    Parameters
    ----------
    source : str, Path, pandas.DataFrame or mapping of columns
        The file or table of the run, one row a reading; columns may carry the names and units
        that students give them.
    apparatus : Apparatus, str, path-like or mapping, optional
        The bench, or the apparatus file that describes it; what it declares settles signs, timing
        and blanks.

    Attributes
    ----------
    table : pandas.DataFrame
        One row a reading: row, particle, state, voltage (V, positive when the lower plate is),
        divisions (up is positive), seconds, off_scale, kept, reason, and what else was noted.
    apparatus : Apparatus or None
        The bench.
    timing : {"fixed time", "fixed distance"}
        What was held fixed in every reading.
    remarks : tuple of str
        What was understood or assumed when the run was read.
    source : str
        Name of the file.

    Raises
    ------
    InputError
        For a table that cannot be read as a run, with the row where there is one.

    Examples
    --------
    >>> from quantize.charge import Run
    >>> run = Run({"V": [219, 219, 0], "div": [12, -9, -61], "t (s)": [10, 10, 10]})
    >>> run
    <Run: 3 readings of 1 particle, 1 of them falls without field, fixed time>
    """

    def __init__(self, source: RunLike, apparatus: ApparatusLike | None = None) -> None:
        page = read_page(source)
        bench = None if apparatus is None else load_apparatus(apparatus)
        table, remarks = tidy(page, bench)
        table.attrs = {"columns": page.measured, "rows": len(set(page.numbers))}
        timing = bench.word("run.timing") if bench else None
        if timing is None:
            used = table[table["kept"]]
            if len(used) == 0:
                raise InputError(f"`run` ({page.source}) has no row that is kept.")
            timing, why = guess_timing(
                used["divisions"].to_numpy(float), used["seconds"].to_numpy(float)
            )
            remarks.append(f"taken as readings at {timing}: {why}")
        if timing == "fixed distance":
            short = table["row"][table["kept"] & (table["divisions"] == 0)].tolist()
            if short:
                raise InputError(
                    f"`divisions` is 0 in row {short[0]}; a passage over a fixed distance has "
                    'a length, so give it, or declare timing = "fixed time" under [run].'
                )
        if bench is not None and bench.word("run.residual_voltage"):
            remarks.append("the falls are corrected for a residual voltage, as declared")
        self._set(
            table=table,
            apparatus=bench,
            timing=str(timing),
            remarks=tuple(remarks),
            source=page.source,
        )

    def readings(
        self,
        *,
        particle: object = None,
        fall: Literal["auto", "joined", "apart"] = "auto",
        sigma: ArrayLike | Literal["predicted"] | None = None,
    ) -> Readings:
        """Give the run as `Readings` in divisions per interval at the reference voltage.

        Parameters
        ----------
        particle : str, optional
            Label of the particle; needed when the run holds several.
        fall : {"auto", "joined", "apart"}
            "joined" adds the fall, so that the comb starts at zero: analyze with
            ``offset="zero"``. The error of the fall then goes with the readings as their `shift`.
            "apart" leaves the distances as they are: analyze with ``offset="free"``. "auto" joins
            when a fall is known; see `offset`.
        sigma : float, array_like or "predicted", optional
            Standard deviation of each reading; "predicted" takes it from the apparatus. Unknown
            if left out.

        Returns
        -------
        Readings
            Kept rows with a voltage, with states and the resolution of each row. Rows off the
            scale are one-sided, and those within whose interval the charge changed are marked.

        Raises
        ------
        InputError
            For a run of several particles of which none is named, no reading with a voltage, or
            readings at several voltages without a fall.
        """
        return readings_of(self.single(particle), fall=fall, sigma=sigma)

    def sigma_range(self, *, particle: object = None) -> tuple[float, float] | None:
        """Range in which the scatter of `readings` is believed: 1.5 times the predicted either way.

        Parameters
        ----------
        particle : str, optional
            Label of the particle; needed when the run holds several.

        Returns
        -------
        (float, float) or None
            For ``analyze(run.readings(), sigma_range=run.sigma_range())``; None where the
            apparatus lacks the scale or the sphere, or the repeats contradict it beyond doubt.
        """
        from quantize.charge.estimate import believed_scatter

        return believed_scatter(self.single(particle))

    def checks(self, analysis: Any = None, *, particle: object = None) -> Checks:
        """Check whether the run was sound, each check a number and a sentence.

        Parameters
        ----------
        analysis : result of an analysis of `readings`, optional
            Its whole numbers serve the checks of drift, ruler and discarded rows.
        particle : str, optional
            Label of the particle; needed when the run holds several.

        Returns
        -------
        Checks
        """
        from quantize.charge.soundness import check_run

        return check_run(self.single(particle), analysis)

    def analyze(
        self,
        unit_range: tuple[float, float] | None = None,
        *,
        particle: object = None,
        offset: Literal["zero", "free"] | float | None = None,
        sigma: Sigma | float = "auto",
        alpha: float = 0.05,
        n_resamples: int = 9999,
        rng: RngLike = None,
    ) -> RunAnalysis:
        """Find verdict, unit, balance charge and coulombs, the error of the fall in all of them.

        Parameters
        ----------
        unit_range : (float, float), optional
            Smallest and largest unit tried, in divisions per interval.
        particle : str, optional
            Label of the particle; needed when the run holds several.
        offset : {"zero", "free"} or float, optional
            Where the comb starts; left out, at zero where a fall or a held state determines it.
        sigma : {"auto", "prior", "predicted", "free"} or float
            How the scatter of the readings is known, as in `fit`; a number is one known standard
            deviation for all readings.
        alpha : float
            Share of false "steps" that is accepted; at least 1e-4.
        n_resamples : int
            Resamples for the smooth null; at least 1/alpha - 1.
        rng : int, SeedSequence or Generator, optional
            Seed or source of the random numbers.

        Returns
        -------
        RunAnalysis

        Raises
        ------
        InputError
            For fewer than two readings with a voltage, and for options out of range.
        """
        from quantize.charge.run_analysis import analyze_run

        return analyze_run(
            self.single(particle),
            unit_range,
            offset=offset,
            sigma=sigma,
            alpha=alpha,
            n_resamples=n_resamples,
            rng=rng,
        )

    def fit(
        self,
        unit_range: tuple[float, float] | None = None,
        *,
        particle: object = None,
        sigma: Sigma = "auto",
    ) -> RunFit:
        """Find the unit in divisions with the errors of fall and balance in it.

        Parameters
        ----------
        unit_range : (float, float), optional
            Smallest and largest unit tried, in divisions per interval.
        particle : str, optional
            Label of the particle; needed when the run holds several.
        sigma : {"auto", "prior", "predicted", "free"}
            How the scatter of the readings is known; see `fit_run`.

        Returns
        -------
        RunFit
        """
        from quantize.charge.estimate import fit_run

        return fit_run(self.single(particle), unit_range, sigma=sigma)

    def plot(self, ax: Axes | None = None, **options: Any) -> Axes:
        """Draw the run.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where to draw; on a new figure if left out.
        **options
            ``view="rows"``, "voltage" or "fall", and what that view takes.

        Returns
        -------
        matplotlib.axes.Axes
        """
        drawn: Axes = renderer("plot", self)(self, ax=ax, **options)
        return drawn

    def charges(self, *, route: str | None = None) -> pd.DataFrame:
        """Turn every row into a charge; see `convert_run`.

        Parameters
        ----------
        route : str, optional
            Name of the route to coulombs; the most exact of those that agree if left out.

        Returns
        -------
        pandas.DataFrame
        """
        from quantize.charge.conversion import convert_run

        return convert_run(self, self.bench(), route=route)

    def unit_in_coulombs(self, analysis: Any, *, route: str | None = None) -> UnitInCoulombs:
        """Turn the unit of an analysis of `readings` into coulombs; see `unit_in_coulombs`.

        Parameters
        ----------
        analysis : Analysis, RunFit or another result with a unit
            Of the readings of this run, which holds one particle.
        route : str, optional
            Name of the route to coulombs; the most exact of those that agree if left out.

        Returns
        -------
        UnitInCoulombs
        """
        from quantize.charge.coulombs import unit_in_coulombs

        return unit_in_coulombs(analysis, self.bench(), run=self.single(None), route=route)

    def joint_unit_in_coulombs(
        self, unit_range: tuple[float, float] | None = None, *, route: str | None = None
    ) -> JointUnit:
        """Find one unit in coulombs from all particles; see `joint_unit_of_run`.

        Parameters
        ----------
        unit_range : (float, float), optional
            Smallest and largest unit tried for each particle, in divisions per interval.
        route : str, optional
            Name of the route to coulombs, the same for all particles.

        Returns
        -------
        JointUnit
        """
        from quantize.charge.particles import joint_unit_of_run

        return joint_unit_of_run(self, unit_range, route=route)

    def residual_voltage(self, *, particle: object = None) -> ResidualVoltage:
        """Estimate the voltage left on the plates at zero, and the fall without it.

        Parameters
        ----------
        particle : str, optional
            Label of the particle; needed when the run holds several.

        Returns
        -------
        ResidualVoltage
        """
        return residual_voltage(self.single(particle))


def read_run(path_or_frame: RunLike | Run, apparatus: ApparatusLike | None = None) -> Run:
    """Read a run from a file, a DataFrame or a mapping of columns.

    Parameters
    ----------
    path_or_frame : str, Path, DataFrame, mapping or Run
        csv, tsv, xlsx or parquet; columns may carry the names and units that students give them.
        A `Run` comes back as it is.
    apparatus : Apparatus, str, path-like or mapping, optional
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


def say_if_run(path: Any, column: str | None, apparatus: Any) -> None:
    """Warn that a table looks like a run, and say what to do.

    Parameters
    ----------
    path : str or path-like
        The table, of which one column is being analyzed.
    column : str or None
        Its name, where one was given.
    apparatus : Apparatus or None
    """
    falls = falls_in(path)
    if falls is None:
        return
    name, count = falls
    rows = (
        "1 row at zero volts is a fall" if count == 1 else f"{count} rows at zero volts are falls"
    )
    what = f"column {column!r}" if column else "the one column of numbers"
    how = (
        "leave the name of the column out to have it read as a run"
        if apparatus is not None
        else "give --apparatus FILE to have it read as a run, with the fall added to every reading "
        "(quantize convert --template prints such a file to fill in)"
    )
    warn(
        f"the table looks like a run: column {name!r} holds voltages, and {rows} without field; "
        f"{how}. Here {what} is analyzed as it stands, the falls among the readings."
    )


def falls_in(path: Any) -> tuple[str, int] | None:
    """The column of voltages and the number of falls, in a table with divisions; else None."""
    try:
        if Path(path).stat().st_size > _LARGEST_TABLE:
            return None
        table = read_table(path)
        names = {Header(str(column)).name: str(column) for column in table.columns}
    except (InputError, OSError):
        return None
    moved = "divisions" in names or {"start", "end"} <= set(names) or "position" in names
    if not moved or "voltage" not in names:
        return None
    column = table[names["voltage"]]
    zero = column.astype(str).str.strip().str.lower().isin(["0", "0.0", "off", "zero", "earthed"])
    count = int(zero.sum())
    return (names["voltage"], count) if 0 < count < len(column) else None
