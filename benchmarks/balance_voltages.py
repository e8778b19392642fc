"""Balance voltages alone: verdicts, units and coverage on simulated pages of known truth.

Run with ``python -m benchmarks.balance_voltages``; ``--write docs/tables`` writes the table, and
``--keep FILE`` keeps finished cells and goes on from them. Ten states are balanced twice each by a
hand that scatters by a share of the voltage of ten charges; the pages without steps have charges of
any size between two and nine units. Seeds are those of the cells.
"""

from __future__ import annotations

import argparse
import json
import math
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.tables import keep
from quantize.charge import BalanceVoltages

STATES, REPEATS, UNIT = 10, 2, 0.8  # per kilovolt
SCATTERS = (0.5, 1.5, 3.0)  # volts, beside 250 V for five charges
KNOWN = ("stated", "from repeats", "averaged")


def page(scatter: float, steps: bool, seed: int) -> dict[str, Any]:
    """Voltages of one simulated page."""
    rng = np.random.default_rng([seed, int(10 * scatter), steps])
    size = rng.integers(2, 10, STATES) if steps else rng.uniform(2, 9, STATES)
    states = np.repeat(np.arange(STATES), REPEATS)
    volts = 1e3 / (UNIT * size[states]) + scatter * rng.standard_normal(states.size)
    return {"state": states, "V": volts.round(1)}


def judged(scatter: float, known: str, steps: bool, seed: int) -> tuple[bool, bool, bool]:
    """Whether the verdict was steps, the unit right, and whether its interval holds the truth."""
    given: dict[str, Any] = {"stated": {"setting": scatter}, "averaged": {"repeats": "averaged"}}
    found = BalanceVoltages(page(scatter, steps, seed)).analyze(
        n_resamples=19, rng=seed, **given.get(known, {})
    )
    held = any(low <= UNIT <= high for low, high in found.interval(0.95))
    return found.verdict == "steps", abs(math.log(found.unit / UNIT)) < 0.05, held


def main(arguments: list[str] | None = None) -> None:
    """Measure, and print or write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true", help="one page a cell, one scatter")
    parser.add_argument("--replicates", type=int, default=40, help="pages in each cell")
    parser.add_argument("--scatter", type=float, nargs="+", default=SCATTERS, help="in volts")
    parser.add_argument("--keep", metavar="FILE", type=Path, help="finished cells, gone on from")
    parser.add_argument("--write", metavar="DIR", type=Path, help="write the table to this folder")
    options = parser.parse_args(arguments)
    pages = 1 if options.tiny else options.replicates
    done = json.loads(options.keep.read_text()) if options.keep and options.keep.exists() else {}
    lines = [
        f"{STATES} states, {REPEATS} settings each, {pages} pages a cell; in brackets how many.",
        "",
        "| scatter of a setting | how it is known | steps said where there are | right unit | "
        "interval of 95 % holds | steps said where there are none |",
        "|---|---|---|---|---|---|",
    ]
    for scatter in SCATTERS[1:2] if options.tiny else options.scatter:
        for known in KNOWN:
            name = f"{scatter} {known} {pages}"
            if name not in done:
                with_steps = [judged(scatter, known, True, seed) for seed in range(pages)]
                without = [judged(scatter, known, False, seed)[0] for seed in range(pages)]
                done[name] = [*np.sum(with_steps, axis=0).tolist(), int(np.sum(without))]
                if options.keep:
                    options.keep.write_text(json.dumps(done))
            shares = " | ".join(f"{n / pages:.2f} ({n})" for n in done[name])
            lines.append(f"| {scatter} V | {known} | {shares} |")
            print(lines[-1], flush=True)
    keep(options.write, "balance_voltages", "Balance voltages alone", lines)


if __name__ == "__main__":
    main()
