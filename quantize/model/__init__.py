"""The mixture over integers with everything that a run contains: the general model."""

from __future__ import annotations

from typing import TYPE_CHECKING

_HOME = {"fit_two_units": "quantize.model.two_units"}

__all__ = list(_HOME)

if TYPE_CHECKING:
    from quantize.model.two_units import fit_two_units as fit_two_units
else:
    from quantize._support.lazy import lazily

    __getattr__, __dir__ = lazily(__name__, _HOME)
