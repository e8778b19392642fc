"""Checks of the sphere between its plates: stuck pairs, Stokes' law, walls and images."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING

import numpy as np

from quantize._support.errors import InputError
from quantize.charge import air, drag, plates
from quantize.charge.coulombs import by_route
from quantize.charge.drag import STANDARD_GRAVITY
from quantize.charge.noise import ROOM, mobility_of
from quantize.charge.propagation import Propagation
from quantize.charge.quantity import Quantity
from quantize.charge.routes import ROUTES, Divisions
from quantize.charge.soundness import Check, unknown

if TYPE_CHECKING:
    from quantize.charge.rows import Rows as Run

_LARGEST_REYNOLDS = 0.1
_BESIDE = 0.25  # of the other uncertainties; added in square, it makes 3 % more of them
_PLATES = "the plates are far away"


def size_from_fall(run: Run) -> list[Check]:
    """Diameter that the fall implies against the maker's: stuck pairs, radius for diameter."""
    name = "one sphere, of the size stated"
    fall, bench = run.fall_on_record(), run.apparatus
    wanted = ("reticle.division", "sphere.diameter", "sphere.density")
    if fall is None or bench is None or not bench.has(*wanted):
        return [unknown(name, "fall, scale, diameter and density are needed to compare sizes.")]
    speed = fall.value * bench.need("reticle.division").value / run.interval
    diameter, density = bench.need("sphere.diameter"), bench.need("sphere.density")
    expected = mobility_of(bench) * drag.effective_weight(
        diameter.value, density.value - 1.2, STANDARD_GRAVITY
    )
    ratio = speed / expected
    spread = bench.spread_about("sphere.diameter")
    relative = 2 * math.hypot(
        diameter.relative, (spread.standard_uncertainty if spread else 0.0) / diameter.value
    )
    tolerance = max(3 * math.hypot(relative, fall.relative), 0.05)
    sentence = f"the sphere falls {ratio:.2f} times as fast as its stated size and density imply"
    level, hint = "good", ""
    if abs(ratio - 1) > tolerance:
        level, hint = "doubt", _size_hint(ratio)
    t = bench.get("air.temperature")
    viscosity = float(air.viscosity(t.value if t else ROOM))
    number = float(drag.reynolds(diameter.value, speed, viscosity, 1.2))
    return [
        Check(name=name, level=level, number=ratio, sentence=sentence + hint + "."),
        Check(
            name="slow enough for Stokes' law",
            level="good" if number < _LARGEST_REYNOLDS else "bad",
            number=number,
            sentence=(
                f"the Reynolds number of the fall is {number:.1e}"
                + (
                    ", as slow as Stokes' law wants it."
                    if number < _LARGEST_REYNOLDS
                    else ", too large for Stokes' law: use smaller spheres."
                )
            ),
        ),
    ]


def _size_hint(ratio: float) -> str:
    if 1.3 < ratio < 1.6:
        return (
            "; two spheres stuck together fall 1.4 to 1.5 times as fast with twice the weight, "
            "and give half the unit"
        )
    for factor, words in (
        (4.0, "a radius was given where the diameter belongs, or the scale is half as fine"),
        (0.25, "a diameter was given twice as large as it is"),
        (10.0, "a factor of ten has slipped into the scale or the time"),
        (0.1, "a factor of ten has slipped into the scale or the time"),
        (1000.0, "millimetres stand where micrometres belong, or metres where millimetres"),
        (0.001, "micrometres stand where millimetres belong"),
    ):
        if abs(math.log(ratio / factor)) < 0.25:
            return f", about {factor:g} times: perhaps {words}"
    return "; look at scale, interval, diameter and density"


def plates_far_away(run: Run) -> list[Check]:
    """Drag of the plates and pull of the image charge, beside the other uncertainties."""
    bench, fall = run.apparatus, run.fall_on_record()
    if bench is None or not bench.has("sphere.diameter", "plates.separation"):
        return []
    d, gap = bench.need("sphere.diameter").value, bench.need("plates.separation").value
    slowed = float(plates.slowing(d, gap))
    found = _budgets(run, fall)
    parts = [
        f"plates {gap * 1e3:.3g} mm apart slow a sphere of {d * 1e6:.3g} µm midway by "
        f"{100 * slowed:.2g} % (1.45 times its radius over half their distance)"
    ]
    doubts: dict[float, str] = {}
    # Drag enters a charge as viscosity does.
    moved = {name: slowed * _viscosity_exponent(p) for name, p in found.items()}
    if any(moved.values()):
        worst = max(moved, key=lambda name: moved[name] / _relative(found[name]))
        parts.append(f"which makes the charge by '{worst}' too small by {100 * moved[worst]:.2g} %")
        doubts[moved[worst] / _relative(found[worst])] = f"{100 * _relative(found[worst]):.2g} %"
    elif found:
        parts.append("which cancels in the ratio of unit and fall")
    pulled = _image_share(run, fall)
    if pulled is not None and found:
        least = min(_relative(p) for p in found.values())
        parts.append(f"and the image in one plate pulls with {pulled:.1g} of the weight")
        doubts[pulled / least] = f"{100 * least:.2g} %"
    if not doubts:
        return [Check(name=_PLATES, level="good", number=slowed, sentence=", ".join(parts) + ".")]
    small = max(doubts) < _BESIDE
    beside = f"negligible beside the {doubts[max(doubts)]} of everything else"
    end = beside if small else f"NOT {beside}; take a smaller sphere, or plates further apart"
    return [
        Check(
            name=_PLATES,
            level="good" if small else "doubt",
            number=slowed,
            sentence=f"{', '.join(parts)}: {end}.",
        )
    ]


def _budgets(run: Run, fall: Quantity | None) -> dict[str, Propagation]:
    """Every route that the bench allows, for a unit without error."""
    assert run.apparatus is not None
    bench = run.apparatus
    if not bench.has("plates.voltage") and run.reference_voltage is not None:
        bench = bench.changed(plates__voltage=run.reference_voltage)
    told = Divisions(
        unit=Quantity(value=1.0, unit="div"),
        fall=None if fall is None else dataclasses.replace(fall, degrees_of_freedom=math.inf),
        interval=Quantity(value=run.interval, scope="session", unit="s"),
        gate=run.gate,
    )
    found = {}
    for name in ROUTES:
        try:
            found[name] = by_route(name, bench, told)
        except InputError:
            continue
    return found


def _viscosity_exponent(found: Propagation) -> float:
    rows = found.budget[found.budget["input"].isin(["viscosity formula", "air.viscosity"])]
    return float(rows["exponent"].sum())


def _relative(found: Propagation) -> float:
    return max(found.standard_uncertainty / found.value, 1e-12)


def _image_share(run: Run, fall: Quantity | None) -> float | None:
    """Pull of the image of the largest charge on the page, over the weight."""
    bench, volts = run.apparatus, run.reference_voltage
    if bench is None or fall is None or not volts:
        return None
    weight, density = bench.get("sphere.weight"), bench.get("sphere.density")
    if weight is not None:
        newtons = weight.value
    elif density is not None:
        diameter = bench.need("sphere.diameter").value
        newtons = float(drag.effective_weight(diameter, density.value - 1.2, STANDARD_GRAVITY))
    else:
        return None
    gap = bench.need("plates.separation").value
    largest = float(np.abs(run.joined()[0]).max(initial=fall.value)) / fall.value
    return float(plates.image_pull(largest * newtons * gap / volts, gap)) / newtons
