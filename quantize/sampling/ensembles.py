"""Several independent ensembles of walkers, carried on in rounds until they are long enough.

What an ensemble does depends on its own seed and on nothing else: not on the workers, not on where
a round ends, not on an interruption. The ends of the rounds are fixed beforehand, and the first end
at which the chains are long enough is where the run stops. So a run that was interrupted and
resumed, or that had been asked for less before, gives the same numbers as one in a single piece.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from quantize._support.parallel import Progress, ordered_map, own_pool, steps
from quantize._support.validation import FloatArray
from quantize.sampling import diagnostics
from quantize.sampling.moves import ModeShapes, mode_shapes, moves_for
from quantize.sampling.seeding import state_of
from quantize.sampling.start import walkers_at_start
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

    `theta` (steps, walkers, d) and `log_prob` (steps, walkers) begin after the start, which is
    kept apart. `random` is the state of its random numbers after the last step, `moves` how often
    each move was tried and accepted.
    """

    start: FloatArray
    start_log_prob: FloatArray
    theta: FloatArray
    log_prob: FloatArray
    random: tuple[Any, ...]
    moves: dict[str, tuple[int, int]]

    @property
    def steps(self) -> int:
        """Steps done."""
        return len(self.theta)


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Task:
    """So many more steps of one ensemble."""

    target: Target
    modes: ModeShapes | None
    ensemble: Ensemble
    steps: int


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Piece:
    """The steps that a task made, and whether the user stopped it."""

    theta: FloatArray
    log_prob: FloatArray
    random: tuple[Any, ...]
    moves: dict[str, tuple[int, int]]
    interrupted: bool


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


def begin(
    target: Target, chains: int, root: np.random.SeedSequence
) -> tuple[list[Ensemble], ModeShapes | None]:
    """Ensembles that have not moved yet, and the shapes of the modes for the moves."""
    first, *children = np.random.SeedSequence(root.entropy, spawn_key=root.spawn_key).spawn(
        1 + 2 * chains
    )
    rng = np.random.default_rng(first)
    modes = None
    if len(target.modes) > 1:
        drawn = target.draw_start(_DRAWS_FOR_SHAPES, rng)
        modes = None if drawn is None else mode_shapes(target, drawn)
    ensembles = []
    for place, moving in zip(children[:chains], children[chains:], strict=True):
        theta, log_prob = walkers_at_start(target, WALKERS, np.random.default_rng(place))
        ensembles.append(
            Ensemble(
                start=theta,
                start_log_prob=log_prob,
                theta=np.empty((0, *theta.shape)),
                log_prob=np.empty((0, len(theta))),
                random=state_of(moving),
                moves={},
            )
        )
    return ensembles, modes


def advance(task: Task) -> Piece:
    """Carry one ensemble on; an interruption keeps the steps done so far."""
    import emcee

    ensemble = task.ensemble
    theta = ensemble.theta[-1] if ensemble.steps else ensemble.start
    log_prob = ensemble.log_prob[-1] if ensemble.steps else ensemble.start_log_prob
    moves = moves_for(task.target.names, task.modes)
    sampler = emcee.EnsembleSampler(
        len(theta), theta.shape[1], task.target.log_prob, moves=moves, vectorize=True
    )
    state = emcee.State(theta.copy(), log_prob=log_prob.copy(), random_state=ensemble.random)
    interrupted = False
    try:
        for _ in sampler.sample(state, iterations=task.steps, skip_initial_state_check=True):
            pass
    except KeyboardInterrupt:
        interrupted = True
    done = sampler.backend.iteration
    return Piece(
        theta=sampler.get_chain() if done else np.empty((0, *theta.shape)),
        log_prob=sampler.get_log_prob() if done else np.empty((0, len(theta))),
        random=sampler.backend.random_state if done else ensemble.random,
        moves={move.name: (move.tried, move.accepted) for move, _ in moves},
        interrupted=interrupted,
    )


def extended(ensemble: Ensemble, piece: Piece) -> Ensemble:
    """The ensemble with a piece added."""
    moves = dict(ensemble.moves)
    for name, (tried, accepted) in piece.moves.items():
        before = moves.get(name, (0, 0))
        moves[name] = before[0] + tried, before[1] + accepted
    return dataclasses.replace(
        ensemble,
        theta=np.concatenate([ensemble.theta, piece.theta]),
        log_prob=np.concatenate([ensemble.log_prob, piece.log_prob]),
        random=piece.random,
        moves=moves,
    )


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

    Parameters
    ----------
    target : Target
    ensembles : list of Ensemble
        From `begin`, or from a file.
    modes : ModeShapes or None
    draws : int
        Wanted of each chain.
    workers : None, int, concurrent.futures.Executor or map-like callable
    progress : bool or callable
    save : callable, optional
        Called with the ensembles after each round, and after an interruption.

    Raises
    ------
    KeyboardInterrupt
        When interrupted before there is anything to keep.
    """
    if isinstance(workers, int) and workers > 1:
        # One pool for all rounds.
        with own_pool(workers) as pool:
            return run(target, ensembles, modes, draws, workers=pool, progress=progress, save=save)
    bar = steps(progress, draws * len(ensembles), "draws")
    interrupted = False
    most = max(_MOST_STEPS, _STEPS_A_DRAW * draws)
    for end in ends_of_rounds():
        ensembles, interrupted = _round(target, ensembles, modes, end, workers)
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


def _round(
    target: Target,
    ensembles: list[Ensemble],
    modes: ModeShapes | None,
    end: int,
    workers: Any,
) -> tuple[list[Ensemble], bool]:
    """Every ensemble up to `end` steps, unless the user stops it."""
    short = [i for i, ensemble in enumerate(ensembles) if ensemble.steps < end]
    tasks = [
        Task(
            target=target,
            modes=modes,
            ensemble=_last(ensembles[i]),
            steps=end - ensembles[i].steps,
        )
        for i in short
    ]
    out = list(ensembles)
    try:
        for i, piece in zip(short, ordered_map(advance, tasks, workers), strict=True):
            out[i] = extended(ensembles[i], piece)
            if piece.interrupted:
                return out, True
    except KeyboardInterrupt:
        return out, True
    return out, False


def _last(ensemble: Ensemble) -> Ensemble:
    """The ensemble without all but its last step, to send to a worker."""
    return dataclasses.replace(
        ensemble, theta=ensemble.theta[-1:], log_prob=ensemble.log_prob[-1:], moves={}
    )


def _chains(target: Target, ensembles: list[Ensemble], length: int, interrupted: bool) -> Chains:
    theta = np.stack([ensemble.theta[:length] for ensemble in ensembles])
    log_prob = np.stack([ensemble.log_prob[:length] for ensemble in ensembles])
    # Walkers drawn by quadrature are nearly in place; others have to find it.
    burn_in = length // 4 if len(target.modes) else length // 2
    names = ensembles[0].moves
    moves = {
        name: (
            sum(ensemble.moves[name][0] for ensemble in ensembles if ensemble.moves),
            sum(ensemble.moves[name][1] for ensemble in ensembles if ensemble.moves),
        )
        for name in names
    }
    return Chains(
        theta=theta[:, burn_in:],
        log_prob=log_prob[:, burn_in:],
        burn_in=burn_in,
        times=diagnostics.times(target, theta[:, burn_in:]),
        moves=moves,
        interrupted=interrupted,
    )
