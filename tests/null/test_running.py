"""The running evidence: fair predictions, the promise under optional stopping, bad input."""

import copy

import numpy as np
import pytest
from numpy.testing import assert_allclose
from running_path import running_evidence
from scipy.stats import binom

from quantize import InputError, Readings
from quantize.null.running import RunningEvidence

UNIT_RANGE, WINDOW = (0.4, 2.5), (-6.0, 6.0)


def comb_log_likelihood(process, x):
    comb = process._comb
    before = comb._log_comb.copy()
    comb.update(x)
    # A side that was given up predicts nothing.
    gain = comb._log_comb - np.where(np.isfinite(before), before, 0.0)
    return gain


@pytest.mark.parametrize(("seen", "live"), [((1.0, 1.1, -2.0), 1), ((1.0, 0.1, 2.1), 2)])
def test_every_prediction_is_a_density(seen, live):
    """The sum over the line: no unit, spread, occupancy or side of zero predicts more than one."""
    process = RunningEvidence((0.9, 1.2), WINDOW)
    for x in seen:
        process.update(x, look=False)
    grid = np.linspace(-8, 8, 801)
    total = 0.0
    for x in grid:
        total = total + np.exp(comb_log_likelihood(copy.deepcopy(process), x))
    mass = total * (grid[1] - grid[0])
    # Each tooth lends its mass only to the readings within one tooth of it.
    assert np.all(mass <= 1 + 1e-6)
    # The whole window comes first, then teeth from zero upwards, which -2 rules out.
    assert np.all(mass[:live] > 0.98)


def test_mean_evidence_over_a_uniform_null_is_at_most_one():
    rng = np.random.default_rng(12)
    e = []
    for _ in range(80):
        process = RunningEvidence(UNIT_RANGE, WINDOW)
        for x in rng.uniform(*WINDOW, size=8):
            process.update(x, look=False)
        e.append(np.exp(process._comb.log_evidence() + 8 * np.log(12.0)))
    # Four standard errors: fails by chance three times in 100,000.
    assert np.mean(e) <= 1 + 4 * np.std(e) / np.sqrt(len(e))


@pytest.mark.slow
def test_chance_of_ever_passing_twenty_under_a_null():
    hits = 0
    for i in range(15):
        values = np.random.default_rng([13, i]).uniform(-5, 5, size=15)
        hits += running_evidence(values, UNIT_RANGE, WINDOW).crossed_at is not None
    # The promise is 5 %; more than this happens once in 10,000 times.
    assert hits <= binom.ppf(1 - 1e-4, 15, 0.05)


def test_a_comb_crosses_and_names_its_unit():
    rng = np.random.default_rng(14)
    values = rng.integers(-4, 5, size=25) + rng.normal(0, 0.08, size=25)
    found = running_evidence(values, UNIT_RANGE, WINDOW)
    assert found.crossed_at is not None
    assert found.unit == pytest.approx(1.0, abs=0.03)
    assert_allclose(
        found.log_evidence, np.min(list(found.log_evidences.values()), axis=0), rtol=1e-12
    )


def test_one_by_one_is_the_whole_page_and_looks_do_not_matter():
    values = [1.02, -2.03, 0.01, 3.05, -1.02, 1.95, -2.96]
    process = RunningEvidence(UNIT_RANGE, WINDOW)
    last = [process.update(x) for x in values][-1]
    found = running_evidence(values, UNIT_RANGE, WINDOW, looks=[7])
    assert found.log_evidence[-1] == last
    assert np.isnan(found.log_evidence[0])


def test_evidence_of_too_few_multiples_and_without_a_look_has_a_headline():
    """Fewer than three multiples: no comb counts, and the evidence is minus infinity."""
    two = running_evidence([1.02, 2.01], UNIT_RANGE, WINDOW)
    assert two.log_evidence.tolist() == [-np.inf, -np.inf]
    assert repr(two).startswith("<RunningResult: log evidence -inf after 2 readings, above 1/0.05")
    process = RunningEvidence(UNIT_RANGE, WINDOW)
    process.update(1.02, look=False)
    assert "no look at the evidence of 1 readings" in repr(process.result())


def test_a_reading_outside_the_window_is_refused():
    process = RunningEvidence(UNIT_RANGE, WINDOW)
    with pytest.raises(InputError, match="outside the window"):
        process.update(6.5)


def test_window_and_band_must_fit():
    with pytest.raises(InputError, match="`window` is"):
        RunningEvidence(UNIT_RANGE, (3.0, -3.0))
    with pytest.raises(InputError, match="above half the window"):
        RunningEvidence((7.0, 9.0), WINDOW)


def test_a_later_look_is_the_same_as_an_early_one():
    rng = np.random.default_rng(15)
    process, lazy = RunningEvidence(UNIT_RANGE, WINDOW), RunningEvidence(UNIT_RANGE, WINDOW)
    for x in rng.integers(-4, 5, size=14) + rng.normal(0, 0.06, size=14):
        log_evidence = process.update(x)
        lazy.update(x, look=False)
        assert lazy.passes(0.05) == (log_evidence >= -np.log(0.05))
    assert lazy.passes(0.05)


def test_only_the_first_reading_of_a_state_counts():
    process = RunningEvidence(UNIT_RANGE, WINDOW)
    one = process.update(1.02, state="a")
    assert process.update(0.97, state="a") == one
    plain = RunningEvidence(UNIT_RANGE, WINDOW)
    plain.update(1.02)
    assert process.update(-2.0, state="b") == plain.update(-2.0)


def test_evidence_does_not_depend_on_the_unit_of_measurement():
    """Coulombs are tiny; which groups of readings count is decided beside the largest of them."""
    values = np.array([1.02, -2.03, 0.01, 3.05, -1.02, 1.95, -2.96, 3.99, 1.02])
    one = running_evidence(values, UNIT_RANGE, WINDOW, looks=[9])
    for c in (1.6e-19, 1e4):
        scaled = running_evidence(
            c * values, np.multiply(c, UNIT_RANGE), np.multiply(c, WINDOW), looks=[9]
        )
        for name, path in one.log_evidences.items():
            assert scaled.log_evidences[name][-1] == pytest.approx(path[-1], abs=1e-6), name


@pytest.mark.parametrize("c", [1e-19, -1e-3, -1.0, 10.0])
def test_round_readings_and_teeth_on_the_edge_are_the_same_in_any_unit_and_sign(c):
    """Multiples of 0.1 stand where cells meet; of the smallest unit a tooth is at the edge."""
    values = np.array([1.0, -2.0, 0.0, 3.1, -1.0, 2.0, -3.0, 4.0, 1.5, -4.5])
    unit_range = (0.375, 2.3)
    one = running_evidence(values, unit_range, WINDOW, looks=[10])
    other = running_evidence(
        c * values, np.multiply(abs(c), unit_range), np.sort(np.multiply(c, WINDOW)), looks=[10]
    )
    assert other.log_evidences.keys() == one.log_evidences.keys()
    for name, path in one.log_evidences.items():
        assert other.log_evidences[name][-1] == pytest.approx(path[-1], abs=1e-6), name


def test_states_keep_their_labels_from_call_to_call():
    values, state = [1.02, -2.03, 0.01, 3.05, -1.02, 1.95], list("aabbcc")
    whole = RunningEvidence(UNIT_RANGE, WINDOW).read(Readings(values, state=state))
    parts, one_by_one = (RunningEvidence(UNIT_RANGE, WINDOW) for _ in range(2))
    for piece in (slice(3), slice(3, 6)):
        parts.read(Readings(values[piece], state=state[piece]))
    for value, label in zip(values, state, strict=True):
        one_by_one.update(value, state=label)
    assert parts.log_evidence == one_by_one.log_evidence == whole.log_evidence
    assert [len(each._values) for each in (whole, parts, one_by_one)] == [3, 3, 3]


@pytest.mark.parametrize("state", [["a"], float("nan")])
def test_a_state_that_is_no_label_leaves_the_evidence_as_it_is(state):
    process = RunningEvidence(UNIT_RANGE, WINDOW)
    process.update(1.02, state="a")
    with pytest.raises(InputError, match=r"`state` is (\['a'\]|nan); give a word"):
        process.update(2.0, state=state)
    assert process._values == [1.02]
    assert len(process.log_evidence) == 1


def test_the_heaped_null_explains_heaped_values():
    """A third on whole numbers: the heaps tell more than a comb of a few per cent spread."""
    rng = np.random.default_rng(16)
    values = rng.normal(0, 1.8, 80)
    values = np.where(rng.random(80) < 1 / 3, np.round(values), values)
    found = running_evidence(np.clip(values, -5.9, 5.9), UNIT_RANGE, WINDOW, looks=[80])
    last = {name: path[-1] for name, path in found.log_evidences.items()}
    heaped = min(value for name, value in last.items() if name.startswith("heaped"))
    assert heaped < 0
    assert heaped < last["continuous: uniform"]
