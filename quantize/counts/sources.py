"""Readings for a spectrum from parquet files larger than memory and from the cells of a cluster."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Executor
from typing import Any, Protocol, Self

import numpy as np

from quantize._support import parallel as pools
from quantize._support.errors import IncompleteError, InputError, InputTypeError, missing
from quantize._support.parallel import Progress, steps
from quantize._support.validation import count
from quantize.tables.cells import counts_rows

TASK_ROWS = 2**22
"""Row groups are put together until they hold this many rows. It does not depend on who reads."""

_BATCH = 2**20
_HEAD = 1000


class Sums(Protocol):
    """Partial sums of readings, which add."""

    @property
    def total(self) -> int:
        """Number of readings in them."""

    def empty(self) -> Self:
        """The same without readings."""

    def update(self, values: Any) -> Self:
        """With these readings added."""

    def merge(self, other: Self) -> Self:
        """With other sums added."""


class Client(Protocol):
    """A cluster that runs tasks, as a Dask client does."""

    def get_executor(self, **options: Any) -> Any:
        """What runs them."""


Task = tuple[Any, ...]
Piece = tuple[Any, str]
"""Sums, or None, and what is wrong with the readings."""


def add_parquet(
    spectrum: Sums,
    path: Any,
    column: str | None,
    row_groups: Iterable[int] | None,
    workers: Any,
    progress: Progress,
) -> None:
    """Add a column of a parquet file to the spectrum, a few row groups at a time."""
    source = os.fspath(path)
    meta, name = _open(source, column)
    chosen = _chosen(meta.num_row_groups, row_groups)
    tasks = _tasks(spectrum, source, name, meta, chosen)
    bar = steps(progress, len(tasks), "row groups")
    answers = bar.over(_gather(_piece_of_parquet, tasks, workers))
    failed, reason = _merge(spectrum, [task[3] for task in tasks], answers)
    bar.close()
    if failed:
        raise IncompleteError(
            f"`{source}`: {_listed('row group', failed)} of {meta.num_row_groups} could not be "
            f"added ({reason}); the rest is in the spectrum, which holds {spectrum.total} "
            "readings. Mend the file and add these with `row_groups`.",
            tuple(failed),
        )


def add_dask(spectrum: Sums, collection: Any, client: Any) -> None:
    """Add the partitions of a Dask collection to the spectrum, each summed where it lies."""
    try:
        from dask.delayed import delayed
    except ImportError:
        raise missing("Adding Dask collections", "dask") from None
    parts = _partitions(collection)
    template = spectrum.empty()
    pieces = [delayed(_piece_of_part, pure=False)(template, part) for part in parts]
    client = client or _current_client()
    if client is None:
        answers = _answers(pieces, lambda piece: piece.compute(scheduler="synchronous"))
    else:
        answers = _answers(client.compute(pieces), _result)
    failed, reason = _merge(spectrum, [[i] for i in range(len(parts))], answers)
    if failed:
        raise IncompleteError(
            f"{_listed('partition', failed)} of {len(parts)} could not be added ({reason}); the "
            f"rest is in the spectrum, which holds {spectrum.total} readings. Mend these and add "
            "them alone.",
            tuple(failed),
        )


# ---- parquet ----------------------------------------------------------------------------------


def _open(source: str, column: str | None) -> tuple[Any, str]:
    """Metadata of the file and the name of the column."""
    pa, pq = _pyarrow()
    if not os.path.exists(source):
        raise InputError(f"`{source}` does not exist; check the path.")
    try:
        with pq.ParquetFile(source) as file:
            meta, schema = file.metadata, file.schema_arrow
            numeric = [field.name for field in schema if _is_number(pa, field.type)]
            counted = column is None and len(numeric) == 1 and _counts_rows(pa, file, numeric[0])
    except (pa.ArrowException, OSError, ValueError):
        raise InputError(
            f"`{source}` is not a parquet file, or was cut short before its end; nothing was "
            "added, so write it again."
        ) from None
    names = ", ".join(repr(n) for n in schema.names[:20])
    if column is None:
        if len(numeric) != 1:
            found = "no column" if not numeric else f"{len(numeric)} columns"
            raise InputError(f"`{source}` has {found} of numbers; name one of {names}.")
        if counted:
            raise InputError(
                f"`{source}` has numbers only in column {numeric[0]!r}, which counts the rows; "
                "name the readings' column with `column`, even if it is this one."
            )
        return meta, numeric[0]
    if column not in schema.names:
        raise InputError(f"`column` is {column!r}, which `{source}` does not have; it has {names}.")
    if column not in numeric:
        raise InputTypeError(
            f"column {column!r} of `{source}` holds {schema.field(column).type}, not numbers; "
            "write it again as numbers, or choose another column."
        )
    return meta, column


def _counts_rows(pa: Any, file: Any, name: str) -> bool:
    """Whether a column begins with a running number."""
    try:
        head = next(file.iter_batches(_HEAD, columns=[name]))
        cells = head.column(0).cast(pa.float64(), safe=False)
    except (StopIteration, pa.ArrowException, OSError, ValueError):
        return False
    return counts_rows(cells.to_numpy(zero_copy_only=False))


def _is_number(pa: Any, kind: Any) -> bool:
    types = pa.types
    return bool(types.is_integer(kind) or types.is_floating(kind) or types.is_decimal(kind))


def _chosen(number: int, row_groups: Iterable[int] | None) -> list[int]:
    if row_groups is None:
        return list(range(number))
    chosen = [count("row_groups", g, least=0) for g in row_groups]
    beyond = [g for g in chosen if g >= number]
    if beyond:
        raise InputError(
            f"`row_groups` has {beyond[0]}, but the file has {number}; they count from 0."
        )
    return chosen


def _tasks(spectrum: Sums, source: str, name: str, meta: Any, chosen: Sequence[int]) -> list[Task]:
    template = spectrum.empty()
    starts = np.cumsum([0, *(meta.row_group(i).num_rows for i in range(meta.num_row_groups))])
    tasks: list[Task] = []
    rows: int = TASK_ROWS
    for group in chosen:
        if rows >= TASK_ROWS:
            tasks.append((template, source, name, [], []))
            rows = 0
        tasks[-1][3].append(group)
        tasks[-1][4].append(int(starts[group]))
        rows += meta.row_group(group).num_rows
    return tasks


def _piece_of_parquet(task: Task) -> Piece:
    """The spectrum of a few row groups, or None and what is wrong with them."""
    template, source, name, groups, starts = task
    pa, pq = _pyarrow()
    piece: Sums = template.empty()
    try:
        with pq.ParquetFile(source, memory_map=False, pre_buffer=False) as file:
            for group, row in zip(groups, starts, strict=True):
                for batch in file.iter_batches(_BATCH, row_groups=[group], columns=[name]):
                    values = batch.column(0)
                    if values.null_count:
                        at = int(np.flatnonzero(values.is_null().to_numpy(False))[0])
                        return None, f"column {name!r} is blank at row {row + at + 1}"
                    if pa.types.is_decimal(values.type):
                        values = values.cast(pa.float64())
                    numbers = values.to_numpy(zero_copy_only=False)
                    bad = np.flatnonzero(~np.isfinite(numbers))
                    if bad.size:
                        shown = numbers[bad[0]]
                        return None, f"column {name!r} is {shown} at row {row + int(bad[0]) + 1}"
                    piece.update(numbers)
                    row += len(values)
    except (pa.ArrowException, OSError, ValueError) as error:
        return None, f"the data cannot be read: {_sentence(error)}"
    return piece, ""


def _pyarrow() -> tuple[Any, Any]:
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError:
        raise missing("Reading parquet files", "pyarrow") from None
    return pa, pq


# ---- dask -------------------------------------------------------------------------------------


def _partitions(collection: Any) -> list[Any]:
    columns = getattr(collection, "columns", None)
    if columns is not None and len(columns) != 1:
        raise InputTypeError(
            f"`collection` is a table with columns {', '.join(map(str, columns))}; pass one "
            "column, collection['...']."
        )
    if getattr(collection, "ndim", 1) > 1 and columns is None:
        raise InputTypeError(
            f"`collection` has {collection.ndim} dimensions; flatten it with `.ravel()` first."
        )
    if hasattr(collection, "to_delayed"):
        return list(np.ravel(np.asarray(collection.to_delayed(), dtype=object)))
    if isinstance(collection, (list, tuple)) and all(hasattr(p, "compute") for p in collection):
        return list(collection)
    raise InputTypeError(
        f"`collection` is {type(collection).__name__}; give a Dask array, column, bag, or a list "
        "of delayed values (and `update` for plain arrays)."
    )


def _piece_of_part(template: Sums, part: Any) -> Piece:
    """The spectrum of one partition, or None and what is wrong with it."""
    if getattr(part, "columns", None) is not None:
        part = part[part.columns[0]]
    values = list(part) if isinstance(part, Iterator) else part
    try:
        return template.empty().update(values), ""
    except InputError as error:
        return None, str(error).rstrip(".")


def _current_client() -> Any:
    try:
        from distributed import get_client
    except ImportError:
        return None
    try:
        return get_client()
    except ValueError:  # there is none
        return None


# ---- both -------------------------------------------------------------------------------------


def _gather(
    function: Callable[[Task], Piece], tasks: Sequence[Task], workers: Any
) -> Iterator[Piece]:
    """What `function` makes of each task, in order; a worker that dies leaves a sentence."""
    if hasattr(workers, "get_executor"):
        workers = workers.get_executor(pure=False)
    if workers is None or (callable(workers) and not hasattr(workers, "submit")):
        yield from pools.ordered_map(function, tasks, workers)
    elif isinstance(workers, Executor) or hasattr(workers, "submit"):
        yield from _answers([workers.submit(function, task) for task in tasks], _result)
    elif (number := count("workers", workers)) == 1:
        yield from map(function, tasks)
    else:
        with pools.own_pool(number) as pool:
            yield from _answers([pool.submit(function, task) for task in tasks], _result)


def _result(future: Any) -> Piece:
    found: Piece = future.result()
    return found


def _answers(promises: list[Any], get: Callable[[Any], Piece]) -> Iterator[Piece]:
    """What was promised, each let go of once it is there; what fails leaves a sentence."""
    for i, promise in enumerate(promises):
        try:
            answer = get(promise)
        except Exception as error:  # whatever made the readings, or the loss of the worker
            answer = None, _sentence(error)
        promises[i] = None
        yield answer


def _merge(
    spectrum: Sums, numbers: Sequence[list[int]], answers: Iterable[Piece]
) -> tuple[list[int], str]:
    """Add all sums; the numbers of those that there are not, and what was wrong with the first."""
    failed: list[int] = []
    reason = ""
    for mine, (piece, problem) in zip(numbers, answers, strict=True):
        if piece is None:
            failed += mine
            reason = reason or problem
        else:
            spectrum.merge(piece)
    return failed, reason


def _sentence(error: BaseException) -> str:
    lines = str(error).strip().splitlines()
    return (
        f"{type(error).__name__}: {lines[0][:200].rstrip('.')}" if lines else type(error).__name__
    )


def _listed(noun: str, numbers: Sequence[int]) -> str:
    shown = ", ".join(map(str, numbers[:10])) + (" …" if len(numbers) > 10 else "")
    return f"{noun}{'s' if len(numbers) > 1 else ''} {shown}"
