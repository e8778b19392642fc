"""Every move leaves a known target as it is, and crosses between its modes."""

from __future__ import annotations

from typing import Any

import emcee
import numpy as np
import pytest
from scipy import stats

from quantize.model.modes import Mode
from quantize.sampling import moves
from quantize.sampling.ensembles import random_state

WALKERS = 5000
SIGMAS = 4.5
"""Tolerance in standard errors: a false alarm in 150,000 comparisons."""

CENTRES = np.log([1.0, 1.5, 2.0])
WIDTHS = np.array([0.02, 0.03, 0.01])
SHARES = np.array([0.5, 0.2, 0.3])
KAPPA = np.array([2.0, 0.5, 5.0])
PLACE = np.array([0.1, 0.5, 0.9])


class ThreeModes:
    """Three modes of log unit; in each the other coordinates are normal, or a phase."""

    def __init__(self, others: int, phase: bool = False) -> None:
        self.others, self.phase = others, phase

    def draw(self, n: int, rng: np.random.Generator, shares: Any = SHARES) -> np.ndarray:
        mode = rng.choice(3, size=n, p=shares)
        columns = [rng.normal(CENTRES[mode], WIDTHS[mode])]
        columns += [rng.normal(0.5 * mode, 1.0) for _ in range(self.others)]
        if self.phase:
            angle = rng.vonmises(0, KAPPA[mode])
            columns.append((PLACE[mode] + angle / (2 * np.pi)) % 1.0)
        return np.column_stack(columns)

    def log_prob(self, theta: np.ndarray) -> np.ndarray:
        parts = []
        for i in range(3):
            part = np.log(SHARES[i]) + stats.norm.logpdf(theta[:, 0], CENTRES[i], WIDTHS[i])
            for j in range(self.others):
                part = part + stats.norm.logpdf(theta[:, 1 + j], 0.5 * i, 1.0)
            if self.phase:
                angle = 2 * np.pi * (theta[:, -1] - PLACE[i])
                part = part + stats.vonmises.logpdf(angle, KAPPA[i]) + np.log(2 * np.pi)
            parts.append(part)
        total = np.logaddexp.reduce(parts)
        return total


def shapes(others: int, phase: bool) -> moves.ModeShapes:
    """Ends at four widths; shares and widths are deliberately not those of the target."""
    d = 1 + others + int(phase)
    centre, width = np.zeros((3, d)), np.ones((3, d))
    centre[:, 0], width[:, 0] = CENTRES + 0.3 * WIDTHS, WIDTHS * np.array([1.2, 0.9, 1.0])
    if others:
        centre[:, 1], width[:, 1] = [0.0, 0.4, 1.1], [1.0, 1.2, 0.9]
    if phase:
        centre[:, -1] = PLACE
    modes = [
        Mode(
            low=float(np.exp(CENTRES[i] - 4 * WIDTHS[i])),
            high=float(np.exp(CENTRES[i] + 4 * WIDTHS[i])),
            unit=float(np.exp(CENTRES[i])),
            unit_err=float(WIDTHS[i] * np.exp(CENTRES[i])),
            share=share,
            sigma=1.0,
            probability=share,
        )
        for i, share in enumerate((0.3, 0.4, 0.3))
    ]
    return moves.ModeShapes(
        modes=tuple(modes),
        centre=centre,
        width=width,
        circular=d - 1 if phase else None,
    )


def moved(
    target: ThreeModes, move: Any, coords: np.ndarray, times: int, seed: int
) -> tuple[Any, float]:
    """Apply a move so many times; the walkers and the share of accepted moves."""
    random = random_state(np.random.SeedSequence(seed))
    model = emcee.model.Model(
        target.log_prob, lambda theta: (target.log_prob(theta), None), map, random
    )
    state = emcee.State(coords.copy(), log_prob=target.log_prob(coords))
    accepted = 0.0
    for _ in range(times):
        state, taken = move.propose(model, state)
        accepted += taken.mean() / times
    # The log posterior that is kept must be that of the place.
    np.testing.assert_allclose(state.log_prob, target.log_prob(state.coords), rtol=1e-12)
    return state.coords, accepted


def statistics(theta: np.ndarray, phase: bool) -> np.ndarray:
    """What must stay: shares, first and second moments within modes, circular moments."""
    mode = np.argmin(np.abs(theta[:, :1] - CENTRES) / WIDTHS, axis=1)
    columns = []
    for i in range(3):
        inside = mode == i
        scaled = (theta[:, 0] - CENTRES[i]) / WIDTHS[i]
        columns += [inside, inside * scaled, inside * scaled**2]
        stop = theta.shape[1] - int(phase)
        for j in range(1, stop):
            columns += [inside * theta[:, j], inside * theta[:, j] ** 2]
        if phase:
            angle = 2 * np.pi * theta[:, -1]
            columns += [inside * np.cos(angle), inside * np.sin(angle), inside * np.cos(2 * angle)]
    return np.column_stack(columns).astype(float)


@pytest.mark.parametrize(
    ("name", "others", "phase"),
    [
        ("differential evolution", 2, False),
        ("whole differences", 2, False),
        ("snooker", 0, False),
        ("snooker", 2, False),
        ("harmonics", 1, False),
        ("modes", 1, False),
        ("differential evolution", 1, True),
        ("whole differences", 0, True),
        ("snooker", 1, True),
        ("harmonics", 0, True),
        ("modes", 1, True),
    ],
)
def test_a_move_leaves_the_target_as_it_is(
    name: str, others: int, phase: bool, rng: np.random.Generator
) -> None:
    target = ThreeModes(others, phase)
    place = others + 1 if phase else None
    move = {
        "differential evolution": lambda: moves.differential_evolution(None, place),
        "whole differences": lambda: moves.differential_evolution(1.0, place),
        "snooker": lambda: moves.snooker(place),
        "harmonics": lambda: moves.harmonic(place),
        "modes": lambda: moves.between_modes(shapes(others, phase)),
    }[name]()
    before = target.draw(WALKERS, rng)
    after, accepted = moved(target, move, before, 8, seed=5)
    assert accepted > 0.02
    fresh = statistics(target.draw(20 * WALKERS, rng), phase)
    got = statistics(after, phase)
    error = np.sqrt(fresh.var(axis=0) * (1 / len(got) + 1 / len(fresh)))
    z = (got.mean(axis=0) - fresh.mean(axis=0)) / error
    assert np.abs(z).max() < SIGMAS, z.round(1)


@pytest.mark.parametrize("name", ["harmonics", "modes"])
def test_walkers_with_the_wrong_shares_find_the_right_ones(
    name: str, rng: np.random.Generator
) -> None:
    target = ThreeModes(0)
    move = moves.harmonic() if name == "harmonics" else moves.between_modes(shapes(0, False))
    start = target.draw(WALKERS, rng, shares=[0.1, 0.8, 0.1])
    within = moves.differential_evolution(0.3)
    for seed in range(30):
        start, _ = moved(target, move, start, 3, seed=2 * seed)
        start, _ = moved(target, within, start, 1, seed=2 * seed + 1)
    mode = np.argmin(np.abs(start[:, :1] - CENTRES) / WIDTHS, axis=1)
    share = np.bincount(mode, minlength=3) / WALKERS
    error = np.sqrt(SHARES * (1 - SHARES) / WALKERS)
    assert np.abs((share - SHARES) / error).max() < SIGMAS


def test_numbers_drawn_are_distinct_and_even(rng: np.random.Generator) -> None:
    random = random_state(np.random.SeedSequence(1))
    drawn = np.array(moves._distinct(60_000, 5, 3, random))
    assert (np.diff(np.sort(drawn, axis=0), axis=0) > 0).all()
    code = drawn[0] * 25 + drawn[1] * 5 + drawn[2]
    counts = np.unique(code, return_counts=True)[1]
    assert counts.size == 60
    assert stats.chisquare(counts).pvalue > 1e-4


def test_modes_may_stand_in_any_order() -> None:
    low, high = np.array([3.0, 1.0]), np.array([4.0, 2.0])
    values = np.array([0.5, 1.5, 2.5, 3.5, 4.5])
    assert moves.mode_of(values, low, high).tolist() == [-1, 1, -1, 0, -1]
