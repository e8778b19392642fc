"""What the numbers of `quantize.null` that were set by hand do to scores and verdicts.

``python -m benchmarks.constants`` halves and doubles every statistical choice and every rule of the
guards, one at a time, and assesses the same simulated samples again. Samples are kept in
``--keep`` as they are done, and a second run goes on; ``--afresh`` begins anew, ``--table`` makes
the table of what is there, ``--write docs/tables`` writes it, ``--tiny`` takes one sample.
The stored calibration stays as it is: how far a score moves is measured, and verdicts that change
are an illustration.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import functools
import importlib
import json
import math
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

import quantize as qz
from benchmarks import tables
from benchmarks.constants_listed import DEFINED, NUMERICAL, ROWS
from quantize.comb.unit_range import unit_range_for
from quantize.model.mixture import model_of
from quantize.null import evidence, exclusion, guards, verdict
from quantize.studies.families import family

SEED = 91
SIZES = (8, 20, 60)
FACTORS = (0.5, 2.0)
KEEP = Path(__file__).parent / "results" / "constants.jsonl"
NULL = Path(guards.__file__).parent
Judged = tuple[float, str]


def _comb(spread: float, *, given: bool = False, **how: Any) -> Callable[..., Any]:
    """Whole numbers from -4 to 4, unit 1; perhaps one misread, rounded or with a free offset."""

    def draw(rng: np.random.Generator, n: int) -> tuple[qz.Readings, Any]:
        x = rng.integers(-4, 5, n) + how.get("start", 0.0) + spread * rng.normal(size=n)
        if how.get("misread"):
            x[0] *= 10
        if "step" in how:
            x = how["step"] * np.rint(x / how["step"])
        return qz.Readings(x, sigma=spread if given else None), how.get("offset", "zero")

    return draw


def _without(name: str, *, sigma: float | None = None) -> Callable[..., Any]:
    def draw(rng: np.random.Generator, n: int) -> tuple[qz.Readings, Any]:
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
    home, name = where.split(".")
    old = getattr(importlib.import_module(f"quantize.null.{home}"), name)
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
        limit = exclusion.excluded_units(fit)
        judged = verdict.judge(
            fit, findings, found.p_values, found, alpha=0.05, smooth_only=False, limit=limit
        )
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


def moves(case: str, n: int) -> dict[str, list[Judged | None]]:
    """Score and verdict as they are, and with every constant at half and at twice its value."""
    of_counts = case in COUNTS
    again = _of_counts(case) if of_counts else _of_readings(case, n)
    out: dict[str, list[Judged | None]] = {"": [again(True)]}
    for where, row in ROWS.items():
        if row.seen not in (("counts", "both") if of_counts else ("evidence", "guards", "both")):
            continue
        home, name = where.split(".")
        value = getattr(importlib.import_module(f"quantize.null.{home}"), name)
        keys = list(value) if isinstance(value, dict) else [""]
        for key in keys:
            label, pair = where + f" {key}".rstrip(), []
            for factor in FACTORS:
                other = changed(value[key] if key else value, factor, row.how)
                with patched(where, value | {key: other} if key else other):
                    try:
                        pair.append(again(row.seen != "guards"))
                    except (ValueError, ArithmeticError):
                        pair.append(None)
            out[label] = pair  # type: ignore[assignment]
    return out


def collect(samples: list[tuple[str, int]], keep: Path) -> list[dict[str, Any]]:
    """The moves of all samples; those that are kept are not made again."""
    done = [json.loads(line) for line in keep.read_text().splitlines()] if keep.exists() else []
    seen = {(row["case"], row["n"]) for row in done}
    keep.parent.mkdir(parents=True, exist_ok=True)
    for case, n in samples:
        if (case, n) not in seen:
            row = {"case": case, "n": n, "version": qz.__version__, "moves": moves(case, n)}
            done.append(row)
            with keep.open("a", encoding="utf-8") as sink:
                sink.write(json.dumps(row) + "\n")
            print(f"{case}, n = {n}", flush=True)
    return done


@functools.cache
def constants() -> dict[str, tuple[str, str]]:
    """Value as written, and docstring, of each constant ``module.NAME`` of `quantize.null`."""
    out: dict[str, tuple[str, str]] = {}
    for path in sorted(NULL.glob("[a-z]*.py")):
        last: list[str] = []
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
                text = " ".join(str(node.value.value).split())
                for where in last:
                    out[where] = (out[where][0], text)
            last = []
            targets = node.targets if isinstance(node, ast.Assign) else []
            if isinstance(node, ast.AnnAssign):
                targets = [node.target]
            names = [one for t in targets for one in (t.elts if isinstance(t, ast.Tuple) else [t])]
            for i, one in enumerate(names):
                if isinstance(one, ast.Name) and one.id.isupper():
                    value = node.value  # type: ignore[attr-defined]
                    part = value.elts[i] if len(names) > 1 else value
                    last.append(f"{path.stem}.{one.id}")
                    out[last[-1]] = (ast.unparse(part), "")
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


def lines_of(rows: list[dict[str, Any]]) -> list[str]:
    """The page."""
    listed, versions = constants(), sorted({row["version"] for row in rows})
    versions = versions or [f"{qz.__version__}, not measured yet,"]
    lines = [
        f"Made by version {', '.join(versions)} of the package from {len(rows)} simulated samples: "
        "combs and data without steps of 8, 20 and 60 readings, and two histograms. Every cell has "
        "the median and the largest move of the score, in natural logarithm, and the verdicts that "
        "change, with the constant at half and at twice its value and the stored calibration as it "
        "is. Where a constant has several values all are changed; shares on a comb are changed by "
        "what is missing to one. For counts the move is that of ln p.",
    ]
    for title, kind in (("Statistical choices", "choice"), ("Rules of the guards", "rule"),
                        ("Beside the verdict", "aside")):  # fmt: skip
        lines += ["", f"## {title}", "", "| constant | value | what it does | how it was chosen | "
                  "half | twice |", "|---|---|---|---|---|---|"]  # fmt: skip
        for where, row in ROWS.items():
            if row.kind != kind:
                continue
            value, text = listed[where]
            labels = [k for r in rows[:1] for k in r["moves"] if k.split(" ")[0] == where]
            labels = labels or sorted(
                {k for r in rows for k in r["moves"] if k.split(" ")[0] == where}
            )
            for label in labels or [where]:
                name = f"`{where}`" + label.removeprefix(where)
                does = row.does or text
                cells = " | ".join(_moved(rows, label, i) for i in range(2))
                lines.append(f"| {name} | {value} | {does} | {row.why} | {cells} |")
    for title, names in (("Numerical", NUMERICAL), ("Definitions and names", DEFINED)):
        lines += ["", f"## {title}", "", ", ".join(f"`{name}`" for name in names) + "."]
    return lines


def main(arguments: list[str] | None = None) -> None:
    """Measure, and print or write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true", help="one sample, not kept")
    parser.add_argument("--keep", metavar="FILE", type=Path, default=KEEP)
    parser.add_argument("--afresh", action="store_true", help="drop the samples that are kept")
    parser.add_argument("--table", action="store_true", help="the table of what is kept")
    parser.add_argument("--write", metavar="DIR", type=Path, help="write the table to this folder")
    options = parser.parse_args(arguments)
    if options.tiny:
        first = next(iter(CASES))
        rows = [{"case": first, "n": 8, "version": qz.__version__, "moves": moves(first, 8)}]
    else:
        if options.afresh:
            options.keep.unlink(missing_ok=True)
        samples = [(case, n) for n in SIZES for case in CASES]
        samples = [(case, 0) for case in COUNTS] + samples
        rows = collect([] if options.table else samples, options.keep)
    lines = lines_of(rows)
    print("\n".join(lines))
    tables.keep(options.write, "constants", "The constants of the test", lines)


if __name__ == "__main__":
    main()
