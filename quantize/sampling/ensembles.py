"""Several independent ensembles of walkers, carried on in rounds until they are long enough.

What an ensemble does depends on its own seed and on nothing else: not on the workers, not on where
a round ends, not on an interruption. The ends of the rounds are fixed beforehand, and the first end
at which the chains are long enough is where the run stops. So a run that was interrupted and
resumed, or that had been asked for less before, gives the same numbers as one in a single piece.
"""

from __future__ import annotations

import contextlib
import dataclasses
import functools
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from quantize._support.parallel import Progress, ordered_map, own_pool, steps
from quantize._support.validation import FloatArray
from quantize.sampling import diagnostics
from quantize.sampling.moves import ModeShapes, mode_shapes, moves_for
from quantize.sampling.target import Target

WALKERS = 100
"""Walkers of an ensemble: with few readings a hundred cost hardly more than twenty."""
_FIRST_ROUND = 50
_ROUND = 200
_MOST_STEPS = 2000
_STEPS_A_DRAW = 5
_DRAWS_FOR_SHAPES = 1500


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Ensemble:
    """One ensemble as far as it has come.

    `theta` (1 + steps, walkers, d) and `log_prob` (1 + steps, walkers) begin with the start.
    `random` is the state of its random numbers after the last step, `moves` how often each move was
    tried and accepted.
    """

    theta: FloatArray
    log_prob: FloatArray
    random: tuple[Any, ...]
    moves: dict[str, tuple[int, int]] = dataclasses.field(default_factory=dict)

    @property
    def steps(self) -> int:
        """Steps done."""
        return len(self.theta) - 1

    def last(self) -> Ensemble:
        """As it stands now, without what went before."""
        return dataclasses.replace(
            self, theta=self.theta[-1:], log_prob=self.log_prob[-1:], moves={}
        )

    def then(self, piece: Ensemble) -> Ensemble:
        """With the steps of a piece that begins where this ends."""
        moves = dict(self.moves)
        for name, (tried, accepted) in piece.moves.items():
            before = moves.get(name, (0, 0))
            moves[name] = before[0] + tried, before[1] + accepted
        return Ensemble(
            theta=np.concatenate([self.theta, piece.theta[1:]]),
            log_prob=np.concatenate([self.log_prob, piece.log_prob[1:]]),
            random=piece.random,
            moves=moves,
        )


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Chains:
    """A finished or interrupted run.

    `theta` (ensembles, steps, walkers, d) and `log_prob` hold what is left after `burn_in` steps;
    `times` are the autocorrelation times in steps.
    """

    theta: FloatArray
    log_prob: FloatArray
    burn_in: int
    times: dict[str, float]
    moves: dict[str, tuple[int, int]]
    interrupted: bool

    def evenly_spaced(self, n: int) -> tuple[FloatArray, FloatArray]:
        """`n` draws of each chain (or all there are) and their log posterior.

        Whole ensembles as far apart as can be, one after the other: shape (chains, n, d).
        """
        chains, length, walkers, d = self.theta.shape
        times = min(-(-n // walkers), length)
        places = length - 1 - (length // times) * np.arange(times)[::-1]
        theta = self.theta[:, places].reshape(chains, -1, d)[:, :n]
        return theta, self.log_prob[:, places].reshape(chains, -1)[:, :n]


def random_state(seed: np.random.SeedSequence) -> np.random.RandomState:
    """Random numbers for emcee, which silently ignores a Generator.

    They come from a Mersenne twister of their own, so that numpy's global state is neither read nor
    changed.

    >>> first, second = np.random.SeedSequence(7).spawn(2)
    >>> random_state(first).normal() == random_state(first).normal()
    True
    >>> random_state(first).normal() == random_state(second).normal()
    False
    """
    return np.random.RandomState(np.random.MT19937(seed))


def begin(
    target: Target, chains: int, root: np.random.SeedSequence
) -> tuple[list[Ensemble], ModeShapes | None]:
    """Ensembles that have not moved yet, and the shapes of the modes for the moves."""
    first, *children = np.random.SeedSequence(root.entropy, spawn_key=root.spawn_key).spawn(
        1 + 2 * chains
    )
    modes = None
    if len(target.modes) > 1:
        drawn, _ = target.start(_DRAWS_FOR_SHAPES, np.random.default_rng(first))
        modes = mode_shapes(target.names, target.modes, drawn)
    ensembles = []
    for place, moving in zip(children[:chains], children[chains:], strict=True):
        theta, log_prob = target.start(WALKERS, np.random.default_rng(place))
        state: Any = random_state(moving).get_state(legacy=True)
        ensembles.append(Ensemble(theta=theta[None], log_prob=log_prob[None], random=state))
    return ensembles, modes


def advance(
    target: Target, modes: ModeShapes | None, task: tuple[Ensemble, int]
) -> tuple[Ensemble, bool]:
    """Carry an ensemble on by so many steps, or until the user interrupts; whether they did."""
    import emcee

    ensemble, wanted = task
    here, log_prob = ensemble.theta[-1], ensemble.log_prob[-1]
    moves = moves_for(target.names, modes)
    sampler = emcee.EnsembleSampler(*here.shape, target.log_prob, moves=moves, vectorize=True)
    state = emcee.State(here.copy(), log_prob=log_prob.copy(), random_state=ensemble.random)
    interrupted = False
    try:
        for _ in sampler.sample(state, iterations=wanted, skip_initial_state_check=True):
            pass
    except KeyboardInterrupt:
        interrupted = True
    if not sampler.backend.iteration:
        return ensemble.last(), interrupted
    piece = Ensemble(
        theta=np.concatenate([here[None], sampler.get_chain()]),
        log_prob=np.concatenate([log_prob[None], sampler.get_log_prob()]),
        random=sampler.backend.random_state,
        moves={move.name: (move.tried, move.accepted) for move, _ in moves},
    )
    return piece, interrupted


def ends_of_rounds() -> Iterator[int]:
    """Numbers of steps at which it is asked whether to go on: 50, 200, 400, …, later further apart.

    The first is early so that an interruption finds something of every ensemble.
    """
    yield _FIRST_ROUND
    end = _ROUND
    while True:
        yield end
        end += _ROUND * max(1, end // (4 * _ROUND))


def run(
    target: Target,
    ensembles: list[Ensemble],
    modes: ModeShapes | None,
    draws: int,
    *,
    workers: Any = None,
    progress: Progress = False,
    save: Callable[[list[Ensemble]], None] | None = None,
) -> Chains:
    """Go on until `draws` well-separated draws a chain can be had, or the chains are too long.

    `ensembles` come from `begin` or from a file. `save` is called with them after each round, and
    after an interruption.

    `KeyboardInterrupt` when interrupted before there is anything to keep.
    """
    bar = steps(progress, draws * len(ensembles), "draws")
    most = max(_MOST_STEPS, _STEPS_A_DRAW * draws)
    with _one_pool(workers) as pool:
        for end in ends_of_rounds():
            ensembles, interrupted = _round(target, ensembles, modes, end, pool)
            if save is not None:
                save(ensembles)
            length = min(end, *(ensemble.steps for ensemble in ensembles))
            if length < 2:
                raise KeyboardInterrupt
            chains = _chains(target, ensembles, length, interrupted)
            left = chains.theta.shape[1]
            slowest = max(chains.times.values())
            ready = min(int(WALKERS * left / slowest), draws) * len(ensembles)
            bar.advance(max(ready - bar.done, 0))
            long_enough = left >= diagnostics.LEAST_TIMES * slowest and ready >= bar.total
            if interrupted or long_enough or end >= most:
                break
    bar.close()
    return chains


def _one_pool(workers: Any) -> contextlib.AbstractContextManager[Any]:
    """One pool for all rounds, where so many processes are asked for."""
    if isinstance(workers, int) and workers > 1:
        return own_pool(workers)
    return contextlib.nullcontext(workers)


def _round(
    target: Target, ensembles: list[Ensemble], modes: ModeShapes | None, end: int, workers: Any
) -> tuple[list[Ensemble], bool]:
    """Every ensemble up to `end` steps, unless the user interrupts; whether they did."""
    short = [i for i, ensemble in enumerate(ensembles) if ensemble.steps < end]
    tasks = [(ensembles[i].last(), end - ensembles[i].steps) for i in short]
    out = list(ensembles)
    try:
        pieces = ordered_map(functools.partial(advance, target, modes), tasks, workers)
        for i, (piece, interrupted) in zip(short, pieces, strict=True):
            out[i] = ensembles[i].then(piece)
            if interrupted:
                return out, True
    except KeyboardInterrupt:
        return out, True
    return out, False


def _chains(target: Target, ensembles: list[Ensemble], length: int, interrupted: bool) -> Chains:
    # Walkers drawn by quadrature are nearly in place; others have to find it.
    burn_in = length // 4 if len(target.modes) else length // 2
    kept = slice(1 + burn_in, 1 + length)
    theta = np.stack([ensemble.theta[kept] for ensemble in ensembles])
    moved = [ensemble.moves for ensemble in ensembles if ensemble.moves]
    return Chains(
        theta=theta,
        log_prob=np.stack([ensemble.log_prob[kept] for ensemble in ensembles]),
        burn_in=burn_in,
        times=diagnostics.times(target, theta),
        moves={
            name: (
                sum(counts[name][0] for counts in moved),
                sum(counts[name][1] for counts in moved),
            )
            for name in moved[0]
        },
        interrupted=interrupted,
    )
