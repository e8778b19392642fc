"""Boxes of unit, offset, sigma and growth, and how they are split."""

from __future__ import annotations

import dataclasses

import numpy as np

from quantize._support.validation import BoolArray, FloatArray, IntArray


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Boxes:
    """Arrays of shape (m,): one box each.

    `place` of n0·2^`level` cells of log unit, `part` of 2^`fold` cells of the offset, and the nodes
    from `s0` up to but not including `s1` of sigma and from `g0` to `g1` of growth.
    """

    place: IntArray
    level: IntArray
    part: IntArray
    fold: IntArray
    s0: IntArray
    s1: IntArray
    g0: IntArray
    g1: IntArray

    @property
    def size(self) -> int:
        """Number of boxes."""
        return int(self.place.size)

    @property
    def single(self) -> BoolArray:
        """Whether a box holds one node of sigma and of growth."""
        single: BoolArray = (self.s1 - self.s0 == 1) & (self.g1 - self.g0 == 1)
        return single

    def rows(self, which: IntArray | BoolArray | slice) -> Boxes:
        """Some of them."""
        return Boxes(**{f.name: getattr(self, f.name)[which] for f in dataclasses.fields(self)})

    def halved(self, which: BoolArray, name: str) -> Boxes:
        """Those in `which` replaced by their two halves in one direction, the others kept."""
        kept, split = self.rows(~which), self.rows(which)
        if not split.size:
            return self
        lower, upper = dataclasses.replace(split), dataclasses.replace(split)
        if name in ("place", "part"):
            depth = "level" if name == "place" else "fold"
            deeper = getattr(split, depth) + 1
            at = 2 * getattr(split, name)
            lower = dataclasses.replace(split, **{name: at, depth: deeper})
            upper = dataclasses.replace(split, **{name: at + 1, depth: deeper})
        else:
            first, last = f"{name}0", f"{name}1"
            middle = (getattr(split, first) + getattr(split, last)) // 2
            lower = dataclasses.replace(split, **{last: middle})
            upper = dataclasses.replace(split, **{first: middle})
        return joined([kept, lower, upper])


def joined(parts: list[Boxes]) -> Boxes:
    """One after the other."""
    return Boxes(
        **{
            f.name: np.concatenate([getattr(part, f.name) for part in parts])
            for f in dataclasses.fields(Boxes)
        }
    )


def whole(cells: int, sigmas: int, growths: int) -> Boxes:
    """`cells` of log unit, each with every offset, sigma and growth."""
    zero = np.zeros(cells, dtype=np.int64)
    return Boxes(
        place=np.arange(cells),
        level=zero,
        part=zero,
        fold=zero,
        s0=zero,
        s1=zero + sigmas,
        g0=zero,
        g1=zero + growths,
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
