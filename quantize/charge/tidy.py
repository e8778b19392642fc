"""From the cells of a page to checked numbers with signs, one row a reading."""

from __future__ import annotations

import contextlib
import dataclasses
import itertools
import math
from typing import Any

import numpy as np
import pandas as pd

from quantize._support.errors import InputError, warn
from quantize._support.validation import FloatArray, IntArray
from quantize.charge.apparatus import Apparatus
from quantize.charge.headers import PASSAGES, cell_number, changed_within, direction, kept
from quantize.charge.page import Page, need_readings
from quantize.charge.run_table import CLOCK
from quantize.charge.stated import counted
from quantize.charge.tracks import fold_passages, fold_tracks

_MICROMETRE = 1e-6
_MOST_SHOWN = 5  # in a sentence
_TEXT = ("repeat", "bench", "event", "note", "clock")


def tidy(page: Page, bench: Apparatus) -> tuple[pd.DataFrame, list[str]]:
    """Checked columns and what was assumed on the way."""
    need_readings(page)
    page = _filled_from_above(under_headings(page), bench)
    remarks = list(page.remarks)
    for names, fold in (({"position"}, fold_tracks), (set(PASSAGES), fold_passages)):
        if names & set(page.cells) and len(page.cells):
            page, assumed = fold(page, bench)
            remarks += assumed
    if len(page.cells) == 0:
        raise InputError(f"`run` ({page.source}) has no row with a reading.")
    columns = _Columns(page, bench, remarks)
    remarks += [page.unticked] if page.unticked else []
    table: dict[str, Any] = {
        "row": page.cells.index.to_numpy(int),
        "particle": filled(page.text("particle"), "1"),
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
        table |= {name: columns.numbers(name)[0] for name in ("start", "end")}
    if columns.has("track_error"):
        table["track_error"] = page.cells["track_error"].astype(float).tolist()
        table["positions"] = page.cells["positions"].astype(int).tolist()
    table |= {name: page.text(name) for name in _TEXT if name in page.cells}
    found = pd.DataFrame(table)
    twice = [] if columns.has("track_error") else _written_twice(page, found)
    for said in twice:
        warn(f"{said[0].upper()}{said[1:]}.")
    return found, remarks + _partial_remarks(found) + twice


class _Columns:
    """The columns of one page in V, s and divisions; what is assumed goes to `remarks`."""

    def __init__(self, page: Page, bench: Apparatus, remarks: list[str]) -> None:
        self.page, self.bench, self.remarks = page, bench, remarks
        self.keep, self.reason = page.kept_rows

    def has(self, *names: str) -> bool:
        return set(names) <= set(self.page.cells)

    def numbers(self, name: str) -> tuple[FloatArray, IntArray, IntArray]:
        """Numbers, one-sided limits and arrows of a column; see `cell_number`."""
        page = self.page
        scale = page.scale(name, self.bench)
        read, known = [], {}
        for (row, cell), use in zip(page.rows(name), self.keep, strict=True):
            try:
                if cell not in known:
                    known[cell] = page.read(name, row, cell)
                read.append(known[cell])
            except InputError:
                if use:
                    raise
                read.append((math.nan, 0, 0))
        values, limits, arrows = map(np.array, zip(*read, strict=True))
        return values * scale, limits * int(np.sign(scale)), arrows

    def need_all(self, name: str, values: FloatArray, remedy: str) -> None:
        """Raise InputError for the first kept row with no value."""
        for i in np.flatnonzero(np.isnan(values) & self.keep):
            raise InputError(f"`{name}` is blank in row {self.page.numbers[i]}; {remedy}.")

    def changed(self) -> list[bool]:
        """Rows within whose interval the charge changed, by their own column or a note in words."""
        noted = [map(changed_within, self.page.text(n)) for n in ("event", "note") if self.has(n)]
        rows = self.page.rows("changed")
        said = [kept(word, row=row, column="changed within") for row, word in rows]
        return [any(each) for each in zip(said, *noted, strict=True)]

    def states(self) -> list[str]:
        page = self.page
        if not self.has("state"):
            self.remarks.append("no states are labelled; every reading stands for itself")
        cells = labels(page.text("state"))
        if all(cells) or not any(cells):
            return cells
        rows = zip(cells, page.text("voltage"), page.numbers, self.keep, strict=True)
        for cell, volt, row, use in rows:
            if use and not cell and not is_zero(volt):
                raise InputError(
                    f"column `state` is blank in row {row}; label it, or declare "
                    'blank_state = "as above" under [run] in the apparatus file.'
                )
        return cells

    def voltages(self) -> FloatArray:
        given = self.bench.get("plates.voltage")
        if self.has("voltage"):
            values = self.numbers("voltage")[0]
            if self.bench.word("run.blank_voltage") == "zero":
                values = np.where(np.isnan(values), 0.0, values)
            self.need_all(
                "voltage",
                values,
                'write 0 for a fall without field, or declare blank_voltage = "zero" or "as above" '
                "under [run] in the apparatus file",
            )
        else:
            self.page.need_none_like("voltage")
            if given is None:
                self.remarks.append("no voltage is given")
                return np.full(len(self.page.cells), np.nan)
            self.remarks.append(f"all rows are taken to be at {given.value:g} V")
            values = np.full(len(self.page.cells), given.value)
        values = _turned(self.page, values, [True] * len(values))
        least = 0.01 * np.fmax.reduce(abs(values[self.keep]), initial=0.0)
        for i in np.flatnonzero((values != 0) & (abs(values) < least) & self.keep):
            raise InputError(
                f"`voltage` is {values[i]:g} in row {self.page.numbers[i]}, less than a hundredth "
                "of the largest; write 0 where the plates were off."
            )
        plate = self.bench.word("plates.positive_plate")
        if plate is None:
            lower = "a positive voltage is taken to mean that the lower plate is positive"
            self.remarks.append(lower)
        return -values + 0.0 if plate == "upper" else values

    def divisions(self) -> tuple[FloatArray, IntArray]:
        """What moved, up above zero, and +1 or -1 where it is a bound from below or above."""
        values, off, signs = self._moved()
        if self.has("direction"):
            said = [direction(word, row=row) for row, word in self.page.rows("direction")]
            signs = np.where(said, said, signs)
        for i in np.flatnonzero((signs > 0) & (values < 0)):
            raise InputError(
                f"`divisions` is {values[i]:g} in row {self.page.numbers[i]}, and its direction "
                "says up; the signs contradict each other."
            )
        values, off = np.where(signs, signs * abs(values), values), np.where(signs, signs, 1) * off
        read = "divisions" if self.has("divisions") else "start` or `end"
        self.need_all(read, values, "write the number, or a reason for giving it up")
        if self.bench.word("run.image_inverted", False):
            values, off = -values + 0.0, -off
            self.remarks.append("the image is inverted, so up and down were exchanged")
        return values, off

    def _moved(self) -> tuple[FloatArray, IntArray, IntArray]:
        """Distances as written, their limits, and their arrows."""
        none = np.zeros(len(self.page.cells), dtype=np.int64)
        if self.has("divisions"):
            values, off, arrows = self.numbers("divisions")
            if self.has("start", "end"):
                self._agree(values)
            return values, off, arrows
        if self.has("start", "end"):
            one, other = (self.page.headers[name] for name in ("start", "end"))
            if one.sign != other.sign:
                raise InputError(
                    f"down is positive in one of {one.text!r} and {other.text!r} alone; say so of "
                    "both, or of none."
                )
            start, end = self.numbers("start"), self.numbers("end")
            return end[0] - start[0], end[1] - start[1], none
        self.page.need_none_like("divisions")
        if not self.bench.has("run.distance"):
            raise InputError(
                "`run` has no divisions; give a column of them, start and end, or "
                "`run.distance` in the apparatus file for passages of one length."
            )
        gate, length = _gate(self.bench)
        self.remarks.append(f"every passage is taken to be {length}")
        return np.full(none.size, gate), none, none

    def _agree(self, values: FloatArray) -> None:
        a, b = abs(values), abs(self.numbers("end")[0] - self.numbers("start")[0])
        for i in np.flatnonzero(abs(a - b) > 1e-6 + 0.05 * np.maximum(a, b)):
            raise InputError(
                f"`divisions` is {a[i]:g} in row {self.page.numbers[i]}, while start and end "
                f"differ by {b[i]:g}; mend one of them."
            )

    def seconds(self) -> FloatArray:
        given, n = self.bench.get("run.interval"), len(self.page.cells)
        if not self.has("seconds"):
            self.page.need_none_like("seconds")
            if any(header.text.strip() == "T" for header in self.page.unused):
                raise InputError(
                    "the column 'T' may be times or temperatures; call it t (s) or T (K)."
                )
        values = self.numbers("seconds")[0] if self.has("seconds") else np.full(n, np.nan)
        if given is not None:
            values = np.where(np.isnan(values), given.value, values)
        elif not self.has("seconds"):
            self.remarks.append("no times are given; all readings are taken to last equally long")
            values = np.ones(n)
        self.need_all(
            "seconds", values, "write the time, or `interval` under [run] in the apparatus file"
        )
        for i in np.flatnonzero((values <= 0) & self.keep):
            row = self.page.numbers[i]
            raise InputError(f"`seconds` is {values[i]:g} in row {row}; a reading takes time.")
        return values


def _turned(page: Page, volts: FloatArray, use: list[bool]) -> FloatArray:
    """The voltages of some rows with the sign that a column of polarities gives them."""
    turned = volts.copy()
    for i, (row, word) in enumerate(itertools.compress(page.rows("polarity"), use)):
        sign = direction(word, row=row, column="polarity")
        if sign > 0 > volts[i]:
            raise InputError(f"`voltage` is {volts[i]:g} in row {row}, of polarity {word!r}.")
        turned[i] = -abs(volts[i]) + 0.0 if sign < 0 else volts[i]
    return turned


def is_zero(volts: str) -> bool:
    """Whether a cell says zero voltage, where no state is needed."""
    with contextlib.suppress(InputError):
        return cell_number(volts, column="voltage", row=0, comma=True)[0] == 0
    return False


def labels(cells: list[str]) -> list[str]:
    """Labels as they are compared: a spreadsheet makes 1.0 of 1."""
    return [cell.strip().removesuffix(".0") for cell in cells]


def filled(cells: list[str], default: str) -> list[str]:
    """Labels; blank ones repeat what stands above, as where a heading is written once."""
    last = default
    return [last := label or last for label in labels(cells)]


def under_headings(page: Page) -> Page:
    """The page with the label of a particle that stands alone in a row put to those below it."""
    if "particle" not in page.cells:
        return page
    written, rows = page.written[page.headers["particle"].text], page.cells.index
    named = pd.Series(filled(written.tolist(), ""), written.index)[rows]
    alone = dict.fromkeys(named[named.to_numpy() != filled(page.text("particle"), "")])
    remarks = [f"{label!r} stands alone in a row, and is taken for those below" for label in alone]
    cells = page.cells.assign(particle=named)
    return dataclasses.replace(page, cells=cells, remarks=(*page.remarks, *remarks))


def _filled_from_above(page: Page, bench: Apparatus) -> Page:
    """The page with blank states and voltages as those above, where the bench declares it."""
    cells, remarks = page.cells, page.remarks
    if "state" in cells and bench.word("run.blank_state") == "as above":
        cells = cells.assign(state=filled(page.text("state"), ""))
    if "voltage" in cells and bench.word("run.blank_voltage") == "as above":
        read = zip(page.rows("voltage"), page.kept_rows[0], strict=True)
        there = np.array([_is_written(page, row, cell, use) for (row, cell), use in read])
        volts = cells["voltage"].where(there).ffill().fillna("")
        cells = cells.assign(voltage=volts)
        off = int((volts.map(is_zero) & ~there).sum())
        said = f"the blank voltage of {counted(off, 'row')} is the 0 V above, as declared: a fall"
        remarks += (said,) * bool(off)
    return dataclasses.replace(page, cells=cells, remarks=remarks)


def _is_written(page: Page, row: int, cell: str, use: bool) -> bool:
    """Whether a voltage is written; what cannot be read is only where the row is kept."""
    with contextlib.suppress(InputError):
        return not math.isnan(page.read("voltage", row, cell)[0])
    return use


def _partial_remarks(table: pd.DataFrame) -> list[str]:
    """What was made of readings that bound the distance, or mix two charges."""
    rows = table[table["kept"]]
    off, fell = rows["off_scale"] != 0, rows["voltage"] == 0
    falls, lost = int((off & fell).sum()), int((off & ~fell).sum())
    mixed = int((rows["changed"] & ~fell & ~off).sum())
    out = []
    if lost:
        out.append(f"{counted(lost)} left the scale, and moved at least as far as is written")
    if falls:
        out.append(
            f"{counted(falls, 'fall')} left the scale and do not count, so that the mean fall may "
            "be too slow; time falls over a shorter interval"
        )
    if mixed:
        out.append(
            f"the charge changed within {counted(mixed)}, taken as anywhere between two "
            "neighbouring steps"
        )
    return out


def _written_twice(page: Page, table: pd.DataFrame) -> list[str]:
    """Rows alike in every column, where one of them sets rows apart, or alike in their time of day.

    Where rows have no number, time or note of their own, repeats are often alike by chance.
    """
    if "clock" not in page.headers and not page.written.duplicated().any():
        return []
    written = page.written.loc[table["row"][table["kept"] & (table["off_scale"] == 0)].unique()]
    named = {name: header.text for name, header in page.headers.items() if header.text in written}
    label = [named[name] for name in ("particle", "state", "voltage") if name in named]
    own = [text for text in written if text not in (*label, *page.measured)]
    out = []

    def say(rows: pd.DataFrame, columns: list[str], what: str) -> None:
        same = rows[rows.duplicated(columns, keep=False)]
        if not same.empty:
            key = same[columns].agg("\n".join, axis=1)
            groups = [page.named(same.index[at]) for at in same.groupby(key).indices.values()]
            others = "; and others" if groups[_MOST_SHOWN:] else ""
            out.append(f"{'; '.join(groups[:_MOST_SHOWN])}{others} {what}")

    if own and not written.drop_duplicates().duplicated([*own, *label]).any():
        every = written.columns.tolist()
        say(written, every, "are alike in every column; give up those that are copies")
    if "clock" in named:
        full = written[named["clock"]].str.fullmatch(CLOCK) & ~written.duplicated(keep=False)
        say(written[full], [named["clock"]], "have the same time of day; mend the clock")
    return out


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


def of_particle(page: Page, particle: object) -> tuple[FloatArray, list[str] | None, str]:
    """The voltages, states and label of one particle."""
    need_readings(page)
    page = under_headings(page)
    whose, states = filled(page.text("particle"), "1"), labels(page.text("state"))
    rows = pd.DataFrame({"particle": whose, "state": states})[page.kept_rows[0]]
    there = rows["particle"].unique().tolist()
    wanted = str(particle) if particle is not None else (there or ["1"])[0]
    if (particle is None and len(there) > 1) or (there and wanted not in there):
        raise InputError(
            f"`particle` is {particle!r}, and `{page.source}` holds {', '.join(there)}; name one."
        )
    mine = (rows["particle"] == wanted).to_numpy(bool)
    volts = _turned(page, page.column("voltage"), page.kept_rows[0])[mine]
    states = rows["state"][mine].tolist()
    if not any(states):
        return volts, None, wanted
    if not all(states):
        raise InputError(
            f"column `state` is blank in some rows of `{page.source}`; label every one, or none."
        )
    return volts, states, wanted
