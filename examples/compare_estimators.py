"""Three estimators on 100 simulated students: how often is the unit right?

Each student has a page of 12 readings; there is a class for each scatter. Name a
file to draw the figure: python examples/compare_estimators.py figure.svg
"""

import sys

import quantize as qz
from quantize.show.plots.style import save_plot

ESTIMATORS = ["cosine score", "least squares", "mixture, sigma known"]
CLASS = {
    "n": 12,
    "sigma": [0.1, 0.2, 0.3],
    "integers": (-4, 4),
    "unit_range": (0.4, 2.5),
}

if __name__ == "__main__":  # two processes read this file again
    study = qz.compare_estimators(
        ESTIMATORS, CLASS, replicates=100, tolerance=0.07, rng=5, workers=2
    )
    print("Share of students with the right unit (within 7 %), by scatter/unit")
    for name, rows in study.table.groupby("estimator", sort=False):
        half_width = (rows["right_high"] - rows["right_low"]) / 2
        pairs = zip(rows["right"], half_width, strict=True)
        shares = [f"{share:.2f} ± {half:.2f}" for share, half in pairs]
        print(f"  {name:<22}" + "   ".join(shares))
    if len(sys.argv) > 1:
        save_plot(study.plot(against="sigma_over_unit"), sys.argv[1])
