"""A run: the readings of one or several particles, with signs and units settled."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, Union

import pandas as pd
from numpy.typing import ArrayLike

from quantize._support.errors import InputError, explained
from quantize._support.randomness import RngLike
from quantize._support.validation import Integers
from quantize.charge.apparatus import ApparatusLike, load_apparatus, scaled_by_gate
from quantize.charge.levels import readings_of
from quantize.charge.page import read_page
from quantize.charge.quantity import put
from quantize.charge.rows import Rows, residual_voltage
from quantize.charge.run_table import guess_timing
from quantize.charge.tidy import tidy
from quantize.readings import Readings

if TYPE_CHECKING:
    from quantize.charge.checks import Checks
    from quantize.charge.coulombs import UnitInCoulombs
    from quantize.charge.estimate import RunFit
    from quantize.charge.expected import NextStep
    from quantize.charge.fall import ResidualVoltage
    from quantize.charge.particles import JointUnit
    from quantize.charge.run_analysis import RunAnalysis
    from quantize.charge.several import ParticleAnalyses

RunLike = Union[str, Path, "pd.DataFrame", Mapping[str, Any]]
"""What a run may be read from: a file, a table, or columns by name."""
Sigma = Literal["auto", "prior", "predicted", "free"]


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
        bench = load_apparatus({} if apparatus is None else apparatus)
        table, remarks = tidy(page, bench)
        table.attrs = {"columns": page.measured, "rows": len(set(page.numbers))}
        # As text, which is not copied with every table.
        table.attrs |= {"written": page.scales(bench), "lines": " ".join(map(str, page.lines))}
        timing = bench.word("run.timing")
        if timing is None:
            used = table[table["kept"]]
            if len(used) == 0:
                raise InputError(f"`run` ({page.source}) has no row that is kept.")
            timing, why = guess_timing(*used[["divisions", "seconds"]].to_numpy(float).T)
            remarks.append(f"taken as readings at {timing}: {why}")
        if timing == "fixed distance":
            for short in table["row"][table["kept"] & (table["divisions"] == 0)]:
                row = page.number(short)
                raise InputError(
                    f"`divisions` is 0 in row {row}; a passage over a fixed distance has "
                    'a length, so give it, or declare timing = "fixed time" under [run].'
                )
        bench = scaled_by_gate(bench, table["divisions"].to_numpy(float))
        if bench.word("run.residual_voltage"):
            remarks.append("the falls are corrected for a residual voltage, as declared")
        put(
            self,
            table=table,
            apparatus=None if apparatus is None else bench,
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
        analysis : RunAnalysis, RunFit or result of an analysis of `readings`, optional
            Its whole numbers serve the checks of drift, ruler and discarded rows. The first two
            were of the run with wrong rows put right, and so are the checks then.
        particle : str, optional
            Label of the particle; needed when the run holds several.

        Returns
        -------
        Checks
        """
        from quantize.charge.soundness import check_run

        run: Rows | None = getattr(analysis, "run", None)
        return check_run(self.single(particle) if run is None else run, analysis)

    @explained()
    def analyze(
        self,
        unit_range: tuple[float, float] | None = None,
        *,
        particle: object = None,
        offset: Literal["zero", "free"] | float | None = None,
        sigma: Sigma | float = "auto",
        integers: Integers = "any",
        mend: bool = True,
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
        integers : "any", "positive" or (int, int or None)
            Numbers of charges that are possible, signs included, said before looking at the
            readings; as in `quantize.analyze`.
        mend : bool
            Whether rows that are believed to have a wrong label, a reversed sign or ten divisions
            too many or too few are put right, which the answer then says; see `faults_of`.
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
            integers=integers,
            mend=mend,
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
        mend: bool = True,
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
        mend : bool
            Whether rows that are believed to be wrong are put right, as in `analyze`.

        Returns
        -------
        RunFit
        """
        from quantize.charge.estimate import fit_run
        from quantize.charge.faults import believed, told

        written = self.single(particle)
        run, faults = believed(written) if mend else (written, ())
        found = fit_run(run, unit_range, sigma=sigma)
        return dataclasses.replace(found, remarks=told(faults))

    def charges(self, *, route: str | None = None) -> pd.DataFrame:
        """Turn every row into a charge.

        Parameters
        ----------
        route : str, optional
            Name of the route to coulombs; the joint fit of all inputs if left out.

        Returns
        -------
        pandas.DataFrame
            `table`, and `charge` in coulombs (NaN in rows without field), `standard_uncertainty`
            of the single reading, from repeats and in the proportions that the apparatus predicts,
            and `shared_uncertainty`, which no average takes away. ``attrs`` says the route, what it
            took for exact, and whether all inputs agree.
        """
        from quantize.charge.coulombs import charges_of

        return charges_of(self, self.bench(), route=route)

    def unit_in_coulombs(self, analysis: Any, *, route: str | None = None) -> UnitInCoulombs:
        """Turn the unit of an analysis of `readings` into coulombs; see `unit_in_coulombs`.

        Parameters
        ----------
        analysis : Analysis, RunFit or another result with a unit
            Of the readings of this run, which holds one particle.
        route : str, optional
            Name of the route to coulombs; the joint fit of all inputs if left out.

        Returns
        -------
        UnitInCoulombs
        """
        from quantize.charge.coulombs import unit_in_coulombs

        return unit_in_coulombs(analysis, self.bench(), run=self.single(None), route=route)

    def joint_unit_in_coulombs(
        self, unit_range: tuple[float, float] | None = None, *, route: str | None = None
    ) -> JointUnit:
        """Find one unit in coulombs from all particles, each fitted and converted by itself.

        Rows that are believed to be wrong are put right, with a warning.

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
        from quantize.charge.several import joint_unit_of_run

        return joint_unit_of_run(self, unit_range, route=route)

    def next_step(
        self, analysis: RunAnalysis | RunFit | None = None, *, particle: object = None
    ) -> NextStep:
        """Say what to measure next, and what it is expected to bring in coulombs.

        Parameters
        ----------
        analysis : RunAnalysis or RunFit, optional
            Of this run; `analyze` is asked if it is left out.
        particle : str, optional
            Label of the particle; needed when the run holds several.

        Returns
        -------
        NextStep
        """
        from quantize.charge.expected import next_step

        return next_step(self.analyze(particle=particle) if analysis is None else analysis)

    def analyze_each(
        self, unit_range: tuple[float, float] | None = None, *, rng: RngLike = None, **options: Any
    ) -> ParticleAnalyses:
        """Analyze every particle by itself, and join their units.

        Parameters
        ----------
        unit_range : (float, float), optional
            Smallest and largest unit tried for each particle, in divisions per interval.
        rng : int, SeedSequence or Generator, optional
            Seed or source of the random numbers.
        **options
            As for `analyze`.

        Returns
        -------
        ParticleAnalyses
        """
        from quantize.charge.several import analyze_each

        return analyze_each(self, unit_range, rng=rng, **options)

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
