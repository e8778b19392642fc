"""What the numbers of `quantize.null` that were set by hand do to scores and verdicts; seed 91.

Every statistical choice and every rule of the guards is halved and doubled, one at a time, and the
same simulated samples are assessed again. The stored calibration stays as it is: how far a score
moves is measured, and verdicts that change are an illustration.
"""

from __future__ import annotations

import ast
import contextlib
import functools
import importlib
import itertools
import math
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

import quantize as qz
from benchmarks.constants_listed import DEFINED, NUMERICAL, ROWS
from benchmarks.runner import RESULTS, Journal, Option, Rng, benchmark, flag, head, row
from quantize.comb.unit_range import unit_range_for
from quantize.model.mixture import model_of
from quantize.null import evidence, guards, verdict
from quantize.studies.families import family

SEED = 91
SIZES = (8, 20, 60)
FACTORS = (0.5, 2.0)
KEPT = RESULTS / "constants.jsonl"
NULL = Path(guards.__file__).parent
Judged = tuple[float, str]


def _comb(spread: float, *, given: bool = False, **how: Any) -> Callable[..., Any]:
    """Whole numbers from -4 to 4, unit 1; perhaps one misread, rounded or with a free offset."""

    def draw(rng: Rng, n: int) -> tuple[qz.Readings, Any]:
        x = rng.integers(-4, 5, n) + how.get("start", 0.0) + spread * rng.normal(size=n)
        if how.get("misread"):
            x[0] *= 10
        if "step" in how:
            x = how["step"] * np.rint(x / how["step"])
        return qz.Readings(x, sigma=spread if given else None), how.get("offset", "zero")

    return draw


def _without(name: str, *, sigma: float | None = None) -> Callable[..., Any]:
    def draw(rng: Rng, n: int) -> tuple[qz.Readings, Any]:
        return qz.Readings(family(name)(rng, n), sigma=sigma), "zero"

    return draw


CASES: dict[str, Callable[..., Any]] = {
    "comb, sigma/u .06": _comb(0.06),
    "comb, sigma/u .12": _comb(0.12),
    "comb, sigma/u .18": _comb(0.18),
    "comb, sigma/u .10 given": _comb(0.10, given=True),
    "comb, sigma/u .10, free offset": _comb(0.10, start=0.37, offset="free"),
    "comb, sigma/u .06, one times ten": _comb(0.06, misread=True),
    "comb, sigma/u .08, rounded to .25": _comb(0.08, step=0.25),
    "uniform": _without("uniform"),
    "uniform, sigma .1 given": _without("uniform", sigma=0.1),
    "lognormal": _without("lognormal"),
    "three levels": _without("three levels"),
    "five levels": _without("five levels"),
    "sign-symmetric levels": _without("sign-symmetric levels"),
    "sums of two units": _without("sums of two units"),
}
COUNTS = {"comb of counts, sigma/u .15": 0.15, "comb of counts, sigma/u .24": 0.24}


def changed(value: Any, factor: float, how: str = "") -> Any:
    """The constant, `factor` times as large; shares near one by what is missing to one."""
    if isinstance(value, dict):
        return {key: changed(one, factor, how) for key, one in value.items()}
    if isinstance(value, tuple):
        return tuple(changed(one, factor, how) for one in value)
    if how == "from one":
        return 1 - factor * (1 - value)
    if how == "above one" and value >= 1:
        return 1 + factor * (value - 1)
    if isinstance(value, int):
        return max(1, round(factor * value))
    return factor * value


@contextlib.contextmanager
def patched(where: str, value: Any) -> Iterator[None]:
    """Another value for the constant `module.NAME`, in every module of the test that has it."""
    name, old = where.split(".")[1], value_of(where)
    new = {name: (old, value)}
    if name == "MISREAD":
        new["_SHARE_PRIOR"] = (1 / old - 1, 1 / value - 1)
    if name == "RARE":
        new["SURE"] = (1 - old, 1 - value)
        new["AGAINST"] = (math.log(1 / old), math.log(1 / value))
    if name in ("LEVELS_AT_ZERO", "LEVELS_FREE"):
        needed = guards.LEVELS_NEEDED
        key = "free" if name == "LEVELS_FREE" else "fixed"
        new["LEVELS_NEEDED"] = (needed, needed | {key: value})
    modules = [m for key, m in sys.modules.items() if key.startswith("quantize.null.")]
    touched = [
        (m, key, pair) for m in modules for key, pair in new.items() if vars(m).get(key) == pair[0]
    ]
    for module, key, pair in touched:
        setattr(module, key, pair[1])
    try:
        yield
    finally:
        for module, key, pair in touched:
            setattr(module, key, pair[0])


def _of_readings(case: str, n: int) -> Callable[[bool], Judged]:
    """A function that assesses the sample again, the evidence anew or as it was at first."""
    rng = np.random.default_rng([SEED, list(CASES).index(case), n])
    data, offset = CASES[case](rng, n)
    unit_range = unit_range_for(data, None)
    first = verdict.assess(data, unit_range, model_of(offset, None, None))

    def again(anew: bool) -> Judged:
        found, fit = first.evidence, first.mixture
        if anew:
            found = evidence.level_evidence(fit.posterior)
        findings = guards.findings_on_readings(fit, unit_range, found.occupied_teeth, alpha=0.05)
        judged = verdict.judge(fit, findings, found.p_values, found, alpha=0.05, smooth_only=False)
        return found.score, judged.verdict

    return again


def _of_counts(case: str) -> Callable[[bool], Judged]:
    """The same of a histogram; the score is that of its p-value."""
    rng = np.random.default_rng([SEED, list(COUNTS).index(case)])
    x = rng.integers(1, 8, 6000) + COUNTS[case] * rng.normal(size=6000)
    counts, edges = np.histogram(x, bins=np.arange(0, 9, 0.05))
    data = qz.counts.Histogram(counts=counts, edges=edges)

    def again(anew: bool) -> Judged:
        found = qz.null.analyze_counts(data, (0.4, 3.0))
        return -math.log(max(found.p_value, 1e-300)), found.verdict

    return again


def value_of(where: str) -> Any:
    """The constant `module.NAME`."""
    home, name = where.split(".")
    return getattr(importlib.import_module(f"quantize.null.{home}"), name)


def moves(case: str, n: int) -> dict[str, list[Judged | None]]:
    """Score and verdict as they are, and with every constant at half and at twice its value."""
    again = _of_counts(case) if case in COUNTS else _of_readings(case, n)
    acting = ("counts", "both") if case in COUNTS else ("evidence", "guards", "both")
    out: dict[str, list[Judged | None]] = {"": [again(True)]}
    for where, listed in ROWS.items():
        if listed.seen not in acting:
            continue
        value = value_of(where)
        for key in list(value) if isinstance(value, dict) else [""]:
            pair = out[f"{where} {key}".rstrip()] = []
            for factor in FACTORS:
                other = changed(value[key] if key else value, factor, listed.how)
                with patched(where, value | {key: other} if key else other):
                    try:
                        pair.append(again(listed.seen != "guards"))
                    except (ValueError, ArithmeticError):
                        pair.append(None)
    return out


@functools.cache
def constants() -> dict[str, tuple[str, str]]:
    """Value as written, and docstring, of each constant ``module.NAME`` of `quantize.null`."""
    out: dict[str, tuple[str, str]] = {}
    for path in sorted(NULL.glob("[a-z]*.py")):
        body = ast.parse(path.read_text(encoding="utf-8")).body
        for node, after in itertools.pairwise([*body, ast.Pass()]):
            if not isinstance(node, ast.Assign | ast.AnnAssign):
                continue
            target = node.target if isinstance(node, ast.AnnAssign) else node.targets[0]
            pairs = [(target, node.value)]
            if isinstance(target, ast.Tuple):
                pairs = zip(target.elts, node.value.elts, strict=True)
            told = isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant)
            text = " ".join(after.value.value.split()) if told else ""
            for name, value in pairs:
                if isinstance(name, ast.Name) and name.id.isupper():
                    out[f"{path.stem}.{name.id}"] = (ast.unparse(value), text)
    return out


def _moved(rows: list[dict[str, Any]], label: str, i: int) -> str:
    """Median and largest move of the score, and verdicts that changed."""
    pairs = [(r["moves"][""][0], r["moves"][label][i]) for r in rows if label in r["moves"]]
    both = [(a, b) for a, b in pairs if b is not None]
    if not both:
        return "not measured" if not pairs else "refused"
    by = np.array([abs(b[0] - a[0]) if b[0] != a[0] else 0.0 for a, b in both])
    flips = sum(a[1] != b[1] for a, b in both)
    refused = f", {len(pairs) - len(both)} refused" if len(both) < len(pairs) else ""
    return f"{np.median(by):.2g} / {by.max():.2g} / {flips} of {len(both)}{refused}"


KINDS = {
    "Statistical choices": "choice",
    "Rules of the guards": "rule",
    "Beside the verdict": "aside",
}


def lines_of(rows: list[dict[str, Any]]) -> Iterator[str]:
    """The page."""
    listed, versions = constants(), sorted({each["version"] for each in rows})
    versions = versions or [f"{qz.__version__}, not measured yet,"]
    yield (
        f"Made by version {', '.join(versions)} of the package from {len(rows)} simulated samples: "
        "combs and data without steps of 8, 20 and 60 readings, and two histograms. Every cell has "
        "the median and the largest move of the score, in natural logarithm, and the verdicts that "
        "change, with the constant at half and at twice its value and the stored calibration as it "
        "is. Where a constant has several values all are changed; shares on a comb are changed by "
        "what is missing to one. For counts the move is that of ln p."
    )
    names = ("constant", "value", "what it does", "how it was chosen", "half", "twice")
    for title, kind in KINDS.items():
        yield from ("", f"## {title}", "", *head(*names))
        for where, told in ROWS.items():
            if told.kind == kind:
                value, text = listed[where]
                for label in _labels(rows, where):
                    name = f"`{where}`" + label.removeprefix(where)
                    by = (_moved(rows, label, i) for i in range(2))
                    yield row(name, value, told.does or text, told.why, *by)
    for title, numbers in (("Numerical", NUMERICAL), ("Definitions and names", DEFINED)):
        yield from ("", f"## {title}", "", ", ".join(f"`{name}`" for name in numbers) + ".")


def _labels(rows: list[dict[str, Any]], where: str) -> list[str]:
    """What was changed of a constant: its values by key, in the order of the first sample."""
    mine = [[k for k in each["moves"] if k.split(" ")[0] == where] for each in rows]
    first = mine[0] if mine else []
    return first or sorted({label for labels in mine for label in labels}) or [where]


@benchmark(
    "The constants of the test",
    Option("--keep", metavar="FILE", type=Path, default=KEPT, help="where samples are kept"),
    flag("--afresh", "drop finished work that was kept"),
    flag("--table", "the table of what is kept"),
)
def main(options: Any) -> Iterator[str]:
    """The lines of the page; a tiny run has one sample, which is not kept."""
    journal = Journal(None if options.tiny else options.keep, afresh=options.afresh)
    samples = [(case, 0) for case in COUNTS] + [(case, n) for n in SIZES for case in CASES]
    if options.tiny:
        samples = [(next(iter(CASES)), 8)]
    seen = {(each["case"], each["n"]) for each in journal.rows}
    for case, n in samples:
        if (case, n) not in seen and not options.table:
            found = {"case": case, "n": n, "version": qz.__version__, "moves": moves(case, n)}
            journal.add(found)
            print(f"{case}, n = {n}", file=sys.stderr, flush=True)
    yield from lines_of(journal.rows)
