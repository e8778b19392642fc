"""An upper bound of the likelihood where the noise grows with the reading and large ones blur.

Where the noise of a reading covers a good part of a unit it cannot say at which tooth it is, and
the sum over its teeth is an integral but for a ripple: with v(y) = s² + g²y²,

    u·Σ N(x; u·k, v(u·k)) <= 1 + 2·exp(−2π²·v/u²) + 2·g²

with v on the right that of a smaller size, x/(1 + 3g), and g up to 0.3. Without growth this is
Poisson's sum. The term in g² is above the largest that a search over sizes, noise and teeth found,
1.85·g²; nothing proves it, and a test repeats some. The bound for the other readings takes every
tooth by itself, and needs the fewer teeth the smaller they are.
"""

from __future__ import annotations

import numpy as np

from quantize._support.validation import FloatArray, IntArray
from quantize.model.noise import HALF_LOG_2PI
from quantize.model.terms import Cell, Parameters, Terms

_PARTS = 8
"""Parts into which readings are sorted by size, the smallest first."""
_FEWEST = 16
"""Fewer readings are bounded one by one."""
_BLURRED = 0.5
"""Least standard deviation of a blurred reading, in units."""
_MOST_GROWTH = 0.301
_GROWN, _INWARD = 2.0, 3.0


class BoundedTerms(Terms):
    """Terms whose sums have upper bounds in cells."""

    outward: Outward | None = None

    def bound(self, p: Parameters, cell: Cell, shares: FloatArray) -> FloatArray:
        """Upper bounds of `Likelihood.by_share` in cells around (and below) `p`, shape (m, W)."""
        if self.outward is not None:
            return self.outward.bound(p, cell, shares)
        return self._in_chunks(p, cell, shares)

    def bound_within_states(
        self, p: Parameters, cell: Cell, shares: FloatArray
    ) -> FloatArray | None:
        """Upper bounds of the log likelihood in cells, (m,), whatever the teeth; None where loose.

        A shift b moves readings of one state by different amounts: the squares of their errors add
        up to (b − b0)²/s² at least, b0 being where they agree best and s its error, and no density
        is above that of a normal error that is smaller by what was rounded.
        """
        kinds, loose = self.kinds, self.power or self.envelope.closed or np.any(shares)
        loose = loose or kinds.is_beyond.size or kinds.is_changed.size
        if self.one_lever or loose or not p.unit.size:
            return None
        best, error = self.shift_within_states(1.0)
        away = np.maximum(np.abs(p.offset - best) - cell.offset, 0.0) / error
        away = np.maximum(away - float(np.linalg.norm(kinds.rounded_by / self.scale)), 0.0)
        peak = np.sum(np.log(self.scale)) + self.x.size * (HALF_LOG_2PI + np.log(cell.sigma_low))
        occurs = np.clip(np.zeros((p.unit.size, 1, 1)), self.envelope.first, self.envelope.last)
        teeth = np.log(self.first_teeth(p, cell)[1]) + self.masses(p, cell, occurs)[:, 0, 0]
        most: FloatArray = self.states * np.maximum(teeth, 0.0) - peak
        return most - 0.5 * np.square(away / p.sigma)

    def off_scale(self, share: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Of states whose other readings are astray, so that sizes without ends are all alike.

        The log probability, shape (m, J), that the readings `apart` are off the scale, of a state
        far up or far down, and the chance that each of them is an outlier, (m, n), 1 for others.
        """
        stray = 0.5 * share[:, None]
        ends = np.array(
            [
                np.where(self.apart, stray + (1 - share[:, None]) * end, 1.0)
                for end in (self.beyond > 0, self.beyond < 0)
            ]
        )
        of_state = np.array([self.per_state(np.log(end)) for end in ends])
        both = np.logaddexp(*of_state)
        given = np.array([self.per_reading(np.exp(one - both)) for one in of_state])
        chance = np.where(self.apart, stray * np.sum(given / ends, axis=0), 1.0)
        return both - np.log(2), chance

    def work(self, p: Parameters, cell: Cell | None = None) -> FloatArray:
        """How many terms each row has, shape (m,)."""
        if cell is None or self.outward is None:
            return super().work(p, cell)
        return self.outward.work(p, cell)

    def _in_chunks(self, p: Parameters, cell: Cell | None, shares: FloatArray | None) -> FloatArray:
        raise NotImplementedError


class Outward:
    """The readings of a likelihood from the smallest outwards, in parts."""

    def __init__(self, whole: BoundedTerms) -> None:
        self.whole = whole
        size = np.abs(whole.x)
        self.order = np.argsort(size, kind="stable")
        self.cuts = np.linspace(0, size.size, _PARTS + 1).astype(np.int64)
        self.least = size[self.order][self.cuts[:-1]]
        self._kept: dict[int, BoundedTerms] = {}

    @classmethod
    def of(cls, whole: BoundedTerms) -> Outward | None:
        """None where readings differ in more than size, or an envelope has ends or a shape."""
        envelope = whole.envelope
        shaped = envelope.limited or envelope.declared or envelope.density is not None
        usable = whole.alike and whole.power == 2 and not shaped
        return cls(whole) if usable and whole.x.size >= _FEWEST else None

    def bound(self, p: Parameters, cell: Cell, shares: FloatArray) -> FloatArray:
        """As `BoundedTerms.bound`."""
        out = np.zeros((p.unit.size, shares.size))
        sharp = self._sharp(p, cell)
        for parts in np.unique(sharp):
            row = np.flatnonzero(sharp == parts)
            at, within = p.rows(row), cell.rows(row)
            if parts:
                out[row] = self._inner(int(parts)).bound(at, within, shares)
            if parts < _PARTS:
                out[row] += self._blurred(int(parts), at, within, shares)
        return out

    def work(self, p: Parameters, cell: Cell) -> FloatArray:
        """How many terms the bound of each row has, shape (m,)."""
        out = np.full(p.unit.size, float(_PARTS))
        sharp = self._sharp(p, cell)
        for parts in np.unique(sharp[sharp > 0]):
            row = np.flatnonzero(sharp == parts)
            out[row] += self._inner(int(parts)).work(p.rows(row), cell.rows(row))
        return out

    def _sharp(self, p: Parameters, cell: Cell) -> IntArray:
        """How many parts are not blurred anywhere in each cell, shape (m,)."""
        blurred = self._blur(p, cell) >= _BLURRED
        blurred &= (p.growth <= _MOST_GROWTH)[:, None]
        return np.asarray(np.sum(~blurred, axis=1))

    def _blur(self, p: Parameters, cell: Cell) -> FloatArray:
        """Least standard deviation of the readings of each part, in units, shape (m, parts)."""
        least = self.least / (1 + _INWARD * p.growth[:, None])
        constant = cell.sigma_low * self.whole.scale[0]
        deviation = np.hypot(constant[:, None], cell.growth_low[:, None] * least)
        return np.asarray(deviation / (p.unit * np.exp(cell.log_unit))[:, None])

    def _blurred(self, first: int, p: Parameters, cell: Cell, shares: FloatArray) -> FloatArray:
        """What the parts from the `first` on give together, shape (m, W)."""
        ripple = 2 * np.exp(-2 * np.square(np.pi * self._blur(p, cell)[:, first:]))
        most = np.log1p(ripple + _GROWN * np.square(p.growth)[:, None])
        # The number of teeth is least where the unit is largest, and so is the step between them.
        most += self.whole.masses(p, cell, np.zeros((p.unit.size, 1, 1)))[:, :, 0]
        most -= (np.log(p.unit) + cell.log_unit)[:, None]
        held = np.diff(self.cuts)[first:]
        outside = self.whole.envelope.outside()
        with np.errstate(divide="ignore"):
            on, off = np.log1p(-shares), outside + np.log(shares)
        total: FloatArray = np.tensordot(
            np.logaddexp(most[:, :, None] + on, off), held, axes=(1, 0)
        )
        return total

    def _inner(self, parts: int) -> BoundedTerms:
        """The likelihood of the readings of the first so many parts, each bounded by itself."""
        if parts not in self._kept:
            whole = self.whole
            keep = np.sort(whole.order[self.order[: self.cuts[parts]]])
            some = whole.readings.select(keep)
            inner = type(whole)(some, whole.envelope, power=whole.power, rounding=False)
            inner.outward = None
            self._kept[parts] = inner
        return self._kept[parts]
