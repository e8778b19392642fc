"""Sums that are kept: the same however readings arrive, and equal to the sums of all."""

import json
import pickle

import numpy as np
import pytest

import quantize as qz
from quantize.comb.sums import TOLERANCE
from quantize.counts import spectrum as kept


@pytest.fixture
def readings(rng):
    return 12 + 7.3 * rng.poisson(2.2, 4000) + 0.8 * rng.normal(size=4000)


def make(**options):
    return qz.counts.Spectrum((0.0, 110.0), (3.0, 20.0), **{"offset": "free"} | options)


@pytest.mark.parametrize("offset", ["free", "zero", 12.0])
def test_the_same_as_the_periodogram_of_all(readings, offset):
    flow = make(offset=offset).update(readings)
    found = qz.periodogram(flow)
    own = qz.periodogram(readings, trial_units=found.trial_units, offset=offset)
    np.testing.assert_allclose(found.power, own.power, atol=3 * TOLERANCE * readings.size)
    np.testing.assert_allclose(found.score, own.score, atol=3 * TOLERANCE * readings.size)
    whole = qz.periodogram(readings, (3.0, 20.0), offset=offset)
    assert found.unit == pytest.approx(whole.unit, abs=0.1 * whole.unit_err)
    assert found.unit_err == pytest.approx(whole.unit_err, rel=0.05)
    assert found.statistic == pytest.approx(whole.statistic, rel=1e-6)
    if offset == "free":
        assert found.offset == pytest.approx(whole.offset, abs=0.02)


def test_moments_and_counts(readings):
    flow = make().update(readings)
    assert flow.total == readings.size
    assert flow.mean == pytest.approx(readings.mean(), rel=1e-12)
    assert flow.variance == pytest.approx(readings.var(), rel=1e-10)
    edges = flow.histogram.edges
    np.testing.assert_array_equal(flow.histogram.counts, np.histogram(readings, edges)[0])


def test_pieces_of_any_size_give_the_same_bits(readings, monkeypatch):
    monkeypatch.setattr(kept, "BLOCK", 512)
    one = make().update(readings)
    many = make()
    rng = np.random.default_rng(4)
    for part in np.split(readings, np.sort(rng.integers(0, readings.size, 37))):
        many.update(part)  # some are empty
    np.testing.assert_array_equal(one.power, many.power)
    assert many.mean == one.mean
    generator = make().update_from(iter(np.array_split(readings, 3)))
    np.testing.assert_array_equal(one.power, generator.power)


def test_partitions_add_up_within_the_tolerance(readings):
    one = make().update(readings)
    for pieces in (2, 7):
        parts = [make().update(part) for part in np.array_split(readings, pieces)]
        merged = make()
        again = make()
        for part in parts:
            merged.merge(part)
            again.merge(part)
        np.testing.assert_array_equal(merged.power, again.power)
        np.testing.assert_array_equal(merged.histogram.counts, one.histogram.counts)
        gap = np.abs(merged._settled()._sums - one._settled()._sums)
        assert gap.max() <= 2 * TOLERANCE * readings.size
        assert parts[0].total == np.array_split(readings, pieces)[0].size  # unchanged


def test_kept_as_json_and_pickle(readings):
    flow = make().update(readings)
    for back in (
        qz.counts.Spectrum.from_dict(json.loads(json.dumps(flow.to_dict()))),
        pickle.loads(pickle.dumps(flow)),
    ):
        np.testing.assert_array_equal(back.power, flow.power)
        assert back.total == flow.total
        assert back.grid == flow.grid
        back.merge(flow)
        assert back.total == 2 * flow.total
    state = flow.to_dict()
    with pytest.raises(qz.InputError, match="it was cut short"):
        qz.counts.Spectrum.from_dict(state | {"counts": state["counts"][:-1]})
    with pytest.raises(qz.InputError, match=r"is not what `Spectrum.to_dict` wrote"):
        qz.counts.Spectrum.from_dict({"counts": []})


def test_readings_outside_the_window_are_counted(readings):
    flow = qz.counts.Spectrum((15.0, 60.0), (3.0, 20.0), offset="free").update(readings)
    assert flow.outside == (
        int(np.sum(readings < 15)),
        int(np.sum(readings >= flow.grid.window[1])),
    )
    assert flow.total + sum(flow.outside) == readings.size
    inside = readings[(readings >= 15) & (readings < flow.grid.window[1])]
    np.testing.assert_allclose(
        flow.power,
        qz.periodogram(inside, trial_units=flow.trial_units, offset="free").power,
        atol=1e-4,
    )


def test_nothing_is_added_when_one_is_not_a_number(readings):
    flow = make().update(readings)
    before = flow.power.copy()
    for bad in ([1.0, np.nan], ["a"], [[1.0], [2.0]]):
        with pytest.raises(qz.InputError):
            flow.update(bad)
    np.testing.assert_array_equal(flow.power, before)


def test_memory_does_not_grow_with_the_readings():
    flow = make()
    rng = np.random.default_rng(1)
    size = len(pickle.dumps(flow.update(rng.uniform(0, 100, kept.BLOCK))))
    assert len(pickle.dumps(flow.update(rng.uniform(0, 100, kept.BLOCK)))) <= size + 100


def test_bins_hold_equally_many_steps_of_the_resolution(rng):
    # Whole channels under bins of 1.3 channels would make a comb of their own.
    x = np.rint(rng.normal(60, 12, 20_000))
    flow = qz.counts.Spectrum((0, 120), (26, 60), offset="free", resolution=1.0).update(x)
    assert flow.grid.bin_width == 1.0
    assert (flow.histogram.centres % 1 == 0).all()
    coarse = qz.counts.Spectrum((0, 120), (60, 90), offset="free", resolution=1.0)
    assert coarse.grid.bin_width == 3.0
    assert coarse.grid.edges[0] % 1 == 0.5


@pytest.mark.parametrize(
    ("arguments", "options", "message"),
    [
        (((0, 100), (3, 2)), {}, "the low end must be below the high end"),
        (((5, 5), (1, 2)), {}, r"`window` is \(5, 5\); the low end must be below the high"),
        (
            ((0, 100), (1e-5, 2)),
            {},
            r"trial units \(800 MB\), more than the 2e\+06 that are kept; "
            "raise the low end to about 0.0005",
        ),
        (((0, 100), (1, 2)), {"bin_width": 1e-6}, r"bins \(800 MB\), .*; 2e-05 would fit"),
        (((0, 100), (1, 2)), {"oversampling": 1}, "`oversampling` is 1; at least 2"),
        (((0, 100), (1, 2)), {"resolution": 0}, "`resolution` is 0; it must be above zero"),
        (((0, 100), None), {"resolution": 30}, "`resolution` is 30, too coarse for a window"),
    ],
)
def test_bad_grids(arguments, options, message):
    with pytest.raises(qz.InputError, match=message):
        qz.counts.Spectrum(*arguments, **options)


def test_a_grid_that_was_too_large_fits_as_offered():
    with pytest.raises(qz.InputError, match="raise the low end to about") as caught:
        qz.counts.Spectrum((0, 100), (1e-5, 2))
    offered = float(str(caught.value).split("about ")[1].rstrip("."))
    with pytest.raises(qz.InputError, match="bins") as caught:
        qz.counts.Spectrum((0, 100), (offered * 1.01, 2), bin_width=1e-6)
    width = float(str(caught.value).split("; ")[1].split(" ")[0])
    qz.counts.Spectrum((0, 100), (offered * 1.01, 2), bin_width=width)


def test_only_like_spectra_are_merged(readings):
    flow = make()
    with pytest.raises(qz.InputError, match=r"`other` has another low \(2.0, here 3.0\)"):
        flow.merge(qz.counts.Spectrum((0, 110), (2.0, 20.0), offset="free"))
    with pytest.raises(TypeError, match="`other` is ndarray; give another Spectrum"):
        flow.merge(readings)


def test_a_spectrum_brings_its_own_units_and_offset(readings):
    flow = make().update(readings)
    with pytest.raises(qz.InputError, match=r"reaches beyond the trial units of the spectrum"):
        qz.periodogram(flow, (1, 20))
    with pytest.raises(
        qz.InputError, match=r"`offset` is 3.0, but the spectrum was made with 'fre"
    ):
        qz.periodogram(flow, offset=3.0)
    assert qz.periodogram(flow, (5, 10)).unit == pytest.approx(qz.periodogram(flow).unit, rel=1e-6)
    with pytest.raises(qz.InputError, match=r"holds no reading in its window \(0 below, 0 above\)"):
        qz.periodogram(make())
