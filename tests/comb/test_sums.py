"""Fast sums against direct ones, and what must hold of power and p-values whatever the data."""

import builtins
import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from needed import needed
from plain_sums import harmonic_sums_plain

import quantize as qz
from quantize.comb import sums as fast
from quantize.comb.sums import SumsBetween, harmonic_sums, neighbours

EPS = np.finfo(float).eps


def direct_sums(x, w, first, step, size):
    """The definition in extended precision, as oracle."""
    f = first + step * np.arange(size)
    cycles = np.multiply.outer(f.astype(np.longdouble), x.astype(np.longdouble))
    angle = (2 * np.pi * (cycles - np.rint(cycles)).astype(float)).astype(float)
    return np.exp(1j * angle) @ w


def block_tolerance(x, first, step, size):
    """Error that the block kernel may have, in units of the largest weight."""
    largest = float(np.abs(x).max()) * max(abs(first), abs(first + step * size))
    return x.size * (1e-12 + 8 * EPS * 2 * np.pi * largest)


@pytest.mark.parametrize(("n", "size"), [(1, 1), (20, 20_000), (60, 20_000), (999, 4001)])
@pytest.mark.parametrize("centre", [0.0, 1e9])
def test_block_kernel_within_its_bound(rng, n, size, centre):
    x, w = centre + 5 * rng.normal(size=n), rng.uniform(0.2, 1, size=n)
    found = harmonic_sums(x, w, 0.3, 0.003, size)
    tolerance = block_tolerance(x, 0.3, 0.003, size)
    some = slice(0, size, max(size // 400, 1))
    exact = direct_sums(x, w, 0.3, 0.003, size)[some] if n < 100 else None
    plain = harmonic_sums_plain(x, w, 0.3, 0.003, size)[some] if exact is None else exact
    np.testing.assert_allclose(found[some], plain, rtol=0, atol=tolerance)


@pytest.mark.parametrize(
    ("n", "size", "first", "step"),
    [
        (3000, 1000, 0.3, 0.002),  # whole steps from zero
        (3000, 1001, 0.3003, 0.0007),  # not
        (500, 5000, -0.01, 0.0001),  # across zero
        (4000, 64, 25.0, 0.001),  # far from zero
        (1, 1, 0.4, 0.1),
    ],
)
def test_nonuniform_fft_within_its_tolerance(rng, n, size, first, step):
    needed("finufft")
    x, w = 20 + 5 * rng.normal(size=n), rng.uniform(0.2, 1, size=n)
    found = fast.nonuniform_fft(x, w, first, step, size)
    plain = harmonic_sums_plain(x, w, first, step, size)
    np.testing.assert_allclose(found, plain, rtol=0, atol=fast.TOLERANCE * w.sum())


def test_choice_depends_on_sizes_alone():
    # A few readings go to the block kernel, a detector's run to the nonuniform FFT.
    block, fft = fast.predicted_seconds(60, 20_000)
    assert block < fft
    block, fft = fast.predicted_seconds(1_000_000, 100_000)
    assert fft < block


def test_chosen_way_keeps_the_tolerance(rng):
    needed("finufft")
    x = 5 * rng.normal(size=30_000)
    found = fast.sums_at_many_units(x, np.ones(x.size), 0.2, 0.01, 700)
    plain = harmonic_sums(x, np.ones(x.size), 0.2, 0.01, 700)
    np.testing.assert_allclose(found, plain, rtol=0, atol=fast.TOLERANCE * x.size)


def test_without_the_library_the_block_kernel_and_one_warning(rng, monkeypatch):
    x = 5 * rng.normal(size=30_000)
    monkeypatch.setitem(sys.modules, "finufft", None)
    monkeypatch.setattr(fast, "_WORTH_A_WARNING", 1e-3)
    with pytest.warns(qz.QuantizeWarning, match=r"finufft about .* -m pip install finufft"):
        found = fast.sums_at_many_units(x, np.ones(x.size), 0.2, 0.01, 700)
    np.testing.assert_array_equal(found, harmonic_sums(x, np.ones(x.size), 0.2, 0.01, 700))


def test_small_work_does_not_even_look_for_the_library(rng, monkeypatch):
    real = builtins.__import__

    def no_finufft(name, *args, **options):
        assert not name.startswith("finufft")
        return real(name, *args, **options)

    monkeypatch.setattr(builtins, "__import__", no_finufft)
    monkeypatch.setattr(fast, "_finufft", lambda: pytest.fail("looked for"))
    fast.sums_at_many_units(rng.normal(size=60), np.ones(60), 0.2, 0.01, 5000)


@pytest.mark.parametrize("oversampling", [2, 5, 10])
@pytest.mark.parametrize("centre", [0.0, 1e6])
def test_sums_between_grid_points(rng, oversampling, centre):
    x = centre + rng.uniform(-10, 10, size=400)
    step, spare = 1 / (oversampling * 20), neighbours(oversampling)
    first = 0.3 - spare * step
    sums = harmonic_sums(x, np.ones(400), first, step, 300 + 2 * spare)
    between = SumsBetween(
        first=first, step=step, sums=sums, centre=centre, oversampling=oversampling
    )
    f = rng.uniform(0.3, 0.3 + 299 * step, size=100)
    direct = np.exp(2j * np.pi * np.outer(f, x)) @ np.ones(400)
    tolerance = 400 * 1e-9 + block_tolerance(x, 0.3, step, 300)
    np.testing.assert_allclose(between.at(f), direct, rtol=0, atol=tolerance)


def test_many_readings_give_the_peak_of_the_direct_sum(rng):
    # Above 20,000 readings peaks are refined from the grid; below from the readings themselves.
    x = rng.integers(1, 9, size=20_500) + 0.2 * rng.normal(size=20_500)
    for offset in ("zero", "free"):
        found = qz.periodogram(x, (0.6, 3), offset=offset, harmonics=2)
        at = [found.unit * (1 - 1e-5), found.unit, found.unit * (1 + 1e-5)]
        own = qz.periodogram(x, trial_units=at, offset=offset, harmonics=2)
        values = own.power if offset == "free" else own.score
        assert values[1] == pytest.approx(found.statistic, rel=1e-7)
        assert values[1] >= max(values[0], values[2])


VALUES = st.lists(st.floats(-50, 50, allow_nan=False, width=32), min_size=1, max_size=30)


@given(VALUES, st.sampled_from([0.0, 1e9, -1e9]), st.sampled_from(["zero", "free"]))
def test_power_is_never_negative_nor_nan(values, shift, offset):
    x = np.asarray(values, float) + shift
    found = qz.periodogram(x, trial_units=np.linspace(0.7, 9, 40), offset=offset)
    assert np.all(found.power >= 0)
    assert np.all(np.isfinite(found.power))
    assert np.all(np.isfinite(found.score))
    assert np.all(found.power <= x.size * (1 + 1e-9))


@pytest.mark.parametrize("values", [[5.0], [5.0, 5.0, 5.0], [0.0, 0.0], [1e9] * 4])
@pytest.mark.parametrize("offset", ["zero", "free"])
def test_equal_readings_have_a_power_in_a_given_range(values, offset):
    unit_range = (1.0, 3.0) if max(values) < 1e6 else (2e6, 5e8)
    found = qz.periodogram(values, unit_range, offset=offset)
    assert np.all(np.isfinite(found.power))
    # All phases agree at every unit.
    np.testing.assert_allclose(found.power, len(values), rtol=1e-9)
    with pytest.raises(qz.InputError, match=r"every value of|has 1 reading"):
        qz.periodogram(values, offset=offset)


@settings(max_examples=15)
@given(
    st.integers(-18, 18),
    st.floats(1, 9.9, allow_nan=False),
    st.sampled_from(["zero", "free"]),
    st.sampled_from(["score", "power"]),
)
def test_p_values_do_not_depend_on_the_unit_of_measurement(exponent, factor, offset, statistic):
    rng = np.random.default_rng(3)
    x = rng.uniform(0, 8, size=12)
    scale = factor * 10.0**exponent
    keep = {"null": "smooth", "n_resamples": 99, "offset": offset, "rng": 5}
    one = qz.compare_null(x, (0.9, 4), **keep)
    two = qz.compare_null(scale * x, (0.9 * scale, 4 * scale), **keep)
    assert one.p_value == two.p_value
    assert one.statistic == pytest.approx(two.statistic, rel=1e-6)
    a = qz.periodogram(x, (0.9, 4), offset=offset)
    b = qz.periodogram(scale * x, (0.9 * scale, 4 * scale), offset=offset)
    np.testing.assert_allclose(getattr(a, statistic), getattr(b, statistic), atol=1e-6)
