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
}

__all__ = list(_HOME)

if TYPE_CHECKING:
    from quantize.charge.apparatus import Apparatus as Apparatus
    from quantize.charge.apparatus import load_apparatus as load_apparatus
    from quantize.charge.quantity import Quantity as Quantity
else:

    def __getattr__(name: str) -> object:
        if name not in _HOME:
            raise AttributeError(f"module 'quantize.charge' has no attribute {name!r}")
        value = getattr(importlib.import_module(_HOME[name]), name)
        globals()[name] = value
        return value

    def __dir__() -> list[str]:
        return sorted(set(globals()) | set(__all__))
