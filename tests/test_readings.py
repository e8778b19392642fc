"""Readings: checks at the border, states, printed decimals, and the reduction to levels."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

import quantize as qz
from quantize.readings import as_readings
from quantize.shared_shift import SharedShift

# One drop, thirteen charges in 1e-10 esu: R. A. Millikan, Phys. Rev. 32:349 (1911).
THIRTEEN = [19.66, 24.60, 29.62, 34.47, 39.38, 44.42, 49.41, 53.91, 59.12, 63.68, 68.65]
THIRTEEN += [78.34, 83.22]


def test_arrays_lists_and_series_are_the_same() -> None:
    forms: list[Any] = [
        THIRTEEN,
        tuple(THIRTEEN),
        np.array(THIRTEEN),
        pd.Series(THIRTEEN, index=range(5, 18)),
        np.ma.masked_invalid(THIRTEEN),
        np.array(THIRTEEN, dtype=object),
    ]
    for form in forms:
        assert qz.Readings(form).values.tolist() == THIRTEEN
        assert as_readings(form).values.tolist() == THIRTEEN


def test_arrays_are_read_only_copies() -> None:
    given_values = np.array(THIRTEEN)
    sample = qz.Readings(given_values, sigma=0.1)
    given_values[0] = -1
    assert sample.values[0] == 19.66
    assert sample.sigma is not None
    for array in (sample.values, sample.sigma):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 1
    with pytest.raises(AttributeError):
        sample.values = given_values  # type: ignore[misc]


@pytest.mark.parametrize(
    ("values", "options", "message"),
    [
        (
            [1.0, 2.0],
            {"sigma": 0.1, "relative_sigma": [1, 2]},
            "`sigma` and `relative_sigma` are both given; ",
        ),
        (
            [1.0, 2.0],
            {"relative_sigma": [1e-20, 2e-20]},
            "`relative_sigma` has the root mean square 1.58e-20; divide it by that, ",
        ),
        ([1.0, 2.0], {"relative_sigma": [1.0, 0.0]}, "`relative_sigma`"),
        ([], {}, "`values` is empty; give at least one reading."),
        ([1.0, np.nan], {}, "`values` is blank or NaN at entry 1; "),
        ([1.0, None], {}, "`values` is blank or NaN at entry 1; "),
        ([np.inf, 1.0, -np.inf], {}, "`values` is infinite at entry 0 (and 1 more); "),
        ([1.0, "lost"], {}, "`values` holds text"),
        ("3.1", {}, "`values` is text ('3.1'); "),
        ([1 + 2j], {}, "`values` holds complex numbers; "),
        ([True, False], {}, "`values` holds True and False; "),
        ([[1.0, 2.0]], {}, "`values` has 2 dimensions; "),
        (3.0, {}, "`values` has 0 dimensions; "),
        (np.ma.masked_equal([1.0, 2.0], 2.0), {}, "`values` is a masked array with masked"),
        ([1.0, 2.0], {"sigma": 0}, "`sigma` is 0 at entry 0; it must be above zero"),
        ([1.0, 2.0], {"sigma": [0.1, -0.2]}, "`sigma` is -0.2 at entry 1; "),
        ([1.0, 2.0], {"sigma": [0.1]}, "`sigma` has 1 entries and `values` has 2; "),
        ([1.0, 2.0], {"sigma": np.nan}, "`sigma` is blank or NaN"),
        ([1.0, 2.0], {"resolution": -1}, "`resolution` is -1 at entry 0; "),
        ([1.0, 2.0], {"state": ["a"]}, "`state` has 1 entries and `values` has 2; "),
        ([1.0, 2.0], {"state": ["a", None]}, "`state` is blank at entry 1; "),
        ([1.0, 2.0], {"state": [1.0, np.nan]}, "`state` is blank at entry 1; "),
        ([1.0, 2.0], {"state": "ab"}, "`state` must be a sequence"),
    ],
)
def test_bad_input_gets_one_sentence(values: Any, options: dict[str, Any], message: str) -> None:
    with pytest.raises(qz.InputError) as caught:
        qz.Readings(values, **options)
    assert str(caught.value).startswith(message)
    assert "\n" not in str(caught.value)
    assert str(caught.value).endswith(".")


@pytest.mark.parametrize(
    ("data", "message"),
    [
        ([3.1], "`readings` has 1 reading; at least 2 are needed to look for steps."),
        ([3.1, 3.1, 3.1], "every value of `readings` is 3.1; "),
        ([3.1, np.nan], "`readings` is blank or NaN at entry 1; "),
        (pd.DataFrame({"q": [1.0, 2.0], "s": [1.0, 2.0]}), "`readings` is a table with columns q"),
    ],
)
def test_estimators_refuse(data: Any, message: str) -> None:
    with pytest.raises(qz.InputError) as caught:
        as_readings(data)
    assert str(caught.value).startswith(message)


def test_type_errors_are_type_errors() -> None:
    for values in ("3.1", [1 + 2j], [True, False], ["a", "b"]):
        with pytest.raises(TypeError):
            qz.Readings(values)


def test_states_keep_their_labels_in_order_of_appearance() -> None:
    sample = qz.Readings([1.0, 2.0, 1.1], state=["b", "a", "b"])
    assert sample.state is not None
    assert sample.state.tolist() == [0, 1, 0]
    assert sample.state_labels == ("b", "a")
    kept = sample.select([False, True, True])
    assert kept.state_labels == ("a", "b")
    assert kept.values.tolist() == [2.0, 1.1]


@pytest.mark.parametrize(
    ("values", "step"),
    [
        (THIRTEEN, 0.01),
        ([3.0, 6.0], 1.0),
        ([10.0, 200.0], 1.0),
        ([0.5, 3.0], 0.1),
        ([1.6e-19, 3.24e-19], 1e-21),
        ([0.0, 0.0], None),
        ([0.1234567890123, 0.3], None),
    ],
)
def test_printed_resolution(values: list[float], step: float | None) -> None:
    found = qz.Readings(values).printed_resolution
    assert found == (None if step is None else pytest.approx(step, rel=1e-12, abs=0))


def test_rounding_step_prefers_what_is_given() -> None:
    assert qz.Readings([1.5, 2.5]).rounding_step == pytest.approx(0.1, rel=1e-12, abs=0)
    assert qz.Readings([1.5, 2.5], resolution=[0.5, 0.25]).rounding_step == 0.5


def test_span_and_reach() -> None:
    sample = qz.Readings([3.0, 5.0])
    assert (sample.span, sample.reach) == (2.0, 5.0)
    sample = qz.Readings([-3.0, 5.0])
    assert (sample.span, sample.reach) == (8.0, 8.0)


def test_to_dict_survives_json() -> None:
    sample = qz.Readings(THIRTEEN, sigma=0.1, state=list(range(13)), resolution=0.01)
    there = json.loads(json.dumps(sample.to_dict(), allow_nan=False))
    assert there["schema"] == "quantize.Readings/1"
    assert there["values"] == THIRTEEN
    assert there["state"] == [str(i) for i in range(13)]


# ---- levels ---------------------------------------------------------------------------------


@st.composite
def samples(draw: st.DrawFn) -> tuple[list[float], list[int], list[float] | None]:
    n = draw(st.integers(2, 25))
    size = {"min_size": n, "max_size": n}
    values = draw(st.lists(st.floats(-1e3, 1e3).map(lambda v: round(v, 9)), **size))
    state = draw(st.lists(st.integers(0, 5), **size))
    sigma = draw(st.none() | st.lists(st.floats(0.01, 10), **size))
    return values, state, sigma


def direct_levels(
    values: Any, state: Any, sigma: Any
) -> tuple[dict[int, float], dict[int, float], float]:
    """Weighted means, their variance factors and the sum of squares, state by state."""
    x, s = np.asarray(values, dtype=float), np.asarray(state)
    w = np.ones(x.size) if sigma is None else 1 / np.asarray(sigma, dtype=float) ** 2
    mean = {k: float(np.average(x[s == k], weights=w[s == k])) for k in set(state)}
    factor = {k: 1 / float(w[s == k].sum()) for k in set(state)}
    scatter = sum(float(np.sum(w[s == k] * (x[s == k] - mean[k]) ** 2)) for k in set(state))
    return mean, factor, scatter


@given(samples())
def test_levels_are_weighted_means_and_sums_of_squares(sample: Any) -> None:
    values, state, sigma = sample
    readings = qz.Readings(values, state=state, sigma=sigma)
    levels = readings.levels()
    mean, factor, scatter = direct_levels(values, state, sigma)
    for j, label in enumerate(readings.state_labels):
        assert levels.mean[j] == pytest.approx(mean[label], rel=1e-9, abs=1e-9)
        assert levels.factor[j] == pytest.approx(factor[label], rel=1e-12, abs=0)
        assert levels.count[j] == state.count(label)
    assert levels.scatter == pytest.approx(scatter, rel=1e-8, abs=1e-6 * levels.factor.min() ** -1)
    assert levels.degrees == len(values) - len(set(state))
    assert levels.sigma_given is (sigma is not None)
    assert [readings.state_labels[j] for j in levels.index] == state


@given(samples(), st.randoms(use_true_random=False))
def test_permuting_the_readings_keeps_the_levels(sample: Any, random: Any) -> None:
    values, state, sigma = sample
    order = list(range(len(values)))
    random.shuffle(order)
    one = qz.Readings(values, state=state, sigma=sigma)
    two = qz.Readings(
        [values[i] for i in order],
        state=[state[i] for i in order],
        sigma=None if sigma is None else [sigma[i] for i in order],
    )
    a, b = one.levels(), two.levels()
    where = [two.state_labels.index(label) for label in one.state_labels]
    np.testing.assert_allclose(b.mean[where], a.mean, rtol=1e-12, atol=1e-9)
    np.testing.assert_allclose(b.factor[where], a.factor, rtol=1e-12)
    np.testing.assert_array_equal(b.count[where], a.count)
    assert b.scatter == pytest.approx(a.scatter, rel=1e-9, abs=1e-6 / a.factor.min())


@given(
    st.lists(st.integers(-200, 200), min_size=3, max_size=20),
    st.sampled_from([2.0**30, -(2.0**40), 2.0**44]),
)
def test_a_huge_offset_costs_no_digits(eighths: list[int], offset: float) -> None:
    # Multiples of 1/8 stay exact when a power of two up to 2**44 is added to them.
    near = np.array(eighths) / 8
    state = [i % 2 for i in range(near.size)]
    there = qz.Readings(near, state=state).levels()
    far = qz.Readings(near + offset, state=state).levels()
    assert far.scatter == pytest.approx(there.scatter, rel=1e-12, abs=1e-12)
    np.testing.assert_allclose(far.mean - offset, there.mean, atol=4 * np.spacing(abs(offset)))


def test_without_states_each_reading_is_its_own_level() -> None:
    levels = qz.Readings(THIRTEEN).levels()
    assert levels.mean.tolist() == THIRTEEN
    assert levels.factor.tolist() == [1.0] * 13
    assert (levels.scatter, levels.degrees) == (0.0, 0)


PLAIN = [2.1, 3.9, 6.0, 8.1, 9.9, 14.0, 4.1, 11.9, 16.1, 6.1]
SAID = {"sigma": 0.1, "state": list("abcdegbfhc"), "resolution": 0.05, "unit_name": "div"}
DRAWN = {"n_resamples": 19, "rng": 1}


@pytest.mark.parametrize(
    "ask",
    [
        lambda x, **said: qz.analyze(x, (1.2, 7), alpha=0.1, **DRAWN, **said),
        lambda x, **said: qz.periodogram(x, (1.2, 7), **said),
        lambda x, **said: qz.fit_comb(x, (1.2, 7), **said),
        lambda x, **said: qz.fit_mixture(x, (1.2, 7), **said),
        lambda x, **said: qz.sample_mixture(x, (1.2, 7), draws=20, chains=1, rng=1, **said),
        lambda x, **said: qz.compare_null(x, (1.2, 7), **DRAWN, **said),
        lambda x, **said: qz.null.sensitivity(x, (1.2, 7), **DRAWN, **said),
    ],
)
def test_what_is_said_of_plain_values_in_the_call_is_as_if_readings_said_it(ask: Any) -> None:
    assert ask(PLAIN, **SAID).to_dict() == ask(qz.Readings(PLAIN, **SAID)).to_dict()
    with pytest.raises(
        qz.InputError, match=r"`sigma` goes with plain values, and `readings` is Readings already"
    ):
        ask(qz.Readings(PLAIN), sigma=0.1)
    counts = qz.counts.Histogram([0, 1, 2, 3, 4], [5, 1, 5, 1])
    with pytest.raises(qz.InputError, match=r"and `readings` is Histogram already"):
        ask(counts, sigma=0.1)
    with pytest.raises(qz.InputError, match=r"`sigma` has 2 entries and `readings` has 10"):
        ask(PLAIN, sigma=[0.1, 0.2])
    with pytest.raises(TypeError, match=r"\(\) has no option `sigmas`; use sigma=\."):
        ask(PLAIN, sigmas=0.1)


def test_an_option_that_there_is_not_is_answered_with_the_one_that_is_meant() -> None:
    with pytest.raises(qz.InputTypeError, match=r"^analyze\(\) has no option `unitrange`; use un"):
        qz.analyze(PLAIN, unitrange=(1, 2))
    with pytest.raises(qz.InputTypeError, match=r"use one of readings, unit_range, offset, .*rng"):
        qz.analyze(PLAIN, zzz=1)
    with pytest.raises(qz.InputTypeError, match=r"use model=MixtureModel\(offset=\.\.\.\)\.$"):
        qz.sample_mixture(PLAIN, offset="free")
    with pytest.raises(qz.InputTypeError, match="use checkpoint="):
        qz.analyze_groups({}, by="a", value="b", keep="file")


def test_a_table_and_back() -> None:
    sample = qz.Readings(PLAIN, **SAID, beyond=[0] * 9 + [1])
    frame = sample.to_frame()
    assert qz.Readings.from_frame(frame).to_dict() == sample.to_dict()
    assert qz.Readings(1000 * frame["values"]).unit_name is None
    named = frame.rename(columns={"values": "charge [pC]"})
    assert qz.Readings.from_frame(named, "charge [pC]").unit_name == "pC"
    with pytest.raises(qz.InputError, match="`value` is 'values', and the columns are charge"):
        qz.Readings.from_frame(named)


def test_the_shift_of_all_readings_stands_in_their_table(tmp_path: Path) -> None:
    drift = SharedShift(error=0.2, lever=np.arange(-5, 5) / 4, degrees_of_freedom=7)
    fall = SharedShift(error=0.3, lever=np.ones(10), also=drift)
    sample = qz.Readings(PLAIN, sigma=0.1, shift=fall)
    sample.to_frame().to_csv(tmp_path / "sample.csv", index=False)
    table = pd.read_csv(tmp_path / "sample.csv")
    assert qz.Readings.from_frame(table).to_dict() == sample.to_dict()
    chosen = qz.Readings.from_frame(table[table["values"] > 6].sort_values("values"))
    by_hand = sample.select(np.argsort(sample.values)[np.sort(sample.values) > 6])
    assert chosen.to_dict() == by_hand.to_dict()
    with pytest.raises(qz.InputError, match="`shift` has several errors; what moves"):
        qz.Readings.from_frame(table.assign(shift_error=[0.3] * 9 + [9]))


def test_running_evidence_says_how_far_it_is() -> None:
    evidence = qz.RunningEvidence((1.2, 4.0), (0, 20))
    assert repr(evidence) == "<RunningEvidence: 0 readings>"
    evidence.read(PLAIN)
    said = f"log evidence {evidence.log_evidence[-1]:.2f} after 10 readings"
    assert repr(evidence) == f"<RunningEvidence: {said}>"


def test_a_number_and_the_same_as_text_stay_two_states_when_written() -> None:
    sample = qz.Readings([1.1, 2.0, 3.5], state=[1, "1", 2])
    again = qz.Readings.from_dict(sample.to_dict())
    assert again.state is not None
    assert again.state.tolist() == [0, 1, 2]
