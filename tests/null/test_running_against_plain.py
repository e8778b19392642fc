"""The running evidence against every sum written out anew at each reading."""

import numpy as np
import pytest
from plain_running import PlainRunning

from quantize.null.running import RunningEvidence

BAND, WINDOW = (0.4, 2.5), (-6.0, 6.0)


def sharp(rng: np.random.Generator) -> np.ndarray:
    return rng.integers(-4, 5, 90) + rng.normal(0, 0.03, 90)


def from_sharp_to_wide(rng: np.random.Generator) -> np.ndarray:
    return rng.integers(-4, 5, 90) + rng.normal(0, np.linspace(0.02, 0.4, 90))


def uniform(rng: np.random.Generator) -> np.ndarray:
    return rng.uniform(-5, 5, 60)


@pytest.mark.parametrize("draw", [sharp, from_sharp_to_wide, uniform])
def test_every_null_is_that_of_the_plain_sums(draw):
    values = draw(np.random.default_rng(21))
    process, plain = RunningEvidence(BAND, WINDOW), PlainRunning(BAND, WINDOW)
    left_out = False
    for number, value in enumerate(values, start=1):
        look = number <= 10 or number % 10 == 0
        found = process.update(value, look=look)
        expected = plain.update(value, look=look)
        left_out |= not process._levels.live.all()
        assert found == pytest.approx(expected, abs=1e-9, nan_ok=True)
        assert process.log_evidences[-1] == pytest.approx(plain.log_evidences[-1], abs=1e-9)
    assert left_out or draw is not sharp


def test_a_sigma_that_was_left_out_comes_back_when_the_readings_want_it():
    """Sixty sharp readings settle on a small sigma; wide ones then rule it out."""
    rng = np.random.default_rng(22)
    sharp_first = np.r_[np.repeat([-2.0, 1.0, 3.0], 20) + rng.normal(0, 0.02, 60)]
    process, plain = RunningEvidence(BAND, WINDOW), PlainRunning(BAND, WINDOW)
    for value in np.r_[rng.permutation(sharp_first), rng.uniform(-5.5, 5.5, 50)]:
        process.update(value, look=False)
        plain.update(value, look=False)
        if len(process._values) in (40, 60, 70, 90, 110):
            assert process._level_nulls() == pytest.approx(plain._level_nulls(), abs=1e-9)
