"""A run gives the same numbers however it is cut into pieces and wherever they are done."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import emcee
import numpy as np
import pytest
from two_modes import SIGMA, UNIT_RANGE, VALUES

import quantize as qz
from quantize.sampling import ensembles
from quantize.sampling.ensembles import random_state
from quantize.sampling.sample import sample_mixture
from quantize.sampling.target import Target

KNOWN = qz.MixtureModel(sigma=SIGMA)


def sample(**options: Any) -> Any:
    return sample_mixture(
        VALUES, UNIT_RANGE, model=KNOWN, **({"draws": 40, "chains": 2, "rng": 4} | options)
    )


@pytest.fixture(scope="module")
def here() -> Any:
    """The short run in one piece."""
    return sample()


@pytest.fixture(scope="module")
def undisturbed() -> Any:
    """A longer run in one piece."""
    return sample(draws=200)


@pytest.mark.slow
def test_the_workers_change_nothing(here: Any) -> None:
    with ThreadPoolExecutor(2) as threads:
        for workers in (2, threads, _backwards):
            other = sample(workers=workers)
            np.testing.assert_array_equal(here.kept, other.kept)
            assert here.unit == other.unit


def _backwards(function: Callable[[Any], Any], tasks: Any) -> Iterator[Any]:
    return reversed([function(task) for task in reversed(tasks)])


def test_cut_into_rounds_the_chain_is_that_of_one_piece(target: Target) -> None:
    begun, modes = ensembles.begin(target, 1, np.random.SeedSequence(1))
    whole, _ = ensembles.advance(target, modes, (begun[0], 30))
    ensemble = begun[0]
    for steps in (1, 17, 12):
        piece, _ = ensembles.advance(target, modes, (ensemble, steps))
        ensemble = ensemble.then(piece)
    np.testing.assert_array_equal(ensemble.theta, whole.theta)
    np.testing.assert_array_equal(ensemble.log_prob, whole.log_prob)
    assert ensemble.moves == whole.moves


@pytest.mark.slow
def test_a_run_that_is_resumed_is_the_run_in_one_piece(tmp_path: Path, here: Any) -> None:
    file = tmp_path / "run.h5"
    sample(checkpoint=file)
    resumed = sample(draws=2500, checkpoint=file, rng=None)
    straight = sample(draws=2500)
    assert straight.settings["steps"] > here.settings["steps"]
    np.testing.assert_array_equal(resumed.kept, straight.kept)
    np.testing.assert_array_equal(resumed.draws.to_numpy(), straight.draws.to_numpy())
    assert resumed.settings == straight.settings
    # Asked for less again, it gives what it gave.
    np.testing.assert_array_equal(sample(checkpoint=file).kept, here.kept)


class Stop:
    """A posterior at which the user presses the key once."""

    def __init__(self, target: Target, at: int) -> None:
        self.target, self.left = target, at

    def __getattr__(self, name: str) -> Any:
        return getattr(self.target, name)

    def log_prob(self, theta: np.ndarray) -> np.ndarray:
        self.left -= 1
        if self.left == 0:
            raise KeyboardInterrupt
        return self.target.log_prob(theta)


@pytest.mark.parametrize("at", [220, 500])
def test_an_interruption_keeps_what_was_drawn(
    at: int, target: Target, undisturbed: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "run.h5"
    stopping = Stop(target, at)
    with monkeypatch.context() as patch:
        patch.setattr("quantize.sampling.sample._target", lambda *_: stopping)
        with pytest.warns(qz.QuantizeWarning, match=r"interrupted after \d+ steps"):
            stopped = sample(draws=200, checkpoint=file)
    assert not stopped.converged
    assert stopped.warnings[0] == "The run was interrupted."
    chains = [
        emcee.backends.HDFBackend(str(file), name=f"ensemble_{i}", read_only=True) for i in range(2)
    ]
    assert (
        min(chain.iteration for chain in chains)
        == stopped.settings["steps"] + (stopped.settings["burn_in"])
    )
    # The same call goes on from there, and ends where an undisturbed run ends.
    np.testing.assert_array_equal(sample(draws=200, checkpoint=file).kept, undisturbed.kept)


def test_an_interruption_before_the_first_step_is_passed_on(
    target: Target,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # The start of each of the two ensembles is one call.
    stopping = Stop(target, 3)
    monkeypatch.setattr("quantize.sampling.sample._target", lambda *_: stopping)
    with pytest.raises(KeyboardInterrupt):
        sample()


def test_progress_counts_draws_up_to_the_total() -> None:
    seen: list[tuple[int, int]] = []
    sample(draws=50, progress=lambda done, total: seen.append((done, total)))
    assert {total for _, total in seen} == {100}
    done = [step for step, _ in seen]
    assert done == sorted(done)
    assert done[-1] <= 100


def carried_on(target: Target, seed: int) -> np.ndarray:
    [ensemble], modes = ensembles.begin(target, 1, np.random.SeedSequence(3))
    moving = random_state(np.random.SeedSequence(seed)).get_state(legacy=True)
    ensemble = dataclasses.replace(ensemble, random=moving)
    return ensembles.advance(target, modes, (ensemble, 5))[0].theta


def test_the_same_seed_gives_the_same_chain_and_another_seed_another(target: Target) -> None:
    one, again, other = (carried_on(target, seed) for seed in (1, 1, 2))
    np.testing.assert_array_equal(one, again)
    assert not np.array_equal(one, other)


def test_numpys_global_state_is_neither_used_nor_changed(target: Target) -> None:
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
