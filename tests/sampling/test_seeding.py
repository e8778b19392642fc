"""emcee draws from the seed that it is given and from nothing else."""

from __future__ import annotations

import dataclasses

import numpy as np

from quantize.sampling import ensembles
from quantize.sampling.model_target import ModelTarget
from quantize.sampling.seeding import random_state, state_of


def carried_on(target: ModelTarget, seed: int) -> np.ndarray:
    [ensemble], modes = ensembles.begin(target, 1, np.random.SeedSequence(3))
    moving = state_of(np.random.SeedSequence(seed))
    ensemble = dataclasses.replace(ensemble, random=moving)
    task = ensembles.Task(target=target, modes=modes, ensemble=ensemble, steps=5)
    return ensembles.advance(task).theta


def test_the_same_seed_gives_the_same_chain_and_another_seed_another(target: ModelTarget) -> None:
    one, again, other = (carried_on(target, seed) for seed in (1, 1, 2))
    np.testing.assert_array_equal(one, again)
    assert not np.array_equal(one, other)


def test_numpys_global_state_is_neither_used_nor_changed(target: ModelTarget) -> None:
    np.random.seed(11)  # noqa: NPY002
    before = np.random.get_state()  # noqa: NPY002
    one = carried_on(target, 1)
    after = np.random.get_state()  # noqa: NPY002
    assert before[0] == after[0]
    np.testing.assert_array_equal(before[1], after[1])
    assert before[2:] == after[2:]
    np.random.seed(12)  # noqa: NPY002
    np.testing.assert_array_equal(one, carried_on(target, 1))


def test_children_of_one_seed_differ() -> None:
    first, second = np.random.SeedSequence(5).spawn(2)
    assert not np.array_equal(random_state(first).random(4), random_state(second).random(4))
