"""Sums of two units in the running evidence: every assignment summed, and how often they pass."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from running_path import running_evidence
from scipy import stats

from quantize.null import running_sums
from quantize.null.running_sums import SumsOfTwoUnits
from quantize.studies.families import sums, two_units

UNIT_RANGE, WINDOW = (0.4, 2.5), (-6.0, 6.0)
PLACES = np.array(list(itertools.product(range(3), repeat=2)), float)


def every_assignment(values: np.ndarray, sigma: float, reach: float) -> np.ndarray:
    """scipy's normal and Dirichlet-multinomial laws, for each way of giving out the multiples."""
    n = len(values)
    total = np.zeros(3)
    for chosen in itertools.product(range(9), repeat=n):
        design = PLACES[list(chosen)]
        covariance = sigma**2 * np.eye(n) + reach**2 * design @ design.T
        held = np.bincount(chosen, minlength=9)
        orders = stats.multinomial(n, np.full(9, 1 / 9)).pmf(held) * 9.0**n
        shares = [9.0**-n]
        for a in (1.0, 0.3):
            shares.append(stats.dirichlet_multinomial(np.full(9, a), n).pmf(held) / orders)
        total += stats.multivariate_normal(np.zeros(n), covariance).pdf(values) * np.array(shares)
    return total


def test_it_is_the_sum_over_every_assignment() -> None:
    values, sigma = np.array([1.3, 0.02, 2.1]), np.array([0.05, 0.4])
    process = SumsOfTwoUnits(sigma, 6.0)
    expected = np.mean([every_assignment(values, s, 6.0) for s in sigma], axis=0)
    found = list(process.log_evidences(values.tolist()).values())
    # Equal shares are those of 1e12 readings held before, hence not to the last digit.
    assert found == pytest.approx(np.log(expected).tolist(), abs=1e-8)


def test_the_assignments_that_go_on_have_nearly_all_the_evidence(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rng = np.random.default_rng(31)
    values = rng.choice(PLACES @ [0.83, 1.94], 25) + rng.normal(0, 0.04, 25)
    found = []
    for kept in (64, 1024):
        monkeypatch.setattr(running_sums, "KEPT", kept)
        process = SumsOfTwoUnits(np.geomspace(0.016, 0.7, 10), 6.0)
        found.append(list(process.log_evidences(values.tolist()).values()))
    assert found[0] == pytest.approx(found[1], abs=0.3)


@pytest.mark.slow
def test_sums_of_two_units_seldom_pass() -> None:
    looks, hits, runs = (8, 20, 36), 0, 25
    for i in range(runs):
        rng = np.random.default_rng([32, i])
        values = np.full(36, 9.0)
        while values.max() > 5.99:
            values = 0.5 * sums(two_units)(rng, 36)
        found = running_evidence(values, UNIT_RANGE, WINDOW, looks=looks)
        hits += found.crossed_at is not None
    # The promise is 5 %; more than this happens once in 10,000 times.
    assert hits <= stats.binom.ppf(1 - 1e-4, runs, 0.05)


def test_a_comb_on_one_side_of_zero_still_passes() -> None:
    """Its teeth are sums of one unit and twice that unit, but with one free place fewer."""
    rng = np.random.default_rng(33)
    values = rng.integers(0, 6, 40) + rng.normal(0, 0.08, 40)
    found = running_evidence(values, UNIT_RANGE, WINDOW, looks=(10, 20, 40))
    assert found.crossed_at is not None
    last = {name: path[-1] for name, path in found.log_evidences.items()}
    assert min(value for name, value in last.items() if name.startswith("sums")) < min(
        value for name, value in last.items() if name.startswith("lumpy")
    )
