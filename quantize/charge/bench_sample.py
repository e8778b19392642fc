"""The joint posterior of a bench by sampling: no formula is taken for a straight line."""

from __future__ import annotations

import dataclasses
import math
from typing import Any, ClassVar

import numpy as np
import pandas as pd

from quantize._support import arviz_lines, randomness, validation
from quantize._support.errors import InputError
from quantize._support.randomness import RngLike
from quantize._support.results import Result
from quantize._support.validation import FloatArray
from quantize.charge.adjustment import Adjusted, Joint
from quantize.charge.propagation import WithInterval
from quantize.charge.stated import stated
from quantize.sampling.ensembles import random_state

UNIT = "unit charge"
_WALKERS_A_DIMENSION, _LEAST_WALKERS = 4, 32
_BURN_IN, _STEPS_A_DRAW = 100, 10
_ROUNDS, _SETTLED = 25, 1e-12
_STEP = 1e-4  # of a standard deviation, for the slopes of the conditions
_LARGEST_R_HAT, _LEAST_SIZE = 1.01, 400.0  # Vehtari et al., Bayesian Analysis 16:667 (2021)


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class BenchSample(WithInterval, Result):
    """Result of `BenchPosterior.sample`.

    Attributes
    ----------
    value, standard_uncertainty : float
        Mean and standard deviation of the unit, in coulombs.
    converged : bool
        Whether the ensembles agree and have moved enough (R-hat and effective size of the unit and
        of every input).
    diagnostics : pandas.DataFrame
        One row for the unit and each uncertain input: quantity, mean, sd, r_hat, ess_bulk,
        ess_tail, mcse_mean.
    draws : pandas.DataFrame
        The draws that were kept: chain, draw, the unit and every input in SI units.

    Examples
    --------
    >>> from quantize import charge
    >>> bench = {
    ...     "plates": {"separation": "4.24(2) mm", "voltage": "227.4(6) V"},
    ...     "sphere": {"weight": "5.15(8)e-14 N"},
    ...     "fall": {"divisions": "60.8 +/- 0.2 div"},
    ... }
    >>> found = charge.unit_in_coulombs(10.0, bench, unit_err=0.1, trials=200).bench
    >>> drawn = found.sample(draws=200, chains=2, rng=1)
    >>> abs(drawn.value / found.value - 1) < 0.005
    True
    """

    _private: ClassVar[tuple[str, ...]] = ("draws",)

    value: float
    standard_uncertainty: float
    converged: bool
    diagnostics: pd.DataFrame
    draws: pd.DataFrame

    def _ends(self, tail: float) -> Any:
        return np.quantile(self.draws[UNIT], [tail, 1 - tail])

    def to_arviz(self) -> Any:
        """Give the draws as arviz knows them: InferenceData on arviz 0.23, a DataTree on 1.x.

        The group posterior has ``charge`` in coulombs and ``inputs`` in SI units along the
        coordinate ``input``, which holds their names.
        """
        table = self.draws.set_index(["chain", "draw"])
        shape = (table.index.get_level_values("chain").nunique(), -1)
        names = [name for name in table if name != UNIT]
        posterior = {
            "charge": table[UNIT].to_numpy(float).reshape(shape),
            "inputs": table[names].to_numpy(float).reshape(*shape, len(names)),
        }
        return arviz_lines.container(
            {"posterior": posterior},
            dims={"inputs": ["input"]},
            coords={"input": np.array(names)},
            attributes={"converged": int(self.converged)},
        )

    def _headline(self) -> str:
        state = "converged" if self.converged else "not converged"
        return f"{stated(self.value, self.standard_uncertainty, 'C')[1]} by sampling, {state}"


class _Target:
    """The posterior of one case, on the inputs that fulfil the conditions exactly.

    `z` counts along the posterior of the straight lines, where it is standard normal.
    """

    def __init__(self, joint: Joint, fitted: Adjusted) -> None:
        self.joint, self.fitted = joint, fitted
        spread = np.sqrt(np.diag(fitted.covariance))
        size = np.where(spread > 0, spread, 1.0)
        both = np.outer(size, size)
        values, vectors = np.linalg.eigh(fitted.posterior / both)
        rank = int(np.linalg.matrix_rank(fitted.covariance / both, hermitian=True))
        free = slice(values.size - (rank - fitted.misclosure.size), None)
        # Columns that lead along the conditions, one standard deviation each, and away from them.
        self.along = size[:, None] * vectors[:, free] * np.sqrt(values[free])
        self.across = fitted.covariance @ fitted.slopes.T
        self.inverse = np.linalg.pinv(fitted.covariance / both, hermitian=True) / both

    def misclosure(self, deviation: FloatArray) -> FloatArray:
        """What is left of the conditions, the last axis running over them."""
        logs = self.joint.formulas.logs(deviation)
        return np.asarray(np.moveaxis(np.tensordot(self.joint.contrasts, logs, 1), 0, -1))

    def on_conditions(self, z: FloatArray) -> FloatArray:
        """Deviations that fulfil the conditions; NaN where none are found."""
        at = self.fitted.deviation + z @ self.along.T
        if self.across.shape[1] == 0:
            return np.asarray(at)
        # The slopes at the maximum serve for every step.
        back = np.linalg.solve(self.fitted.slopes @ self.across, self.across.T)
        for _ in range(_ROUNDS):
            step = self.misclosure(at) @ back
            at = at - step
            if np.nanmax(np.abs(step), initial=0.0) < _SETTLED:
                return np.asarray(at)
        return np.where(np.abs(step) < 1e3 * _SETTLED, at, np.nan)

    def log_density(self, z: FloatArray) -> FloatArray:
        """Log density of each row of `z`, up to a constant."""
        with np.errstate(all="ignore"):
            at = self.on_conditions(z)
            log_p = -0.5 * np.einsum("wi,ij,wj->w", at, self.inverse, at)
            if self.across.shape[1]:
                # Given exact conditions g the density is divided by |dg/ds| across them.
                step = _STEP / np.sqrt(np.diag(self.fitted.slopes @ self.across))
                away = (self.across * step).T[:, None, :]
                slopes = self.misclosure(at + away) - self.misclosure(at - away)
                slopes = np.moveaxis(slopes / (2 * step[:, None, None]), 0, -1)
                log_p = log_p - np.linalg.slogdet(slopes)[1]
        return np.where(np.isfinite(log_p), log_p, -np.inf)

    def drawn(self, draws: int, seed: np.random.SeedSequence) -> FloatArray:
        """Deviations drawn by one ensemble of walkers, shape (draws, inputs)."""
        import emcee

        dimensions = self.along.shape[1]
        walkers = max(_WALKERS_A_DIMENSION * dimensions, _LEAST_WALKERS)
        place, moving = seed.spawn(2)
        start = np.random.default_rng(place).standard_normal((walkers, dimensions))
        sampler = emcee.EnsembleSampler(
            walkers, dimensions, self.log_density, moves=emcee.moves.DEMove(), vectorize=True
        )
        state = emcee.State(start, random_state=random_state(moving).get_state())
        steps = _BURN_IN + math.ceil(draws / walkers) * _STEPS_A_DRAW
        sampler.run_mcmc(state, steps, skip_initial_state_check=True)
        kept = sampler.get_chain(discard=_BURN_IN, thin=_STEPS_A_DRAW).reshape(-1, dimensions)
        return self.on_conditions(kept[:draws])


def sample_bench(joint: Joint, *, draws: int, chains: int, rng: RngLike) -> BenchSample:
    """Draw from the joint posterior; see `BenchPosterior.sample`."""
    wanted = validation.count("draws", draws, least=100)
    number = validation.count("chains", chains, least=2)
    gen = randomness.generator(rng)
    if not joint.cases[0][1].covariance.any():
        raise InputError(
            "the bench states no uncertainty at all, so that there is nothing to draw from; add "
            "one as in '4.24 +/- 0.02 mm'."
        )
    share = np.array([p for p, _ in joint.cases])
    seeds = randomness.spawn(gen, len(joint.cases) * number)
    every = np.array(
        [
            [_Target(joint, case).drawn(wanted, seeds[h * number + c]) for c in range(number)]
            for h, (_, case) in enumerate(joint.cases)
        ]
    )
    which = gen.choice(share.size, size=(number, wanted), p=share / share.sum())
    at = every[which, np.arange(number)[:, None], np.arange(wanted)]
    charge = np.exp(joint.formulas.logs(at)[0])
    values = joint.formulas.moved(at)
    names = list(joint.formulas.inputs)
    chain, draw = np.indices((number, wanted)).reshape(2, -1)
    table = pd.DataFrame({"chain": chain, "draw": draw, UNIT: charge.ravel()})
    table[names] = values.reshape(-1, len(names))
    uncertain = np.diag(joint.cases[0][1].covariance) > 0
    watched = {UNIT: charge} | {n: values[..., i] for i, n in enumerate(names) if uncertain[i]}
    diagnostics = pd.DataFrame(
        [
            {"quantity": name, "mean": x.mean(), "sd": x.std(), **arviz_lines.convergence(x)}
            for name, x in watched.items()
        ]
    )
    moved = diagnostics["ess_bulk"].min() >= _LEAST_SIZE
    return BenchSample(
        value=float(charge.mean()),
        standard_uncertainty=float(charge.std()),
        converged=bool(moved and diagnostics["r_hat"].max() < _LARGEST_R_HAT),
        diagnostics=diagnostics,
        draws=table,
    )
