"""Times of a fall and of a rise that stand in one row of a page become two readings."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from quantize._support.errors import InputError
from quantize.charge.headers import PASSAGES, Header
from quantize.charge.page import Page

if TYPE_CHECKING:
    from quantize.charge.apparatus import Apparatus


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
