"""Which whole numbers can belong to the readings: every assignment worth a look.

At a trial frequency f = 1/u (and phase c of the offset) the readings get the whole numbers
k = round(x·f − c). As f grows k changes only where some x·f − c passes a half, so the distinct
assignments in a range are finite in number and can all be visited. Each is judged by the residual
variance of its own least-squares fit in units of its own u²,

    criterion(k) = min over u (and b) of Σ w (x − b − u·k)² / (Σ w · u²),

which is Broadbent's lumped variance. Dividing by u² is what keeps u → 0 from winning: it is the
normaliser of the comb likelihood with unknown sigma, in the limit of small sigma/u. The variance
of rounding (`grain`) is added to the residual variance, so that u and u/2 do not tie on exact data.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from quantize._support.errors import InputError
from quantize._support.validation import FloatArray, IntArray
from quantize.comb.sums import blocks

_MOST_BREAKS = 20_000_000
_BLOCK = 2**15


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Candidates:
    """Assignments as the frequency and phase that produce them, with unit and criterion."""

    frequency: FloatArray
    phase: FloatArray
    unit: FloatArray
    criterion: FloatArray


def fixed_offset(
    x: FloatArray, w: FloatArray, low: float, high: float, *, grain: float = 0.0
) -> Candidates:
    """Every assignment for units from `low` to `high` with the comb through zero.

    The sums Σw·x·k and Σw·k² are carried from one break point to the next, so that M break
    points cost M·log M.

    `InputError` if there are more break points than fit in memory.
    """
    first, last = 1 / high, 1 / low
    expected = float(np.abs(x).sum()) * (last - first)
    if expected > _MOST_BREAKS:
        raise InputError(
            f"`unit_range` ({low:g}, {high:g}) gives {expected:.3g} assignments of whole numbers, "
            f"more than the {_MOST_BREAKS:.3g} that fit in memory; raise the low end or use "
            "periodogram, which needs no assignments."
        )
    size = np.abs(x)
    sign = np.sign(x)
    # Break points of reading i: |x_i|·f = j + 1/2.
    start = np.floor(size * first + 0.5)
    stop = np.floor(size * last + 0.5)
    number = np.maximum(stop - start, 0).astype(np.int64)
    owner = np.repeat(np.arange(x.size), number)
    before = np.concatenate([[0], np.cumsum(number)[:-1]])
    old = np.repeat(start, number) + (np.arange(owner.size) - np.repeat(before, number))
    at = (old + 0.5) / size[owner]
    order = _ascending((at[None] - first) / (last - first))[0]
    at, owner, old = at[order], owner[order], old[order]
    k0 = sign * start
    sxk = float(np.sum(w * x * k0)) + np.concatenate([[0.0], np.cumsum(w[owner] * size[owner])])
    skk = float(np.sum(w * k0**2)) + np.concatenate([[0.0], np.cumsum(w[owner] * (2 * old + 1))])
    edges = np.concatenate([[first], at, [last]])
    middle = 0.5 * (edges[:-1] + edges[1:])
    with np.errstate(divide="ignore", invalid="ignore"):
        unit = sxk / skk
        criterion = (np.sum(w * x**2) * skk / sxk**2 - 1) * skk / np.sum(w)
    usable = (skk > 0) & (unit >= low) & (unit <= high)
    return Candidates(
        frequency=middle[usable],
        phase=np.zeros(int(usable.sum())),
        unit=unit[usable],
        criterion=np.maximum(criterion[usable], 0.0) + grain / unit[usable] ** 2,
    )


def free_offset(
    x: FloatArray, w: FloatArray, low: float, high: float, *, grain: float = 0.0, fineness: int = 12
) -> Candidates:
    """The best assignment at each of many frequencies, the phase of the offset free.

    At one frequency only n assignments matter: the sorted phases cut at each of their n gaps. All
    are tried. The frequencies are so close that no two phases move against each other by more
    than 1/fineness from one to the next.
    """
    first, last = 1 / high, 1 / low
    centre = float(np.sum(w * x) / np.sum(w))
    z = x - centre
    size = max(int(np.ceil((last - first) * np.ptp(z) * fineness)), 8) + 1
    if size * x.size > 20 * _MOST_BREAKS:
        raise InputError(
            f"`unit_range` ({low:g}, {high:g}) needs {size:.3g} trial units for {x.size} readings; "
            "raise the low end or use periodogram."
        )
    frequencies = np.linspace(first, last, size)
    parts = [
        _cut_everywhere(z, w, frequencies[part], (low, high), grain)
        for part in blocks(size, _BLOCK // x.size)
    ]
    f, c, unit, criterion = (np.concatenate([p[j] for p in parts]) for j in range(4))
    # Phases were taken from the centre; give them from zero.
    return Candidates(frequency=f, phase=(c + centre * f) % 1.0, unit=unit, criterion=criterion)


def _cut_everywhere(
    z: FloatArray, w: FloatArray, f: FloatArray, limits: tuple[float, float], grain: float
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    t = np.multiply.outer(f, z)
    base = np.floor(t)
    t -= base
    order = _ascending(t)
    ws, total = w[order], float(np.sum(w))
    k = np.take_along_axis(base, order, axis=1)

    # Cut j: the j smallest phases belong one tooth further on than the rest of their cycle.
    def less(whole: FloatArray, extra: FloatArray) -> FloatArray:
        out = np.empty(base.shape)
        out[:, 0] = 0.0
        np.cumsum(extra[:, :-1], axis=1, out=out[:, 1:])
        return np.subtract(whole[:, None], out, out=out)

    # Lowering k by one for the j smallest phases.
    sk = less(base @ w, ws)
    cov = less(base @ (w * z), (w * z)[order])
    k *= 2
    k -= 1
    k *= ws
    var_k = less(np.square(base) @ w, k)
    var_z = float(np.sum(w * z**2) - np.sum(w * z) ** 2 / total)
    var_k -= np.square(sk) / total
    sk *= float(np.sum(w * z)) / total
    cov -= sk
    with np.errstate(divide="ignore", invalid="ignore"):
        unit = cov / var_k
        criterion = (var_z / (unit * cov) - 1) * var_k / total
    low, high = limits
    usable = (var_k > 1e-12 * total) & (cov > 0) & (unit >= low) & (unit <= high)
    criterion = np.where(usable, np.maximum(criterion, 0.0) + grain / unit**2, np.inf)
    best = np.argmin(criterion, axis=1)
    rows = np.arange(f.size)
    # A phase of the offset that puts the cut in the middle of its gap.
    gap_below = t[rows, order[rows, best - 1]] - (best == 0)
    cut = 0.5 * (gap_below + t[rows, order[rows, best]])
    good = np.isfinite(criterion[rows, best])
    return (f[good], (cut[good] + 0.5) % 1.0, unit[rows, best][good], criterion[rows, best][good])


def _ascending(t: FloatArray) -> IntArray:
    """The order of numbers from 0 to 1 along each row, equal ones as they stand.

    Numbers and places in one integer sort several times as fast as places by numbers.
    """
    bits = int(t.shape[1]).bit_length()
    keys: IntArray = (t * 2.0 ** (62 - bits)).astype(np.int64)
    keys <<= bits
    keys += np.arange(t.shape[1])
    keys.sort(axis=1)
    keys &= 2**bits - 1
    return keys


def pull_on_unit(
    k: FloatArray, w: FloatArray, *, free: bool, counts: FloatArray | IntArray | float = 1.0
) -> FloatArray:
    """What each reading weighs in the least-squares unit of an assignment; zeros if in none.

    Each entry stands for so many readings as `counts` says.
    """
    lever = k - np.average(k, weights=counts * w) if free else k
    total = float(np.sum(counts * w * lever**2))
    return w * lever / total if total > 0 else np.zeros(k.size)
