"""What sampling gives: a result like that of the quadrature, and what tells whether to trust it."""

from __future__ import annotations

import dataclasses
import functools
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from quantize._support import arviz_lines, validation
from quantize._support.results import Result
from quantize._support.validation import FloatArray, IntArray
from quantize.comb.band import Band
from quantize.model import modes as mode_finding
from quantize.sampling.target import Target, natural

if TYPE_CHECKING:
    import pandas as pd

_PRIOR_DRAWS = 2000
_EXPORT = 1_000_000
"""Spawn key of the random numbers of `to_arviz`, far from those of the chains."""


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class SampledMixture(Result):
    """Result of `sample_mixture`.

    Attributes
    ----------
    unit, unit_err : float
        Posterior mean and standard deviation of the unit within the best mode.
    sigma, offset : float
        Their posterior means within that mode, or what was given.
    alternatives : pandas.DataFrame
        Every mode with at least 0.1 % of the samples, best first: unit, unit_err, share, sigma,
        relation.
    converged : bool
        True when nothing speaks against the run.
    warnings : tuple of str
        What does, in plain sentences.
    diagnostics : pandas.DataFrame
        One row for each coordinate, and for the indicator of the best mode where there are
        several: mean, sd, r_hat, ess_bulk, ess_tail, mcse_mean, autocorrelation_time (in steps).
    mode_shares : pandas.DataFrame
        Share of each larger mode by sampling, its Monte Carlo error, its share by quadrature, and
        the share in each ensemble. Empty where there is one mode or no quadrature.
    acceptance : pandas.DataFrame
        How often each move was tried and accepted.
    draws : pandas.DataFrame
        The draws that were kept: chain, draw, and every quantity.
    integers : numpy.ndarray of int, shape (n,)
        Most probable whole number of each reading at the best mode.
    integer_probabilities : pandas.DataFrame
        Rows (reading, integer, probability) over the whole posterior, down to 1e-4.
    """

    _private: ClassVar[tuple[str, ...]] = ("target", "kept", "log_prob", "marginal", "draws")

    unit: float
    unit_err: float
    sigma: float
    offset: float
    alternatives: pd.DataFrame
    converged: bool
    warnings: tuple[str, ...]
    diagnostics: pd.DataFrame
    mode_shares: pd.DataFrame
    acceptance: pd.DataFrame
    integers: IntArray
    integer_probabilities: pd.DataFrame
    band: Band
    settings: dict[str, Any]
    draws: pd.DataFrame
    marginal: mode_finding.Marginal
    target: Target
    kept: FloatArray
    log_prob: FloatArray

    @property
    def modes(self) -> pd.DataFrame:
        """The same table as `alternatives`."""
        return self.alternatives

    def interval(self, prob: float = 0.95) -> FloatArray:
        """Highest-density set of the unit (in log unit): rows (low, high), one or more."""
        return mode_finding.highest_density_set(self.marginal, validation.fraction("prob", prob))

    @functools.cached_property
    def _groups(self) -> dict[str, dict[str, Any]]:
        target = self.target
        chains, n, d = self.kept.shape
        seed = self.settings["seed"]
        rng = np.random.default_rng(
            np.random.SeedSequence(seed["entropy"], spawn_key=(*seed["spawn_key"], _EXPORT))
        )
        flat = self.kept.reshape(-1, d)
        prior = natural(target, target.draw_prior(_PRIOR_DRAWS, rng))
        constants = dict(target.constant_data)
        if "state" in constants:
            constants["charge_state"] = constants.pop("state")
        groups: dict[str, dict[str, Any]] = {
            "posterior": natural(target, self.kept),
            "prior": {name: value[None, :] for name, value in prior.items()},
            "sample_stats": {"lp": self.log_prob},
            "log_likelihood": {
                "states": target.pointwise_log_likelihood(flat).reshape(chains, n, -1)
            },
            "posterior_predictive": {"readings": target.predict(flat, rng).reshape(chains, n, -1)},
            "observed_data": {"readings": target.observed},
        }
        if constants:
            groups["constant_data"] = {name: np.asarray(v) for name, v in constants.items()}
        return groups

    def to_arviz(self) -> Any:
        """The run as arviz knows it: InferenceData on arviz 0.23, a DataTree on 1.x.

        Groups posterior, prior, sample_stats, log_likelihood, posterior_predictive, observed_data
        and constant_data (where something came with the readings). The pointwise log likelihood
        has one entry for each charge state, since the readings of a state depend on each other;
        `arviz.loo` and `arviz.compare` work on it.
        """
        groups = self._groups
        states = groups["log_likelihood"]["states"].shape[-1]
        dims = {"states": ["state"], "readings": ["reading"]}
        dims |= {name: ["reading"] for name in groups.get("constant_data", {})}
        return arviz_lines.container(
            groups,
            dims=dims,
            coords={"state": np.arange(states), "reading": np.arange(self.target.observed.size)},
            attributes={
                "converged": int(self.converged),
                "warnings": "\n".join(self.warnings),
                "unit_range": f"{self.band.low:.17g} to {self.band.high:.17g}",
            },
        )

    def _headline(self) -> str:
        share = float(self.alternatives["share"].iloc[0])
        state = "converged" if self.converged else "not converged"
        return (
            f"unit {self.unit:.6g} ± {self.unit_err:.2g} ({100 * share:.3g} % of the samples), "
            f"{state}"
        )
