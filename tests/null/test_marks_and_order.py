"""Marks of occupied teeth, the order of reasons, the middle of far readings: small rules alone."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

import quantize as qz
from quantize.model.mixture import MixtureFit
from quantize.null.bounds import _mean_phase
from quantize.null.guards import Finding
from quantize.null.occupancy import seat
from quantize.null.power import power_of, readings_needed
from quantize.null.verdict import _advice, judge


def test_teeth_with_a_common_step_are_a_multiple_in_disguise() -> None:
    rows = np.array([[1, 4, 7], [2, 4, 6], [1, 2, 5], [3, 6, 12]])
    # Greatest common divisors of the differences: 3, 2, 1, 3; of the numbers: 1, 2, 1, 3.
    one = np.ones(3, dtype=np.int64)
    assert seat(rows, one, free=True).coprime.tolist() == [False, False, True, False]
    assert seat(rows, one, free=False).coprime.tolist() == [True, False, True, False]


def test_the_mean_of_phases_goes_round_the_circle() -> None:
    assert _mean_phase(np.array([0.1, 0.2])) == pytest.approx(0.15)
    assert abs(_mean_phase(np.array([0.95, 0.15]))) == pytest.approx(0.05)
    assert _mean_phase(np.array([3.3, -0.7, 7.3])) == pytest.approx(0.3)


def sample(n: int, sigma: float = 0.05) -> MixtureFit:
    rng = np.random.default_rng(7)
    return qz.fit_mixture(rng.integers(1, 9, n) + sigma * rng.normal(size=n), (0.7, 1.6))


def test_thin_evidence_is_told_right_after_the_odds() -> None:
    remarks = [
        Finding(name="a", blocks=False, warns=False, sentence=f"Remark {i}.") for i in (1, 2)
    ]
    thin: Any = SimpleNamespace(log_bayes_factor=-1.5, log_bayes_factors={"some": -1.5})
    plain: Any = SimpleNamespace(log_bayes_factor=3.0, log_bayes_factors={"some": 3.0})
    mixture, chances = sample(20), {"levels": 0.01}
    others: dict[str, Any] = {"alpha": 0.05, "smooth_only": False}
    with_thin = judge(mixture, remarks, chances, thin, **others).reasons
    without = judge(mixture, remarks, chances, plain, **others).reasons
    assert with_thin[0] == without[0]
    assert with_thin[2:] == without[1:]
    assert with_thin[2] == "Remark 1."
    assert "evidence is thin" in with_thin[1]


def test_every_finding_is_told_once() -> None:
    """Readings that lie far come first; what stands in the way of steps comes once."""
    far, bar = (Finding(name=n, blocks=b, warns=True, sentence=f"About {n}.")
                for n, b in (("far", False), ("levels", True)))  # fmt: skip
    plain: Any = SimpleNamespace(
        log_bayes_factor=3.0,
        log_bayes_factors={"some": 3.0},
        two_units=None,
        sure_of_levels=True,
    )
    others: dict[str, Any] = {"alpha": 0.05, "smooth_only": False}
    steps = judge(sample(20), [far], {"levels": 0.01}, plain, **others)
    assert steps.verdict == "steps"
    assert steps.reasons[0] == "About far."
    assert steps.reasons.count("About far.") == 1
    barred = judge(sample(20), [far, bar], {"levels": 0.01}, plain, **others)
    assert barred.verdict == "cannot tell"
    assert barred.reasons == ("About far.", "About levels.")


def advice(
    n: int, sigma: float = 0.05, *, seen: bool = False, log_b: float = 0.0, alpha: float = 0.05
) -> str:
    evidence: Any = SimpleNamespace(sure_of_levels=seen, log_bayes_factor=log_b)
    return " ".join(_advice(sample(n, sigma=sigma), evidence, alpha))


def test_a_long_clear_page_is_told_to_change_the_charge_further() -> None:
    assert "more different levels" in advice(60)
    # Where they stand on enough of them, that is not what was wanting.
    assert power_of(60, 0.05) > 0.95
    assert advice(60, seen=True).startswith("Less scatter helps more than more readings")
    # The same noise on a short sample: so many more readings.
    assert "about 9 more readings of this quality" in advice(6)


def test_more_readings_are_advised_for_the_level_set_and_never_against_the_evidence() -> None:
    assert readings_needed(0.05) < readings_needed(0.05, alpha=0.01)
    assert "about 15 more readings of this quality" in advice(6, alpha=0.01)
    for said in (advice(6, log_b=-4.0), advice(6, alpha=0.001)):
        assert said.startswith("Less scatter helps more than more readings")


@pytest.mark.parametrize("given", ["sigma", "relative_sigma"])
def test_equal_readings_of_unequal_sigmas_may_come_in_any_order_and_of_either_sign(given):
    """Rounding makes them equal; which of them is the first of a group is a matter of choice."""
    rng = np.random.default_rng(69)
    x = np.round(rng.uniform(1, 8, 24) / 0.5) * 0.5
    scale = rng.uniform(0.5, 2, 24)
    orders = [np.arange(24), np.arange(24)[::-1], rng.permutation(24)]

    def analysed(order, sign):
        known = {given: scale[order] * (0.1 if given == "sigma" else 1)}
        readings = qz.Readings(sign * x[order], resolution=0.01, **known)
        return qz.analyze(readings, (0.8, 3), rng=1, n_resamples=99).log_bayes_factors

    first = analysed(orders[0], 1)
    for order, sign in ((orders[1], 1), (orders[2], 1), (orders[0], -1)):
        found = analysed(order, sign)
        assert found.keys() == first.keys()
        for null, value in first.items():
            assert found[null] == pytest.approx(value, abs=1e-6), null
