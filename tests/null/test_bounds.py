"""The analytic bounds: against astropy's bound on a periodogram, and their inverse."""

import numpy as np
import pytest
from astropy.timeseries.periodograms.lombscargle import _statistics
from hypothesis import given
from hypothesis import strategies as st

import quantize as qz
from quantize import InputError

PAGE = np.linspace(-5, 5, 40) ** 3 / 25


@pytest.mark.parametrize("power", [6.0, 9.0, 14.0])
def test_free_offset_is_the_bound_that_astropy_uses(power):
    """astropy, Baluev's bound for a periodogram in psd normalization, frequencies 0 to 3.

    Ours begin at 1e-7.
    """
    theirs = _statistics.fap_baluev(power, 3.0, PAGE, np.zeros(40), 1.0, normalization="psd")
    ours = qz.null.p_value_bound(power, PAGE, (1 / 3, 9e6), offset="free")
    # Theirs multiplies chances, ours adds them: the same to second order.
    assert ours == pytest.approx(float(theirs), rel=theirs, abs=1e-15)


@pytest.mark.parametrize("offset", ["zero", "free"])
def test_many_readings_of_any_size_stay_below_the_bound(offset):
    rng = np.random.default_rng(2)
    height = qz.null.height_for(0.05, np.linspace(-5, 5, 30), (0.3, 2.0), offset=offset)
    hits = 0
    for _ in range(150):
        found = qz.periodogram(rng.uniform(-5, 5, 30), (0.3, 2.0), offset=offset)
        hits += float((found.power if offset == "free" else found.score).max()) > height
    # At a true rate of 5 % more than 17 of 150 are seen once in 1,800 times.
    assert hits <= 17


@given(p=st.floats(1e-9, 0.5), offset=st.sampled_from(["zero", "free"]))
def test_height_and_bound_are_inverse(p, offset):
    height = qz.null.height_for(p, PAGE, (0.5, 4.0), offset=offset)
    assert qz.null.p_value_bound(height, PAGE, (0.5, 4.0), offset=offset) == pytest.approx(
        p, rel=1e-6, abs=0
    )


def test_scale_of_readings_and_band_does_not_matter():
    one = qz.null.p_value_bound(4.0, PAGE, (0.5, 4.0))
    assert qz.null.p_value_bound(4.0, 1e6 * PAGE, (0.5e6, 4e6)) == pytest.approx(one, rel=1e-9)


def test_p_that_no_bound_gives_is_refused():
    with pytest.raises(InputError, match=r"`p_value` is 0\.7"):
        qz.null.height_for(0.7, PAGE)
    # At one half there still is one.
    height = qz.null.height_for(0.5, PAGE, (0.5, 4.0))
    assert qz.null.p_value_bound(height, PAGE, (0.5, 4.0)) == pytest.approx(0.5, rel=1e-6)


def test_bounds_stand_above_what_was_simulated():
    """600 simulations of 100 readings from a normal law, mean 20, deviation 5, 1/u from 1 to 3.

    Passed by the largest power: z 6, 7, 8, 9 in .172, .068, .025, .012 of them; by the largest
    cosine score: 3, 3.5, 4 in .342, .075, .010 (an earlier simulation, its values from memory).
    """
    sample = 20 + 5 * np.sqrt(99 / 100) * np.linspace(-1, 1, 100) / np.std(np.linspace(-1, 1, 100))
    for height, seen in ((6, 0.172), (7, 0.068), (8, 0.025), (9, 0.012)):
        bound = qz.null.p_value_bound(height, sample, (1 / 3, 1), offset="free")
        assert bound > seen - 3 * np.sqrt(seen * (1 - seen) / 600)
        assert bound < 2 * seen
    for height, seen in ((3, 0.342), (3.5, 0.075), (4, 0.010)):
        bound = qz.null.p_value_bound(height, sample, (1 / 3, 1))
        assert bound > seen - 3 * np.sqrt(seen * (1 - seen) / 600)
        assert bound < 2 * seen


@pytest.mark.parametrize("offset", ["zero", "free"])
def test_charge_states_of_any_size_pass_the_bound_as_seldom_as_it_says(rng, offset):
    """Three readings of a state are no three sizes: their phases move together."""
    state, passed = np.repeat(np.arange(12), 3), 0
    for _ in range(200):
        x = rng.normal(10, 4, 12)[state] + 0.3 * rng.standard_normal(36)
        sample = qz.Readings(x, state=state)
        height = qz.periodogram(sample, (1.5, 6), offset=offset).statistic
        passed += qz.null.p_value_bound(height, sample, (1.5, 6), offset=offset) <= 0.1
    assert passed <= 37  # 20 expected at most, and four standard errors


@pytest.mark.parametrize("offset", ["zero", "free", 1.2])
def test_repeats_without_scatter_have_the_bound_of_one_reading_each(offset):
    once, twice = (
        qz.Readings(PAGE),
        qz.Readings(np.repeat(PAGE, 2), state=np.repeat(range(len(PAGE)), 2)),
    )
    both = [qz.periodogram(each, (0.5, 4.0), offset=offset).statistic for each in (once, twice)]
    bounds = [
        qz.null.p_value_bound(height, each, (0.5, 4.0), offset=offset)
        for height, each in zip(both, (once, twice), strict=True)
    ]
    assert bounds[1] == pytest.approx(bounds[0], rel=1e-9)
