"""Whole numbers that are possible, said beforehand: the units that the verdict rests on."""

from pathlib import Path

import numpy as np
import pytest
from scipy import stats

import quantize as qz
from quantize._support.errors import InputError
from quantize.charge import read_run
from quantize.comb.unit_range import UnitRange, default_unit_range
from quantize.model.model import MixtureModel
from quantize.null.allowed_units import allowed_units

QUICK = {"n_resamples": 19, "rng": 1}
UNIT_RANGE = UnitRange(low=0.2, high=4.0, chosen=False, reason="given by the caller")


def allowed(values, integers, unit_range=UNIT_RANGE, **options):
    """The ends of the allowed units."""
    readings = values if isinstance(values, qz.Readings) else qz.Readings(values)
    found = allowed_units(unit_range, MixtureModel(integers=integers, **options), readings)
    return None if found is None else tuple(found)


X = np.array([1.013, 2.04, 3.98, 8.011])
HALF = 0.0005
"""Half of the recording step of these."""


@pytest.mark.parametrize(
    ("integers", "low", "high"),
    [
        # Four times 0.30 units beyond the first and the last tooth.
        ((1, 8), (8.011 - HALF) / 9.2, 4.0),
        ((1, 20), (8.011 - HALF) / 21.2, 4.0),
        ((3, 20), (8.011 - HALF) / 21.2, (1.013 + HALF) / 1.8),
        ("positive", 0.2, 4.0),
        ((2, None), 0.2, (1.013 + HALF) / 0.8),
        ("any", 0.2, 4.0),
    ],
)
def test_units_at_which_every_reading_has_a_possible_whole_number(integers, low, high):
    assert allowed(X, integers) == pytest.approx((low, min(high, 4.0)), rel=1e-9)


def test_a_known_sigma_leaves_fewer_units():
    low, high = allowed(X, (1, 8), sigma=0.05)
    assert low == pytest.approx((8.011 - HALF - 0.2) / 8, rel=1e-9)
    assert high == pytest.approx(1.013 + HALF + 0.2, rel=1e-9)
    given = qz.Readings(X, sigma=0.05)
    assert allowed(given, (1, 8)) == pytest.approx((low, high))


def test_the_mirror_image_has_the_same_units():
    assert allowed(-X, (-8, -1)) == pytest.approx(allowed(X, (1, 8)))
    assert allowed(-X, (-20, -3)) == pytest.approx(allowed(X, (3, 20)))


def test_a_known_offset_is_taken_off_and_a_free_one_is_up_to_a_unit():
    assert allowed(X + 0.7, (1, 8), offset=0.7) == pytest.approx(allowed(X, (1, 8)))
    low, _ = allowed(X, (1, 8), offset="free")
    assert low == pytest.approx((8.011 - HALF) / 10.2, rel=1e-9)


def test_a_misread_digit_does_not_count():
    wild = np.append(X, [2.97, 80.41, 4.02, 5.03, 6.98, 1.04, 3.03])
    assert wild.size == 11
    assert allowed(wild, (1, 8)) == pytest.approx(allowed(X, (1, 8)), rel=1e-2)


def test_outliers_in_the_model_do_not_count():
    many = np.append(np.tile(X, 3), 11.2)
    assert allowed(many, (1, 8))[0] == pytest.approx((11.2 - HALF) / 9.2, rel=1e-3)
    assert allowed(many, (1, 8), outliers=0.05)[0] == pytest.approx((8.011 - HALF) / 9.2, rel=1e-6)


@pytest.mark.parametrize(
    ("values", "integers", "options"),
    [
        ([-3.01, 1.02, 5.03, 8.04], (1, 8), {}),
        ([-3.01, 1.02, 5.03, 8.04], "positive", {}),
        ([18.03, 18.51, 19.02, 19.94], (1, 2), {}),
        ([1.01, 2.02, 8.03], (1, 8), {"priors": {"unit": stats.uniform(0.2, 0.3)}}),
    ],
)
def test_there_may_be_no_unit_at_all(values, integers, options):
    assert allowed(values, integers, **options) is None


def test_noise_that_grows_leaves_the_range_as_it_is():
    assert allowed(X, (1, 8), noise="proportional") == tuple(UNIT_RANGE)


def comb(seed, n=20, spread=0.15):
    rng = np.random.default_rng(seed)
    return rng.integers(1, 9, n) + spread * rng.normal(size=n)


def test_the_verdict_rests_on_these_units_and_says_so():
    x = comb(2)
    found, plain = (qz.analyze(x, integers=whole, **QUICK) for whole in ((1, 8), "any"))
    expected = allowed_units(
        default_unit_range(qz.Readings(x)), MixtureModel(integers=(1, 8)), found.readings
    )
    assert found.unit_range == expected == found.mixture.unit_range
    assert found.score.unit_range == found.comb_fit.unit_range == found.unit_range
    assert found.evidence.unit_range.low == found.unit_range.low > plain.unit_range.low
    # The prior of the unit is spread over fewer units, and none that is left out did any good.
    assert found.log_bayes_factor > plain.log_bayes_factor + 0.3
    assert (
        "those at which every reading can have a whole number from 1 to 8"
        in found.unit_range.reason
    )
    sentence = next(f.sentence for f in found.findings if f.name == "unit_range")
    assert (
        f"Every unit from {found.unit_range.low:.4g} to {found.unit_range.high:.4g} was tried"
        in sentence
    )
    assert (
        f"of {plain.unit_range.low:.4g} to {plain.unit_range.high:.4g} these are the ones"
        in sentence
    )
    assert found.verdict == plain.verdict == "steps"


def test_where_no_unit_is_left_the_verdict_is_open_and_says_why():
    found = qz.analyze([7.91, 8.42, 8.13, 9.04, 9.81, 8.77, 9.38], integers=(1, 8), **QUICK)
    assert found.verdict == "cannot tell"
    assert found.p_value == 1
    assert found.reasons[0].startswith("At no unit from 0.0475 to 0.95 can every reading have a ")
    assert "whole number from 1 to 8" in found.reasons[0]
    assert next(f.name for f in found.findings if f.blocks) == "integers"


@pytest.mark.slow
@pytest.mark.parametrize("whole", ["positive", (1, 8), (0, None)])
def test_the_keyword_means_what_the_model_means(whole):
    x = comb(3, 10)
    one = qz.analyze(x, integers=whole, **QUICK)
    other = qz.analyze(x, model=qz.MixtureModel(integers=whole), **QUICK)
    assert one.log_bayes_factors == other.log_bayes_factors
    assert one.alternatives.equals(other.alternatives)
    fitted = qz.fit_mixture(x, integers=whole)
    assert fitted.model.integers == whole
    assert fitted.unit == qz.fit_mixture(x, model=qz.MixtureModel(integers=whole)).unit
    said = list(whole) if isinstance(whole, tuple) else whole
    assert one.to_dict()["settings"]["integers"] == said
    assert fitted.to_dict()["settings"]["integers"] == said


@pytest.mark.parametrize("function", [qz.analyze, qz.fit_mixture])
def test_beside_a_model_it_is_refused(function):
    with pytest.raises(InputError, match="`integers` are part of `model`; give them there"):
        function(comb(3, 10), integers=(1, 8), model=qz.MixtureModel())


BAD = {
    "`integers` is \\(8, 1\\); the first must be below": (8, 1),
    "`integers` is \\(-1, None\\); with the last number unknown the first must be 0": (-1, None),
    "only the last number can be None, unknown: give the first": (None, 8),
    "`integers` has 1.5; give whole numbers": (1.5, 8),
    "it must be 'any', 'positive' or a pair": 8,
}


@pytest.mark.parametrize("sentence", BAD)
def test_bad_whole_numbers(sentence):
    with pytest.raises(InputError, match=sentence):
        qz.analyze(comb(3, 10), integers=BAD[sentence])


@pytest.mark.parametrize(
    ("options", "name"), [({"window": (0, 9)}, "window"), ({"envelope": "normal"}, "envelope")]
)
def test_an_open_last_number_wants_a_flat_envelope(options, name):
    with pytest.raises(InputError, match=f"leave `{name}` out, or give the last number"):
        qz.MixtureModel(integers=(1, None), **options)


def test_counts_refuse_it():
    counts = qz.counts.Histogram(np.linspace(0, 9, 401), np.histogram(comb(1, 20_000), 400)[0])
    with pytest.raises(InputError, match="`integers` is said of single readings, and counts"):
        qz.analyze(counts, integers=(1, 8))
    many = np.tile(comb(1, 1000), 51)
    with pytest.raises(InputError, match="`integers` is given with 51,000 readings"):
        qz.analyze(many, integers=(1, 8))


def test_the_report_says_it(tmp_path, unrendered):
    found = qz.analyze(comb(3, 10), integers=(1, 8), **QUICK)
    page = found.report(tmp_path / "page.html").read_text("utf-8")
    assert "a whole number from 1 to 8 for every reading, said beforehand" in page


def test_the_advice_asks_for_whole_numbers_where_parts_of_the_unit_remain():
    rng = np.random.default_rng(20)
    x = (rng.integers(1, 6, 9) + 0.17 * rng.normal(size=9)).round(2)
    open_ = qz.analyze(x, **QUICK)
    wanted = (
        "If no reading can be more than 12 units, whatever the readings look like, say so "
        "(`integers=(1, 12)`): parts of the unit remain as rivals."
    )
    assert open_.verdict == "cannot tell"
    assert wanted in open_.advice
    # Said once, it is not asked for again; and a sample without such rivals does not ask.
    for found in (qz.analyze(x, integers=(1, 12), **QUICK), qz.analyze(comb(2), **QUICK)):
        assert not any("no reading can be more than" in sentence for sentence in found.advice)


@pytest.mark.slow
def test_a_run_takes_it_and_keeps_it_when_it_is_made_again():
    data = Path(qz.__file__).parent / "data"
    run = read_run(data / "invented_run.csv", data / "invented_apparatus.toml")
    found = run.analyze(integers=(-9, 30), **QUICK)
    assert found.settings["integers"] == (-9, 30)
    assert found.mixture.model.integers == (-9, 30)
    assert "a whole number from -9 to 30" in found.unit_range.reason


def test_every_group_of_a_table_takes_it():
    table = {"particle": ["A"] * 10, "value": comb(3, 10)}
    found = qz.analyze_groups(table, by="particle", value="value", integers=(1, 8), **QUICK)
    assert found.analysis("A").settings["integers"] == (1, 8)
    assert found.settings["integers"] == (1, 8)
