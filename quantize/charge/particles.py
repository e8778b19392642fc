"""Several particles, perhaps on several benches: one unit of charge, each its own conversion."""

from __future__ import annotations

import dataclasses
import math
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any, ClassVar

import numpy as np
import pandas as pd

from quantize._support import validation
from quantize._support.errors import InputError, InputTypeError, explained
from quantize._support.randomness import RngLike, generator
from quantize._support.results import Result
from quantize._support.validation import BoolArray, FloatArray
from quantize.charge.adjustment import (
    constant,
    covariance_of,
    each_left_out,
    homogeneity,
    paule_mandel,
)
from quantize.charge.particle_posterior import (
    Particle,
    PosteriorPoints,
    balanced_draws,
    even_grid,
    joint_posterior,
    modes_of,
    rivals_of,
)
from quantize.charge.propagation import Propagation, correlation_matrix, root_of
from quantize.charge.quantity import OWN_SCOPES, Quantity
from quantize.charge.stated import counted, stated
from quantize.model.modes import Marginal, highest_density_set
from quantize.null.calibration import share

_SHARED_DRAWS = 300  # pairs
_FINER = 8  # places of an interval for one of the grid
_SURE = 0.95
_FORMULAS = ("viscosity formula", "humidity formula", "slip formula")  # the same on all benches


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class JointUnit(Result):
    """Result of `joint_unit`.

    Attributes
    ----------
    value, standard_uncertainty : float
        Mean and standard deviation of the best mode of the joint posterior, in coulombs.
    alternatives : pandas.DataFrame
        Every mode, best first: value, standard_uncertainty, share (of the probability). Particles
        that are each in doubt between units may leave the joint unit in doubt too.
    shared : float
        Standard uncertainty of the value from what particles share, in coulombs.
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

    schema_version: ClassVar[int] = 2
    _private: ClassVar[tuple[str, ...]] = ("grid", "density")

    value: float
    standard_uncertainty: float
    alternatives: pd.DataFrame
    shared: float
    particles: pd.DataFrame
    homogeneity: dict[str, float]
    grid: FloatArray
    density: FloatArray

    def interval(self, prob: float = 0.95) -> FloatArray:
        """Give the highest-density set of the value, in its logarithm.

        Parameters
        ----------
        prob : float
            Probability that the set holds, between 0 and 1.

        Returns
        -------
        numpy.ndarray, shape (k, 2)
            Rows (low, high) in coulombs, that of the best mode first. One row, unless other modes
            hold more than the rest of the probability.
        """
        logs = np.log(self.grid)
        places = np.linspace(logs[0], logs[-1], _FINER * (logs.size - 1) + 1)
        mass = np.interp(places, logs, self.density * self.grid)
        fine = Marginal(
            index=np.arange(places.size),
            log_unit=places,
            mass=mass / mass.sum(),
            step=float(places[1] - places[0]),
        )
        rows = highest_density_set(fine, validation.fraction("prob", prob))
        away = np.abs(np.log(rows.mean(axis=1) / self.value))
        return np.asarray(rows[np.argsort(away, kind="stable")])

    def _headline(self) -> str:
        return (
            f"{stated(self.value, self.standard_uncertainty, 'C')[1]} from "
            f"{len(self.particles)} particles{self._doubt()}"
        )

    def _doubt(self) -> str:
        """What the best mode holds of the probability, and the next, where that is not all."""
        best, *others = self.alternatives.head(2).to_dict("records")
        if best["share"] >= _SURE:
            return ""
        next_one = stated(others[0]["value"], others[0]["standard_uncertainty"], "C")[1]
        return (
            f", which holds {share(best['share'])} of the probability, and {next_one} "
            f"{share(others[0]['share'])}"
        )


@explained()
def joint_unit(
    units: Mapping[str, Propagation] | Sequence[Propagation],
    *,
    alternatives: Mapping[str, pd.DataFrame] | None = None,
    posteriors: Mapping[str, PosteriorPoints] | None = None,
    benches: Mapping[str, str] | None = None,
    rng: RngLike = 0,
) -> JointUnit:
    r"""Join the units of several particles into one posterior.

    Parameters
    ----------
    units : mapping of str to UnitInCoulombs, or a sequence of them
        Result of `unit_in_coulombs` by the label of each particle, for two at least.
    alternatives : mapping of str to DataFrame, optional
        By label, rival units in divisions with columns unit and share, best first, for particles
        whose whole numbers are not sure.
    posteriors : mapping of str to PosteriorPoints, optional
        By label, whole posteriors of unit and fall (`RunFit.points`), used in place of normal
        rivals once some particle has several.
    benches : mapping of str to str, optional
        By label, the bench. Particles on one bench share its scale, plates and session; those of
        one batch share the batch everywhere. All on one bench if left out. An entry that is stated
        otherwise was measured otherwise, and shares no error.
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
    own errors folded in. The value is that of the mode with the largest share; between modes the
    density falls below a tenth of the lower one. Homogeneity, each particle taken at its rival
    nearest to e, is the chi-square of the own errors about their best value given the shared ones
    (Cochran, Biometrics 10:101, 1954), what is left over between particles as by Paule and Mandel,
    J. Res. NBS 87:377 (1982).

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
    units = by_name("units", units)
    if len(units) < 2:
        raise InputError(f"`units` holds {counted(len(units), 'particle')}; join two at least.")
    shares = errors_of(units, benches or {})
    slopes = shares.slopes
    errors = covariance_of(shares.own, slopes)
    particles = [
        particle_of(unit, shares, k, (alternatives or {}).get(label), (posteriors or {}).get(label))
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
        modes = pd.DataFrame({"mean": [value], "sd": [spread], "share": [1.0]})
    else:
        z = balanced_draws(generator(rng), _SHARED_DRAWS, slopes.shape[1])
        grid = even_grid(particles)
        posterior, others = joint_posterior(grid, particles, z)
        modes = modes_of(grid, posterior)
        value, spread = (float(modes[name][0]) for name in ("mean", "sd"))
        without = np.array([modes_of(grid, other)["mean"][0] for other in others])
        log_q = np.array([particle.nearest(value) for particle in particles])
    unit = math.exp(value)
    best = constant(log_q, errors)
    return JointUnit(
        value=unit,
        standard_uncertainty=unit * spread,
        alternatives=pd.DataFrame(
            {
                "value": np.exp(modes["mean"]),
                "standard_uncertainty": np.exp(modes["mean"]) * modes["sd"],
                "share": modes["share"],
            }
        ),
        shared=unit * float(np.linalg.norm(best.weights @ slopes)),
        particles=pd.DataFrame(
            {
                "particle": list(units),
                "value": [u.value for u in units.values()],
                "standard_uncertainty": [u.standard_uncertainty for u in units.values()],
                "own": shares.own * [u.value for u in units.values()],
                "without": np.exp(without),
            }
        ),
        homogeneity=homogeneity(best.chi_square, log_q.size - 1)
        | {"between": paule_mandel(log_q, errors)},
        grid=np.exp(grid),
        density=posterior / np.exp(grid),
    )


def own_and_shared(unit: Propagation) -> tuple[float, float]:
    """Relative errors of a unit: what no other particle shares, and what all on its bench do."""
    mine = [name for name, q in unit.inputs.items() if q.scope in OWN_SCOPES]
    own, shared = _split(unit, mine)
    matrix = correlation_matrix(shared.index.tolist(), unit.correlations)
    return own, math.sqrt(max(float(shared @ matrix @ shared), 0.0))


@dataclasses.dataclass(frozen=True)
class SharedErrors:
    """Relative errors of particles: `own`, and the `parts` of the inputs that several share.

    `parts` has a row for each particle and a column for each such input, of correlation `matrix`;
    `mine` names, for each particle, the inputs whose errors no other has.
    """

    own: FloatArray
    parts: FloatArray
    matrix: FloatArray
    mine: tuple[list[str], ...]

    @property
    def slopes(self) -> FloatArray:
        """On independent inputs of unit variance."""
        together = self.parts @ root_of(self.matrix)
        return together if together.size else np.zeros((self.own.size, 1))

    def common_to(self, sums: FloatArray) -> FloatArray:
        """Covariance of weighted `sums` of particles by what more than one of the sums holds."""
        parts = sums @ self.parts
        lone = np.count_nonzero(parts, axis=0) < 2
        shared = parts[:, ~lone] + parts[:, lone] @ _following(self.matrix, lone)
        return np.asarray(shared @ self.matrix[np.ix_(~lone, ~lone)] @ shared.T)


def by_name(argument: str, several: Any) -> dict[str, Any]:
    """Several things by their names; those of a sequence are numbered."""
    if isinstance(several, Mapping):
        return dict(several)
    if isinstance(several, Iterable) and not isinstance(several, str | bytes):
        return {str(number): one for number, one in enumerate(several, 1)}
    raise InputTypeError(f"`{argument}` is {several!r}; give several, by their names.")


def errors_of(units: Mapping[str, Propagation], benches: Mapping[str, str]) -> SharedErrors:
    """What each particle has for itself, and what it shares with others.

    They share the error of an input that is stated alike for the same bench, or the same batch.
    """
    places = {
        label: {
            name: _place(name, q, benches.get(label, ""))
            for name, q in unit.inputs.items()
            if q.scope not in OWN_SCOPES
        }
        for label, unit in units.items()
    }
    met = Counter(place for there in places.values() for place in there.values())
    own, shared, mine = [], [], []
    pairs: dict[tuple[str, str], float] = {}
    for label, unit in units.items():
        place = {name: there for name, there in places[label].items() if met[there] > 1}
        mine.append([name for name in unit.inputs if name not in place])
        left, parts = _split(unit, mine[-1])
        own.append(max(left, 1e-9))
        shared.append(parts.rename(place))
        pairs |= {
            (place[a], place[b]): r
            for (a, b), r in unit.correlations.items()
            if a in place and b in place
        }
    table = pd.concat(shared, axis=1).fillna(0.0)
    matrix = correlation_matrix(table.index.tolist(), pairs)
    return SharedErrors(np.array(own), table.to_numpy(float).T, matrix, tuple(mine))


def _place(name: str, quantity: Quantity, bench: str) -> str:
    """What distinguishes an error from those of inputs of the same name on other benches."""
    everywhere = quantity.scope == "batch" or name in _FORMULAS
    return f"{name} {quantity.value:.12g} {'' if everywhere else bench}"


def _following(matrix: FloatArray, mine: BoolArray) -> FloatArray:
    """How inputs that are `mine` follow the others, with which they are correlated."""
    others = np.linalg.pinv(matrix[np.ix_(~mine, ~mine)])
    return np.asarray(matrix[np.ix_(mine, ~mine)] @ others)


def _split(
    unit: Propagation, mine: list[str], within: Collection[str] = ()
) -> tuple[float, pd.Series[float]]:
    """Relative error by the inputs that are `mine`, and the parts of those that others share.

    Own inputs follow the shared ones with which they are correlated; the error is what is left,
    that of the inputs `within` aside.
    """
    parts = unit.relative_parts
    here = np.asarray(parts.index.isin(mine))
    matrix = correlation_matrix(list(unit.inputs), unit.correlations)
    following = _following(matrix, here)
    left = matrix[np.ix_(here, here)] - following @ matrix[np.ix_(~here, here)]
    own = parts[here]
    rest = np.where(own.index.isin(list(within)), 0.0, own)
    error = math.sqrt(max(float(rest @ left @ rest), 0.0))
    return error, parts[~here] + own.to_numpy() @ following


def particle_of(
    unit: Propagation,
    errors: SharedErrors,
    k: int,
    table: pd.DataFrame | None,
    points: PosteriorPoints | None,
) -> Particle:
    """One of several particles, with rivals from a table or the points of its posterior."""
    budget = unit.budget.set_index("input")
    within, fall_exponent = ["unit"], 0.0
    if points is not None and points.log_fall is not None and "fall" in budget.index:
        within, fall_exponent = ["unit", "fall"], budget["exponent"]["fall"] - points.fall_exponent
    return Particle(
        log_q=math.log(unit.value),
        own=float(errors.own[k]),
        slopes=errors.slopes[k],
        rivals=rivals_of(table),
        points=points,
        rest=_split(unit, errors.mine[k], within)[0],
        fall_exponent=float(fall_exponent),
    )
