"""fit_two_units(): two populations in one sample, each with a unit of its own."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
import numpy.typing as npt

from quantize._support import validation
from quantize._support.errors import InputError
from quantize._support.results import Result
from quantize._support.validation import FloatArray, IntArray
from quantize.comb.unit_range import UnitRange, default_sigma_range, unit_range_for
from quantize.model.likelihood import Parameters
from quantize.model.modes import moments
from quantize.model.pairs import (
    FINE,
    NEGLIGIBLE,
    TOO_SMALL,
    PairLattice,
    Problem,
    one_unit,
    refuse_too_many,
)
from quantize.readings import Readings, as_readings

if TYPE_CHECKING:
    import pandas as pd

_NODES_FOR_MEMBERSHIP = 4000
_DISTANCE = 8.0
_MOST_ROWS = 12
_MOST_MODES = 20
_FALLEN = 30.0


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class TwoUnits(Result):
    """Result of `fit_two_units`.

    Attributes
    ----------
    units, unit_errs : numpy.ndarray, shape (2,)
        Posterior means and standard deviations within the highest mode; in the order of `labels`
        where these were given, else ascending.
    labels : tuple
        The two labels, or (1, 2).
    shares : numpy.ndarray, shape (2,)
        Share of the readings on each comb: known with labels, else the posterior mean.
    sigma : float
        Posterior mean within that mode.
    integers : numpy.ndarray, shape (n,)
        Most probable whole number of each reading, of the unit it most probably belongs to.
    membership : numpy.ndarray, shape (n, 2)
        Probability that each reading belongs to each unit.
    log_evidence : float
        Natural log of the evidence of two units over that of a continuum.
    log_bayes_factor : float
        Natural log of the evidence of two units over that of one unit for all readings.
    alternatives : pandas.DataFrame
        Pairs of units (columns unit_1, unit_2) and their shares of the posterior, best first.
    unit_range : UnitRange
        Units that were tried.
    """

    _private: ClassVar[tuple[str, ...]] = ("readings",)

    units: FloatArray
    unit_errs: FloatArray
    labels: tuple[Any, ...]
    shares: FloatArray
    sigma: float
    integers: IntArray
    membership: FloatArray
    log_evidence: float
    log_bayes_factor: float
    alternatives: pd.DataFrame
    unit_range: UnitRange
    readings: Readings

    def _headline(self) -> str:
        one, two = self.units
        return (
            f"units {one:.6g} ± {self.unit_errs[0]:.2g} and {two:.6g} ± {self.unit_errs[1]:.2g}, "
            f"log Bayes factor over one unit {self.log_bayes_factor:.2f}"
        )


def fit_two_units(
    readings: Readings | npt.ArrayLike,
    unit_range: tuple[float, float] | UnitRange | None = None,
    *,
    labels: Sequence[Any] | npt.ArrayLike | None = None,
    sigma_range: float | tuple[float, float] | None = None,
    share_prior: float = 1.0,
) -> TwoUnits:
    r"""Two populations with a unit each, and their evidence against one unit for all.

    Parameters
    ----------
    readings : Readings or array_like, shape (n,)
        The measured values of both populations together; sigma is common to them.
    unit_range : (float, float), optional
        Smallest and largest unit of either population, in the readings' own unit: the support of
        log-uniform priors. Left out, `default_unit_range` chooses it from span, sigma and
        resolution.
    labels : array_like, shape (n,), optional
        Which of two populations each reading belongs to, by any two different labels. Left out,
        each belongs to either with an unknown share.
    sigma_range : float or (float, float), optional
        Standard deviation of a reading, in the readings' own unit: a number is known, a pair the
        support of a log-uniform prior. Left out, `default_sigma_range` gives the support.
    share_prior : float
        The share of the first unit has the prior Beta(a, a) with this a, above zero; 1 is uniform.
        It is not used with `labels`.

    Returns
    -------
    TwoUnits
        Both units with their standard deviations, which readings belong to which, and the evidence
        of two units against one.

    Raises
    ------
    InputError
        For labels that do not name two populations of three readings or more, or input that cannot
        be used.

    Notes
    -----
    At one sigma the populations are independent given the labels, so that the evidence is the
    integral over sigma of the product of two integrals over a unit. Without labels the sum runs
    over pairs of units (`quantize.model.pairs`) and over the share by the rule of Gauss
    and Jacobi. Units and sigma have independent log-uniform priors, thinned out where a comb would
    have no steps (`quantize.model.sigma_prior`).

    Examples
    --------
    >>> import quantize as qz
    >>> inch = [2.54, 7.6, 12.72, 20.3, 15.2, 5.1]
    >>> metric = [3.02, 6.98, 12.0, 18.01, 10.99, 7.0]
    >>> found = qz.model.fit_two_units(
    ...     inch + metric, (0.8, 4), labels=["in"] * 6 + ["cm"] * 6, sigma_range=0.05)
    >>> found.units.round(1).tolist(), found.log_bayes_factor > 0
    ([2.5, 1.0], True)
    """
    data = as_readings(readings)
    known = validation.sigma_range(sigma_range)
    unit_range = unit_range_for(data, unit_range, sigma_range=known)
    a = validation.positive("share_prior", share_prior)
    low, high = (
        (1.0, 1.0) if data.sigma is not None else known or default_sigma_range(data, unit_range)
    )
    problem = Problem.of(data, unit_range, low, high)
    return _unlabelled(problem, a) if labels is None else _labelled(problem, labels)


def _labelled(problem: Problem, labels: Any) -> TwoUnits:
    import pandas as pd

    level = problem.likelihood.state_of_reading()
    names, member = _two_labels(labels, level.size)
    groups = [np.unique(level[member == j]) for j in (0, 1)]
    found = one_unit(problem, groups)
    totals = found[0].totals + found[1].totals
    at_sigma = problem.log_w[: totals.size] + totals
    weight = np.exp(at_sigma - np.logaddexp.reduce(at_sigma))
    modes = []
    for side in found:
        inner = np.exp(side.log_mass - side.totals[side.index])
        label = _modes(side.log_unit[:, None], weight[side.index] * inner, side.cell[:, None])
        modes.append((label, inner))
    # Within one sigma the two units are independent.
    rows = []
    for one in range(int(modes[0][0].max()) + 1):
        for two in range(int(modes[1][0].max()) + 1):
            at = weight.copy()
            for side, (label, inner), mine in zip(found, modes, (one, two), strict=True):
                inside = label == mine
                at *= np.bincount(side.index[inside], weights=inner[inside], minlength=at.size)
            rows.append((float(at.sum()), (one, two), at))
    rows.sort(key=lambda row: -row[0])

    def of_mode(j: int, label: int) -> tuple[float, float]:
        inside = modes[j][0] == label
        share = weight[found[j].index[inside]] * modes[j][1][inside]
        return moments(np.exp(found[j].log_unit[inside]), share)

    _, pair, by_sigma = rows[0]
    best = [of_mode(j, pair[j]) for j in (0, 1)]
    table = [
        {"unit_1": of_mode(0, one)[0], "unit_2": of_mode(1, two)[0], "share": share}
        for share, (one, two), _ in rows[:_MOST_ROWS]
    ]
    membership = np.column_stack([member == 0, member == 1]).astype(float)
    return _result(
        problem,
        units=np.array([mean for mean, _ in best]),
        unit_errs=np.array([sd for _, sd in best]),
        labels=names,
        shares=membership.mean(axis=0),
        sigma=float(by_sigma @ problem.sigmas[: totals.size] / by_sigma.sum()),
        membership=membership,
        log_evidence=problem.evidence(totals, 2),
        alternatives=pd.DataFrame(table),
    )


def _unlabelled(problem: Problem, a: float) -> TwoUnits:
    import pandas as pd
    from scipy.special import roots_jacobi

    n = problem.likelihood.states
    x, w = roots_jacobi(min((n + 2) // 2, 6 + int(np.sqrt(n))), a - 1, a - 1)
    totals, table = _all_pairs(problem, 0.5 * (x + 1), np.log(w / w.sum()))
    first, second, share, mass, index, step = table.T
    probability = np.exp(mass - np.logaddexp.reduce(mass))
    label = _modes(np.column_stack([first, second]), probability, np.column_stack([step, step]))
    rows = []
    for mode in range(int(label.max()) + 1):
        inside = label == mode
        pair = [moments(np.exp(v[inside]), probability[inside]) for v in (first, second)]
        rows.append((float(probability[inside].sum()), mode, pair))
    rows.sort(key=lambda row: -row[0])
    _, mode, pair = rows[0]
    inside = label == mode
    sigma = problem.sigmas[index.astype(int)]
    part = moments(share[inside], probability[inside])[0]
    return _result(
        problem,
        units=np.array([mean for mean, _ in pair]),
        unit_errs=np.array([sd for _, sd in pair]),
        labels=(1, 2),
        shares=np.array([part, 1 - part]),
        sigma=moments(sigma[inside], probability[inside])[0],
        membership=_membership(problem, table, probability),
        log_evidence=problem.evidence(totals, 2),
        alternatives=pd.DataFrame(
            [
                {"unit_1": p[0][0], "unit_2": p[1][0], "share": total}
                for total, _, p in rows[:_MOST_ROWS]
            ]
        ),
    )


def _all_pairs(
    problem: Problem, shares: FloatArray, log_shares: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Log evidence at each sigma, and the pairs that count: rows (log unit, log unit, share,
    log mass, sigma node, step)."""
    best, climbed = -np.inf, []
    lattices: list[PairLattice | None] = []
    for i in range(problem.sigmas.size):
        lattice = PairLattice(problem.lattice(i, FINE), shares, log_shares)
        reached = lattice.climb() + problem.log_w[i]
        climbed.append(reached)
        best = max(best, reached)
        lattices.append(lattice if reached > best - _FALLEN else None)
        # Sigma descends: once it is far too small it stays so.
        if len(climbed) > 10 and max(climbed[-3:]) < best - TOO_SMALL:
            break
    totals = np.full(problem.sigmas.size, -np.inf)
    parts = []
    for i, kept in enumerate(lattices):
        if kept is None or climbed[i] < best - _FALLEN:
            continue
        nodes = kept.sum_up(best - problem.log_w[i])
        if nodes.log_mass.size:
            totals[i] = np.logaddexp.reduce(nodes.log_mass)
            mass = nodes.log_mass + problem.log_w[i]
            step = np.full(mass.size, nodes.step)
            columns = (nodes.first, nodes.second, nodes.share, mass, np.full(mass.size, i), step)
            parts.append(np.column_stack(columns))
            refuse_too_many(sum(len(part) for part in parts))
    table = np.concatenate(parts)
    return totals, table[table[:, 3] > table[:, 3].max() - NEGLIGIBLE]


def _result(
    problem: Problem, *, units: FloatArray, membership: FloatArray, **rest: Any
) -> TwoUnits:
    mine = units[np.argmax(membership, axis=1)]
    likelihood = problem.likelihood
    means = likelihood.mean[likelihood.state_of_reading()]
    everything = np.arange(likelihood.states)
    one = problem.evidence(one_unit(problem, [everything])[0].totals, 1)
    return TwoUnits(
        units=units,
        membership=membership,
        integers=np.rint(means / mine).astype(np.int64),
        log_bayes_factor=rest["log_evidence"] - one,
        unit_range=problem.unit_range,
        readings=likelihood.readings,
        **rest,
    )


def _membership(problem: Problem, table: FloatArray, probability: FloatArray) -> FloatArray:
    """Probability that each reading belongs to each unit, over the heaviest nodes."""
    likelihood = problem.likelihood
    heavy = np.argsort(-probability)[:_NODES_FOR_MEMBERSHIP]
    weight = probability[heavy] / probability[heavy].sum()
    first, second, share, _, index, _ = table[heavy].T
    sigma = problem.sigmas[index.astype(int)]
    logs = [
        np.log(part)[:, None] + likelihood.log_on_comb(Parameters.plain(np.exp(place), sigma))
        for place, part in ((first, share), (second, 1 - share))
    ]
    mine = weight @ np.exp(logs[0] - np.logaddexp(*logs))
    of_level: FloatArray = np.column_stack([mine, 1 - mine])
    return of_level[likelihood.state_of_reading()]


def _modes(place: FloatArray, share: FloatArray, cell: FloatArray) -> IntArray:
    """Label nodes by the heaviest node nearby, heaviest first."""
    label = np.full(share.size, -1)
    count = 0
    while np.any(label < 0):
        open_share = np.where(label < 0, share, -1.0)
        top = int(np.argmax(open_share))
        near = np.all(np.abs(place - place[top]) <= _DISTANCE * cell[top] * 2, axis=1)
        if count == _MOST_MODES - 1:
            near[:] = True
        label[near & (label < 0)] = count
        count += 1
    return label


def _two_labels(labels: Any, n: int) -> tuple[tuple[Any, ...], IntArray]:
    """The two labels in order of appearance, and which each reading has."""
    member, names = validation.state_codes(labels, n, name="labels", of="`readings` has {n}")
    if member is None or len(names) != 2:
        raise InputError(f"`labels` names {len(names)} populations; two are needed.")
    fewest = int(np.bincount(member).min())
    if fewest < 3:
        raise InputError(
            f"`labels` leaves {fewest} readings in one population; at least 3 are needed in each."
        )
    return names, member
