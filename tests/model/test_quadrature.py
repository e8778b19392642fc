"""The quadrature of unit, sigma and offset against plain dense sums."""

import numpy as np
import pytest
from dense_evidence import Problem, dense_log_evidence
from scipy import stats
from scipy.integrate import quad

import quantize as qz
from quantize.comb.unit_range import UnitRange
from quantize.model import lattice
from quantize.model.envelope import envelope_of
from quantize.model.likelihood import Likelihood
from quantize.model.modes import find_modes, marginal_of_unit
from quantize.model.quadrature import integrate
from quantize.model.wrapped_likelihood import WrappedLikelihood

LOW, HIGH = 0.4, 2.5


def fit(readings, sigma_range, offset="zero", unit_range=(LOW, HIGH)):
    given = None if readings.sigma is not None else sigma_range
    found = qz.fit_mixture(readings, unit_range, sigma_range=given, offset=offset)
    assert isinstance(found.posterior.likelihood, WrappedLikelihood)
    return found


def error(readings, sigma_range, *, free=False, unit_range=(LOW, HIGH), **points):
    """Log Bayes factor by quadrature less that by dense sums."""
    problem = Problem(
        readings=readings,
        low=unit_range[0],
        high=unit_range[1],
        sigma_low=sigma_range[0],
        sigma_high=sigma_range[1],
        free=free,
    )
    found = fit(readings, sigma_range, "free" if free else "zero", unit_range)
    return abs(found.log_bayes_factor - dense_log_evidence(problem, **points))


def comb(rng, n, spread):
    return rng.integers(-4, 5, size=n) + spread * rng.normal(size=n)


@pytest.mark.parametrize("n", [3, 7])
@pytest.mark.parametrize("spread", [0.05, 0.15, 0.3])
def test_log_evidence_with_sigma_unknown(n, spread):
    rng = np.random.default_rng([n, int(1000 * spread)])
    readings = qz.Readings(comb(rng, n, spread))
    assert error(readings, (0.04, 0.8), unit_points=4001, sigma_points=81) < 1e-5


@pytest.mark.parametrize("n", [8, 50])
def test_log_evidence_with_sigma_known(n):
    rng = np.random.default_rng(n)
    readings = qz.Readings(comb(rng, n, 0.1))
    assert error(readings, (0.1, 0.1), unit_points=20001, sigma_points=1) < 1e-6


def test_log_evidence_with_states_and_given_sigmas():
    rng = np.random.default_rng(5)
    k = rng.integers(-4, 5, size=8)
    x = np.repeat(k, 2) + 0.15 * rng.normal(size=16)
    state = np.repeat(np.arange(8), 2)
    readings = qz.Readings(x, state=state)
    assert error(readings, (0.05, 0.8), unit_points=4001, sigma_points=81) < 1e-5
    readings = qz.Readings(x, sigma=rng.uniform(0.1, 0.3, size=16))
    assert error(readings, (1.0, 1.0), unit_points=20001, sigma_points=1) < 5e-6


@pytest.mark.slow
@pytest.mark.parametrize("known", [False, True])
@pytest.mark.parametrize("n", [3, 8, 40])
def test_a_finer_lattice_changes_no_evidence(n, known, monkeypatch):
    """Steps many times as fine, on three combs of each of six scatters, as sharp and as blurred as
    they come."""
    rng, samples = np.random.default_rng([1, n]), []
    for spread in np.repeat([0.05, 0.10, 0.15, 0.20, 0.25, 0.30], 3):
        x = comb(rng, n, spread)
        x[0] = x.min() - 1
        samples.append((x, (spread, spread) if known else (0.02, 1.0)))

    def evidences():
        fits = [qz.fit_mixture(x, (0.4, 2.5), sigma_range=sigma) for x, sigma in samples]
        return np.array([fit.log_bayes_factor for fit in fits])

    found = evidences()
    monkeypatch.setattr(lattice, "lattice_step", lambda _: 0.04)
    off = np.abs(evidences() - found).max()
    assert 0 < off < (1e-6 if known else 3e-6)


@pytest.mark.slow
def test_scatter_within_states_alone_says_nothing():
    # Two states whose scatter is far above the prior's fall at small units: with the range above
    # their means every reading is at tooth zero, and comb and continuum see the same scatter.
    x, state = np.array([0.1, 0.3, 0.2, 0.5]), [1, 1, 2, 2]
    readings = qz.Readings(x, state=state)
    assert error(readings, (0.02, 0.8), unit_points=2001, sigma_points=401) < 1e-5
    # Without steps each state has a mean anywhere in the span of 0.15 between the two, so that its
    # two readings differ by a normal error of deviation sigma·sqrt(2) (scipy).
    problem = Problem(readings=readings, low=LOW, high=HIGH, sigma_low=0.02, sigma_high=0.8)
    units = np.geomspace(LOW, HIGH, 401)
    length = np.log(HIGH / LOW)

    def at_sigma(log_sigma):
        sigma = np.exp(log_sigma)
        prior = np.exp(problem.log_sigma_density(sigma, units))
        average = np.trapezoid(prior, np.log(units)) / length
        return average * np.prod(stats.norm.pdf([0.2, 0.3], 0, sigma * np.sqrt(2)) / 0.15)

    expected = np.log(quad(at_sigma, np.log(0.02), np.log(0.8), epsabs=0, epsrel=1e-8)[0])
    found = fit(readings, (0.02, 0.8)).log_evidence_continuum
    assert found == pytest.approx(expected, abs=1e-5)


def test_log_evidence_with_a_free_offset():
    rng = np.random.default_rng(6)
    readings = qz.Readings(comb(rng, 6, 0.12) + 0.3)
    points = {"unit_points": 801, "sigma_points": 41, "offset_points": 40}
    assert error(readings, (0.05, 0.6), free=True, **points) < 1e-4


@pytest.mark.parametrize(("n", "sigma"), [(100, 1.0), (250, 0.6)])
def test_units_far_below_sigma_keep_their_part_of_the_evidence(n, sigma):
    # A comb as fine as that is the continuum, with a log evidence of zero.
    rng = np.random.default_rng(2)
    readings = qz.Readings(rng.uniform(-8, 8, size=n))
    points = {"unit_points": 2001, "sigma_points": 1, "offset_points": 12}
    assert error(readings, (sigma, sigma), free=True, unit_range=(0.1, 2.5), **points) < 1e-4


@pytest.mark.parametrize(("offset", "n"), [("zero", 90), ("free", 15)])
def test_a_good_start_does_not_change_the_answer(offset, n):
    rng = np.random.default_rng(7)
    found = fit(qz.Readings(comb(rng, n, 0.2)), (0.05, 1.0), offset).posterior
    nowhere = np.array([[0.6180339, 0.1]])
    for candidates in (np.empty((0, 2)), nowhere):
        (again,) = integrate(found.likelihood, found.prior, found.noise, candidates)
        # Nodes that are too small to count are left out where the best one is known.
        tolerance = 1e-9 if offset == "zero" else 1e-4
        assert again.log_bayes_factor == pytest.approx(found.log_bayes_factor, abs=tolerance)


def between(posterior, low, high):
    """Log Bayes factor given that the unit lies between two values of the range."""
    nodes = posterior._nodes
    inside = (nodes.corrected >= np.log(low)) & (nodes.corrected <= np.log(high))
    part = np.log(high / low) / np.log(posterior.unit_range.factor)
    return float(np.logaddexp.reduce(nodes.log_mass[inside]) - np.log(part))


def test_the_evidence_between_two_units_is_that_of_a_narrower_range():
    rng = np.random.default_rng(12)
    readings = qz.Readings(comb(rng, 10, 0.15))
    whole = fit(readings, (0.02, 1.0)).posterior
    for low, high in ((0.45, 0.8), (0.8, 1.2), (1.2, 2.4)):
        narrow = qz.fit_mixture(
            readings,
            UnitRange(low=low, high=high, chosen=False, reason=""),
            sigma_range=(0.02, 1.0),
        )
        found = between(whole, low, high)
        assert found == pytest.approx(narrow.log_bayes_factor, abs=0.02)
    assert between(whole, LOW, HIGH) == pytest.approx(whole.log_bayes_factor, abs=1e-9)


def by_sums_over_teeth(found):
    """Nodes, best mode and whole numbers by the likelihood that adds up teeth."""
    readings, posterior = found.readings, found.posterior
    likelihood = Likelihood(readings, envelope_of(found.model, readings))
    (nodes,) = integrate(likelihood, posterior.prior, posterior.noise, np.empty((0, 2)))
    modes = find_modes(nodes, marginal_of_unit(found.unit_range, nodes), posterior.reach)
    return nodes, modes[0], likelihood.best_integers(posterior.centre)


@pytest.mark.parametrize("n", [3, 8, 45])
@pytest.mark.parametrize("offset", ["zero", 0.3, "free"])
def test_both_likelihoods_give_the_same_posterior(n, offset):
    rng = np.random.default_rng(n)
    x = comb(rng, n, 0.12) + 0.3 * (offset != "zero")
    found = fit(qz.Readings(x), (0.12, 0.12), offset, unit_range=(0.6, 1.8))
    nodes, best, integers = by_sums_over_teeth(found)
    tolerance = 1e-7 if offset != "free" else 1e-4
    assert nodes.log_bayes_factor == pytest.approx(found.log_bayes_factor, abs=tolerance)
    assert best.unit == pytest.approx(found.unit, rel=1e-5)
    assert best.unit_err == pytest.approx(found.unit_err, rel=1e-3)
    assert integers.tolist() == found.integers.tolist()


def test_both_likelihoods_are_one_for_given_sigmas_and_states():
    rng = np.random.default_rng(4)
    k = np.repeat(rng.integers(1, 8, size=6), 2)
    sigma = rng.uniform(0.05, 0.2, size=12)
    readings = qz.Readings(
        k + sigma * rng.normal(size=12), sigma=sigma, state=np.repeat(np.arange(6), 2)
    )
    found = fit(readings, None, unit_range=(0.6, 1.8))
    nodes, _, integers = by_sums_over_teeth(found)
    assert nodes.log_bayes_factor == pytest.approx(found.log_bayes_factor, abs=1e-7)
    assert nodes.log_continuum == pytest.approx(found.log_evidence_continuum, abs=1e-7)
    assert integers.tolist() == found.integers.tolist()


@pytest.mark.parametrize("repeats", [2, 10, 25])
def test_repeats_have_one_continuum_by_either_likelihood(repeats):
    # The mean of ten repeats is known three times better than one of them.
    rng = np.random.default_rng(repeats)
    k = np.repeat(rng.integers(1, 8, size=6), repeats)
    readings = qz.Readings(
        k + 0.15 * rng.normal(size=k.size), state=np.repeat(np.arange(6), repeats)
    )
    found = fit(readings, (0.15, 0.15), unit_range=(0.6, 1.8))
    few = qz.fit_mixture(readings, (0.6, 1.8), model=qz.MixtureModel(sigma=0.15, outliers=1e-12))
    assert few.log_evidence_continuum == pytest.approx(found.log_evidence_continuum, abs=1e-6)
    assert few.log_bayes_factor == pytest.approx(found.log_bayes_factor, abs=1e-6)


def test_repeats_at_known_sigma_count_in_neither_evidence():
    # What the scatter within a state says of a known sigma is the same for comb and continuum.
    x = np.array([1.02, 0.97, 3.05, 2.98, 4.01, 4.06, 6.93, 7.02])
    state, unit_range = np.repeat(np.arange(4), 2), (0.7, 2.5)
    readings = qz.Readings(x, state=state)
    points = {"unit_points": 4001, "sigma_points": 1}
    assert error(readings, (0.06, 0.06), unit_range=unit_range, **points) < 1e-6
    wider = np.repeat(x.reshape(-1, 2).mean(axis=1), 2) + np.tile([0.3, -0.3], 4)
    scattered = fit(qz.Readings(wider, state=state), (0.06, 0.06), unit_range=unit_range)
    found = fit(readings, (0.06, 0.06), unit_range=unit_range)
    assert scattered.log_bayes_factor == pytest.approx(found.log_bayes_factor, abs=1e-6)
