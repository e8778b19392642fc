"""Two populations with two units, labelled or not."""

import numpy as np
import pytest
from dense_evidence import Problem, dense_log_evidence
from published import survey_heights

import quantize as qz
from quantize.comb.unit_range import UnitRange
from quantize.model.pairs import FINE, PairLattice, UnitLattice
from quantize.model.wrapped_likelihood import likelihood_of


def mixed(rng, n=30, units=(1.0, 1.37), spread=0.04):
    member = (rng.random(n) < 0.5).astype(int)
    x = np.array(units)[member] * rng.integers(1, 8, size=n) + spread * rng.normal(size=n)
    return x, member


@pytest.mark.slow
def test_survey_heights_have_inches_and_centimetres():
    # MASS/survey: heights given in "Imperial" measure, 2.54 cm, or in "Metric", 1 cm. Two of
    # these twenty are 61.5 and 75.5 inches, so that the unit of all is half an inch, 1.27 cm.
    rng = np.random.default_rng(3)
    imperial = rng.permutation(survey_heights("Imperial"))[:20]
    metric = rng.permutation(survey_heights("Metric"))[:20]
    x = np.concatenate([imperial, metric])
    labels = ["Imperial"] * 20 + ["Metric"] * 20
    found = qz.model.fit_two_units(x, (0.7, 4), labels=labels, sigma_range=(0.1, 0.5))
    assert found.labels == ("Imperial", "Metric")
    assert found.units[0] == pytest.approx(1.27, abs=0.002)
    assert found.units[1] == pytest.approx(1, abs=0.002)
    assert found.log_bayes_factor > 10
    assert found.shares.tolist() == [0.5, 0.5]
    assert found.integers[20:].tolist() == np.rint(metric).astype(int).tolist()


def test_without_labels_both_units_are_found(seed):
    rng = np.random.default_rng(12)
    x, member = mixed(rng)
    found = qz.model.fit_two_units(x, (0.7, 2.0), sigma_range=0.04)
    # Five standard errors of the fit with members known.
    assert np.all(np.abs(found.units - [1.0, 1.37]) < 5 * found.unit_errs)
    assert found.log_bayes_factor > 5
    assert found.alternatives["share"].iloc[0] > 0.9
    right = found.membership[np.arange(30), member]
    assert np.mean(right > 0.5) > 0.85
    assert found.membership.sum(axis=1) == pytest.approx(1)
    assert found.shares.sum() == pytest.approx(1)


def test_one_unit_is_preferred_where_there_is_one():
    rng = np.random.default_rng(13)
    x = rng.integers(1, 8, size=20) + 0.05 * rng.normal(size=20)
    assert qz.model.fit_two_units(x, (0.7, 2.0), sigma_range=0.05).log_bayes_factor < 0
    labels = np.arange(20) % 2
    found = qz.model.fit_two_units(x, (0.7, 2.0), labels=labels)
    assert found.log_bayes_factor < 0
    assert found.units == pytest.approx([1, 1], abs=0.02)


def test_pairs_add_up_to_the_plain_double_sum():
    rng = np.random.default_rng(14)
    x, _ = mixed(rng, n=8, spread=0.1)
    unit_range = UnitRange(low=0.7, high=2.0, chosen=False, reason="")
    units = UnitLattice(
        likelihood_of(qz.MixtureModel(), qz.Readings(x)), unit_range, 0.1, tapered=False, fine=FINE
    )
    shares = np.array([0.1, 0.4, 0.8])
    lattice = PairLattice(units, shares, np.log(np.full(3, 1 / 3)))
    found = lattice.sum_up(lattice.climb())
    c = lattice.density
    total = []
    for w in shares:
        mixture = np.log(w * c[:, None, :] + (1 - w) * c[None, :, :]).sum(axis=2)
        # A pair i < j with share w stands for the pair j, i as well.
        upper = np.triu(np.ones(mixture.shape), 1) * 2 + np.eye(len(mixture))
        prior = np.add.outer(lattice.log_prior, lattice.log_prior)
        total.append(np.log(np.sum(upper * np.exp(mixture + prior)) / 3))
    assert np.logaddexp.reduce(found.log_mass) == pytest.approx(
        np.logaddexp.reduce(total), abs=1e-3
    )


@pytest.mark.parametrize("seed_of_sample", [18, 19, 20])
def test_labelled_evidence_is_the_product_at_known_sigma(seed_of_sample):
    rng = np.random.default_rng(seed_of_sample)
    x, member = mixed(rng, n=12, spread=0.08)
    found = qz.model.fit_two_units(x, (0.7, 2.0), labels=member, sigma_range=0.08)
    one = qz.fit_mixture(x, (0.7, 2.0), sigma_range=0.08)
    assert found.log_evidence - found.log_bayes_factor == pytest.approx(
        one.log_bayes_factor, abs=1e-6
    )
    swapped = qz.model.fit_two_units(x, (0.7, 2.0), labels=1 - member, sigma_range=0.08)
    assert swapped.log_evidence == pytest.approx(found.log_evidence, abs=1e-9)


@pytest.mark.parametrize("seed_of_sample", [15, 17])
def test_a_mode_that_the_range_cuts_off_is_summed_up_to_the_end(seed_of_sample):
    # The likelihood falls by e within two steps of the lattice, which leaves a hundredth.
    rng = np.random.default_rng(seed_of_sample)
    x, member = mixed(rng, n=12, spread=0.08)
    problem = Problem(readings=qz.Readings(x), low=0.7, high=2.0, sigma_low=0.08, sigma_high=0.08)
    dense = dense_log_evidence(problem, unit_points=20001, sigma_points=1)
    found = qz.model.fit_two_units(x, (0.7, 2.0), labels=member, sigma_range=0.08)
    one = qz.fit_mixture(x, (0.7, 2.0), sigma_range=0.08)
    assert one.unit == pytest.approx(0.7, abs=0.002)
    assert found.log_evidence - found.log_bayes_factor == pytest.approx(dense, abs=0.01)
    assert one.log_bayes_factor == pytest.approx(dense, abs=0.01)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"labels": [1, 2]}, "`labels` has 2 entries and `readings` has 6"),
        ({"labels": [1, 1, 1, 1, 1, 1]}, "`labels` names 1 populations; two are needed"),
        ({"labels": [1, 1, 1, 1, 2, 2]}, "`labels` leaves 2 readings in one population"),
        ({"share_prior": 0}, "`share_prior` is 0; it must be above zero"),
        ({"sigma_range": 1e-7}, "`unit_range` .* is too wide for two units"),
    ],
)
def test_bad_input(arguments, words):
    with pytest.raises(qz.InputError, match=words):
        qz.model.fit_two_units([1.0, 2.1, 3.3, 4.2, 5.5, 6.1], (0.7, 2.0), **arguments)
