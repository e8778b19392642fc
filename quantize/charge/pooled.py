"""Several runs, of a class or of several benches: one unit, and what their errors leave between."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import pandas as pd

from quantize._support.errors import InputError
from quantize._support.randomness import RngLike, generator
from quantize._support.results import Result
from quantize._support.validation import BoolArray, FloatArray
from quantize.charge.adjustment import (
    constant,
    covariance_of,
    each_left_out,
    homogeneity,
    mixture_quantile,
    paule_mandel,
)
from quantize.charge.apparatus import ApparatusLike, load_apparatus
from quantize.charge.particles import by_name
from quantize.charge.propagation import WithInterval
from quantize.charge.rows import Rows
from quantize.charge.run import Run
from quantize.charge.run_analysis import RunAnalysis
from quantize.charge.several import ParticleAnalyses, analyze_each, logs_and_errors
from quantize.charge.stated import counted, stated

_TABLES = (".csv", ".tsv", ".txt", ".xlsx", ".parquet")
_SPREADS = np.geomspace(1e-3, 1e4, 600)
"""Between runs, in the typical error of one, over which their common unit is averaged."""


@dataclasses.dataclass(frozen=True)
class OverSpread:
    """A constant averaged over the spread between its values: normal laws and their weights."""

    mean: FloatArray
    deviation: FloatArray
    weight: FloatArray

    @classmethod
    def of(cls, y: FloatArray, covariance: FloatArray, scale: float) -> OverSpread:
        """Of values `y` with that covariance, and a spread that is half-Cauchy with that scale."""
        spreads = scale * _SPREADS
        found = [constant(y, covariance + tau**2 * np.eye(y.size)) for tau in spreads]
        deviation = np.array([one.standard_uncertainty for one in found])
        chi_square = np.array([one.chi_square for one in found])
        roots = np.linalg.eigvalsh(covariance)
        log_like = np.log(deviation) - 0.5 * (
            chi_square + np.log(roots + np.square(spreads)[:, None]).sum(axis=1)
        )
        # The nodes are even in ln tau.
        log_prior = np.log(_SPREADS) - np.log1p(np.square(_SPREADS))
        weight = np.exp(log_like + log_prior - np.max(log_like + log_prior))
        mean = np.array([one.value for one in found])
        return cls(mean, deviation, weight / weight.sum())

    def quantile(self, below: float) -> float:
        """Where the probability `below` lies under it."""
        return mixture_quantile(below, self.weight, self.mean, self.deviation)


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class PooledUnit(WithInterval, Result):
    """Result of `pool_runs`; its interval is averaged over how far runs may differ.

    Attributes
    ----------
    value, standard_uncertainty : float
        The unit from all runs, in coulombs, and its uncertainty, the spread between runs included.
    shared : float
        The part of it from what runs share, which more of them would not make smaller.
    between : float
        Relative standard deviation between runs that their stated errors leave unexplained.
    homogeneity : dict
        chi_square, degrees_of_freedom, p_value of the runs about one unit with their stated errors.
    runs : pandas.DataFrame
        One row for each run with coulombs: run, particles, value, standard_uncertainty, own (what
        no other run shares, in coulombs), weight (in the pooled unit), without (the pooled unit
        with this run left out; NaN where fewer than two would be left).
    left_out : dict of str to str
        Runs that are not in it, and why.
    """

    value: float
    standard_uncertainty: float
    shared: float
    between: float
    homogeneity: dict[str, float]
    runs: pd.DataFrame
    left_out: dict[str, str]
    averaged: OverSpread

    _private: ClassVar[tuple[str, ...]] = ("averaged",)

    def _ends(self, tail: float) -> Any:
        return np.exp([self.averaged.quantile(tail), self.averaged.quantile(1 - tail)])

    def _headline(self) -> str:
        return (
            f"{stated(self.value, self.standard_uncertainty, 'C')[1]} from {len(self.runs)} runs, "
            f"{100 * self.between:.2g} % between them unexplained"
        )


def pool_runs(
    runs: str | Path | Mapping[str, Rows] | Sequence[Rows],
    apparatus: ApparatusLike | None = None,
    *,
    unit_range: tuple[float, float] | None = None,
    rng: RngLike = None,
    **options: Any,
) -> tuple[PooledUnit, dict[str, ParticleAnalyses]]:
    r"""Analyze the runs of a class or of several benches, and pool their units.

    Parameters
    ----------
    runs : str, Path, mapping of str to Run or sequence of Run
        A folder with the page of each run, or runs by their names. Beside a page, a file of the
        same name that ends in .toml is its apparatus file.
    apparatus : Apparatus, str, path-like or mapping, optional
        The bench of every page without such a file. Runs with one apparatus share its errors.
    unit_range : (float, float), optional
        Smallest and largest unit tried, in divisions per interval.
    rng : int, SeedSequence or Generator, optional
        Seed or source of the random numbers.
    **options
        As for `Run.analyze`.

    Returns
    -------
    (PooledUnit, dict of str to ParticleAnalyses)
        The pooled unit, and the analyses of each run.

    Raises
    ------
    InputError
        For a folder without pages, a page without apparatus, and fewer than two runs with
        coulombs.

    Notes
    -----
    The particles of a run make one unit by generalised least squares. The units y of the runs, in
    logs, have the covariance S of their stated errors, what several share in it; between runs
    there is a variance :math:`\tau^2` on top, for which
    :math:`(y-\mu)^\top(S+\tau^2 I)^{-1}(y-\mu)` is its expected value, the number of runs less one
    (zero where it is smaller without). Two or three runs say little of it, so that the interval
    is that of a flat prior of :math:`\mu` and a half-Cauchy one of :math:`\tau`, its scale the root
    mean square of what each run has for itself.

    References
    ----------
    R. C. Paule and J. Mandel, J. Res. NBS 87:377 (1982); A. Gelman, Bayesian Analysis 1:515
    (2006), for the prior of the spread.

    Examples
    --------
    >>> from quantize.charge import Run, SimulatedBench
    >>> few = SimulatedBench(falls=3, states=((6, 2), (4, 2), (7, 2), (9, 2)))
    >>> runs = {f"run {i}": Run(*few.simulate(rng=i)[:2]) for i in (1, 2)}
    >>> pooled, _ = pool_runs(runs, unit_range=(6, 16), n_resamples=19, rng=1)
    >>> pooled.homogeneity["degrees_of_freedom"]
    1.0
    """
    read = _runs_of(runs, apparatus)
    children = generator(rng).spawn(len(read))
    found = {
        name: analyze_each(run, unit_range, rng=child, **options)
        for (name, run), child in zip(read.items(), children, strict=True)
    }
    return pooled(found), found


def pooled(found: Mapping[str, ParticleAnalyses]) -> PooledUnit:
    """One unit from runs that are analyzed."""
    known: dict[str, RunAnalysis] = {}
    owners: list[str] = []
    left_out: dict[str, str] = {}
    for name, analyses in found.items():
        there = {k: a for k, a in analyses.analyses.items() if a.coulombs is not None}
        known |= {f"{name}, {label}": analysis for label, analysis in there.items()}
        owners += [name] * len(there)
        if not there:
            left_out[name] = str(analyses.table["missing"].iloc[0])
    names = list(dict.fromkeys(owners))
    if len(names) < 2:
        raise InputError(
            f"`runs` has {counted(len(names), 'run')} with coulombs, and two at least can be pooled"
            + "".join(f"; {name}: {why}" for name, why in left_out.items())
        )
    log_q, errors = logs_and_errors(known)
    covariance = covariance_of(errors.own, errors.slopes)
    within = np.array([[name == owner for owner in owners] for name in names], dtype=float)
    to_run = np.array([_weights(covariance, row > 0) for row in within])
    y, stated_errors = to_run @ log_q, to_run @ covariance @ to_run.T
    common = errors.common_to(to_run)
    own = np.sqrt(np.maximum(np.diag(stated_errors - common), 0.0))
    between = paule_mandel(y, stated_errors)
    whole = stated_errors + between**2 * np.eye(y.size)
    joint = constant(y, whole)
    without = each_left_out(y, whole) if y.size > 2 else np.full(y.size, math.nan)
    unit = math.exp(joint.value)
    table = pd.DataFrame(
        {
            "run": names,
            "particles": within.sum(axis=1).astype(int),
            "value": np.exp(y),
            "standard_uncertainty": np.exp(y) * np.sqrt(np.diag(stated_errors)),
            "own": np.exp(y) * own,
            "weight": joint.weights,
            "without": np.exp(without),
        }
    )
    return PooledUnit(
        value=unit,
        standard_uncertainty=unit * joint.standard_uncertainty,
        shared=unit * math.sqrt(max(float(joint.weights @ common @ joint.weights), 0.0)),
        between=between,
        homogeneity=homogeneity(constant(y, stated_errors).chi_square, y.size - 1),
        runs=table,
        left_out=left_out,
        averaged=OverSpread.of(y, stated_errors, math.sqrt(float(np.mean(np.square(own))))),
    )


def _weights(covariance: FloatArray, rows: BoolArray) -> FloatArray:
    """Weights of the particles of one run in its unit; zero for all others."""
    weights = np.zeros(rows.size)
    weights[rows] = constant(np.zeros(int(rows.sum())), covariance[np.ix_(rows, rows)]).weights
    return weights


def _runs_of(
    runs: str | Path | Mapping[str, Rows] | Sequence[Rows], apparatus: ApparatusLike | None
) -> dict[str, Rows]:
    """The runs by their names, from a folder or as they are."""
    if not isinstance(runs, str | Path):
        return by_name("runs", runs)
    folder = Path(runs)
    pages = sorted(p for p in folder.glob("*") if p.suffix.lower() in _TABLES)
    if not pages:
        raise InputError(
            f"`runs` is {str(folder)!r}, and no page of a run is in it; a page ends in "
            f"{', '.join(_TABLES)}."
        )
    common = None if apparatus is None else load_apparatus(apparatus)
    read: dict[str, Rows] = {}
    for page in pages:
        own = page.with_suffix(".toml")
        if not own.is_file() and common is None:
            raise InputError(
                f"`{page.name}` has no apparatus file: put {own.name} beside it, or give one for "
                "all."
            )
        read[page.stem] = Run(page, load_apparatus(own) if own.is_file() else common)
    return read
