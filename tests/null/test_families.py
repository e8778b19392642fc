"""The families of the benchmarks: sizes, seeds, and the tables made from a small run."""

import numpy as np
import pytest

from benchmarks import calibrate
from benchmarks.combs import COMBS, COMBS_KNOWN, comb
from benchmarks.families import (
    CENTRED,
    HELD_OUT,
    KNOWN,
    LARGER,
    LARGER_KNOWN,
    LATTICES,
    MORE,
    NAMED,
    NEAR_COMBS,
)
from quantize.null.calibration import KINDS, table

EVERY = [
    (label, family)
    for collection in (NAMED, MORE, CENTRED, LARGER, HELD_OUT, {"near": NEAR_COMBS})
    for families in collection.values()
    for label, family in families.items()
]
EVERY += [
    (label, lambda rng, n, known=known: known(rng, n)[0])
    for collection in (KNOWN, LARGER_KNOWN)
    for families in collection.values()
    for label, known in families.items()
]


@pytest.mark.parametrize(("label", "family"), EVERY, ids=range(len(EVERY)))
def test_n_readings_come_out_and_the_seed_is_all_that_counts(label, family):
    for size in (8, 21):
        first = family(np.random.default_rng(3), size)
        again = family(np.random.default_rng(3), size)
        assert first.shape == (size,)
        assert np.all(np.isfinite(first))
        assert np.array_equal(first, again)
    assert not np.array_equal(first, family(np.random.default_rng(4), 21))


def test_combs_have_whole_numbers_and_the_noise_they_name():
    for integers, spread, _, _ in (COMBS | COMBS_KNOWN).values():
        values = comb(integers, spread)(np.random.default_rng(5), 4000)
        residual = values - np.round(values)
        # The standard error of a standard deviation is 1.1 % of it; five of them.
        assert np.std(residual) == pytest.approx(spread, rel=0.06)


def test_stored_calibration_covers_every_mode_and_size_and_falls():
    stored = table()
    assert set(stored["tails"]) == set(calibrate.SAMPLES)
    assert set(stored["tails"]["offset zero, sigma unknown"]) == set(NAMED)
    for part, by_kind in stored["tails"].items():
        assert {"continuous", "lumpy", "sums"} <= set(by_kind)
        for by_size in by_kind.values():
            assert set(by_size) == {str(size) for size in calibrate.SAMPLES[part]}
            for tail in map(np.array, by_size.values()):
                assert tail.size == len(stored["scores"])
                assert np.all(np.diff(tail) <= 0)
                assert np.all((tail > 0) & (tail <= 1))
    assert set(stored["log_weights"]) == set(stored["tails"])
    for by_kind in stored["log_weights"].values():
        assert set(by_kind) == set(KINDS)
        assert all(len(w) == len(stored["sizes"]) for w in by_kind.values())
        assert min(map(min, by_kind.values())) >= calibrate.LEAST


def test_the_search_for_weights_keeps_the_level_and_finds_the_informative_kind():
    rng = np.random.default_rng(8)
    # Only the first kind parts combs from data without steps; the others are noise.
    first = np.eye(len(KINDS))[0]
    nulls = [rng.normal(2 * (1 - first), 1, (400, len(KINDS))) for _ in range(3)]
    combs = [rng.normal(2 * (1 - first) + 3 * first, 1, (400, len(KINDS)))]
    log_weights = calibrate.search_weights(nulls, combs, seed=1, starts=6)
    for rows in nulls:
        assert np.mean(calibrate.scores(rows, log_weights) > 0) <= 0.05
    # A test on the first kind alone has a power of Phi(3 - 1.645) = 0.91; six kinds of noise that
    # cannot be left out (none weighs less than e^-1.5) take a part of it.
    assert np.mean(calibrate.scores(combs[0], log_weights) > 0) > 0.75
    equal = np.zeros(len(KINDS))
    equal += max(np.quantile(calibrate.scores(rows, equal), 0.955) for rows in nulls)
    assert np.mean(calibrate.scores(combs[0], equal) > 0) < 0.7


def test_tail_counts_and_then_falls_as_the_exponential():
    rng = np.random.default_rng(6)
    leads = -np.log(rng.random(2000))
    found = calibrate.tail(leads)
    scores = calibrate.SCORES
    counted = (leads[:, None] >= scores).sum(axis=0)
    inside = counted >= calibrate.COUNTED
    np.testing.assert_allclose(found[inside], counted[inside] / 2000)
    outside = np.flatnonzero(~inside)
    steps = np.diff(np.log(found[outside]))
    np.testing.assert_allclose(steps, -np.diff(scores[outside]), rtol=1e-9)


def test_no_family_of_the_calibration_is_held_out():
    known = {
        label
        for collection in (NAMED, MORE, CENTRED, LARGER, KNOWN)
        for families in collection.values()
        for label in families
    }
    held_out = [label for families in HELD_OUT.values() for label in families]
    assert len(held_out) == len(set(held_out)) >= 14
    assert not known & set(held_out)


@pytest.mark.parametrize("label", LATTICES)
def test_sums_are_parted_into_multiples_of_one_unit_and_the_rest(label):
    """Drawn as they come, the share of multiples is that of the page; the parts do not mix."""
    lattice = LATTICES[label]
    share = lattice.share_of_multiples(2000, seed=4)
    assert 0 < share < 1
    assert lattice.share_of_multiples(2000, seed=5) == pytest.approx(share, abs=0.06)
    # All levels within 2.5 sigma of multiples of a unit u >= 10 sigma: the residuals of the sample
    # stay below 2.5 sigma plus five of its own.
    values = lattice.multiples(np.random.default_rng(6), 400)
    values = values - (values.min() if label in HELD_OUT["sums"] else 0)
    units = 1 / np.linspace(1 / np.abs(values).max(), 1 / 0.35, 8000)
    off = np.sqrt(
        np.mean((values - units[:, None] * np.rint(values / units[:, None])) ** 2, axis=1)
    )
    assert np.min(off / units) < 0.25
