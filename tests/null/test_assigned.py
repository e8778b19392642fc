"""Levels each on one tooth: unit and offset integrated out, against plain integrals."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import quad, simpson
from scipy.stats import norm

import quantize as qz
from quantize.null.assigned import Assigned, assigned
from quantize.null.evidence import level_evidence
from quantize.null.sample import comb_at_nodes, sample_of

LOW, HIGH = 0.7, 1.6


def levels(spread: float, n: int = 7, seed: int = 8) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return np.sort(rng.integers(-4, 5, size=n) + rng.normal(0, spread, size=n))


def one_tooth(
    readings: object, unit_range: tuple[float, float] = (LOW, HIGH), **options: object
) -> Assigned:
    found = qz.fit_mixture(readings, unit_range, **options).posterior
    sample = sample_of(found)
    comb = comb_at_nodes(found, sample, unit_range[1])
    order = np.argsort(-comb.log_likelihood, kind="stable")
    return assigned(found, sample, comb, order, unit_range[1])


@pytest.mark.parametrize("sigma", [0.03, 0.1, 0.2])
def test_each_assignment_is_integrated_over_the_unit(sigma: float) -> None:
    """By scipy.integrate.quad; the prior is taken at the best unit, so that a wide peak differs."""
    values = levels(sigma, n=12)
    found = one_tooth(values, sigma_range=sigma)
    assert len(found.unit) > 3
    for unit, teeth, log_found in zip(
        found.unit, found.integers, found.log_likelihood, strict=True
    ):

        def density(u: float, at: float = unit, k: np.ndarray = teeth) -> float:
            log_d = norm.logpdf(values, k * u, sigma).sum()
            scale = norm.logpdf(values, k * at, sigma).sum()
            return float(np.exp(log_d - scale) / (u * np.log(HIGH / LOW)))

        width = sigma / np.sqrt(np.square(teeth).sum())
        area = quad(density, unit - 6 * width, unit + 6 * width, points=[unit])[0]
        expected = np.log(area) + norm.logpdf(values, teeth * unit, sigma).sum()
        assert_allclose(log_found, expected, atol=2 * (width / unit) ** 2 + 1e-6)


@pytest.mark.parametrize("sigma", [0.05, 0.2])
@pytest.mark.parametrize("seed", [9, 10, 11, 12])
def test_the_best_assignment_is_that_of_a_dense_search(sigma: float, seed: int) -> None:
    """The largest likelihood with every reading on its nearest tooth, over 20,000 units."""
    values = levels(sigma, n=20, seed=seed)
    found = one_tooth(values, sigma_range=sigma)
    units = np.linspace(LOW, HIGH, 20_001)
    away = values - units[:, None] * np.rint(values / units[:, None])
    dense = norm.logpdf(away, 0, sigma).sum(axis=1)
    at_best = norm.logpdf(values - found.unit[:, None] * found.integers, 0, sigma).sum(axis=1)
    assert at_best.max() >= dense.max() - 1e-6
    best = int(np.argmax(dense))
    assert (found.integers[np.argmax(at_best)] == np.rint(values / units[best])).all()


def test_a_free_offset_is_integrated_with_the_unit() -> None:
    """By Simpson's rule on a plane of units and offsets; an offset is uniform over one unit."""
    sigma, unit_range = 0.05, (0.9, 1.1)
    values = levels(sigma) + 0.37
    found = one_tooth(values, unit_range, offset="free", sigma_range=sigma)
    best = int(np.argmax(found.log_likelihood[:, 0]))
    teeth, unit = found.integers[best], found.unit[best]
    assert teeth[0] == 0
    units = np.linspace(unit - 0.15, unit + 0.15, 801)
    starts = np.linspace(-0.4, 0.4, 801) + np.mean(values - teeth * unit)
    logs = sum(
        norm.logpdf(v, k * units[:, None] + starts, sigma)
        for v, k in zip(values, teeth, strict=True)
    )
    prior = 1 / (units * np.log(unit_range[1] / unit_range[0]) * units)
    top = logs.max()
    plane = simpson(simpson(np.exp(logs - top), x=starts, axis=1) * prior, x=units)
    assert_allclose(found.log_likelihood[best, 0], np.log(plane) + top, atol=2e-3)


def test_an_offset_that_is_nearly_known_is_as_good_as_known() -> None:
    values = levels(0.05, n=10)
    known = one_tooth(values, sigma_range=0.05)
    model = qz.MixtureModel(offset=norm(0.2, 1e-4), sigma=0.05)
    near = one_tooth(values + 0.2, model=model)
    best, same = int(np.argmax(near.log_likelihood)), int(np.argmax(known.log_likelihood))
    assert_allclose(near.unit[best], known.unit[same], rtol=1e-4)
    assert_allclose(near.log_likelihood[best, 0], known.log_likelihood[same, 0], atol=0.02)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(4))
def test_a_thousand_blurred_readings_show_their_steps_whatever_the_seed(seed: int) -> None:
    """Whole numbers from −4 to 4, sigma/unit .27: beyond doubt with a thousand readings."""
    rng = np.random.default_rng(seed)
    values = rng.integers(-4, 5, 1000) + 0.27 * rng.normal(size=1000)
    found = level_evidence(qz.fit_mixture(values, (0.5, 2.0)).posterior)
    assert found.p_value < 1e-3
    assert_allclose(found.unit, 1, rtol=0.02)


def test_no_assignment_in_the_band_shows_no_steps() -> None:
    """Levels at −3.67, −1.28 and −1.30: what least squares makes of the combs is outside."""
    rng = np.random.default_rng([40, 7, 4])
    rng.uniform(-4, 4, 40)
    values = rng.choice(rng.uniform(-4, 4, 3), 40) + 0.03 * rng.normal(size=40)
    found = level_evidence(qz.fit_mixture(values).posterior)
    assert not found.steps
    assert found.p_value == 1
