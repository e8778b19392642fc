"""Pages with one planted fault: whether it is found, rightly named, and the unit right.

    python -m benchmarks.bench_faults                        20 pages a fault, 60 clean ones
    python -m benchmarks.bench_faults --tiny                 a smoke run
    python -m benchmarks.bench_faults --write docs/tables    also write the table

The pages come from the plain simulator of the tests, which shares no code with the package. One
row has the label of another state, the wrong sign, ten divisions too many or too few, or a charge
that changed within the interval by one unit; or the sphere loses 8 % of its weight from the first
row to the last. "As written" is the same page with every row taken as it stands.
"""

from __future__ import annotations

import argparse
import sys
import warnings
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.tables import keep
from quantize.charge import Run
from quantize.charge.faults import believed
from quantize.charge.levels import levels_of, steadied

sys.path.append(str(Path(__file__).resolve().parents[1] / "tests" / "helpers"))
from plain_bench import Bench, simulate

SEED = 1414
KINDS = ("label", "sign", "sign of a fall", "ten divisions", "changed charge", "drift of 8 %")
WORDS = {
    "label": "fits state",
    "sign": "reversing the sign",
    "sign of a fall": "reversing the sign",
    "ten divisions": "ten divisions",
    "changed charge": "lies apart",
}
"""What the sentence about each kind says."""
_WRONG = 0.05  # of the unit; further off it is another one


def page(kind: str, seed: int) -> tuple[Run, dict[str, Any], int]:
    """A page with its fault, the truth, and the number of the faulty row (0 for none)."""
    rng = np.random.default_rng([SEED, seed])
    rows, apparatus, truth = simulate(Bench(evaporated=0.08 * ("drift" in kind)), SEED + seed)
    driven = [v != 0 for v in rows["V"]]
    rising = [i for i, up in enumerate(driven) if up and abs(rows["divisions"][i]) > 3]
    i = int(rng.choice([i for i, up in enumerate(driven) if not up] if "fall" in kind else rising))
    if kind == "label":
        others = sorted(set(rows["state"]) - {rows["state"][i]})
        rows["state"][i] = str(rng.choice(others))
    elif kind.startswith("sign"):
        rows["divisions"][i] *= -1
    elif kind == "ten divisions":
        rows["divisions"][i] += 10.0 * rng.choice([-1, 1])
    elif kind == "changed charge":
        part = truth["unit"] * rng.choice([-1, 1]) * rng.random()
        rows["divisions"][i] = float(round(rows["divisions"][i] + part))
    else:
        i = -1
    return Run(rows, apparatus), truth, i + 1


def right(run: Run, truth: dict[str, Any], *, mend: bool) -> tuple[bool, bool]:
    """Whether the unit is right, and whether its 95 % hold it."""
    fit = run.fit(mend=mend)
    low_high = fit.interval(0.95)
    held = any(low <= truth["unit"] <= high for low, high in low_high)
    return abs(fit.unit / truth["unit"] - 1) <= _WRONG, held


def planted(kind: str, n: int) -> str:
    """One row of the table."""
    found = named = unit = held = before = 0
    for seed in range(n):
        run, truth, row = page(kind, seed)
        if row:
            faults = believed(run)[1]
            mine = [fault for fault in faults if fault.row == row]
            found += bool(mine)
            named += any(WORDS[kind] in fault.sentence.lower() for fault in mine)
        else:
            line = steadied(run, levels_of(run)).drift is not None
            found, named = found + line, named + line
        one, inside = right(run, truth, mend=True)
        unit, held = unit + one, held + inside
        before += right(run, truth, mend=False)[0]
    return f"| {kind} | {n} | {found} | {named} | {unit} | {held} | {before} |"


def clean(n: int) -> tuple[int, int]:
    """Clean pages on which a row is called wrong, and on which the fall is taken as a line."""
    faults = lines = 0
    for seed in range(n):
        run = page("clean", 10_000 + seed)[0]
        faults += bool(believed(run)[1])
        lines += steadied(run, levels_of(run)).drift is not None
    return faults, lines


def main(arguments: list[str] | None = None) -> None:
    """Print a table, and write it when asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true")
    parser.add_argument("--pages", type=int, default=20)
    parser.add_argument("--clean", type=int, default=60)
    parser.add_argument("--write", metavar="DIR", type=Path)
    options = parser.parse_args(arguments)
    n, of = (1, 2) if options.tiny else (options.pages, options.clean)
    kinds = KINDS[:1] if options.tiny else KINDS
    lines = [
        "Pages of 40 rows with one fault each: on how many it is found, the sentence says what it "
        "is, the unit is",
        "right within 5 %, its 95 % set holds the truth, and the unit is right with every row "
        "taken as written.",
        "",
        "| fault | pages | found | named | unit right | holds it | right as written |",
        "|---|---|---|---|---|---|---|",
    ]
    warnings.simplefilter("ignore")
    for kind in kinds:
        lines.append(planted(kind, n))
        print(lines[-1], flush=True)
        keep(options.write, "bench_faults", "Planted faults", lines)
    faults, along = clean(of)
    lines += ["", f"On {of} clean pages a row is called wrong on {faults}, and the fall is "]
    lines[-1] += f"taken as a line in time on {along}."
    print(lines[-1])
    keep(options.write, "bench_faults", "Planted faults", lines)


if __name__ == "__main__":
    main()
