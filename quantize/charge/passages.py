"""Times of a fall and of a rise that stand in one row of a page become two readings."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

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
    inverted = bench.word("run.image_inverted", False)
    volts = page.cells.get("voltage") or [repr(given.value if given else 0.0)] * len(page.numbers)
    kept = {name: cells for name, cells in page.cells.items() if name not in PASSAGES}
    out: dict[str, list[str]] = {n: [] for n in (*kept, "seconds", "voltage", "direction")}
    numbers = []
    for i, number in enumerate(page.numbers):
        for name, way in PASSAGES.items():
            time = page.cells[name][i] if name in page.cells else ""
            if not time.strip():
                continue
            row = {other: cells[i] for other, cells in kept.items()}
            row["seconds"] = time
            row["voltage"] = volts[i] if way == "up" else "0"
            # The clock knows what the sphere did, whatever the image showed.
            row["direction"] = {"up": "down", "down": "up"}[way] if inverted else way
            for other, cell in row.items():
                out[other].append(cell)
            numbers.append(number)
    falls = out["voltage"].count("0")
    remark = (
        f"{_shown(page)} are the times of {falls} falls without field and {len(numbers) - falls} "
        "rises at the voltage of their row"
    )
    headers = page.headers | {"seconds": timed[0]}
    headers.setdefault("voltage", Header("voltage"))
    return dataclasses.replace(page, cells=out, headers=headers, numbers=numbers), [remark]


def _shown(page: Page) -> str:
    return " and ".join(repr(page.headers[n].text) for n in reversed(PASSAGES) if n in page.headers)
