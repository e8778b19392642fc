"""What a model cannot be, said in one sentence."""

import numpy as np
import pytest
from scipy import stats

import quantize as qz

X = [1.04, 2.11, 2.93, 5.2, 6.1]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"sigma": 0}, "`sigma` is 0; it must be above zero"),
        ({"sigma": (0.3, 0.1)}, "`sigma` is .* low end must be below"),
        ({"sigma": stats.norm(-1, 0.1)}, "`sigma` has a prior with median -1"),
        (
            {"sigma": stats.norm(0.1, 0.02)},
            r"`sigma` has the prior norm\(0.1, 0.02\), which goes below zero; cut it there",
        ),
        ({"sigma": (0, 0.1)}, "`sigma` starts at 0; it is above zero, so give a positive low end"),
        ({"outliers": 1.2}, "`outliers` is 1.2; it must be at least 0 and below 1"),
        ({"outliers": -0.1}, "`outliers` is -0.1"),
        ({"outliers": stats.uniform(0.5, 1)}, r"`outliers` has a prior on \(0.5, 1.5\)"),
        ({"outliers": "some"}, "`outliers` is 'some'; it must be one of 'free'"),
        ({"priors": {"colour": 1}}, "`priors` has an entry 'colour'; the entries are unit"),
        ({"priors": {"growth": 0.1}}, "`priors` has a growth, but `noise` is 'constant'"),
        ({"integers": (5, 2)}, r"`integers` is \(5, 2\); the first must be below the last"),
        ({"integers": 4}, "`integers` is 4; it must be 'any', 'positive' or a pair"),
        ({"integers": "odd"}, "`integers` is 'odd'; it must be one of 'any', 'positive'"),
        ({"window": (3, 1)}, r"`window` is \(3, 1\); the low end must be below the high"),
        ({"window": 3}, "`window` is 3; give two numbers"),
        ({"noise": "pink"}, "`noise` is 'pink'; it must be one of 'constant'"),
        ({"envelope": "round"}, "`envelope` is 'round'; it must be one of 'flat'"),
        ({"rounding": 1}, "`rounding` is 1; give True or False"),
        ({"offset": "some"}, "`offset` is 'some'"),
    ],
)
def test_model(options, words):
    with pytest.raises(qz.InputError, match=words):
        qz.MixtureModel(**options)


@pytest.mark.parametrize(
    ("readings", "options", "words"),
    [
        (X, {"window": (20, 30), "sigma": 0.01}, "`model` makes these readings impossible"),
        (X, {"priors": {"unit": stats.uniform(30, 1)}}, "`priors` puts the unit outside"),
        (X, {"priors": {"unit": 1.0}}, "`priors` has unit 1.0; give a distribution"),
        (
            X,
            {"noise": "proportional", "priors": {"growth": stats.norm(0.03, 0.01)}},
            r"`growth` has the prior norm\(0.03, 0.01\), which goes below zero; cut it there",
        ),
        (
            X,
            {"envelope": stats.cauchy(4, 2)},
            r"`envelope` has the density cauchy\(4, 2\), whose tails reach from .*, over more than "
            "20,000 units of 0.5; take one with shorter tails",
        ),
        (
            qz.Readings(X, sigma=0.05, state=["a", "a", "b", "c", "d"]),
            {"window": (0, 9)},
            "`state` 'a' holds readings from 1.04 to 2.11, .* but a state has one whole number",
        ),
        (
            qz.Readings(np.round(X), resolution=4.0),
            {"rounding": True},
            "`resolution` is 4, no finer than the largest unit tried",
        ),
        (
            qz.Readings(X, sigma=0.05),
            {"sigma": 0.05},
            r"`sigma` or `sigma_range` is 0.05, but each reading carries a sigma of its own "
            r"\(0.05\), and beside these it is a factor on all of them",
        ),
        (
            qz.Readings(X, sigma=[0.01, 0.02, 0.05, 0.05, 0.02]),
            {"sigma": (0.01, 0.1)},
            r"is 0.01 to 0.1, but .* \(0.01 to 0.05\).* leave it out, or give the readings",
        ),
    ],
)
def test_model_and_readings(readings, options, words):
    with pytest.raises(qz.InputError, match=words):
        qz.fit_mixture(readings, (0.5, 3), model=qz.MixtureModel(**options))


def test_a_density_with_long_tails_is_taken_where_whole_numbers_are_few():
    model = qz.MixtureModel(envelope=stats.cauchy(4, 2), integers=(1, 12), sigma=0.1)
    assert qz.fit_mixture(X, (0.6, 2.2), model=model).integers.tolist() == [1, 2, 3, 5, 6]


def test_contradictions_are_no_error_where_outliers_are_allowed():
    readings = qz.Readings(X, sigma=0.05, state=["a", "a", "b", "c", "d"])
    model = qz.MixtureModel(outliers=0.1)
    assert qz.fit_mixture(readings, (0.5, 3), model=model).unit > 0


def test_repr_and_dictionary_tell_the_model():
    model = qz.MixtureModel(offset="free", outliers=0.05, priors={"unit": stats.lognorm(0.1)})
    assert repr(model) == "<MixtureModel: offset free, outliers 0.05, unit lognorm(0.1)>"
    described = model.to_dict()
    assert described["priors"]["unit"] == {"distribution": "lognorm", "args": [0.1], "kwds": {}}
    assert described["schema"] == "quantize.MixtureModel/1"


@pytest.mark.parametrize("scale", [1e-19, 1.0, 1000.0])
def test_a_sigma_beside_readings_that_carry_their_own_is_refused_at_every_scale(scale):
    x = scale * np.array([1.04, 2.11, 2.93, 5.2, 6.1, 7.05, 8.9])
    readings = qz.Readings(x, sigma=0.05 * scale)
    for said in (0.05 * scale, (0.02 * scale, 0.1 * scale)):
        with pytest.raises(qz.InputError, match="carries a sigma of its own") as found:
            qz.analyze(readings, sigma_range=said)
        assert "\n" not in str(found.value)


def test_a_factor_on_the_sigmas_is_taken_and_said():
    x = [1.04, 2.11, 2.93, 5.2, 6.1, 7.05, 8.9]
    found = qz.analyze(qz.Readings(x, sigma=0.05), (0.4, 3), sigma_range=2.0, n_resamples=19, rng=1)
    assert found.sigma == pytest.approx(0.1)
    assert "given with the readings, times 2" in str(found)


@pytest.mark.parametrize("scale", [1.0, 1e-19])
@pytest.mark.parametrize("estimator", [qz.fit_mixture, qz.analyze, qz.sample_mixture])
def test_a_sigma_in_another_unit_than_the_readings_is_refused(estimator, scale, rng):
    """As in a table with readings in 1e-19 C beside sigmas in C."""
    x = scale * (1.6 * rng.integers(1, 7, 12) + rng.normal(0, 0.15, 12))
    span = (scale, 4 * scale)
    said = "is as small as .*, below the last digit of readings as large as .*; give both in one"
    with pytest.raises(qz.InputError, match=said):
        estimator(x, span, sigma=0.15e-19 * scale)
    with pytest.raises(qz.InputError, match=said):
        estimator(x, span, model=qz.MixtureModel(sigma=(1e-30 * scale, scale)))


def test_one_such_group_does_not_stop_the_others(rng):
    x = 1.6 * rng.integers(1, 7, 20) + rng.normal(0, 0.15, 20)
    table = {"drop": ["a"] * 10 + ["b"] * 10, "q": x, "s": [0.15e-19] * 10 + [0.15] * 10}
    found = qz.analyze_groups(table, by="drop", value="q", sigma="s", n_resamples=99, rng=1)
    assert list(found.failed) == ["a"]
