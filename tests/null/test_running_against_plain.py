"""The running evidence against every sum written out anew at each reading."""

import numpy as np
import pytest
from plain_running import PlainRunning

from quantize.null.partitions import UNDERFLOW
from quantize.null.running import RunningEvidence
from quantize.null.running_levels import EXACT, NEGLIGIBLE, _groups, cell_edges

UNIT_RANGE, WINDOW = (0.4, 2.5), (-6.0, 6.0)


def sharp(rng: np.random.Generator) -> np.ndarray:
    return rng.integers(-4, 5, 90) + rng.normal(0, 0.03, 90)


def from_sharp_to_wide(rng: np.random.Generator) -> np.ndarray:
    return rng.integers(-4, 5, 90) + rng.normal(0, np.linspace(0.02, 0.4, 90))


def uniform(rng: np.random.Generator) -> np.ndarray:
    return rng.uniform(-5, 5, 60)


def close(found: dict[str, float], expected: dict[str, float], more: float) -> None:
    """No null smaller, and none larger by more than this but the negligible, which have a bound."""
    top = max(expected.values())
    for name, value in expected.items():
        least = found[name] - value
        assert least >= -1e-3 * (more > 1e-3) - 1e-9
        assert least <= more or value < top - NEGLIGIBLE


def above_zero(rng: np.random.Generator) -> np.ndarray:
    return rng.choice([0.1, 1.7, 2.2, 5.0], 70) + rng.normal(0, 0.1, 70)


@pytest.mark.parametrize("draw", [sharp, from_sharp_to_wide, uniform, above_zero])
def test_every_null_is_that_of_the_plain_sums(draw):
    values = draw(np.random.default_rng(21))
    process, plain = RunningEvidence(UNIT_RANGE, WINDOW), PlainRunning(UNIT_RANGE, WINDOW)
    live = process._levels.sigma.size
    for number, value in enumerate(values, start=1):
        look = number <= 10 or number % 10 == 0
        found = process.update(value, look=look)
        expected = plain.update(value, look=look)
        live = min(live, int(np.sum(process._levels._after == number)) or live)
        assert found == pytest.approx(expected, abs=1e-9, nan_ok=True)
        assert process.log_evidences[-1] == pytest.approx(plain.log_evidences[-1], abs=1e-9)
    assert live < process._levels.sigma.size or draw is not sharp


def test_a_sigma_that_was_left_out_comes_back_when_the_readings_want_it():
    """Sixty sharp readings settle on a small sigma; wide ones then rule it out."""
    rng = np.random.default_rng(22)
    sharp_first = np.r_[np.repeat([-2.0, 1.0, 3.0], 20) + rng.normal(0, 0.02, 60)]
    process, plain = RunningEvidence(UNIT_RANGE, WINDOW), PlainRunning(UNIT_RANGE, WINDOW)
    for value in np.r_[rng.permutation(sharp_first), rng.uniform(-5.5, 5.5, 50)]:
        process.update(value, look=False)
        plain.update(value, look=False)
        if len(process._values) in (40, 60, 70, 90, 110):
            more = 1e-9 if len(process._values) <= EXACT else 0.05
            close(process._level_nulls(-np.inf), plain._level_nulls(), more)


def levels_on_uniform(rng: np.random.Generator) -> np.ndarray:
    levels = rng.choice([-2.0, 0.3, 3.1], 240) + rng.normal(0, 0.05, 240)
    return np.where(rng.random(240) < 0.3, rng.uniform(-5, 5, 240), levels)


def wide(rng: np.random.Generator) -> np.ndarray:
    return rng.integers(-4, 5, 240) + rng.normal(0, 0.2, 240)


def sharp_and_many(rng: np.random.Generator) -> np.ndarray:
    return rng.integers(-4, 5, 240) + rng.normal(0, 0.05, 240)


@pytest.mark.parametrize("draw", [levels_on_uniform, wide, sharp_and_many])
def test_cells_of_many_readings_have_the_sum_over_every_cut(draw):
    """Between cells of a fraction of sigma: no null smaller, and none larger by five per cent."""
    values = draw(np.random.default_rng(23))
    process, plain = RunningEvidence(UNIT_RANGE, WINDOW), PlainRunning(UNIT_RANGE, WINDOW)
    for value in values:
        process.update(value, look=False)
        plain.update(value, look=False)
    found, expected = process._level_nulls(-np.inf), plain._level_nulls()
    assert min(len(cell_edges(np.sort(values), s)) for s in process._levels.sigma) < 200
    close(found, expected, 0.05)


def test_a_null_that_is_negligible_has_a_bound_that_changes_no_evidence():
    """Uniform on half of the window: levels are far behind, and looked at now and then."""
    values = np.random.default_rng(24).uniform(-0.5, 5.5, 260)
    process, plain = RunningEvidence(UNIT_RANGE, WINDOW), PlainRunning(UNIT_RANGE, WINDOW)
    for number, value in enumerate(values, start=1):
        found = process.update(value, look=number > 250)
        expected = plain.update(value, look=number == 260)
    assert found == pytest.approx(expected, abs=1e-9)
    assert np.sum(process._levels._after == 260) < process._levels.sigma.size
    for name, ratio in plain.log_evidences[-1].items():
        # The bound is on the null's evidence from above.
        assert process.log_evidences[-1][name] <= ratio + 1e-3


def test_readings_beside_a_gap_are_cells_of_their_own():
    sigma = 1.0
    values = np.sort(np.random.default_rng(25).uniform(0, 10, 110))
    cell, wide = np.floor(4 * (values - values[0]) / sigma), sigma / 4
    edges = [0]
    for i in range(1, values.size):
        mine = np.flatnonzero(cell == cell[i])
        before, after = mine[0] - 1, mine[-1] + 1
        beside = before < 0 or values[mine[0]] - values[before] > wide
        beside = beside or after == values.size or values[after] - values[after - 1] > wide
        if beside or mine[0] == i:
            edges.append(i)
    assert cell_edges(values, sigma).tolist() == [*edges, values.size]
    assert 40 < len(edges) < 100


@pytest.mark.parametrize("level", [-90.0, 90.0])
def test_groups_that_have_no_part_are_those_far_below_their_cells(level):
    """By the definition, one group after the other; in tiny units the cells weigh more than one."""
    rng = np.random.default_rng(17)
    values, edge = np.cumsum(rng.uniform(5, 25, 17)), np.r_[:9, 10, 12:18]
    table = level + 40 * np.arange(18)[:, None] + rng.normal(size=(18, 3))
    start, stop, found = _groups(values, edge, table)
    inside = np.r_[0.0, np.diff(edge) - 1, 0.0]
    base = {}
    for i, end in enumerate(edge[1:]):
        for j in range(i + 1):
            mine = values[edge[j] : end]
            cuts = 1 + (0.5 * (inside[j] + inside[j + 1]) if j else 0.0)
            base[i, j] = np.log(cuts) - 0.5 * np.sum((mine - mine.mean()) ** 2)
    cell = [base[i, i] + table[edge[i + 1] - edge[i]].min() for i in range(len(edge) - 1)]
    kept = []
    for i in range(len(cell)):
        most = [base[i, j] + table[edge[i + 1] - edge[j]].max() for j in range(i + 1)]
        parts = [m - sum(cell[j : i + 1]) > -UNDERFLOW for j, m in enumerate(most)]
        kept += [(i, j) for j in range(parts.index(True), i + 1)]
    assert len({j for _, j in kept}) == len(cell)
    assert len(kept) < 0.9 * len(base)
    assert list(zip(stop.tolist(), start.tolist(), strict=True)) == kept
    expected = [base[pair] + table[edge[pair[0] + 1] - edge[pair[1]]] for pair in kept]
    assert found == pytest.approx(np.array(expected), abs=1e-9)
