"""Teeth with weights of their own, against sums over every choice of whole numbers."""

import itertools

import numpy as np
import pytest
from scipy.special import gammaln, logsumexp

from quantize.model.likelihood import log_free_weights


def brute_force(terms, teeth, count, astray=None):
    """Dirichlet-multinomial sum over all choices of one tooth (or none) for each state."""
    states, width = terms.shape
    choices = range(width + (astray is not None))
    total = []
    for choice in itertools.product(choices, repeat=states):
        value, seen = 0.0, []
        for j, c in enumerate(choice):
            if c == width:
                value += astray[j]
            else:
                value += terms[j, c]
                seen.append(teeth[j, c])
        counts = np.unique(seen, return_counts=True)[1] if seen else np.zeros(0)
        value += gammaln(count) - gammaln(count + len(seen)) + np.sum(gammaln(1 + counts))
        total.append(value)
    return logsumexp(total)


def example(rng, spread, states=4, width=3):
    teeth = rng.integers(1, 4, size=states)[:, None] + np.arange(width)
    middle = teeth[:, 0] + rng.integers(0, width, size=states)
    terms = -0.5 * ((teeth - middle[:, None]) / spread) ** 2
    return terms, teeth


@pytest.mark.parametrize("spread", [0.15, 0.4, 0.8])
@pytest.mark.parametrize("with_astray", [False, True])
def test_bound_is_below_the_sum_and_close_where_integers_are_sure(spread, with_astray, seed):
    rng = np.random.default_rng(seed)
    for _ in range(15):
        terms, teeth = example(rng, spread)
        count = 6.0
        astray = rng.uniform(-9, -5, size=len(terms)) if with_astray else None
        exact = brute_force(terms, teeth, count, astray)
        given = np.full(len(terms), -np.inf) if astray is None else astray
        bound = log_free_weights(terms[None], teeth[None], np.array([count]), given[None])[0]
        assert bound <= exact + 1e-9
        assert bound > exact - (0.05 if spread == 0.15 else 1.5)


def test_sure_integers_give_the_dirichlet_multinomial_probability():
    teeth = np.tile(np.arange(1, 6), (5, 1))
    terms = np.full(teeth.shape, -np.inf)
    chosen = [1, 1, 3, 1, 2]
    terms[np.arange(5), np.array(chosen) - 1] = -0.7
    found = log_free_weights(terms[None], teeth[None], np.array([5.0]), np.full((1, 5), -np.inf))[0]
    # Γ(T)/Γ(T+5)·3!·1!·1!, the probability of one ordered sample (Bishop, section 2.2).
    expected = -3.5 + gammaln(5) - gammaln(10) + gammaln(4)
    assert found == pytest.approx(expected, abs=1e-12)


def test_a_state_that_is_impossible_makes_the_sample_impossible():
    terms = np.array([[[0.0, -1.0], [-np.inf, -np.inf]]])
    teeth = np.array([[[1, 2], [1, 2]]])
    none = np.full((1, 2), -np.inf)
    assert log_free_weights(terms, teeth, np.array([2.0]), none)[0] == -np.inf


def test_with_no_tooth_in_view_every_state_is_astray():
    terms, astray = np.log([[[0.2, 0.5], [0.1, 0.9]]]), np.log([[0.1, 0.3]])
    teeth = np.array([[[1, 2], [1, 2]]])
    found = log_free_weights(terms, teeth, np.zeros(1), astray)[0]
    assert found == pytest.approx(np.log(0.03), rel=1e-12)
    assert log_free_weights(terms, teeth, np.zeros(1), np.full((1, 2), -np.inf))[0] == -np.inf
