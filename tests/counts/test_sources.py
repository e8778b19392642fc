"""Readings from parquet files and clusters: what is added, and what is said of what is not."""

from __future__ import annotations

import os
import signal
import warnings

import numpy as np
import pytest
from local_cluster import two_workers
from needed import needed

import quantize as qz
from quantize.counts import sources


@pytest.fixture
def readings(rng):
    return 12 + 7.3 * rng.poisson(2.2, 6000) + 0.8 * rng.normal(size=6000)


def make():
    return qz.counts.Spectrum((0.0, 110.0), (3.0, 20.0), offset="free")


def write(path, column, rows=1000, **more):
    pa, pq = needed("pyarrow"), needed("pyarrow.parquet")
    pq.write_table(pa.table({"charge": column} | more), path, row_group_size=rows)
    return path


@pytest.fixture
def small_tasks(monkeypatch):
    monkeypatch.setattr(sources, "TASK_ROWS", 1000)


def test_a_file_is_the_sum_of_its_row_groups(tmp_path, readings, small_tasks):
    path = write(tmp_path / "run.parquet", readings)
    found = make().read_parquet(path)
    assert found.total == 6000
    np.testing.assert_allclose(found.power, make().update(readings).power, atol=1e-3)
    parts = make().read_parquet(path, row_groups=[0, 2, 4]).read_parquet(path, row_groups=[1, 3, 5])
    assert parts.total == 6000
    seen = []
    make().read_parquet(path, progress=lambda done, total: seen.append((done, total)))
    assert seen[-1] == (6, 6)


def test_whole_numbers_floats_of_any_width_and_decimals(tmp_path):
    pa = needed("pyarrow")
    k = np.arange(20, 80)
    for kind in (pa.int16(), pa.uint8(), pa.float32(), pa.decimal128(21, 0)):
        path = write(tmp_path / "run.parquet", pa.array(k).cast(kind))
        assert make().read_parquet(path).mean == pytest.approx(k.mean())


@pytest.mark.slow
def test_two_processes_give_the_same_bits(tmp_path, readings, small_tasks):
    path = write(tmp_path / "run.parquet", readings)
    np.testing.assert_array_equal(
        make().read_parquet(path, workers=2).power, make().read_parquet(path).power
    )


@pytest.mark.parametrize(
    ("content", "options", "message"),
    [
        (
            {"charge": [1.0], "volt": [2.0]},
            {},
            "has 2 columns of numbers; name one of 'charge', 'v",
        ),
        (
            {"no": [1, 2, 3], "charge": ["a", "b", "c"]},
            {},
            "has numbers only in column 'no', which counts the rows; name .* with `column`, even",
        ),
        ({"charge": ["a", "1"]}, {}, "has no column of numbers; name one of 'charge'"),
        ({"charge": ["a", "1"]}, {"column": "charge"}, "'charge' of .* holds string, not numbers"),
        ({"charge": [True, False]}, {"column": "charge"}, "holds bool, not numbers"),
        ({"charge": [[1.0], [2.0]]}, {"column": "charge"}, "holds list<.*>, not numbers"),
        ({"charge": [1.0]}, {"column": "q"}, "`column` is 'q', which .* does not have; it has 'ch"),
        ({"charge": [1.0]}, {"row_groups": [4]}, "`row_groups` has 4, but the file has 1"),
        ({"charge": [1.0]}, {"workers": "many"}, "`workers` must be a whole number"),
    ],
)
def test_columns_that_cannot_be_used(tmp_path, content, options, message):
    pa, pq = needed("pyarrow"), needed("pyarrow.parquet")
    path = tmp_path / "run.parquet"
    pq.write_table(pa.table(content), path)
    with pytest.raises(qz.InputError, match=message) as caught:
        make().read_parquet(path, **options)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("bad", "message"),
    [
        (None, "column 'charge' is blank at row 2501"),
        (np.inf, "column 'charge' is inf at row 2501"),
    ],
)
def test_blank_and_infinite_rows_cost_their_row_group(
    tmp_path, readings, small_tasks, bad, message
):
    cells = readings.tolist()
    cells[2500] = bad
    path = write(tmp_path / "run.parquet", cells)
    flow = make()
    with pytest.raises(qz.IncompleteError, match=message) as caught:
        flow.read_parquet(path)
    assert caught.value.failed == (2,)
    assert "row group 2 of 6 could not be added" in str(caught.value)
    assert flow.total == 5000
    # Mended, only what is missing is read.
    whole = flow.read_parquet(write(path, readings), row_groups=caught.value.failed)
    assert whole.total == 6000


def test_a_file_cut_short_before_its_end(tmp_path, readings):
    path = write(tmp_path / "run.parquet", readings)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(qz.InputError, match="was cut short before its end; nothing was added"):
        make().read_parquet(path)
    with pytest.raises(qz.InputError, match="does not exist"):
        make().read_parquet(tmp_path / "none.parquet")


def test_a_file_damaged_in_the_middle(tmp_path, readings, small_tasks):
    path = write(tmp_path / "run.parquet", readings)
    pq = needed("pyarrow.parquet")
    with pq.ParquetFile(path) as file:
        chunk = file.metadata.row_group(3).column(0)
        start = chunk.dictionary_page_offset or chunk.data_page_offset
        size = chunk.total_compressed_size
    data = bytearray(path.read_bytes())
    data[start : start + size] = b"\xff" * size
    path.write_bytes(bytes(data))
    flow = make()
    with pytest.raises(qz.IncompleteError, match="the data cannot be read") as caught:
        flow.read_parquet(path)
    assert caught.value.failed == (3,)
    assert flow.total == 5000


def test_dask_collections_of_every_kind(readings):
    needed("dask")
    import dask.array
    import dask.bag
    from dask import delayed

    whole = make().update(readings)
    array = dask.array.from_array(readings, chunks=1500)
    bag = dask.bag.from_sequence(readings.tolist(), npartitions=3)
    parts = [delayed(readings[:2000]), delayed(readings[2000:2000]), delayed(readings[2000:])]
    for collection in (array, bag, parts):
        found = make().add_dask(collection)
        np.testing.assert_array_equal(found.histogram.counts, whole.histogram.counts)
        np.testing.assert_allclose(found.power, whole.power, atol=1e-3)
    with pytest.raises(TypeError, match="`collection` is ndarray; give a Dask array"):
        make().add_dask(readings)
    with pytest.raises(TypeError, match="`collection` has 2 dimensions; flatten it"):
        make().add_dask(array.reshape(2, -1))


def test_a_partition_that_cannot_be_used_costs_itself(readings):
    needed("dask")
    from dask import delayed

    def broken():
        raise OSError("no such disk")

    parts = [delayed(readings[:2000]), delayed(["x"]), delayed(broken)(), delayed(readings[2000:])]
    flow = make()
    with pytest.raises(
        qz.IncompleteError, match="partitions 1, 2 of 4 could not be added"
    ) as caught:
        flow.add_dask(parts)
    assert "`values` holds text" in str(caught.value)
    assert caught.value.failed == (1, 2)
    assert flow.total == 6000


def test_without_dask_or_pyarrow_they_are_named(tmp_path, readings, monkeypatch):
    import sys

    path = write(tmp_path / "run.parquet", readings)
    for name in ("dask", "dask.delayed", "pyarrow", "pyarrow.parquet"):
        monkeypatch.setitem(sys.modules, name, None)
    with pytest.raises(qz.MissingDependencyError, match=r"-m pip install dask$"):
        make().add_dask([])
    with pytest.raises(qz.MissingDependencyError, match=r"-m pip install pyarrow$"):
        make().read_parquet(path)


@pytest.fixture
def client():
    """A client of two worker processes on this machine, one thread each."""
    with two_workers(needed("distributed")) as client:
        yield client


@pytest.mark.slow
def test_a_cluster_gives_the_same_bits(client, tmp_path, readings):
    import dask.array

    array = dask.array.from_array(readings, chunks=1000)
    here = make()
    for part in np.array_split(readings, 6):
        here.merge(make().update(part))
    np.testing.assert_array_equal(make().add_dask(array, client=client).power, here.power)
    np.testing.assert_array_equal(make().add_dask(array).power, here.power)  # the current client
    path = write(tmp_path / "run.parquet", readings)
    np.testing.assert_array_equal(
        make().read_parquet(path, workers=client).power, make().read_parquet(path).power
    )


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no such signal")
def test_a_lost_worker_loses_no_reading(client, readings):
    from dask import delayed

    victim = next(iter(client.run(os.getpid).values()))

    def part(i):
        import time

        time.sleep(0.3)
        if i == 2 and os.getpid() == victim:
            os.kill(victim, signal.SIGKILL)
        return readings[1000 * i : 1000 * (i + 1)]

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        found = make().add_dask([delayed(part, pure=False)(i) for i in range(6)], client=client)
    assert found.total == 6000


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no such signal")
def test_a_partition_that_kills_every_worker_is_a_sentence(client, readings):
    from dask import delayed

    def deadly():
        os.kill(os.getpid(), signal.SIGKILL)

    flow = make()
    client.cluster.scheduler.allowed_failures = 0
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with pytest.raises(qz.IncompleteError, match="could not be added") as caught:
            flow.add_dask([delayed(readings[:3000]), delayed(deadly)(), delayed(readings[3000:])])
    assert "KilledWorker" in str(caught.value)
    assert 1 in caught.value.failed
    # Another partition may have been on the worker that died; what came through is kept.
    assert flow.total == 3000 * (3 - len(caught.value.failed))
