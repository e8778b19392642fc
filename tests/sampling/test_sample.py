"""sample_mixture against the quadrature of the same posterior, and what it refuses."""

from __future__ import annotations

import json
import warnings
from typing import Any

import numpy as np
import pytest
from targets import target_of
from two_modes import SIGMA, UNIT_RANGE, VALUES

import quantize as qz
from quantize.model.draws import predict
from quantize.model.mixture import MixtureFit
from quantize.sampling.result import SampledMixture
from quantize.sampling.sample import sample_mixture
from quantize.sampling.target import Target
from quantize.shared_shift import SharedShift


@pytest.fixture(scope="module")
def fitted(readings: qz.Readings) -> MixtureFit:
    return qz.fit_mixture(readings, UNIT_RANGE)


def test_sampling_agrees_with_quadrature(sampled: SampledMixture, fitted: MixtureFit) -> None:
    # The quadrature is checked against dense sums and a nested sampler; 5 sigma of the run.
    assert sampled.converged, sampled.warnings
    shares = sampled.mode_shares
    assert len(shares) >= 2
    off = (shares["share"] - shares["quadrature"]).abs()
    assert (off < 5 * shares["share_err"] + 0.001).all()
    effective = sampled.diagnostics.set_index("quantity")["ess_bulk"]["log_unit"]
    error = fitted.unit_err / np.sqrt(effective)
    assert abs(sampled.unit - fitted.unit) < 5 * error
    assert sampled.unit_err == pytest.approx(fitted.unit_err, rel=5 / np.sqrt(2 * effective))
    assert sampled.sigma == pytest.approx(fitted.sigma, rel=0.05)
    assert list(sampled.alternatives.columns) == list(fitted.alternatives.columns)
    assert sampled.alternatives["relation"].iloc[0] == "best"
    assert sampled.integers.tolist() == fitted.integers.tolist()


def test_whole_numbers_have_the_probabilities_of_the_quadrature(
    sampled: SampledMixture, fitted: MixtureFit
) -> None:
    ours = sampled.integer_probabilities.set_index(["reading", "integer"])["probability"]
    exact = fitted.integer_probabilities.set_index(["reading", "integer"])["probability"]
    both = ours.reindex(exact.index).fillna(0.0)
    # 5 sigma of a share from the 1,600 draws, at most.
    assert (both - exact).abs().max() < 5 * 0.5 / np.sqrt(1600)
    assert ours.groupby(level=0).sum().to_numpy() == pytest.approx(np.ones(10), abs=2e-3)


def test_the_set_holds_what_it_promises(sampled: SampledMixture, fitted: MixtureFit) -> None:
    rows = sampled.interval(0.9)
    assert rows.shape[1] == 2
    assert (rows[:, 0] < rows[:, 1]).all()
    # By quadrature, 0.9 of the posterior is within; 0.02 is 3 sigma of the run and the kernel.
    unit = np.exp(fitted.marginal.log_unit)
    inside = ((unit[:, None] >= rows[:, 0]) & (unit[:, None] <= rows[:, 1])).any(axis=1)
    assert fitted.marginal.mass[inside].sum() == pytest.approx(0.9, abs=0.02)


def test_a_free_offset_is_sampled_round_the_circle() -> None:
    rng = np.random.default_rng(8)
    x = 0.45 + 1.0 * rng.integers(-3, 4, size=14) + 0.08 * rng.normal(size=14)
    exact = qz.fit_mixture(x, (0.7, 1.5), offset="free")
    found = sample_mixture(x, (0.7, 1.5), model=qz.MixtureModel(offset="free"), draws=400, rng=1)
    assert found.converged, found.warnings
    assert found.diagnostics["quantity"].tolist()[:4] == [
        "log_unit",
        "log_sigma",
        "phase_cosine",
        "phase_sine",
    ]
    # Within a fifth of a standard deviation: 5 sigma of 600 effective draws.
    assert abs(found.unit - exact.unit) < 0.2 * exact.unit_err
    distance = (found.offset - exact.offset + 0.5 * exact.unit) % exact.unit - 0.5 * exact.unit
    assert abs(distance) < 0.2 * 0.08
    assert found.integers.tolist() == exact.integers.tolist()
    assert found.draws["offset"].between(0, found.draws["unit"]).all()


def test_given_sigmas_and_a_given_offset() -> None:
    readings = qz.Readings(np.array(VALUES) + 0.5, sigma=np.linspace(0.2, 0.4, 10))
    placed = qz.MixtureModel(offset=0.5)
    found = sample_mixture(readings, UNIT_RANGE, model=placed, draws=100, chains=2, rng=1)
    exact = qz.fit_mixture(readings, UNIT_RANGE, offset=0.5)
    assert found.offset == 0.5
    assert found.sigma == pytest.approx(exact.sigma, rel=1e-12)
    assert abs(found.unit - exact.unit) < 0.25 * exact.unit_err
    assert set(found.draws.columns) == {"chain", "draw", "unit", "sigma", "offset"}


def test_the_pointwise_likelihood_adds_up(readings: qz.Readings, target: Target) -> None:
    # Likelihood times prior is the posterior.
    shifted = readings.replace(shift=SharedShift(error=0.2, lever=np.full(10, 0.7)))
    others = (
        target_of(readings, (1.6, 2.4), offset="free"),
        target_of(readings, (1.6, 2.4), outliers="free"),
        target_of(shifted, (1.6, 2.4)),
    )
    for one in (target, *others):
        theta, _ = one.start(50, np.random.default_rng(3))
        p = one.prior.parameters(theta)
        total = one.likelihood.pointwise(p).sum(axis=1) + one.prior.log_density(p)
        np.testing.assert_allclose(total, one.log_prob(theta), rtol=0, atol=1e-8)


def test_the_pointwise_likelihood_is_a_density_of_the_readings() -> None:
    # The chance of all readings of one state, integrated over where they lie, is one:
    # teeth 1/K each, so that the integral over one unit is 1/K.
    grid = np.linspace(1.0, 2.0, 201)[:-1]
    theta = np.array([[np.log(1.0)]])
    density = []
    for place in grid:
        moved = target_of([0.0, place, 2.0, 4.0], (0.8, 1.3), sigma=0.2)
        density.append(moved.likelihood.pointwise(moved.prior.parameters(theta))[0, 1])
    assert np.exp(density).mean() == pytest.approx(1 / 4, rel=0.02)


def test_predictions_scatter_about_the_teeth(target: Target) -> None:
    p = target.prior.parameters(np.full((4000, 1), np.log(2.0)))
    drawn = predict(target.likelihood, p, np.random.default_rng(2))
    assert drawn.shape == (4000, 10)
    phase = drawn / 2 - np.rint(drawn / 2)
    # Sigma 0.3, unit 2: the spread is 0.15, less a thousandth for wrapping; its error is
    # 0.15/sqrt(2·40000).
    assert phase.std() == pytest.approx(0.15, rel=0.02)
    assert np.abs(drawn.mean(axis=0) - np.array(VALUES)).max() < 0.7


def test_a_result_says_what_it_is(sampled: SampledMixture) -> None:
    assert repr(sampled).startswith("<SampledMixture: unit ")
    assert "converged" in repr(sampled)
    kept = json.loads(json.dumps(sampled.to_dict()))
    assert kept["schema"] == "quantize.SampledMixture/1"
    assert kept["settings"]["seed"] == {"entropy": 2, "spawn_key": [0]}
    assert kept["converged"] is True
    assert {"target", "kept", "draws"}.isdisjoint(kept)
    assert len(sampled.draws) == 1600
    assert sampled.draws.groupby("chain").size().tolist() == [400] * 4
    assert sampled.acceptance["move"].tolist() == [
        "differential evolution",
        "whole differences",
        "snooker",
        "harmonics",
        "modes",
    ]
    assert sampled.acceptance["accepted"].between(0, 1).all()


def test_two_calls_on_one_generator_differ_and_the_same_seed_does_not() -> None:
    given: dict[str, Any] = {"model": qz.MixtureModel(sigma=SIGMA), "draws": 40, "chains": 2}
    generator = np.random.default_rng(3)
    first = sample_mixture(VALUES, UNIT_RANGE, rng=generator, **given)
    second = sample_mixture(VALUES, UNIT_RANGE, rng=generator, **given)
    assert not np.array_equal(first.kept, second.kept)
    again = sample_mixture(VALUES, UNIT_RANGE, rng=3, **given)
    np.testing.assert_array_equal(first.kept, again.kept)


def test_too_few_draws_are_drawn_but_not_called_converged() -> None:
    known = qz.MixtureModel(sigma=SIGMA)
    short = sample_mixture(VALUES, UNIT_RANGE, model=known, draws=20, chains=2, rng=1)
    assert not short.converged
    assert any(line.startswith("The draws are too few") for line in short.warnings)


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({"draws": 5}, "`draws` is 5; it must be at least 20"),
        ({"chains": 0}, "`chains` is 0; it must be at least 1"),
        ({"draws": 2.5}, "`draws` must be a whole number, not 2.5"),
        ({"rng": "seven"}, "`rng` is 'seven'"),
        ({"sigma_range": 1}, r"sample_mixture\(\) has no option `sigma_range`; use model=Mixt"),
        ({"model": "large"}, "`model`"),
        ({"workers": "many"}, "`workers` is 'many'"),
    ],
)
def test_bad_input_is_refused(options: dict[str, Any], sentence: str) -> None:
    with pytest.raises(qz.InputError, match=sentence):
        sample_mixture(VALUES, UNIT_RANGE, **options)


def test_no_warning_is_raised_by_a_run() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        sample_mixture(VALUES, UNIT_RANGE, draws=100, chains=2, rng=1)
