"""What a plan is asked about: repeats, readings at hand, a bench."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError, InputTypeError
from quantize.readings import Readings, as_readings

if TYPE_CHECKING:
    from quantize.charge.planning import BenchPlan

REPEATS = (1, 2, 4)
"""Readings of each state that are compared where nothing else is asked for."""
_FEWEST_DEGREES = 3
_PRESS = 0.1  # s


def repeats_of(given: Any) -> tuple[int, ...]:
    """Numbers of repeats; none where nothing was said."""
    if given is None:
        return ()
    counts = tuple(validation.count("repeats", m) for m in np.atleast_1d(given).tolist())
    if not counts:
        raise InputError("`repeats` is an empty list; give at least one number.")
    return counts


def at_hand(readings: Any, sigma: Any) -> tuple[int, float, tuple[int, ...]]:
    """Number, sigma and repeats of the readings at hand."""
    own = None if sigma is None else validation.positive("sigma", sigma)
    if np.ndim(readings) == 0 and not isinstance(readings, Readings):
        if own is None:
            raise InputError("`sigma` is missing; a number of readings alone shows no unit.")
        return validation.count("readings", readings), own, REPEATS
    page = as_readings(readings)
    levels = page.levels()
    if own is None and page.sigma is not None:
        own = float(np.median(page.sigma))
    if own is None:
        if levels.degrees < _FEWEST_DEGREES:
            raise InputError(
                "`sigma` is missing, and the readings do not tell it; give it, or label the states "
                "of readings that were repeated."
            )
        own = float(np.sqrt(levels.scatter / levels.degrees))
    repeats = max(round(len(page) / levels.mean.size), 1)
    return len(page), own, (min(REPEATS, key=lambda m: abs(m - repeats)),)


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
