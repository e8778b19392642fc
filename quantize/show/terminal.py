"""Printing to a terminal, and the one way in which a command ends."""

from __future__ import annotations

import contextlib
import json
import logging
import os
import re
import sys
import warnings
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, NoReturn, cast

import click

from quantize._support import validation
from quantize._support.errors import InputError, QuantizeWarning
from quantize._support.validation import Offset

if TYPE_CHECKING:
    from quantize.charge import Apparatus

_OPTIONS = {
    "value": "--column",
    "sigma": "--sigma",
    "state": "--state-column",
    "unit_range": "--unit-range",
    "offset": "--offset",
    "resolution": "--resolution",
    "alpha": "--alpha",
    "n_resamples": "--resamples",
    "rng": "--seed",
    "particle=": "--particle",
    "particle": "--particle",
    "route": "--route",
    "apparatus": "--apparatus",
    "plot": "--plot",
    "n": "--readings",
    "readings": "--readings",
    "integers": "--integers",
    "repeats": "--repeats",
    "estimators": "--estimator",
    "replicates": "--replicates",
    "checkpoint": "--checkpoint",
    "workers": "--workers",
    "family": "--family",
    "power": "--power",
    "tolerance": "--tolerance",
    "csv": "--csv",
    "by": "--by",
    "keep": "--keep",
    "report": "--report",
    "file": "FILE",
    "dated_plan": "--dated-plan",
}
_KEPT = ("keep", "checkpoint")
_ASCII = str.maketrans(
    {"±": "+/-", "×": "x", "–": "-", "—": "-", "…": "...", "µ": "u", "μ": "u", "²": "^2"}
)


class Program(click.Group):
    """The group of commands, with one way of ending: 0 done, 2 for bad input."""

    def main(self, *args: Any, **extra: Any) -> NoReturn:
        """Run a command; bad input ends in one line on standard error."""
        extra["standalone_mode"] = False
        # An unwritable home folder is no news to somebody who asked for a picture.
        logging.getLogger("matplotlib").setLevel(logging.ERROR)
        with warnings.catch_warnings():
            warnings.simplefilter("always", QuantizeWarning)
            shown = warnings.showwarning

            def note(message: Warning | str, category: type[Warning], *rest: Any) -> None:
                if issubclass(category, QuantizeWarning):
                    say(f"note: {_one_line(str(message))}", err=True)
                else:
                    shown(message, category, *rest)

            warnings.showwarning = note  # type: ignore[assignment]
            try:
                super().main(*args, **extra)
            except BrokenPipeError:
                # The reader of a pipe has gone; nothing more may be written to it.
                sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
            except click.exceptions.NoArgsIsHelpError as error:
                say(error.ctx.get_help() if error.ctx else str(error))
            except click.ClickException as error:
                _fail(error.format_message())
            except InputError as error:
                _fail(str(error))
            except OSError as error:
                name = f"{error.filename}: " if error.filename else ""
                _fail(f"{name}{error.strerror or error}")
            except (click.Abort, KeyboardInterrupt):
                say("quantize: interrupted", err=True)
                sys.exit(130)
        sys.exit(0)


def _fail(message: str) -> NoReturn:
    say(f"quantize: {_in_options(_one_line(message))}", err=True)
    sys.exit(2)


def _one_line(text: str) -> str:
    clean = "".join(c if c.isprintable() else " " for c in text)
    return " ".join(clean.split())


def _in_options(message: str) -> str:
    """Arguments of the library under the names that they have on the command line."""

    def name(match: re.Match[str]) -> str:
        return _OPTIONS.get(match[1], match[0])

    return re.sub(r"`([^`]+)`", name, message)


def number_list(option: str, text: str | None) -> list[float]:
    """Numbers out of "10,20,40"; none where the option was left out.

    Raises
    ------
    InputError
        For anything else.
    """
    if text is None:
        return []
    try:
        return [float(part) for part in text.split(",")]
    except ValueError:
        raise InputError(
            f"{option} is {text!r}; give numbers with commas between them, such as 10,20,40."
        ) from None


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


def say(text: str, *, err: bool = False) -> None:
    """Print; a terminal that cannot encode the text gets it in ASCII."""
    stream = sys.stderr if err else sys.stdout
    encoding = getattr(stream, "encoding", None) or "ascii"
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        text = text.translate(_ASCII).encode(encoding, "replace").decode(encoding)
    click.echo(text, err=err)


def say_json(payload: dict[str, Any]) -> None:
    """Print a JSON object, NaN and infinity as null."""
    from quantize._support.results import jsonable

    click.echo(json.dumps(jsonable(payload), indent=2, allow_nan=False))


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


def with_step(bench: Apparatus, resolution: float | None) -> Apparatus:
    """A bench whose positions are read to what --resolution says."""
    if resolution is None:
        return bench
    return bench.changed(reticle__step=validation.positive("resolution", resolution))


def drawn_seed() -> int:
    """A seed to print, where none was given."""
    import secrets

    return secrets.randbits(32)


def check_outputs(
    outputs: dict[str, str | None], inputs: dict[str, str | None] | None = None
) -> None:
    """Refuse files that cannot be written, or that the command reads, before any work.

    By the names of the arguments; those that were left out are None.
    """
    from quantize._support.writing import check_apart, check_target

    for name, path in outputs.items():
        if path is not None:
            check_target(path, name=name, whole=name in _KEPT)
    if outputs.get("plot") is not None:
        from quantize.show.style import check_plot_target

        check_plot_target(str(outputs["plot"]))
    check_apart(outputs, inputs or {})


@contextlib.contextmanager
def written_by(option: str) -> Iterator[None]:
    """Messages about the argument `path` of what is written in the block name the option."""
    try:
        yield
    except InputError as error:
        raise InputError(str(error).replace("`path`", option)) from None


def save_plot(found: Any, path: str) -> None:
    """Draw a result into a file."""
    from quantize.show import style

    style.save_plot(found.plot(), path)
