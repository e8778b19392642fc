"""Tracks: many positions of one movement become one reading with its own error."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING

import numpy as np

from quantize._support.errors import InputError
from quantize._support.validation import FloatArray
from quantize.charge.headers import Header
from quantize.charge.noise import diffusion_of
from quantize.charge.page import cell_number
from quantize.charge.reticle import generalised_line, written_step

if TYPE_CHECKING:
    from quantize.charge.apparatus import Apparatus
    from quantize.charge.page import Page

_ONE_MOVEMENT = ("track", "particle", "state", "voltage")
_LEAST_STEPS = 20


@dataclasses.dataclass(frozen=True)
class _Track:
    rows: list[int]
    times: FloatArray
    positions: FloatArray


def fold_tracks(page: Page, bench: Apparatus) -> tuple[Page, list[str]]:
    r"""Turn positions into one row for each track, and say what was assumed.

    A track ends where particle, state, voltage or track number change, or the time goes back.
    Its speed is the generalised straight line of `Reticle.track`; the row gets the speed times
    the duration under `divisions`, the duration under `seconds`, and the standard error of the
    former under `track_error`.

    Notes
    -----
    The Brownian motion comes from the diameter in the apparatus. Without one it comes from the
    steps Δx of all tracks over Δt, about the drift of each:
    :math:`D = \overline{\Delta x_n^2}/2\Delta t + \overline{\Delta x_n\Delta x_{n+1}}/\Delta t`,
    in which the error of a single position cancels. That error is `reticle.localisation`, else
    the rounding of the positions as written.

    References
    ----------
    Vestergaard, Blainey and Flyvbjerg, Phys. Rev. E 89:022726 (2014).
    """
    if "divisions" in page.cells or "start" in page.cells:
        raise InputError(
            f"`run` ({page.source}) has positions and distances; give one row for each position "
            "of a track, or one for each distance."
        )
    if "seconds" not in page.cells:
        raise InputError(
            f"`run` ({page.source}) has positions without times; add a column with the time of "
            "each, in seconds."
        )
    tracks = _tracks(page, bench)
    noise = _localisation(tracks, bench)
    diffusion, whence = _diffusion(tracks, bench)
    cells = {
        name: [column[track.rows[0]] for track in tracks]
        for name, column in page.cells.items()
        if name not in ("position", "seconds", "keep", "reason")
    }
    lines = [
        generalised_line(t.times - t.times[0], t.positions, diffusion, noise, unit="div/s")
        for t in tracks
    ]
    lasted = [float(track.times[-1] - track.times[0]) for track in tracks]
    moved = [line.value * time for line, time in zip(lines, lasted, strict=True)]
    spread = [line.standard_uncertainty * time for line, time in zip(lines, lasted, strict=True)]
    cells |= {
        "divisions": [repr(x) for x in moved],
        "seconds": [repr(t) for t in lasted],
        "track_error": [repr(s) for s in spread],
        "positions": [str(len(track.rows)) for track in tracks],
    }
    for name, default in (("keep", ""), ("reason", "")):
        if name in page.cells:
            column = page.cells[name]
            cells[name] = [
                next((column[i] for i in track.rows if column[i].strip()), default)
                for track in tracks
            ]
    remark = (
        f"{sum(len(t.rows) for t in tracks)} positions form {len(tracks)} tracks, each read as "
        f"one speed by generalised least squares; Brownian motion {whence}, positions good to "
        f"{noise:.2g} divisions"
    )
    return dataclasses.replace(
        page,
        cells=cells,
        headers=page.headers | {n: Header(n) for n in ("divisions", "seconds")},
        numbers=[page.numbers[track.rows[0]] for track in tracks],
    ), [remark]


def _tracks(page: Page, bench: Apparatus) -> list[_Track]:
    positions = _column(page, "position", bench)
    times = _column(page, "seconds", bench)
    keys = list(zip(*(page.cells[n] for n in _ONE_MOVEMENT if n in page.cells), strict=True))
    groups: list[list[int]] = []
    for i in range(len(page.numbers)):
        fresh = not groups or (bool(keys) and keys[i] != keys[i - 1]) or times[i] < times[i - 1]
        if fresh:
            groups.append([])
        elif times[i] == times[i - 1]:
            raise InputError(
                f"`seconds` is {times[i]:g} in row {page.numbers[i]} as in the row above; the "
                "positions of a track follow each other in time."
            )
        groups[-1].append(i)
    for rows in groups:
        if len(rows) < 2:
            raise InputError(
                f"`position` in row {page.numbers[rows[0]]} is the only one of its track; a speed "
                "needs two at least."
            )
    return [_Track(rows, times[rows], positions[rows]) for rows in groups]


def _column(page: Page, name: str, bench: Apparatus) -> FloatArray:
    scale = page.scale(name, bench)
    values = np.empty(len(page.numbers))
    for i, (cell, row) in enumerate(zip(page.cells[name], page.numbers, strict=True)):
        value, limit, _ = cell_number(cell, column=name, row=row, comma=page.comma)
        if math.isnan(value) or limit:
            raise InputError(
                f"`{name}` is {cell!r} in row {row}; each position of a track needs a number, so "
                "leave the row out."
            )
        values[i] = value * scale
    return values


def _localisation(tracks: list[_Track], bench: Apparatus) -> float:
    given = bench.get("reticle.localisation")
    if given is not None:
        return given.value
    every = np.concatenate([track.positions for track in tracks])
    declared = bench.get("reticle.step")
    step = written_step(every) if declared is None else declared.value
    if step is None:
        raise InputError(
            "`reticle.localisation` is missing: the positions are written in full precision, so "
            "say in the apparatus file how well one of them is known, in divisions."
        )
    return step / math.sqrt(12)


def _diffusion(tracks: list[_Track], bench: Apparatus) -> tuple[float, str]:
    """Divisions²/s, and where it came from."""
    if bench.has("sphere.diameter", "reticle.division"):
        return diffusion_of(bench), "from the diameter"
    total, time, steps = 0.0, 0.0, 0
    for track in tracks:
        dt, dx = np.diff(track.times), np.diff(track.positions)
        n = dx.size
        if n < 3:
            continue
        rest = dx - dt * (track.positions[-1] - track.positions[0]) / dt.sum()
        # The drift takes its part of the squares, and makes neighbours go against each other.
        total += (rest @ rest + 2 * rest[:-1] @ rest[1:]) * n**2 / ((n - 1) * (n - 2))
        time, steps = time + 2 * float(dt.sum()), steps + n
    if steps < _LEAST_STEPS:
        raise InputError(
            "`sphere.diameter` is missing: how far a sphere wanders follows from its size, or from "
            f"{_LEAST_STEPS} steps of its tracks at least; give the diameter and the scale."
        )
    return max(float(total) / time, 1e-12), "from the tracks themselves"
