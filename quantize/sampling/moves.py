"""Moves of the walkers: along the shape of the ensemble, between harmonics, and between modes.

Every move leaves the posterior as it is; the tests check each on targets that are known. Moves of
single walkers are emcee's own. The differential evolution and the snooker are written out here
because they go round the circle of a phase, for half of the walkers at once (emcee's loop over them
takes a quarter longer), and because the snooker of emcee 3.1 does not leave its target as it is: on
a normal target in three dimensions it gives 2.4 for the mean square distance, not 3.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from quantize._support.validation import BoolArray, FloatArray, IntArray
from quantize.model.modes import Mode

Random = np.random.RandomState
HalfProposal = Callable[[FloatArray, FloatArray, Random], tuple[FloatArray, FloatArray]]

_NUMERATORS = np.array([2, 1, 3, 1, 3, 2])
_DENOMINATORS = np.array([1, 2, 1, 3, 2, 3])
_JITTER = 1e-4
_SMALLEST_SHARE = 1e-3
_FEWEST_DRAWS = 10


class Counted:
    """A move that counts how often it was tried and accepted."""

    def __init__(self, name: str, move: Any) -> None:
        self.name = name
        self.move = move
        self.tried = 0
        self.accepted = 0

    def propose(self, model: Any, state: Any) -> tuple[Any, BoolArray]:
        """Move every walker once."""
        state, accepted = self.move.propose(model, state)
        self.tried += accepted.size
        self.accepted += int(accepted.sum())
        return state, accepted


class HalvesMove:
    """Moves one half of the walkers by means of the other, then the other way about.

    `proposal` takes the walkers to move, the others and a RandomState, and gives the proposed
    places and the log of what multiplies the ratio of the posteriors (Goodman & Weare, *Comm.
    Appl. Math. Comput. Sci.* 5:65, 2010: one half is moved while the other stands still).
    """

    def __init__(self, proposal: HalfProposal) -> None:
        self.proposal = proposal

    def propose(self, model: Any, state: Any) -> tuple[Any, BoolArray]:
        """Move every walker once."""
        walkers = state.coords.shape[0]
        order = model.random.permutation(walkers)
        halves = order[: walkers // 2], order[walkers // 2 :]
        accepted = np.zeros(walkers, dtype=bool)
        for mine, others in (halves, halves[::-1]):
            proposed, log_factor = self.proposal(
                state.coords[mine], state.coords[others], model.random
            )
            log_prob = model.log_prob_fn(proposed)
            log_ratio = log_prob - state.log_prob[mine] + log_factor
            taken = np.log(model.random.rand(mine.size)) < log_ratio
            accepted[mine] = taken
            state.coords[mine[taken]] = proposed[taken]
            state.log_prob[mine[taken]] = log_prob[taken]
        return state, accepted


def differential_evolution(factor: float | None = None, circular: int | None = None) -> HalvesMove:
    """Step along the difference of two other walkers.

    `factor` multiplies the difference; 1 steps from one mode to another when the two walkers
    stand on them, and 2.38/sqrt(2d) is best within a mode (ter Braak, *Stat. Comput.* 16:239,
    2006). `circular` is the place of a coordinate that is a phase.
    """

    def proposal(
        walkers: FloatArray, others: FloatArray, random: Random
    ) -> tuple[FloatArray, FloatArray]:
        m, d = walkers.shape
        one, two = _distinct(m, len(others), 2, random)
        step = others[one] - others[two]
        if circular is not None:
            step[:, circular] = (step[:, circular] + 0.5) % 1.0 - 0.5
        scale = 2.38 / np.sqrt(2 * d) if factor is None else factor
        proposed = walkers + scale * (1 + _JITTER * random.randn(m, 1)) * step
        if circular is not None:
            proposed[:, circular] %= 1.0
        return proposed, np.zeros(m)

    return HalvesMove(proposal)


def snooker(circular: int | None = None) -> HalvesMove:
    """Step along the line to another walker, by a difference of two more seen along that line.

    The distance d from that walker comes into the ratio as d^(dimension − 1) (ter Braak & Vrugt,
    *Stat. Comput.* 18:435, 2008, equation 3); the factor of the difference is uniform on
    1.2 … 2.2, as there. A circle has no lines: steps that take a phase past its ends are refused.
    """

    def proposal(
        walkers: FloatArray, others: FloatArray, random: Random
    ) -> tuple[FloatArray, FloatArray]:
        m, d = walkers.shape
        centre, one, two = _distinct(m, len(others), 3, random)
        away = walkers - others[centre]
        distance = np.linalg.norm(away, axis=1)
        direction = away / np.where(distance > 0, distance, 1.0)[:, None]
        along = np.einsum("ij,ij->i", direction, others[one] - others[two])
        moved = distance + random.uniform(1.2, 2.2, size=m) * along
        proposed = others[centre] + moved[:, None] * direction
        with np.errstate(divide="ignore"):
            log_factor = (d - 1) * (np.log(np.abs(moved)) - np.log(distance))
        # A walker that stands on the other one has no line to it.
        possible = distance > 0
        if circular is not None:
            possible &= (proposed[:, circular] >= 0) & (proposed[:, circular] < 1)
        return proposed, np.where(possible, log_factor, -np.inf)

    return HalvesMove(proposal)


def harmonic(phase: int | None = None) -> Any:
    """Multiply the unit by 2, 3, 3/2 or their inverses, everything else kept.

    In log unit that is a shift, so that only the ratio of the posteriors counts. A phase follows:
    with r = p/q the new comb shares teeth with the old one, in one of p ways of which one is
    drawn, phase' = (phase + j)/r mod 1 with j = 0 … p − 1. Back there are q ways. The
    probabilities 1/p and 1/q of the draws and the derivative q/p of phase' cancel.
    """
    from emcee.moves import MHMove

    def proposal(walkers: FloatArray, random: Random) -> tuple[FloatArray, FloatArray]:
        m = len(walkers)
        which = random.randint(_NUMERATORS.size, size=m)
        p, q = _NUMERATORS[which], _DENOMINATORS[which]
        proposed = walkers.copy()
        proposed[:, 0] += np.log(p / q)
        if phase is not None:
            cycle = np.floor(random.rand(m) * p)
            proposed[:, phase] = (walkers[:, phase] + cycle) * q / p % 1.0
        return proposed, np.zeros(m)

    return MHMove(proposal)


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class ModeShapes:
    """Modes of log unit, and where the other coordinates lie on each.

    `centre` and `width` have shape (modes, d). A coordinate that is not to be touched has centre 0
    and width 1 throughout. `circular` is the place of a phase.
    """

    modes: tuple[Mode, ...]
    centre: FloatArray
    width: FloatArray
    circular: int | None = None


def mode_shapes(
    names: Sequence[str], modes: Sequence[Mode], drawn: FloatArray
) -> ModeShapes | None:
    """The shapes of modes in sigma and phase, from draws of the posterior (n, d).

    Modes with too few of the draws are left out; None where fewer than two are left.
    """
    phase = names.index("phase") if "phase" in names else None
    sigma = names.index("log_sigma") if "log_sigma" in names else None
    wide = [mode for mode in modes if mode.share >= _SMALLEST_SHARE and mode.unit_err > 0]
    if not wide:
        return None
    number = mode_of(drawn[:, 0], *ends_of(wide))
    kept, centre, width = [], [], []
    for i, mode in enumerate(wide):
        mine = drawn[number == i]
        if len(mine) < _FEWEST_DRAWS:
            continue
        middle, spread = np.zeros(len(names)), np.ones(len(names))
        middle[0], spread[0] = np.log(mode.unit), mode.unit_err / mode.unit
        if sigma is not None:
            middle[sigma], spread[sigma] = mine[:, sigma].mean(), mine[:, sigma].std()
        if phase is not None:
            middle[phase] = np.angle(np.exp(2j * np.pi * mine[:, phase]).mean()) / (2 * np.pi)
        kept.append(mode)
        centre.append(middle)
        width.append(spread)
    if len(kept) < 2:
        return None
    return ModeShapes(
        modes=tuple(kept), centre=np.array(centre), width=np.array(width), circular=phase
    )


def between_modes(shapes: ModeShapes) -> Any:
    """Carry a walker from its mode to another one, chosen in proportion to the shares.

    The map is affine in each coordinate, centre to centre and width to width, with the product of
    the ratios of the widths as its derivative. From mode a, mode b is chosen with probability
    s_b/(1 − s_a), and back with s_a/(1 − s_b). Walkers outside all modes stay, and so do those
    that would land outside the mode they are meant for, since there would be no way back.
    """
    from emcee.moves import MHMove

    centre, width = shapes.centre, shapes.width
    low, high = ends_of(shapes.modes)
    share = np.array([mode.share for mode in shapes.modes])
    share /= share.sum()
    choice = np.tile(share, (share.size, 1))
    np.fill_diagonal(choice, 0.0)
    choice /= choice.sum(axis=1, keepdims=True)
    running = np.cumsum(choice, axis=1)
    log_width = np.log(width).sum(axis=1)
    with np.errstate(divide="ignore"):
        log_choice = np.log(choice)

    def proposal(walkers: FloatArray, random: Random) -> tuple[FloatArray, FloatArray]:
        m = len(walkers)
        here = mode_of(walkers[:, 0], low, high)
        a = np.maximum(here, 0)
        drawn = random.rand(m)
        b = np.minimum((drawn[:, None] > running[a]).sum(axis=1), share.size - 1)
        proposed = centre[b] + (walkers - centre[a]) * width[b] / width[a]
        if shapes.circular is not None:
            proposed[:, shapes.circular] %= 1.0
        possible = (here >= 0) & (a != b) & (mode_of(proposed[:, 0], low, high) == b)
        proposed[~possible] = walkers[~possible]
        log_factor = np.full(m, -np.inf)
        to, start = b[possible], a[possible]
        log_factor[possible] = log_width[to] - log_width[start]
        log_factor[possible] += log_choice[to, start] - log_choice[start, to]
        return proposed, log_factor

    return MHMove(proposal)


def ends_of(modes: Sequence[Mode]) -> tuple[FloatArray, FloatArray]:
    """Lower and upper ends of modes, in log unit."""
    return np.log([mode.low for mode in modes]), np.log([mode.high for mode in modes])


def mode_of(log_unit: FloatArray, low: FloatArray, high: FloatArray) -> IntArray:
    """Number of the mode that holds each value, −1 for none. Modes may stand in any order."""
    order = np.argsort(low)
    place = np.searchsorted(low[order], log_unit, side="right") - 1
    mode = order[np.maximum(place, 0)]
    inside = (place >= 0) & (log_unit <= high[mode])
    return np.where(inside, mode, -1)


def moves_for(names: Sequence[str], modes: ModeShapes | None = None) -> list[tuple[Counted, float]]:
    """The moves for coordinates of these names, each with its relative chance to be drawn."""
    phase = names.index("phase") if "phase" in names else None
    chosen: list[tuple[str, Any, float]] = [
        ("differential evolution", differential_evolution(None, phase), 0.5),
        ("whole differences", differential_evolution(1.0, phase), 0.15),
        ("snooker", snooker(phase), 0.1),
        ("harmonics", harmonic(phase), 0.1),
    ]
    if modes is not None:
        chosen.append(("modes", between_modes(modes), 0.25))
    return [(Counted(name, move), weight) for name, move, weight in chosen]


def _distinct(m: int, n: int, k: int, random: Random) -> list[IntArray]:
    """`k` different numbers below `n`, `m` times."""
    chosen = np.empty((m, k), dtype=np.int64)
    for j in range(k):
        value = random.randint(n - j, size=m)
        # Step over those already chosen, smallest first.
        for taken in np.sort(chosen[:, :j], axis=1).T:
            value += value >= taken
        chosen[:, j] = value
    return list(chosen.T)
