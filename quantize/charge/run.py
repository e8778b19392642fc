"""A run: the readings of one or several particles, with signs and units settled."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError
from quantize._support.origin import Origin, with_origin
from quantize._support.randomness import RngLike
from quantize._support.rendering import renderer
from quantize._support.validation import FloatArray
from quantize.charge.apparatus import Apparatus, load_apparatus
from quantize.charge.page import read_page
from quantize.charge.rows import Rows
from quantize.charge.tidy import guess_timing, tidy
from quantize.readings import Readings

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from quantize.charge.checks import Checks
    from quantize.charge.coulombs import UnitInCoulombs
    from quantize.charge.estimate import RunFit
    from quantize.charge.particles import JointUnit
    from quantize.charge.residual import ResidualVoltage
    from quantize.charge.run_analysis import RunAnalysis


@dataclasses.dataclass(frozen=True, eq=False, repr=False)
class Run(Rows):
    """Rows of one run at the bench.

    Parameters
    ----------
    source : path, pandas.DataFrame or mapping of columns
        As in `read_run`.
    apparatus : Apparatus, path or mapping, optional

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

    def __init__(self, source: Any, apparatus: Any = None) -> None:
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
        self._put(table, bench, str(timing), tuple(remarks), page.source)

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
            ``offset="zero"``. The error of the fall then goes with the readings as their `shift`.
            "apart" leaves the distances as they are: analyze with ``offset="free"``. "auto" joins
            when a fall is known; see `offset`.
        sigma : float, array_like or "predicted", optional
            Standard deviation of each reading; "predicted" takes it from the apparatus.

        Returns
        -------
        Readings
            Kept rows with a voltage, with states and the resolution of each row. Rows off the
            scale are one-sided, and those within whose interval the charge changed are marked.
        """
        from quantize.charge.levels import shared_shift

        validation.choice("fall", fall, ("auto", "joined", "apart"))
        run = self.single(particle)
        if len(run.driven) == 0:
            raise InputError("`run` has no kept reading with a voltage on the plates.")
        rows = run.informative
        joined = fall == "joined" or (fall == "auto" and run.offset == "zero")
        shift = None
        if joined:
            values, _, lever, _ = run.joined(rows)
            shift = shared_shift(run.fall_on_record(), lever)
        else:
            run.need_one_voltage()
            values, lever = run.moved(rows), np.ones(len(rows))
        if isinstance(sigma, str):
            from quantize.charge.prediction import predicted_scatter

            validation.choice("sigma", sigma, ("predicted",))
            stretch = 1.0 if joined else abs(run.stretch(rows))
            sigma = predicted_scatter(run, rows).total / stretch
        return run.as_readings(rows, values, lever, sigma).replace(shift=shift)

    def sigma_range(self, *, particle: object = None) -> tuple[float, float] | None:
        """Within which the scatter of `readings` is believed: 1.5 times the predicted either way.

        For ``analyze(run.readings(), sigma_range=run.sigma_range())``; None where the apparatus
        does not know the scale and the sphere, or the repeats contradict it beyond doubt.
        """
        from quantize.charge.estimate import believed_scatter

        return believed_scatter(self.single(particle))

    def checks(self, analysis: Any = None, *, particle: object = None) -> Checks:
        """Whether the run was sound: each check a number and a sentence.

        Parameters
        ----------
        analysis : result of an analysis of `readings`, optional
            Its whole numbers serve the checks of drift, ruler and discarded rows.
        particle : str, optional
            Needed when the run holds several.
        """
        from quantize.charge.soundness import check_run

        return check_run(self.single(particle), analysis)

    def analyze(
        self,
        unit_range: Any = None,
        *,
        particle: object = None,
        offset: str | float | None = None,
        sigma: str | float = "auto",
        alpha: float = 0.05,
        n_resamples: int = 9999,
        rng: RngLike = None,
    ) -> RunAnalysis:
        """Verdict, unit, balance charge and coulombs, the error of the fall in all of them.

        Parameters
        ----------
        unit_range : (float, float), optional
            Divisions per interval.
        particle : str, optional
            Needed when the run holds several.
        offset : {"zero", "free"} or float, optional
            Where the comb starts; left out, at zero where a fall or a held state tells it.
        sigma : {"auto", "prior", "predicted", "free"} or float
            As in `fit`; a number is one known standard deviation for all readings.
        alpha, n_resamples, rng :
            As in `quantize.analyze`.
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
        self, unit_range: Any = None, *, particle: object = None, sigma: str = "auto"
    ) -> RunFit:
        """Unit in divisions with the errors of fall and balance in it; see `fit_run`."""
        from quantize.charge.estimate import fit_run

        return fit_run(self.single(particle), unit_range, sigma=sigma)

    def plot(self, ax: Axes | None = None, **options: Any) -> Axes:
        """Draw the run: ``view="rows"``, "voltage" or "fall"; returns the axes."""
        drawn: Axes = renderer("plot", self)(self, ax=ax, **options)
        return drawn

    def charges(self, *, route: str | None = None) -> pd.DataFrame:
        """Charges of every row; see `convert_run`."""
        from quantize.charge.conversion import charges_of

        return charges_of(self, self.bench(), route=route)

    def unit_in_coulombs(self, analysis: Any, *, route: str | None = None) -> UnitInCoulombs:
        """The unit of an analysis of `readings` in coulombs; see `unit_in_coulombs`."""
        from quantize.charge.coulombs import unit_in_coulombs

        return unit_in_coulombs(analysis, self.bench(), run=self.single(None), route=route)

    def joint_unit_in_coulombs(
        self, unit_range: Any = None, *, route: str | None = None
    ) -> JointUnit:
        """One unit in coulombs from all particles; see `joint_unit_of_run`."""
        from quantize.charge.particles import joint_unit_of_run

        return joint_unit_of_run(self, unit_range, route=route)

    def residual_voltage(self, *, particle: object = None) -> ResidualVoltage:
        """Voltage left on the plates at zero, and the fall without it; see `residual_voltage`."""
        from quantize.charge.residual import residual_voltage

        return residual_voltage(self.single(particle))

    def without_residual_voltage(self) -> Run:
        """This run with every fall corrected for a residual voltage, and a remark that says so.

        The same as ``residual_voltage = "taken off"`` under [run] in the apparatus file.
        """
        from quantize.charge.residual import TAKEN_OFF

        bench = self.apparatus or load_apparatus({})
        declared = bench.declared | {"run.residual_voltage": TAKEN_OFF}
        remarks = (*self.remarks, "the falls are corrected for a residual voltage, as asked")
        new = object.__new__(type(self))
        new._put(
            self.table,
            dataclasses.replace(bench, declared=declared),
            self.timing,
            remarks,
            self.source,
        )
        return new

    def bench(self) -> Apparatus:
        """The apparatus, or one sentence when there is none."""
        if self.apparatus is None:
            raise InputError(
                "`run` has no apparatus; read it with one, as in Run(page, apparatus)."
            )
        return self.apparatus

    def as_readings(
        self, rows: pd.DataFrame, values: FloatArray, lever: FloatArray, sigma: Any
    ) -> Readings:
        """`values` of `rows` as Readings; `lever` turns divisions per interval into them."""
        states = rows["state"].tolist()
        beyond = rows["off_scale"].to_numpy(int) * np.sign(lever).astype(int)
        changed = rows["changed"].to_numpy(bool)
        seconds = rows["seconds"].to_numpy(float)
        fixed = self.timing == "fixed distance" or "track_error" in rows
        bench = self.apparatus
        rounding = "both ends" if bench is None else bench.word("reticle.rounding", "both ends")
        readings = Readings(
            values,
            sigma=sigma,
            state=states if all(states) else None,
            resolution=None if fixed else self.resolution() * self.interval / seconds * abs(lever),
            ends=None if fixed else 2 if rounding == "both ends" else 1,
            beyond=beyond if beyond.any() else None,
            changed=changed if changed.any() else None,
        )
        return with_origin(readings, self._origin_of(rows))

    def _origin_of(self, rows: pd.DataFrame) -> Origin | None:
        """The columns of the page that `rows` stand in, and how many of its rows they are."""
        page = self.table.attrs
        if "columns" not in page:
            return None
        read = rows["positions"].sum() if "positions" in rows else rows["row"].nunique()
        return Origin(
            file=self.source,
            columns=page["columns"],
            rows=int(read),
            rows_in_file=page["rows"],
        )

    @property
    def offset(self) -> str:
        """The offset with which `readings` should be analysed: "zero" once a fall is known."""
        return "zero" if self.fall_on_record() is not None else "free"

    def single(self, particle: object = None) -> Run:
        """The run of one particle: the one named, or the only one there is."""
        if particle is not None:
            return self.particle(particle)
        if len(self.particles) > 1:
            raise InputError(
                f"`run` holds the particles {', '.join(self.particles)}; each has its own unit "
                "in divisions, so name one with `particle=`."
            )
        return self.particle(self.particles[0])

    def need_one_voltage(self) -> None:
        """Raise InputError for readings at several voltages, which the fall alone would join."""
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
