"""Two errors that all readings share, in posterior and evidence, against normal laws."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from scipy import stats
from scipy.integrate import quad

import quantize as qz
from quantize.model import averaged, quadrature
from quantize.model.averaged import SummedPosterior, over_shift
from quantize.null.evidence import averaged_evidence, level_evidence, nothing_shows
from quantize.shared_shift import SharedShift

N = np.array([2, 3, 4, 5, 6, 7, 8, 9, 3, 5, 7, 4])
UNIT, SIGMA = 10.0, 0.3
UNIT_RANGE = (6.0, 16.0)
PLACE = np.linspace(-0.5, 0.5, N.size)


def readings(
    error: float = 0.0, drift: float = 0.0, shift: SharedShift | None = None
) -> qz.Readings:
    """Readings of known scatter that lie `error` too low, and drift."""
    noise = SIGMA * np.random.default_rng(1).normal(size=N.size)
    values = UNIT * N + noise - error - drift * PLACE
    return qz.Readings(values, sigma=SIGMA, resolution=1e-6, shift=shift)


def shift(error: float, drift: float = 0.0, degrees: float = math.inf) -> SharedShift:
    second = SharedShift(error=drift, lever=PLACE, degrees_of_freedom=degrees) if drift else None
    return SharedShift(error=error, lever=np.ones(N.size), degrees_of_freedom=degrees, also=second)


def by_hand(data: qz.Readings, error: float, drift: float = 0.0) -> tuple[float, float]:
    """Generalised least squares of the unit, the whole numbers known."""
    covariance = SIGMA**2 * np.eye(N.size) + error**2 + drift**2 * np.outer(PLACE, PLACE)
    weight = np.linalg.solve(covariance, N)
    variance = 1 / float(N @ weight)
    return variance * float(weight @ data.values), math.sqrt(variance)


@pytest.mark.parametrize(
    ("error", "drift"), [(0.2, 0.0), (1.0, 0.0), (0.05, 0.0), (0.4, 1.5), (1.0, 0.3)]
)
def test_the_unit_is_that_of_generalised_least_squares(error: float, drift: float) -> None:
    data = readings(0.7 * error, -0.8 * drift, shift(error, drift))
    found = qz.fit_mixture(data, UNIT_RANGE)
    unit, spread = by_hand(data, error, drift)
    assert found.unit == pytest.approx(unit, abs=0.05 * spread)
    assert found.unit_err == pytest.approx(spread, rel=0.02)
    assert found.integers.tolist() == N.tolist()
    assert len(found.alternatives) == 1
    low, high = found.interval(0.95)[0]
    half = stats.norm.ppf(0.975) * spread
    assert (low, high) == pytest.approx((unit - half, unit + half), abs=0.12 * spread)
    drawn = found.draws(4000, rng=1)["unit"]
    # Five standard errors of a standard deviation from 4000 draws.
    assert drawn.std() == pytest.approx(spread, rel=0.04 + 5 / math.sqrt(8000))
    table = found.integer_probabilities
    assert table.groupby("reading")["probability"].sum().to_numpy() == pytest.approx(1, abs=1e-3)


@pytest.mark.slow
def test_the_evidence_is_the_average_over_the_second_error() -> None:
    # Sum over many sizes of the drift, the readings moved back by hand.
    error, drift = 0.4, 1.5
    data = readings(0.7 * error, -0.8 * drift, shift(error, drift))
    found = qz.fit_mixture(data, UNIT_RANGE)
    z = np.linspace(-4.5, 4.5, 61)
    fits = [
        qz.fit_mixture(
            data.replace(values=data.values - one * drift * PLACE, shift=shift(error)), UNIT_RANGE
        )
        for one in z
    ]
    weight = np.log(stats.norm.pdf(z) * (z[1] - z[0]))
    comb = np.logaddexp.reduce([fit.log_evidence for fit in fits] + weight)
    continuum = np.logaddexp.reduce([fit.log_evidence_continuum for fit in fits] + weight)
    assert found.log_evidence == pytest.approx(comb, abs=0.03)
    assert found.log_bayes_factor == pytest.approx(comb - continuum, abs=0.03)


def test_a_sum_over_shifts_and_a_lattice_of_them_agree(monkeypatch: pytest.MonkeyPatch) -> None:
    data = readings(0.3, 0.0, shift(0.4))
    one = qz.fit_mixture(data, UNIT_RANGE)
    monkeypatch.setattr("quantize.model.posterior.MOST_WITH_SHIFT", 10)
    two = qz.fit_mixture(data, UNIT_RANGE)
    assert isinstance(two.posterior, SummedPosterior)
    assert not isinstance(one.posterior, SummedPosterior)
    assert two.unit == pytest.approx(one.unit, abs=0.002 * one.unit_err)
    assert two.unit_err == pytest.approx(one.unit_err, rel=0.005)
    assert two.log_evidence == pytest.approx(one.log_evidence, abs=1e-3)
    assert two.log_bayes_factor == pytest.approx(one.log_bayes_factor, abs=1e-3)
    offset = [fit.parameters.set_index("parameter").loc["offset"] for fit in (one, two)]
    assert offset[1]["mean"] == pytest.approx(offset[0]["mean"], abs=0.01 * offset[0]["sd"])
    assert offset[1]["sd"] == pytest.approx(offset[0]["sd"], rel=0.01)
    drawn = [fit.draws(4000, rng=1)["offset"] for fit in (one, two)]
    assert drawn[1].std() == pytest.approx(drawn[0].std(), rel=0.15)


def test_small_second_errors_change_nothing() -> None:
    one, two = (qz.fit_mixture(readings(0.1, 0.0, shift(0.2, d)), UNIT_RANGE) for d in (0.0, 1e-6))
    assert two.unit == pytest.approx(one.unit, rel=1e-6)
    assert two.unit_err == pytest.approx(one.unit_err, rel=1e-3)
    assert two.log_bayes_factor == pytest.approx(one.log_bayes_factor, abs=1e-3)


def test_evidence_is_averaged_and_not_lost() -> None:
    # Ten standard deviations of a reading from the first to the last: as they stand, no steps.
    drift = 10 * SIGMA
    data = readings(0.0, drift)
    exact = level_evidence(qz.fit_mixture(data, UNIT_RANGE).posterior)
    shared = data.replace(shift=shift(1e-3, drift))
    found = level_evidence(qz.fit_mixture(shared, UNIT_RANGE).posterior)
    assert exact.log_bayes_factor < 0
    assert not exact.steps
    assert found.steps
    assert found.log_bayes_factor > 3


def test_an_average_of_one_or_of_equals_is_that_one() -> None:
    posterior = qz.fit_mixture(readings(), UNIT_RANGE).posterior
    one = level_evidence(posterior)
    for rows, weights in (([one], [1.0]), ([one, one], [0.3, 0.7])):
        found = averaged_evidence(rows, np.array(weights), posterior, 0.05)
        assert found.log_bayes_factors == pytest.approx(one.log_bayes_factors)
        assert found.score == pytest.approx(one.score)
        assert found.p_value == pytest.approx(one.p_value)
        assert found.steps == one.steps
    half = averaged_evidence([one], np.array([0.5]), posterior, 0.05)
    name = next(iter(one.log_bayes_factors))
    # Where the comb has no evidence half of the time, its odds are half as good.
    assert half.log_bayes_factors[name] == pytest.approx(one.log_bayes_factors[name] - math.log(2))


def test_an_average_over_shifts_at_which_no_comb_shows() -> None:
    posterior = qz.fit_mixture(readings(), UNIT_RANGE).posterior
    one = level_evidence(posterior)
    none = nothing_shows(posterior, 0.05)
    # Nowhere a comb: no steps, whatever the weights.
    nowhere = averaged_evidence([none, none], np.array([0.4, 0.6]), posterior, 0.05)
    assert (nowhere.p_value, nowhere.steps, nowhere.occupied_teeth) == (1.0, False, 0.0)
    assert set(nowhere.log_bayes_factors.values()) == {-math.inf}
    # Only at a half of the shifts: as if the others had not been worked out.
    mixed = averaged_evidence([none, one], np.array([0.5, 0.5]), posterior, 0.05)
    half = averaged_evidence([one], np.array([0.5]), posterior, 0.05)
    assert mixed.log_bayes_factors == pytest.approx(half.log_bayes_factors)
    assert mixed.p_value == pytest.approx(half.p_value)
    assert mixed.occupied_teeth == pytest.approx(one.occupied_teeth)


def test_two_errors_come_back_from_a_file() -> None:
    data = readings(0.0, 0.0, shift(0.2, 1.5, degrees=4.0))
    again = qz.Readings.from_dict(data.to_dict())
    assert again.shift is not None
    assert again.shift.also is not None
    assert again.shift.also.error == 1.5
    assert again.shift.also.degrees_of_freedom == 4.0
    assert again.shift.also.lever == pytest.approx(PLACE)
    few = data.select([0, 3]).shift
    assert few is not None
    assert few.also is not None
    assert few.also.lever == pytest.approx(PLACE[[0, 3]])


@pytest.mark.parametrize(("centre", "width"), [(0.8, 1.0), (-1.3, 0.3), (0.4, 0.05)])
def test_normal_prior_and_normal_readings(centre: float, width: float) -> None:
    found = over_shift(
        math.inf, 9, lambda z, _: z.tolist(), lambda z: -0.5 * ((z - centre) / width) ** 2
    )
    # N(0, 1) times N(centre, width): precision 1 + 1/width², and the evidence of the sum of both.
    precision = 1 + width**-2
    mean = centre * width**-2 / precision
    evidence = stats.norm.logpdf(centre, 0, math.sqrt(1 + width**2))
    evidence += math.log(width * math.sqrt(2 * math.pi))
    assert found.weight @ found.z == pytest.approx(mean, abs=1e-3)
    spread = math.sqrt(found.weight @ (found.z - mean) ** 2)
    assert spread == pytest.approx(precision**-0.5, rel=0.01)
    assert found.log_evidence == pytest.approx(evidence, abs=1e-3)
    # No two neighbours hold more than so much of it between them, while steps are halved.
    cells = (found.weight[1:] + found.weight[:-1]) / 2
    assert cells.max() <= 0.3


def test_long_tails_are_summed_up_to_their_ends() -> None:
    # Student's t of two degrees of freedom, cut at two hundred: ∫z²·pdf grows up to the very end.
    found = over_shift(2.0, 33, lambda z, _: z.tolist(), lambda z: 0.0)
    law = stats.t(2)
    square = 2 * sum(
        quad(lambda z: z**2 * law.pdf(z), *ends)[0] for ends in ((0, 10), (10, 100), (100, 200))
    )
    assert found.z[-1] == pytest.approx(200.0)
    assert found.weight @ found.z**2 == pytest.approx(square, rel=0.01)
    # One in 40,000 shifts is larger.
    assert found.log_evidence == pytest.approx(0.0, abs=1e-4)


def test_nodes_go_into_fewer_places_where_there_would_be_too_many(monkeypatch) -> None:
    """The mass of a node and its middle stay; ten cells across are ten places, or half of them."""
    arrays = {
        "log_mass": np.log([0.5, 0.3, 0.2]),
        "log_unit": np.array([0.0, 1.0, 2.0]),
        "cell": np.full(3, 0.01),
    }
    across = np.array([0.1, 0.1, 0.0])
    for most, places in ((1_000, [10, 10, 1]), (15, [5, 5, 1]), (1, [2, 2, 1])):
        monkeypatch.setattr(averaged, "_MOST_NODES", most)
        out = averaged._laid_out(arrays, across)
        mass = np.split(np.exp(out["log_mass"]), np.cumsum(places)[:-1])
        assert [part.size for part in mass] == places
        assert [part.sum() for part in mass] == pytest.approx([0.5, 0.3, 0.2])
        units = np.split(out["log_unit"], np.cumsum(places)[:-1])
        assert [part.mean() for part in units] == pytest.approx([0.0, 1.0, 2.0])
        assert np.ptp(units[0]) == pytest.approx(0.1 * (1 - 1 / places[0]))


def test_shifts_that_cannot_count_are_dropped_at_the_first_look(monkeypatch) -> None:
    """Beside a floor far above them nothing is searched; beside one below them nothing is lost."""
    looks = []
    sort_out = quadrature._Search._sorted_out
    monkeypatch.setattr(
        quadrature._Search,
        "_sorted_out",
        lambda self, todo: looks.append(todo.size) or sort_out(self, todo),
    )
    shift = SharedShift(error=0.5, lever=np.ones(N.size))
    page = qz.Readings(readings().values, sigma=0.1, resolution=1e-6, shift=shift)
    found = qz.fit_mixture(page, UNIT_RANGE).posterior
    where = np.linspace(-0.5, 0.5, 9), np.full(9, -math.log(9))
    everything = found.nodes_at(*where)
    best = max(
        float(nodes.log_mass.max(initial=-np.inf)) + nodes.log_continuum for nodes in everything
    )
    looks.clear()
    same = found.nodes_at(*where, best - math.log(9) - 1.0)
    assert len(looks) > 1
    for one, other in zip(same, everything, strict=True):
        assert np.array_equal(one.log_unit, other.log_unit)
        assert one.log_mass == pytest.approx(other.log_mass, abs=1e-12)
    looks.clear()
    none = found.nodes_at(*where, best + 1000.0)
    assert [nodes.log_mass.size for nodes in none] == [0] * 9
    assert len(looks) == 1


def moved_apart(error: float, sigma: float | None) -> tuple[qz.Readings, np.ndarray]:
    """Readings at two voltages in each state, whose shared error moves them far apart."""
    rng = np.random.default_rng(3)
    state = np.repeat(np.arange(8), 3)
    lever = rng.choice([1.0, 2.0], state.size)
    whole = np.array([3, 5, 2, 8, 7, 1, 4, 6])[state]
    values = UNIT * whole - 1.4 * error * lever + 0.5 * rng.normal(size=state.size)
    each = None if sigma is None else np.full(state.size, sigma)
    law = SharedShift(error=error, lever=lever)
    return qz.Readings(values, sigma=each, state=state, shift=law), whole


@pytest.mark.parametrize("error", [0.5, 5.0, 30.0])
@pytest.mark.parametrize("known", [True, False])
@pytest.mark.parametrize("scale", [-1e-3, 1.0])
def test_readings_of_a_state_far_apart_give_the_unit_of_least_squares(error, known, scale) -> None:
    data, whole = moved_apart(error, 0.5 if known else None)
    shift = dataclasses.replace(data.shift, error=error * abs(scale))
    each = None if data.sigma is None else data.sigma * abs(scale)
    data = qz.Readings(data.values * scale, sigma=each, state=data.state, shift=shift)
    found = qz.fit_mixture(data, (6.0 * abs(scale), 16.0 * abs(scale)))
    # The shift, and the scatter where it is not known, by hand: two columns, one of them shrunk.
    columns = np.column_stack([whole * np.sign(scale), shift.lever])
    rest = np.linalg.lstsq(columns, data.values, rcond=None)[1]
    sigma = each[0] if known else float(np.sqrt(rest[0] / (whole.size - 2)))
    prior = np.diag([0.0, (sigma / shift.error) ** 2])
    inverse = np.linalg.inv(columns.T @ columns + prior)
    unit, spread = (inverse @ columns.T @ data.values)[0], sigma * inverse[0, 0] ** 0.5
    assert found.unit == pytest.approx(unit, abs=0.1 * spread)
    assert found.unit_err == pytest.approx(spread, rel=0.1)


def test_readings_of_a_state_that_no_shared_error_explains_are_refused() -> None:
    data, _ = moved_apart(0.5, 0.5)
    values = data.values.copy()
    values[0] += 20.0
    with pytest.raises(qz.InputError, match="sigma apart, but a state has one whole number"):
        qz.fit_mixture(data.replace(values=values), UNIT_RANGE)
