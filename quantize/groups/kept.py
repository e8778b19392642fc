"""Finished groups on disk (see `quantize._support.journal`)."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from typing import Any

from quantize._support.journal import Journal, changed, versions
from quantize._support.results import jsonable
from quantize.groups.split import Group

Row = dict[str, Any]


class KeptGroups(Journal):
    """The file behind an analysis of many groups: a line for each finished group."""

    owner = "analysis of groups"
    pieces = "groups"
    schema = "quantize.groups/1"

    def open(self, header: dict[str, Any]) -> list[tuple[int, Row]]:
        """Begin or go on; returns place and row of the groups that are finished."""
        return self.begin(header, _differences, _row)

    def save(self, place: int, row: Row) -> None:
        """Write a finished group through to the disk."""
        cells = {k: repr(v) if isinstance(v, float) else v for k, v in row.items()}
        floats = [k for k, v in row.items() if isinstance(v, float)]
        self.add({"group": place, "row": cells, "floats": floats})


def header(groups: Sequence[Group], settings: dict[str, Any], seed: dict[str, Any]) -> Row:
    """What must be the same when the work goes on."""
    return {
        "schema": KeptGroups.schema,
        "versions": versions(),
        "seed": jsonable(seed),
        "settings": jsonable(settings),
        "groups": len(groups),
        "readings": _digest(groups),
    }


def _digest(groups: Sequence[Group]) -> str:
    """A short name for the labels and readings, to the last bit."""
    found = hashlib.sha256()
    for group in groups:
        found.update(repr((group.label, group.size, group.problem)).encode())
        if group.readings is not None:
            r = group.readings
            found.update(repr(r.state_labels).encode())
            for array in (r.values, r.sigma, r.state, r.resolution):
                found.update(b"-" if array is None else array.tobytes())
    return found.hexdigest()[:16]


def _row(body: dict[str, Any]) -> tuple[int, Row]:
    row = {k: float(v) if k in body["floats"] else v for k, v in body["row"].items()}
    return int(body["group"]), row


def _differences(kept: dict[str, Any], wanted: dict[str, Any]) -> list[str]:
    """What differs between two headers, in words."""
    found = changed(kept, wanted, wanted["settings"])
    if kept.get("groups") != wanted["groups"]:
        found.append(f"there were {kept.get('groups')} groups and are {wanted['groups']}")
    elif kept.get("readings") != wanted["readings"]:
        found.append("the readings are others")
    return found
