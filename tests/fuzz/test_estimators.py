"""Estimators and tests on readings of every magnitude: an answer without NaN, or one sentence."""

from __future__ import annotations

import math

import numpy as np
import pytest
from fuzzing import (
    ESTIMATOR_CASES,
    MAGNITUDES,
    ODD_NUMBERS,
    answer,
    cases,
    mostly,
    samples,
    unit_ranges,
    without_nan,
)
from hypothesis import given
from hypothesis import strategies as st

import quantize as qz
from quantize import Readings

pytestmark = pytest.mark.slow

OFFSETS = mostly(
    st.sampled_from(["zero", "free"]), st.one_of(st.sampled_from(["fre", 0.25]), ODD_NUMBERS)
)
SIGMAS = mostly(
    st.sampled_from([None, 0.003, 0.02, "each"]), st.sampled_from([1e-300, 1e-14, 1e300])
)
QUICK = {"n_resamples": 19, "rng": 5}

ESTIMATORS = {
    "periodogram": lambda r, unit_range, offset: qz.periodogram(r, unit_range, offset=offset),
    "fit_comb": lambda r, unit_range, offset: qz.fit_comb(r, unit_range, offset=offset),
    "fit_comb, robust": lambda r, unit_range, offset: qz.fit_comb(
        r, unit_range, offset=offset, loss="soft_l1"
    ),
    "fit_mixture": lambda r, unit_range, offset: qz.fit_mixture(r, unit_range, offset=offset),
    "compare_null": lambda r, unit_range, offset: qz.compare_null(
        r, unit_range, offset=offset, null="uniform", **QUICK
    ),
    "compare_null, smooth": lambda r, unit_range, offset: qz.compare_null(
        r, unit_range, offset=offset, null="smooth", **QUICK
    ),
    "p_value_bound": lambda r, unit_range, offset: qz.null.p_value_bound(
        5.0, r, unit_range, offset=offset
    ),
    "height_for": lambda r, unit_range, offset: qz.null.height_for(
        0.01, r, unit_range, offset=offset
    ),
    "analyze": lambda r, unit_range, offset: qz.analyze(r, unit_range, offset=offset, **QUICK),
    "without_each_state": lambda r, unit_range, offset: qz.null.without_each_state(
        r, unit_range, offset=offset
    ),
    "fit_two_units": lambda r, unit_range, offset: qz.model.fit_two_units(r, unit_range),
}
SLOW = {
    "analyze": 10,
    "compare_null, smooth": 5,
    "fit_mixture": 4,
    "fit_two_units": 10,
    "without_each_state": 10,
}
"""How many times fewer cases these are given."""


MAY_BE_NAN = (
    "Periodogram.unit_err",
    *(f"CombFit.{name}" for name in ("unit_err", "offset_err", "sigma", "integer_confidence")),
)
"""Where the docstring says so."""


@st.composite
def questions(draw: st.DrawFn) -> tuple[Readings | str, object, object]:
    sample = draw(samples(most=12))
    scale = float(np.max(np.abs(sample))) or 1.0
    sigma = draw(SIGMAS)
    if sigma == "each":
        sigma = list(np.linspace(0.002, 0.05, len(sample)) * scale)
    elif sigma is not None:
        sigma = sigma * scale if 0 < sigma * scale < math.inf else sigma
    state = draw(st.sampled_from([None, None, "pairs", "one"]))
    labels = (
        None if state is None else [i // 2 if state == "pairs" else 0 for i in range(len(sample))]
    )
    made = answer(lambda: Readings(sample, sigma=sigma, state=labels))
    return made, draw(unit_ranges(sample)), draw(OFFSETS)


@pytest.mark.parametrize("name", ESTIMATORS)
def test_an_answer_or_a_sentence(name: str) -> None:
    @cases(ESTIMATOR_CASES // SLOW.get(name, 1))
    @given(questions())
    def check(question: tuple[Readings | str, object, object]) -> None:
        readings, unit_range, offset = question
        if isinstance(readings, Readings):
            without_nan(
                answer(lambda: ESTIMATORS[name](readings, unit_range, offset)), but=MAY_BE_NAN
            )

    check()


@cases(ESTIMATOR_CASES // 40)
@given(
    samples(most=8),
    st.sampled_from([1e6, 1e9, -1e9, 1e12]),
    st.sampled_from(["periodogram", "fit_comb", "fit_mixture"]),
)
def test_far_from_where_multiples_are_counted(page, start, name) -> None:
    span = float(np.ptp(page)) or 1.0
    moved = answer(lambda: Readings(np.asarray(page) + start * span))
    if isinstance(moved, Readings):
        without_nan(answer(lambda: ESTIMATORS[name](moved, None, "free")), but=MAY_BE_NAN)


MODELS = st.fixed_dictionaries(
    {},
    optional={
        "offset": st.sampled_from(["zero", "free", 0.3]),
        "sigma": st.sampled_from([0.05, (0.01, 0.5)]),
        "noise": st.sampled_from(["constant", "proportional", "counting"]),
        "outliers": st.sampled_from([0.0, 0.1, "free"]),
        "envelope": st.sampled_from(["flat", "normal", "exponential", "levels"]),
        "integers": st.sampled_from(["any", "positive", (1, None), (1, 8), (3, 2)]),
        "window": st.sampled_from([(0.0, 9.0), (5.0, 5.0), (0.0, 1.0)]),
    },
)


@cases(ESTIMATOR_CASES // 20)
@given(MODELS)
def test_every_option_beside_every_other(options) -> None:
    sample = [1.02, 1.97, 4.04, 5.01]
    answer(lambda: qz.fit_mixture(sample, (0.6, 1.7), model=qz.MixtureModel(**options)))


@cases(ESTIMATOR_CASES)
@given(st.lists(ODD_NUMBERS, max_size=8), st.one_of(st.none(), ODD_NUMBERS), st.lists(ODD_NUMBERS))
def test_readings_are_finite_or_refused(values, sigma, state) -> None:
    made = answer(lambda: Readings(values, sigma=sigma, state=state or None))
    if isinstance(made, Readings):
        assert np.isfinite(made.values).all()
        assert made.sigma is None or (made.sigma > 0).all()


@cases(ESTIMATOR_CASES // 4)
@given(st.integers(0, 40), MAGNITUDES, st.integers(0, 2**20), st.one_of(st.none(), ODD_NUMBERS))
def test_counts(bins, width, total, start) -> None:
    rng = np.random.default_rng(total)
    counts = rng.multinomial(total, np.full(bins, 1 / bins)) if bins else []
    with np.errstate(all="ignore"):
        edges = answer(
            lambda: qz.counts.Histogram(
                (float(start or 0) if not isinstance(start, str) else 0)
                + width * np.arange(bins + 1),
                counts,
            )
        )
    if isinstance(edges, qz.counts.Histogram):
        without_nan(answer(lambda: qz.counts.fit_counts(edges, (3 * width, 9 * width))))
