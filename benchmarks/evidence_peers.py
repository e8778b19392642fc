"""The evidence by quadrature beside a general nested sampler on the same likelihood and priors.

Run with ``python -m benchmarks.evidence_peers``; ``--write docs/tables`` writes the table. The
peer is dynesty (Speagle, *MNRAS* 493:3132, 2020), 2,000 live points. Both run on this machine, one
thread.
"""

from __future__ import annotations

import argparse
import importlib.util
import time
from pathlib import Path

import numpy as np
from quantize.comb.problem import Problem
from quantize.comb.quadrature import integrate

from benchmarks.tables import keep
from quantize.comb.wrapped import log_density_sum_plain
from quantize.model.sigma_prior import upper_quantile
from quantize.readings import Readings

BAND = (0.2, 2.6)
SIGMA = (0.01, 1.0)


def page(n: int, spread: float, seed: int) -> Problem:
    """A comb of unit 1 with whole numbers from −4 to 4, sigma unknown."""
    rng = np.random.default_rng([31, n, seed])
    x = rng.integers(-4, 5, size=n) + spread * rng.normal(size=n)
    return Problem(
        levels=Readings(x).levels(),
        origin=0.0,
        low=BAND[0],
        high=BAND[1],
        sigma_low=SIGMA[0],
        sigma_high=SIGMA[1],
        free=False,
    )


def by_nested_sampling(problem: Problem, live: int, seed: int) -> tuple[float, float, int]:
    """Log evidence, its stated error, and how often the likelihood was called."""
    import dynesty

    def transform(cube: np.ndarray) -> np.ndarray:
        unit = problem.low * (problem.high / problem.low) ** cube[0]
        sigma = upper_quantile(cube[1:], np.array([unit]), problem.sigma_low, problem.sigma_high)
        return np.array([unit, sigma[0]])

    def log_likelihood(theta: np.ndarray) -> float:
        unit, sigma = theta[:1], theta[1]
        turns = problem.mean / unit[:, None]
        value = log_density_sum_plain(turns, np.broadcast_to(sigma / unit[:, None], turns.shape))
        return float((value - problem.log_normaliser(unit, sigma))[0])

    sampler = dynesty.NestedSampler(
        log_likelihood, transform, 2, nlive=live, rstate=np.random.default_rng(seed)
    )
    sampler.run_nested(print_progress=False)
    found = sampler.results
    return float(found.logz[-1]), float(found.logzerr[-1]), int(np.sum(found.ncall))


def best_of(problem: Problem, repeats: int) -> tuple[float, float]:
    """Log evidence by quadrature, and the shortest of a few times."""
    times, value = [], 0.0
    for _ in range(repeats):
        begin = time.perf_counter()
        value = integrate(problem).log_evidence
        times.append(time.perf_counter() - begin)
    return value, min(times)


def main(arguments: list[str] | None = None) -> None:
    """Measure, and print or write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true", help="one page, 50 live points")
    parser.add_argument("--live", type=int, default=2000, help="live points")
    parser.add_argument("--write", metavar="DIR", type=Path, help="write the table to this folder")
    options = parser.parse_args(arguments)
    if importlib.util.find_spec("dynesty") is None:
        print("dynesty is not installed: pip install dynesty")
        return
    live = 50 if options.tiny else options.live
    lines = [
        f"Sigma unknown, units from {BAND[0]} to {BAND[1]}; {live} live points.",
        "",
        "| readings | sigma/unit | quadrature | seconds | nested sampling | its error | seconds "
        "| calls | times faster |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    cases = ((15, 0.10, 1), (15, 0.15, 2), (30, 0.20, 3))
    for n, spread, seed in cases[:1] if options.tiny else cases:
        problem = page(n, spread, seed)
        value, quick = best_of(problem, 5)
        begin = time.perf_counter()
        peer, error, calls = by_nested_sampling(problem, live, seed)
        slow = time.perf_counter() - begin
        lines.append(
            f"| {n} | {spread:.2f} | {value:.4f} | {quick:.3f} | {peer:.2f} | {error:.2f} "
            f"| {slow:.0f} | {calls} | {slow / quick:.0f} |"
        )
        print(lines[-1], flush=True)
    keep(options.write, "evidence_peers", "The evidence beside nested sampling", lines)


if __name__ == "__main__":
    main()
