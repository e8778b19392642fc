"""The views of plans in coulombs: what limits the uncertainty, what reaches a target, what next."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from quantize.charge.agreement import named
from quantize.null.power import SIMULATED
from quantize.null.verdict import STEPS
from quantize.show.view import Bullets, Column, Section, Table, View, printable

if TYPE_CHECKING:
    from quantize.charge.expected import NextStep
    from quantize.charge.target import TargetPlan

_SMALLEST = 0.005  # share of the variance below which an input is not listed
_MOST_GAINS = 8
_TOO_MANY = "no number of readings that was simulated shows steps in four runs of five"
_WORDS = {"unit": "readings with a voltage", "fall": "falls without field"}


def _percent(value: Any) -> str:
    return "" if math.isnan(value) else f"{100 * value:.2g} %"


def _known(value: Any) -> str:
    return "" if math.isnan(value) else f"{value:.0f}"


def _words(name: str) -> str:
    return printable(_WORDS.get(name, named(name)), 41)


_GAINS = (
    Column("measurement", "what is done", 59, "<", "  ", lambda words: printable(words, 59)),
    Column("relative", "expected", 9, gap=" ", form=lambda value: f"{100 * value:.3g} %"),
    Column("gain", "gain", 8, gap=" ", form=lambda value: f"{100 * value:.2g} %"),
)


def target_view(found: TargetPlan) -> View:
    """What limits the uncertainty in coulombs, what reaches the target, what stays on the scale."""
    return (Section("", [f"Unit in coulombs: {found._headline()}."]), *target_sections(found))


def target_sections(found: TargetPlan) -> View:
    """The same without a headline."""
    design = (
        f"{found.falls} falls without field and {found.repeats} readings of each of "
        f"{found.states} charge states, {found.spheres} sphere{'s' * (found.spheres > 1)}"
    )
    limits = Table(
        [
            Column("input", "what limits it", 41, "<", "  ", _words),
            Column("relative", "known to", 9, gap=" ", form=_percent),
            Column("share", "share", 7, gap=" ", form=lambda share: f"{100 * share:.0f} %"),
            Column("if_exact", "if exact", 9, gap=" ", form=_percent),
            Column("needed", "needed", 8, gap=" ", form=_percent),
        ],
        found.inputs[found.inputs["share"] >= _SMALLEST].to_dict("records"),
    )
    ways = Table(
        [
            Column("more_of", "more of", 18, "<", "  "),
            Column("falls", "falls", 6, form=_known),
            Column("states", "states", 7, form=_known),
            Column("repeats", "of each", 8, form=_known),
            Column("spheres", "spheres", 8, form=_known),
            Column("readings", "readings", 9, form=_known),
            Column("relative", "expected", 12, form=lambda v: _percent(v) or "out of reach"),
        ],
        found.ways.to_dict("records"),
    )
    return (
        Section(f"With {design}", [limits]),
        Section(f"The least that reaches {100 * found.target:g} %", [ways]),
        Section("One step more", [gains_table(found.gains)]),
        Section("", [Bullets([_steps(found), _scale(found), *found.notes])]),
    )


def gains_table(table: Any) -> Table:
    """What each step is expected to bring, the first few."""
    return Table(_GAINS, table.head(_MOST_GAINS).to_dict("records"))


def _steps(found: TargetPlan) -> str:
    setup, needed = found.setup, found.setup["readings_for_steps"]
    scatter = f"A reading scatters by {setup['sigma_over_unit']:.2f} units"
    if math.isnan(needed):
        return f"{scatter}: {_TOO_MANY}."
    each = f", {found.repeats} of each state," if found.repeats > 1 else ""
    read = found.states * found.repeats
    return (
        f"{scatter}: {needed:.0f} readings{each} show steps in four runs of five; these are {read}."
        f" {SIMULATED}"
    )


def _scale(found: TargetPlan) -> str:
    setup = found.setup
    moved = (
        f"In {setup['interval']:g} s the sphere falls {setup['fall']:.1f} divisions without "
        f"field, and one unit moves it by {setup['unit']:.1f} at {setup['voltage']:.0f} V, where "
        f"{setup['held']:.2g} units balance it"
    )
    if math.isnan(setup["largest"]):
        return f"{moved}; what stays on the scale is not known without its `length`."
    return f"{moved}; {setup['smallest']:.0f} to {setup['largest']:.0f} units stay on the scale."


def next_view(found: NextStep) -> View:
    """What to read next, and what everything else would bring."""
    needed = found.readings_for_steps
    steps = (
        f"At this scatter {_TOO_MANY}."
        if math.isnan(needed)
        else f"At this scatter {needed:.0f} readings, with states read as often as these, show "
        f"steps in four runs of five; {found.readings} are there. {SIMULATED}"
    )
    parts = (
        f"Of the {100 * found.relative:.3g} %, {100 * found.own:.2g} % are this sphere's own and "
        f"{100 * found.shared:.2g} % would be shared by another one (they add in square)."
    )
    # Where the verdict is open, that number does not count what the readings have shown.
    notes = [parts, *([steps] if found.verdict in (None, STEPS) else []), *found.notes]
    return (
        Section("", [found.sentence]),
        *([Section("What would settle it", [Bullets(list(found.advice))])] if found.advice else []),
        Section("What else would help", [gains_table(found.table)]),
        Section("", [Bullets(notes)]),
    )
