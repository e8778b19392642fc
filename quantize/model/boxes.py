"""Boxes of unit, offset, sigma and growth, and how they are split."""

from __future__ import annotations

import numpy as np

from quantize._support.validation import BoolArray, FloatArray, IntArray

_FIELDS = ("place", "level", "part", "fold", "s0", "s1", "g0", "g1")
DIRECTIONS = ("unit", "offset", "sigma", "growth")
"""What a box can be halved in, in the order in which `Boxes.halved` numbers them."""


class Boxes:
    """Boxes in columns: an array of shape (8, m).

    `place` of n0·2^`level` cells of log unit, `part` of 2^`fold` cells of the offset, and the nodes
    from `s0` up to but not including `s1` of sigma and from `g0` to `g1` of growth.
    """

    def __init__(self, columns: IntArray) -> None:
        self.columns = columns
        (
            self.place,
            self.level,
            self.part,
            self.fold,
            self.s0,
            self.s1,
            self.g0,
            self.g1,
        ) = columns

    @classmethod
    def of(cls, **fields: IntArray | int) -> Boxes:
        """From the fields by name, all of one shape or a number."""
        return cls(np.stack(np.broadcast_arrays(*(fields[name] for name in _FIELDS))))

    @property
    def size(self) -> int:
        """Number of boxes."""
        return int(self.columns.shape[1])

    @property
    def single(self) -> BoolArray:
        """Whether a box holds one node of sigma and of growth."""
        single: BoolArray = (self.s1 - self.s0 == 1) & (self.g1 - self.g0 == 1)
        return single

    def rows(self, which: IntArray | BoolArray | slice) -> Boxes:
        """Some of them."""
        return Boxes(self.columns[:, which])

    def halved(self, direction: IntArray) -> Boxes:
        """Every box replaced by its two halves in its direction (see `DIRECTIONS`)."""
        columns = np.repeat(self.columns, 2, axis=1)
        upper = np.tile([0, 1], self.size)
        way = np.repeat(direction, 2)
        for number, (at, depth) in enumerate(((0, 1), (2, 3))):
            here = np.flatnonzero(way == number)
            columns[at, here] = 2 * columns[at, here] + upper[here]
            columns[depth, here] += 1
        for number, (first, last) in enumerate(((4, 5), (6, 7)), start=2):
            for half, end in ((0, last), (1, first)):
                here = np.flatnonzero((way == number) & (upper == half))
                columns[end, here] = (columns[first, here] + columns[last, here]) // 2
        return Boxes(columns)


def joined(parts: list[Boxes]) -> Boxes:
    """One after the other."""
    return Boxes(np.concatenate([part.columns for part in parts], axis=1))


def whole(cells: int, level: int, sigmas: int, growths: int) -> Boxes:
    """`cells`·2^`level` of log unit, each with every offset, sigma and growth."""
    return Boxes.of(
        place=np.arange(cells * 2**level),
        level=level,
        part=0,
        fold=0,
        s0=0,
        s1=sigmas,
        g0=0,
        g1=growths,
    )


def range_maxima(values: FloatArray) -> FloatArray:
    """Table t[i, j] of the largest of values[i:j]; −inf where that is empty."""
    n = values.size
    table = np.full((n, n + 1), -np.inf)
    for i in range(n):
        table[i, i + 1 :] = np.maximum.accumulate(values[i:])
    return table


def pieces(
    start: FloatArray, step: FloatArray, limits: tuple[float, float], offset: float
) -> FloatArray:
    """Ends of the pieces of cells of log unit, cut where a tooth meets a limit, shape (m, 4).

    Each cell is cut at one crossing of either limit at most; pieces may be empty.
    """
    end = start + step
    cuts = [start, end]
    for limit in limits:
        cycles = (limit - offset) / np.exp(np.column_stack([start, end]))
        whole = np.ceil(cycles.min(axis=1))
        crosses = (whole < cycles.max(axis=1)) & (whole != 0)
        at = np.log(np.where(crosses, (limit - offset) / np.where(crosses, whole, 1), 1.0))
        cuts.append(np.where(crosses, np.clip(at, start, end), end))
    ends: FloatArray = np.sort(np.column_stack(cuts), axis=1)
    return ends
