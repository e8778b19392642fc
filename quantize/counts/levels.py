"""Normal levels under counts in bins: expected counts, likelihood and Fisher scoring.

The expected count of a bin is the sum over levels of amplitude times the normal mass inside the
bin, plus a flat background. Level positions are linear in a few parameters (two for a comb, one
each for levels anywhere), and so are their variances. The likelihood is Poisson's for each bin, so
amplitudes and shares need no constraint; bins of any width are exact. Scores and information:
Cox and Hinkley, *Theoretical Statistics*, 1974, sections 4.8 and 9.2.
"""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

import numpy as np

from quantize._support.validation import FloatArray, IntArray

if TYPE_CHECKING:
    import pandas as pd

FEWEST_COUNTS = 2.0
"""Of a level, or of a part of an envelope, that counts as a parameter."""
_FLAT = 1e-9
_NEAR = 0.02
"""Gain in log likelihood still promised below which a maximum counts as reached."""
_FEWEST_EXPECTED = 5.0
_IN_A_BIN = 0.2  # of a bin: the scatter of levels that each stand in one
_SMALLEST = 1e-9  # share of all counts below which an amplitude is held


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Levels:
    """Levels under counts, with parameters.

    The positions of K levels are shift + places @ beta, their variances spreads @ gamma and at
    least `floor`: `places` is (K, q), `spreads` (K, r), `shift` and `amplitude` are (K,).
    `background` are the counts in the flat part.
    """

    edges: FloatArray
    counts: IntArray
    places: FloatArray
    shift: FloatArray
    spreads: FloatArray
    beta: FloatArray
    gamma: FloatArray
    amplitude: FloatArray
    background: float
    floor: float

    @property
    def position(self) -> FloatArray:
        """Position of each level."""
        return self.shift + self.places @ self.beta

    @property
    def variance(self) -> FloatArray:
        """Variance of each level."""
        return np.maximum(self.spreads @ self.gamma, self.floor)

    @property
    def parameters(self) -> int:
        """Number of parameters, the background among them."""
        return self.beta.size + self.gamma.size + self.amplitude.size + 1

    @property
    def narrow(self) -> bool:
        """Whether the scatter of no level shows at the width of the bins."""
        return bool(self.variance.max() < (_IN_A_BIN * (self.edges[1] - self.edges[0])) ** 2)

    @property
    def in_single_bins(self) -> bool:
        """Whether all counts stand in one bin for each level."""
        return self.narrow and int(np.count_nonzero(self.counts)) <= self.amplitude.size

    def masses(self) -> FloatArray:
        """Share of each level inside each bin, shape (n, K)."""
        from scipy.special import ndtr

        s = np.sqrt(self.variance)
        return np.diff(ndtr((self.edges[:, None] - self.position) / s), axis=0)

    def flat(self) -> FloatArray:
        """Share of the background in each bin."""
        return np.asarray(np.diff(self.edges) / (self.edges[-1] - self.edges[0]))

    def expected(self) -> FloatArray:
        """Expected count of each bin."""
        return _rates(self.masses() @ self.amplitude + self.background * self.flat())

    def log_likelihood(self) -> float:
        """Poisson log likelihood without the factorials."""
        rate = self.expected()
        return float(np.sum(self.counts * np.log(rate)) - np.sum(rate))

    def chi_square(self) -> tuple[float, int]:
        """Pearson's chi-square and its degrees.

        Neighbouring bins are taken together until five counts are expected in each group (Cochran,
        Biometrics 10:417, 1954), from either end to the middle one of the counts expected.
        """
        expected = self.expected()
        n, middle = expected.size, int(np.searchsorted(expected.cumsum(), 0.5 * expected.sum()))
        left, right = _groups(expected[:middle]), _groups(expected[:middle:-1])
        # What is left over on both sides joins the middle, and that the groups beside it if small.
        if expected[left[-1] : n - right[-1]].sum() < _FEWEST_EXPECTED:
            left, right = left[: max(left.size - 1, 1)], right[:-1]
        starts = np.r_[left, n - right[:0:-1]]
        seen, wanted = (np.add.reduceat(each, starts) for each in (self.counts, expected))
        off = np.square(seen - wanted) / wanted
        return float(off.sum()), max(starts.size - self.parameters, 1)

    def table(self, integers: IntArray) -> pd.DataFrame:
        """Whole number, position, standard deviation and share of each level."""
        import pandas as pd

        return pd.DataFrame(
            {
                "integer": integers,
                "position": self.position,
                "sigma": np.sqrt(self.variance),
                "share": self.amplitude / float(self.amplitude.sum() + self.background),
            }
        )

    def amplitudes_by_em(self, rounds: int) -> Levels:
        """Amplitudes and background after some rounds of expectation and maximisation."""
        masses, flat = self.masses(), self.flat()
        inside = np.maximum(masses.sum(axis=0), 1e-300)
        amplitude, background = self.amplitude.copy(), self.background
        for _ in range(rounds):
            ratio = self.counts / _rates(masses @ amplitude + background * flat)
            amplitude *= (ratio @ masses) / inside
            background *= float(ratio @ flat)
        return dataclasses.replace(self, amplitude=amplitude, background=background)

    def jacobian(self) -> FloatArray:
        """Derivatives of the expected counts by beta, gamma, amplitude and background."""
        variance = self.variance
        s = np.sqrt(variance)
        t = (self.edges[:, None] - self.position) / s
        density = np.exp(-0.5 * t**2) / np.sqrt(2 * np.pi)
        by_place = -np.diff(density, axis=0) / s * self.amplitude
        by_variance = -np.diff(t * density, axis=0) / (2 * variance) * self.amplitude
        free = self.spreads @ self.gamma > self.floor
        return np.column_stack(
            [
                by_place @ self.places,
                (by_variance * free) @ self.spreads,
                self.masses(),
                self.flat(),
            ]
        )

    def information(self) -> FloatArray:
        """Expected information about the parameters."""
        jacobian = self.jacobian()
        return jacobian.T @ (jacobian / self.expected()[:, None])

    def moved(self, step: FloatArray, *, least: float) -> Levels:
        """The same with parameters changed by `step`, kept within bounds."""
        q, r = self.beta.size, self.gamma.size
        gamma = np.maximum(self.gamma + step[q : q + r], 0.0)
        return dataclasses.replace(
            self,
            beta=self.beta + step[:q],
            gamma=gamma,
            amplitude=np.maximum(self.amplitude + step[q + r : -1], least),
            background=max(self.background + float(step[-1]), least),
        )


def _groups(expected: FloatArray) -> IntArray:
    """Where groups of at least five expected counts begin, and where what is left of them does."""
    starts, held = [0], 0.0
    for place, each in enumerate(expected.tolist()):
        held += each
        if held >= _FEWEST_EXPECTED:
            starts.append(place + 1)
            held = 0.0
    return np.array(starts)


def _rates(expected: FloatArray) -> FloatArray:
    return np.maximum(expected, 1e-12)


def design(k: IntArray, free: bool) -> FloatArray:
    """Positions of levels `k` by their parameters: offset and unit, or the unit alone."""
    return np.column_stack([np.ones(k.size), k]) if free else k[:, None].astype(float)


def maximise(start: Levels, *, reach: float, steps: int = 60) -> tuple[Levels, float, bool]:
    """Fisher scoring from `start`: the maximum, its log likelihood, and whether it is one.

    No step of the at most `steps` moves a position by more than `reach`.
    """
    least = max(_SMALLEST * float(start.counts.sum()), 1e-6)
    levels, best, gain = start, start.log_likelihood(), np.inf
    for _ in range(steps):
        step, gain = _scoring_step(levels, least)
        largest = float(np.abs(levels.places @ step[: levels.beta.size]).max(initial=0.0))
        scale = min(1.0, reach / largest) if largest > 0 else 1.0
        for _ in range(12):
            trial = levels.moved(scale * step, least=least)
            value = trial.log_likelihood()
            if value > best:
                break
            scale *= 0.4
        else:
            return levels, best, gain < _NEAR
        levels, climbed, best = trial, value - best, value
        if climbed < 1e-6 + 1e-14 * abs(best) and gain < _NEAR:
            return levels, best, True
    return levels, best, gain < _NEAR


def _scoring_step(levels: Levels, least: float) -> tuple[FloatArray, float]:
    """The step to the maximum of the parabola, and the gain in log likelihood it promises.

    Parameters at their bound that want to leave it are held.
    """
    jacobian, rate = levels.jacobian(), levels.expected()
    score = jacobian.T @ (levels.counts / rate - 1)
    q, r = levels.beta.size, levels.gamma.size
    values = np.r_[levels.gamma, levels.amplitude, levels.background]
    limit = np.where(np.arange(values.size) < r, 0.0, least)
    free = np.r_[np.ones(q, bool), ~((values <= limit * (1 + 1e-9)) & (score[q:] <= 0))]
    information = jacobian.T @ (jacobian / rate[:, None])
    step = np.zeros(score.size)
    step[free] = solve(information[np.ix_(free, free)], score[free])
    return step, float(score @ step)


def solve(matrix: FloatArray, right: FloatArray) -> FloatArray:
    """matrix⁻¹·right for a symmetric matrix, scaled and slightly damped."""
    scale = np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    scaled = matrix / np.outer(scale, scale)
    scaled[np.diag_indices_from(scaled)] += _FLAT
    return np.linalg.solve(scaled, right / scale) / scale


def covariance(information: FloatArray) -> FloatArray:
    """Inverse of the information, scaled first."""
    scale = np.sqrt(np.maximum(np.diag(information), 1e-300))
    inverse = np.linalg.pinv(information / np.outer(scale, scale), rcond=1e-12, hermitian=True)
    return np.asarray(np.asarray(inverse, float) / np.outer(scale, scale))
