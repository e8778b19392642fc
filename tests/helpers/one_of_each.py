"""One result of every kind, made once."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from running_path import running_evidence

import quantize as qz
from quantize import charge
from quantize.charge.drops import line_through_drops
from quantize.charge.montecarlo import monte_carlo
from quantize.charge.propagation import propagate
from quantize.charge.quantity import Quantity
from quantize.charge.repeats import repeat_balance

PAGE = [2.1, 3.9, 6.0, 8.1, 9.9, 14.0, 4.1, 11.9, 16.1, 6.1]
UNIT_RANGE = (1.2, 4.0)
STATES = list("abcdefghij")
BALANCES = [400.9, 240.5, 300.2, 171.8, 200.4, 150.3, 601.2, 133.1]
DATA = Path(qz.__file__).parent / "data"


def run() -> charge.Run:
    """The invented run."""
    return charge.read_run(DATA / "invented_run.csv", DATA / "invented_apparatus.toml")


def histogram() -> qz.counts.Histogram:
    """Counts with a peak at every whole number."""
    rng = np.random.default_rng(2)
    values = rng.integers(1, 9, 4000) + 0.06 * rng.standard_normal(4000)
    edges = np.arange(0, 9.1, 0.1)
    return qz.counts.Histogram(edges, np.histogram(values, edges)[0])


def two_spheres() -> charge.Run:
    """Two spheres of one batch on one invented bench, read a few times."""
    bench = charge.SimulatedBench(
        weight_of="the batch", falls=6, states=((6, 2), (4, 2), (7, 2), (9, 2))
    )
    sheets = []
    for label in "AB":
        rows, apparatus, _ = bench.simulate(rng=ord(label))
        sheets.append(rows.assign(particle=label))
    return charge.Run(pd.concat(sheets), apparatus)


def bench_plan() -> Any:
    """One setup."""
    return charge.plan_bench(
        diameters=[2e-6],
        intervals=[10],
        density=1055.0,
        units=[4],
        plates=charge.Plates(separation="4 mm"),
        reticle=charge.Reticle(division="25 um", length=90),
    )


def joint() -> Any:
    """Two particles on one invented bench."""
    bench = {
        "plates": {"separation": "4.24(2) mm", "voltage": "227 V"},
        "sphere": {"weight": "5.15(8)e-14 N"},
        "fall": {"divisions": "60.8 +/- 0.2 div"},
    }
    return charge.joint_unit(
        {
            name: charge.unit_in_coulombs(value, bench, unit_err=0.1, trials=200)
            for name, value in (("P", 10.0), ("Q", 10.1))
        }
    )


def groups() -> Any:
    """One particle."""
    table = pd.DataFrame({"bead": "A", "value": PAGE})
    return qz.analyze_groups(
        table, by="bead", value="value", unit_range=UNIT_RANGE, n_resamples=19, rng=1
    )


def level_evidence() -> Any:
    """What `analyze` weighs."""
    return qz.analyze(PAGE, UNIT_RANGE, n_resamples=19, rng=1).evidence


def product(a: Any, b: Any) -> Any:
    """A function of a module: what a lambda computes cannot be pickled."""
    return a * b


def propagation() -> Any:
    """A product of two."""
    inputs = {
        "a": Quantity(value=2.0, standard_uncertainty=0.1),
        "b": Quantity(value=3.0, standard_uncertainty=0.1),
    }
    return propagate(product, inputs)


def by_draws() -> Any:
    """The same product by draws."""
    inputs = {"a": Quantity(value=2.0, standard_uncertainty=0.1)}
    return monte_carlo(lambda a: a * a, inputs, trials=1000, rng=1)


def simulated() -> Any:
    """A sample with its truth."""
    return qz.simulate(8, rng=1)


MAKERS: dict[str, Callable[[], Any]] = {
    "Analysis": lambda: qz.analyze(PAGE, UNIT_RANGE, n_resamples=19, rng=1),
    "BalanceAnalysis": lambda: charge.BalanceVoltages(BALANCES).analyze(n_resamples=19, rng=1),
    "BenchPlan": bench_plan,
    "Checks": lambda: run().checks(),
    "CombFit": lambda: qz.fit_comb(PAGE, UNIT_RANGE),
    "Comparison": lambda: qz.compare_estimators(
        ["cosine score"], {"n": [6], "sigma": [0.1]}, replicates=4, rng=1
    ),
    "CountAnalysis": lambda: qz.null.analyze_counts(histogram(), (0.6, 1.7)),
    "CountFit": lambda: qz.counts.fit_counts(histogram(), (0.6, 1.7)),
    "GroupAnalyses": groups,
    "JointUnit": joint,
    "LevelEvidence": level_evidence,
    "LineThroughDrops": lambda: line_through_drops(
        [1.7, 1.66, 1.64, 1.63], [0.5e-6, 0.8e-6, 1.2e-6, 2e-6], [101325.0] * 4
    ),
    "MixtureFit": lambda: qz.fit_mixture(PAGE, UNIT_RANGE, sigma_range=0.1),
    "MonteCarlo": by_draws,
    "NextStep": lambda: run().next_step(one("RunFit")),
    "NullComparison": lambda: qz.compare_null(
        PAGE, UNIT_RANGE, null="uniform", n_resamples=99, rng=1
    ),
    "ParticleAnalyses": lambda: two_spheres().analyze_each((6, 16), n_resamples=19, rng=1),
    "PooledUnit": lambda: charge.pool_runs(
        {name: two_spheres().particle(name) for name in "AB"}, unit_range=(6, 16), n_resamples=19
    )[0],
    "Periodogram": lambda: qz.periodogram(PAGE, UNIT_RANGE),
    "Plan": lambda: qz.plan(sigma=0.1),
    "Propagation": propagation,
    "Repeated": lambda: repeat_balance([227.1, 227.9, 226.8]),
    "ResidualVoltage": lambda: run().residual_voltage(),
    "RunAnalysis": lambda: run().analyze((6, 16), n_resamples=19, rng=1),
    "RunFit": lambda: run().fit((6, 16)),
    "RunningResult": lambda: running_evidence(PAGE, UNIT_RANGE, (0, 20)),
    "SampledMixture": lambda: qz.sample_mixture(
        PAGE, UNIT_RANGE, sigma=0.1, draws=50, chains=2, rng=1
    ),
    "Sensitivity": lambda: qz.null.sensitivity(PAGE, UNIT_RANGE, n_resamples=99, rng=1),
    "TargetPlan": lambda: charge.plan_target(DATA / "invented_apparatus.toml"),
    "Truth": lambda: simulated().truth,
    "TwoUnits": lambda: qz.model.fit_two_units(
        [2.54, 7.6, 12.72, 3.02, 6.98, 12.0],
        (0.8, 4),
        labels=["in"] * 3 + ["cm"] * 3,
        sigma_range=0.05,
    ),
    "BenchPosterior": lambda: one("UnitInCoulombs").bench,
    "BenchSample": lambda: one("BenchPosterior").sample(draws=100, chains=2, rng=1),
    "UnitInCoulombs": lambda: run().unit_in_coulombs(one("RunFit")),
}
_MADE: dict[str, Any] = {}


def one(name: str) -> Any:
    """The result of that kind."""
    if name not in _MADE:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", qz.QuantizeWarning)
            _MADE[name] = MAKERS[name]()
    return _MADE[name]
