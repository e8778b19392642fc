"""The report: one self-contained page for a student to hand in and a sceptic to read."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quantize._support.writing import check_apart, check_target, write_whole
from quantize.charge.run_analysis import RunAnalysis, with_run
from quantize.charge.stated import degrees_of_freedom
from quantize.show import report_words, tables, words
from quantize.show.glossary import glossary
from quantize.show.report_words import clean
from quantize.show.rounding import brackets, plus_minus, significant
from quantize.show.run_text import cautions_of, conditional, routes_differ
from quantize.show.style import picture

if TYPE_CHECKING:
    from quantize.analysis import Analysis
    from quantize.charge import DatedPlan
    from quantize.charge.rows import Rows

_MOST_CHECKS = 40
_SMALL = 1e-3  # share of the variance below which an input has no line of its own


def write_report(
    found: Analysis,
    path: str | os.PathLike[str],
    *,
    run: Rows | None = None,
    coulombs: Any = None,
    missing: str | None = None,
    source: str | None = None,
    plan: DatedPlan | None = None,
) -> Path:
    """Write the report of an analysis as one HTML file.

    Parameters
    ----------
    found : Analysis
    path : str or path-like
        An existing file is replaced, whole or not at all, but never one that was read.
    run : Run, optional
        The run behind the readings, where `found` is not from `Run.analyze`: adds the checks, the
        coulombs and the cautions, and the error of the fall to every number.
    coulombs : UnitInCoulombs, optional
        The unit in coulombs without a run; with one, its route is the one that is taken.
    missing : str, optional
        Why there is none.
    source : str, optional
        Where the readings came from, for the title.
    plan : DatedPlan, optional
        What was promised beforehand: the page says where analysis and `run` departed from it.

    Returns
    -------
    Path

    Raises
    ------
    InputError
        When the path is a folder or cannot be written.
    """
    target = check_target(path, name="path")
    origin = found.readings.origin
    read = None if origin is None else origin.file
    check_apart({"path": path}, {"source": source, "readings": read})
    page = report_html(found, run=run, coulombs=coulombs, missing=missing, source=source, plan=plan)
    return write_whole(target, page.encode("utf-8"), name="path")


def report_html(
    found: Analysis,
    *,
    run: Rows | None = None,
    coulombs: Any = None,
    missing: str | None = None,
    source: str | None = None,
    plan: DatedPlan | None = None,
) -> str:
    """The page as text; see `write_report`."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

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
    )
    template = environment.get_template("report.html")
    promised = () if plan is None or run is None else plan.held_against(found, run)
    context = _context(found, run, coulombs, source) | {"promised": promised, "missing": missing}
    # The glossary explains what the page says, so the page is made first without it.
    body = template.render(context | {"glossary": []})
    return template.render(context | {"glossary": glossary(body)})


def _context(
    found: Analysis, run: Rows | None, coulombs: Any, source: str | None
) -> dict[str, Any]:
    upper = found.plot()
    certain = found.verdict == "steps"
    return {
        "source": clean(source) if source else None,
        "read_from": _read_from(found),
        "invented": _invented(run),
        "n": len(found.readings),
        # A run adds half a page of checks; in print it must still go on two.
        "dense": run is not None,
        "verdict": found.verdict,
        "headline": tables.headline(found),
        "reasons": [clean(reason, longest=600) for reason in found.reasons],
        "compared": words.compared(found),
        "chance": words.chance(found.p_value),
        "p": significant(found.p_value, 2),
        "stands": tables.stands(found),
        "no_unit": tables.no_unit(found),
        "estimates_title": tables.estimates_title(found),
        "unit": plus_minus(found.unit, found.unit_err),
        "short": brackets(found.unit, found.unit_err),
        "in_divisions": run is not None,
        "set": tables.set_in_words(found),
        "scatter": significant(found.sigma, 2),
        "scatter_share": significant(found.sigma / found.unit, 2),
        "picture": inline_svg(picture(upper)),
        "picture_text": _picture_text(found),
        "run_picture": None if run is None else inline_svg(picture(run.plot())),
        **_readings(found),
        "rivals": _rivals(found),
        "nulls": [
            {
                "meaning": row.meaning,
                "chance": "" if row.p_value != row.p_value else words.chance(row.p_value),
                "odds": words.odds_short(row.log_bayes_factor),
            }
            for row in tables.nulls(found)
        ],
        "estimates": [
            {
                "method": row.method,
                "unit": brackets(row.unit, row.unit_err),
                "difference": f"{100 * row.difference:+.2f} %".replace("-0.00", "+0.00"),
                "note": row.note,
            }
            for row in tables.estimates(found)
        ],
        "shared": tables.shared(found),
        "balance": getattr(found, "balance_sentence", None),
        "checks": _checks(found),
        "coulombs": None if coulombs is None else _coulombs(coulombs),
        "if_steps": None if coulombs is None or certain else conditional(coulombs),
        "worked": report_words.worked_row(found)
        + (
            report_words.worked_coulombs(found, coulombs)
            if coulombs is not None and certain
            else []
        ),
        "next_steps": report_words.next_steps(found, coulombs),
        "sentence": report_words.sentence_to_copy(found, coulombs),
        "settings": tables.settings(found),
        "remarks": [] if run is None else [clean(r, longest=400) for r in run.remarks],
        "cautions": [] if run is None else cautions_of(run),
    }


def _read_from(found: Analysis) -> str | None:
    origin = found.readings.origin
    return None if origin is None else clean(str(origin), longest=300)


def inline_svg(svg: bytes) -> str:
    """A picture for the body of a page: no prolog, as wide as its column, one id space."""
    from markupsafe import Markup

    text = svg.decode("utf-8")
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    head, _, rest = text.partition(">")
    head = re.sub(r'\s(?:width|height)="[^"]*"', "", head)
    # The figure around the picture carries its description.
    return Markup(f'{head} aria-hidden="true" focusable="false">{rest}')


def _picture_text(found: Analysis) -> str:
    return (
        f"Above: {len(found.readings)} readings in ascending order against the multiples of "
        f"{plus_minus(found.unit, found.unit_err)}, shown as lines. Below: the score of every "
        f"trial unit from {found.band.low:.4g} to {found.band.high:.4g}"
        + (
            "."
            if tables.threshold(found) is None
            else f", with the height that {100 * found.alpha:g} % of samples reach somewhere when "
            "the readings are smeared out."
        )
    )


def _readings(found: Analysis) -> dict[str, Any]:
    rows = tables.levels(found)
    form = tables.form(found)
    by_state = found.readings.state is not None
    listed = [
        None
        if row is None
        else {
            "label": clean(row.label, longest=28),
            "count": row.count,
            "value": form(row.value),
            "integer": str(row.integer),
            "probability": words.probability(row.probability),
            "expected": form(row.expected),
            "difference": form(row.difference, "+"),
        }
        for row in tables.folded(rows, most=40, head=24, tail=8)
    ]
    readable = tables.readable(rows)
    return {
        "by_state": by_state,
        "readings": listed if readable else [],
        "left_out": len(rows) - (len(listed) - 1) if None in listed else 0,
        "unreadable": None if readable else tables.unreadable(found),
    }


def _rivals(found: Analysis) -> list[dict[str, str]]:
    return [
        {
            "unit": brackets(row["unit"], row["unit_err"]),
            "share": words.share(row["share"]),
            "what": words.relation(row["relation"]),
        }
        for row in found.alternatives.head(8).to_dict("records")
    ]


def _checks(found: Analysis) -> list[dict[str, str]]:
    if not isinstance(found, RunAnalysis):
        return []
    mark = {"good": "in order", "doubt": "doubtful", "bad": "not in order", "unknown": "not known"}
    return [
        {
            "level": check.level,
            "mark": mark.get(check.level, check.level),
            "name": clean(check.name, longest=120),
            "sentence": clean(check.sentence, longest=900),
        }
        for check in found.checks.checks[:_MOST_CHECKS]
    ]


def _coulombs(coulombs: Any) -> dict[str, Any]:
    low, high = coulombs.interval(0.95)[0]
    rows = coulombs.budget.to_dict("records")
    small = [row for row in rows if abs(float(row["share"])) < _SMALL]
    return {
        "stated": brackets(coulombs.value, coulombs.standard_uncertainty, "C"),
        "plus_minus": plus_minus(coulombs.value, coulombs.standard_uncertainty, "C"),
        "interval": f"{significant(low)} C to {significant(high)} C",
        "route": coulombs.route,
        "budget": [
            {
                "input": report_words.input_name(row["input"]),
                "value": f"{row['value']:.5g} {row['unit'] if row['unit'] != '1' else ''}".strip(),
                "uncertainty": f"{row['standard_uncertainty']:.2g}",
                "degrees": degrees_of_freedom(row["degrees_of_freedom"]),
                "exponent": f"{row['exponent']:+.2f}",
                "share": words.share(abs(float(row["share"]))),
            }
            for row in rows
            if row not in small
        ],
        "small": ", ".join(report_words.input_name(row["input"]) for row in small),
        "routes": [
            {
                "route": row["route"],
                "stated": brackets(row["value"], row["standard_uncertainty"], "C"),
            }
            for row in coulombs.routes.to_dict("records")
        ],
        "agreement": clean(coulombs.agreement.told, longest=900),
        "differ": [clean(line, longest=600) for line in routes_differ(coulombs)],
        "notes": [clean(note, longest=400) for note in coulombs.notes],
    }


def _invented(run: Rows | None) -> bool:
    return bool(
        run is not None
        and run.apparatus is not None
        and run.apparatus.word("apparatus.invented", False)
    )
