"""Random numbers for emcee.

emcee takes the state of a legacy RandomState and silently ignores a Generator. This is the one
place where such a state is made: from a Mersenne twister that is seeded by a spawned SeedSequence,
so that numpy's global state is neither read for it nor changed.
"""

from __future__ import annotations

from typing import Any

import numpy as np


def random_state(seed: np.random.SeedSequence) -> np.random.RandomState:
    """A RandomState of its own for each seed.

    Examples
    --------
    >>> first, second = np.random.SeedSequence(7).spawn(2)
    >>> random_state(first).normal() == random_state(first).normal()
    True
    >>> random_state(first).normal() == random_state(second).normal()
    False
    """
    return np.random.RandomState(np.random.MT19937(seed))


def state_of(seed: np.random.SeedSequence) -> tuple[Any, ...]:
    """The state of `random_state` in the form that emcee takes and keeps."""
    state = random_state(seed).get_state(legacy=True)
    if not isinstance(state, tuple):
        raise TypeError("RandomState gave no legacy state.")
    return state
