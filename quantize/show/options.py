"""Options of the command line: groups that commands share, and what their texts mean."""

from __future__ import annotations

import contextlib
from collections.abc import Collection, Iterator, Mapping
from typing import TYPE_CHECKING, Any, cast

import click
from click.core import ParameterSource

from quantize._support import validation
from quantize._support.errors import InputError
from quantize._support.validation import Integers, Offset

if TYPE_CHECKING:
    from quantize.charge.apparatus import Apparatus
    from quantize.readings import Readings

DESIGN = ("target", "falls", "states", "spheres")


def number_list(option: str, text: str | None) -> list[float]:
    """Numbers out of "10,20,40", or an `InputError`; none where the option was left out."""
    if text is None:
        return []
    try:
        return [float(part) for part in text.split(",")]
    except ValueError:
        raise InputError(
            f"{option} is {text!r}; give numbers with commas between them, such as 10,20,40."
        ) from None


def refuse(names: Collection[str], why: str) -> None:
    """Refuse options that were given to the running command, by the names of its arguments."""
    context = click.get_current_context()
    for one in context.command.params:
        given = context.get_parameter_source(str(one.name)) is ParameterSource.COMMANDLINE
        if given and one.name in names:
            shown = one.human_readable_name if isinstance(one, click.Argument) else one.opts[0]
            raise InputError(f"{shown} {why}")


def for_what(run: str | None, apparatus: str | None) -> None:
    """Refuse options of `plan` that are not for what it is asked."""
    if run is not None:
        kept = ("run", "apparatus", "particle", "as_json")
        others = {str(one.name) for one in click.get_current_context().command.params}
        refuse(others.difference(kept), f"has no part in what to measure next in {run}; leave "
               "it out, or leave out the run.")  # fmt: skip
        return
    refuse(["particle"], "is for a run; give its page as well.")
    if apparatus is None:
        refuse([*DESIGN, "diameters", "intervals"], "is for a bench; give --apparatus as well.")
    else:
        refuse(["unit"], "follows from the bench; leave it out.")


def for_which_page(forms: bool, kind: str | None) -> None:
    """Refuse options of `convert` that have no part in what it is asked."""
    if forms:
        rest = ("file", "apparatus", "route", "certificate")
        refuse(rest, "has no part in a form to fill in; leave it out.")
    elif kind is not None:
        refuse(["apparatus", "route"], "has no part in what repeats calibrate; leave it out.")
    else:
        refuse(["certificate"], "is for a calibration; give --kind as well.")


def page_and_bench(file: str | None, apparatus: str | None) -> tuple[str, str]:
    """The two files that `convert` needs."""
    if file is None or apparatus is None:
        missing = "FILE" if file is None else "--apparatus FILE"
        raise InputError(f"{missing} is missing; or begin with --template and --blank-page.")
    return file, apparatus


def comparing(command: Any) -> Any:
    """The options of the comparison of estimators."""
    for option in (
        click.option("--csv", metavar="FILE", help="Write the table."),
        click.option("--tolerance", type=float, default=0.05, show_default=True, metavar="T"),
        click.option("--replicates", type=int, default=200, show_default=True, metavar="N"),
        click.option("--estimator", multiple=True, metavar="NAME", help="Again for another one."),
        click.option("--family", metavar="NAME", help="Data without a unit: counts false alarms."),
        click.option("--repeats", default="1", show_default=True, metavar="M,M,..."),
        click.option("--sigma", default="0.1,0.2,0.3", show_default=True, metavar="S,S,..."),
        click.option("--readings", default="10,20,40", show_default=True, metavar="N,N,..."),
    ):
        command = option(command)
    return command


def designing(command: Any) -> Any:
    """The options of a design whose uncertainty in coulombs is asked for."""
    for option in (
        click.option("--spheres", type=int, metavar="N", help="That are read so (1)."),
        click.option("--states", type=int, metavar="N", help="Of the charge, in the design (8)."),
        click.option("--falls", type=int, metavar="N", help="Without field, in the design (8)."),
        click.option("--target", metavar="U", help="Uncertainty in coulombs wished for: 1%."),
    ):
        command = option(command)
    return command


def handing_in(command: Any) -> Any:
    """What the report page says of itself."""
    for option in (
        click.option("--note", metavar="TEXT", help="A remark at the head of the report."),
        click.option("--date", metavar="TEXT", help="The date at the head of the report."),
        click.option("--author", metavar="TEXT", help="Who hands the report in."),
        click.option("--title", metavar="TEXT", help="Heading of the report."),
    ):
        command = option(command)
    return command


def heading_of(texts: Mapping[str, str | None], report: str | None) -> dict[str, str]:
    """What was said of the report page, refused where none is written."""
    said = {name: text for name, text in texts.items() if text is not None}
    if said and report is None:
        raise InputError(f"--{next(iter(said))} is for the report page; give --report FILE.")
    return said


def simulating(command: Any) -> Any:
    """The options of whatever simulates."""
    for option in (
        click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text."),
        click.option("--plot", metavar="FILE", help="Draw the result (svg, pdf or png)."),
        click.option("--seed", type=click.IntRange(min=0), metavar="N", help="Drawn if left out."),
        click.option("--checkpoint", metavar="FILE", help="Keep finished work; go on from it."),
        click.option("--workers", type=int, metavar="N", help="Processes (1)."),
        click.option("--alpha", type=float, default=0.05, show_default=True),
        click.option("--integers", type=int, nargs=2, default=(-4, 4), metavar="FIRST LAST"),
    ):
        command = option(command)
    return command


def sigma_of(text: str | None) -> float | None:
    """The number of --sigma; none where it was left out."""
    try:
        return None if text is None else float(text)
    except ValueError:
        raise InputError(
            f"--sigma is {text!r}; give a number, or predicted with --apparatus and a run."
        ) from None


def offset_of(text: str | None) -> Offset:
    """What --offset says, for `analyze` to check."""
    if text is None:
        return "zero"
    try:
        return float(text)
    except ValueError:
        return cast(Offset, text)


def integers_of(ends: tuple[str, str] | None) -> Integers:
    """What --integers says: any number where it was left out, and None for a last one unknown."""
    if ends is None:
        return "any"
    first, last = ends
    try:
        return int(first), None if last == "unknown" else int(last)
    except ValueError:
        raise InputError(
            f"--integers is {first} {last}; give two whole numbers, the first and the last that "
            "are possible, or unknown for the last."
        ) from None


def with_step(bench: Apparatus, resolution: float | None) -> Apparatus:
    """A bench whose positions are read to what --resolution says."""
    if resolution is None:
        return bench
    return bench.changed(reticle__step=validation.positive("resolution", resolution))


@contextlib.contextmanager
def sigma_by_column(column: str | None) -> Iterator[None]:
    """Messages about `sigma` within the block name --sigma-column where that gives it."""
    try:
        yield
    except InputError as error:
        if column is None:
            raise
        raise InputError(str(error).replace("`sigma`", "`sigma_column`")) from None


def drawn_seed() -> int:
    """A seed to print, where none was given."""
    import secrets

    return secrets.randbits(32)


def read_column(
    file: str,
    columns: dict[str, str | None],
    sigma: float | None,
    resolution: float | None,
    unit_name: str | None,
) -> Readings:
    """The readings in a column, with what the command line says of them."""
    from quantize import read_readings
    from quantize.charge.run_file import or_as_run

    try:
        with sigma_by_column(columns["sigma"]):
            readings = read_readings(file, resolution=resolution, **columns)
    except InputError as problem:
        raise problem if any(columns.values()) else or_as_run(file, problem) from None
    if unit_name is not None:
        readings = readings.replace(unit_name=unit_name)
    if sigma is None:
        return readings
    if columns["sigma"] is not None:
        raise InputError("--sigma and --sigma-column both say the sigma; give one of them.")
    return readings.replace(sigma=sigma)
