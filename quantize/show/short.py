"""An analysis in about ten lines: for the command line, and the card in a notebook."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

from quantize._support.rendering import renderer
from quantize.analysis import Analysis
from quantize.charge.run_analysis import RunAnalysis
from quantize.charge.stated import counted, raised
from quantize.null.calibration import chance
from quantize.null.verdict import CANNOT_TELL
from quantize.show import facts
from quantize.show.numbers import brackets, probability, significant
from quantize.show.sentences import next_step
from quantize.show.view import Column, Section, Table, View, clean

if TYPE_CHECKING:
    from quantize.charge import DatedPlan
    from quantize.null.counts import CountAnalysis

_WORDS = ((0.001, "very strong"), (0.01, "strong"))
"""Limits of p below which the evidence is called so (common practice)."""
_LONGEST = 280  # letters of the sentence of a check
_DOUBTFUL = 0.95
"""Probability below which a whole number, or the unit itself, is worth a look."""


def short_view(
    found: Analysis | CountAnalysis,
    coulombs: Any = None,
    missing: str | None = None,
    plan: DatedPlan | None = None,
    *,
    more: str = "",
) -> View:
    """Verdict, unit, how sure, what to look at and to do next; `more` says where the rest is."""
    if not isinstance(found, Analysis):
        return tuple(renderer("view", found)(found))
    rows = short_rows(found, coulombs, missing)
    if plan is not None and isinstance(found, RunAnalysis):
        rows += [("plan", " ".join(plan.held_against(found, found.run)))]
    rows += [("in full", f"{more}; seed {found.seed['entropy']}")] if more else []
    return (Section(f"VERDICT: {found.verdict}", [facts.headline(found), _table(rows)]),)


def card(found: Analysis) -> View:
    """The same for a notebook, a run with its balance charge."""
    rows = short_rows(found)
    if isinstance(found, RunAnalysis):
        rows.append(("balance", found.balance_sentence))
    rows.append(("in full", "print(found) says everything, found.plot() draws it"))
    return (Section(found.verdict, [facts.headline(found), _table(rows)]),)


def _table(rows: list[tuple[str, str]]) -> Table:
    columns = (Column("name", width=12, side="<", gap="  "), Column("text", side="<"))
    return Table(columns, [{"name": name, "text": text} for name, text in rows])


def short_rows(
    found: Analysis, coulombs: Any = None, missing: str | None = None
) -> list[tuple[str, str]]:
    """What a reader wants to know first, as pairs of name and sentence."""
    coulombs = getattr(found, "coulombs", coulombs)
    put_right = found.fit.remarks if isinstance(found, RunAnalysis) else ()
    rows = [
        ("put right", " ".join(put_right)),
        ("unit", _unit(found)),
        ("in coulombs", _coulombs(found, coulombs, getattr(found, "missing", missing))),
        ("how sure", _sure(found)),
        ("look at", _look_at(found)),
        ("next", _next(found, coulombs)),
    ]
    return [(name, text) for name, text in rows if text]


def _next(found: Analysis, coulombs: Any) -> str:
    if isinstance(found, RunAnalysis) and not found.checks.sound:
        return "Settle that check first: what stands above rests on it."
    return next_step(found, getattr(coulombs, "budget", None))


def _unit(found: Analysis) -> str:
    if not facts.stands(found):
        return "none"
    stated = facts.size_short(found)
    if_so = "" if found.verdict == "steps" else " if there were steps"
    best, *others = facts.rivals(found, 2)
    held = float(found.alternatives["share"].iloc[0])
    doubt = f"; it holds {best['share']} of the probability" if held < _DOUBTFUL else ""
    for row in others if doubt else []:
        doubt += f", and {facts.amount(found, row['unit'])} holds {row['share']}"
    return f"{stated}{if_so}; in brackets its standard uncertainty{doubt}"


def _coulombs(found: Analysis, coulombs: Any, missing: str | None) -> str:
    if coulombs is None:
        return "" if missing is None else f"not stated: {missing}"
    stated = brackets(coulombs.value, coulombs.standard_uncertainty, "C")
    return f"{stated}{'' if found.verdict == 'steps' else ' if there were steps'}"


def _sure(found: Analysis) -> str:
    """How sure the verdict is, in words and one number."""
    p = significant(found.p_value, 2)
    if found.verdict == "steps":
        thin = found.log_bayes_factor < 0
        word = next((word for limit, word in _WORDS if found.p_value <= limit and not thin), "fair")
        return (
            f"{word} evidence: simulated data without steps look this regular in "
            f"{chance(found.p_value).replace('< 1', 'fewer than 1')} (p = {p})"
            f"{', but one explanation without steps does as well or better' if thin else ''}"
        )
    if found.no_unit_above is not None and found.verdict == "no steps":
        return (
            f"odds of at least 20 to 1 against every unit from {facts.excluded(found)}, each by "
            "itself"
        )
    return f"not sure either way (p = {p}). {raised(found.reasons[0])}"


def _look_at(found: Analysis) -> str:
    """The check that is worst, or else the reading that fits least."""
    sound = ""
    if isinstance(found, RunAnalysis):
        # What was put right stands in a row of its own.
        told = " ".join(found.fit.remarks)
        others = [check for check in found.checks.checks if check.sentence not in told]
        for level, word in (("bad", "not in order"), ("doubt", "doubtful")):
            checks = [check for check in others if check.level == level]
            if checks:
                more = f" ({len(checks) - 1} more {word})" if checks[1:] else ""
                said = textwrap.shorten(raised(checks[0].sentence), _LONGEST, placeholder=" …")
                return f"check {word}: {checks[0].name}: {said}{more}"
        sound = f"none of {'the other ' if told else ''}{len(others)} checks is out of order; "
    said = found.reasons[0] if found.verdict == CANNOT_TELL else ""
    warned = [f.sentence for f in found.findings if f.warns and not f.blocks]
    warned = [sentence for sentence in warned if sentence != said]
    if warned or not facts.stands(found):
        return "".join(warned[:1])
    rows = facts.levels(found)
    said = _least(found, rows) if facts.readable(rows) else facts.unreadable(found)
    return f"{sound}{said[0].lower() + said[1:] if sound else said}"


def _least(found: Analysis, rows: list[facts.Level]) -> str:
    """The reading or state whose whole number is in doubt, or that lies farthest from it."""
    form = facts.form(found)
    doubtful = min(rows, key=lambda row: row.probability)
    farthest = max(rows, key=lambda row: abs(row.difference))
    row = doubtful if doubtful.probability < _DOUBTFUL else farthest
    value = facts.amount(found, form(row.value))
    named = f"{facts.item(found)} {clean(row.label, longest=28)} ({value})"
    if row is doubtful and row.probability < _DOUBTFUL:
        return (
            f"the whole number of {named} is in doubt: {row.integer} with probability "
            f"{probability(row.probability)}"
        )
    usual = f"; the scatter is {significant(found.sigma / found.unit, 2)}"
    return (
        f"{named} lies farthest from its multiple, {counted(row.integer, 'unit')}: by "
        f"{abs(row.difference / found.unit):.2g} of a unit{usual if row.count == 1 else ''}"
    )
