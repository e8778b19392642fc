"""Parts of the nulls and of the wording, each against numbers worked out beside it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from running_path import running_evidence
from scipy import integrate

import quantize as qz
from quantize.null.partitions import most_probable_groups
from quantize.null.running_nulls import log_ends_anywhere, log_two_sided
from quantize.null.samplers import Uniform

PAGE = [2.1, 3.9, 6.0, 8.1, 9.9, 14.0, 4.1, 11.9, 16.1, 6.1]
UNIT_RANGE = (1.2, 4.0)


def test_the_fitted_uniform_is_unbiased_at_its_ends() -> None:
    # Range 4 of five values: widened by 6/4 to 6, half of the rest on each side.
    assert Uniform().fit(np.array([1.0, 2.0, 3.0, 4.0, 5.0])) == (0.0, pytest.approx(6.0))


def test_a_uniform_of_any_ends_against_an_integral() -> None:
    values, window = np.array([2.0, 2.5, 4.0]), (0.0, 7.0)
    # Ends a < 2 and b > 4 anywhere in the window: density 2/L², likelihood (b − a)^−3.
    total, _ = integrate.dblquad(lambda b, a: 2 / 49 * (b - a) ** -3.0, 0, 2, 4, 7)
    assert log_ends_anywhere(values, window) == pytest.approx(math.log(total), rel=1e-9)


def test_laplace_against_an_integral() -> None:
    values, window = np.array([2.0, 2.5, 4.0, 5.5]), (0.0, 7.0)

    def density(log_scale: float, place: float) -> float:
        scale = math.exp(log_scale)
        return math.exp(-float(np.abs(values - place).sum()) / scale) / (2 * scale) ** 4

    ends = math.log(7 / 60), math.log(7 / 2)
    total, _ = integrate.dblquad(density, 0, 7, *ends, epsabs=1e-8, epsrel=1e-4)
    mean = total / 7 / (ends[1] - ends[0])
    # The sum over places and scales is coarse: a tenth of a nit.
    assert log_two_sided(values, window) == pytest.approx(math.log(mean), abs=0.1)


def test_groups_do_not_depend_on_where_the_values_lie() -> None:
    values = np.array([1.0, 1.1, 4.0, 4.1, 9.0])
    groups = most_probable_groups(values, np.ones(5), 0.1)
    assert groups.tolist() == [0, 0, 1, 1, 2]
    assert most_probable_groups(values + 100, np.ones(5), 0.1).tolist() == groups.tolist()


def known_sigma(readings: object, **options: object) -> float | None:
    return qz.fit_mixture(readings, UNIT_RANGE, **options).posterior.known_sigma


def test_sigma_known_otherwise_than_through_the_comb() -> None:
    # Six states read twice, 0.1 on either side of their mean: s² = 6·(0.02)/6, and a mean of two
    # has s/sqrt(2).
    pairs = [x + d for x in (2.0, 4.0, 6.0, 8.0, 10.0, 12.0) for d in (-0.1, 0.1)]
    sample = qz.Readings(pairs, state=[i // 2 for i in range(12)])
    found = known_sigma(sample)
    assert found == pytest.approx(math.sqrt(0.02) / math.sqrt(2))
    assert known_sigma(sample.select(range(4))) is None
    told = qz.Readings(PAGE, sigma=0.2)
    assert known_sigma(told) == pytest.approx(0.2)
    assert known_sigma(PAGE, sigma_range=0.3) == 0.3


def test_looking_crosses_where_the_path_first_stands_above() -> None:
    found = running_evidence(PAGE * 2, UNIT_RANGE, (0, 20), alpha=0.05)
    path = found.log_evidence
    first = next(i for i, v in enumerate(path) if v >= math.log(20))
    assert found.crossed_at == first + 1
    assert found.unit == pytest.approx(2.0, rel=0.02)


def test_a_second_reading_of_a_state_changes_no_evidence() -> None:
    process = qz.RunningEvidence(UNIT_RANGE, (0, 20))
    for i, value in enumerate(PAGE):
        process.update(value, state=i)
    before, by_null = process.log_evidence[-1], process.log_evidences[-1]
    assert len(set(process.log_evidence)) > 5
    process.update(PAGE[0] + 0.05, state=0)
    assert process.log_evidence[-1] == before
    assert process.log_evidences[-1] == by_null


@pytest.mark.parametrize("offset", ["zero", "free"])
def test_a_sigma_that_is_known_nearly_is_as_good_as_known(offset: str, rng) -> None:
    # Its support has several nodes, of which each says what the one of a known sigma says.
    start = 0.3 if offset == "free" else 0.0
    x = start + rng.integers(1, 8, 14) + rng.normal(0, 0.05, 14)
    known, nearly = (
        qz.analyze(
            x, (0.6, 2.0), offset=offset, sigma_range=sigma, n_resamples=19, rng=1
        ).evidence.log_bayes_factors
        for sigma in (0.05, (0.0499, 0.0501))
    )
    # A sigma that is not known allows lumps and heaps other widths.
    same = [name for name in known if not name.startswith(("unequal", "heaped"))]
    assert len(same) > 14
    for name in same:
        assert nearly[name] == pytest.approx(known[name], abs=0.1), name
