"""The sum over offsets: one comb, started anywhere within a unit.

By the Fourier series of the log density (`quantize.comb.harmonics`) the log likelihood of n
readings at every offset c is a weighted sum of the harmonics
Z_j = Σ exp(2πi·j·x/u) of the periodogram: they are computed once a unit and serve every sigma and
every offset. `log_likelihood_over_offsets_plain` is the same sum taken directly.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from quantize._support.validation import FloatArray
from quantize.comb.harmonics import coefficients, harmonics_needed
from quantize.comb.likelihood import log_density_sum
from quantize.comb.problem import NEGLIGIBLE, Problem, chunks, lattice_step

SMALLEST_SPREAD = 0.05
"""Below this sigma/u the series grows long and the plain sum, over few units, is taken."""


def harmonics(mean: FloatArray, unit: FloatArray, count: int) -> npt.NDArray[np.complex128]:
    """Z_j = Σ exp(2πi·j·mean/unit) for j = 1 … count, shape (units, count)."""
    turns = mean / unit[:, None]
    turn = np.exp(2j * np.pi * (turns - np.rint(turns)))
    out = np.empty((unit.size, count), dtype=np.complex128)
    power = turn.copy()
    for j in range(count):
        out[:, j] = power.sum(axis=1)
        power *= turn
    return out


def log_likelihood_over_offsets(
    sums: npt.NDArray[np.complex128], n: int, spread: FloatArray, count: int
) -> FloatArray:
    """Σ log density at the offsets 0, 1/count, …, for each unit: shape (units, count).

    Parameters
    ----------
    sums : numpy.ndarray, shape (units, J)
        From `harmonics`; J must reach where the coefficients vanish (`harmonics_needed`).
    n : int
        Number of readings.
    spread : numpy.ndarray, shape (units,)
        sigma/u at each unit.
    count : int
    """
    constant, coefficient = coefficients(spread, sums.shape[1])
    terms = coefficient * sums
    turns = -(-terms.shape[1] // count) * count
    padded = np.zeros((terms.shape[0], turns + count), dtype=np.complex128)
    padded[:, 1 : terms.shape[1] + 1] = terms
    folded = padded.reshape(terms.shape[0], -1, count).sum(axis=1)
    total: FloatArray = n * constant[:, None] + np.fft.fft(folded, axis=1).real
    return total


def log_likelihood_over_offsets_plain(
    mean: FloatArray, unit: FloatArray, spread: FloatArray, count: int
) -> FloatArray:
    """The same by summing the density itself; `spread` has shape (units, 1) or (units, n)."""
    offsets = np.arange(count) / count
    turns = mean / unit[:, None]
    phi = turns[:, None, :] - offsets[None, :, None]
    phi = (phi - np.rint(phi)).reshape(-1, mean.size)
    widths = np.repeat(spread, count, axis=0)
    return log_density_sum(phi, widths).reshape(unit.size, count)


def over_offsets(
    p: Problem, log_u: FloatArray, log_cell: FloatArray, sigma: float, best: float
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Log unit, phase, its width and log mass on an even lattice of offsets, one turn round.

    Nodes that cannot come within reach of `best` are left out.
    """
    spread = p.spread(sigma)
    precision = float(np.sqrt(np.sum(1 / p.levels.factor)))
    found = [(np.empty(0),) * 4]
    # The width of the peak in turns is sigma/(u·precision): serve units of like width together.
    counts = np.maximum(
        8, np.ceil(np.exp(log_u) * precision / (lattice_step(p.mean.size) * sigma))
    ).astype(int)
    counts = 2 ** np.ceil(np.log2(counts)).astype(int)
    for count in np.unique(counts):
        cells = np.flatnonzero(counts == count)
        offsets = np.arange(count) / count
        narrowest = float(spread.min() / np.exp(log_u[cells].max()))
        series = spread.size == 1 and narrowest >= SMALLEST_SPREAD
        for part in chunks(cells.size, int(count) * (4 if series else p.mean.size)):
            which = cells[part]
            u = np.exp(log_u[which])
            if series:
                sums = harmonics(p.mean, u, harmonics_needed(narrowest))
                value = log_likelihood_over_offsets(sums, p.mean.size, spread[0] / u, int(count))
            else:
                value = log_likelihood_over_offsets_plain(
                    p.mean, u, spread / u[:, None], int(count)
                )
            constant = log_cell[which] - np.log(count) - p.log_normaliser(u, sigma)
            value = value + constant[:, None]
            rows, columns = np.nonzero(value > max(best, value.max()) - NEGLIGIBLE)
            turn = np.full(rows.size, 1 / count)
            found.append((log_u[which][rows], offsets[columns], turn, value[rows, columns]))
    one, two, three, four = (np.concatenate([f[j] for f in found]) for j in range(4))
    return one, two, three, four


def phases_at_best_offset(turns: FloatArray, weight: FloatArray) -> FloatArray:
    """Distances of each row of turns to its teeth, at the offset with the least squares.

    Sorted phases, cut at one of their gaps, are a stretch of line; the best offset is the weighted
    mean of the stretch with the least variance.
    """
    phase = turns - np.floor(turns)
    order = np.argsort(phase, axis=1)
    t, w = np.take_along_axis(phase, order, axis=1), weight[order]

    def of_the_smallest(term: FloatArray) -> FloatArray:
        """Sum of a term over the j smallest phases, for every j."""
        sums = np.cumsum(term, axis=1)
        return np.concatenate([np.zeros((len(term), 1)), sums[:, :-1]], axis=1)

    total = float(np.sum(weight))
    moved = of_the_smallest(w)
    first = (w * t).sum(axis=1, keepdims=True) + moved
    second = (w * t**2).sum(axis=1, keepdims=True) + 2 * of_the_smallest(w * t) + moved
    cut = np.argmin(second - first**2 / total, axis=1)
    rows = np.arange(len(cut))
    line = t + (np.arange(t.shape[1])[None, :] < cut[:, None])
    out: FloatArray = np.empty_like(line)
    np.put_along_axis(out, order, line - first[rows, cut][:, None] / total, axis=1)
    return out
