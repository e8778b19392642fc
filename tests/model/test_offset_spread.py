"""The standard deviation of a free offset by both likelihoods, against draws."""

from __future__ import annotations

import numpy as np
import pytest

import quantize as qz


@pytest.mark.parametrize("model", [None, qz.MixtureModel(offset="free", outliers=0.02)])
def test_the_spread_of_the_offset_is_that_of_its_draws(model: qz.MixtureModel | None) -> None:
    rng = np.random.default_rng(8)
    x = 0.4 + rng.integers(2, 9, size=14) + 0.08 * rng.normal(size=14)
    if model is None:
        fit = qz.fit_mixture(x, (0.8, 1.3), offset="free")
    else:
        fit = qz.fit_mixture(x, (0.8, 1.3), model=model)
    row = fit.parameters.set_index("parameter").loc["offset"]
    draws = fit.draws(4000, rng=2)
    # Within the highest mode, and counted around the circle of one unit.
    mode = np.abs(draws["unit"] - fit.unit) < 5 * fit.unit_err
    cycles = (draws["offset"][mode] - row["mean"]) / fit.unit
    off = (cycles - np.rint(cycles)) * fit.unit
    assert row["sd"] == pytest.approx(off.std(), rel=0.1)
    assert abs(off.mean()) < 0.2 * row["sd"]
