"""At the edges of what counts can be asked: ends of a range, wild values, two bins of a peak."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

import quantize as qz
from quantize.comb.unit_range import UnitRange
from quantize.counts.histogram import find_modes


@pytest.fixture
def spectrum() -> qz.counts.Spectrum:
    rng = np.random.default_rng(3)
    readings = 5.0 * rng.integers(2, 12, size=3000) + 0.6 * rng.normal(size=3000)
    return qz.counts.Spectrum((0.0, 70.0), (3.0, 20.0)).update(readings)


def unit_range(low: float, high: float) -> UnitRange:
    return UnitRange(low=low, high=high, chosen=False, reason="")


def test_a_narrower_band_keeps_to_its_own_units(spectrum: qz.counts.Spectrum) -> None:
    units = 1 / spectrum._sums_within(unit_range(4.0, 9.0)).frequencies
    assert units.min() >= 4.0
    assert units.max() <= 9.0
    own = spectrum.trial_units
    assert units.size == np.sum((own >= 4.0) & (own <= 9.0)) > 10
    found = qz.counts.fit_counts(spectrum, (6.0, 20.0))
    assert found.unit >= 6.0


def test_three_trial_units_are_enough_for_a_range(spectrum: qz.counts.Spectrum) -> None:
    three = spectrum.trial_units[10:13]
    found = spectrum._sums_within(unit_range(three[-1], three[0]))
    assert 1 / found.frequencies == pytest.approx(three)


def test_sums_between_are_the_sums_themselves_up_to_the_last_unit() -> None:
    rng = np.random.default_rng(4)
    readings = 5.0 * rng.integers(2, 12, size=400) + 0.6 * rng.normal(size=400)
    spectrum = qz.counts.Spectrum((0.0, 70.0), (3.0, 20.0)).update(readings)
    f, step = 1 / spectrum.trial_units, spectrum.grid.step
    asked = np.r_[np.linspace(f[-1] - 2 * step, f[-1], 9), f[0], f[0] + 0.4 * step]
    cycles = np.multiply.outer(asked, readings - spectrum.grid.origin)
    direct = np.exp(2j * np.pi * cycles).sum(axis=1)
    assert np.abs(spectrum.between().at(asked) - direct).max() < 1e-7 * readings.size


def test_the_least_oversampling_that_is_promised(spectrum: qz.counts.Spectrum) -> None:
    counts = spectrum.histogram
    found = qz.periodogram(counts, (3.0, 20.0), oversampling=2)
    assert found.unit == pytest.approx(5.0, abs=0.05)
    with pytest.raises(qz.InputError, match="at least 2 is needed"):
        qz.periodogram(counts, (3.0, 20.0), oversampling=1.99)


def test_wild_values_do_not_widen_the_window() -> None:
    rng = np.random.default_rng(6)
    usual = 5.0 * rng.integers(2, 12, size=5000) + 0.6 * rng.normal(size=5000)
    found = qz.counts.fit_counts(np.r_[usual, 4e4, -3e4], (3.0, 20.0))
    low, high = found.settings["window"]
    # All but one in a thousand, and a tenth more at each end.
    inner = np.quantile(np.r_[usual, 4e4, -3e4], [0.001, 0.999])
    assert low >= inner[0] - 0.11 * np.ptp(inner)
    assert high <= inner[1] + 0.11 * np.ptp(inner)
    assert found.unit == pytest.approx(5.0, abs=0.02)


def test_a_peak_between_two_bins_is_placed_between_them() -> None:
    edges = np.arange(0.0, 40.0, 0.5)
    places = np.array([8.13, 19.87, 31.4])
    expected = sum(np.diff(stats.norm.cdf(edges, place, 1.2)) for place in places)
    counts = np.rint(200_000 * np.asarray(expected)).astype(int)
    found = find_modes(qz.counts.Histogram(edges, counts), 11.7)
    # A fifth of a bin; the middle of the highest bin is up to half a bin away.
    assert found == pytest.approx(places, abs=0.1)


def test_bad_counts_are_called_by_the_name_of_their_argument() -> None:
    for function in (qz.counts.fit_counts, qz.null.analyze_counts):
        for bad in ([1, 2, np.nan], ["a", 1, 2], [[1, 2], [3, 4]], []):
            with pytest.raises(qz.InputError, match="`counts`"):
                function(bad)
