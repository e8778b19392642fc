"""Whether a run can be trusted: autocorrelation, agreement of ensembles, agreement with quadrature.

The walkers of one ensemble move by each other's help and are not independent chains. A chain is
therefore a whole ensemble, its walkers flattened after thinning, and R-hat and effective sizes are
taken between ensembles.
"""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

import numpy as np

from quantize._support import arviz_lines
from quantize._support.validation import FloatArray
from quantize.model.modes import Mode
from quantize.sampling.moves import ends_of, mode_of
from quantize.sampling.target import Target

if TYPE_CHECKING:
    import pandas as pd

LEAST_TIMES = 10.0
"""A chain shorter than this many autocorrelation times is too short."""
LARGEST_R_HAT = 1.01
LEAST_EFFECTIVE = 100.0
"""Effective draws, a chain, below which no tail or share is worth quoting."""
_WINDOW = 5.0
_SMALLEST_SHARE = 0.01
_STANDARD_ERRORS = 5.0
_QUADRATURE = 0.003
_UNLIKELY = 1e-5


def autocorrelation_time(trace: FloatArray) -> float:
    """Integrated autocorrelation time, in steps, of a trace (ensembles, steps, walkers).

    Deviations are from the mean of all, so that walkers stuck on different modes count as
    correlated for ever. The sum is cut at the first lag beyond 5 times itself (Sokal, in
    *Functional Integration*, Plenum 1997, section 3; Goodman & Weare, 2010).

    >>> still = np.broadcast_to(np.arange(10.0), (2, 400, 10))
    >>> autocorrelation_time(still) > 100
    True
    """
    deviation = trace - trace.mean()
    steps = trace.shape[1]
    if not np.any(deviation):
        return 1.0
    size = 2 ** int(np.ceil(np.log2(2 * steps)))
    spectrum = np.zeros(size // 2 + 1)
    for ensemble in deviation:
        spectrum += np.square(np.abs(np.fft.rfft(ensemble, n=size, axis=0))).sum(axis=1)
    correlation = np.fft.irfft(spectrum)[:steps]
    running = 2 * np.cumsum(correlation / correlation[0]) - 1
    beyond = np.flatnonzero(np.arange(steps) >= _WINDOW * running)
    return max(float(running[beyond[0] if beyond.size else -1]), 1.0)


def traces(target: Target, theta: FloatArray) -> dict[str, FloatArray]:
    """What is watched: every coordinate (a phase as cosine and sine) and the best mode.

    `theta` has shape (..., d); each trace has the shape before it.
    """
    out: dict[str, FloatArray] = {}
    for j, name in enumerate(target.names):
        if name == "phase":
            out["phase_cosine"] = np.cos(2 * np.pi * theta[..., j])
            out["phase_sine"] = np.sin(2 * np.pi * theta[..., j])
        else:
            out[name] = theta[..., j]
    if len(target.modes) > 1 and 1 - target.modes[0].share >= _SMALLEST_SHARE:
        best = mode_of(out["log_unit"], *ends_of(target.modes[:1])) == 0
        out["best_mode"] = best.astype(float)
    return out


def times(target: Target, theta: FloatArray) -> dict[str, float]:
    """Autocorrelation time of every trace; `theta` (ensembles, steps, walkers, d).

    It is taken of the ranks, as R-hat and the effective sizes are: a mode with a thousandth of
    the posterior but far away would otherwise make up most of the variance.
    """
    return {
        name: autocorrelation_time(trace if name == "best_mode" else _ranks(trace))
        for name, trace in traces(target, theta).items()
    }


def _ranks(trace: FloatArray) -> FloatArray:
    ranks = np.empty(trace.size)
    ranks[np.argsort(trace, axis=None)] = np.arange(trace.size)
    return ranks.reshape(trace.shape) / trace.size


def rows(
    target: Target, kept: FloatArray, autocorrelation: dict[str, float]
) -> list[dict[str, Any]]:
    """R-hat, effective sizes and Monte Carlo error of every trace of the draws (chains, n, d)."""
    return [
        {
            "quantity": name,
            "mean": float(trace.mean()),
            "sd": float(trace.std()),
            **arviz_lines.convergence(trace),
            "autocorrelation_time": autocorrelation[name],
        }
        for name, trace in traces(target, kept).items()
    ]


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Shares:
    """Share of each larger mode in each ensemble, its Monte Carlo error, and what quadrature says.

    `error` is that of the mean share, `error_of_one` that of one ensemble by its own fluctuations.
    """

    modes: list[Mode]
    error: FloatArray
    error_of_one: FloatArray
    by_ensemble: FloatArray

    @property
    def share(self) -> FloatArray:
        """Mean over the ensembles."""
        mean: FloatArray = self.by_ensemble.mean(axis=0)
        return mean

    @property
    def quadrature(self) -> FloatArray:
        """Share by quadrature."""
        return np.array([mode.share for mode in self.modes])

    def frame(self) -> pd.DataFrame:
        """Columns unit, share, share_err, quadrature, and one for each ensemble."""
        import pandas as pd

        columns: dict[str, Any] = {
            "unit": [mode.unit for mode in self.modes],
            "share": self.share,
            "share_err": self.error,
            "quadrature": self.quadrature,
        }
        for i, row in enumerate(self.by_ensemble):
            columns[f"ensemble_{i}"] = row
        return pd.DataFrame(columns)


def shares(target: Target, theta: FloatArray) -> Shares | None:
    """Shares of the modes worth counting, from every step kept (ensembles, steps, walkers, d)."""
    modes = [mode for mode in target.modes if mode.share >= _SMALLEST_SHARE]
    if len(target.modes) < 2 or not modes:
        return None
    number = mode_of(theta[..., 0], *ends_of(modes))
    by_ensemble, error, error_of_one = np.empty((len(theta), len(modes))), [], []
    for i in range(len(modes)):
        inside = (number == i).astype(float)
        by_ensemble[:, i] = inside.mean(axis=(1, 2))
        about_own = inside - by_ensemble[:, i, None, None]
        size = inside.size / autocorrelation_time(inside)
        size_of_one = inside[0].size / autocorrelation_time(about_own)
        p = min(max(float(inside.mean()), 1 / size), 1 - 1 / size) if size > 2 else 0.5
        error.append(np.sqrt(p * (1 - p) / size))
        error_of_one.append(np.sqrt(p * (1 - p) / size_of_one))
    between = by_ensemble.std(axis=0, ddof=1) / np.sqrt(len(theta)) if len(theta) > 1 else 0.0
    return Shares(
        modes=modes,
        error=np.maximum(np.array(error), between),
        error_of_one=np.array(error_of_one),
        by_ensemble=by_ensemble,
    )


def complaints(
    watched: list[dict[str, Any]], found: Shares | None, steps: int, chains: int
) -> tuple[str, ...]:
    """Everything that speaks against the run, in plain sentences; none when it has converged."""
    out = []
    slowest = max(watched, key=lambda row: float(row["autocorrelation_time"]))
    times_long = steps / slowest["autocorrelation_time"]
    if times_long < LEAST_TIMES:
        out.append(
            f"The chains are too short: {steps} steps are only {times_long:.1f} autocorrelation "
            f"times of {slowest['quantity']}, and {LEAST_TIMES:g} are needed; ask for more `draws`."
        )
    if chains == 1:
        out.append("One chain cannot be compared with another; take at least two `chains`.")
    else:
        worst = max(watched, key=lambda row: float(np.nan_to_num(row["r_hat"], nan=np.inf)))
        if not worst["r_hat"] <= LARGEST_R_HAT:
            out.append(
                f"The ensembles disagree about {worst['quantity']}: R-hat is "
                f"{worst['r_hat']:.3f}, above {LARGEST_R_HAT:g}."
            )
    least = min(float(row[name]) for row in watched for name in ("ess_bulk", "ess_tail"))
    if not least >= LEAST_EFFECTIVE * chains:
        out.append(
            f"The draws are too few: they are worth {least:.0f} independent ones, and "
            f"{LEAST_EFFECTIVE * chains:.0f} are needed; ask for more `draws`."
        )
    return (*out, *_share_complaints(found))


def _share_complaints(found: Shares | None) -> list[str]:
    from scipy import stats

    if found is None:
        return []
    out = []
    chains = len(found.by_ensemble)
    off = np.abs(found.share - found.quadrature) / (_STANDARD_ERRORS * found.error + _QUADRATURE)
    i = int(np.argmax(off))
    if off[i] > 1:
        out.append(
            f"The share of the mode at {found.modes[i].unit:.4g} is {found.share[i]:.3f} ± "
            f"{found.error[i]:.3f} by sampling and {found.quadrature[i]:.3f} by quadrature."
        )
    if chains > 1:
        scatter = (found.by_ensemble - found.share) / (found.error_of_one + _QUADRATURE)
        scatter = np.square(scatter).sum(axis=0)
        chance = stats.chi2.sf(scatter, chains - 1) * scatter.size
        i = int(np.argmin(chance))
        if chance[i] < _UNLIKELY:
            seen = ", ".join(f"{share:.2f}" for share in found.by_ensemble[:, i])
            out.append(
                f"The ensembles disagree about the share of the mode at {found.modes[i].unit:.4g}: "
                f"{seen}."
            )
    return out
