"""From the cells of a page to checked numbers with signs, one row a reading."""

from __future__ import annotations

import math
from collections import Counter
from typing import TYPE_CHECKING, Any

import numpy as np

from quantize._support.errors import InputError
from quantize._support.validation import FloatArray
from quantize.charge.apparatus import Apparatus
from quantize.charge.headers import PASSAGES
from quantize.charge.page import Page, cell_number, changed_within, direction, kept
from quantize.charge.passages import fold_passages
from quantize.charge.tracks import fold_tracks

if TYPE_CHECKING:
    import pandas as pd

_MICROMETRE = 1e-6
_TEXT = ("repeat", "bench", "event", "reason", "note", "clock")


def tidy(page: Page, apparatus: Apparatus | None) -> tuple[pd.DataFrame, list[str]]:
    """Checked columns and what was assumed on the way."""
    import pandas as pd

    remarks = list(page.remarks)
    for names, fold in (({"position"}, fold_tracks), (set(PASSAGES), fold_passages)):
        if names & set(page.cells):
            page, assumed = fold(page, apparatus)
            remarks += assumed
    n = len(page.numbers)
    if n == 0:
        raise InputError(f"`run` ({page.source}) has no row with a reading.")
    keep, reason = page.kept_rows()
    number = _Numbers(page, apparatus, keep)
    table: dict[str, Any] = {
        "row": page.numbers,
        "particle": _filled(page.cells.get("particle"), n, "1"),
        "state": _states(page, apparatus, keep, remarks),
        "voltage": _voltages(number, apparatus, keep, remarks),
    }
    divisions, off_scale = _divisions(number, apparatus, keep, remarks)
    table |= {
        "divisions": divisions,
        "seconds": _seconds(number, apparatus, keep, remarks),
        "off_scale": off_scale,
        "changed": _changed(page),
        "kept": keep,
        "reason": reason,
    }
    if number.has("start") and number.has("end"):
        table["start"], table["end"] = number.column("start")[0], number.column("end")[0]
    if "track_error" in page.cells:
        table["track_error"] = [float(cell) for cell in page.cells["track_error"]]
        table["positions"] = [int(cell) for cell in page.cells["positions"]]
    remarks += _partial_remarks(table)
    for name in _TEXT:
        if name in page.cells and name != "reason":
            table[name] = page.cells[name]
    return pd.DataFrame(table), remarks


def _changed(page: Page) -> list[bool]:
    """Rows within whose interval the charge changed, by their own column or a note in words."""
    n = len(page.numbers)
    changed = [
        kept(word, row=row, column="changed within") is True
        for word, row in zip(page.cells.get("changed", [""] * n), page.numbers, strict=True)
    ]
    for name in ("event", "note"):
        notes = page.cells.get(name, [""] * n)
        changed = [was or changed_within(note) for was, note in zip(changed, notes, strict=True)]
    return changed


def _partial_remarks(table: dict[str, Any]) -> list[str]:
    """What was made of readings that bound the distance, or mix two charges."""
    rows = list(
        zip(table["kept"], table["voltage"], table["off_scale"], table["changed"], strict=True)
    )
    falls = sum(1 for keep, v, off, _ in rows if keep and off and v == 0)
    lost = sum(1 for keep, v, off, _ in rows if keep and off and v != 0)
    mixed = sum(1 for keep, v, off, both in rows if keep and both and v != 0 and not off)
    out = []
    if lost:
        out.append(f"{_counted(lost)} left the scale, and moved at least as far as is written")
    if falls:
        out.append(
            f"{_counted(falls, 'fall')} left the scale and do not count, so that the mean fall may "
            "be too slow; time falls over a shorter interval"
        )
    if mixed:
        out.append(
            f"the charge changed within {_counted(mixed)}, taken as anywhere between two "
            "neighbouring steps"
        )
    return out


def _counted(n: int, noun: str = "reading") -> str:
    return f"{n} {noun}{'' if n == 1 else 's'}"


class _Numbers:
    """Numeric columns of one page, in V, s and divisions."""

    def __init__(self, page: Page, apparatus: Apparatus | None, keep: list[bool]) -> None:
        self.page, self.apparatus, self.keep = page, apparatus, keep

    def has(self, name: str) -> bool:
        return name in self.page.cells

    def column(self, name: str) -> tuple[FloatArray, list[int], list[int]]:
        page = self.page
        scale = page.scale(name, self.apparatus)
        read = []
        for cell, row, use in zip(page.cells[name], page.numbers, self.keep, strict=True):
            try:
                read.append(cell_number(cell, column=name, row=row, comma=page.comma))
            except InputError:
                if use:
                    raise
                read.append((math.nan, 0, 0))
        values = np.array([r[0] for r in read]) * scale
        return values, [r[1] for r in read], [r[2] for r in read]

    def first_missing(self, values: FloatArray) -> int | None:
        """Row number of the first kept row with no value."""
        for value, row, use in zip(values, self.page.numbers, self.keep, strict=True):
            if use and math.isnan(value):
                return row
        return None


def _filled(cells: list[str] | None, n: int, default: str) -> list[str]:
    """Blank cells repeat what stands above, as on a page where a heading is written once."""
    if cells is None:
        return [default] * n
    out, last = [], default
    for cell in cells:
        last = cell.strip().removesuffix(".0") or last
        out.append(last)
    return out


def _states(
    page: Page, apparatus: Apparatus | None, keep: list[bool], remarks: list[str]
) -> list[str]:
    n = len(page.numbers)
    if "state" not in page.cells:
        remarks.append("no states are labelled; every reading stands for itself")
        return [""] * n
    cells = [c.strip().removesuffix(".0") for c in page.cells["state"]]
    if all(cells) or not any(cells):
        return cells
    if apparatus is not None and apparatus.word("run.blank_state") == "as above":
        return _filled(cells, n, "")
    for cell, row, use in zip(cells, page.numbers, keep, strict=True):
        if use and not cell and not _is_fall(page, row):
            raise InputError(
                f'`state` is blank in row {row}; label it, or declare blank_state = "as above" '
                "under [run] in the apparatus file."
            )
    return cells


def _is_fall(page: Page, row: int) -> bool:
    """Whether a row stands at zero voltage, where no state is needed."""
    cells = page.cells.get("voltage")
    if cells is None:
        return False
    text = cells[page.numbers.index(row)].strip().replace(",", ".")
    try:
        return float(text) == 0
    except ValueError:
        return text.lower() in ("off", "zero", "earthed")


def _voltages(
    number: _Numbers, apparatus: Apparatus | None, keep: list[bool], remarks: list[str]
) -> FloatArray:
    given = apparatus.get("plates.voltage") if apparatus else None
    if not number.has("voltage"):
        if given is None:
            remarks.append("no voltage is given")
            return np.full(len(number.page.numbers), np.nan)
        remarks.append(f"all rows are taken to be at {given.value:g} V")
        values = np.full(len(number.page.numbers), given.value)
    else:
        values = number.column("voltage")[0]
        blank = apparatus.word("run.blank_voltage") if apparatus else None
        if blank == "zero":
            values = np.where(np.isnan(values), 0.0, values)
        elif blank == "as above":
            values = _carried(values)
        row = number.first_missing(values)
        if row is not None:
            raise InputError(
                f"`voltage` is blank in row {row}; write 0 for a fall without field, or declare "
                'blank_voltage = "zero" or "as above" under [run] in the apparatus file.'
            )
    plate = apparatus.word("plates.positive_plate") if apparatus else None
    if plate is None:
        remarks.append("a positive voltage is taken to mean that the lower plate is positive")
    return -values + 0.0 if plate == "upper" else values


def _carried(values: FloatArray) -> FloatArray:
    out = values.copy()
    for i in range(1, out.size):
        if math.isnan(out[i]):
            out[i] = out[i - 1]
    return out


def _divisions(
    number: _Numbers, apparatus: Apparatus | None, keep: list[bool], remarks: list[str]
) -> tuple[FloatArray, list[int]]:
    n = len(number.page.numbers)
    off, arrows = [0] * n, [0] * n
    if number.has("divisions"):
        values, off, arrows = number.column("divisions")
        if number.has("start") and number.has("end"):
            _agree(number, values)
    elif number.has("start") and number.has("end"):
        start, end = number.column("start"), number.column("end")
        values, off = end[0] - start[0], [e - s for s, e in zip(start[1], end[1], strict=True)]
    else:
        if apparatus is None or not apparatus.has("run.distance"):
            raise InputError(
                "`run` has no divisions; give a column of them, start and end, or "
                "`run.distance` in the apparatus file for passages of one length."
            )
        gate, length = _gate(apparatus)
        values = np.full(n, gate)
        remarks.append(f"every passage is taken to be {length}")
    signs = list(arrows)
    if number.has("direction"):
        words = number.page.cells["direction"]
        read = [direction(w, row=r) for w, r in zip(words, number.page.numbers, strict=True)]
        signs = [a or b for a, b in zip(read, arrows, strict=True)]
    for i, (sign, row) in enumerate(zip(signs, number.page.numbers, strict=True)):
        if sign > 0 and values[i] < 0:
            raise InputError(
                f"`divisions` is {values[i]:g} in row {row}, and its direction says up; "
                "the signs contradict each other."
            )
        if sign:
            values[i] = sign * abs(values[i])
            off[i] *= sign
    blank = number.first_missing(values)
    if blank is not None:
        raise InputError(
            f"`divisions` is blank in row {blank}; write the number, or a reason for giving it up."
        )
    if apparatus is not None and apparatus.word("run.image_inverted", False):
        values, off = -values + 0.0, [-o for o in off]
        remarks.append("the image is inverted, so up and down were exchanged")
    return values, off


def _gate(apparatus: Apparatus) -> tuple[float, str]:
    """The gate in divisions, and in words; in micrometres where no scale is stated."""
    gate = apparatus.need("run.distance")
    if gate.unit == "div":
        return gate.value, f"{gate.value:g} divisions"
    scale = apparatus.get("reticle.division")
    words = f"{gate.value * 1e3:g} mm"
    if scale is None:
        return gate.value / _MICROMETRE, f"{words}, and one division a micrometre"
    return gate.value / scale.value, words


def _agree(number: _Numbers, values: FloatArray) -> None:
    moved = number.column("end")[0] - number.column("start")[0]
    for a, b, row in zip(np.abs(values), np.abs(moved), number.page.numbers, strict=True):
        if abs(a - b) > 1e-6 + 0.05 * max(a, b):
            raise InputError(
                f"`divisions` is {a:g} in row {row}, while start and end differ by {b:g}; "
                "mend one of them."
            )


def _seconds(
    number: _Numbers, apparatus: Apparatus | None, keep: list[bool], remarks: list[str]
) -> FloatArray:
    given = apparatus.get("run.interval") if apparatus else None
    n = len(number.page.numbers)
    if number.has("seconds"):
        values = number.column("seconds")[0]
        if given is not None:
            values = np.where(np.isnan(values), given.value, values)
    elif given is not None:
        values = np.full(n, given.value)
    else:
        remarks.append("no times are given; all readings are taken to last equally long")
        values = np.ones(n)
    blank = number.first_missing(values)
    if blank is not None:
        raise InputError(
            f"`seconds` is blank in row {blank}; write the time, or `interval` under [run] in the "
            "apparatus file."
        )
    for value, row, use in zip(values, number.page.numbers, keep, strict=True):
        if use and value <= 0:
            raise InputError(f"`seconds` is {value:g} in row {row}; a reading takes time.")
    return values


def guess_timing(divisions: FloatArray, seconds: FloatArray) -> tuple[str, str]:
    """Fixed time or fixed distance, from the column that stays the same, and how it was told."""
    with np.errstate(over="ignore"):
        time, length = np.round(seconds, 6), np.round(np.abs(divisions), 6)
    times = Counter(time.tolist()).most_common(1)[0][1] / time.size
    lengths = Counter(length.tolist()).most_common(1)[0][1] / length.size
    if lengths > 0.9 and times < 0.9:
        return "fixed distance", "the distance is the same in nearly all rows and the time is not"
    kinds, scattered = np.unique(length).size, np.unique(time).size > time.size / 2
    if kinds <= length.size / 5 and scattered and time.max() / 2 > time.min():
        return "fixed distance", f"only {kinds} distances occur, and the times scatter"
    if times > 0.5:
        return "fixed time", "the time is the same in most rows"
    return "fixed time", "neither time nor distance stays the same"
