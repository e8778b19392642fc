"""The mixture over integers: published and open data, modes, sets, draws, invariances."""

import numpy as np
import pytest
from published import THIRTEEN, THIRTEEN_INTEGERS, faithful, macdonell, survey_heights
from scipy import stats

import quantize as qz
from quantize.model.quadrature import _Search


def comb(rng, n, spread):
    return rng.integers(-4, 5, size=n) + spread * rng.normal(size=n)


def test_thirteen_charges():
    found = qz.fit_mixture(THIRTEEN, (2, 8))
    assert found.integers.tolist() == THIRTEEN_INTEGERS
    # Half a posterior standard deviation at most from least squares (4.9089 ± 0.0046).
    assert found.unit == pytest.approx(4.9089, abs=0.0023)
    assert found.unit_err == pytest.approx(0.0050, abs=0.0006)
    assert found.log_bayes_factor > 10
    best = found.alternatives.iloc[0]
    assert best["share"] > 0.999
    low, high = found.interval(0.95)[0]
    assert low < 4.9089 < high


def test_units_of_open_data():
    assert 60 * qz.fit_mixture(faithful(), (0.012, 0.1)).unit == pytest.approx(1, abs=1e-4)
    metric = qz.fit_mixture(survey_heights("Metric"), (0.7, 4))
    assert metric.unit == pytest.approx(1, abs=1e-3)
    imperial = qz.fit_mixture(survey_heights("Imperial"), (1.5, 6))
    assert imperial.unit == pytest.approx(2.54, abs=2e-3)


def test_heights_by_class_need_a_free_offset():
    rng = np.random.default_rng(41)
    heights = rng.permutation(macdonell())[:40]
    free = qz.fit_mixture(heights, (0.05, 0.3), offset="free")
    assert 12 * free.unit == pytest.approx(1, abs=1e-3)
    assert 12 * free.offset == pytest.approx(9 / 16, abs=0.02)
    assert qz.fit_mixture(heights, (0.05, 0.3)).log_bayes_factor < free.log_bayes_factor - 20


def test_shares_sum_to_one():
    rng = np.random.default_rng(43)
    found = qz.fit_mixture(comb(rng, 12, 0.2), (0.3, 2.5))
    shares = found.alternatives["share"].to_numpy()
    assert 0.97 < shares.sum() <= 1 + 1e-9
    assert found.marginal.mass.sum() == pytest.approx(1)


def test_best_unit_is_the_most_probable_and_not_the_widest_plateau():
    # With 40 readings at sigma/u = 0.3 most of the posterior lies where the comb is a continuum.
    # The right mode is the best in about two cases out of three (benchmarks.accuracy); in 30
    # samples fewer than 10 happen once in 1e4.
    rng = np.random.default_rng(45)
    samples = [rng.integers(1, 9, size=40) + 0.3 * rng.normal(size=40) for _ in range(30)]
    units = [qz.fit_mixture(x, (0.3, 3.0), sigma_range=0.3).unit for x in samples]
    assert np.sum(np.abs(np.array(units) - 1) < 0.05) >= 10


def test_unit_is_found_with_sigma_unknown():
    # Right in 0.87 of samples (benchmarks.accuracy); of 20 fewer than 11 happen once in 1e4.
    rng = np.random.default_rng(46)
    units = [qz.fit_mixture(comb(rng, 20, 0.2), (0.4, 2.5)).unit for _ in range(20)]
    assert np.sum(np.abs(np.array(units) - 1) < 0.07) >= 11


def test_many_readings_do_not_pull_the_unit_up():
    # The mean of least squares given the true integers (Gauss–Markov). Without counting the whole
    # units in the span the posterior mean would be high by (n − 1)·s/sqrt(Σk²) standard errors;
    # a part of about 2·z·s/K of it is left, here a seventh (quantize.comb.window).
    rng = np.random.default_rng(48)
    k = rng.integers(1, 5, size=300)
    x = k + 0.12 * rng.normal(size=k.size)
    found = qz.fit_mixture(x, (0.5, 2.0), sigma_range=0.12)
    exact, err = np.sum(x * k) / np.sum(k * k), 0.12 / np.sqrt(np.sum(k * k))
    assert 299 * 0.12 / np.sqrt(np.sum(k * k)) > 0.7
    assert found.unit == pytest.approx(exact, abs=0.2 * err)


def test_share_of_a_mode_is_its_part_of_the_evidence():
    rng = np.random.default_rng(47)
    x = comb(rng, 10, 0.15)
    whole = qz.fit_mixture(x, (0.4, 2.5), sigma_range=(0.02, 1.0))
    part = qz.fit_mixture(x, (0.9, 1.1), sigma_range=(0.02, 1.0))
    prior = np.log(1.1 / 0.9) / np.log(2.5 / 0.4)
    expected = np.exp(part.log_bayes_factor - whole.log_bayes_factor) * prior
    inside = (np.exp(whole.marginal.log_unit) > 0.9) & (np.exp(whole.marginal.log_unit) < 1.1)
    assert whole.marginal.mass[inside].sum() == pytest.approx(expected, abs=2e-3)


def test_known_sigma_is_worth_more_than_unknown():
    rng = np.random.default_rng(53)
    x = comb(rng, 20, 0.15)
    known = qz.fit_mixture(x, (0.4, 2.5), sigma_range=0.15)
    unknown = qz.fit_mixture(x, (0.4, 2.5))
    given = qz.fit_mixture(qz.Readings(x, sigma=0.15), (0.4, 2.5))
    assert known.log_bayes_factor > unknown.log_bayes_factor
    assert given.log_bayes_factor == pytest.approx(known.log_bayes_factor, abs=1e-9)


def test_states_share_one_integer():
    rng = np.random.default_rng(59)
    k = np.repeat(rng.integers(-4, 5, size=10), 3)
    x = k + 0.25 * rng.normal(size=30)
    state = np.repeat(np.arange(10), 3)
    found = qz.fit_mixture(qz.Readings(x, state=state), (0.4, 2.5))
    for j in range(10):
        assert np.ptp(found.integers[state == j]) == 0
    # The scatter within states fixes sigma: 20 degrees of freedom, so 16 % at one sigma.
    assert found.sigma == pytest.approx(0.25, rel=0.5)
    single = qz.fit_mixture(x, (0.4, 2.5))
    assert found.log_bayes_factor > single.log_bayes_factor


def test_integer_probabilities():
    rng = np.random.default_rng(61)
    found = qz.fit_mixture(comb(rng, 15, 0.1), (0.5, 2.5))
    table = found.integer_probabilities
    totals = table.groupby("reading")["probability"].sum()
    assert len(totals) == 15
    assert np.all(np.abs(totals - 1) < 2e-3)
    first = table.groupby("reading").first()["integer"].to_numpy()
    assert first.tolist() == found.integers.tolist()


def test_interval_is_a_highest_density_set():
    rng = np.random.default_rng(67)
    found = qz.fit_mixture(comb(rng, 12, 0.1), (0.5, 2.5), sigma_range=0.1)
    rows = found.interval(0.68)
    u = np.exp(found.marginal.log_unit)
    inside = np.any((u[:, None] >= rows[:, 0]) & (u[:, None] <= rows[:, 1]), axis=1)
    assert found.marginal.mass[inside].sum() == pytest.approx(0.68, abs=0.02)
    assert found.marginal.mass[inside].min() >= found.marginal.mass[~inside].max() * (1 - 1e-9)
    wider = found.interval(0.95)
    assert np.sum(wider[:, 1] - wider[:, 0]) > np.sum(rows[:, 1] - rows[:, 0])


def test_posterior_of_a_sharp_comb_is_the_normal_one():
    # With sigma known and integers certain the posterior is normal about Σxk/Σk², sd σ/sqrt(Σk²).
    k = np.array([3, 5, 7, 8, 11, 12, -4, -9])
    rng = np.random.default_rng(71)
    x = k + 0.03 * rng.normal(size=8)
    found = qz.fit_mixture(x, (0.8, 1.25), sigma_range=0.03)
    # The log-uniform prior moves the mean by −σ²/Σk² and nothing else does.
    expected = np.sum(x * k) / np.sum(k**2) - 0.03**2 / np.sum(k**2)
    assert found.unit == pytest.approx(expected, abs=3e-6)
    assert found.unit_err == pytest.approx(0.03 / np.sqrt(np.sum(k**2)), rel=0.01)


@pytest.mark.parametrize("offset", ["zero", "free"])
def test_draws_follow_the_posterior(offset):
    rng = np.random.default_rng(73)
    found = qz.fit_mixture(
        comb(rng, 14, 0.12) + 0.2 * (offset == "free"), (0.6, 1.8), offset=offset
    )
    draws = found.draws(4000, rng=5)
    grid = np.exp(found.marginal.log_unit)
    cumulative = np.cumsum(found.marginal.mass)
    # Kolmogorov's test on 4000 draws; it fails by chance once in 1e4.
    place = np.interp(np.log(draws["unit"]), np.log(grid) + found.marginal.step / 2, cumulative)
    assert stats.kstest(place, "uniform").pvalue > 1e-4
    mean_sigma = float(np.sum(found.posterior._nodes.share * found.posterior._nodes.sigma))
    spread = draws["sigma"].std()
    assert abs(draws["sigma"].mean() - mean_sigma) < 5 * spread / np.sqrt(4000) + 0.01 * mean_sigma
    if offset == "free":
        assert draws["offset"].between(0, draws["unit"]).all()
    else:
        assert (draws["offset"] == 0).all()


def test_draws_repeat_from_a_seed():
    found = qz.fit_mixture(THIRTEEN, (2, 8))
    one, two = found.draws(50, rng=1), found.draws(50, rng=1)
    assert one.equals(two)
    assert not one.equals(found.draws(50, rng=2))


def test_invariances():
    rng = np.random.default_rng(79)
    x = comb(rng, 15, 0.1)
    one = qz.fit_mixture(x, (0.5, 2.5), sigma_range=(0.01, 1))
    order = rng.permutation(15)
    permuted = qz.fit_mixture(x[order], (0.5, 2.5), sigma_range=(0.01, 1))
    scaled = qz.fit_mixture(1e-19 * x, (0.5e-19, 2.5e-19), sigma_range=(1e-21, 1e-19))
    flipped = qz.fit_mixture(-x, (0.5, 2.5), sigma_range=(0.01, 1))
    for other in (permuted, scaled, flipped):
        assert other.log_bayes_factor == pytest.approx(one.log_bayes_factor, abs=1e-8)
    assert scaled.unit == pytest.approx(1e-19 * one.unit, rel=1e-9, abs=0)
    assert flipped.integers.tolist() == (-one.integers).tolist()
    assert permuted.integers.tolist() == one.integers[order].tolist()


def test_fixed_offset_is_subtracted():
    rng = np.random.default_rng(83)
    x = comb(rng, 15, 0.1)
    one = qz.fit_mixture(x, (0.5, 2.5), sigma_range=0.1)
    two = qz.fit_mixture(x + 0.37, (0.5, 2.5), offset=0.37, sigma_range=0.1)
    assert two.log_bayes_factor == pytest.approx(one.log_bayes_factor, abs=1e-9)
    assert two.offset == 0.37


def test_no_steps_no_evidence():
    # Under the continuum the Bayes factor has mean one, so it exceeds 20 at most once in 20:
    # of 30 data sets at most 7 (binomial, 1e-4).
    rng = np.random.default_rng(89)
    factors = [
        qz.fit_mixture(rng.uniform(-5, 5, size=15), (0.4, 2.5)).log_bayes_factor for _ in range(30)
    ]
    assert np.sum(np.array(factors) > np.log(20)) <= 7
    assert np.median(factors) < 0.5


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"sigma_range": 0.0}, "`sigma_range` is 0; it must be above zero"),
        ({"sigma_range": -1}, "`sigma_range` is -1; it must be above zero"),
        ({"sigma_range": (2, 1)}, r"`sigma_range` is \(2, 1\); the low end must be below"),
    ],
)
def test_bad_arguments(arguments, message):
    with pytest.raises(qz.InputError, match=message):
        qz.fit_mixture([1.0, 2.1, 3.3], **arguments)


def test_a_sigma_next_to_nothing_is_searched_where_it_fits():
    # Of the 10⁹ places that so small a sigma asks for, those near the best fit are looked at.
    k = np.array([10, 21, 33])
    found = qz.fit_mixture(np.pi / 10 * k, (0.2, 1.8), sigma_range=1e-9)
    assert found.integers.tolist() == k.tolist()
    assert found.unit == pytest.approx(np.pi / 10, abs=1e-11)
    assert found.unit_err == pytest.approx(1e-9 / np.sqrt(np.sum(k * k)), rel=0.01, abs=0)


@pytest.mark.parametrize(
    ("limit", "most", "said"),
    [
        ("_MOST_BOXES", 2_000, r"2e\+03 cells"),
        ("_MOST_WORK", 3e4, r"3e\+04 terms of the likelihood"),
    ],
)
def test_what_does_not_fit_in_memory_or_a_minute_is_refused(monkeypatch, limit, most, said):
    monkeypatch.setattr(f"quantize.model.quadrature.{limit}", most)
    words = (
        rf"`unit_range` \(0.2, 2\) needs more than {said} for these 3 readings under this model; "
    )
    with pytest.raises(qz.InputError, match=words):
        qz.fit_mixture([1.003, 2.107, 3.302], (0.2, 2), offset="free", sigma_range=1e-3)


def test_what_is_refused_names_a_reading_that_lies_far_from_all_others(monkeypatch):
    monkeypatch.setattr("quantize.model.quadrature._MOST_BOXES", 2_000)
    page = [48.2, 49.9, 51.4, 53.1, 54.6, 49.8, 51.5]
    words = "; 531 lies far from all others, so look whether a digit is wrong there\\.$"
    with pytest.raises(qz.InputError, match=words):
        qz.fit_mixture([*page, 531.0], offset="free")
    with pytest.raises(qz.InputError, match="cells") as refused:
        qz.fit_mixture(page, offset="free")
    assert "far" not in str(refused.value)


def test_growth_and_sigma_open_together_for_many_readings_are_refused_beforehand():
    rng = np.random.default_rng(1)
    x = rng.integers(1, 9, 2000) + 0.1 * rng.normal(size=2000)
    words = (
        r"`model` leaves sigma and growth open together for 2,000 readings; that is [\d,]+ pairs "
        r"of them for each reading, and 50,000,000 in all are the limit: give `sigma` or "
    )
    with pytest.raises(qz.InputError, match=words):
        qz.fit_mixture(x, model=qz.MixtureModel(noise="proportional"))
    known = qz.MixtureModel(noise="proportional", sigma=0.1, priors={"growth": 0.003})
    assert qz.fit_mixture(x, (0.6, 1.7), model=known).unit == pytest.approx(1, abs=0.005)


def test_a_known_offset_may_be_any_number():
    # As an integer of 64 bits it would not fit; warnings are errors.
    x = np.array([2.1, 3.9, 6.0, 8.1, 9.9, 14.0]) * 1e60
    found = qz.fit_mixture(x, (1.2e60, 5e60), offset=9.3e18)
    assert found.integers.tolist() == [1, 2, 3, 4, 5, 7]


def test_a_search_far_beyond_the_limit_is_refused_before_it_begins_and_none_within(monkeypatch):
    rng = np.random.default_rng(1)
    x = rng.integers(1, 9, 20) + 0.2 * rng.normal(size=20)
    options = {"model": qz.MixtureModel(offset="free", envelope="normal")}
    spent, allow = [], _Search._allow

    def counted(search, p, cell):
        before = search.work
        try:
            allow(search, p, cell)
        finally:
            spent.append(search.work - before)

    monkeypatch.setattr(_Search, "_allow", counted)
    plain = qz.fit_mixture(x, (0.3, 3), **options)
    total = sum(spent)
    spent.clear()
    monkeypatch.setattr("quantize.model.quadrature._MOST_WORK", 1.1 * total)
    again = qz.fit_mixture(x, (0.3, 3), **options)
    assert again.log_bayes_factor == plain.log_bayes_factor
    assert sum(spent) < 1.3 * total
    spent.clear()
    monkeypatch.setattr("quantize.model.quadrature._MOST_WORK", 0.2 * total)
    with pytest.raises(qz.InputError, match="terms of the likelihood"):
        qz.fit_mixture(x, (0.3, 3), **options)
    assert sum(spent) < 0.1 * total


def test_sigma_among_the_parameters_is_that_of_a_reading_and_no_factor() -> None:
    rng = np.random.default_rng(5)
    sample = qz.Readings(10.0 * rng.integers(1, 9, 20) + rng.normal(0, 1, 20), sigma=[2.0] * 20)
    found = qz.fit_mixture(sample, (5, 40), model=qz.MixtureModel(sigma=(0.2, 3.0)))
    row = found.parameters.set_index("parameter").loc["sigma"]
    assert row["mean"] == pytest.approx(found.sigma, rel=1e-12)
    drawn = found.draws(4000, rng=1)
    drawn = drawn["sigma"][abs(drawn["unit"] / found.unit - 1) < 0.05]
    # The mean of 4000 draws errs by 1/63 of their spread; 5 sigma.
    assert row["mean"] == pytest.approx(drawn.mean(), abs=5 * row["sd"] / 63)
    assert row["sd"] == pytest.approx(drawn.std(), rel=0.15)
