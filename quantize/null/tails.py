"""From resampled statistics to p-values and back: counted, and beyond the count extrapolated."""

from __future__ import annotations

import dataclasses
import functools
import itertools
from typing import Any

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError
from quantize._support.validation import FloatArray

TIE = 1e-10
"""Statistics closer than this, relative to their size, count as equal."""
EXCEEDANCES = 0.1
"""Share of the resamples that the tail is fitted to."""
FEWEST_RESAMPLES = 200
"""With fewer, a tenth is too little to fit a tail to."""
LARGEST_SHAPE = 0.5
"""Heavier tails than this are not believed."""
MOST_RESAMPLES = 1_000_000
"""With more a p-value is no better known than the null is."""


def counted_p(value: float, resampled: FloatArray) -> float:
    """(k + 1)/(n + 1), k the resamples that reach `value`, ties within `TIE` among them."""
    reached = int(np.sum(resampled >= value - TIE * max(abs(value), 1e-300)))
    return (reached + 1) / (resampled.size + 1)


def critical_value(alpha: float, resampled: FloatArray) -> float:
    """Smallest resampled value whose `counted_p` is at most `alpha`: the inverse of it."""
    alpha = validation.fraction("alpha", alpha)
    need_resamples(resampled.size, alpha)
    falling = np.sort(resampled)[::-1]
    allowed = int(np.floor(alpha * (resampled.size + 1) * (1 + 1e-12))) - 1
    for value in falling[:allowed][::-1]:
        if counted_p(float(value), resampled) <= alpha * (1 + 1e-12):
            return float(value)
    return float(np.nextafter(falling[0] * (1 + 2 * TIE * np.sign(falling[0])), np.inf))


def resamples(n_resamples: object) -> int:
    """The number of resamples, checked."""
    checked = validation.count("n_resamples", n_resamples)
    if checked > MOST_RESAMPLES:
        raise InputError(
            f"`n_resamples` is {checked}, more than the {MOST_RESAMPLES:,} that are drawn; "
            "`tail_p_value` of `compare_null` extrapolates below that."
        )
    return checked


def need_resamples(n_resamples: int, alpha: float) -> None:
    """Refuse a number of resamples with which p could never be as small as `alpha`."""
    needed = int(np.ceil(1 / alpha * (1 - 1e-12))) - 1
    if n_resamples < needed:
        raise InputError(
            f"`n_resamples` is {n_resamples}, with which no p-value is below "
            f"{1 / (n_resamples + 1):.3g}; for `alpha` {alpha:g} give at least {needed}."
        )


@dataclasses.dataclass(frozen=True)
class ResultantScale:
    r"""The scale on which the largest cosine score, or phase-free power, has an exponential tail.

    For n uniform phases the mean cosine, or the length of the mean resultant, exceeds c with a
    chance that falls as :math:`e^{-n I(c)}`, I(c) = κc − log I₀(κ), I₁(κ)/I₀(κ) = c (Cramér). It is
    S²/2, or z, while these are small beside n, and grows without bound at their largest values.

    `n` is the effective number of readings; the cosine score is √(2n) times the mean cosine, the
    power n times the squared length of the mean resultant.

    Mardia and Jupp, *Directional Statistics*, Wiley 2000, section 4.8, for the uniform law's
    resultant; Cramér, Actualités scientifiques 736:5 (1938), for the rate.
    """

    n: float
    cosine: bool

    def of(self, statistic: float | FloatArray) -> Any:
        """n·I(c) of a statistic, or of many."""
        value = np.maximum(statistic, 0.0)
        mean = value / np.sqrt(2 * self.n) if self.cosine else np.sqrt(value / self.n)
        rate = self.n * np.interp(mean, *_rate_table())
        return float(rate) if np.ndim(statistic) == 0 else rate

    def back(self, rate: float) -> float:
        """The statistic with this n·I(c)."""
        means, rates = _rate_table()
        mean = float(np.interp(rate / self.n, rates, means))
        return mean * float(np.sqrt(2 * self.n)) if self.cosine else self.n * mean**2


@functools.cache
def _rate_table() -> tuple[FloatArray, FloatArray]:
    """Means from 0 to nearly 1, and their rates."""
    from scipy.special import i0e, i1e

    kappa = np.concatenate([[0.0], np.geomspace(1e-5, 1e5, 40_000)])
    mean = i1e(kappa) / i0e(kappa)
    rate = kappa * mean - (np.log(i0e(kappa)) + kappa)
    # Below a mean of 1e-3 the difference loses its digits to c².
    return mean, np.where(mean < 1e-3, mean**2, rate)


@dataclasses.dataclass(frozen=True)
class Tail:
    r"""Generalised Pareto law of the excesses over a high quantile of a resampled statistic.

    .. math:: P(T > t) = P(T > t_0)\,(1 + \xi\,(t - t_0)/\beta)^{-1/\xi}

    `start` is t₀, `share` P(T > t₀), `shape` ξ and `scale` β. With a `resultant` they hold on the
    scale of that, where ξ is zero. It is extrapolation, never a count.

    Pickands, Annals of Statistics 3:119 (1975); Knijnenburg et al., Bioinformatics 25:i161
    (2009), for permutation p-values.
    """

    start: float
    share: float
    shape: float
    scale: float
    resultant: ResultantScale | None = None

    @classmethod
    def of(
        cls, resampled: FloatArray, resultant: ResultantScale | None = None, reach: float = -np.inf
    ) -> Tail:
        """Fit it to the largest tenth of the resamples, by maximum likelihood.

        The tail must extend beyond `reach`, so that no observed value gets a p of zero. Too few
        resamples, and those whose largest tenth are all equal, have none.
        """
        ordered = np.sort(resampled if resultant is None else resultant.of(resampled))
        many = int(EXCEEDANCES * ordered.size)
        if ordered.size < FEWEST_RESAMPLES:
            raise InputError(
                f"`n_resamples` is {ordered.size}; a tail needs at least {FEWEST_RESAMPLES}."
            )
        start = float(ordered[-many - 1])
        excess = ordered[-many:] - start
        if not excess.any():
            raise InputError(
                f"`statistic` is {start:g} in every one of the largest {many} resamples; they have "
                "no tail to extrapolate, so use the counted p-value."
            )
        shape, scale = 0.0, float(excess.mean())
        if resultant is None:
            shape, scale = _largest_likelihood(excess, max(float(excess[-1]), reach - start))
        return cls(start, many / ordered.size, shape, scale, resultant)

    def p_value(self, statistic: float) -> float:
        """P(T > statistic), for statistics above the start of the tail."""
        value = statistic if self.resultant is None else self.resultant.of(statistic)
        excess = max(value - self.start, 0.0) / self.scale
        if self.shape == 0:
            return float(self.share * np.exp(-excess))
        return float(self.share * max(1 + self.shape * excess, 0.0) ** (-1 / self.shape))

    def value(self, p_value: float) -> float:
        """The statistic whose `p_value` this is: the inverse."""
        from scipy.special import boxcox

        found = float(self.start + self.scale * boxcox(self.share / p_value, self.shape))
        return found if self.resultant is None else self.resultant.back(found)


def _largest_likelihood(excess: FloatArray, most: float) -> tuple[float, float]:
    """ξ and β by the one-dimensional profile in ξ/β (Grimshaw, Technometrics 35:185, 1993)."""
    from scipy.optimize import minimize_scalar

    mean = float(excess.mean())

    def shape(ratio: float) -> float:
        return float(np.mean(np.log1p(ratio * excess)))

    def loss(ratio: float) -> float:
        if abs(ratio) * mean < 1e-7:
            return float(np.log(mean) + 1)
        xi = shape(ratio)
        return float(np.log(xi / ratio) + 1 + xi) if xi > -1 else np.inf

    # The law ends at −1/ratio; it must end above `most`, and ξ stay below its largest value.
    low, high = -0.999 / most, 10.0 / mean
    pieces = np.linspace(low, 0.0, 4).tolist() + [0.1 / mean, 1.0 / mean, high]
    found = [
        minimize_scalar(loss, bounds=ends, method="bounded", options={"xatol": 1e-9 / mean})
        for ends in itertools.pairwise(pieces)
    ]
    ratio = float(min(found, key=lambda result: float(result.fun)).x)
    if abs(ratio) * mean < 1e-7:
        return 0.0, mean
    xi = min(shape(ratio), LARGEST_SHAPE)
    return xi, xi / ratio if xi < LARGEST_SHAPE else float(mean * (1 - LARGEST_SHAPE))
