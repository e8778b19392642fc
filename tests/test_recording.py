"""The step of each reading as its decimals show it, against Python's own formatting of numbers."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

import quantize as qz
from quantize.recording import recorded_steps, rounded_alike


def over_decades(n: int, low: float, high: float, seed: int = 1) -> np.ndarray:
    return np.exp(np.random.default_rng(seed).uniform(np.log(low), np.log(high), n))


def as_written(values: np.ndarray, form: str) -> np.ndarray:
    """The numbers that a file has after `format`."""
    return np.array([float(format(v, form)) for v in values])


@pytest.mark.parametrize("decimals", [1, 2, 4])
@pytest.mark.parametrize("seed", range(5))
def test_fixed_decimals_are_one_step_for_all(decimals: int, seed: int) -> None:
    values = as_written(over_decades(40, 0.3, 300, seed), f".{decimals}f")
    signs = np.random.default_rng(seed).choice([-1, 1], 40)
    for one in (values, signs * values, np.append(values, 0.0)):
        found = recorded_steps(one)
        assert found is not None
        assert_allclose(found, 10.0**-decimals, rtol=1e-12)


@pytest.mark.parametrize("digits", [2, 3, 5])
@pytest.mark.parametrize("unit", [1.0, 1e-19, 1e12])
def test_significant_digits_are_a_step_that_grows(digits: int, unit: float) -> None:
    values = as_written(unit * over_decades(60, 0.02, 5000), f".{digits - 1}e")
    found = recorded_steps(values)
    # The exponent of format(..., "e") is that of the first digit.
    first = np.array([int(format(v, ".15e").split("e")[1]) for v in values])
    assert found is not None
    assert_allclose(found, 10.0 ** (first - digits + 1.0), rtol=1e-9)


def test_one_final_zero_is_chance_and_three_are_digits_dropped() -> None:
    # Two of the larger numbers end in zero: with hundredths it happens to one in ten.
    assert recorded_steps(np.array([1.23, 4.56, 7.89, 12.3, 45.6])) == pytest.approx(0.01)
    found = recorded_steps(np.array([1.23, 4.56, 7.89, 12.3, 45.6, 78.9]))
    assert found == pytest.approx([0.01] * 3 + [0.1] * 3)


@pytest.mark.parametrize("seed", range(8))
def test_hundredths_are_not_taken_for_significant_digits(seed: int) -> None:
    """One reading has a digit more than all others, and the others end as chance has it."""
    values = as_written(np.random.default_rng(seed).uniform(1, 99, 30), ".2f")
    assert recorded_steps(values) == pytest.approx(0.01)


@pytest.mark.parametrize("power", [-19, 0, 12])
def test_the_same_digits_are_the_same_steps_in_any_unit(power: int) -> None:
    values = np.array([float(f"{x:.2f}e{power}") for x in over_decades(20, 1, 9)])
    assert recorded_steps(values) == pytest.approx(float(f"1e{power - 2}"))


def test_whole_numbers_have_step_one_unless_the_ruler_is_coarser() -> None:
    rng = np.random.default_rng(2)
    whole = rng.permutation(np.arange(3, 60))[:20].astype(float)
    assert recorded_steps(whole) == pytest.approx(1.0)
    assert recorded_steps(5 * whole) == pytest.approx(5.0)
    assert recorded_steps(10 * whole) == pytest.approx(10.0)
    assert recorded_steps(whole / 2) == pytest.approx(0.5)
    # Three different values that all end in zero are too few for a ruler of tens, seven for fives.
    assert recorded_steps(10 * whole[:3]) == pytest.approx(1.0)
    assert recorded_steps(5 * np.array([3.0, 4, 5, 7, 8, 11, 13])) == pytest.approx(1.0)
    assert recorded_steps(np.tile(10 * whole[:3], 4)) == pytest.approx(1.0)


RULERS = (0.2, 0.25, 0.5, 2.0, 2.5, 5.0, 20.0, 25.0, 50.0, 100.0, 250.0)


@pytest.mark.parametrize("step", RULERS)
def test_the_steps_of_rulers_in_any_unit_of_measurement(step: float) -> None:
    """Common practice: rulers and dials are divided into ones, twos, fives or quarters."""
    whole = np.random.default_rng(4).permutation(np.arange(3, 60))[:20]
    for scale in (1.0, 1000.0):
        assert recorded_steps(step * scale * whole) == pytest.approx(step * scale)
    finer = step * whole.astype(float)
    finer[7] += step / 10
    found = recorded_steps(finer)
    assert found is not None
    assert found.min() <= step / 10 * (1 + 1e-12)


def test_exact_multiples_of_what_no_ruler_has_are_no_record() -> None:
    """Thirteen of them by chance are one in ten thousand, but nobody reads to 1.3."""
    assert recorded_steps(np.round(1.3 * np.arange(2, 22), 1)) == pytest.approx(0.1)
    # Of sixteen different values all even by chance: 2^-16.
    assert recorded_steps(0.2 * np.arange(2, 17)) == pytest.approx(0.1)


@pytest.mark.parametrize("step", [0.1, 0.25, 1.0, 50.0, 100.0])
def test_values_read_to_steps_of_a_ruler_are_no_steps(step: float) -> None:
    for seed in range(2):
        drawn = np.random.default_rng(seed).normal(20, 6, 30)
        found = qz.analyze(np.round(drawn) * step, n_resamples=19, rng=0)
        assert found.verdict != "steps"
        advice = [each for each in found.advice if "`resolution`" in each]
        assert len(advice) == (step in (0.25, 50.0, 100.0))


def test_who_reads_finer_says_so(tmp_path) -> None:
    """Values without scatter, all on quarters; what a program printed says nothing of it."""
    quarters = 0.25 * np.round(np.random.default_rng(1).normal(20, 6, 30))
    found = qz.analyze(quarters, resolution=0.01, n_resamples=19, rng=0)
    assert found.verdict == "steps"
    assert found.unit == pytest.approx(0.25, rel=1e-3)
    np.savetxt(tmp_path / "quarters.csv", quarters, fmt="%.3f")
    read = qz.read_readings(tmp_path / "quarters.csv")
    assert read.steps == pytest.approx(0.25)
    assert qz.analyze(read, n_resamples=19, rng=0).verdict != "steps"
    told = qz.read_readings(tmp_path / "quarters.csv", resolution=0.01)
    assert told.steps == pytest.approx(0.01)


@pytest.mark.parametrize("unit", [1.3, 0.127 / 2, 1.602176634e-19])
def test_exact_multiples_come_with_a_warning(unit: float) -> None:
    """Half divisions that were converted, and what no ruler has."""
    rng = np.random.default_rng(1)
    whole = np.round(rng.normal(20, 6, 30))
    for sample, warns in (
        (unit * whole, True),
        (unit * (whole + 1e-3 * rng.normal(size=30)), False),
    ):
        found = qz.analyze(sample, n_resamples=19, rng=0)
        assert found.verdict == "steps"
        said = [each for each in found.findings if each.name == "resolution"]
        assert [each.warns for each in said] == [warns]
        assert ("exact multiples" in said[0].sentence) is warns
    moved = qz.analyze(unit * whole + 3.3 * unit, offset="free", n_resamples=19, rng=0)
    assert any("exact multiples" in each.sentence for each in moved.findings)


def test_full_precision_shows_no_step() -> None:
    rng = np.random.default_rng(3)
    assert recorded_steps(rng.normal(size=20)) is None
    assert recorded_steps(np.pi * np.arange(1, 9)) is None
    assert recorded_steps(np.zeros(4)) is None
    # One number of full precision among short ones is enough.
    assert recorded_steps(np.array([1.5, 2.5, 1 / 3])) is None
    # Nine digits are more than anybody reads; eight are not.
    assert recorded_steps(np.array([1.23456789, 2.5])) is None
    assert recorded_steps(np.array([1.2345678, 2.5])) == pytest.approx(1e-7)


def test_last_bits_of_arithmetic_do_not_matter() -> None:
    rng = np.random.default_rng(4)
    exact = as_written(rng.uniform(1, 50, 30), ".1f")
    sums = (exact + 100.1) - 100.1
    assert np.any(sums != exact)
    assert recorded_steps(sums) == pytest.approx(0.1)
    assert recorded_steps(3 * exact / 3) == pytest.approx(0.1)


@pytest.mark.parametrize("decimals", [0, 1, 3])
def test_other_values_are_rounded_to_the_step_of_all(decimals: int) -> None:
    readings = qz.Readings(as_written(over_decades(20, 2, 90), f".{decimals}f"))
    other = np.random.default_rng(6).uniform(0, 100, (3, 20))
    assert_allclose(readings.recorded(other), np.round(other, decimals), rtol=1e-12)


def test_other_values_have_the_digits_of_readings_of_their_size() -> None:
    like = as_written(over_decades(400, 1, 1e4), ".2e")
    steps = recorded_steps(like)
    assert steps is not None
    # Away from powers of ten, where the reading nearest in size may have another step.
    other = np.array([1.5678, 7.77777, 23.4567, -345.678, 4567.89]).repeat(2).reshape(5, 2)
    found = rounded_alike(other, like, steps)
    assert_allclose(found[:, 0], as_written(other[:, 0], ".2e"), rtol=1e-12)


def test_what_has_no_step_is_left_alone() -> None:
    values = np.random.default_rng(7).normal(size=9)
    assert qz.Readings(values).steps is None
    assert qz.Readings(values).rounding_step is None
    assert qz.Readings(values).recorded(values + 0.1) is not None
    assert_allclose(qz.Readings(values).recorded(values), values, rtol=0)


def test_the_step_of_most_readings_counts_for_the_range_of_units() -> None:
    """Two significant digits: half of the readings are recorded to 0.1 or finer."""
    readings = qz.Readings([1.2, 2.3, 3.4, 4.7, 12.0, 23.0, 31.0])
    assert readings.steps is not None
    assert readings.steps.tolist() == pytest.approx([0.1] * 4 + [1.0] * 3)
    assert readings.printed_resolution == pytest.approx(0.1)
    assert readings.rounding_step == pytest.approx(0.1)
    told = qz.Readings(readings.values, resolution=0.5)
    assert told.steps == pytest.approx(0.5)
