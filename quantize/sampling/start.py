"""Where the walkers start: in proportion to the modes of the posterior."""

from __future__ import annotations

import numpy as np

from quantize._support.errors import InputError
from quantize._support.validation import FloatArray
from quantize.sampling.target import Target

_DRAWS_A_WALKER = 400
_CHUNK = 20_000


def walkers_at_start(
    target: Target, n: int, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    """Places of `n` walkers and their log posterior.

    Where the target has no start of its own they are drawn without replacement from many draws of
    the prior, with the likelihood as the weight (sampling-importance-resampling: Rubin, in
    *Bayesian Statistics 3*, Oxford University Press 1988).

    Raises
    ------
    InputError
        When the prior excludes the readings.
    """
    drawn = target.draw_start(n, rng)
    if drawn is not None:
        log_prob = target.log_prob(drawn)
        if np.isfinite(log_prob).all():
            return drawn, log_prob
    places, values = [], []
    for _ in range(0, _DRAWS_A_WALKER * n, _CHUNK):
        theta = target.draw_prior(_CHUNK, rng)
        value = target.log_prob(theta)
        possible = np.isfinite(value)
        places.append(theta[possible])
        values.append(np.column_stack([value[possible], target.log_prior(theta[possible])]))
    theta, table = np.concatenate(places), np.concatenate(values)
    if len(theta) < 2 * n:
        raise InputError(
            "`readings` are next to impossible under the priors: of "
            f"{_DRAWS_A_WALKER * n} draws {len(theta)} could have produced them; widen the priors."
        )
    # The largest keys log(weight) + Gumbel noise are a draw without replacement.
    key = table[:, 0] - table[:, 1] + rng.gumbel(size=len(theta))
    chosen = np.argpartition(-key, n)[:n]
    return theta[chosen], table[chosen, 0]
