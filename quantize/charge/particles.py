"""Several particles, perhaps on several benches: one unit of charge, each its own conversion."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Collection, Mapping
from typing import Any, ClassVar

import numpy as np
import pandas as pd

from quantize._support.errors import InputError, explained, warn
from quantize._support.randomness import RngLike, generator
from quantize._support.results import Result
from quantize._support.validation import FloatArray
from quantize.charge.adjustment import (
    constant,
    covariance_of,
    each_left_out,
    homogeneity,
    paule_mandel,
)
from quantize.charge.coulombs import unit_in_coulombs
from quantize.charge.estimate import RunFit, fit_run
from quantize.charge.faults import believed
from quantize.charge.particle_posterior import (
    Particle,
    PosteriorPoints,
    balanced_draws,
    even_grid,
    joint_posterior,
    rivals_of,
)
from quantize.charge.propagation import Propagation, WithInterval, correlation_matrix, root_of
from quantize.charge.quantity import OWN_SCOPES
from quantize.charge.rows import Rows
from quantize.charge.run_analysis import RunAnalysis
from quantize.charge.stated import stated

_SHARED_DRAWS = 300  # pairs
_FORMULAS = ("viscosity formula", "humidity formula", "slip formula")  # the same on all benches


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class JointUnit(WithInterval, Result):
    """Result of `joint_unit`.

    Attributes
    ----------
    value, standard_uncertainty : float
        Mean and standard deviation of the joint posterior, in coulombs.
    shared : float
        Standard uncertainty of the value from what all particles share, in coulombs.
    particles : pandas.DataFrame
        One row for each particle: particle, value, standard_uncertainty, own (the part that no
        other particle shares), without (the joint value with this particle left out).
    homogeneity : dict
        chi_square, degrees_of_freedom, p_value of the particles about their joint value, and
        between: the relative standard deviation between particles that their own errors leave
        unexplained (zero if none).
    grid, density : numpy.ndarray, shape (m,)
        Units in coulombs, and the posterior density there, up to a constant factor.
    """

    _private: ClassVar[tuple[str, ...]] = ("grid", "density")

    value: float
    standard_uncertainty: float
    shared: float
    particles: pd.DataFrame
    homogeneity: dict[str, float]
    grid: FloatArray
    density: FloatArray

    def _ends(self, tail: float) -> Any:
        mass = np.cumsum(self.density * np.gradient(self.grid))
        return np.interp([tail, 1 - tail], mass / mass[-1], self.grid)

    def _headline(self) -> str:
        return (
            f"{stated(self.value, self.standard_uncertainty, 'C')[1]} from "
            f"{len(self.particles)} particles"
        )

    def __str__(self) -> str:
        h = self.homogeneity
        lines = [f"Joint unit: {self._headline()}", ""]
        lines += [
            f"  {r['particle']:<12} {stated(r['value'], r['standard_uncertainty'], 'C')[1]:<22}"
            f" without it {r['without']:.4g} C"
            for r in self.particles.to_dict("records")
        ]
        agree = "agree" if h["p_value"] >= 0.01 else "do NOT agree"
        lines += [
            "",
            f"The particles {agree} among themselves: chi-square {h['chi_square']:.1f} on "
            f"{h['degrees_of_freedom']:.0f} degrees of freedom, p = {h['p_value']:.2g}; "
            f"{100 * h['between']:.1f} % between particles is left unexplained.",
        ]
        return "\n".join(lines)


@explained()
def joint_unit(
    units: Mapping[str, Propagation],
    *,
    alternatives: Mapping[str, pd.DataFrame] | None = None,
    posteriors: Mapping[str, PosteriorPoints] | None = None,
    benches: Mapping[str, str] | None = None,
    rng: RngLike = 0,
) -> JointUnit:
    r"""Join the units of several particles into one posterior.

    Parameters
    ----------
    units : mapping of str to UnitInCoulombs
        Result of `unit_in_coulombs` by the label of each particle, for two at least.
    alternatives : mapping of str to DataFrame, optional
        By label, rival units in divisions with columns unit and share, best first, for particles
        whose whole numbers are not sure.
    posteriors : mapping of str to PosteriorPoints, optional
        By label, whole posteriors of unit and fall (`RunFit.points`), used in place of normal
        rivals once some particle has several.
    benches : mapping of str to str, optional
        By label, the bench. Particles on one bench share its scale, plates and session; those of
        one batch share the batch everywhere. All on one bench if left out.
    rng : None, int, SeedSequence or Generator, optional
        Source of the draws of the shared inputs.

    Returns
    -------
    JointUnit
        The joint posterior, and whether the particles agree.

    Raises
    ------
    InputError
        For fewer than two particles.

    Notes
    -----
    In ln e each particle k has an own error, and slopes c_k on the shared inputs z:
    :math:`\ln q_k = \ln e + c_k\cdot z + \epsilon_k`. The posterior is the average over draws of
    z of :math:`\prod_k \sum_m s_{km}\,N(\ln q_{km} - c_k z - \ln e;\,σ_{km})`, m running over the
    rivals with their shares s; the prior of ln e is flat. `posteriors` put that of the
    particle's unit and fall, summed over every whole number, in the place of that sum, its other
    own errors folded in. Homogeneity, each particle taken at its rival nearest to e, is the
    chi-square of the own errors about their best value given the shared ones (Cochran, Biometrics
    10:101, 1954), what is left over between particles as by Paule and Mandel, J. Res. NBS 87:377
    (1982).

    Examples
    --------
    >>> from quantize import charge
    >>> bench = {"plates": {"separation": "4.24(2) mm", "voltage": "227 V"},
    ...          "sphere": {"weight": "5.15(8)e-14 N"},
    ...          "fall": {"divisions": "60.8 +/- 0.2 div"}}
    >>> units = {label: charge.unit_in_coulombs(u, bench, unit_err=0.1)
    ...          for label, u in (("A", 10.0), ("B", 10.1), ("C", 9.9))}
    >>> joint_unit(units)
    <JointUnit: 1.582(27) × 10⁻¹⁹ C from 3 particles>
    """
    if len(units) < 2:
        raise InputError(f"`units` holds {len(units)} particle; two at least can be joined.")
    own, slopes = _errors(units, benches or {})
    errors = covariance_of(own, slopes)
    particles = [
        _particle(
            unit, own[k], slopes[k], (alternatives or {}).get(label), (posteriors or {}).get(label)
        )
        for k, (label, unit) in enumerate(units.items())
    ]
    log_q = np.array([particle.log_q for particle in particles])
    if all(particle.rivals[0].size == 1 for particle in particles):
        # One rival each: the posterior is normal and known in closed form.
        fitted = constant(log_q, errors)
        value, spread = fitted.value, fitted.standard_uncertainty
        grid = value + spread * np.linspace(-8, 8, 4001)
        posterior = np.exp(-0.5 * ((grid - value) / spread) ** 2)
        without = each_left_out(log_q, errors)
    else:
        z = balanced_draws(generator(rng), _SHARED_DRAWS, slopes.shape[1])
        grid = even_grid(particles)
        posterior, others = joint_posterior(grid, particles, z)
        value, spread = _moments(grid, posterior)
        without = np.array([_moments(grid, other)[0] for other in others])
        log_q = np.array([particle.nearest(value) for particle in particles])
    unit = math.exp(value)
    weight = own**-2 / np.sum(own**-2)
    return JointUnit(
        value=unit,
        standard_uncertainty=unit * spread,
        shared=unit * float(np.linalg.norm(weight @ slopes)),
        particles=pd.DataFrame(
            {
                "particle": list(units),
                "value": [u.value for u in units.values()],
                "standard_uncertainty": [u.standard_uncertainty for u in units.values()],
                "own": own * [u.value for u in units.values()],
                "without": np.exp(without),
            }
        ),
        homogeneity=homogeneity(constant(log_q, errors).chi_square, log_q.size - 1)
        | {"between": paule_mandel(log_q, errors)},
        grid=np.exp(grid),
        density=posterior / np.exp(grid),
    )


def joint_unit_of_run(
    run: Rows, unit_range: tuple[float, float] | None = None, *, route: str | None = None
) -> JointUnit:
    """What `Run.joint_unit_in_coulombs` gives."""
    run.bench().need_weight_of_each(run.particles)
    runs = {}
    for label in run.particles:
        runs[label], faults = believed(run.particle(label))
        if faults:
            how = " ".join(fault.sentence for fault in faults)
            warn(f"particle {label} is not taken as written. {how}")
    fits = {label: fit_run(one, unit_range) for label, one in runs.items()}
    units = {
        label: unit_in_coulombs(fits[label], one.bench(), run=one, route=route)
        for label, one in runs.items()
    }
    return joint_of(units, fits, runs)


def joint_of(
    units: Mapping[str, Propagation], fits: Mapping[str, RunFit], runs: Mapping[str, Rows]
) -> JointUnit:
    """The joint unit of particles by the whole posterior of each, from the fit of its run."""
    return joint_unit(
        units,
        alternatives={label: fits[label].alternatives for label in units},
        posteriors={label: fits[label].points for label in units},
        benches={label: _bench_of(runs[label]) for label in units},
    )


def joint_of_analyses(analyses: Mapping[str, RunAnalysis]) -> JointUnit:
    """The same from whole analyses, those without coulombs left out."""
    there = {label: one for label, one in analyses.items() if one.coulombs is not None}
    return joint_of(
        {label: one.coulombs for label, one in there.items() if one.coulombs is not None},
        {label: one.fit for label, one in there.items()},
        {label: one.run for label, one in there.items()},
    )


def _bench_of(run: Rows) -> str:
    """What names the bench of a run: the column of that name, or else the apparatus file."""
    return str(run.table["bench"].iloc[0]) if "bench" in run.table else run.bench().source


def logs_and_errors(
    analyses: Mapping[str, RunAnalysis],
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """ln of every unit at its rival nearest to the joint one, own errors, and slopes."""
    near = math.log(joint_of_analyses(analyses).value)
    units = {label: one.coulombs for label, one in analyses.items() if one.coulombs is not None}
    own, slopes = _errors(units, {label: _bench_of(one.run) for label, one in analyses.items()})
    particles = [
        _particle(unit, own[k], slopes[k], analyses[label].fit.alternatives, None)
        for k, (label, unit) in enumerate(units.items())
    ]
    return np.array([particle.nearest(near) for particle in particles]), own, slopes


def own_and_shared(unit: Propagation) -> tuple[float, float]:
    """Relative errors of a unit: what no other particle shares, and what all on its bench do."""
    own, slopes = _errors({"": unit}, {})
    return float(own[0]), float(np.linalg.norm(slopes))


def _errors(
    units: Mapping[str, Propagation], benches: Mapping[str, str]
) -> tuple[FloatArray, FloatArray]:
    """Own relative error of each particle, and its slopes on the shared inputs (unit variance)."""
    own, shared = [], []
    pairs: dict[tuple[str, str], float] = {}
    for label, unit in units.items():
        left, slopes = _split(unit)
        own.append(left)
        everywhere = {n for n in slopes.index if unit.inputs[n].scope == "batch" or n in _FORMULAS}
        place = {
            n: f"{n} {'' if n in everywhere else benches.get(label, '')}" for n in slopes.index
        }
        shared.append(slopes.rename(place))
        pairs |= {(place.get(a, a), place.get(b, b)): r for (a, b), r in unit.correlations.items()}
    table = pd.concat(shared, axis=1).fillna(0.0)
    together = table.to_numpy(float).T @ root_of(correlation_matrix(list(table.index), pairs))
    return np.maximum(own, 1e-9), together if together.size else np.zeros((len(units), 1))


def _split(unit: Propagation, within: Collection[str] = ()) -> tuple[float, pd.Series[float]]:
    """Relative error that no other particle shares, and the parts of the inputs that others share.

    Own inputs follow the shared ones with which they are correlated; the error is what is left,
    that of the inputs `within` aside.
    """
    parts = unit.relative_parts
    mine = np.array([q.scope in OWN_SCOPES for q in unit.inputs.values()])
    matrix = correlation_matrix(list(unit.inputs), unit.correlations)
    following = matrix[np.ix_(mine, ~mine)] @ np.linalg.pinv(matrix[np.ix_(~mine, ~mine)])
    left = matrix[np.ix_(mine, mine)] - following @ matrix[np.ix_(~mine, mine)]
    own = parts[mine]
    shared = parts[~mine] + own.to_numpy() @ following
    rest = np.where(own.index.isin(list(within)), 0.0, own)
    return math.sqrt(max(float(rest @ left @ rest), 0.0)), shared


def _particle(
    unit: Propagation,
    own: float,
    slopes: FloatArray,
    table: pd.DataFrame | None,
    points: PosteriorPoints | None,
) -> Particle:
    budget = unit.budget.set_index("input")
    within, fall_exponent = ["unit"], 0.0
    if points is not None and points.log_fall is not None and "fall" in budget.index:
        within, fall_exponent = ["unit", "fall"], budget["exponent"]["fall"] - points.fall_exponent
    return Particle(
        log_q=math.log(unit.value),
        own=own,
        slopes=slopes,
        rivals=rivals_of(table),
        points=points,
        rest=_split(unit, within)[0],
        fall_exponent=float(fall_exponent),
    )


def _moments(grid: FloatArray, posterior: FloatArray) -> tuple[float, float]:
    mass = posterior / posterior.sum()
    mean = float(mass @ grid)
    return mean, math.sqrt(float(mass @ (grid - mean) ** 2))
