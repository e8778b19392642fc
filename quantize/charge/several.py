"""Every particle of a run analyzed by itself, and the one unit of all of them."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import Any, ClassVar

import pandas as pd

from quantize._support.errors import InputError
from quantize._support.randomness import RngLike, generator
from quantize._support.results import Result
from quantize.charge.particles import JointUnit, joint_of_analyses
from quantize.charge.rows import Rows
from quantize.charge.run_analysis import RunAnalysis, analyze_run
from quantize.null.verdict import NO_STEPS


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class ParticleAnalyses(Result):
    """Result of `Run.analyze_each`.

    Attributes
    ----------
    table : pandas.DataFrame
        One row a particle: particle, readings, verdict, unit and unit_err (divisions), value and
        standard_uncertainty (coulombs; NaN without), missing (why there are none, or empty).
    joint : JointUnit or None
        One unit from all particles that have coulombs, what they share counted once.
    missing : str or None
        Why there is no joint unit.
    analyses : dict of str to RunAnalysis
        The whole analysis of each particle.
    """

    _private: ClassVar[tuple[str, ...]] = ("analyses",)

    table: pd.DataFrame
    joint: JointUnit | None
    missing: str | None
    analyses: dict[str, RunAnalysis]

    @property
    def conditional(self) -> bool:
        """Whether the joint unit holds only if there are steps: no particle shows them alone."""
        return not (self.table["verdict"] == "steps").any()

    def _headline(self) -> str:
        joint = f"no joint unit: {self.missing}" if self.joint is None else self.joint._headline()
        shown = int((self.table["verdict"] == "steps").sum())
        return f"{len(self.table)} particles, {shown} with steps; {joint}"


def analyze_each(
    run: Rows, unit_range: tuple[float, float] | None = None, *, rng: RngLike = None, **options: Any
) -> ParticleAnalyses:
    """Analyze every particle of a run by itself, and join their units; see `Run.analyze_each`."""
    run.bench().need_weight_of_each(run.particles)
    children = generator(rng).spawn(len(run.particles))
    analyses = {
        label: analyze_run(run.particle(label), unit_range, rng=child, **options)
        for label, child in zip(run.particles, children, strict=True)
    }
    known = sum(one.coulombs is not None for one in analyses.values())
    joint: JointUnit | None = None
    missing: str | None = (
        f"{'1 particle' if known else 'no particle'} of {len(analyses)} has a unit in coulombs, "
        "and it takes two to join."
    )
    if known > 1:
        try:
            joint, missing = joint_of_analyses(analyses), None
        except InputError as error:
            missing = str(error)
    return ParticleAnalyses(table=_table(analyses), joint=joint, missing=missing, analyses=analyses)


def _table(analyses: Mapping[str, RunAnalysis]) -> pd.DataFrame:
    rows = []
    for label, found in analyses.items():
        unit, steps = found.coulombs, found.verdict != NO_STEPS
        row = {
            "particle": label,
            "readings": len(found.readings),
            "verdict": found.verdict,
            "unit": found.unit if steps else math.nan,
            "unit_err": found.unit_err if steps else math.nan,
            "value": math.nan if unit is None else unit.value,
            "standard_uncertainty": math.nan if unit is None else unit.standard_uncertainty,
            "missing": found.missing or "",
        }
        rows.append(row)
    return pd.DataFrame(rows)
