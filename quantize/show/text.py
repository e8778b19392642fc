"""Results in plain text, for terminals of 80 columns."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

from quantize.show import tables, words
from quantize.show.rounding import brackets, plus_minus, rounded, significant

if TYPE_CHECKING:
    from quantize.analysis import Analysis

WIDTH = 80
_STRIP = 19


def analysis_text(found: Analysis, *, brief: bool = False) -> str:
    """An analysis for a reader who wants the verdict first and the reasons next.

    `brief` ends after the rival units.
    """
    sections = [_verdict(found), _unit(found)]
    if tables.stands(found):
        sections += [_readings(found), _rivals(found)]
    if not brief:
        sections += [_nulls(found), _estimates(found), _tried(found)]
    return "\n\n".join("\n".join(line.rstrip() for line in lines) for lines in sections)


def summary_text(result: Any) -> str:
    """The headline of a result and its table of rival units."""
    lines = [f"{type(result).__name__}: {result._headline()}"]
    table = getattr(result, "alternatives", None)
    if table is not None and len(table):
        lines += ["", table.head(8).to_string(index=False, float_format=lambda v: f"{v:.5g}")]
    return "\n".join(lines)


def paragraph(text: str, *, indent: str = "  ", first: str | None = None) -> list[str]:
    """A paragraph filled to the width."""
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=indent if first is None else first,
        subsequent_indent=indent,
        break_long_words=True,
    )


def bullets(sentences: tuple[str, ...] | list[str]) -> list[str]:
    """Sentences as a list."""
    lines: list[str] = []
    for sentence in sentences:
        lines += paragraph(sentence, indent="    ", first="  - ")
    return lines


def pairs(rows: list[tuple[str, str]], *, column: int = 24) -> list[str]:
    """Names on the left, texts filled on the right."""
    lines: list[str] = []
    for name, text in rows:
        lines += paragraph(text, indent=" " * column, first=f"  {name:<{column - 2}}")
    return lines


def _verdict(found: Analysis) -> list[str]:
    lines = [f"VERDICT: {found.verdict}", *paragraph(tables.headline(found))]
    if found.reasons:
        lines += ["", "Why", *bullets(found.reasons)]
    if found.advice:
        lines += ["", "What would settle it", *bullets(found.advice)]
    return lines


def _unit(found: Analysis) -> list[str]:
    if not tables.stands(found):
        return ["The unit", *paragraph(tables.no_unit(found))]
    certain = found.verdict == "steps"
    title = "The unit" if certain else "The unit, if there were steps"
    stated = plus_minus(found.unit, found.unit_err)
    rows = [
        ("size", f"{stated}, in short {brackets(found.unit, found.unit_err)}"),
        ("95 % set", tables.set_in_words(found)),
        (
            "scatter of a reading",
            f"{significant(found.sigma, 2)}, which is {significant(found.sigma / found.unit, 2)} "
            "of the unit",
        ),
    ]
    if tables.shared(found):
        rows.append(("in the ±", "the scatter of the readings and the error of the fall"))
    if found.offset or found.settings["offset"] != "zero":
        rows.append(("counted from", significant(found.offset, 4)))
    return [f"{title} (± is one standard uncertainty)", *pairs(rows)]


def _readings(found: Analysis) -> list[str]:
    rows = tables.levels(found)
    by_state = found.readings.state is not None
    name = "state" if by_state else "reading"
    title = f"The whole number behind each {name}"
    if found.verdict != "steps":
        title += f", if the unit were {rounded(found.unit, found.unit_err)}"
    if not tables.readable(rows):
        return [title, *paragraph(tables.unreadable(found))]
    form = tables.form(found)
    if form.power:
        title += f", values in 1e{form.power}"
    number = "mean of" if by_state else "value"
    lines = [
        title,
        f"  {name:>7}{number:>12} whole proba- whole no.  differ-   lies between neighbours",
        f"  {'':>7}{'':>12} numb. bility    x unit     ence   -1/2       0       +1/2",
    ]
    for row in tables.folded(rows):
        if row is None:
            lines.append(f"  {'...':>7}   {len(rows) - 20:,} more are left out here")
            continue
        value = _fit(form.mantissa(row.value), 9)
        if by_state:
            value += f"{f'({row.count})':>4}"
        lines.append(
            f"  {_label(row.label):>7}{value:>12}{row.integer:>6}{_chance(row.probability):>7}"
            f"{_fit(form.mantissa(row.expected), 10):>11}"
            f"{_fit(form.mantissa(row.difference, '+'), 8):>9}"
            f"  {_strip(row.difference / found.unit)}"
        )
    if by_state:
        lines += paragraph("In brackets: the number of readings of that state.")
    return lines


def _label(label: str) -> str:
    clean = "".join(c if c.isprintable() else "?" for c in label)
    return clean if len(clean) <= 7 else clean[:6] + "~"


def _chance(p: float) -> str:
    return words.probability(p).replace("> ", ">").replace("< ", "<")


def _fit(text: str, width: int) -> str:
    """A number in its column: significant digits where all of it does not fit."""
    if len(text) <= width:
        return text
    sign = "+" if text[0] == "+" else ""
    return f"{float(text):{sign}.{max(width - 7, 1)}g}"


def _strip(turns: float) -> str:
    """A reading between its two neighbours: the multiple is at the colon."""
    cells = [" "] * _STRIP
    cells[_STRIP // 2] = ":"
    place = round((min(max(turns, -0.5), 0.5) + 0.5) * (_STRIP - 1))
    cells[place] = "o"
    return "|" + "".join(cells) + "|"


def _nulls(found: Analysis) -> list[str]:
    lines = [
        "How sure",
        *paragraph(words.compared(found)),
        f"  {'samples without steps, made of':<38}{'as regular':>21}{'odds for steps':>18}",
    ]
    for row in tables.nulls(found):
        odds = words.odds_short(row.log_bayes_factor)
        chance = "" if row.p_value != row.p_value else words.chance(row.p_value)
        lines.append(f"  {row.meaning:<38}{chance:>21}{odds:>18}")
    lines += paragraph(f"The largest of these chances counts: p = {significant(found.p_value, 2)}.")
    return lines


def _rivals(found: Analysis) -> list[str]:
    rows = found.alternatives.to_dict("records")
    lines = ["Rival units"]
    if len(rows) == 1:
        return lines + paragraph("No other unit holds as much as 0.1 % of the probability.")
    lines.append(f"  {'unit':>16}{'share':>10}   what it is")
    for row in rows[:8]:
        what = words.relation(row["relation"])
        if row["relation"] not in ("best", "unrelated"):
            what += f" ({row['relation']})"
        unit = brackets(row["unit"], row["unit_err"])
        lines.append(f"  {unit:>16}{words.share(row['share']):>10}   {what}")
    if len(rows) > 8:
        rest = sum(row["share"] for row in rows[8:])
        lines.append(f"  {len(rows) - 8:>12} more{words.share(rest):>9}   together")
    return lines


def _estimates(found: Analysis) -> list[str]:
    lines = [tables.estimates_title(found)]
    for row in tables.estimates(found):
        value = brackets(row.unit, row.unit_err)
        lines += paragraph(
            row.note,
            indent=" " * 44,
            first=f"  {row.method:<23}{value:>16}   ",
        )
    return lines


def _tried(found: Analysis) -> list[str]:
    origin = found.readings.origin
    read = [] if origin is None else [("readings", str(origin))]
    return ["What was tried", *pairs([*read, *tables.settings(found)])]
