"""One state left out, groups by themselves, and the choice of null and unit_range."""

import numpy as np
import pytest

import quantize as qz
from quantize import InputError, Readings
from quantize.model.posterior import Posterior
from quantize.null import influence
from quantize.null.influence import only_in_the_pool, single_state

UNIT_RANGE = (0.4, 3.0)


def posterior(readings, unit_range=UNIT_RANGE) -> Posterior:
    return qz.fit_mixture(readings, unit_range).posterior


def comb_sample(seed=1, n=12, spread=0.05):
    rng = np.random.default_rng(seed)
    k = np.resize(np.arange(-4, 5), n)
    values = np.repeat(k, 2) + rng.normal(0, spread, 2 * n)
    return Readings(values, state=np.repeat([f"s{i}" for i in range(n)], 2))


@pytest.mark.slow
def test_left_out_p_is_that_of_the_page_without_the_state():
    sample = comb_sample()
    found = qz.null.without_each_state(sample, UNIT_RANGE)
    assert list(found) == list(sample.state_labels)
    rest = sample.select(sample.state != 3)
    assert found["s3"] == qz.analyze(rest, UNIT_RANGE, n_resamples=19).evidence.p_value


def test_readings_without_states_are_left_out_one_by_one():
    assert list(qz.null.without_each_state([1.0, 2.02, 2.98, 5.01, 7.0], UNIT_RANGE)) == [
        1,
        2,
        3,
        4,
        5,
    ]


@pytest.mark.slow
def test_a_page_with_states_says_whether_one_of_them_decides():
    strong = single_state(posterior(comb_sample(n=18, spread=0.03)), 0.05)
    assert not strong.warns
    assert "stays when any one" in strong.sentence
    # Three sizes alone: without any one of them nothing shows.
    rng = np.random.default_rng(2)
    values = np.repeat([1.0, 2.0, 3.0, 5.0], 5) + rng.normal(0, 0.01, 20)
    few = Readings(values, state=np.repeat(list("abcd"), 5))
    weak = single_state(posterior(few, (0.4, 2.0)), 0.05)
    assert weak.warns
    assert not weak.blocks
    assert single_state(posterior([1.0, 2.0, 3.0]), 0.05) is None


def test_the_verdict_carries_the_sentence():
    found = qz.analyze(comb_sample(), UNIT_RANGE, n_resamples=199, rng=1)
    assert found.verdict == "steps"
    assert "states" in [f.name for f in found.findings]


def test_steps_that_only_the_pool_shows_are_not_called_steps():
    rng = np.random.default_rng(3)
    # Eight particles, each with readings about one whole number of its own.
    place = np.repeat([1, 2, 3, 5, 6, 7, 8, 4], 4)
    values = place + rng.normal(0, 0.03, 32)
    group = np.repeat([f"particle {i}" for i in range(8)], 4)
    pooled = qz.analyze(values, (0.4, 3.0), n_resamples=199, rng=1)
    assert pooled.verdict == "steps"
    split = qz.analyze(values, (0.4, 3.0), group=group, n_resamples=199, rng=1)
    assert split.verdict == "cannot tell"
    assert any("None of the 8 groups shows steps by itself" in r for r in split.reasons)


def test_one_group_that_shows_steps_is_enough():
    rng = np.random.default_rng(4)
    values = np.r_[rng.integers(-4, 5, 20) + rng.normal(0, 0.05, 20), 1.0, 3.02, 2.0]
    group = ["a"] * 20 + ["b"] * 3
    found = only_in_the_pool(posterior(values), group, 0.05)
    assert not found.blocks
    assert "Steps show in a by itself" in found.sentence


@pytest.mark.parametrize(("best", "blocks"), [(0.0249, False), (0.0251, True)])
def test_each_of_two_groups_is_held_against_half_the_limit(best, blocks, monkeypatch):
    # Bonferroni: the best of two at alpha/2.
    p = iter([0.9, best])
    monkeypatch.setattr(influence, "_p_value", lambda *_: next(p))
    found = only_in_the_pool(posterior([1.0, 2.02, 2.98, 5.01, 7.0, 7.97]), list("aaabbb"), 0.05)
    assert found.blocks == blocks


def test_groups_must_fit_the_readings():
    with pytest.raises(InputError, match="`group` has 2 entries and there are 4 readings"):
        qz.analyze([1.0, 2.0, 3.0, 5.0], group=["a", "b"], n_resamples=19)


def test_sensitivity_lists_every_null_and_range():
    values = comb_sample().values
    found = qz.null.sensitivity(
        values, UNIT_RANGE, unit_ranges=[(0.3, 3.0), (4.0, 6.0)], n_resamples=99, rng=5
    )
    assert found.table["unit_range"].unique().tolist() == ["as analyzed", "0.3 to 3", "4 to 6"]
    assert {"smooth", "uniform", "normal", "lumpy", "levels: lumpy"} <= set(found.table["null"])
    assert found.largest()["as analyzed"] < 0.05
    # A range that leaves the unit out shows nothing.
    assert found.largest()["4 to 6"] > 0.05
    again = qz.null.sensitivity(
        values, UNIT_RANGE, unit_ranges=[(0.3, 3.0), (4.0, 6.0)], n_resamples=99, rng=5
    )
    assert again.table.equals(found.table)


@pytest.mark.parametrize(
    ("unit_range", "message"),
    [
        ((30, 60), r"starts at 30, above half the span .* show units from 1 to 4\.45"),
        ((0.2, 0.9), r"ends at 0\.9, below two recording steps of 0\.5; .* from 1 to 4\.45"),
    ],
)
def test_a_band_in_which_nothing_can_show_is_refused_with_one_that_can(unit_range, message):
    sample = Readings([1.0, 2.5, 4.0, 6.5, 9.9], resolution=0.5)
    with pytest.raises(InputError, match=message):
        qz.analyze(sample, unit_range, n_resamples=19)


def test_the_choices_are_drawn_with_a_mark_for_each_range():
    found = qz.null.sensitivity(
        comb_sample().values, UNIT_RANGE, unit_ranges=[(0.3, 3.0)], n_resamples=19, rng=5
    )
    axes = found.plot()
    drawn = {line.get_label(): len(line.get_xdata()) for line in axes.lines}
    assert drawn["as analyzed"] == drawn["0.3 to 3"] == found.table["null"].nunique()
    assert axes.get_yticklabels()[0].get_text() == "smooth"


def test_a_blank_label_of_a_group_is_no_group():
    values = [1.0, 2.02, 2.98, 5.01, 7.0, 7.97]
    with pytest.raises(InputError, match="`group` is blank at entry 5"):
        qz.analyze(values, (0.6, 3), group=[*"aabbb", float("nan")], n_resamples=19)
    with pytest.raises(InputError, match="`labels` is blank at entry 0"):
        qz.model.fit_two_units(values, (0.6, 3), labels=[None, *"aabbb"])


def test_a_group_wholly_off_the_scale_shows_no_steps():
    values = [1.0, 2.02, 2.98, 5.01, 7.0, 7.97, 4.0, 6.02]
    sample = Readings(values, beyond=[0] * 6 + [1, 1])
    found = qz.analyze(sample, (0.6, 3), group=list("aaaaaabb"), n_resamples=19)
    assert found.findings[-1].sentence == "Steps show in a by itself, and not only in the pool."


def with_a_misread_one(sign=1.0, scale=1.0):
    rng = np.random.default_rng(3)
    x = np.round(2.0 * rng.integers(1, 8, 24) + rng.normal(0, 0.08, 24), 2)
    x[5] = 8.66
    return sign * scale * x


@pytest.mark.parametrize("sigma", [None, 0.08])
@pytest.mark.parametrize(("sign", "scale"), [(1, 1), (-1, 1), (1, 1000), (-1, 1e-3)])
def test_a_reading_that_fits_no_whole_number_is_named(sign, scale, sigma):
    x = with_a_misread_one(sign, scale)
    assumed = qz.MixtureModel(sigma=None if sigma is None else sigma * scale)
    found = influence.misfits(qz.fit_mixture(x, (0.9 * scale, 8 * scale), model=assumed))
    assert f"reading 6 ({sign * 8.66 * scale:.6g}) fits no whole number" in found.sentence
    assert found.warns
    assert not found.blocks


def test_others_are_not_named_and_the_order_does_not_matter():
    x = with_a_misread_one()
    away = influence.off_the_comb(posterior(x, (0.9, 8)))
    turned = influence.off_the_comb(posterior(x[::-1], (0.9, 8)))
    assert np.flatnonzero(np.isfinite(away)).tolist() == [5]
    assert away == pytest.approx(turned[::-1], rel=1e-6, nan_ok=True)
    # By hand: its distance over the scatter of the others about their multiples of one unit.
    fit = qz.fit_mixture(x, (0.9, 8))
    rest = np.delete(x - fit.unit * np.rint(x / fit.unit), 5)
    assert away[5] == pytest.approx((8.66 - 4 * fit.unit) / np.sqrt(np.sum(rest**2) / 22), rel=1e-6)


def test_with_outliers_in_the_model_it_is_one_with_a_probability():
    fit = qz.fit_mixture(with_a_misread_one(), (0.9, 8), model=qz.MixtureModel(outliers=0.02))
    found = influence.misfits(fit)
    assert "reading 6 (8.66) is an outlier with a probability of > 99.9 %" in found.sentence


def test_several_misread_ones_do_not_hide_each_other():
    x = with_a_misread_one()
    x[[1, 9]] = 2.7, 11.3
    fit = qz.fit_mixture(x, (1.9, 8), model=qz.MixtureModel(sigma=0.08))
    assert "readings 10 (11.3), 2 (2.7), 6 (8.66) fit no" in influence.misfits(fit).sentence


@pytest.mark.slow
def test_normal_errors_are_hardly_ever_called_misfits():
    # 1 % of samples at most; more than 8 of 200 with a chance below 3e-4 (binomial).
    rng = np.random.default_rng(8)
    seen = 0
    for i in range(200):
        x = rng.integers(-4, 5, 14) + rng.normal(0, 0.06, 14)
        model = qz.MixtureModel(sigma=0.06 if i % 2 else None)
        seen += influence.misfits(qz.fit_mixture(x, UNIT_RANGE, model=model)) is not None
    assert seen <= 8


def test_the_answer_says_that_the_reading_fits_none_and_marks_its_number():
    found = qz.analyze(with_a_misread_one(), (0.9, 8), n_resamples=19, rng=1)
    assert found.verdict == "steps"
    assert any("fits no whole number" in reason for reason in found.reasons)
    assert "8.66   4 ?" in str(found)
    assert "fits no whole number" in found._repr_html_()
    assert "A question mark: there a reading fits no whole number" in str(found)


def test_where_most_fit_no_comb_none_is_singled_out():
    values = np.random.default_rng(0).uniform(0, 10, 30).round(2)
    found = qz.analyze(values, (1, 8), sigma_range=0.1, n_resamples=19, rng=1)
    assert [f.name for f in found.findings if f.blocks] == ["majority"]
    assert "misfit" not in {f.name for f in found.findings}


@pytest.mark.parametrize("offset", [0.0, "free"])
@pytest.mark.parametrize("scale", [1.0, -1.0, 1e3, -1e-3])
def test_the_reading_that_halves_the_unit_is_named(scale, offset):
    rng = np.random.default_rng(3)
    x = np.append(3.0 * rng.integers(1, 8, 24) + rng.normal(0, 0.05, 24), 10.45)
    x = scale * np.round(x + (1.0 if offset == "free" else 0.0), 2)
    found = qz.analyze(x, (0.9 * abs(scale), 5 * abs(scale)), offset=offset, n_resamples=19, rng=1)
    assert found.unit == pytest.approx(1.5 * abs(scale), rel=0.01)
    (lone,) = (f for f in found.findings if f.name == "lone")
    assert lone.warns
    assert lone.sentence.startswith(f"Reading 25 ({x[-1]:.6g}) alone makes the unit ")
    assert f"the other 24 are multiples of {2 * found.unit:.4g}" in lone.sentence
    assert ("from one offset" in lone.sentence) == (offset == "free")


def test_the_state_that_halves_the_unit_is_named():
    rng = np.random.default_rng(5)
    whole = np.repeat([2, 4, 6, 8, 10, 12, 14, 16, 18, 20, 22, 7], 3)
    state = np.repeat(list("abcdefghijkl"), 3)
    data = qz.Readings(1.5 * whole + rng.normal(0, 0.05, 36), state=state)
    assert influence.lone_reading(qz.fit_mixture(data, (0.9, 5))).sentence.startswith("State l ")
    rest = data.select(state != "l")
    assert influence.lone_reading(qz.fit_mixture(rest, (0.9, 5))) is None


@pytest.mark.slow
def test_a_comb_seldom_has_a_lone_reading():
    # By the condition fewer than 1 % of samples; more than 5 of 100 have odds of 1 to 1,800.
    seen, rng = 0, np.random.default_rng(8)
    for _ in range(100):
        x = rng.integers(1, 9, 14) + rng.normal(0, 0.08, 14)
        seen += influence.lone_reading(qz.fit_mixture(x, (0.3, 4))) is not None
    assert seen <= 5
