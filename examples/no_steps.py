"""Readings of any size, precisely read: a page that rightly ends in "no steps".

The scatter of a reading is known (from repeats, say). Only so can a unit be
excluded: without it, a small unit could always hide in the scatter.
"""

import numpy as np

import quantize as qz

rng = np.random.default_rng(7)
values = rng.uniform(10, 60, size=40) + rng.normal(0, 0.3, size=40)
page = qz.Readings(values.round(2), sigma=0.3)

found = qz.analyze(page, (3, 20), rng=1)
print(f"Verdict: {found.verdict}")
for reason in found.reasons:
    print(f"  {reason}")
