"""The methods of `benchmarks.panel`: the library's own, and what general libraries give.

Each is a function of the readings, the range of units, and a Generator. Those put together from
general libraries follow common practice in a laboratory: least squares over a grid of units, phases
on a circle, peaks of a density, a mixture of normal laws, nested sampling of two models.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import scipy.optimize
import scipy.signal
import scipy.stats

import quantize as qz
from benchmarks.runner import Array, Rng
from quantize.studies import Answer
from quantize.studies.estimators import as_answer

Range = tuple[float, float]
Method = Callable[[Array, Range, Rng], Answer]
DRAWS = 99
"""Samples without steps that a p-value by simulation takes."""
METHODS: dict[str, Method] = {
    "analyze": lambda x, units, rng: as_answer(qz.analyze(x, units, rng=rng), 0.95),
    "fit_mixture": lambda x, units, rng: as_answer(qz.fit_mixture(x, units), 0.95),
    "fit_comb": lambda x, units, rng: as_answer(qz.fit_comb(x, units), 0.95),
}


def method(name: str) -> Callable[[Method], Method]:
    """Enter a function under a name."""

    def enter(function: Method) -> Method:
        METHODS[name] = function
        return function

    return enter


def grid(x: Array, units: Range) -> Array:
    """Frequencies 1/u, eight to a turn of phase over the readings."""
    step = 1 / (8 * float(np.abs(x).max()))
    return np.arange(1 / units[1], 1 / units[0], step)


def by_simulation(x: Array, statistic: Callable[[Array], float], rng: Rng) -> float:
    """The share of uniform samples of the same span with a statistic as large (common practice)."""
    own = statistic(x)
    drawn = rng.uniform(x.min(), x.max(), (DRAWS, x.size))
    return (1 + sum(statistic(row) >= own for row in drawn)) / (1 + DRAWS)


@method("least squares over units (scipy)")
def _least_squares(x: Array, units: Range, rng: Rng) -> Answer:
    frequency = grid(x, units)

    def off(f: Array, values: Array) -> Array:
        turns = np.multiply.outer(f, values)
        return np.square(turns - np.rint(turns)).mean(axis=-1)

    start = frequency[np.argmin(off(frequency, x))]
    whole = np.rint(x * start)
    fit = scipy.optimize.curve_fit(lambda k, unit: k * unit, whole, x, p0=[1 / start])
    unit, error = float(fit[0][0]), float(np.sqrt(fit[1][0, 0]))
    half = scipy.stats.t.ppf(0.975, x.size - 1) * error
    p = by_simulation(x, lambda values: -float(off(frequency, values).min()), rng)
    return Answer(unit=unit, interval=(unit - half, unit + half), p_value=p)


@method("Rayleigh test of the phases (astropy)")
def _rayleigh(x: Array, units: Range, rng: Rng) -> Answer:
    from astropy.stats import rayleightest

    turns = 2 * np.pi * np.multiply.outer(grid(x, units), x)
    p = np.asarray(rayleightest(turns, axis=1))
    trials = (1 / units[0] - 1 / units[1]) * float(np.ptp(x))
    best = int(np.argmin(p))
    return Answer(
        unit=float(1 / grid(x, units)[best]), p_value=float(-np.expm1(trials * np.log1p(-p[best])))
    )


@method("peaks of a density, line through them (scipy)")
def _peaks(x: Array, units: Range, rng: Rng) -> Answer:
    span = np.linspace(x.min() - units[0], x.max() + units[0], 2000)
    density = scipy.stats.gaussian_kde(x, bw_method=units[0] / 3 / float(x.std()))(span)
    places = span[scipy.signal.find_peaks(density)[0]]
    gap = float(np.median(np.diff(places)))
    order = np.rint(places / gap)
    line = scipy.stats.linregress(order, places)
    half = scipy.stats.t.ppf(0.975, order.size - 2) * line.stderr
    return Answer(unit=line.slope, interval=(line.slope - half, line.slope + half))


@method("mixture of normal laws by BIC (scikit-learn)")
def _normal_mixture(x: Array, units: Range, rng: Rng) -> Answer:
    from sklearn.mixture import GaussianMixture

    column, seed = x[:, None], int(rng.integers(2**31))
    fits = [
        GaussianMixture(k, covariance_type="tied", random_state=seed).fit(column)
        for k in range(1, min(9, x.size // 2) + 1)
    ]
    best = min(fits, key=lambda fit: fit.bic(column))
    means = np.sort(best.means_.ravel())
    if means.size < 3:
        return Answer(steps=False)
    sd = float(np.sqrt(best.covariances_.ravel()[0]))
    error = sd * np.sqrt(means.size / x.size)
    trial = 1 / grid(x, units)
    off = means - trial[:, None] * np.rint(means / trial[:, None])
    fits_all = np.flatnonzero(
        np.square(off / error).sum(axis=1) < scipy.stats.chi2.ppf(0.95, means.size)
    )
    if not fits_all.size:
        return Answer(steps=False)
    return Answer(unit=float(trial[fits_all[np.argmax(trial[fits_all])]]), steps=True)


@method("two models by nested sampling (dynesty)")
def _nested(x: Array, units: Range, rng: Rng) -> Answer:
    import dynesty

    width, centre, spread = np.log(units[1] / units[0]), float(x.mean()), float(x.std())
    near, all_numbers = np.array([[-1.0], [0.0], [1.0]]), np.arange(-100.0, 101.0)

    def transform(cube: Array) -> Array:
        unit = units[0] * np.exp(width * cube[0])
        return np.array([unit, unit * 0.02 * 15 ** cube[1]])

    def bell(values: Array, sd: float) -> Array:
        return np.exp(-0.5 * np.square(values / sd))

    def log_likelihood(theta: Array) -> float:
        """Whole numbers weighted by a normal law of the mean and spread of the readings."""
        unit, sigma = theta
        teeth = unit * (np.rint(x / unit) + near)
        shares = bell(teeth - centre, spread) / bell(unit * all_numbers - centre, spread).sum()
        each = (shares * bell(x - teeth, sigma)).sum(axis=0) / (sigma * np.sqrt(2 * np.pi))
        return float(np.log(np.maximum(each, 1e-300)).sum())

    sampler = dynesty.NestedSampler(
        log_likelihood, transform, 2, nlive=100, rstate=rng, bootstrap=0
    )
    sampler.run_nested(print_progress=False, dlogz=0.5)
    found = sampler.results
    smooth = float(scipy.stats.norm.logpdf(x, centre, spread).sum())
    weights = found.importance_weights()
    drawn = rng.choice(found.samples[:, 0], 2000, p=weights / weights.sum())
    low, high = np.quantile(drawn, [0.025, 0.975])
    best = float(found.samples[np.argmax(found.logl), 0])
    return Answer(
        unit=best, interval=(low, high), steps=float(found.logz[-1]) - smooth > np.log(20)
    )
