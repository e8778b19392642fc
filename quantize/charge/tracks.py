"""Tracks and passages: positions of one movement become one reading, two times in a row two."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from quantize._support.errors import InputError
from quantize._support.validation import FloatArray
from quantize.charge.apparatus import value_of
from quantize.charge.headers import PASSAGES, Header, kept
from quantize.charge.noise import diffusion_of
from quantize.charge.reticle import generalised_line, unscaled, written_step

if TYPE_CHECKING:
    from quantize.charge.apparatus import Apparatus
    from quantize.charge.page import Page

_ONE_MOVEMENT = ("track", "particle", "state", "voltage")
_LEAST_STEPS = 20
_JUMP = 10.0  # standard deviations of a step


@dataclasses.dataclass(frozen=True)
class _Track:
    rows: pd.DataFrame
    times: FloatArray
    positions: FloatArray


def fold_tracks(page: Page, bench: Apparatus) -> tuple[Page, list[str]]:
    """Turn positions into one row for each track, and say what was assumed.

    A track ends where particle, state, voltage or track number change, or the time goes back.
    Its speed is the generalised straight line of `Reticle.track`; the row gets the speed times
    the duration under `divisions`, the duration under `seconds`, and the standard error of the
    former under `track_error`. The error of a position is `reticle.localisation`, else the rounding
    of the positions as written.
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
    noise = _localisation(tracks, bench, abs(page.scale("position", bench)))
    diffusion, whence = _diffusion(tracks, bench)
    readings = []
    for track in tracks:
        t, y = track.times - track.times[0], track.positions
        line, lasted = generalised_line(t, y, diffusion, noise, unit="div/s"), float(t[-1])
        reading = {
            "divisions": repr(line.value * lasted),
            "seconds": repr(lasted),
            "track_error": repr(line.standard_uncertainty * lasted),
            "positions": str(t.size),
        }
        said = _said(page, track)
        if kept(said.get("keep", ""), row=0) is not False:
            _need_one_movement(page, track, diffusion, noise)
        readings.append(track.rows.iloc[0].drop("position").to_dict() | reading | said)
    remark = (
        f"{len(page.cells)} positions form {len(tracks)} tracks, each read as "
        f"one speed by generalised least squares; Brownian motion {whence}, positions good to "
        f"{noise:.2g} divisions"
    )
    return dataclasses.replace(
        page,
        cells=pd.DataFrame(readings, index=[track.rows.index[0] for track in tracks]),
        headers=page.headers | {n: Header(n) for n in ("divisions", "seconds")},
    ), [remark]


def _tracks(page: Page, bench: Apparatus) -> list[_Track]:
    positions, times = (_column(page, name, bench) for name in ("position", "seconds"))
    keys = page.cells[[name for name in _ONE_MOVEMENT if name in page.cells]]
    fresh = np.array((keys != keys.shift()).any(axis=1))
    fresh[1:] |= np.diff(times) < 0
    fresh[:1] = True
    for i in np.flatnonzero(~fresh):
        if times[i] == times[i - 1]:
            raise InputError(
                f"`seconds` is {times[i]:g} in row {page.numbers[i]} as in the row above; the "
                "positions of a track follow each other in time."
            )
    tracks = []
    for at in np.split(np.arange(times.size), np.flatnonzero(fresh)[1:]):
        if at.size < 2:
            raise InputError(
                f"`position` in row {page.numbers[at[0]]} is the only one of its track; a speed "
                "needs two at least."
            )
        tracks.append(_Track(page.cells.iloc[at], times[at], positions[at]))
    return tracks


def _said(page: Page, track: _Track) -> dict[str, str]:
    """What any row of a track says in words; it is given up, or changed, if one of them says so."""
    decides = {"keep": False, "changed": True}
    said = {}
    for name in {"keep", "reason", "event", "note", "changed"} & set(track.rows):
        words = dict.fromkeys(cell.strip() for cell in track.rows[name] if cell.strip())
        said[name] = "; ".join(words)
        if name in decides:
            first = page.number(track.rows.index[0])
            meant = {kept(word, row=first, column=name): word for word in words}
            said[name] = meant.get(decides[name], next(iter(words), ""))
    return said


def _need_one_movement(page: Page, track: _Track, diffusion: float, noise: float) -> None:
    """Raise InputError for a position that no walk has reached from the one before."""
    dt, dx = np.diff(track.times), np.diff(track.positions)
    steps = dx - dt * np.median(dx / dt)
    off = np.abs(steps) / np.sqrt(2 * diffusion * dt + 2 * noise**2)
    far = int(off.argmax())
    if off.size > 2 and off[far] > _JUMP * max(1.0, float(np.median(off))):
        row = page.number(track.rows.index[far + 1])
        raise InputError(
            f"`position` in row {row} is {abs(steps[far]):.3g} divisions "
            "from where the rest of its track would have it; if another passage begins there, give "
            "each a number in a column `track`, else leave the row out."
        )


def _column(page: Page, name: str, bench: Apparatus) -> FloatArray:
    values = []
    for row, cell in page.rows(name):
        value, limit, _ = page.read(name, row, cell)
        if math.isnan(value) or limit:
            raise InputError(
                f"`{name}` is {cell!r} in row {row}; each position of a track needs a number, so "
                "leave the row out."
            )
        values.append(value)
    return np.array(values) * page.scale(name, bench)


def _localisation(tracks: list[_Track], bench: Apparatus, one: float) -> float:
    """Error of one position; they are written in units of `one` division each."""
    if bench.has("reticle.localisation"):
        return bench.need("reticle.localisation").value
    every = np.concatenate([track.positions for track in tracks])
    shown = (written_step(unscaled(every, one)) or 0.0) * one
    step = value_of(bench, "reticle.step", shown)
    if not step:
        raise InputError(
            "`reticle.localisation` is missing: the positions are written in full precision, so "
            "say in the apparatus file how well one of them is known, in divisions."
        )
    return step / math.sqrt(12)


def _diffusion(tracks: list[_Track], bench: Apparatus) -> tuple[float, str]:
    """Divisions²/s, and where it came from: the diameter in the apparatus, or else the steps Δx.

    About the drift of each track their squares, and the products of neighbours, are sums of parts
    in proportion to D and to the square of the error of a position: two equations for both (after
    Vestergaard, Blainey and Flyvbjerg, Phys. Rev. E 89:022726, 2014, for even steps about none).
    """
    if bench.has("sphere.diameter", "reticle.division"):
        return diffusion_of(bench), "from the diameter"
    sums, parts, steps = np.zeros(2), np.zeros((2, 2)), 0
    for track in tracks:
        dt, dx = np.diff(track.times), np.diff(track.positions)
        n = dx.size
        if n < 3:
            continue
        length = dt.sum()
        rest = dx - dt * dx.sum() / length
        sums += rest @ rest, rest[:-1] @ rest[1:]
        # What the drift takes away, of the squares and of neighbours.
        own, near = dt @ dt / length, dt[:-1] @ dt[1:] / length
        ends, inner = dt[0] + dt[-1], dt[1] + dt[-2]
        parts[0] += 2 * (length - own), 2 * (n - (ends - own) / length)
        parts[1] += -2 * near, 1 - n - (inner - 2 * near) / length
        steps += n
    if steps < _LEAST_STEPS:
        raise InputError(
            "`sphere.diameter` is missing: how far a sphere wanders follows from its size, or from "
            f"{_LEAST_STEPS} steps of its tracks at least; give the diameter and the scale."
        )
    return max(float(np.linalg.solve(parts, sums)[0]), 1e-12), "from the tracks themselves"


def fold_passages(page: Page, bench: Apparatus) -> tuple[Page, list[str]]:
    """Turn the times of a fall and of a rise in one row into two readings.

    The fall is one without field, the rise one at the voltage of its row, else at that of the
    apparatus.
    """
    if "seconds" in page.cells:
        raise InputError(
            f"`run` ({page.source}) has times of falls and rises in {_shown(page)} and other times "
            f"in {page.headers['seconds'].text!r}; keep the former, or one time a row."
        )
    timed = [page.headers[name] for name in PASSAGES if name in page.headers]
    if len({header.factor() for header in timed}) > 1:
        raise InputError(
            f"`run` ({page.source}) has {_shown(page)} in two units; write both in seconds."
        )
    given = bench.get("plates.voltage")
    if "voltage" not in page.cells and given is None:
        raise InputError(
            f"`run` ({page.source}) has times of falls and rises and no voltage at which the "
            "sphere rose; give a column of it, or `voltage` under [plates] in the apparatus file."
        )
    volts = page.cells.get("voltage", repr(given.value) if given else "")
    ways = {"up": "down", "down": "up"} if bench.word("run.image_inverted", False) else {}
    pieces, places = [], []
    for name, way in PASSAGES.items():
        if name not in page.cells:
            continue
        rows = page.cells.assign(
            seconds=page.cells[name],
            voltage=volts if way == "up" else "0",
            # The clock knows what the sphere did, whatever the image showed.
            direction=ways.get(way, way),
        )
        there = rows["seconds"].str.strip() != ""
        pieces.append(rows[there])
        places.append(np.flatnonzero(there))
    order = np.argsort(np.concatenate(places), kind="stable")
    cells = pd.concat(pieces).drop(columns=[*PASSAGES], errors="ignore").iloc[order]
    falls = int((cells["voltage"] == "0").sum())
    remark = (
        f"{_shown(page)} are the times of {falls} falls without field and {len(cells) - falls} "
        "rises at the voltage of their row"
    )
    headers = {"voltage": Header("voltage")} | page.headers | {"seconds": timed[0]}
    return dataclasses.replace(page, cells=cells, headers=headers), [remark]


def _shown(page: Page) -> str:
    return " and ".join(repr(page.headers[n].text) for n in reversed(PASSAGES) if n in page.headers)
