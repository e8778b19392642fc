"""What each particle says about the unit of charge, and the posterior of all together."""

from __future__ import annotations

import dataclasses
import itertools
import math

import numpy as np
import pandas as pd

from quantize._support.validation import BoolArray, FloatArray, IntArray

_SMALLEST_SHARE = 1e-3
_FEWEST, _MOST = 4001, 20001  # places of the grid
_PLACES_PER_ERROR = 8
_FAR = 7.0
_PROMINENCE, _LOWEST = math.log(10), math.log(1e-6)
_BETWEEN_POINTS = 1 / 16  # of the own error; the points of a posterior stand closer together


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class PosteriorPoints:
    """Joint posterior of one particle's unit and fall in divisions, as points of shape (m,).

    `log_unit` and `log_fall` are natural logs over the best values, `log_fall` None where the fall
    is known from elsewhere, with an error of its own; the probabilities `mass` add up to one, and
    `fall_exponent` is that of the fall in the best unit.
    """

    log_unit: FloatArray
    mass: FloatArray
    log_fall: FloatArray | None = None
    fall_exponent: float = 0.0


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Particle:
    """A particle: ln of its charge, own relative error, slopes on shared inputs, its posterior.

    `rivals` are logs of rival units over the best and their shares, for a particle without
    `points`; `rest` is the own error but for unit and fall, and `fall_exponent` that of the fall in
    the charge at a fixed unit.
    """

    log_q: float
    own: float
    slopes: FloatArray
    rivals: tuple[FloatArray, FloatArray]
    points: PosteriorPoints | None = None
    rest: float = 0.0
    fall_exponent: float = 0.0

    @property
    def places(self) -> FloatArray:
        """Where a particle with a whole posterior has its points, ln coulombs."""
        assert self.points is not None
        moved: FloatArray = self.log_q + self.points.log_unit
        if self.points.log_fall is not None:
            moved = moved + self.fall_exponent * self.points.log_fall
        return moved

    def reach(self) -> tuple[float, float]:
        """Between which charges its density is above zero, wherever the shared inputs are."""
        loose = _FAR * float(np.linalg.norm(self.slopes))
        if self.points is None:
            places, near = self.log_q + self.rivals[0], _FAR * self.own + loose
        else:
            places, near = self.places, _FAR * self.rest + loose
        return float(places.min()) - near, float(places.max()) + near

    def nearest(self, log_e: float) -> float:
        """ln of its charge at the rival nearest to `log_e`."""
        places = self.log_q + self.rivals[0]
        return float(places[np.argmin(np.abs(places - log_e))])

    def log_density(self, grid: FloatArray) -> FloatArray:
        """Log of its density at each place of an even grid, whatever the shared inputs add.

        Beyond the reach of the points it falls off like the normal law of its own error.
        """
        from scipy.special import logsumexp

        if self.points is None:
            off = (grid[:, None] - self.log_q - self.rivals[0]) / self.own
            return logsumexp(-0.5 * off**2, b=self.rivals[1], axis=1)
        step = float(grid[1] - grid[0])
        at = (self.places - grid[0]) / step
        inside = (at >= 0) & (at < grid.size - 1)
        if not inside.any():
            near = self.places[np.argmin(np.abs(self.places - grid.mean()))]
            return np.asarray(-0.5 * ((grid - near) / self.own) ** 2)
        return self._smoothed(at[inside], self.points.mass[inside], grid.size, step)

    def _smoothed(self, at: FloatArray, mass: FloatArray, size: int, step: float) -> FloatArray:
        """Points spread by the own errors that are not in them."""
        from scipy.ndimage import gaussian_filter1d

        left = at.astype(np.int64)
        part = at - left
        binned = np.bincount(left, weights=mass * (1 - part), minlength=size)
        binned += np.bincount(left + 1, weights=mass * part, minlength=size)
        # Nothing but unit and fall may be the particle's own, and then nothing is left to spread
        # the points by but the distance between them.
        width = max(self.rest, _BETWEEN_POINTS * self.own)
        smooth = gaussian_filter1d(
            binned.astype(np.float64), width / step, mode="constant", truncate=_FAR
        )
        return _with_tails(smooth, self.own / step)


def _with_tails(density: FloatArray, own: float) -> FloatArray:
    """Log of a density in which zeros are gone on from their neighbours, as a normal law would.

    `own` is its standard deviation in places, and the neighbours stand `_FAR` of them out.
    """
    place = np.arange(density.size)
    there = density > 0
    logs = np.log(np.where(there, density, 1.0))
    left = np.maximum.accumulate(np.where(there, place, -1))
    right = np.minimum.accumulate(np.where(there, place, density.size)[::-1])[::-1]

    def from_side(nearest: IntArray, known: BoolArray) -> FloatArray:
        off = np.abs(place - nearest) / own
        inside = np.clip(nearest, 0, density.size - 1)
        return np.where(known, logs[inside] - _FAR * off - 0.5 * off**2, -np.inf)

    tails = np.logaddexp(from_side(left, left >= 0), from_side(right, right < density.size))
    return np.where(there, logs, tails)


def rivals_of(table: pd.DataFrame | None) -> tuple[FloatArray, FloatArray]:
    """Logarithms of the rival units over the best one, and their shares."""
    kept = None if table is None else table[table["share"] > _SMALLEST_SHARE]
    if kept is None or len(kept) < 2:
        return np.zeros(1), np.ones(1)
    units, shares = kept["unit"].to_numpy(float), kept["share"].to_numpy(float)
    return np.log(units / units[0]), shares / shares.sum()


def even_grid(particles: list[Particle]) -> FloatArray:
    """Places of ln e between which all particles have weight, or any where they do not overlap."""
    ends = np.array([particle.reach() for particle in particles])
    low, high = float(ends[:, 0].max()), float(ends[:, 1].min())
    if high <= low:
        low, high = float(ends[:, 0].min()), float(ends[:, 1].max())
    finest = min(particle.own for particle in particles) / _PLACES_PER_ERROR
    size = int(np.clip(math.ceil((high - low) / finest) + 1, _FEWEST, _MOST))
    return np.linspace(low, high, size)


def joint_posterior(
    grid: FloatArray, particles: list[Particle], z: FloatArray
) -> tuple[FloatArray, list[FloatArray]]:
    """Posterior on the grid from all particles, and with each left out in turn.

    The product of the posteriors, each moved by its slopes on the shared inputs, averaged over
    draws `z` of those, shape (draws, inputs).
    """
    step = float(grid[1] - grid[0])
    shifts = [z @ particle.slopes for particle in particles]
    pad = math.ceil(max(float(np.abs(shift).max()) for shift in shifts) / step) + 1
    wide = grid[0] + step * np.arange(-pad, grid.size + pad)
    logs = [particle.log_density(wide) for particle in particles]

    def moved(k: int) -> FloatArray:
        return np.array([np.interp(grid + shift, wide, logs[k]) for shift in shifts[k]])

    total = sum((moved(k) for k in range(len(particles))), np.zeros((len(z), grid.size)))
    without = [_averaged(total - moved(k)) for k in range(len(particles))]
    return _averaged(total), without


def modes_of(grid: FloatArray, posterior: FloatArray) -> pd.DataFrame:
    """Mean, standard deviation and share of each mode of a density on the grid, best first.

    Between two modes the density falls below a tenth of the lower one.
    """
    from scipy.signal import find_peaks

    with np.errstate(divide="ignore"):
        logs = np.maximum(np.log(posterior / posterior.max()), 2 * _LOWEST)
    ended = np.r_[-np.inf, logs, -np.inf]
    peaks = find_peaks(ended, height=_LOWEST, prominence=_PROMINENCE)[0] - 1
    cuts = [int(a + np.argmin(logs[a:b])) for a, b in itertools.pairwise(peaks)]
    rows = []
    for here in np.split(np.arange(grid.size), cuts):
        mass = posterior[here]
        mean = float(mass @ grid[here] / mass.sum())
        sd = math.sqrt(float(mass @ (grid[here] - mean) ** 2 / mass.sum()))
        rows.append({"mean": mean, "sd": sd, "share": float(mass.sum() / posterior.sum())})
    return pd.DataFrame(rows).sort_values("share", ascending=False, ignore_index=True)


def balanced_draws(rng: np.random.Generator, pairs: int, inputs: int) -> FloatArray:
    """Standard normal draws in pairs ±z, with mean zero and unit covariance to the last digit."""
    half = rng.standard_normal(size=(max(pairs, 2 * inputs), inputs))
    root = np.linalg.cholesky(half.T @ half / len(half))
    even = np.linalg.solve(root, half.T).T
    return np.concatenate([even, -even])


def _averaged(logs: FloatArray) -> FloatArray:
    posterior: FloatArray = np.exp(logs - logs.max()).sum(axis=0)
    posterior /= posterior.sum()
    return posterior
