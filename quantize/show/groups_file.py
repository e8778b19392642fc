"""A file of many groups on the command line."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from quantize._support.errors import InputError
from quantize.show.terminal import drawn_seed, save_plot, say, say_json

if TYPE_CHECKING:
    from quantize.groups.analyze import GroupAnalyses
    from quantize.tables.origin import Origin


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
        As `read_readings` and `analyze_groups` do.
    """
    from quantize.groups.analyze import analyze_groups
    from quantize.tables.reading import read

    number, column_of_sigma = sigma
    if number is not None and column_of_sigma is not None:
        raise InputError("--sigma and --sigma-column both say the sigma; give one of them.")
    table = read(file)
    names = table.names
    if column is None:
        taken = [name for name in (by, column_of_sigma, state) if name is not None]
        column = names[table.sole_number_column(taken, by=by)]
    cells = {
        name: table.mixed(j) if name in (column, column_of_sigma) else table.array(j)
        for j, name in enumerate(names)
        if names.count(name) == 1
    }
    if resolution is None and column in cells:
        resolution = table.printed_step(names.index(column))
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
    return found, table.origin(names.index(column))
