"""Sampling a posterior with several modes, against plain emcee and against quadrature.

Samples of 15 readings, unit 1, whole numbers uniform on −4 … 4, sigma unknown, units from 0.2 to
2.6; for each sigma/unit the first samples whose best mode holds between 0.3 and 0.95 of the
posterior. Four ensembles of 100 walkers. Plain emcee is the stretch move, {steps} steps from the
prior, on the same vectorised posterior, the first half discarded. Errors are those of the share of
the best mode against quadrature, the mean and the largest of the samples and the root mean square
of single ensembles.

Effective draws are of that share, for one ensemble: p(1 − p) over the mean square distance from the
share p by quadrature, each ensemble for itself, over all samples. They count what crosses between
modes, and a start in the wrong proportions counts against them. Seconds are processor time of the
whole call, four ensembles and the quadrature that starts the walkers included.
"""

from __future__ import annotations

import time

import emcee
import numpy as np

import quantize as qz
from benchmarks.runner import Array, Lines, Options, benchmark, row, told
from quantize.model.mixture import MixtureFit
from quantize.sampling.ensembles import random_state
from quantize.sampling.target import Target

UNIT_RANGE = (0.2, 2.6)
SEEDS = {0.10: (70, 213, 389), 0.125: (10, 24, 32), 0.15: (2, 3, 6)}
"""For each sigma/unit the first seeds whose sample has several modes."""
READINGS, WALKERS, ENSEMBLES = 15, 100, 4
Tally = list[tuple[Array, float, float]]
"""Shares of the best mode by ensemble, the share by quadrature, and seconds, sample by sample."""


def per_second(tally: Tally) -> tuple[float, float, float]:
    """Error of the share of one ensemble, its effective draws, and those a second."""
    p = np.array([exact for _, exact, _ in tally])
    error = float(np.sqrt(np.mean([np.square(s - exact).mean() for s, exact, _ in tally])))
    effective = float(np.mean(p * (1 - p)) / error**2)
    return error, effective, effective * ENSEMBLES * p.size / sum(s for _, _, s in tally)


def ours(fit: MixtureFit, draws: int) -> tuple[Array, float]:
    """Share of the best mode in each ensemble, and the seconds."""
    begin = time.process_time()
    found = qz.sample_mixture(fit.readings, UNIT_RANGE, draws=draws, chains=ENSEMBLES, rng=1)
    seconds = time.process_time() - begin
    best = found.mode_shares.iloc[0]
    return best[[f"ensemble_{i}" for i in range(ENSEMBLES)]].to_numpy(float), seconds


def plain(target: Target, steps: int) -> tuple[Array, float]:
    """The same by the stretch move from the prior."""
    low, high = target.modes[0].low, target.modes[0].high
    shares, begin = [], time.process_time()
    for seed in np.random.SeedSequence(1).spawn(ENSEMBLES):
        start = target.draw_prior(WALKERS, np.random.default_rng(seed))
        state = random_state(seed).get_state(legacy=True)
        sampler = emcee.EnsembleSampler(WALKERS, start.shape[1], target.log_prob, vectorize=True)
        sampler.run_mcmc(emcee.State(start, random_state=state), steps)
        unit = np.exp(sampler.get_chain(discard=steps // 2)[..., 0])
        shares.append(float(np.mean((unit >= low) & (unit <= high))))
    return np.array(shares), time.process_time() - begin


def lines_of(spread: str, both: tuple[Tally, Tally]) -> Lines:
    """Two lines of the table."""
    for name, tally in zip(("`sample_mixture`", "plain emcee"), both, strict=True):
        off = np.abs([shares.mean() - exact for shares, exact, _ in tally])
        one, effective, speed = per_second(tally)
        seconds = sum(each for _, _, each in tally) / len(tally)
        last = (f"{effective:.0f}", f"{seconds:.1f}", f"{speed:.1f}")
        yield row(spread, len(tally), name, off.mean(), off.max(), one, *last, digits=3)


@benchmark("Sampling a posterior with several modes")
def main(options: Options) -> Lines:
    draws, steps = (50, 60) if options.tiny else (1000, 1500)
    errors = ("mean error", "largest error", "error of one ensemble")
    last = ("effective draws", "seconds a sample", "effective draws a second")
    yield from told(__doc__, options, "sigma/unit", "samples", "", *errors, *last, steps=steps)
    every: tuple[Tally, Tally] = ([], [])
    for spread, seeds in {0.15: SEEDS[0.15][:1]}.items() if options.tiny else SEEDS.items():
        here: tuple[Tally, Tally] = ([], [])
        for seed in seeds:
            rng = np.random.default_rng([seed, int(1000 * spread)])
            x = rng.integers(-4, 5, size=READINGS) + spread * rng.normal(size=READINGS)
            fit = qz.fit_mixture(x, UNIT_RANGE)
            target = Target(fit.readings, fit.unit_range, fit.model)
            for i, found in enumerate((ours(fit, draws), plain(target, steps))):
                here[i].append((found[0], target.modes[0].share, found[1]))
        for all_of_it, part in zip(every, here, strict=True):
            all_of_it.extend(part)
        yield from lines_of(f"{spread:g}", here)
    yield from lines_of("all", every)
    ratio = per_second(every[0])[2] / per_second(every[1])[2]
    yield from ("", f"Effective draws a second, ratio: {ratio:.0f}.")
