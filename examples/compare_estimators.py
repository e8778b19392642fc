"""Three estimators on the same simulated pages: how often is the unit right?

Give the number of pages: python examples/compare_estimators.py 200
"""

import sys

import numpy as np

import quantize as qz

pages = int(sys.argv[1]) if len(sys.argv) > 1 else 40
READINGS, SCATTER, BAND = 12, 0.20, (0.4, 2.5)
rng = np.random.default_rng(5)
right = dict.fromkeys(("periodogram", "least squares", "mixture, sigma known"), 0)
for _ in range(pages):
    k = rng.integers(-4, 5, size=READINGS)
    page = k + rng.normal(0, SCATTER, size=READINGS)
    if np.ptp(page) < 2:
        continue
    units = {
        "periodogram": qz.periodogram(page, BAND).unit,
        "least squares": qz.fit_comb(page, BAND).unit,
        "mixture, sigma known": qz.fit_mixture(page, BAND, sigma_range=SCATTER).unit,
    }
    for name, unit in units.items():
        right[name] += abs(unit - 1) < 0.07

print(f"Right unit within 7 %, {pages} pages of {READINGS} readings, scatter {SCATTER} units")
for name, count in right.items():
    share = count / pages
    print(f"  {name:<24}{share:.2f} ± {np.sqrt(share * (1 - share) / pages):.2f}")
