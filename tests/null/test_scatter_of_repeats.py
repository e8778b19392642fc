"""A sigma that is given, and repeats of a state that scatter more than it says."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

import quantize as qz

STATES = np.repeat(np.arange(12), 2)
SIZES = np.repeat([3, 7, 2, 9, 5, 1, 8, 4, 6, 10, 3, 7], 2)


def values(seed: int = 12, spread: float = 0.15) -> np.ndarray:
    return SIZES + spread * np.random.default_rng(seed).normal(size=SIZES.size)


def warning(found: qz.Analysis) -> list[str]:
    return [reason for reason in found.reasons if reason.startswith("Repeats of one state scatter")]


def analyzed(sigma: float | None, **options: object) -> qz.Analysis:
    readings = qz.Readings(values(), sigma=sigma, state=STATES)
    return qz.analyze(readings, (0.4, 4.0), n_resamples=19, rng=0, **options)


@pytest.mark.parametrize("how", ["with the readings", "as a range", "in a model"])
def test_a_sigma_half_of_what_repeats_scatter_is_warned_of_in_words(how: str) -> None:
    options: dict[str, object] = {}
    if how == "as a range":
        options["sigma_range"] = 0.07
    elif how == "in a model":
        options["model"] = qz.MixtureModel(sigma=(0.02, 0.07))
    found = analyzed(None if options else 0.07, **options)
    # By hand: half the squared difference of a pair has the variance of a reading, one degree each.
    pairs = values().reshape(-1, 2)
    chi_square = float(np.sum(np.diff(pairs, axis=1) ** 2) / 2 / 0.07**2)
    ratio, p = np.sqrt(chi_square / 12), stats.chi2.sf(chi_square, 12)
    assert ratio > 1.8
    assert warning(found) == [
        f"Repeats of one state scatter {ratio:.2g} times as much as the sigma given says "
        f"(chi-square {chi_square:.3g} on 12 degrees of freedom, p = {p:.1g}): it is too small, or "
        "readings are labelled with a wrong state. Left out, it is determined by the repeats."
    ]
    assert found.verdict != "no steps"
    assert found.no_unit_above is None


@pytest.mark.slow
def test_the_right_sigma_or_none_is_not_warned_of() -> None:
    for found in (analyzed(0.15), analyzed(None)):
        assert warning(found) == []
        assert found.verdict == "steps"


def test_without_repeats_nothing_is_said() -> None:
    readings = qz.Readings(values()[::2], sigma=0.05)
    assert warning(qz.analyze(readings, (0.4, 4.0), n_resamples=19, rng=0)) == []


def test_repeats_that_were_rounded_coarsely_are_no_contradiction() -> None:
    """A recording step of 0.5 alone has a standard deviation of 0.5/sqrt(12), seven times sigma."""
    rounded = np.round(2 * values(3, 0.02) + 0.4) / 2
    assert np.any(np.diff(rounded.reshape(-1, 2)) != 0)
    readings = qz.Readings(rounded, state=STATES, resolution=0.5)
    found = qz.analyze(readings, (1.5, 5.0), sigma_range=0.02, n_resamples=19, rng=0)
    assert warning(found) == []


@pytest.mark.slow
def test_how_often_it_is_said() -> None:
    """Of a right sigma in alpha of all samples; of half of it as often as chi-square says.

    Where one state by itself contradicts it beyond doubt (6 sigma), it is refused in words.
    """
    right, half, runs = 0, 0, 15
    for seed in range(runs):
        for factor in (1.0, 0.5):
            readings = qz.Readings(values(seed), sigma=factor * 0.15, state=STATES)
            try:
                said = bool(warning(qz.analyze(readings, (0.6, 2.0), n_resamples=19, rng=0)))
            except qz.InputError as refusal:
                said = "mend the label or the sigma" in str(refusal)
            right += said and factor == 1
            half += said and factor < 1
    assert right <= stats.binom.isf(1e-3, runs, 0.05)
    power = stats.chi2.sf(stats.chi2.isf(0.05, 12) / 4, 12)
    assert half >= stats.binom.ppf(1e-3, runs, power)


def test_data_without_steps_are_not_denied_on_a_sigma_that_repeats_contradict() -> None:
    rng = np.random.default_rng(2)
    sizes = np.repeat(rng.uniform(0, 30, 100), 2)
    states = np.repeat(np.arange(100), 2)
    noise = rng.normal(size=200)
    said = {}
    for spread in (0.05, 0.09):
        readings = qz.Readings(sizes + spread * noise, sigma=0.05, state=states)
        found = qz.analyze(readings, (0.5, 5.0), n_resamples=19, rng=0)
        said[spread] = (found.verdict, bool(warning(found)))
    assert said == {0.05: ("no steps", False), 0.09: ("cannot tell", True)}
