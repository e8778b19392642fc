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

import quantize as qz
from benchmarks.tables import keep
from quantize.comb.window import log_unit_excess
from quantize.comb.wrapped import log_wrapped_normal
from quantize.model.sigma_prior import upper_quantile

BAND = (0.2, 2.6)
SIGMA = (0.01, 1.0)


def sample(n: int, spread: float, seed: int) -> np.ndarray:
    """A comb of unit 1 with whole numbers from −4 to 4."""
    rng = np.random.default_rng([31, n, seed])
    values: np.ndarray = rng.integers(-4, 5, size=n) + spread * rng.normal(size=n)
    return values


def by_nested_sampling(x: np.ndarray, live: int, seed: int) -> tuple[float, float, int]:
    """Log evidence, its stated error, and how often the likelihood was called."""
    import dynesty

    def transform(cube: np.ndarray) -> np.ndarray:
        unit = BAND[0] * (BAND[1] / BAND[0]) ** cube[0]
        return np.array([unit, upper_quantile(cube[1:], np.array([unit]), *SIGMA)[0]])

    def log_likelihood(theta: np.ndarray) -> float:
        unit, sigma = theta[:1], theta[1]
        excess = log_unit_excess(unit, sigma / unit, float(np.ptp(x)), x.size)
        return float(log_wrapped_normal(x / unit, sigma / unit).sum() - x.size * excess[0])

    sampler = dynesty.NestedSampler(
        log_likelihood, transform, 2, nlive=live, rstate=np.random.default_rng(seed)
    )
    sampler.run_nested(print_progress=False)
    found = sampler.results
    return float(found.logz[-1]), float(found.logzerr[-1]), int(np.sum(found.ncall))


def best_of(x: np.ndarray, repeats: int) -> tuple[float, float]:
    """Log evidence by quadrature, and the shortest of a few times."""
    times, value = [], 0.0
    for _ in range(repeats):
        begin = time.perf_counter()
        value = qz.fit_mixture(x, BAND, sigma_range=SIGMA).log_bayes_factor
        times.append(time.perf_counter() - begin)
    return value, min(times)


def main(arguments: list[str] | None = None) -> None:
    """Measure, and print or write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true", help="one sample, 50 live points")
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
        x = sample(n, spread, seed)
        value, quick = best_of(x, 5)
        begin = time.perf_counter()
        peer, error, calls = by_nested_sampling(x, live, seed)
        slow = time.perf_counter() - begin
        lines.append(
            f"| {n} | {spread:.2f} | {value:.4f} | {quick:.3f} | {peer:.2f} | {error:.2f} "
            f"| {slow:.0f} | {calls} | {slow / quick:.0f} |"
        )
        print(lines[-1], flush=True)
    keep(options.write, "evidence_peers", "The evidence beside nested sampling", lines)


if __name__ == "__main__":
    main()
