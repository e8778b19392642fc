"""Sampling a posterior with several modes, against plain emcee and against quadrature.

Run with ``python -m benchmarks.sampling``; ``--write docs/tables`` writes the table. Samples of 15
readings, unit 1, whole numbers uniform on −4 … 4, sigma unknown, units from 0.2 to 2.6; for each
sigma/unit the first samples whose best mode holds between 0.3 and 0.95 of the posterior. Plain
emcee is the stretch move with 100 walkers started from the prior, on the same vectorised posterior,
its first half discarded.

The effective size is that of the share of the best mode: p(1 − p) over the mean square distance
from the share p by quadrature, each ensemble for itself, over all samples. It counts what crosses
between modes, and a start in the wrong proportions counts against it. Times are processor
seconds of the whole call, the quadrature that starts the walkers included.
"""

from __future__ import annotations

import argparse
import dataclasses
import time
from pathlib import Path

import emcee
import numpy as np

import quantize as qz
from benchmarks.tables import keep
from quantize.model.mixture import MixtureFit
from quantize.sampling.ensembles import random_state
from quantize.sampling.target import Target

UNIT_RANGE = (0.2, 2.6)
SEEDS = {0.10: (70, 213, 389), 0.125: (10, 24, 32), 0.15: (2, 3, 6)}
"""For each sigma/unit the first seeds whose sample has several modes."""
READINGS = 15
WALKERS = 100
ENSEMBLES = 4
NAMES = ("`sample_mixture`", "plain emcee")


@dataclasses.dataclass
class Tally:
    """Shares of the best mode by ensemble, sample by sample, and the seconds they took."""

    shares: list[np.ndarray] = dataclasses.field(default_factory=list)
    exact: list[float] = dataclasses.field(default_factory=list)
    seconds: float = 0.0

    def add(self, shares: np.ndarray, exact: float, seconds: float) -> None:
        """One more sample."""
        self.shares.append(shares)
        self.exact.append(exact)
        self.seconds += seconds

    @property
    def pooled_error(self) -> np.ndarray:
        """Distance of the share over all ensembles from quadrature, for each sample."""
        return np.abs([s.mean() - p for s, p in zip(self.shares, self.exact, strict=True)])

    @property
    def error_of_one(self) -> float:
        """Root mean square error of the share from one ensemble."""
        off = [np.square(s - p).mean() for s, p in zip(self.shares, self.exact, strict=True)]
        return float(np.sqrt(np.mean(off)))

    @property
    def effective(self) -> float:
        """Effective draws of one ensemble."""
        p = np.array(self.exact)
        return float(np.mean(p * (1 - p)) / self.error_of_one**2)

    @property
    def per_second(self) -> float:
        """Effective draws a second, an ensemble at a time."""
        return self.effective * ENSEMBLES * len(self.exact) / self.seconds


def one_fit(spread: float, seed: int) -> MixtureFit:
    """The fit of one sample."""
    rng = np.random.default_rng([seed, int(1000 * spread)])
    x = rng.integers(-4, 5, size=READINGS) + spread * rng.normal(size=READINGS)
    return qz.fit_mixture(x, UNIT_RANGE)


def target_of(fit: MixtureFit) -> Target:
    """The same posterior, to be sampled."""
    return Target(fit.readings, fit.unit_range, fit.model)


def ours(fit: MixtureFit, draws: int) -> tuple[np.ndarray, float]:
    """Share of the best mode in each ensemble, and the seconds."""
    begin = time.process_time()
    found = qz.sample_mixture(fit.readings, UNIT_RANGE, draws=draws, chains=ENSEMBLES, rng=1)
    seconds = time.process_time() - begin
    row = found.mode_shares.iloc[0]
    return row[[f"ensemble_{i}" for i in range(ENSEMBLES)]].to_numpy(float), seconds


def plain(fit: MixtureFit, steps: int) -> tuple[np.ndarray, float]:
    """The same by the stretch move from the prior."""
    target = target_of(fit)
    low, high = target.modes[0].low, target.modes[0].high
    shares = []
    begin = time.process_time()
    for seed in np.random.SeedSequence(1).spawn(ENSEMBLES):
        start = target.draw_prior(WALKERS, np.random.default_rng(seed))
        state = random_state(seed).get_state(legacy=True)
        sampler = emcee.EnsembleSampler(WALKERS, start.shape[1], target.log_prob, vectorize=True)
        sampler.run_mcmc(emcee.State(start, random_state=state), steps)
        unit = np.exp(sampler.get_chain(discard=steps // 2)[..., 0])
        shares.append(float(np.mean((unit >= low) & (unit <= high))))
    return np.array(shares), time.process_time() - begin


def row(spread: str, name: str, tally: Tally) -> str:
    """One line of the table."""
    error = tally.pooled_error
    return (
        f"| {spread} | {len(error)} | {name} | {error.mean():.3f} | {error.max():.3f} | "
        f"{tally.error_of_one:.3f} | "
        f"{tally.effective:.0f} | {tally.seconds / len(error):.1f} | {tally.per_second:.1f} |"
    )


def main(arguments: list[str] | None = None) -> None:
    """Measure, and print or write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true", help="one short sample")
    parser.add_argument("--write", metavar="DIR", type=Path, help="write the table to this folder")
    options = parser.parse_args(arguments)
    draws, steps = (50, 60) if options.tiny else (1000, 1500)
    seeds = {0.15: SEEDS[0.15][:1]} if options.tiny else SEEDS
    lines = [
        f"Samples of {READINGS} readings, sigma unknown, units from {UNIT_RANGE[0]:g} to "
        f"{UNIT_RANGE[1]:g}, the best mode between 0.3 and 0.95 of the posterior. {ENSEMBLES} "
        f"ensembles of {WALKERS} walkers. Plain emcee: the stretch move, {steps} steps from the "
        "prior, the first half discarded. Errors are those of the share of the best mode against "
        "quadrature, the mean and the largest of the samples and the root mean square of single "
        "ensembles; effective draws are of that share, for one ensemble; seconds are processor "
        "time of four.",
        "",
        "| sigma/unit | samples | | mean error | largest error | error of one ensemble | "
        "effective draws | seconds a sample | effective draws a second |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    everything = Tally(), Tally()
    for spread, those in seeds.items():
        here = Tally(), Tally()
        for seed in those:
            fit = one_fit(spread, seed)
            exact = target_of(fit).modes[0].share
            for i, (shares, seconds) in enumerate((ours(fit, draws), plain(fit, steps))):
                here[i].add(shares, exact, seconds)
                everything[i].add(shares, exact, seconds)
            means = ", ".join(f"{tally.shares[-1].mean():.3f}" for tally in here)
            print(f"{spread:g}: share {exact:.3f} by quadrature; ours, plain: {means}", flush=True)
        lines += [row(f"{spread:g}", *pair) for pair in zip(NAMES, here, strict=True)]
    mine, theirs = everything
    lines += [row("all", *pair) for pair in zip(NAMES, everything, strict=True)]
    lines += ["", f"Effective draws a second, ratio: {mine.per_second / theirs.per_second:.0f}."]
    print("\n".join(lines))
    keep(options.write, "sampling", "Sampling a posterior with several modes", lines)


if __name__ == "__main__":
    main()
