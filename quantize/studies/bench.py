"""The setups that a bench allows, for a plan."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from quantize._support.errors import InputError, InputTypeError

if TYPE_CHECKING:
    from quantize.charge.apparatus import Apparatus
    from quantize.charge.planning import BenchPlan
    from quantize.charge.target import TargetPlan

_PRESS, _SPREAD = 0.1, 0.02  # s; of the diameters, where none is stated


def bench_of(apparatus: Any) -> Apparatus:
    """The bench in a file, a mapping or an Apparatus."""
    from quantize.charge import load_apparatus
    from quantize.charge.apparatus import Apparatus

    if isinstance(apparatus, (str, Path)):
        return load_apparatus(apparatus)
    if isinstance(apparatus, Apparatus):
        return apparatus
    try:
        return Apparatus.of(apparatus)
    except (AttributeError, TypeError):
        raise InputTypeError(
            f"`apparatus` is {apparatus!r}; give a file, a mapping or an Apparatus."
        ) from None


def in_coulombs(
    apparatus: Any, best: Mapping[Any, Any], design: Mapping[str, Any]
) -> tuple[TargetPlan | None, str | None]:
    """The plan in coulombs for the bench as it stands, or why there is none.

    What the bench leaves open is that of the best setup. With a target there must be one.
    """
    from quantize.charge import plan_target

    bench = bench_of(apparatus)
    if not bench.has("sphere.diameter"):
        bench = bench.changed(sphere__diameter=best["diameter"])
    open_ = {"held": ("plates.voltage", "units"), "interval": ("run.interval", "interval")}
    chosen = {name: best[of] for name, (entry, of) in open_.items() if not bench.has(entry)}
    given = {name: n for name, n in design.items() if n}
    if "repeats" in given:
        given["repeats"] = int(given["repeats"][0])
    try:
        return plan_target(bench, **given, **chosen), None
    except InputError as error:
        if "target" in given:
            raise
        return None, f"There is no plan in coulombs: {error}"


def setups(apparatus: Any, diameters: Any, intervals: Any) -> BenchPlan:
    """The setups that a bench allows, best first."""
    from quantize.charge import Air, Plates, Reticle, plan_bench

    bench = bench_of(apparatus)

    def need(name: str) -> float:
        return bench.need(name, purpose="a plan").value

    known = {name.partition(".")[2]: q for name, q in bench.quantities.items()}
    room = {name: known[name] for name in ("temperature", "pressure", "humidity") if name in known}
    spread = bench.get("sphere.diameter_spread") if bench.has("sphere.diameter") else None
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
        air=Air(**room),
        press=_PRESS if press is None else press.value,
        diameter_spread=_SPREAD if spread is None else spread.value / need("sphere.diameter"),
    )
