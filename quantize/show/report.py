"""The report: one self-contained page for a student to hand in and a sceptic to read."""

from __future__ import annotations

import datetime
import os
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quantize._support.errors import InputError
from quantize._support.writing import check_apart, check_target, write_whole
from quantize.charge.balances import BalanceAnalysis
from quantize.charge.run_analysis import RunAnalysis, with_run
from quantize.charge.stated import degrees_of_freedom, raised
from quantize.null.calibration import share
from quantize.show import facts, numbers, sentences
from quantize.show.analysis import NO_RIVAL, RIVALS, unfitting
from quantize.show.glossary import glossary
from quantize.show.html import inline_svg, report_blocks, told
from quantize.show.numbers import brackets, plus_minus, probability, significant
from quantize.show.pages import of_balances
from quantize.show.plots.style import new_axes, picture
from quantize.show.run import BALANCE, SOUND, cautions, conditional
from quantize.show.short import short_rows
from quantize.show.view import Block, Bullets, Column, Section, Table, clean, folded, pairs

if TYPE_CHECKING:
    from quantize.analysis import Analysis
    from quantize.charge import DatedPlan
    from quantize.charge.rows import Rows

TITLE = "Do these readings come in steps?"
_MOST_CHECKS = 40
_SMALL = 0.01  # share of the variance below which an input has no line of its own
_MARKS = {"good": "in order", "doubt": "doubtful", "bad": "not in order", "unknown": "not known"}


def write_report(
    found: Analysis,
    path: str | os.PathLike[str],
    *,
    run: Rows | None = None,
    coulombs: Any = None,
    missing: str | None = None,
    source: str | None = None,
    plan: DatedPlan | None = None,
    title: str = TITLE,
    author: str | None = None,
    date: str | datetime.date | None = None,
    note: str | None = None,
) -> Path:
    """Write the report of an analysis as one HTML file.

    Parameters
    ----------
    found : Analysis
        The analysis to report.
    path : str or path-like
        The file to write; an existing one is replaced, whole or not at all, but never one that
        was read.
    run : Run, optional
        The run behind the readings, where `found` is not from `Run.analyze`: adds the checks, the
        coulombs and the cautions, and the error of the fall to every number.
    coulombs : UnitInCoulombs, optional
        The unit in coulombs without a run; with one, its route is the one that is taken.
    missing : str, optional
        Why there is no unit in coulombs, where there is none.
    source : str, optional
        The file that the readings came from, of which the page shows the name; if left out, the
        one that they were read from.
    plan : DatedPlan, optional
        What was promised beforehand: the page says where analysis and `run` departed from it.
    title : str
        The heading of the page.
    author, note : str, optional
        Who hands it in, and a remark below the heading.
    date : str or datetime.date, optional
        The date below the heading; none is put there by itself.

    Returns
    -------
    Path
        The file that was written.

    Raises
    ------
    InputError
        When the path is a folder or cannot be written.
    """
    target = check_target(path, name="path")
    origin = found.readings.origin
    read = None if origin is None else origin.file
    check_apart({"path": path}, {"source": source, "readings": read})
    page = report_html(
        found,
        run=run,
        coulombs=coulombs,
        missing=missing,
        source=source or read,
        plan=plan,
        title=title,
        author=author,
        date=date,
        note=note,
    )
    return write_whole(target, page.encode("utf-8"), name="path")


def report_html(
    found: Analysis,
    *,
    run: Rows | None = None,
    coulombs: Any = None,
    missing: str | None = None,
    source: str | None = None,
    plan: DatedPlan | None = None,
    title: str = TITLE,
    author: str | None = None,
    date: str | datetime.date | None = None,
    note: str | None = None,
) -> str:
    """The page as text; see `write_report`."""
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    if run is not None:
        found = with_run(found, run)
    if isinstance(found, RunAnalysis):
        found = found if coulombs is None else found.by_route(coulombs.route)
        run, coulombs, missing = found.run, found.coulombs, found.missing
    environment = Environment(
        loader=PackageLoader("quantize.show"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=lambda value: Markup(told(value)) if type(value) is str else value,
    )
    environment.filters["blocks"] = lambda section: Markup(report_blocks(section))
    template = environment.get_template("report.html")
    # Unit and coulombs stand above the answer, in large letters.
    large = ("unit",) if coulombs is None else ("unit", "in coulombs")
    context = {
        "found": found,
        "facts": facts,
        "numbers": numbers,
        "source": clean(_name_of_file(source)) if source else None,
        **_handed_in(title=title, author=author, date=date, note=note),
        "answer": [row for row in short_rows(found, coulombs, missing) if row[0] not in large],
        "read_from": clean(found.readings.origin, longest=300) if found.readings.origin else None,
        "missing": missing,
        **_unit_in_coulombs(found, coulombs),
        **_pictures(found, run),
        "sections": {
            **_of_analysis(found, coulombs),
            **(_of_run(found, plan) if isinstance(found, RunAnalysis) else {}),
            **({} if coulombs is None else _of_coulombs(coulombs, found.verdict)),
            **(of_balances(found) if isinstance(found, BalanceAnalysis) else {}),
        },
    }
    # The glossary explains what the page says, so the page is made first without it.
    body = template.render(context | {"glossary": []})
    return template.render(context | {"glossary": glossary(body)})


def _unit_in_coulombs(found: Analysis, coulombs: Any) -> dict[str, Any]:
    """The unit in coulombs in words: as a result, or as what it would be if there were steps."""
    if coulombs is None:
        return {"coulombs": None, "if_steps": None}
    low, high = coulombs.interval(0.95)[0]
    stated = {
        "plus_minus": plus_minus(coulombs.value, coulombs.standard_uncertainty, "C"),
        "way": coulombs.way,
        "stated": brackets(coulombs.value, coulombs.standard_uncertainty, "C"),
        "interval": f"{significant(low)} C to {significant(high)} C",
    }
    return {
        "coulombs": stated,
        "if_steps": None if found.verdict == "steps" else conditional(coulombs, coulombs.way),
    }


def _name_of_file(source: str) -> str:
    """A file without the folders that lead to it."""
    return re.split(r"[\\/]", source.rstrip("\\/"))[-1] or source


def _handed_in(**texts: Any) -> dict[str, str]:
    """What stands in the heading, as plain text."""
    for name, text in texts.items():
        kinds = (str, datetime.date) if name == "date" else str
        if text is not None and not (isinstance(text, kinds) and str(text).strip()):
            raise InputError(f"`{name}` is {text!r}; give a text, or leave it out.")
    return {name: clean(text or "", longest=1000) for name, text in texts.items()}


def _pictures(found: Analysis, run: Rows | None) -> dict[str, Any]:
    """The pictures, and whether they are of invented data."""
    apparatus = None if run is None else run.apparatus
    pictures = {}
    for end, width, heights in (("", 6.4, (4.3, 3.1, 3.4)), ("_narrow", 3.7, (3.6, 2.7, 3.2))):
        for view, height in zip(("readings", "evidence"), heights, strict=False):
            pictures[f"{view}{end}"] = found.plot(new_axes(width, height), view=view)
        if run is not None:
            pictures[f"run{end}"] = run.plot(new_axes(width, heights[-1]))
    line = (
        ""
        if facts.threshold(found) is None
        else f", with the height that {100 * found.alpha:g} % of samples reach somewhere when "
        "their readings are moved by chance"
    )
    return {
        "run": run,
        "invented": apparatus is not None and bool(apparatus.word("apparatus.invented", False)),
        "pictures": {
            name: inline_svg(picture(axes, transparent=True), name)
            for name, axes in pictures.items()
        },
        "texts": {
            "readings": f"{len(found.readings)} readings in ascending order against the multiples "
            f"of {facts.size(found)}, shown as lines.",
            "evidence": f"The score of every trial unit from {found.unit_range.low:.4g} to "
            f"{found.unit_range.high:.4g}{line}.",
            "run": "Divisions of every row of the run in order, shaded by state, with the falls "
            "without field and the discarded rows marked.",
        },
    }


def _of_analysis(found: Analysis, coulombs: Any) -> dict[str, Section]:
    """What every report says."""
    reasons = [raised(clean(reason, longest=600)) for reason in found.reasons]
    nulls = Table(
        [
            Column("meaning", "samples made of"),
            Column("chance", "as regular as these", style="n"),
            Column("odds", "odds for steps", style="n"),
        ],
        facts.nulls(found),
    )
    estimates = Table(
        [
            Column("method", "method"),
            Column("unit", "unit", style="n"),
            Column("difference", "differs by", style="n"),
            Column("note", "note"),
        ],
        facts.estimates(found),
    )
    run: Rows | None = getattr(found, "run", None)
    read = [("page read", clean(r, longest=400)) for r in (run.remarks if run else ())]
    coulombs = getattr(found, "coulombs", coulombs)
    steps = sentences.next_steps(found, coulombs)
    found_sections = {
        "why": Section("Why", [Bullets(reasons)]),
        "nulls": Section("How sure, against samples without steps", [facts.compared(found), nulls]),
        "estimates": Section(facts.estimates_title(found), [estimates]),
        "next": Section("What to measure next", [Bullets(steps)]),
        "quote": Section("A sentence to copy", [sentences.sentence_to_copy(found, coulombs)]),
        "computed": Section("How it was computed", [pairs([*facts.settings(found), *read])]),
    }
    if facts.stands(found):
        found_sections |= {"rivals": _rivals(found), "levels": _levels(found)}
    worked = sentences.worked_row(found)
    if hasattr(coulombs, "way") and found.verdict == "steps":
        worked += sentences.worked_coulombs(found, coulombs)
    if worked:
        lines = Bullets(worked, ordered=True)
        found_sections["worked"] = Section("One row worked by hand", [lines])
    return found_sections


def _rivals(found: Analysis) -> Section:
    rows = facts.rivals(found, 8)
    title = f"Rival units{facts.measured_in(found)}" if len(rows) > 1 else "Rival units"
    return Section(title, [NO_RIVAL if len(rows) == 1 else Table(RIVALS, rows)])


def _levels(found: Analysis) -> Section:
    title = f"{facts.levels_title(found)}{facts.measured_in(found)}"
    every = facts.levels(found)
    if not facts.readable(every):
        return Section(title, [facts.unreadable(found)])
    by_state = found.readings.state is not None
    form = facts.form(found)
    title += form.taken_out
    columns = [
        Column("label", facts.item(found), form=lambda x: clean(x, longest=28), style="label"),
        *([Column("count", "readings", style="n")] if by_state else []),
        Column("value", "mean" if by_state else "value", form=form.mantissa, style="n"),
        Column("number", "whole number", style="n"),
        Column("probability", "probability", form=probability, style="n"),
        Column("expected", "× unit", form=form.finer.mantissa, style="n"),
        Column("difference", "difference", form=lambda d: form.finer.mantissa(d, "+"), style="n"),
    ]
    rows = folded(every, most=40, head=24, tail=8)
    table = Table(columns, rows, left_out=len(every) - len(rows) + 1)
    return Section(title, [table, *unfitting(every)])


def _of_run(found: RunAnalysis, plan: DatedPlan | None) -> dict[str, Section]:
    """What a run adds: the balance charge, the checks, a plan to be held against, cautions."""
    columns = [
        Column("name", "check", form=lambda name: clean(name, longest=120), style="check"),
        Column("level", "result", form=lambda level: _MARKS.get(level, level), style="mark"),
        Column("sentence", "what was found", form=lambda said: raised(clean(said, longest=900))),
    ]
    checks = found.checks.checks[:_MOST_CHECKS]
    held = () if plan is None else plan.held_against(found, found.run)
    sections = {"balance": Section(BALANCE, [found.balance_sentence])}
    if checks:
        sections["checks"] = Section(SOUND, [Table(columns, checks)])
    if held:
        sections["held"] = Section("Held against the dated plan", held)
    for section in cautions(found.run):
        sections["cautions"] = section
    return sections


def _of_coulombs(coulombs: Any, verdict: str) -> dict[str, Section]:
    """The budget, the routes, what all inputs say of each, and whether they agree."""
    routes = [
        row | {"stated": brackets(row["value"], row["standard_uncertainty"], "C")}
        for row in coulombs.routes.to_dict("records")
    ]
    title = "The budget in coulombs" + ("" if verdict == "steps" else ", if there were steps")
    sections = {"budget": Section(title, _budget(coulombs))}
    if len(routes) > 1:
        columns = [
            Column("route", "route"),
            Column("stated", "unit", style="n"),
            Column("sigmas", "standard uncertainties from the first", form=".1f", style="n"),
        ]
        blocks: list[Block] = [Table(columns, routes)]
        if coulombs.agreement.level != "good":  # else it stands among the checks
            blocks.append(f"Do all inputs agree? {clean(coulombs.agreement.told, longest=1200)}")
        sections["routes"] = Section("The joint fit and every route", blocks)
        sections["inputs"] = Section("What all inputs say of each", [_inputs(coulombs.bench)])
    return sections


def _inputs(bench: Any) -> Table:
    """Every input as stated and as it follows from all inputs."""
    columns = [
        Column("input", "input", form=sentences.input_name),
        Column("stated", "as stated", style="n"),
        Column("found", "from all inputs", style="n"),
        Column(
            "pull",
            "stated less implied, in standard uncertainties",
            form="+.1f",
            style="n",
            unknown="",
        ),
        Column("redundancy", "known from the others", form=lambda x: f"{100 * x:.0f} %", style="n"),
    ]
    rows = [
        row | {"stated": _measured(row, "stated", "stated_uncertainty"), "found": _measured(row)}
        for row in bench.inputs.to_dict("records")
        if row["stated_uncertainty"] > 0
    ]
    return Table(columns, rows)


def _measured(row: Any, value: str = "value", error: str = "standard_uncertainty") -> str:
    return brackets(row[value], row[error], "" if row["unit"] == "1" else row["unit"])


def _budget(coulombs: Any) -> list[Block]:
    """Inputs with their shares of the variance, the small ones named below."""
    rows = coulombs.budget.to_dict("records")
    small = [row for row in rows if abs(float(row["share"])) < _SMALL]
    columns = [
        Column("input", "input", form=sentences.input_name),
        Column("stated", "value (standard uncertainty)", style="n"),
        Column(
            "degrees_of_freedom",
            "degrees of freedom",
            form=lambda degrees: degrees_of_freedom(degrees).replace("inf", "∞"),
            style="n",
        ),
        Column("exponent", "exponent", form="+.2f", style="n"),
        Column("share", "share", form=lambda part: share(abs(part)), style="n"),
    ]
    lines = [row | {"stated": _measured(row)} for row in rows if row not in small]
    below = ", ".join(sentences.input_name(row["input"]) for row in small)
    return [
        Table(columns, lines),
        *([f"Below 1 %: {below}."] if small else []),
        *(f"Note: {clean(note, longest=400)}" for note in coulombs.notes),
    ]
