"""A single-photon charge spectrum: pedestal and gain of a detector in weak light.

Invented data: flashes that release a Poisson number of electrons, a pedestal,
noise that grows with the number. The unit is the gain, the offset the pedestal.
"""

import numpy as np

import quantize as qz

GAIN, PEDESTAL = 7.3, 12.0  # channels
rng = np.random.default_rng(3)
electrons = rng.poisson(2.2, size=200)
noise = np.sqrt(0.5**2 + 0.4**2 * electrons)
charge = (PEDESTAL + GAIN * electrons + rng.normal(0, noise)).round(1)

found = qz.analyze(charge, (3, 20), offset="free", rng=1)
print(f"{len(charge)} invented flashes: {found.verdict}")
for reason in found.reasons:
    print(f"  {reason}")
gain, error = found.unit, found.unit_err
print(f"Gain {gain:.3f} channels, standard uncertainty {error:.3f}")

# The pedestal is known up to whole gains; it is the tooth of the lowest peak.
lowest = found.offset + found.unit * found.integers.min()
print(f"Pedestal {lowest:.2f} channels")
mean = float(np.mean(found.integers - found.integers.min()))
print(f"Mean number of electrons {mean:.2f}")
