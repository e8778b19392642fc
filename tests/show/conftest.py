"""Analyses that the tests of the views share, one of them with every number fixed."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

import quantize as qz
from quantize.analysis import Analysis
from quantize.show import facts

DATA = Path(qz.__file__).parent / "data"


@pytest.fixture(scope="session")
def published() -> Analysis:
    """The thirteen charges (Phys. Rev. 32:349, 1911)."""
    return qz.analyze(qz.read_readings(DATA / "thirteen_charges.csv"), n_resamples=499, rng=1)


@pytest.fixture(scope="session")
def unclear() -> Analysis:
    """Twelve values without steps."""
    values = np.random.default_rng(3).normal(10, 3, size=12).round(2)
    return qz.analyze(values, n_resamples=199, rng=1)


@pytest.fixture(scope="session")
def stated(seed: int) -> Analysis:
    """Six states, each read three times."""
    rng = np.random.default_rng(seed)
    k = np.repeat([1, 2, 3, 5, 7, 8], 3)
    values = (10 * k + rng.normal(0, 0.6, size=k.size)).round(1)
    readings = qz.Readings(values, state=[f"s{n}" for n in k])
    return qz.analyze(readings, (3, 40), n_resamples=199, rng=1)


@pytest.fixture(scope="session")
def run() -> qz.charge.Run:
    """The invented run."""
    return qz.charge.read_run(DATA / "invented_run.csv", DATA / "invented_apparatus.toml")


@pytest.fixture(scope="session")
def invented(run: qz.charge.Run) -> Analysis:
    """Its readings, analyzed."""
    return qz.analyze(run.readings(), offset=run.offset, n_resamples=199, rng=1)


@pytest.fixture
def fixed(published: Analysis, monkeypatch: pytest.MonkeyPatch) -> Analysis:
    """The published page with every number that may move with the statistics pinned."""
    monkeypatch.setattr(facts, "versions", lambda: {"quantize": "1.2", "numpy": "3.4"})
    monkeypatch.setattr(facts, "pieces", lambda found: [(4.8989, 4.9189)])
    return dataclasses.replace(
        published,
        verdict="steps",
        reasons=("The first reason is short.", "The second reason is so long. " * 4),
        advice=(),
        p_value=0.0021,
        p_values={"smooth": 0.0002, "continuous": 0.0021, "lumpy": 0.0004},
        log_bayes_factor=6.2146,
        log_bayes_factor_mixture=8.2940,
        log_bayes_factors={"continuous: uniform": 6.2146, "continuous: normal": 9.0, "lumpy": 20.0},
        seed={"entropy": 1, "spawn_key": [], "children_spawned": 0},
    )
