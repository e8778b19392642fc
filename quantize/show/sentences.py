"""The sentences of the report: a row worked by hand, the next step, a sentence to copy."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from quantize import __version__
from quantize.charge.stated import raised
from quantize.null.calibration import odds, share
from quantize.show import facts
from quantize.show.numbers import brackets, rounded, significant
from quantize.show.view import clean

if TYPE_CHECKING:
    import pandas as pd

    from quantize.analysis import Analysis
    from quantize.charge import Run

_BENCH = {
    "unit": "take more readings, best of large charges",
    "fall": "time more falls without field, some in every charge state",
    "fall.divisions": "time more falls without field, some in every charge state",
    "sphere.weight": "have the weight or the diameter of this batch certified more closely, or use "
    "a route that takes the size of the sphere from its fall",
    "sphere.diameter": "have the diameter of this batch certified more closely",
    "sphere.diameter_spread": "find the size of this very sphere, as from the speed of its fall",
    "plates.separation": "measure the distance between the plates again at several places, with "
    "the supply off and the plates discharged",
    "plates.voltage": "find the balance again several times in the run and read the voltage with a "
    "calibrated meter",
    "reticle.division": "calibrate the scale against a stage micrometer over its whole length",
    "watch.press": "time automatically or over longer intervals",
    "air.temperature": "read the temperature close to the cell during the run",
}
"""What to do at the bench about an input of the budget."""


_WEIGHT = {
    "joint fit": ", as it follows from all inputs together",
    "ratio, weight from diameter": ", which follows from its diameter and density",
    "fall and rise, radius from the fall": ", which follows from the size that falls so fast",
}


def worked_row(found: Analysis) -> list[str]:
    """One reading taken through the arithmetic with the reader's own numbers."""
    rows = facts.levels(found)
    if not (facts.stands(found) and facts.readable(rows)):
        return []
    row = rows[int(np.argsort([row.value for row in rows])[len(rows) // 2])]
    form = facts.form(found)
    unit = rounded(found.unit, found.unit_err)
    value, stated = (facts.amount(found, text) for text in (form(row.value), unit))
    above, start = form(row.value), ""
    if found.offset:
        above = f"({above} {'−' if found.offset > 0 else '+'} {significant(abs(found.offset), 4)})"
        start = f"Counted from {facts.amount(found, significant(found.offset, 4))}: "
    above, below = (f"({text})" if "×" in text else text for text in (above, unit))
    name = "State" if found.readings.state is not None else "Reading"
    mean = f", the mean of {row.count} readings," if row.count > 1 else ""
    cycles = (row.value - found.offset) / found.unit
    origin = f"{significant(found.offset, 4)} + " if found.offset else ""
    told = "is" if found.verdict == "steps" else "would, if there were steps, be"
    return [
        f"{name} {clean(row.label)} is {value}{mean} and the unit {told} {stated}.",
        f"{start}{above} / {below} = {cycles:.2f}; the nearest whole number is {row.integer}.",
        f"Back again: {origin}{row.integer} × {unit} = {form.finer(row.expected)}. The reading "
        f"differs from it by {form.finer(row.difference, '+')}, which is "
        f"{abs(row.difference / found.unit):.2f} of a unit. Without steps, differences of every "
        "size up to half a unit would be equally common.",
    ]


def worked_coulombs(found: Analysis, coulombs: Any) -> list[str]:
    """From the unit in divisions to coulombs, the numbers put in."""
    inputs = {row["input"]: row["value"] for row in coulombs.budget.to_dict("records")}
    unit = rounded(found.unit, found.unit_err)
    if not all(name in inputs for name in ("fall", "plates.separation", "plates.voltage")):
        return [
            f"{coulombs.way.capitalize()} a unit of {unit} divisions is "
            f"{brackets(coulombs.value, coulombs.standard_uncertainty, 'C')}."
        ]
    fall, gap, volts = (inputs[name] for name in ("fall", "plates.separation", "plates.voltage"))
    # Every route that has the fall holds u/F against weight times separation over voltage.
    held = coulombs.value * fall / found.unit
    weight = held * volts / gap
    lines = [
        f"Without field the sphere falls {fall:.4g} divisions in one interval under its weight of "
        f"{weight:.4g} N{_WEIGHT.get(coulombs.route, '')}. At {volts:.4g} V across "
        f"{1e3 * gap:.4g} mm, the charge that holds the "
        f"weight is {weight:.4g} × {gap:.4g} / {volts:.4g} = {held:.4g} C.",
        f"One unit moves the sphere by {unit} divisions, the weight by {fall:.4g}: the unit is "
        f"{unit} / {fall:.4g} × {held:.4g} C = {coulombs.value:.4g} C.",
    ]
    first = int(np.argmax(found.readings.measured))
    run: Run | None = getattr(found, "run", None)
    if run is not None and len(run.informative) == len(found.readings):
        row = run.informative.to_dict("records")[first]
        k = int(found.integers[first])
        lines.append(
            f"Row {row['row']} of the run moved {row['divisions']:+g} divisions in "
            f"{row['seconds']:g} s at {row['voltage']:g} V. With the fall added and the voltage "
            f"taken into account that is {found.readings.values[first]:.4g} divisions, or {k} "
            f"units: {k} × {coulombs.value:.4g} C = {k * coulombs.value:.3g} C."
        )
    return [raised(line) for line in lines]


def next_steps(found: Analysis, coulombs: Any = None) -> list[str]:
    """What to do at the bench next."""
    lines = list(found.advice)
    if found.verdict == "steps":
        lines.append(_largest(found))
    if coulombs is not None and found.verdict == "steps":
        lines.append(_weakest(coulombs.budget))
    if found.readings.state is None:
        lines.append(
            "Next time, read each charge twice before changing it, and note when it was changed: "
            "repeats show the scatter without assuming steps."
        )
    return lines


def next_step(found: Analysis, budget: pd.DataFrame | None = None) -> str:
    """The one thing to do next: what settles the verdict, or else what sharpens the unit."""
    if found.advice or found.verdict != "steps":
        return "".join(found.advice[:1])
    return _largest(found) if budget is None else _weakest(budget)


def _largest(found: Analysis) -> str:
    if found.mixture.posterior.prior.free:
        return (
            "The multiples may start anywhere, so that the size of the unit is pinned best by the "
            "readings farthest apart: repeat the smallest and the largest."
        )
    k = np.abs(found.integers)
    most, middle = int(k.max()), max(int(np.median(k)), 1)
    worth = f"{(most / middle) ** 2:.2g}"
    more = f": one at whole number {most} says about {worth} times as much as one at {middle}"
    return (
        f"The size of the unit is pinned best by readings far from zero{more * (most > middle)}, "
        "so repeat the largest."
    )


def _weakest(budget: pd.DataFrame) -> str:
    first = budget.sort_values("share", ascending=False).iloc[0]
    todo = _BENCH.get(first["input"], "get a better value of it")
    return (
        f"Of the uncertainty in coulombs, {share(float(first['share']))} comes from the "
        f"{input_name(first['input'])}: {todo}."
    )


def sentence_to_copy(found: Analysis, coulombs: Any = None) -> str:
    """One sentence that says what was found, fit to be quoted."""
    n = len(found.readings)
    tried = facts.amount(found, f"{found.unit_range.low:.4g} to {found.unit_range.high:.4g}")
    tail = f"units from {tried} were tried; quantize {__version__}, seed {found.seed['entropy']}"
    if found.verdict != "steps":
        head = facts.headline(found).rstrip(".")
        for start in ("These readings", "The readings"):
            head = head.replace(start, start.replace("readings", f"{n:,} readings"))
        return f"{head} (p = {significant(found.p_value, 2)}; {tail})."
    size = facts.size(found)
    if coulombs is not None:
        size += f", that is {brackets(coulombs.value, coulombs.standard_uncertainty, 'C')}"
    low, high = int(found.integers.min()), int(found.integers.max())
    against = ""
    if np.isfinite(found.log_bayes_factor_mixture):
        against = (
            ", the odds for steps against all kinds without steps in equal shares are "
            f"{odds(found.log_bayes_factor_mixture)}"
        )
    return (
        f"The {n:,} readings come in whole-number steps of {size} (standard uncertainty; 95 % set "
        f"{facts.set_in_words(found)}), with whole numbers from {low} to {high}; samples "
        f"without steps look as regular with p = {significant(found.p_value, 2)}{against}; {tail}."
    )


def input_name(name: str) -> str:
    """An input of the budget in words."""
    from quantize.charge.agreement import named

    own = {"unit": "unit in divisions", "fall": "divisions fallen without field"}
    return own.get(name) or named(name)
