"""Counts in bins: checks, the correction for the width of the bins, use in the estimators."""

import numpy as np
import pytest
from detectors import detector

import quantize as qz


def count(values, width, low=0.0, high=130.0):
    edges = np.arange(low, high + width / 2, width)
    return qz.counts.Histogram(edges, np.histogram(values, edges)[0])


@pytest.mark.parametrize(
    ("edges", "counts", "message"),
    [
        ([0, 1, 2], [1], "`edges` has 3 entries and `counts` has 1; give one edge more"),
        ([0, 2, 1], [1, 1], r"`edges` does not increase at entry 2 \(2, then 1\)"),
        ([0, 1, 2], [1, 0.5], "`counts` is 0.5 at entry 1; give whole numbers"),
        ([0, 1, 2], [1, -3], "`counts` is -3 at entry 1"),
        ([0, 1, 2], [0, 0], "`counts` are all zero"),
        ([0, 1, np.nan], [1, 1], "`edges` is blank or NaN at entry 2"),
        (np.arange(5_000_002), np.ones(5_000_001), "has 5000001 bins, more than the 5000000"),
    ],
)
def test_bad_histograms(edges, counts, message):
    with pytest.raises(qz.InputError, match=message) as caught:
        qz.counts.Histogram(edges, counts)
    assert "\n" not in str(caught.value)


def test_parts_and_sums():
    one = qz.counts.Histogram([0, 1, 2, 3, 4], [0, 2, 5, 0])
    assert (one.total, one.span, len(one), one.even) == (7, 2.0, 4, True)
    assert one.occupied().counts.tolist() == [2, 5]
    assert one.occupied(beyond=1).edges.tolist() == [0, 1, 2, 3, 4]
    ends = qz.counts.Histogram([0, 1, 2, 3, 4, 5], [0, 0, 2, 0, 0]).occupied(beyond=1)
    assert ends.edges.tolist() == [1, 2, 3, 4]
    assert (one + one).counts.tolist() == [0, 4, 10, 0]
    assert one.coarser(3).counts.tolist() == [7, 0]
    assert one.coarser(3).edges.tolist() == [0, 3, 6]
    again = qz.counts.Histogram.from_dict(one.to_dict())
    assert again.counts.tolist() == one.counts.tolist()
    with pytest.raises(qz.InputError, match="`edges` of the two histograms differ"):
        one + qz.counts.Histogram([0, 1], [1])
    with pytest.raises(ValueError, match="read-only"):
        one.counts[0] = 3


@pytest.mark.parametrize("offset", ["free", 12.0])
def test_width_of_the_bins_is_corrected(rng, offset):
    # What the readings themselves give is the standard. Without the factor sinc(width/unit) the
    # power at 2.8 bins would be short by 1 − sinc²(0.36) = 0.35.
    # Levels of 2 channels leave nothing for the aliases at 1/unit ± 1/width.
    x = detector(rng, 200_000, s0=2.0, s1=0.1)
    counts = count(x, 2.6)
    whole = qz.periodogram(x, trial_units=[7.3, 8.0], offset=offset)
    bins = qz.periodogram(counts, trial_units=[7.3, 8.0], offset=offset)
    # The rounding to bins adds noise of at most sqrt(n) to a sum near n: 5 sigma is 1.1 %.
    assert bins.power[0] == pytest.approx(whole.power[0], rel=0.022)
    assert bins.power[0] * np.sinc(2.6 / 7.3) ** 2 < 0.7 * whole.power[0]
    fine = qz.periodogram(count(x, 1.0), (3, 20), offset=offset)
    full = qz.periodogram(x, (3, 20), offset=offset)
    assert fine.unit == pytest.approx(full.unit, abs=5 * full.unit_err)
    assert fine.unit_err == pytest.approx(full.unit_err, rel=0.15)
    np.testing.assert_allclose(1 / fine.trial_units[[0, -1]], [1 / 20, 1 / 3])


def test_bins_of_two_widths(rng):
    x = detector(rng, 100_000)
    edges = np.r_[np.arange(0, 40, 0.5), np.arange(40, 130.1, 1.0)]
    mixed = qz.counts.Histogram(edges, np.histogram(x, edges)[0])
    full = qz.periodogram(x, (3, 20), offset="free")
    assert qz.periodogram(mixed, (3, 20), offset="free").unit == pytest.approx(full.unit, rel=3e-4)
    with pytest.raises(qz.InputError, match=r"bins from 0.5 to 1 wide; count in bins of equal"):
        qz.counts.fit_counts(mixed, (3, 20), offset="free")
    uneven = qz.counts.Histogram(np.geomspace(10, 130, 300), np.ones(299))
    with pytest.raises(qz.InputError, match="different widths, more than 64"):
        qz.periodogram(uneven, (3, 20))


def test_too_small_a_unit_for_the_bins(rng):
    counts = count(detector(rng, 1000), 2.0)
    with pytest.raises(qz.InputError, match=r"starts at 3, below 2.5 times the widest bin \(2\)"):
        qz.periodogram(counts, (3, 20))
    with pytest.raises(qz.InputError, match="`harmonics` is 2; counts and sums are scored by the"):
        qz.periodogram(counts, (6, 20), harmonics=2)


def test_few_counts_stand_for_single_readings():
    # Each of the estimators that need readings sees them at the middles, with a resolution.
    k = np.array([1, 2, 2, 3, 5, 7, 8, 4, 6, 9, 3, 2])
    values = 2.0 * k + 0.1 * np.sin(np.arange(k.size))
    edges = np.arange(0.9, 20, 0.2)
    counts = qz.counts.Histogram(edges, np.histogram(values, edges)[0])
    assert qz.fit_comb(counts, (1.1, 5)).unit == pytest.approx(2, abs=0.03)
    assert qz.fit_mixture(counts, (1.1, 5)).unit == pytest.approx(2, abs=0.03)
    found = qz.analyze(counts, (1.1, 5), n_resamples=99, rng=1)
    assert found.unit == pytest.approx(2, abs=0.03)
    assert found.integers.size == k.size


def test_many_counts_name_the_estimator_that_takes_them(rng):
    counts = count(detector(rng, 30_000), 0.5)
    with pytest.raises(
        qz.InputError, match=r"a histogram of 30000 counts.*use `quantize.counts.fit_counts`"
    ):
        qz.fit_comb(counts, (3, 20))
