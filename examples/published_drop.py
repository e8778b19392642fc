"""Thirteen published charges of one oil drop: the whole job on one page.

R. A. Millikan, Phys. Rev. 32:349 (1911); public domain.
"""

import quantize as qz

CHARGES = [  # 1e-10 esu
    19.66, 24.60, 29.62, 34.47, 39.38, 44.42, 49.41,
    53.91, 59.12, 63.68, 68.65, 78.34, 83.22,
]  # fmt: skip
COULOMBS_PER_ESU = 1 / (10 * 299_792_458)

found = qz.analyze(CHARGES, rng=1911)
print(found)

unit = found.unit * 1e-10 * COULOMBS_PER_ESU
error = found.unit_err * 1e-10 * COULOMBS_PER_ESU
print(f"\nIn coulombs: {unit:.4g}, give or take {error:.1g} from scatter alone.")
