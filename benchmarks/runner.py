"""What the benchmarks share: a command line, a table that grows line by line, work that is kept."""

from __future__ import annotations

import argparse
import contextlib
import functools
import inspect
import itertools
import json
import os
import shlex
import subprocess
import sys
import warnings
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parents[1]
RESULTS = ROOT / "benchmarks" / "results"
Array = np.ndarray
Rng = np.random.Generator
Family = Callable[[Rng, int], Array]
Lines = Iterator[str]

_WHERE = ("--write", "--workers", "--keep")
_WHEN = ("--table", "--resume", "--afresh", "--store")
"""Options that do not change what is measured: with a value, and without one."""


class Option:
    """One option as `argparse` takes it, and what it is in a tiny run, where that differs."""

    def __init__(self, name: str, **how: Any) -> None:
        self.tiny = {name[2:]: how.pop("tiny")} if "tiny" in how else {}
        self.name, self.how = name, how


def number(name: str, default: int, tiny: int, told: str = "samples a cell") -> Option:
    """How many of something."""
    return Option(name, type=int, default=default, tiny=tiny, help=f"{told} ({default})")


def flag(name: str, told: str) -> Option:
    """An option without a value."""
    return Option(name, action="store_true", help=told)


WORKERS = Option("--workers", type=int, default=1, help="processes")
KEEP = Option("--keep", type=Path, help="where finished work is kept, to go on from")


class Options(argparse.Namespace):
    """What a run was told."""

    status: int

    @functools.cached_property
    def kept(self) -> Kept:
        """What was finished before, and will be kept."""
        return Kept(getattr(self, "keep", None))

    def first(self, several: Iterable[Any], n: int = 1) -> list[Any]:
        """All of several things, or the first of them in a tiny run."""
        return list(several)[: n if self.tiny else None]


Work = Callable[[Options], Lines]


def benchmark(
    title: str | None,
    *options: Option,
    columns: Sequence[str] = (),
    quiet: bool = False,
) -> Callable[[Work], Callable[..., int]]:
    """Make the command of a module from its last function, which gives the lines of its table.

    Without a title it writes no table. With `columns` the lines are the rows of a table, and what
    the module says of itself after its first line stands above. `quiet` silences warnings. The
    function may set `status` of its options, which is the exit status. A module that is run as a
    command is run from here.
    """

    def enter(work: Work) -> Callable[..., int]:
        name, words = Path(inspect.getfile(work)).stem, sys.modules[work.__module__].__doc__

        def main(arguments: Sequence[str] | None = None) -> int:
            parser = argparse.ArgumentParser(
                description=words, formatter_class=argparse.RawDescriptionHelpFormatter
            )
            parser.add_argument("--tiny", action="store_true", help="a run of seconds")
            if title is not None:
                parser.add_argument("--write", metavar="DIR", type=Path, help="write the table")
            for option in options:
                parser.add_argument(option.name, **option.how)
            chosen = parser.parse_args(arguments, Options(status=0))
            for option in options if chosen.tiny else ():
                vars(chosen).update(option.tiny)
            lines: list[str] = []
            with warnings.catch_warnings():
                if quiet:
                    warnings.simplefilter("ignore")
                before = told(words, chosen, *columns) if columns else ()
                for line in itertools.chain(before, work(chosen)):
                    print(line, flush=True)
                    lines.append(line)
            if title is not None:
                keep(chosen.write, name, title, lines)
            return int(chosen.status)

        if work.__module__ == "__main__":
            sys.exit(main())
        return main

    return enter


def command(name: str) -> str:
    """The command of this run of the benchmark `name`, without what does not change its numbers."""
    words = [word for word in sys.argv[1:] if word not in _WHEN]
    for option in _WHERE:
        while option in words:
            at = words.index(option)
            del words[at : at + 2]
    return shlex.join(["python", "-m", f"benchmarks.{name}", *words])


def keep(folder: Path | None, name: str, title: str | None, lines: Sequence[str]) -> None:
    """Write `lines` under `title` to ``folder/name.md``; without a folder nothing is written."""
    if folder is None:
        return
    folder.mkdir(parents=True, exist_ok=True)
    text = f"# {title}\n\nMade by `{command(name)}`.\n\n" + "\n".join(lines) + "\n"
    (folder / f"{name}.md").write_text(text, encoding="utf-8")


def told(words: str | None, options: Options, *names: str, **more: object) -> Lines:
    """How a page begins: the words of its module after the first line, and the head of a table.

    Names in braces stand for options, and for `more`.
    """
    yield (words or "").partition("\n\n")[2].strip().format(**vars(options), **more)
    yield from ("", *(head(*names) if names else ()))


def head(*names: str) -> list[str]:
    """The first two lines of a table."""
    return [row(*names), "|---" * len(names) + "|"]


def row(*cells: object, digits: int | None = None) -> str:
    """A line of a table; floats with so many digits, if that is said."""
    shown = (
        f"{cell:.{digits}f}" if isinstance(cell, float) and digits is not None else str(cell)
        for cell in cells
    )
    return "| " + " | ".join(shown) + " |"


def figures(values: Iterable[float], digits: int = 2, between: str = " | ") -> str:
    """Numbers as cells."""
    return between.join(f"{value:.{digits}f}" for value in values)


def child(key: int | Sequence[int], number: int) -> Rng:
    """The Generator of one sample: the seed with this number of those that `key` spawns."""
    return np.random.default_rng(np.random.SeedSequence(key, spawn_key=(number,)))


def holds(fit: Any, truth: float, prob: float = 0.95) -> bool:
    """Whether a set of a result holds the truth."""
    return any(bool(low <= truth <= high) for low, high in fit.interval(prob))


def merged(*collections: dict[str, dict[str, Any]]) -> dict[str, Any]:
    """All families of some collections by their labels, whatever their kind."""
    return {k: v for each in collections for kind in each.values() for k, v in kind.items()}


class Journal:
    """Finished pieces as lines of JSON, added as they come; without a file in memory."""

    def __init__(self, path: Path | None, *, afresh: bool = False) -> None:
        if path is not None and afresh:
            path.unlink(missing_ok=True)
        self.path, self.rows = path, []
        if path is not None and path.exists():
            for line in path.read_text(encoding="utf-8").splitlines():
                # One that was cut short is made again.
                with contextlib.suppress(json.JSONDecodeError):
                    self.rows.append(json.loads(line))

    def add(self, *rows: Any) -> None:
        """Keep some more."""
        self.rows += rows
        if self.path is not None:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            with self.path.open("a", encoding="utf-8") as file:
                file.writelines(json.dumps(one) + "\n" for one in rows)


class Kept:
    """Finished pieces by name in a journal."""

    def __init__(self, path: Path | None) -> None:
        self.journal = Journal(path)
        self.pieces: dict[str, Any] = dict(self.journal.rows)

    def get(self, name: str, make: Callable[..., Any], *arguments: Any) -> Any:
        """A piece, made if it is not there."""
        if name not in self.pieces:
            self.pieces[name] = make(*arguments)
            self.journal.add([name, self.pieces[name]])
        return self.pieces[name]

    def of(self, make: Callable[[str, int], Any], kind: str, n: int) -> list[Any]:
        """The first `n` pieces of a kind, by seed."""
        name = f"{make.__name__}/{kind}"
        return [self.get(f"{name}/{seed}", make, kind, seed) for seed in range(n)]


def fresh(code: str, **how: Any) -> subprocess.CompletedProcess[str]:
    """Run text in an interpreter of its own, with one thread."""
    threads = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
    words, env = [sys.executable, "-c", code], os.environ | threads
    return subprocess.run(words, capture_output=True, text=True, env=env, **how)
