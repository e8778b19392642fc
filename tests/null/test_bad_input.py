"""Input that cannot be used: one sentence that names the argument, never a bare traceback."""

import numpy as np
import pytest
from running_path import running_evidence

import quantize as qz
from quantize import InputError, Readings
from quantize.null.running import RunningEvidence

PAGE = [2.1, 3.9, 6.0, 8.1, 9.9, 14.0, 4.1, 11.9, 16.1, 6.1]
UNIT_RANGE = (1.2, 7.0)
QUICK = {"n_resamples": 99, "rng": 1}


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"offset": "fre"}, "`offset` is 'fre'"),
        ({"alpha": -3}, "`alpha` is -3"),
        ({"sigma_range": (0, 0.2)}, "`sigma_range` starts at 0"),
        ({"sigma_range": (0.3, 0.2)}, r"`sigma_range` is \(0.3, 0.2\)"),
    ],
)
def test_options_are_checked_wherever_they_are_given(options, message):
    with pytest.raises(InputError, match=message):
        qz.analyze(PAGE, UNIT_RANGE, **options)
    if "alpha" not in options:
        with pytest.raises(InputError, match=message):
            qz.null.without_each_state(PAGE, UNIT_RANGE, **options)


def test_readings_of_a_single_state_are_one_level():
    page = Readings([1.0, 1.1, 0.9, 1.2], state=["a"] * 4)
    with pytest.raises(InputError, match="the state is 'a' for every reading"):
        qz.analyze(page, n_resamples=19)


def test_one_sigma_is_as_good_as_a_pair():
    one, pair = (
        qz.analyze(PAGE, UNIT_RANGE, sigma_range=given, **QUICK) for given in (0.1, (0.1, 0.1))
    )
    assert one.p_values == pair.p_values
    assert one.log_bayes_factors == pair.log_bayes_factors


def test_a_statistic_that_fails_on_the_readings_is_refused():
    def broken(data):
        return np.full(len(data), np.nan if len(data) == 1 else 1.0)

    with pytest.raises(InputError, match="`statistic` returned"):
        qz.compare_null(PAGE, UNIT_RANGE, statistic=broken, n_resamples=99)
    with pytest.raises(InputError, match="`statistic` returned shape"):
        qz.compare_null(PAGE, UNIT_RANGE, statistic=lambda data: np.empty(0), n_resamples=99)


def test_ties_leave_the_counted_p_value():
    def nearly_constant(data):
        """Two on the readings, one or (once in two hundred data sets) zero on the resamples."""
        same = np.all(data == PAGE, axis=1)
        return np.where(same, 2.0, np.where(data[:, 0] > np.quantile(data[:, 0], 0.005), 1.0, 0.0))

    found = qz.compare_null(
        PAGE, UNIT_RANGE, null="smooth", statistic=nearly_constant, n_resamples=999, rng=1
    )
    assert found.p_value == 1 / 1000
    assert found.tail_p_value is None


def test_a_sigma_too_large_for_any_comb_shows_nothing():
    found = qz.analyze(Readings(PAGE, sigma=5.0), UNIT_RANGE, **QUICK)
    assert found.p_value == 1.0
    assert found.evidence.occupied_teeth == 0.0
    assert found.verdict == "cannot tell"


@pytest.mark.parametrize(
    ("shift", "wanted"), [pytest.param(1e6, "06", marks=pytest.mark.slow), (1e8, "08")]
)
def test_readings_far_from_where_multiples_are_counted_are_refused(shift, wanted):
    words = rf"needs more than .* for these 10 readings under .* lie 1e\+{wanted}"
    with pytest.raises(InputError, match=words) as refused:
        qz.analyze(np.array(PAGE) + shift, UNIT_RANGE, **QUICK)
    assert "or give an `offset` nearer to the readings: they lie" in str(refused.value)


def test_an_offset_near_the_readings_takes_them_back_to_the_origin():
    # So many digits show no step of the record; it is told.
    near, plain = (
        qz.analyze(Readings(np.array(PAGE) + at, resolution=0.1), UNIT_RANGE, offset=at, **QUICK)
        for at in (1e8, 0.0)
    )
    for name, ratio in near.log_bayes_factors.items():
        if "sums" not in name:
            assert ratio == pytest.approx(plain.log_bayes_factors[name], abs=1e-4)
    # Of sums that explain the readings alike rounding decides which sixty are summed.
    assert near.evidence.p_value == pytest.approx(plain.evidence.p_value, rel=1e-3)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"alpha": 5}, "`alpha` is 5"),
        ({"looks": 5}, "`looks` is 5"),
        ({"looks": [99]}, r"`looks` is \[99\]; none of them is among the 10 readings"),
        ({"sigma_range": (0, 1)}, "`sigma_range` starts at 0"),
    ],
)
def test_running_evidence_checks_its_options(options, message):
    with pytest.raises(InputError, match=message):
        running_evidence(PAGE, UNIT_RANGE, (0.0, 20.0), **options)
    with pytest.raises(InputError, match="`window` is"):
        RunningEvidence(UNIT_RANGE, 3)


def test_a_look_before_the_end_is_in_the_headline():
    found = running_evidence(PAGE, UNIT_RANGE, (0.0, 20.0), looks=[5, 99])
    assert "after 5 readings" in repr(found)
