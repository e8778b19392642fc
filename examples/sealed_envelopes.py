"""Counting coins by weighing sealed envelopes.

Invented data: each envelope weighs the same and holds a number of equal coins that nobody knows.
The offset is free, for the empty envelope has not been weighed; the unit is the mass of one coin.
"""

import numpy as np

import quantize as qz

COIN, ENVELOPE, BALANCE = 4.6, 6.2, 0.15  # grams
rng = np.random.default_rng(12)
coins = rng.integers(0, 12, size=24)
masses = (ENVELOPE + COIN * coins + rng.normal(0, BALANCE, size=coins.size)).round(1)

found = qz.analyze(masses, (1.5, 15), offset="free", rng=1)
print(f"Verdict: {found.verdict}")
print(f"One coin weighs {found.unit:.3f} g, standard uncertainty {found.unit_err:.3f} g")

# With a free offset only differences are known: count from the lightest envelope.
counted = found.integers - found.integers.min()
print(f"Coins more than in the lightest envelope: {counted.tolist()}")
print(f"All right: {bool(np.all(counted == coins - coins.min()))}")
