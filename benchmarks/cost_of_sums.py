"""What it costs to guard against sums of two units: power against the false "steps" allowed there.

``python -m benchmarks.cost_of_sums`` takes the samples that `benchmarks.calibrate` drew and kept,
and searches the weights of the kinds of null several times: every family without steps keeps 5 %,
but the sums of two units with coefficients up to three are allowed more, from 5 % to all. It prints
the power on each comb of the calibration beside the share of "steps" among those sums. ``--write
docs/tables`` writes the table, ``--tiny`` draws a few samples of its own.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

from benchmarks import calibrate, tables
from quantize._support.validation import FloatArray
from quantize.null.calibration import mode

SUMS = "sums of two units, up to three"
ALLOWED = (0.05, 0.10, 0.20, 1.0)
"""Of the sums up to three that may be called steps; one says that nothing guards against them."""


def called_steps(rows: FloatArray, log_weights: FloatArray) -> float:
    """Share of the samples with a score above zero."""
    return float(np.mean(calibrate.scores(rows, log_weights) > 0))


def table(drawn: calibrate.Drawn, **search: int) -> list[str]:
    """The lines of the page; `search` is for the search of weights."""
    plain = mode(sigma_known=False, free=False)
    lines = [
        "Families and combs of the calibration, offset zero, sigma unknown, scores before the"
        " guards; every family but the sums up to three keeps 5 %.",
    ]
    for n, training in calibrate.TRAINING.items():
        of_size = {key: kept for key, kept in drawn.items() if key[0] == plain and key[3] == n}
        nulls = {k[2]: calibrate.ratios(v) for k, v in of_size.items() if k[1] != "comb" and v}
        combs = {k[2]: calibrate.ratios(v) for k, v in of_size.items() if k[1] == "comb" and v}
        if SUMS not in nulls or not combs:
            continue
        names = [f"{whole.__name__.strip('_')}, {spread:g}" for whole, spread in training]
        shown = [names[int(label)] for label in combs]
        lines += ["", f"## {n} readings", "", f"| allowed | sums | {' | '.join(shown)} |"]
        lines += ["|---|" + "---|" * (len(shown) + 1)]
        for allowed in ALLOWED:
            levels = [allowed if label == SUMS else calibrate.LEVEL for label in nulls]
            weights = calibrate.search_weights(
                list(nulls.values()), list(combs.values()), calibrate.SEED + n, levels, **search
            )
            power = [called_steps(rows, weights) for rows in combs.values()]
            row = [allowed, called_steps(nulls[SUMS], weights), *power]
            lines.append("| " + " | ".join(f"{share:.2f}" for share in row) + " |")
    return lines


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--write", metavar="DIR", type=Path, help="write the table to this folder")
    parser.add_argument("--tiny", action="store_true", help="a few samples; nothing is kept")
    options = parser.parse_args()
    if options.tiny:
        drawn = calibrate.few(mode(sigma_known=False, free=False))
        print("\n".join(table(drawn, **calibrate.FEW)))
        return
    lines = table(calibrate.draw(0, calibrate.KEPT, 1))
    print("\n".join(lines))
    tables.keep(
        options.write, "cost_of_sums", "What guarding against sums of two units costs", lines
    )


if __name__ == "__main__":
    main()
