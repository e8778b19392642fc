"""fit_two_units(): two populations on one page, each with a unit of its own."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError
from quantize._support.results import Result
from quantize._support.validation import FloatArray, IntArray
from quantize.comb.grid import Band, band_for, default_sigma_range
from quantize.comb.model.two_combs import NEGLIGIBLE, PairLattice, refuse_too_many
from quantize.comb.model.two_unit_page import TOO_SMALL, TwoUnitPage
from quantize.comb.problem import panel_nodes
from quantize.comb.window import log_unit_excess
from quantize.comb.wrapped import log_wrapped_normal
from quantize.readings import Readings, as_readings

if TYPE_CHECKING:
    import pandas as pd

_WIDEST_PANEL = 0.8
_DISTANCE = 8.0
_MOST_ROWS = 12
_MOST_HILLS = 20
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
    band : Band
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
    band: Band
    readings: Readings

    def _headline(self) -> str:
        one, two = self.units
        return (
            f"units {one:.6g} ± {self.unit_errs[0]:.2g} and {two:.6g} ± {self.unit_errs[1]:.2g}, "
            f"log Bayes factor over one unit {self.log_bayes_factor:.2f}"
        )


def fit_two_units(
    readings: Any,
    unit_range: Any = None,
    *,
    labels: Any = None,
    sigma_range: Any = None,
    share_prior: float = 1.0,
) -> TwoUnits:
    r"""Two populations with a unit each, and their evidence against one unit for all.

    Parameters
    ----------
    readings : Readings or array_like, shape (n,)
        Readings of both populations; sigma is common to them.
    unit_range : (float, float), optional
        Support of the log-uniform prior of either unit; see `default_band`.
    labels : array_like, shape (n,), optional
        Which of two populations each reading belongs to. Left out, each belongs to either with an
        unknown share.
    sigma_range : float or (float, float), optional
        As in `fit_mixture`.
    share_prior : float
        The share of the first unit has the prior Beta(a, a) with this a; 1 is uniform.

    Returns
    -------
    TwoUnits

    Raises
    ------
    InputError
        For labels that do not name two populations of three readings or more, or input that cannot
        be used.

    Notes
    -----
    At one sigma the populations are independent given the labels, so that the evidence is the
    integral over sigma of the product of two integrals over a unit. Without labels the sum runs
    over pairs of units (`quantize.comb.model.two_combs`) and over the share by the rule of Gauss
    and Jacobi. Units and sigma have independent log-uniform priors, thinned out where a comb would
    have no steps (`quantize.comb.sigma_prior`).

    Examples
    --------
    >>> import quantize as qz
    >>> inches = [2.54, 7.6, 12.72, 20.3, 15.2, 5.1]
    >>> metric = [3.02, 6.98, 12.0, 18.01, 10.99, 7.0]
    >>> found = qz.fit_two_units(
    ...     inches + metric, (0.8, 4), labels=["in"] * 6 + ["cm"] * 6, sigma_range=0.05
    ... )
    >>> found.units.round(1).tolist(), found.log_bayes_factor > 0
    ([2.5, 1.0], True)
    """
    data = as_readings(readings)
    known = validation.sigma_range(sigma_range)
    band = band_for(data, unit_range, sigma_range=known)
    a = validation.positive("share_prior", share_prior)
    low, high = (1.0, 1.0) if data.sigma is not None else known or default_sigma_range(data, band)
    sigmas, log_w = np.array([low]), np.zeros(1)
    if low < high:
        length = float(np.log(high / low))
        panel = min(_WIDEST_PANEL, 6 / np.sqrt(2 * len(data)))
        place, weight = panel_nodes(length, panel)
        sigmas, log_w = low * np.exp(place[::-1]), np.log(weight[::-1] / length)
    page = TwoUnitPage(data, band, sigmas, log_w)
    if labels is None:
        return _unlabelled(page, a)
    return _labelled(page, labels)


def _labelled(page: TwoUnitPage, labels: Any) -> TwoUnits:
    import pandas as pd

    data = page.data
    names, member = _two_labels(labels, len(data))
    parts = [data.select(member == j) for j in (0, 1)]
    found = [page.over_sigma(part) for part in parts]
    count = min(len(row) for row in found)
    found = [row[:count] for row in found]
    totals = np.array([[node[2] for node in row] for row in found])
    log_evidence = page.log_two(totals.sum(axis=0))
    weight = page.log_w[:count] + totals.sum(axis=0)
    weight = np.exp(weight - np.logaddexp.reduce(weight))
    hills = []
    for row in found:
        place = np.concatenate([node[0].log_unit for node in row])
        index = np.concatenate([np.full(node[1].size, i) for i, node in enumerate(row)])
        inner = np.concatenate([node[1] - node[2] for node in row])
        cell = np.concatenate([node[0].cell for node in row])
        share = weight[index] * np.exp(inner)
        hills.append(_hills(place[:, None], share, cell[:, None]) + (place, index, inner))
    # Within one sigma the two units are independent.
    rows = []
    for one in range(int(hills[0][0].max()) + 1):
        for two in range(int(hills[1][0].max()) + 1):
            at = np.ones(count)
            for side, label in ((hills[0], one), (hills[1], two)):
                inside = side[0] == label
                at *= np.bincount(side[3][inside], weights=np.exp(side[4][inside]), minlength=count)
            rows.append((float(np.sum(weight * at)), one, two, weight * at))
    rows.sort(key=lambda row: -row[0])
    _, one, two, by_sigma = rows[0]
    units, errors = np.empty(2), np.empty(2)
    table = []
    for j, label in ((0, one), (1, two)):
        units[j], errors[j] = _moments(hills[j], label)
    for share, i, k, _ in rows[:_MOST_ROWS]:
        table.append(
            {
                "unit_1": _moments(hills[0], i)[0],
                "unit_2": _moments(hills[1], k)[0],
                "share": share,
            }
        )
    member_probability = np.column_stack([member == 0, member == 1]).astype(float)
    return _result(
        page,
        units=units,
        unit_errs=errors,
        labels=names,
        shares=member_probability.mean(axis=0),
        sigma=float(np.sum(by_sigma * page.sigmas[:count]) / by_sigma.sum()),
        membership=member_probability,
        log_evidence=log_evidence,
        alternatives=pd.DataFrame(table),
    )


def _unlabelled(page: TwoUnitPage, a: float) -> TwoUnits:
    import pandas as pd
    from scipy.special import roots_jacobi

    n = page.levels.mean.size
    x, w = roots_jacobi(min((n + 2) // 2, 6 + int(np.sqrt(n))), a - 1, a - 1)
    shares, log_shares = 0.5 * (x + 1), np.log(w / w.sum())
    best, climbed = -np.inf, []
    lattices: list[PairLattice | None] = []
    for i, sigma in enumerate(page.sigmas):
        lattice = PairLattice(page.problem(page.data, i), float(sigma), shares, log_shares)
        lattice.log_prior += page.log_taper(float(sigma), np.exp(lattice.log_unit))
        reached = lattice.climb() + page.log_w[i]
        climbed.append(reached)
        best = max(best, reached)
        lattices.append(lattice if reached > best - _FALLEN else None)
        # Sigma descends: once it is far too small it stays so.
        if len(climbed) > 10 and max(climbed[-3:]) < best - TOO_SMALL:
            break
    totals = np.full(page.sigmas.size, -np.inf)
    parts = []
    for i, kept in enumerate(lattices):
        if kept is None or climbed[i] < best - _FALLEN:
            continue
        nodes = kept.sum_up(best - page.log_w[i])
        if nodes.log_mass.size:
            totals[i] = np.logaddexp.reduce(nodes.log_mass)
            mass = nodes.log_mass + page.log_w[i]
            step = np.full(mass.size, nodes.step)
            columns = (nodes.first, nodes.second, nodes.share, mass, np.full(mass.size, i), step)
            parts.append(np.column_stack(columns))
            refuse_too_many(sum(len(part) for part in parts))
    table = np.concatenate(parts)
    table = table[table[:, 3] > table[:, 3].max() - NEGLIGIBLE]
    first, second, share, mass, index, step = table.T
    probability = np.exp(mass - np.logaddexp.reduce(mass))
    label = _hills(np.column_stack([first, second]), probability, np.column_stack([step, step]))[0]
    rows = []
    for hill in range(int(label.max()) + 1):
        inside = label == hill
        total = float(probability[inside].sum())
        means = [
            float(np.sum(probability[inside] * np.exp(v[inside])) / total) for v in (first, second)
        ]
        rows.append((total, hill, means))
    rows.sort(key=lambda row: -row[0])
    _, hill, means = rows[0]
    inside = label == hill
    within = probability[inside] / probability[inside].sum()
    errors = [
        float(np.sqrt(np.sum(within * (np.exp(v[inside]) - m) ** 2)))
        for v, m in zip((first, second), means, strict=True)
    ]
    sigma = page.sigmas[index.astype(int)]
    part = float(np.sum(within * share[inside]))
    mean_sigma = float(np.sum(within * sigma[inside]))
    return _result(
        page,
        units=np.array(means),
        unit_errs=np.array(errors),
        labels=(1, 2),
        shares=np.array([part, 1 - part]),
        sigma=mean_sigma,
        membership=_membership(page, first, second, share, sigma, probability),
        log_evidence=page.log_two(totals),
        alternatives=pd.DataFrame(
            [{"unit_1": m[0], "unit_2": m[1], "share": s} for s, _, m in rows[:_MOST_ROWS]]
        ),
    )


def _result(
    page: TwoUnitPage, *, units: FloatArray, membership: FloatArray, **rest: Any
) -> TwoUnits:
    mine = units[np.argmax(membership, axis=1)]
    means = page.levels.mean[page.levels.index]
    return TwoUnits(
        units=units,
        membership=membership,
        integers=np.rint(means / mine).astype(np.int64),
        log_bayes_factor=rest["log_evidence"] - page.log_one_unit(),
        band=page.band,
        readings=page.data,
        **rest,
    )


def _membership(
    page: TwoUnitPage,
    first: FloatArray,
    second: FloatArray,
    share: FloatArray,
    sigma: FloatArray,
    probability: FloatArray,
) -> FloatArray:
    """Probability that each reading belongs to each unit, over the heaviest nodes."""
    heavy = np.argsort(-probability)[:4000]
    weight = probability[heavy] / probability[heavy].sum()
    mean, factor = page.levels.mean, page.levels.factor
    logs = []
    for place, part in ((first[heavy], share[heavy]), (second[heavy], 1 - share[heavy])):
        unit = np.exp(place)[:, None]
        spread = sigma[heavy][:, None] * np.sqrt(factor) / unit
        excess = log_unit_excess(
            unit[:, 0], spread.mean(axis=1), float(np.ptp(mean)), int(mean.size)
        )
        log_c = log_wrapped_normal(mean / unit, spread) - excess[:, None]
        logs.append(np.log(part)[:, None] + log_c)
    mine = weight @ np.exp(logs[0] - np.logaddexp(*logs))
    of_level: FloatArray = np.column_stack([mine, 1 - mine])
    return of_level[page.levels.index]


def _hills(place: FloatArray, share: FloatArray, cell: FloatArray) -> tuple[IntArray, FloatArray]:
    """Label nodes by the heaviest node nearby, heaviest first, and the shares of the nodes."""
    label = np.full(share.size, -1)
    count = 0
    while np.any(label < 0):
        open_share = np.where(label < 0, share, -1.0)
        top = int(np.argmax(open_share))
        near = np.all(np.abs(place - place[top]) <= _DISTANCE * cell[top] * 2, axis=1)
        if count == _MOST_HILLS - 1:
            near[:] = True
        label[near & (label < 0)] = count
        count += 1
    return label, share


def _moments(hill: tuple[Any, ...], label: int) -> tuple[float, float]:
    """Mean and standard deviation of the unit within one hill."""
    inside = hill[0] == label
    weight = hill[1][inside] / hill[1][inside].sum()
    unit = np.exp(hill[2][inside])
    mean = float(np.sum(weight * unit))
    return mean, float(np.sqrt(np.sum(weight * (unit - mean) ** 2)))


def _two_labels(labels: Any, n: int) -> tuple[tuple[Any, ...], IntArray]:
    """The two labels in order of appearance, and which each reading has."""
    items = list(labels)
    if len(items) != n:
        raise InputError(
            f"`labels` has {len(items)} entries and `readings` has {n}; give one a reading."
        )
    names = tuple(dict.fromkeys(items))
    if len(names) != 2:
        raise InputError(f"`labels` names {len(names)} populations; two are needed.")
    member = np.array([names.index(item) for item in items])
    fewest = int(np.bincount(member).min())
    if fewest < 3:
        raise InputError(
            f"`labels` leaves {fewest} readings in one population; at least 3 are needed in each."
        )
    return names, member
