"""A file of many groups on the command line."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from quantize._support.errors import InputError
from quantize.show.terminal import drawn_seed, save_plot, say, say_json

if TYPE_CHECKING:
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
    found = analyze_file(file, by, **options)
    if plot:
        save_plot(found, plot)
    if as_json:
        say_json({"schema": "quantize.cli.groups/1", "file": file} | {"groups": found.to_dict()})
    else:
        say(f"{file} by {by}\n\n{found}\n\nSeed {found.seed['entropy']}")


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
) -> GroupAnalyses:
    """`analyze_groups` on a file, with the readings in the only other column of numbers.

    Raises
    ------
    InputError
        As `read_table` and `analyze_groups` do.
    """
    from quantize.files import read_table
    from quantize.groups.analyze import analyze_groups

    number, column_of_sigma = sigma
    if number is not None and column_of_sigma is not None:
        raise InputError("--sigma and --sigma-column both say the sigma; give one of them.")
    table = read_table(file)
    names = [str(name) for name in table.columns]
    if column is None:
        taken = {by, column_of_sigma, state}
        numeric = [names[j] for j in table.attrs["numeric"] if names[j] not in taken]
        if len(numeric) != 1:
            raise InputError(
                f"--column is missing, and `{table.attrs['source']}` has "
                f"{', '.join(numeric) or 'no column'} with numbers; name the readings' column."
            )
        column = numeric[0]
    if resolution is None and names.count(column) == 1:
        resolution = table.attrs["printed_steps"][names.index(column)]
    return analyze_groups(
        {name: np.asarray(table[name]) for name in dict.fromkeys(names) if names.count(name) == 1},
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
