"""A wrong zero, a wrong sigma and wrong states are noticed, and little else is."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import stats

import quantize as qz
from quantize.null import assumptions
from quantize.null.assumptions import _to_nearest, line_through
from quantize.null.guards import Finding
from quantize.show.terminal import in_options

UNIT, ELSEWHERE, SPREAD = 1.0, 0.2, 0.04


def comb(seed: int, n: int = 24, start: float = 0.0, spread: float = SPREAD) -> np.ndarray:
    rng = np.random.default_rng([1911, seed])
    return start + UNIT * rng.integers(-3, 8, n) + rng.normal(0, spread, n)


def said(found: Any, name: str = "offset") -> list[Finding]:
    return [finding for finding in found.findings if finding.name == name]


@pytest.mark.parametrize("scale", [1.0, -1.0, 1e3, 1e-19])
@pytest.mark.parametrize("given", [0.0, 5.0])
def test_steps_from_elsewhere_are_named_at_every_scale(scale: float, given: float) -> None:
    x = scale * (comb(1, start=given + ELSEWHERE))
    ends = (abs(scale) * 0.3, abs(scale) * 3)
    found = qz.analyze(x, ends, offset=scale * given)
    assert found.verdict == "cannot tell"
    (one,) = said(found)
    unit = float(one.sentence.split("steps of ")[1].split()[0])
    assert unit == pytest.approx(abs(scale), rel=0.01)
    assert one.sentence in found.reasons
    assert found.advice == tuple(line for line in found.advice if "offset" in line)
    assert in_options(found.advice[0]) == (
        "Where zero is not known, --offset free finds it together with the unit."
    )
    open_ended = qz.analyze(x, ends, offset="free")
    assert open_ended.verdict == "steps"
    assert not said(open_ended)


@pytest.mark.parametrize(
    "options",
    [
        {"sigma_range": SPREAD},
        {"model": qz.MixtureModel(outliers="free")},
        {"model": qz.MixtureModel(noise="proportional")},
        {"integers": (-3, 7)},
    ],
)
def test_whatever_else_is_assumed(options: dict[str, Any]) -> None:
    (one,) = said(qz.analyze(comb(2, start=ELSEWHERE), (0.3, 3), **options))
    assert "with the offset open" in one.sentence


def test_states_count_once_and_their_order_does_not_matter() -> None:
    state = np.repeat(np.arange(12), 2)
    k = np.random.default_rng(4).permutation(np.arange(-3, 9))
    x = ELSEWHERE + k[state] + np.random.default_rng(5).normal(0, SPREAD, 24)
    order = np.random.default_rng(6).permutation(24)
    (one,) = said(qz.analyze(qz.Readings(x, state=state), (0.3, 3)))
    (other,) = said(qz.analyze(qz.Readings(x[order], state=state[order]), (0.3, 3)))
    assert one.sentence == other.sentence


def test_steps_whose_line_begins_elsewhere_are_steps_with_a_warning() -> None:
    found = qz.analyze(comb(3, n=60, start=0.05, spread=0.1), (0.3, 3))
    assert found.verdict == "steps"
    (one,) = said(found)
    assert one.warns
    assert "standard errors from zero" in one.sentence
    assert one.sentence in found.reasons


@pytest.mark.slow
def test_data_without_steps_are_not_said_to_be_steps_from_elsewhere() -> None:
    rng = np.random.default_rng(7)
    samples = [rng.uniform(-3, 8, 20) for _ in range(15)]
    samples += [rng.choice(rng.uniform(-3, 8, 6), 20) + rng.normal(0, 0.05, 20) for _ in range(15)]
    # Each is called so in 5 % at most: four or more of thirty in 6 % of all seeds.
    assert sum(bool(said(qz.analyze(x))) for x in samples) <= 3


@pytest.mark.slow
def test_clean_combs_are_warned_of_as_rarely_as_is_said() -> None:
    # One in a hundred: three or more of forty in 0.7 % of all seeds.
    assert sum(bool(said(qz.analyze(comb(100 + i), (0.3, 3)))) for i in range(40)) <= 2


@pytest.mark.parametrize("seed", range(4))
def test_the_line_is_that_of_general_libraries(seed: int) -> None:
    """`numpy.polyfit` with weights, and `scipy.stats.linregress` without."""
    rng = np.random.default_rng(seed)
    k, factor = rng.integers(1, 9, 12).astype(float), rng.uniform(0.5, 2, 12)
    x = 0.1 + 1.1 * k + rng.normal(0, 0.1, 12)
    line = line_through(x, factor, k)
    assert line is not None
    (unit, offset), covariance = np.polyfit(k, x, 1, w=1 / np.sqrt(factor), cov=True)
    np.testing.assert_allclose(
        [line.unit, line.offset, line.error], [unit, offset, covariance[1, 1] ** 0.5], rtol=1e-9
    )
    line, fit = line_through(x, np.ones(12), k), stats.linregress(k, x)
    assert line is not None
    assert line.error == pytest.approx(fit.intercept_stderr, rel=1e-9)
    p = 2 * stats.t.sf(abs(fit.intercept) / fit.intercept_stderr, 10)
    assert line.p_value == pytest.approx(p, rel=1e-9)


def test_which_multiple_is_the_first_is_a_matter_of_choice() -> None:
    k = np.array([0.0, 1, 2, 4, 5, 7])
    x = 0.1 + k + 0.01 * np.array([1, -1, 1, -1, 1, -1.0])
    one, other = (line_through(x, np.ones(6), k + shift) for shift in (0.0, 3.0))
    assert one is not None
    assert other is not None
    assert (one.unit, one.offset) == pytest.approx((other.unit, other.offset), rel=1e-9)
    assert one.error == pytest.approx(other.error, rel=1e-9)
    assert line_through(k, np.ones(6), k) is None
    assert line_through(x, np.ones(6), np.full(6, 2.0)) is None


@pytest.mark.parametrize("scale", [1.0, -1.0, 1e3, 1e-19])
@pytest.mark.parametrize("carried", [False, True])
@pytest.mark.parametrize(("offset", "start"), [("zero", 0.0), ("free", 0.3)])
def test_a_sigma_that_is_too_small_is_named(
    scale: float, carried: bool, offset: Any, start: float
) -> None:
    x, sigma = scale * comb(9, 60, start, 0.06), 0.02 * abs(scale)
    ends = (0.3 * abs(scale), 3 * abs(scale))
    if carried:
        found = qz.analyze(qz.Readings(x, sigma=np.full(60, sigma)), ends, offset=offset)
    else:
        found = qz.analyze(x, ends, sigma_range=sigma, offset=offset)
    assert found.verdict == "cannot tell"
    (one,) = said(found, "scatter")
    assert float(one.sentence.split("steps of ")[1].split()[0]) == pytest.approx(
        abs(scale), rel=0.01
    )
    assert float(one.sentence.split("they scatter ")[1].split()[0]) == pytest.approx(3, rel=0.2)
    assert one.sentence in found.reasons


@pytest.mark.parametrize("ends", [(0.3, 3), None])
@pytest.mark.parametrize(("sigma", "verdict"), [(0.24, "steps"), (0.5, "cannot tell")])
def test_a_sigma_that_is_too_large_is_named(sigma: float, verdict: str, ends: Any) -> None:
    found = qz.analyze(comb(10, spread=0.06), ends, sigma_range=sigma)
    assert found.verdict == verdict
    assert "times as much as the sigma given" in said(found, "scatter")[0].sentence


@pytest.mark.slow
def test_a_right_sigma_is_doubted_as_rarely_as_is_said() -> None:
    # One in a hundred: three or more of forty in 0.7 % of all seeds.
    found = [qz.analyze(comb(300 + i, spread=0.2), (0.3, 3), sigma_range=0.2) for i in range(40)]
    assert sum(bool(said(one, "scatter")) for one in found) <= 2


def test_distances_to_the_nearest_multiple_are_those_of_a_simulation() -> None:
    rng = np.random.default_rng(11)
    for spread in (0.05, 0.2, 0.3):
        errors = rng.normal(0, spread, 200_000)
        square = float(np.mean((errors - np.rint(errors)) ** 2)) / spread**2
        assert _to_nearest(np.array([spread**2]))[0] == pytest.approx(square, rel=0.01)


def test_states_that_are_mixed_up_are_named_and_right_ones_are_not() -> None:
    rng = np.random.default_rng(3)
    state = np.repeat([f"s{i}" for i in range(8)], 3)
    x = np.repeat([-3, -1, 2, 3, 4, 5, 7, 8], 3) + rng.normal(0, 0.06, 24)
    swapped = state.copy()
    swapped[[0, 23]] = swapped[[23, 0]]
    found = qz.analyze(qz.Readings(x, state=swapped), (0.3, 3))
    assert found.verdict == "cannot tell"
    (one,) = said(found, "labels")
    assert "state s7, s0 on more than one multiple" in one.sentence
    assert one.sentence in found.reasons
    # Two sizes alone are no steps, and the states are not to blame for that.
    few = qz.analyze(qz.Readings(x[:9], state=state[:9]), (0.3, 1.9))
    assert few.verdict == "cannot tell"
    assert not said(few, "labels")


def light(n: int) -> np.ndarray:
    rng = np.random.default_rng(1908)
    k = rng.poisson(2.5, n)
    return np.asarray(12 + 7.3 * k + rng.normal(0, np.sqrt(0.7**2 + 0.3**2 * k)))


@pytest.mark.parametrize("n", [3_000, 100_000])
def test_a_pedestal_that_is_stated_wrongly_is_named_in_counts(n: int) -> None:
    x = light(n)
    wrong = qz.null.analyze_counts(x, (3, 20), offset=12.7)
    (one,) = said(wrong)
    assert wrong.verdict != "no steps"
    assert one.sentence in wrong.reasons
    assert "12.70" in one.sentence or "12.7" in one.sentence
    for offset in (12.0, "free"):
        right = qz.null.analyze_counts(x, (3, 20), offset=offset)
        assert right.verdict == "steps"
        assert not said(right)


def test_an_assumption_that_cannot_be_opened_is_left_as_it_is(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def refuse(*_: object) -> None:
        raise qz.InputError("`model` leaves too much open for so many readings.")

    monkeypatch.setattr(assumptions, "posterior_of", refuse)
    assert not said(qz.analyze(comb(1, start=ELSEWHERE), (0.3, 3)))


def in_units(seed: int, *, beyond: bool) -> np.ndarray:
    """Units of one to eight, and one of nine where `beyond`."""
    k = np.random.default_rng([8, seed]).integers(1, 9, 14)
    k[:2] = 1, 9 if beyond else 8
    return (k + np.random.default_rng([9, seed]).normal(0, SPREAD, 14)).round(3)


@pytest.mark.parametrize("scale", [1.0, -1.0, 1e3, 1e-19])
@pytest.mark.parametrize(("offset", "start"), [("zero", 0.0), (20.0, 20.0), ("free", 0.3)])
def test_steps_beyond_the_whole_numbers_said_are_named_and_settle_nothing(
    scale: float, offset: Any, start: float
) -> None:
    options: dict[str, Any] = {"integers": (1, 8) if scale > 0 else (-8, -1)}
    options["offset"] = offset if isinstance(offset, str) else abs(scale) * offset
    x = scale * in_units(2, beyond=True) + abs(scale) * start
    found = qz.analyze(x, (abs(scale) * 0.3, abs(scale) * 3), **options)
    (one,) = said(found, "integers")
    assert found.verdict == "cannot tell"
    assert one.sentence in found.reasons
    assert f"whole number from {options['integers'][0]} to" in one.sentence
    unit = float(one.sentence.split("are of ")[1].split(",")[0])
    assert unit == pytest.approx(abs(scale), rel=0.02)
    count = "8 units from the lowest" if offset == "free" else f"{9 if scale > 0 else -9} units"
    assert count in one.sentence
    assert found.advice == ("Without `integers` whole numbers of any size are tried.",)


@pytest.mark.parametrize("spread", [1.0, 2.5, 5.0])
def test_whole_numbers_rightly_said_are_not_doubted(spread: float) -> None:
    for seed in range(12):
        x = in_units(seed, beyond=False)
        x = np.rint(x) + spread * (x - np.rint(x))
        assert not said(qz.analyze(x, integers=(1, 8)), "integers")


def test_readings_beyond_may_be_the_outliers_that_are_allowed() -> None:
    x, model = in_units(2, beyond=True), qz.MixtureModel(integers=(1, 8), outliers=0.05)
    assert not said(qz.analyze(x, (0.3, 3), model=model), "integers")
