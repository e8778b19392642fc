"""Two units against plain sums: evidence over sigma, the mean of sigma, and the share."""

from __future__ import annotations

import numpy as np
import pytest
from plain_window import plain_log_unit_excess
from scipy import stats
from scipy.integrate import trapezoid
from scipy.special import logsumexp

import quantize as qz
from quantize._support.validation import FloatArray
from quantize.comb.unit_range import UnitRange
from quantize.model import sigma_prior
from quantize.model.pairs import FINE, PairLattice, PairNodes, UnitLattice
from quantize.model.two_units import _MOST_MODES, _modes
from quantize.model.wrapped_likelihood import likelihood_of

UNIT_RANGE, SIGMAS = (0.7, 2.0), (0.03, 0.6)
MEMBER = np.array([0, 1] * 6)
SAMPLE = np.array([1.02, 2.75, 2.97, 4.1, 4.05, 1.33, 5.96, 6.9, 7.03, 5.49, 2.0, 8.2])
UNIT = np.geomspace(*UNIT_RANGE, 1201)
SIGMA = np.geomspace(*SIGMAS, 81)


def log_comb_over_continuum(x: FloatArray, sigma: float) -> FloatArray:
    """Log likelihood at each unit: a normal wrapped round it, next to an even spread.

    What the envelope of the whole sample is worth is the same for both, but for the teeth that
    stand outside it.
    """
    cycles = x / UNIT[:, None]
    off = cycles - np.rint(cycles)
    wrapped = sum(stats.norm.pdf(off + k, 0, sigma / UNIT[:, None]) for k in range(-6, 7))
    whole = plain_log_unit_excess(UNIT, sigma / UNIT, float(np.ptp(SAMPLE)), SAMPLE.size)
    total: FloatArray = (np.log(wrapped) - whole[:, None]).sum(axis=1)
    return total


def mean_over_units(log_values: FloatArray) -> float:
    """Mean over log unit, which the prior spreads evenly."""
    top = log_values.max()
    length = np.log(UNIT[-1] / UNIT[0])
    mean = trapezoid(np.exp(log_values - top), np.log(UNIT)) / length
    return float(top + np.log(mean))


def over_sigma(log_values: FloatArray) -> float:
    """Log of the integral over log sigma."""
    step = np.log(SIGMA[1] / SIGMA[0])
    ends = np.r_[0.5, np.ones(SIGMA.size - 2), 0.5]
    return float(logsumexp(log_values, b=ends * step))


def by_hand() -> tuple[float, float, float]:
    """Log evidence of one unit and of two, each over a continuum, and the mean of sigma."""
    one, two, kept = [], [], []
    for sigma in SIGMA:
        taper = sigma_prior.log_taper(sigma / UNIT)
        each = [log_comb_over_continuum(SAMPLE[j == MEMBER], sigma) for j in (0, 1)]
        one.append(mean_over_units(each[0] + each[1] + taper))
        two.append(sum(mean_over_units(part + taper) for part in each))
        kept.append(mean_over_units(taper))
    weight = np.exp(np.array(two) - max(two))
    log_kept = np.array(kept)
    return (
        over_sigma(np.array(one)) - over_sigma(log_kept),
        over_sigma(np.array(two)) - over_sigma(2 * log_kept),
        float(weight @ SIGMA / weight.sum()),
    )


def test_evidence_and_sigma_of_two_labelled_units() -> None:
    found = qz.model.fit_two_units(SAMPLE, UNIT_RANGE, labels=MEMBER, sigma_range=SIGMAS)
    one, two, sigma = by_hand()
    assert found.log_evidence == pytest.approx(two, abs=0.01)
    assert found.log_evidence - found.log_bayes_factor == pytest.approx(one, abs=0.01)
    # The mean within the highest pair of modes; a few hundredths lie in others.
    assert found.sigma == pytest.approx(sigma, rel=0.05)


@pytest.mark.parametrize("labels", [MEMBER, None])
def test_the_first_alternative_is_the_answer(labels: FloatArray | None) -> None:
    found = qz.model.fit_two_units(SAMPLE, UNIT_RANGE, labels=labels, sigma_range=0.06)
    first = found.alternatives.iloc[0]
    assert [first["unit_1"], first["unit_2"]] == pytest.approx(list(found.units), rel=1e-9)
    assert found.alternatives["share"].is_monotonic_decreasing
    # A sample of twelve leaves other pairs, each with two units of the range.
    others = found.alternatives[["unit_1", "unit_2"]].to_numpy()
    assert others.min() > UNIT_RANGE[0]
    assert others.max() < UNIT_RANGE[1]


def pairs(sigma: float, known: bool) -> PairNodes:
    """Nodes without labels at one sigma; the share by forty nodes of Gauss and Legendre."""
    x, w = np.polynomial.legendre.leggauss(40)
    unit_range = UnitRange(low=0.7, high=2.0, chosen=False, reason="")
    likelihood = likelihood_of(qz.MixtureModel(), qz.Readings(SAMPLE[:8]))
    units = UnitLattice(likelihood, unit_range, sigma, tapered=not known, fine=FINE)
    lattice = PairLattice(units, 0.5 * (x + 1), np.log(w / 2))
    return lattice.sum_up(lattice.climb())


def test_the_share_is_integrated_to_the_end() -> None:
    found = qz.model.fit_two_units(SAMPLE[:8], UNIT_RANGE, sigma_range=0.06)
    expected = float(logsumexp(pairs(0.06, known=True).log_mass))
    assert found.log_evidence == pytest.approx(expected, abs=1e-4)


def test_sigma_without_labels_is_its_posterior_mean() -> None:
    found = qz.model.fit_two_units(SAMPLE[:8], UNIT_RANGE, sigma_range=(0.05, 0.3))
    sigmas = np.geomspace(0.05, 0.3, 25)
    mass = []
    for sigma in sigmas:
        nodes = pairs(sigma, known=False)
        # Within the highest pair of modes.
        near = np.ones(nodes.share.size, bool)
        for unit, log_unit in zip(found.units, (nodes.first, nodes.second), strict=True):
            near &= np.abs(np.exp(log_unit) / unit - 1) < 0.03
        mass.append(logsumexp(nodes.log_mass[near]) if near.any() else -np.inf)
    weight = np.exp(np.array(mass) - max(mass))
    weight[[0, -1]] /= 2
    assert found.sigma == pytest.approx(float(weight @ sigmas / weight.sum()), rel=0.03)


def test_labels_say_which_unit_a_reading_has() -> None:
    found = qz.model.fit_two_units(SAMPLE[:7], UNIT_RANGE, labels=list("abbabaa"), sigma_range=0.05)
    assert found.membership.tolist() == [[1, 0], [0, 1], [0, 1], [1, 0], [0, 1], [1, 0], [1, 0]]
    assert found.shares.tolist() == pytest.approx([4 / 7, 3 / 7])


def test_the_last_mode_holds_whatever_is_left() -> None:
    place = np.arange(_MOST_MODES + 5.0)[:, None]
    share = np.linspace(1.0, 0.1, place.size)
    label = _modes(place, share, np.full((place.size, 1), 1e-3))
    assert label.tolist() == np.minimum(np.arange(place.size), _MOST_MODES - 1).tolist()
