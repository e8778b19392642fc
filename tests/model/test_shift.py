"""A shift that readings share is integrated over: the average over shifts, taken by hand."""

import numpy as np
import pytest
from scipy import stats

import quantize as qz
from quantize.shared_shift import SharedShift

UNIT_RANGE = (0.85, 1.2)
ERROR, TRUE, SIGMA = 0.12, 0.1, 0.06
K = np.array([2, 9, 7, 2, 3, 9, 5, 4, 6, 5])
OF_STATE, STATE = np.repeat([2, 9, 7, 4, 3], 2), np.repeat(np.arange(5), 2)
EQUAL = np.full(10, 0.8)
UNEQUAL = np.array([1.0, 1.0, 0.5, 1.0, 1.6, 1.0, -0.7, 0.0, 1.3, 0.9])
"""The least and the largest readings have the same, so that a shift keeps the window."""
OF_STATES = np.repeat([1.0, 1.0, 0.5, 1.6, -0.7], 2)
WITHIN_STATES = np.array([1.0, 1.0, 1.0, 1.0, 0.5, 1.6, 1.3, -0.7, 0.0, 0.9])


def readings(lever, degrees=np.inf, *, states=False, **columns):
    """A comb of unit 1, moved by 0.1 times the levers; seed chosen once."""
    rng = np.random.default_rng(4)
    k = OF_STATE if states else K
    if states:
        columns["state"] = STATE
    return qz.Readings(
        k + TRUE * lever + SIGMA * rng.normal(size=10),
        shift=SharedShift(error=ERROR, lever=lever, degrees_of_freedom=degrees),
        **columns,
    )


def by_hand(data, model):
    """Fits of the readings moved back by many shifts, weighted by prior times evidence.

    Steps widen from the middle; the laws of the shift are those of scipy. About the truth a step is
    half a standard deviation of the shift given the readings, or less: twice as many change log
    evidences by 1e-5, a hundredth of what is allowed, and nothing else by a tenth of it.
    """
    shift = data.shift
    normal = np.isinf(shift.degrees_of_freedom)
    law = stats.norm(0, ERROR) if normal else stats.t(shift.degrees_of_freedom, 0, ERROR)
    points = 30 if normal else 100
    x = np.linspace(-1, 1, points + 1) * np.arcsinh(6 if normal else 60)
    s = ERROR * np.sinh(x)
    weight = law.pdf(s) * ERROR * np.cosh(x) * (x[1] - x[0])
    assert weight.sum() == pytest.approx(1, abs=1e-5)
    fits = [
        qz.fit_mixture(
            data.replace(values=data.values - one * shift.lever, shift=None),
            UNIT_RANGE,
            model=model,
        )
        for one in s
    ]
    comb, continuum = (
        np.array([getattr(fit, name) for fit in fits])
        for name in ("log_evidence", "log_evidence_continuum")
    )
    log_comb, log_continuum = (
        np.logaddexp.reduce(np.log(weight) + each) for each in (comb, continuum)
    )
    share = weight * np.exp(comb - log_comb)
    share /= share.sum()
    units, errors = np.array([(fit.unit, fit.unit_err) for fit in fits]).T
    # Far from the truth a shift may have another mode; it is none of the best one.
    share *= np.abs(units / np.average(units, weights=share) - 1) < 0.05
    share /= share.sum()
    unit = share @ units
    return {
        "log_bayes_factor": log_comb - log_continuum,
        "log_evidence": log_comb,
        "unit": unit,
        "unit_err": np.sqrt(share @ (errors**2 + (units - unit) ** 2)),
        "shift": share @ s,
        "shift_err": np.sqrt(share @ s**2 - (share @ s) ** 2),
    }


CASES = {
    "equal levers": (readings(EQUAL), {}),
    "equal levers, few degrees of freedom": (readings(EQUAL, 4), {}),
    "unequal levers": (readings(UNEQUAL), {}),
    "unequal levers, few degrees of freedom": (readings(UNEQUAL, 4), {}),
    "sigma unknown": (readings(UNEQUAL), {"sigma": (0.02, 0.3)}),
    "given sigmas": (readings(UNEQUAL, sigma=np.linspace(0.05, 0.08, 10)), {"sigma": None}),
    "states": (readings(OF_STATES, states=True), {}),
    "states, sigma unknown": (readings(OF_STATES, 6, states=True), {"sigma": (0.02, 0.3)}),
    "within states": (readings(WITHIN_STATES, states=True), {}),
    "within states, sigma unknown": (
        readings(WITHIN_STATES, 6, states=True),
        {"sigma": (0.02, 0.3)},
    ),
    "outliers": (readings(UNEQUAL), {"outliers": 0.05}),
    "a window with its ends near": (readings(UNEQUAL), {"window": (1.4, 9.8)}),
    "a window and states": (
        readings(WITHIN_STATES, states=True),
        {"window": (1.4, 9.8), "outliers": 0.05},
    ),
    "an envelope": (readings(UNEQUAL), {"envelope": stats.norm(5, 3)}),
    "whole numbers": (readings(UNEQUAL), {"integers": (1, 10)}),
}


LONG = "states, sigma unknown"


@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=[pytest.mark.slow] * (name == LONG)) for name in CASES]
)
def test_a_shift_is_the_average_over_shifts(name):
    data, options = CASES[name]
    model = qz.MixtureModel(**({"sigma": SIGMA} | options))
    found = qz.fit_mixture(data, UNIT_RANGE, model=model)
    assert found.alternatives["share"].iloc[0] > 0.999
    expected = by_hand(data, model)
    assert found.log_bayes_factor == pytest.approx(expected["log_bayes_factor"], abs=1e-3)
    assert found.log_evidence == pytest.approx(expected["log_evidence"], abs=1e-3)
    assert found.unit == pytest.approx(expected["unit"], abs=0.01 * found.unit_err)
    assert found.unit_err == pytest.approx(expected["unit_err"], rel=0.01)
    row = found.parameters.set_index("parameter").loc["offset"]
    assert row["mean"] == pytest.approx(expected["shift"], abs=0.01 * row["sd"])
    assert row["sd"] == pytest.approx(expected["shift_err"], rel=0.02)
    assert found.integers.tolist() == (K if data.state is None else OF_STATE).tolist()


@pytest.mark.parametrize("columns", [{}, {"sigma": 0.06}])
def test_a_free_offset_takes_up_a_shift_of_all_alike(columns):
    data = readings(EQUAL, **columns)
    model = qz.MixtureModel(offset="free", sigma=None if columns else SIGMA)
    with_shift = qz.fit_mixture(data, UNIT_RANGE, model=model)
    without = qz.fit_mixture(data.replace(shift=None), UNIT_RANGE, model=model)
    assert with_shift.log_bayes_factor == without.log_bayes_factor
    assert with_shift.offset == without.offset
    assert with_shift.integers.tolist() == without.integers.tolist()
    near = [one.posterior.nearer_than_chance().tolist() for one in (with_shift, without)]
    assert near == [[True] * 10] * 2


def test_the_best_mode_is_near_all_readings_where_the_shift_is_taken_off():
    data = readings(UNEQUAL)
    assert qz.fit_mixture(data, UNIT_RANGE, sigma_range=SIGMA).posterior.nearer_than_chance().all()


def test_draws_and_replicated_readings_hold_the_shift(seed):
    data = readings(UNEQUAL)
    found = qz.fit_mixture(data, UNIT_RANGE, sigma_range=SIGMA)
    row = found.parameters.set_index("parameter").loc["offset"]
    drawn = found.draws(2000, rng=seed)["offset"]
    assert abs(drawn.mean() - row["mean"]) < 5 * row["sd"] / np.sqrt(2000)
    assert drawn.std() == pytest.approx(row["sd"], rel=0.1)
    # Taken again, the readings lie about unit·k + lever·shift, their errors anew.
    again = found.predictions(2000, rng=seed)
    expected = found.unit * K + UNEQUAL * row["mean"]
    assert np.abs(again.mean(axis=0) - expected).max() < 5 * 0.1 / np.sqrt(2000)


@pytest.mark.parametrize(
    ("lever", "offset", "sentence"),
    [
        (
            UNEQUAL,
            "free",
            "`offset` must be zero for readings with a shared shift that moves them by different "
            "amounts; leave `offset` out, or read the run with the fall apart.",
        ),
        (
            EQUAL,
            0.2,
            "`offset` is 0.2, but the readings share a shift, which stands in its place; leave "
            "`offset` out, and take a known offset off the readings.",
        ),
        (
            UNEQUAL,
            stats.norm(0, 0.1),
            "`offset` is norm(0, 0.1), but the readings share a shift, which stands in its place; "
            "leave `offset` out, and take a known offset off the readings.",
        ),
    ],
)
def test_an_offset_beside_a_shift_is_refused_in_one_sentence(lever, offset, sentence):
    with pytest.raises(qz.InputError) as caught:
        qz.fit_mixture(readings(lever), UNIT_RANGE, model=qz.MixtureModel(offset=offset))
    assert str(caught.value) == sentence
