"""From divisions to coulombs.

Names load on first use, so that importing the package costs nothing.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

_HOME = {
    "Quantity": "quantize.charge.quantity",
    "Apparatus": "quantize.charge.apparatus",
    "load_apparatus": "quantize.charge.apparatus",
    "Air": "quantize.charge.air",
    "SlipCorrection": "quantize.charge.slip",
    "Sphere": "quantize.charge.sphere",
    "Plates": "quantize.charge.plates",
    "Reticle": "quantize.charge.reticle",
    "Run": "quantize.charge.run",
    "read_run": "quantize.charge.run",
    "UnitInCoulombs": "quantize.charge.coulombs",
    "unit_in_coulombs": "quantize.charge.coulombs",
    "convert_run": "quantize.charge.conversion",
}

__all__ = list(_HOME)

if TYPE_CHECKING:
    from quantize.charge.air import Air as Air
    from quantize.charge.apparatus import Apparatus as Apparatus
    from quantize.charge.apparatus import load_apparatus as load_apparatus
    from quantize.charge.conversion import convert_run as convert_run
    from quantize.charge.coulombs import UnitInCoulombs as UnitInCoulombs
    from quantize.charge.coulombs import unit_in_coulombs as unit_in_coulombs
    from quantize.charge.plates import Plates as Plates
    from quantize.charge.quantity import Quantity as Quantity
    from quantize.charge.reticle import Reticle as Reticle
    from quantize.charge.run import Run as Run
    from quantize.charge.run import read_run as read_run
    from quantize.charge.slip import SlipCorrection as SlipCorrection
    from quantize.charge.sphere import Sphere as Sphere
else:

    def __getattr__(name: str) -> object:
        if name not in _HOME:
            raise AttributeError(f"module 'quantize.charge' has no attribute {name!r}")
        value = getattr(importlib.import_module(_HOME[name]), name)
        globals()[name] = value
        return value

    def __dir__() -> list[str]:
        return sorted(set(globals()) | set(__all__))
