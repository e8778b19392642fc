"""The nulls behind the running evidence are all told, the one that limits it among them."""

from __future__ import annotations

import numpy as np
import pytest
from running_path import running_evidence
from scipy import integrate

SMOOTH = [10.3, 13.7, 11.1, 12.6, 11.9, 10.8, 13.2, 12.3]
UNIT_RANGE, WINDOW = (0.8, 2.5), (0.0, 20.0)
ENDS = "continuous: ends anywhere"


def test_the_null_that_limits_the_evidence_is_among_those_told() -> None:
    found = running_evidence(SMOOTH, UNIT_RANGE, WINDOW)
    every = found.log_evidences
    assert np.min(list(every.values()), axis=0) == pytest.approx(found.log_evidence)
    # Readings between 10 and 14 of a window of 20 are a shorter uniform, and not steps.
    assert min(every, key=lambda name: float(every[name][-1])) == ENDS
    # A uniform of any ends, integrated by scipy: density 2/20², likelihood (b − a)^−8.
    total, _ = integrate.dblquad(
        lambda b, a: 2 / 400 * (b - a) ** -8.0, 0, 10.3, 13.7, 20, epsabs=0, epsrel=1e-8
    )
    over_the_window = every["continuous: uniform"][-1] - every[ENDS][-1]
    assert over_the_window == pytest.approx(np.log(total) + 8 * np.log(20), abs=1e-6)


def test_a_null_without_a_density_yet_limits_nothing() -> None:
    path = running_evidence(SMOOTH, UNIT_RANGE, WINDOW).log_evidences[ENDS]
    # Two readings tell the ends of no uniform.
    assert path[:2].tolist() == [np.inf, np.inf]
    assert np.isfinite(path[-1])


def test_where_nobody_looked_nothing_is_told() -> None:
    found = running_evidence(SMOOTH, UNIT_RANGE, WINDOW, looks=[2, 8])
    looked = [False, True, False, False, False, False, False, True]
    assert (~np.isnan(found.log_evidence)).tolist() == looked
    for path in found.log_evidences.values():
        assert (~np.isnan(path)).tolist() == looked
