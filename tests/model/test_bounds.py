"""Nowhere in a box is the likelihood above the bound that lets the box be dropped."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from model_cases import CASES, case

from quantize.model.likelihood import Cell, Parameters

SHARES = np.array([1e-4, 0.1, 0.5])
boxes = st.fixed_dictionaries(
    {
        "log_unit": st.floats(np.log(0.3), np.log(3)),
        "half_unit": st.floats(1e-4, 0.08),
        "offset": st.floats(-0.5, 0.5),
        "half_offset": st.floats(0, 0.2),
        "log_sigma": st.floats(np.log(0.02), np.log(0.6)),
        "ratio": st.floats(0, 1.5),
        "log_growth": st.floats(np.log(0.003), np.log(0.3)),
        "seed": st.integers(0, 2**32 - 1),
    }
)


def inside(box, rng, m):
    """Places anywhere in the box, its corners among them."""
    t = rng.uniform(-1, 1, size=(4, m))
    t[:, : m // 2] = np.sign(t[:, : m // 2])
    down = 0.5 * (t[2:] - 1) * box["ratio"]
    return Parameters(
        unit=np.exp(box["log_unit"] + box["half_unit"] * t[0]),
        sigma=np.exp(box["log_sigma"] + down[0]),
        offset=box["offset"] + box["half_offset"] * t[1],
        growth=np.exp(box["log_growth"] + down[1]),
        outliers=np.zeros(m),
    )


@pytest.mark.parametrize("name", CASES)
@settings(max_examples=25)
@given(box=boxes)
def test_bound_holds_anywhere_in_a_box(name, box):
    _, model, likelihood = case(name)
    shares = SHARES if model.outliers != 0 else np.zeros(1)
    one = np.ones(1)
    centre = Parameters(
        unit=np.exp(box["log_unit"]) * one,
        sigma=np.exp(box["log_sigma"]) * one,
        offset=box["offset"] * one,
        growth=np.exp(box["log_growth"]) * one,
        outliers=0 * one,
    )
    cell = Cell(
        log_unit=box["half_unit"] * one,
        offset=box["half_offset"] * one,
        sigma_low=np.exp(box["log_sigma"] - box["ratio"]) * one,
        growth_low=np.exp(box["log_growth"] - box["ratio"]) * one,
    )
    bound = likelihood.bound(centre, cell, shares)[0]
    values = likelihood.by_share(inside(box, np.random.default_rng(box["seed"]), 24), shares)
    assert np.all(values <= bound + 1e-9 + 1e-12 * np.abs(values))


@pytest.mark.parametrize("name", CASES)
def test_bound_of_a_tiny_box_is_the_likelihood(name):
    _, model, likelihood = case(name)
    shares = SHARES if model.outliers != 0 else np.zeros(1)
    one = np.ones(1)
    for unit in (0.97, 1.02, 1.9):
        p = Parameters(
            unit=unit * one,
            sigma=0.2 * one,
            offset=0.05 * one,
            growth=0.02 * one,
            outliers=0 * one,
        )
        cell = Cell(
            log_unit=1e-9 * one, offset=1e-9 * one, sigma_low=0.2 * one, growth_low=0.02 * one
        )
        # Open ends of a window count half, whatever the spread: the bound knows the least only.
        loose = len(likelihood.x) * 0.8 if not likelihood.envelope.closed else 1e-4
        gap = likelihood.bound(p, cell, shares) - likelihood.by_share(p, shares)
        assert np.all((gap > -1e-9) & (gap < loose))
