"""The families of the benchmarks: sizes, seeds, and the tables made from a small run."""

import json

import numpy as np
import pytest

from benchmarks import calibrate, false_alarms
from benchmarks.families import COMBS, HELD_OUT, NAMED, comb
from quantize.null.calibration import KINDS, table

EVERY = [
    (label, family)
    for collection in (NAMED, HELD_OUT)
    for families in collection.values()
    for label, family in families.items()
]


@pytest.mark.parametrize(("label", "family"), EVERY)
def test_n_readings_come_out_and_the_seed_is_all_that_counts(label, family):
    for size in (8, 21):
        first = family(np.random.default_rng(3), size)
        again = family(np.random.default_rng(3), size)
        assert first.shape == (size,)
        assert np.all(np.isfinite(first))
        assert np.array_equal(first, again)
    assert not np.array_equal(first, family(np.random.default_rng(4), 21))


def test_combs_have_whole_numbers_and_the_noise_they_name():
    for integers, spread, _, _ in COMBS.values():
        values = comb(integers, spread)(np.random.default_rng(5), 4000)
        residual = values - np.round(values)
        # The standard error of a standard deviation is 1.1 % of it; five of them.
        assert np.std(residual) == pytest.approx(spread, rel=0.06)


def test_stored_calibration_covers_every_mode_and_size_and_falls():
    stored = table()
    assert set(stored["tails"]) == set(calibrate.PAGES)
    assert set(stored["tails"]["offset zero, sigma unknown"]) == set(NAMED)
    for by_kind in stored["tails"].values():
        assert {"continuous", "lumpy"} <= set(by_kind)
        for by_size in by_kind.values():
            assert {"8", "20", "60"} <= set(by_size)
            for tail in map(np.array, by_size.values()):
                assert tail.size == len(stored["scores"])
                assert np.all(np.diff(tail) <= 0)
                assert np.all((tail > 0) & (tail <= 1))
    assert set(stored["hurdles"]) == set(KINDS)
    assert all(len(heights) == len(stored["sizes"]) for heights in stored["hurdles"].values())


def test_the_search_for_hurdles_keeps_the_level_and_finds_the_telling_kind():
    rng = np.random.default_rng(8)
    # Only the first kind tells combs from data without steps; the others are noise.
    nulls = [rng.normal(0, 1, (400, len(KINDS))) for _ in range(3)]
    combs = [rng.normal(0, 1, (400, len(KINDS))) + np.eye(len(KINDS))[0] * 3]
    hurdles = calibrate.search_hurdles(nulls, combs, seed=1)
    for pages in nulls:
        assert np.mean((pages - hurdles).min(axis=1) > 0) <= 0.05
    # A test on the first kind alone has a power of Phi(3 - 1.645) = 0.91.
    assert np.mean((combs[0] - hurdles).min(axis=1) > 0) > 0.75


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


def test_table_of_a_small_run_has_a_row_a_family(tmp_path):
    keep = tmp_path / "counts.json"
    results = {}
    pages = dict.fromkeys((8, 20, 40, 60, 200), 0) | {8: 1}
    false_alarms.run(results, keep, pages)
    text = "\n".join(false_alarms.table(json.loads(keep.read_text())))
    for label, _ in EVERY:
        assert f"| {label} |" in text
