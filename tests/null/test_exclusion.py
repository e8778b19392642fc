"""Which units are excluded, and what is said of them."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import norm

import quantize as qz
from quantize.null import calibration
from quantize.null.exclusion import _log_bayes_factors, excluded_units

QUICK = {"n_resamples": 99, "rng": 1}


def fit(values, sigma, unit_range=None, **options):
    return qz.fit_mixture(qz.Readings(values, sigma=sigma), unit_range, **options)


def comb(seed, n, spread, first, last):
    rng = np.random.default_rng([81, seed])
    return rng.integers(first, last + 1, n) + spread * rng.normal(size=n)


def uniform(seed, n, high=18.0):
    return np.random.default_rng([82, seed]).uniform(0, high, n)


def test_bayes_factor_at_a_unit_by_plain_sums():
    values, sigma, unit = uniform(1, 9), 0.2, 1.7
    found = _log_bayes_factors(fit(values, sigma, (1, 6)), sigma, np.array([unit]))
    teeth = np.arange(-20, 40)
    cases = []
    for factor, growth in ((1, 0), (1.4, 0), (2, 0), (1, 0.01)):
        sd = np.hypot(factor * sigma, growth * values)
        density = norm.pdf(values[:, None], unit * teeth, sd[:, None]).sum(axis=1) * unit
        cases.append(np.log(0.95 * density + 0.05).sum())
    assert_allclose(found, max(cases), rtol=1e-9)


def test_every_unit_above_the_limit_is_excluded_and_one_at_it_is_not():
    found = fit(uniform(2, 30), 0.1, (0.5, 9))
    limit = excluded_units(found)
    units = np.geomspace(limit.low, limit.high, 500)
    assert np.all(_log_bayes_factors(found, 0.1, units) < -np.log(20))
    assert limit.low > 0.5


@pytest.mark.slow
@pytest.mark.parametrize("offset", ["zero", "free"])
def test_the_true_unit_is_never_excluded_where_it_shows(offset):
    """Combs at a tenth of the unit, the scatter right or half of what it is."""
    for seed in range(20 if offset == "zero" else 6):
        values = comb(seed, 20, 0.1, -4, 4)
        for sigma in (0.1, 0.05):
            limit = excluded_units(fit(values, sigma, (0.4, 4), offset=offset))
            assert limit is None or limit.low > 1


def test_without_a_known_scatter_nothing_is_excluded():
    assert excluded_units(qz.fit_mixture(uniform(3, 30), (1, 9))) is None
    growing = qz.MixtureModel(sigma=0.1, noise="proportional", priors={"growth": 0.02})
    assert excluded_units(qz.fit_mixture(uniform(3, 30), (1, 9), model=growing)) is None


def test_no_steps_names_the_range():
    found = qz.analyze(qz.Readings(uniform(4, 40), sigma=0.1), (1.2, 8), **QUICK)
    assert found.verdict == "no steps"
    assert found.no_unit_above == pytest.approx(1.2)
    assert found.reasons[0] == (
        "From these readings the odds are at least 20 to 1 against every unit from 1.2 to 8, each "
        "by itself and set against values of any size, with the known scatter of 0.1 or up to "
        "twice as much. "
        "One misread reading in twenty and a drift of the scale by 1 % are allowed for."
    )
    assert "The readings do not come in steps of any unit from 1.2 to 8." in str(found)


def test_steps_below_the_range_are_not_denied():
    """Whole numbers 1 to 60: the default range begins above their unit."""
    for seed in range(6):
        values = comb(seed, 20, 0.15, 1, 60)
        found = qz.analyze(qz.Readings(values, sigma=0.15), **QUICK)
        assert found.verdict == "cannot tell"
        assert found.no_unit_above > 1
        assert any(
            reason.startswith(f"No unit above {found.no_unit_above:.4g}:")
            for reason in found.reasons
        )


def test_a_drift_of_one_per_cent_does_not_deny_steps():
    drift = 1 + 0.01 * np.arange(20) / 20
    for seed in range(6):
        values = comb(seed, 20, 0.0, 1, 30) * drift + 0.15 * norm.rvs(size=20, random_state=seed)
        assert qz.analyze(qz.Readings(values, sigma=0.15), **QUICK).verdict != "no steps"


@pytest.mark.parametrize("far", [17.0, 1e5])
def test_the_drift_of_the_scale_counts_from_a_known_offset(far):
    values = uniform(3, 40, 10.0)
    near = excluded_units(fit(values, 0.05, (0.3, 3), offset=0.3))
    away = excluded_units(fit(values + far, 0.05, (0.3, 3), offset=0.3 + far))
    assert near is not None
    assert away is not None
    assert away.low == pytest.approx(near.low, rel=1e-6)


def test_a_decimal_point_in_the_wrong_place_is_named_and_denies_nothing():
    for seed in range(4):
        values = comb(seed, 25, 0.1, 1, 10).round(2)
        values[5] = 10 * max(values[5], 5.0)
        found = qz.analyze(values, sigma_range=0.1, **QUICK)
        assert found.verdict != "no steps"
        assert found.unit_range.high < 6
        assert found.reasons[0].startswith(f"Reading 6, {values[5]:.6g}, lies far from all others")
        assert found.advice[0].startswith("First settle the reading that lies far")
        assert found.findings[0].name == "far"
        assert found.unit == pytest.approx(1, abs=0.03)


@pytest.mark.slow
def test_odds_against_the_kind_picked_afterwards_are_not_the_headline():
    """Steps that are hard to see: no sentence of the verdict leans either way."""
    leaning = 0
    for seed in range(10):
        rng = np.random.default_rng([83, seed])
        values = rng.integers(2, 12, 25) + 0.25 * rng.normal(size=25)
        found = qz.analyze(values, **QUICK)
        if found.verdict != "cannot tell":
            continue
        leaning += found.log_bayes_factor < -np.log(3)
        head = str(found).split("How sure")[0]
        assert "odds" not in head
        assert "speak clearly" not in str(found)
        assert found.log_bayes_factor_mixture > found.log_bayes_factor
    assert leaning > 0


def test_bayes_factor_over_the_mixture_of_kinds_by_hand():
    found = qz.analyze(comb(3, 20, 0.15, -4, 4), **QUICK)
    kinds = {}
    for name, value in found.log_bayes_factors.items():
        kinds.setdefault(name.split(":")[0], []).append(np.exp(-value))
    mean = np.mean([np.mean(nulls) for nulls in kinds.values()])
    assert_allclose(found.log_bayes_factor_mixture, -np.log(mean))


def test_no_kind_is_named_from_the_number_of_resamples():
    found = qz.analyze(comb(4, 80, 0.05, 1, 9), **QUICK)
    assert found.verdict == "steps"
    # As good as anything that the table was counted for: the p-value is a bound, and names no kind.
    assert found.p_value == calibration.FLOOR
    assert found.reasons[0].startswith(
        "Of the simulated families without steps that set the limit, none looks this regular once "
        "in 10,000 samples. The best explanation without steps would be "
    )


def test_the_picture_has_no_line_that_says_the_opposite():
    rng = np.random.default_rng(5)
    values = rng.choice([3.0, 7.4], 40) + 0.15 * rng.normal(size=40)
    found = qz.analyze(values, **QUICK)
    assert found.verdict == "cannot tell"
    axes = found.plot(view="evidence")
    assert axes.get_legend() is None
    assert "without steps p = 1" in axes.get_title(loc="left")
