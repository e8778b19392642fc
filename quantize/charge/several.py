"""Every particle of a run analyzed by itself, and the one unit of all of them."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import Any, ClassVar

import numpy as np
import pandas as pd

from quantize._support.errors import InputError, warn
from quantize._support.randomness import RngLike, generator
from quantize._support.results import Result
from quantize._support.validation import FloatArray
from quantize.charge.coulombs import unit_in_coulombs
from quantize.charge.estimate import RunFit, fit_from, fit_run
from quantize.charge.faults import believed
from quantize.charge.particles import JointUnit, SharedErrors, errors_of, joint_unit, particle_of
from quantize.charge.propagation import Propagation
from quantize.charge.rows import Rows
from quantize.charge.run_analysis import RunAnalysis, analyze_run
from quantize.comb.unit_range import UnitRange
from quantize.model.mixture import fit_posterior
from quantize.null.verdict import NO_STEPS

_ALIKE = 1.25
"""Low ends of ranges whose ratio is smaller differ by the bench and not by what is measured."""
_Found = tuple[Propagation, RunFit, Rows]


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
            joint, missing = _joint_of(_of_analyses(analyses)), None
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


def joint_unit_of_run(
    run: Rows, unit_range: tuple[float, float] | None = None, *, route: str | None = None
) -> JointUnit:
    """What `Run.joint_unit_in_coulombs` gives."""
    run.bench().need_weight_of_each(run.particles)
    found: dict[str, _Found] = {}
    for label in run.particles:
        one, faults = believed(run.particle(label))
        if faults:
            how = " ".join(fault.sentence for fault in faults)
            warn(f"particle {label} is not taken as written. {how}")
        fit = fit_run(one, unit_range)
        found[label] = unit_in_coulombs(fit, one.bench(), run=one, route=route), fit, one
    return _joint_of(_over_common_units(found, route))


def logs_and_errors(analyses: Mapping[str, RunAnalysis]) -> tuple[FloatArray, SharedErrors]:
    """ln of every unit at its rival nearest to the joint one, and their errors."""
    found = _of_analyses(analyses)
    near = math.log(_joint_of(found).value)
    benches = {label: _bench_of(run) for label, (_, _, run) in found.items()}
    errors = errors_of({label: unit for label, (unit, _, _) in found.items()}, benches)
    particles = [
        particle_of(unit, errors, k, fit.alternatives, None)
        for k, (unit, fit, _) in enumerate(found.values())
    ]
    return np.array([particle.nearest(near) for particle in particles]), errors


def _of_analyses(analyses: Mapping[str, RunAnalysis]) -> dict[str, _Found]:
    """What is joined of whole analyses, those without coulombs left out."""
    return _over_common_units(
        {
            label: (one.coulombs, one.fit, one.run)
            for label, one in analyses.items()
            if one.coulombs is not None
        }
    )


def _over_common_units(found: Mapping[str, _Found], route: str | None = None) -> dict[str, _Found]:
    """The particles fitted anew, each over every charge that was tried of any of them.

    The range that is chosen for one ends at half the span of its readings. A larger unit does not
    show in these alone, but they do not speak against it. Of low ends that are much alike the
    largest is taken: a little below its own, a particle would be fitted with its rounding in
    phase, which takes fifty times as long. A range that was given stays.
    """
    ranges = {label: fit.mixture.unit_range for label, (_, fit, _) in found.items()}
    rates = {label: unit.value / fit.unit for label, (unit, fit, _) in found.items()}
    lows = [ranges[label].low * rate for label, rate in rates.items()]
    low = max((end for end in lows if end < _ALIKE * min(lows)), default=0.0)
    high = max((ranges[label].high * rate for label, rate in rates.items()), default=0.0)
    out = dict(found)
    for label, (_, fit, run) in found.items():
        if not ranges[label].chosen or len(found) < 2:
            continue
        ends = {"low": low / rates[label], "high": high / rates[label]}
        wide = UnitRange(**ends, chosen=True, reason="every charge that was tried of any particle")
        mixture = fit_posterior(fit.readings, wide, fit.mixture.model)
        again = fit_from(mixture, run, fit.shift, fit.sigma)
        out[label] = unit_in_coulombs(again, run.bench(), run=run, route=route), again, run
    return out


def _joint_of(found: Mapping[str, _Found]) -> JointUnit:
    """The joint unit of particles by the whole posterior of each, from the fit of its run."""
    return joint_unit(
        {label: unit for label, (unit, _, _) in found.items()},
        alternatives={label: fit.alternatives for label, (_, fit, _) in found.items()},
        posteriors={label: fit.points for label, (_, fit, _) in found.items()},
        benches={label: _bench_of(run) for label, (_, _, run) in found.items()},
    )


def _bench_of(run: Rows) -> str:
    """What names the bench of a run: the column of that name, or else the apparatus file."""
    return str(run.table["bench"].iloc[0]) if "bench" in run.table else run.bench().source
