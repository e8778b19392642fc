"""From the cells of a page to checked numbers with signs, one row a reading."""

from __future__ import annotations

import math
from collections import Counter
from typing import Any

import numpy as np
import pandas as pd

from quantize._support.errors import InputError
from quantize._support.validation import FloatArray
from quantize.charge.apparatus import Apparatus
from quantize.charge.headers import PASSAGES
from quantize.charge.page import Page, cell_number, changed_within, direction, kept
from quantize.charge.passages import fold_passages
from quantize.charge.tracks import fold_tracks

_MICROMETRE = 1e-6
_TEXT = ("repeat", "bench", "event", "note", "clock")


def tidy(page: Page, bench: Apparatus) -> tuple[pd.DataFrame, list[str]]:
    """Checked columns and what was assumed on the way."""
    remarks = list(page.remarks)
    for names, fold in (({"position"}, fold_tracks), (set(PASSAGES), fold_passages)):
        if names & set(page.cells):
            page, assumed = fold(page, bench)
            remarks += assumed
    if len(page.numbers) == 0:
        raise InputError(f"`run` ({page.source}) has no row with a reading.")
    columns = _Columns(page, bench, remarks)
    table: dict[str, Any] = {
        "row": page.numbers,
        "particle": filled(page.cells.get("particle"), len(page.numbers), "1"),
        "state": columns.states(),
        "voltage": columns.voltages(),
    }
    divisions, off_scale = columns.divisions()
    table |= {
        "divisions": divisions,
        "seconds": columns.seconds(),
        "off_scale": off_scale,
        "changed": columns.changed(),
        "kept": columns.keep,
        "reason": columns.reason,
    }
    if columns.has("start", "end"):
        table["start"], table["end"] = columns.numbers("start")[0], columns.numbers("end")[0]
    if "track_error" in page.cells:
        table["track_error"] = [float(cell) for cell in page.cells["track_error"]]
        table["positions"] = [int(cell) for cell in page.cells["positions"]]
    remarks += _partial_remarks(table)
    table |= {name: page.cells[name] for name in _TEXT if name in page.cells}
    return pd.DataFrame(table), remarks


class _Columns:
    """The columns of one page in V, s and divisions; what is assumed goes to `remarks`."""

    def __init__(self, page: Page, bench: Apparatus, remarks: list[str]) -> None:
        self.page, self.bench, self.remarks = page, bench, remarks
        self.keep, self.reason = page.kept_rows()

    def has(self, *names: str) -> bool:
        return set(names) <= set(self.page.cells)

    def numbers(self, name: str) -> tuple[FloatArray, list[int], list[int]]:
        """Numbers, one-sided limits and arrows of a column; see `cell_number`."""
        page = self.page
        scale = page.scale(name, self.bench)
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

    def need_all(self, name: str, values: FloatArray, remedy: str) -> None:
        """Raise InputError for the first kept row with no value."""
        for value, row, use in zip(values, self.page.numbers, self.keep, strict=True):
            if use and math.isnan(value):
                raise InputError(f"`{name}` is blank in row {row}; {remedy}.")

    def changed(self) -> list[bool]:
        """Rows within whose interval the charge changed, by their own column or a note in words."""
        page = self.page
        blank = [""] * len(page.numbers)
        words, events, notes = (page.cells.get(n, blank) for n in ("changed", "event", "note"))
        return [
            kept(word, row=row, column="changed within") is True
            or changed_within(event)
            or changed_within(note)
            for word, event, note, row in zip(words, events, notes, page.numbers, strict=True)
        ]

    def states(self) -> list[str]:
        page, n = self.page, len(self.page.numbers)
        if not self.has("state"):
            self.remarks.append("no states are labelled; every reading stands for itself")
            return [""] * n
        cells = [c.strip().removesuffix(".0") for c in page.cells["state"]]
        if all(cells) or not any(cells):
            return cells
        if self.bench.word("run.blank_state") == "as above":
            return filled(cells, n, "")
        volts = page.cells.get("voltage", [""] * n)
        for cell, volt, row, use in zip(cells, volts, page.numbers, self.keep, strict=True):
            if use and not cell and not is_zero(volt):
                raise InputError(
                    f'`state` is blank in row {row}; label it, or declare blank_state = "as above" '
                    "under [run] in the apparatus file."
                )
        return cells

    def voltages(self) -> FloatArray:
        given = self.bench.get("plates.voltage")
        if self.has("voltage"):
            values = self.numbers("voltage")[0]
            blank = self.bench.word("run.blank_voltage")
            if blank == "zero":
                values = np.where(np.isnan(values), 0.0, values)
            elif blank == "as above":
                values = np.asarray(pd.Series(values).ffill(), dtype=np.float64)
            self.need_all(
                "voltage",
                values,
                'write 0 for a fall without field, or declare blank_voltage = "zero" or "as above" '
                "under [run] in the apparatus file",
            )
        elif given is None:
            self.remarks.append("no voltage is given")
            return np.full(len(self.page.numbers), np.nan)
        else:
            self.remarks.append(f"all rows are taken to be at {given.value:g} V")
            values = np.full(len(self.page.numbers), given.value)
        plate = self.bench.word("plates.positive_plate")
        if plate is None:
            lower = "a positive voltage is taken to mean that the lower plate is positive"
            self.remarks.append(lower)
        return -values + 0.0 if plate == "upper" else values

    def divisions(self) -> tuple[FloatArray, list[int]]:
        """What moved, up above zero, and +1 or -1 where it is a bound from below or above."""
        values, off, arrows = self._moved()
        signs, numbers = arrows, self.page.numbers
        if self.has("direction"):
            words = self.page.cells["direction"]
            read = [direction(w, row=r) for w, r in zip(words, numbers, strict=True)]
            signs = [a or b for a, b in zip(read, arrows, strict=True)]
        for i, (sign, row) in enumerate(zip(signs, numbers, strict=True)):
            if sign > 0 and values[i] < 0:
                raise InputError(
                    f"`divisions` is {values[i]:g} in row {row}, and its direction says up; "
                    "the signs contradict each other."
                )
            if sign:
                values[i] = sign * abs(values[i])
                off[i] *= sign
        self.need_all("divisions", values, "write the number, or a reason for giving it up")
        if self.bench.word("run.image_inverted", False):
            values, off = -values + 0.0, [-o for o in off]
            self.remarks.append("the image is inverted, so up and down were exchanged")
        return values, off

    def _moved(self) -> tuple[FloatArray, list[int], list[int]]:
        """Distances as written, their limits, and their arrows."""
        n = len(self.page.numbers)
        if self.has("divisions"):
            values, off, arrows = self.numbers("divisions")
            if self.has("start", "end"):
                self._agree(values)
            return values, off, arrows
        if self.has("start", "end"):
            start, end = self.numbers("start"), self.numbers("end")
            off = [e - s for s, e in zip(start[1], end[1], strict=True)]
            return end[0] - start[0], off, [0] * n
        if not self.bench.has("run.distance"):
            raise InputError(
                "`run` has no divisions; give a column of them, start and end, or "
                "`run.distance` in the apparatus file for passages of one length."
            )
        gate, length = _gate(self.bench)
        self.remarks.append(f"every passage is taken to be {length}")
        return np.full(n, gate), [0] * n, [0] * n

    def _agree(self, values: FloatArray) -> None:
        moved = self.numbers("end")[0] - self.numbers("start")[0]
        for a, b, row in zip(np.abs(values), np.abs(moved), self.page.numbers, strict=True):
            if abs(a - b) > 1e-6 + 0.05 * max(a, b):
                raise InputError(
                    f"`divisions` is {a:g} in row {row}, while start and end differ by {b:g}; "
                    "mend one of them."
                )

    def seconds(self) -> FloatArray:
        given, n = self.bench.get("run.interval"), len(self.page.numbers)
        values = self.numbers("seconds")[0] if self.has("seconds") else np.full(n, np.nan)
        if given is not None:
            values = np.where(np.isnan(values), given.value, values)
        elif not self.has("seconds"):
            self.remarks.append("no times are given; all readings are taken to last equally long")
            values = np.ones(n)
        self.need_all(
            "seconds", values, "write the time, or `interval` under [run] in the apparatus file"
        )
        for value, row, use in zip(values, self.page.numbers, self.keep, strict=True):
            if use and value <= 0:
                raise InputError(f"`seconds` is {value:g} in row {row}; a reading takes time.")
        return values


def is_zero(volts: str) -> bool:
    """Whether a cell says zero voltage, where no state is needed."""
    text = volts.strip().replace(",", ".").lower()
    try:
        return float(text) == 0
    except ValueError:
        return text in ("off", "zero", "earthed")


def filled(cells: list[str] | None, n: int, default: str) -> list[str]:
    """Blank cells repeat what stands above, as on a page where a heading is written once."""
    if cells is None:
        return [default] * n
    out, last = [], default
    for cell in cells:
        last = cell.strip().removesuffix(".0") or last
        out.append(last)
    return out


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


def _gate(bench: Apparatus) -> tuple[float, str]:
    """The gate in divisions, and in words; in micrometres where no scale is stated."""
    gate = bench.need("run.distance")
    if gate.unit == "div":
        return gate.value, f"{gate.value:g} divisions"
    scale = bench.get("reticle.division")
    words = f"{gate.value * 1e3:g} mm"
    if scale is None:
        return gate.value / _MICROMETRE, f"{words}, and one division a micrometre"
    return gate.value / scale.value, words


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
