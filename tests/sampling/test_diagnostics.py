"""What speaks against a run, on chains for which the answer is known."""

from __future__ import annotations

import re
from typing import Any

import emcee
import numpy as np
import pytest
from scipy import signal

from quantize.model.modes import Mode
from quantize.sampling import diagnostics


def mode_at(log_unit: float, share: float) -> Mode:
    """A mode of log unit, half to either side."""
    unit = float(np.exp(log_unit))
    return Mode(
        low=float(np.exp(log_unit - 0.5)),
        high=float(np.exp(log_unit + 0.5)),
        unit=unit,
        unit_err=0.1 * unit,
        share=share,
        sigma=0.1,
        probability=share,
    )


class Two:
    """One coordinate with two modes, at 0 and 2 with shares 0.8 and 0.2."""

    names = ("log_unit",)
    modes = (mode_at(0.0, 0.8), mode_at(2.0, 0.2))


def walkers(
    rng: np.random.Generator, *, shares: Any, steps: int = 600, crossing: float = 0.2
) -> np.ndarray:
    """Walkers (ensembles, 600, 100, 1) that go to a fresh mode with chance `crossing` a step."""
    shape = (len(shares), steps, 100)
    fresh = rng.random(size=shape) < crossing
    fresh[:, 0] = True
    upper = rng.random(size=shape) < np.asarray(shares)[:, None, None]
    latest = np.maximum.accumulate(np.where(fresh, np.arange(steps)[:, None], 0), axis=1)
    mode = np.take_along_axis(upper, latest, axis=1)
    return (2.0 * mode + 0.1 * rng.normal(size=shape))[..., None]


def verdict(theta: np.ndarray, target: Any = Two) -> tuple[str, ...]:
    times = diagnostics.times(target, theta)
    kept = theta[:, 29::30].reshape(len(theta), -1, 1)
    watched = diagnostics.rows(target, kept, times)
    shares = diagnostics.shares(target, theta)
    return diagnostics.complaints(watched, shares, theta.shape[1], len(theta))


def test_autocorrelation_time_of_a_known_process(rng: np.random.Generator) -> None:
    # An autoregressive process x' = a·x + e has the time (1 + a)/(1 − a) (textbook).
    a = 0.8
    noise = rng.normal(size=(4, 3000, 50))
    trace = signal.lfilter([1], [1, -a], noise, axis=1)[:, 500:]
    mine = diagnostics.autocorrelation_time(trace)
    assert mine == pytest.approx((1 + a) / (1 - a), rel=0.05)
    # emcee's estimate, from each walker about its own mean.
    theirs = emcee.autocorr.integrated_time(trace[0][:, :, None])[0]
    assert mine == pytest.approx(theirs, rel=0.1)


def test_walkers_that_stay_where_they_are_have_no_end_of_correlation(
    rng: np.random.Generator,
) -> None:
    stuck = walkers(rng, shares=[0.2] * 4, crossing=0.0)[..., 0]
    assert diagnostics.autocorrelation_time(stuck) > 300
    # Each about its own mean, as is usual, they look independent: the reason for doing otherwise.
    assert emcee.autocorr.integrated_time(stuck[0][:, :, None])[0] < 2


def test_a_rare_mode_far_away_does_not_set_the_time(rng: np.random.Generator) -> None:
    rare = walkers(rng, shares=[0.001] * 4, crossing=0.01)
    rare[..., 0] *= np.where(rare[..., 0] > 1, 50, 1)
    # Within the mode every step is a fresh draw.
    assert diagnostics.times(Two, rare)["log_unit"] < 3
    assert diagnostics.autocorrelation_time(rare[..., 0]) > 30


def test_nothing_is_said_against_a_good_run(rng: np.random.Generator) -> None:
    # R-hat of these has a spread of 0.0005; the tests of shares allow 5 sigma.
    assert verdict(walkers(rng, shares=[0.2] * 4)) == ()


def test_ensembles_that_disagree_are_named(rng: np.random.Generator) -> None:
    said = verdict(walkers(rng, shares=[0.1, 0.1, 0.3, 0.3]))
    assert any("ensembles disagree about best_mode: R-hat is" in line for line in said)
    assert any("disagree about the share of the mode at" in line for line in said)


def test_shares_that_differ_from_quadrature_are_named(rng: np.random.Generator) -> None:
    said = verdict(walkers(rng, shares=[0.3] * 4))
    assert len(said) == 1
    assert re.match(
        r"The share of the mode at 1 is 0\.(69|70)\d ± 0\.00\d by sampling and 0\.800 by quad",
        said[0],
    )


def test_short_and_few_are_named(rng: np.random.Generator) -> None:
    said = verdict(walkers(rng, shares=[0.2] * 4, steps=60, crossing=0.05))
    assert said[0].startswith("The chains are too short: 60 steps are only")
    theta = walkers(rng, shares=[0.2] * 4)
    watched = diagnostics.rows(Two, theta[:, -1], diagnostics.times(Two, theta))
    few = diagnostics.complaints(watched, None, 600, 4)
    assert any(line.startswith("The draws are too few") for line in few)


def test_one_chain_is_never_enough(rng: np.random.Generator) -> None:
    assert verdict(walkers(rng, shares=[0.2])) == (
        "One chain cannot be compared with another; take at least two `chains`.",
    )


def test_a_phase_is_watched_round_the_circle() -> None:
    class Circle:
        names = ("log_unit", "phase")
        modes = ()

    theta = np.zeros((2, 3, 4, 2))
    theta[..., 1] = 0.25
    seen = diagnostics.traces(Circle, theta)
    assert list(seen) == ["log_unit", "phase_cosine", "phase_sine"]
    np.testing.assert_allclose(seen["phase_sine"], 1)
