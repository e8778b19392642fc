"""Counting coins by weighing sealed envelopes.

Invented data: each envelope weighs the same and holds a number of equal coins
that nobody knows. The offset is free, for the empty envelope has not been
weighed; the unit is the mass of one coin.
"""

import numpy as np

import quantize as qz

COIN, ENVELOPE, BALANCE = 4.6, 6.2, 0.15  # grams
rng = np.random.default_rng(12)
coins = rng.integers(0, 12, size=24)
masses = ENVELOPE + COIN * coins + rng.normal(0, BALANCE, size=coins.size)

found = qz.analyze(masses.round(1), (1.5, 15), offset="free", rng=1)
print(f"Verdict: {found.verdict}")
coin, error = found.unit, found.unit_err
print(f"One coin weighs {coin:.3f} g, standard uncertainty {error:.3f} g")

# With a free offset only differences are known: count from the lightest envelope.
counted = found.integers - found.integers.min()
print(f"Coins more than in the lightest envelope: {counted.tolist()}")
print(f"All right: {bool(np.all(counted == coins - coins.min()))}")
