"""A file of many groups on the command line."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from quantize._support.errors import InputError
from quantize.show.terminal import drawn_seed, save_plot, say, say_json

if TYPE_CHECKING:
    from quantize._support.origin import Origin
    from quantize.groups.analyze import GroupAnalyses


def say_groups(
    file: str,
    by: str,
    *,
    refused: Mapping[str, str | None],
    plot: str | None,
    as_json: bool,
    **options: Any,
) -> None:
    """Analyse each group of a file and print how they fared.

    Raises
    ------
    InputError
        For options that belong to a single page, and as `analyze_file` does.
    """
    for name, given in refused.items():
        if given is not None:
            raise InputError(f"--{name} is for one particle, and --by for many; leave one out.")
    if options["rng"] is None and options["keep"] is None:
        options["rng"] = drawn_seed()
    found, origin = analyze_file(file, by, **options)
    if plot:
        save_plot(found, plot)
    if as_json:
        named = {"schema": "quantize.cli.groups/1", "file": file, "read_from": str(origin)}
        say_json(named | {"groups": found.to_dict()})
    else:
        say(f"{file} by {by}\n{origin}\n\n{found}\n\nSeed {found.seed['entropy']}")


def analyze_file(
    file: str,
    by: str,
    *,
    column: str | None,
    sigma: tuple[float | None, str | None],
    state: str | None,
    resolution: float | None,
    workers: int | None,
    keep: str | None,
    **options: Any,
) -> tuple[GroupAnalyses, Origin]:
    """`analyze_groups` on a file, with the readings in the only other column of numbers.

    Also says where these were read from.

    Raises
    ------
    InputError
        As `read_table` and `analyze_groups` do.
    """
    from quantize._support.columns import number_cells, origin_of, sole_number_column
    from quantize.files import read_table
    from quantize.groups.analyze import analyze_groups

    number, column_of_sigma = sigma
    if number is not None and column_of_sigma is not None:
        raise InputError("--sigma and --sigma-column both say the sigma; give one of them.")
    table = read_table(file)
    names = [str(name) for name in table.columns]
    if column is None:
        taken = [name for name in (by, column_of_sigma, state) if name is not None]
        column = names[sole_number_column(table, taken, by=by)]
    cells: dict[str, Any] = {
        name: np.asarray(table[name]) for name in dict.fromkeys(names) if names.count(name) == 1
    }
    for name in (column, column_of_sigma):
        if name in cells:
            cells[name] = number_cells(table, names.index(name))
    if resolution is None and column in cells:
        resolution = table.attrs["printed_steps"][names.index(column)]
    found = analyze_groups(
        cells,
        by=by,
        value=column,
        sigma=number if column_of_sigma is None else column_of_sigma,
        state=state,
        resolution=resolution,
        workers=workers,
        keep=keep,
        progress=sys.stderr.isatty(),
        **options,
    )
    return found, origin_of(table, names.index(column))
