"""Commands: their shared options, what they print, and the one way in which they end."""

from __future__ import annotations

import _thread
import contextlib
import dataclasses
import itertools
import json
import logging
import os
import re
import sys
import textwrap
import threading
import time
import warnings
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import click

from quantize._support.errors import InputError, MissingDependencyError, QuantizeWarning
from quantize._support.parallel import Progress
from quantize.show.options import drawn_seed, sigma_by_column
from quantize.show.text import WIDTH

if TYPE_CHECKING:
    from quantize.groups.analyze import GroupAnalyses
    from quantize.tables.origin import Origin

_OPTIONS = {
    "value": "--column",
    "sigma": "--sigma",
    "state": "--state-column",
    "unit_range": "--unit-range",
    "offset": "--offset",
    "resolution": "--resolution",
    "unit_name": "--unit-name",
    "alpha": "--alpha",
    "n_resamples": "--resamples",
    "rng": "--seed",
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
    "report": "--report",
    "file": "FILE",
    "dated_plan": "--dated-plan",
    "kind": "--kind",
    "certificate": "--certificate",
    "title": "--title",
    "author": "--author",
    "date": "--date",
    "note": "--note",
}
_ASCII = str.maketrans({"±": "+/-", "×": "x", "–": "-", "—": "-", "…": "...", "µ": "u", "μ": "u"})
_SILENCE = 20.0  # seconds
_RAISED = str.maketrans("⁻⁰¹²³⁴⁵⁶⁷⁸⁹", "-0123456789")


class Program(click.Group):
    """The group of commands, with one way of ending: 0 done, 2 for bad input."""

    def main(self, *args: Any, **extra: Any) -> NoReturn:
        """Run a command; bad input ends in one line on standard error."""
        extra["standalone_mode"] = False
        words = [str(word) for word in (args[0] if args else sys.argv[1:]) or ()]
        command = self.commands.get(words[0]) if words else None
        options = {name for one in command.params for name in one.opts} if command else set()
        # An unwritable home folder is no news to somebody who asked for a picture.
        logging.getLogger("matplotlib").setLevel(logging.ERROR)
        with warnings.catch_warnings():
            warnings.simplefilter("always", QuantizeWarning)
            shown = warnings.showwarning

            def note(message: Warning | str, category: type[Warning], *rest: Any) -> None:
                if issubclass(category, QuantizeWarning):
                    say(_filled("note: ", _one_line(str(message))), err=True)
                else:
                    shown(message, category, *rest)

            warnings.showwarning = note  # type: ignore[assignment]
            try:
                with no_interrupt_lost():
                    super().main(*args, **extra)
            except BrokenPipeError:
                # The reader of a pipe has gone; nothing more may be written to it.
                sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
            except click.exceptions.NoArgsIsHelpError as error:
                say(error.ctx.get_help() if error.ctx else str(error))
            except click.ClickException as error:
                _fail(error.format_message(), options)
            except (InputError, MissingDependencyError) as error:
                _fail(str(error), options)
            except OSError as error:
                name = f"{error.filename}: " if error.filename else ""
                _fail(f"{name}{error.strerror or error}", options)
            except (click.Abort, KeyboardInterrupt):
                say(f"quantize: interrupted{_what_is_kept(words, options)}", err=True)
                sys.exit(130)
        sys.exit(0)


@contextlib.contextmanager
def no_interrupt_lost() -> Iterator[None]:
    """An interrupt that falls into a callback of a weak reference, and is ignored there, repeated.

    A hundredth of a second later, when the callback is over.
    """
    before, repeats = sys.unraisablehook, list[threading.Timer]()

    def again(ignored: sys.UnraisableHookArgs) -> None:
        if not issubclass(ignored.exc_type, KeyboardInterrupt):
            before(ignored)
            return
        repeats.append(threading.Timer(0.01, _thread.interrupt_main))
        repeats[-1].start()

    sys.unraisablehook = again
    try:
        yield
    finally:
        sys.unraisablehook = before
        for repeat in repeats:
            repeat.cancel()


def watched() -> Progress:
    """A bar on a terminal; elsewhere a line now and then, for whoever reads a log."""
    if sys.stderr.isatty():
        return True
    began = said = time.monotonic()

    def tell(done: float, total: float) -> None:
        nonlocal said
        now = time.monotonic()
        if now - said >= _SILENCE and done < total:
            said = now
            say(f"quantize: {done:,} of {total:,} after {(now - began) / 60:.1f} min", err=True)

    return tell


def _what_is_kept(words: list[str], options: set[str]) -> str:
    """Where a stopped command goes on from, or how it could have."""
    if "--checkpoint" not in options or (words[0] == "analyze" and "--by" not in words):
        return ""
    for word, following in itertools.pairwise([*words, ""]):
        name, _, file = word.partition("=")
        if name == "--checkpoint":
            return f"; finished work is in {file or following}: the same command goes on from there"
    return "; with --checkpoint FILE the same command would go on from finished work"


def _fail(message: str, options: set[str]) -> NoReturn:
    text = in_options(_one_line(message), options)
    # One line for whoever reads it from a pipe or a log.
    say(_filled("quantize: ", text) if sys.stderr.isatty() else f"quantize: {text}", err=True)
    sys.exit(2)


def _filled(head: str, text: str) -> str:
    """A sentence in lines of a terminal, under each other behind its head."""
    look: Any = {"break_long_words": False, "break_on_hyphens": False}
    return textwrap.fill(
        text, WIDTH - 1, initial_indent=head, subsequent_indent=" " * len(head), **look
    )


def _one_line(text: str) -> str:
    clean = "".join(c if c.isprintable() else " " for c in text)
    return " ".join(clean.split())


def in_options(message: str, options: Collection[str] = ()) -> str:
    """Arguments of the library under the names that they have on the command line.

    A column of a page keeps its own.
    """

    def named(match: re.Match[str]) -> str:
        name, _, given = match[1].partition("=")
        same = f"--{name.replace('_', '-')}"
        option = _OPTIONS.get(name, same if same in options else match[0])
        option = "FILE" if option == "--readings" and option not in options else option
        return " ".join([option, *(re.findall(r"-?[\w.]+", given) if name in _OPTIONS else ())])

    return re.sub(r"(?<!column )`([^`]+)`", named, message)


def say(text: str, *, err: bool = False) -> None:
    """Print; a terminal that cannot encode the text gets it in ASCII."""
    stream = sys.stderr if err else sys.stdout
    encoding = getattr(stream, "encoding", None) or "ascii"
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        text = re.sub("[⁻⁰¹²³⁴⁵⁶⁷⁸⁹]+", lambda power: "^" + power[0].translate(_RAISED), text)
        text = text.translate(_ASCII).encode(encoding, "replace").decode(encoding)
    click.echo(text, err=err)


def say_json(payload: dict[str, Any]) -> None:
    """Print a JSON object, NaN and infinity as null."""
    from quantize._support.results import jsonable

    click.echo(json.dumps(jsonable(payload), indent=2, allow_nan=False))


def check_outputs(
    outputs: dict[str, str | None], inputs: dict[str, str | None] | None = None
) -> None:
    """Refuse files that cannot be written, or that the command reads, before any work.

    By the names of the arguments; those that were left out are None.
    """
    from quantize._support.writing import check_apart, check_target

    for name, path in outputs.items():
        if path is not None:
            check_target(path, name=name, whole=name == "checkpoint")
    if outputs.get("plot") is not None:
        from quantize.show.plots.style import check_plot_target

        check_plot_target(str(outputs["plot"]))
    check_apart(outputs, inputs or {})
    report = outputs.get("report")
    if report is not None and Path(report).suffix.lower() not in ("", ".html", ".htm"):
        raise InputError(f"--report is {report!r}; a report ends in .html.")


@contextlib.contextmanager
def written_by(option: str) -> Iterator[None]:
    """Messages about the argument `path` of the block name the option."""
    try:
        yield
    except InputError as error:
        raise InputError(str(error).replace("`path`", option)) from None


def save_plot(found: Any, path: str) -> None:
    """Draw a result into a file."""
    from quantize.show.plots import style

    style.save_plot(found.plot(), path)


def say_groups(
    file: str,
    by: str,
    *,
    refused: Mapping[str, str | bool | None],
    plot: str | None,
    as_json: bool,
    **options: Any,
) -> None:
    """Analyse each group of a file and print how they fared; options of one sample are refused."""
    for name, given in refused.items():
        if given is not None:
            raise InputError(f"--{name} is for one particle, and --by for many; leave one out.")
    if options["rng"] is None and options["checkpoint"] is None:
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
    unit_name: str | None,
    workers: int | None,
    checkpoint: str | None,
    **options: Any,
) -> tuple[GroupAnalyses, Origin]:
    """`analyze_groups` on a file, and where the readings were: in the only other numeric column."""
    from quantize.groups.analyze import analyze_groups
    from quantize.tables.reading import read

    number, column_of_sigma = sigma
    if number is not None and column_of_sigma is not None:
        raise InputError("--sigma and --sigma-column both say the sigma; give one of them.")
    table = read(file)
    names = table.names
    table.place(by, "by")
    if column is None:
        taken = [name for name in (by, column_of_sigma, state) if name is not None]
        column = names[table.sole_number_column(taken, by=by)]
    at = table.place(column, "value")
    unit_name = table.unit_of(at) if unit_name is None else unit_name
    roles = {"by": by, "sigma": column_of_sigma, "state": state}
    with sigma_by_column(column_of_sigma):
        used = {role: table.place(name, role) for role, name in roles.items() if name is not None}
        table.need_one_unit(at, used)
        numbers = (at, used.get("sigma"))
        cells = [table.mixed(j) if j in numbers else table.array(j) for j in range(len(names))]
        plain: Any = dataclasses.replace(table, columns=cells)
        found = analyze_groups(
            plain,
            by=by,
            value=column,
            sigma=number if column_of_sigma is None else column_of_sigma,
            state=state,
            resolution=resolution,
            unit_name=unit_name,
            workers=workers,
            checkpoint=checkpoint,
            progress=watched(),
            **options,
        )
    return found, table.origin(names.index(column))
