"""The parts of the likelihood against integrals, sums and equations worked out beside them."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

import quantize as qz
from quantize.model.draws import predict
from quantize.model.envelope import envelope_of
from quantize.model.likelihood import Parameters
from quantize.model.noise import at_deviations, in_deviations
from quantize.model.wrapped_likelihood import likelihood_of


def one_set(unit: float, sigma: float, *, growth: float = 0.0, outliers: float = 0.0) -> Parameters:
    return Parameters(
        unit=np.array([unit]),
        sigma=np.array([sigma]),
        offset=np.zeros(1),
        growth=np.array([growth]),
        outliers=np.array([outliers]),
    )


@pytest.mark.parametrize(
    ("noise", "power"), [("constant", 0), ("counting", 1), ("proportional", 2)]
)
def test_how_the_noise_grows(noise: str, power: int) -> None:
    # sigma² is that of zero charge plus growth²·|mean|^power; each of ten teeth holds a tenth.
    x = np.array([2.1, 4.9, 9.2])
    k = np.arange(1, 11)
    model = qz.MixtureModel(noise=noise, sigma=0.1, integers=(1, 10))
    terms = likelihood_of(model, qz.Readings(x))
    growth = 0.0 if power == 0 else 0.06
    sd = np.sqrt(0.1**2 + growth**2 * k**power)
    expected = float(np.log(stats.norm.pdf(x[:, None], k, sd).mean(axis=1)).sum())
    found = terms.log_likelihood(one_set(1.0, 0.1, growth=growth))[0]
    assert found == pytest.approx(expected, rel=1e-9)


def test_without_steps_each_reading_is_one_in_the_length_of_the_window() -> None:
    x = np.array([3.3, 4.7, 5.1, 6.4])
    terms = likelihood_of(qz.MixtureModel(window=(0.0, 10.0), sigma=0.1), qz.Readings(x))
    found = terms.log_fine_comb(one_set(1.0, 0.1))[0]
    assert found == pytest.approx(-4 * np.log(10), rel=1e-6)


@pytest.mark.parametrize("power", [0, 1, 2])
def test_sizes_are_measured_in_deviations_of_their_own(power: int) -> None:
    law = np.array([0.07]), np.array([0.0 if power == 0 else 0.11]), power
    for size in (-8.0, -2.0, 0.003, 5.0):
        parts = np.linspace(0.0, size, 200_001)
        sd = np.sqrt(law[0] ** 2 + law[1] ** 2 * np.abs(parts) ** power)
        place = in_deviations(size, *law)
        assert place[0] == pytest.approx(np.trapezoid(1 / sd, parts), rel=1e-6)
        back, deviation = at_deviations(place, *law)
        assert back[0] == pytest.approx(size, rel=1e-12)
        assert deviation[0] == pytest.approx(sd[-1], rel=1e-12)


def test_a_tooth_without_a_rival_is_certain() -> None:
    terms = likelihood_of(qz.MixtureModel(sigma=0.001), qz.Readings([1.0, 2.0004, 4.9995]))
    teeth, probability = terms.teeth(one_set(1.0, 0.001))
    best = np.take_along_axis(teeth, probability.argmax(axis=2)[:, :, None], 2)[0, :, 0]
    assert best.tolist() == [1, 2, 5]
    assert probability.max(axis=2) == pytest.approx(1.0)
    assert probability.sum(axis=2) == pytest.approx(1.0)


def test_replicated_readings_are_rounded_as_the_readings_were() -> None:
    readings = qz.Readings([1.0, 2.1, 2.9, 5.2], resolution=[0.1, 0.1, 0.1, 0.4])
    terms = likelihood_of(qz.MixtureModel(rounding=True), readings)
    replicas = predict(terms, one_set(1.0, 0.08), np.random.default_rng(1))
    steps = replicas / np.array([0.1, 0.1, 0.1, 0.4])
    assert steps == pytest.approx(np.rint(steps), abs=1e-9)
    exact = likelihood_of(qz.MixtureModel(), qz.Readings([1.0, 2.1, 2.9, 5.2]))
    free = predict(exact, one_set(1.0, 0.08), np.random.default_rng(1)) / 0.1
    assert np.abs(free - np.rint(free)).max() > 1e-3


@pytest.mark.parametrize("density", [stats.norm(4.0, 1.5), stats.gumbel_r(3.0, 0.8)])
def test_bounds_hold_wherever_a_cell_may_move(density: stats.rv_continuous) -> None:
    readings = qz.Readings([1.1, 2.9, 4.2, 7.8])
    envelope = envelope_of(qz.MixtureModel(envelope=density, offset="free"), readings)
    rng = np.random.default_rng(5)
    m = 300
    unit, offset = rng.uniform(0.4, 2.0, m), rng.uniform(-0.5, 0.5, m)
    half_offset, half_unit = rng.uniform(0, 0.4, m), rng.uniform(0, 0.2, m)
    teeth = np.broadcast_to(np.arange(-6.0, 25.0), (m, 1, 31))
    spreads = (np.full(m, 0.1), np.full(m, 0.1))
    bound = envelope.most_log_mass(teeth, unit, offset, half_offset, half_unit, spreads)
    for _ in range(20):
        u = unit * np.exp(half_unit * rng.uniform(-1, 1, m))
        b = offset + half_offset * rng.uniform(-1, 1, m)
        mass = envelope.log_mass(teeth, u, b, np.full(m, 0.1))
        assert np.all(mass <= bound + 1e-9)
    # The bound is of use: without room to move it is the mass itself, where there is any.
    still = envelope.most_log_mass(teeth, unit, offset, np.zeros(m), np.zeros(m), spreads)
    mass = envelope.log_mass(teeth, unit, offset, np.full(m, 0.1))
    likely = mass > -20
    assert np.abs(still - mass)[likely].max() < 0.01


@pytest.mark.parametrize("density", [stats.norm(4.0, 1.5), stats.gumbel_r(3.0, 0.8)])
def test_no_density_within_reach_is_above_its_bound(density: stats.rv_continuous) -> None:
    readings = qz.Readings([1.1, 2.9, 4.2, 7.8])
    envelope = envelope_of(qz.MixtureModel(envelope=density), readings)
    place = np.linspace(0.0, 9.0, 61)[:, None]
    move = np.array([0.01, 0.1, 0.5, 1.0, 2.0])
    place, move = (a.ravel() for a in np.broadcast_arrays(place, move))
    near = place[:, None] + move[:, None] * np.linspace(-1, 1, 401)
    highest = density.logpdf(near).max(axis=1)
    bound = envelope._most_density(place, move)
    assert np.all(bound >= highest - 1e-12)
    close = (move < 0.05) & (highest > -20)
    assert np.abs(bound - highest)[close].max() < 0.05
