"""The setups that a bench allows, for a plan."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from quantize._support.errors import InputTypeError

if TYPE_CHECKING:
    from quantize.charge.planning import BenchPlan

_PRESS = 0.1  # s


def setups(apparatus: Any, diameters: Any, intervals: Any) -> BenchPlan:
    """The setups that a bench allows, best first."""
    from quantize.charge import Apparatus, Plates, Reticle, load_apparatus, plan_bench

    if isinstance(apparatus, (str, Path)):
        bench = load_apparatus(apparatus)
    elif isinstance(apparatus, Apparatus):
        bench = apparatus
    else:
        try:
            bench = Apparatus.of(apparatus)
        except (AttributeError, TypeError):
            raise InputTypeError(
                f"`apparatus` is {apparatus!r}; give a file, a mapping or an Apparatus."
            ) from None

    def need(name: str) -> float:
        return bench.need(name, purpose="a plan").value

    press = bench.get("watch.press")
    tried = [need("sphere.diameter")] if diameters is None else np.atleast_1d(diameters)
    return plan_bench(
        diameters=tried,
        intervals=np.atleast_1d(intervals),
        density=need("sphere.density"),
        plates=Plates(separation=need("plates.separation")),
        reticle=Reticle(
            division=need("reticle.division"),
            length=need("reticle.length"),
            step=step.value if (step := bench.get("reticle.step")) else 1.0,
            rounding=bench.word("reticle.rounding", "both ends"),
        ),
        press=_PRESS if press is None else press.value,
    )
