"""The comb fitted to counts: gradient, information bound, coverage, known spectra."""

import dataclasses

import numpy as np
import pytest
from detectors import detector

import quantize as qz
from quantize.counts.histogram import find_modes
from quantize.counts.levels import Levels, maximise


def some_levels(rng):
    edges = np.arange(-4.0, 14.0, 0.25)
    x = rng.choice([0.0, 3.0, 6.0, 9.0], p=[0.4, 0.3, 0.2, 0.1], size=5000)
    x = x + rng.normal(size=5000) * np.sqrt(0.3 + 0.1 * x / 3)
    k = np.arange(4)
    return Levels(
        edges=edges,
        counts=np.histogram(x, edges)[0],
        places=np.column_stack([np.ones(4), k]),
        shift=np.zeros(4),
        spreads=np.column_stack([np.ones(4), k]),
        beta=np.array([0.1, 2.9]),
        gamma=np.array([0.4, 0.05]),
        amplitude=np.array([1500.0, 1500, 1000, 500]),
        background=50.0,
        floor=1e-6,
    )


@pytest.mark.parametrize("binned", [False, True])
def test_outer_levels_of_few_readings_are_not_cut_off(binned):
    # Least squares with the true whole numbers is unbiased (Gauss and Markov). Bins that end at the
    # last readings move the unit out by 0.6 of its standard error; 0.2 is what 25 samples allow.
    away = []
    for seed in range(25):
        rng = np.random.default_rng([5, seed])
        k = rng.integers(-4, 5, 100)
        x = k + 0.1 * rng.normal(size=100)
        edges = np.arange(-6, 6, 0.02)
        counted = qz.counts.Histogram(edges, np.histogram(x, edges)[0]) if binned else x
        least_squares, error = (k @ x) / (k @ k), 0.1 / np.sqrt(k @ k)
        away.append((qz.counts.fit_counts(counted, (0.9, 1.2)).unit - least_squares) / error)
    assert abs(np.mean(away)) < 0.2


@pytest.mark.parametrize("c", [1.0, 3.0, 1e-19])
def test_parts_of_the_unit_that_fit_as_well_do_not_take_its_place(c):
    """Which fit is the best of them hangs on the last bits, and of few counts no common divisor
    tells: of 150 readings six samples in fourteen had a half or a third."""
    edges = np.arange(-1.5, 12.51, 0.05)
    for seed in range(6):
        rng = np.random.default_rng([150, 3 * seed])
        x = rng.integers(1, 7, 150) + 0.1 * rng.normal(size=150)
        counted = qz.counts.Histogram(c * edges, np.histogram(x, edges)[0])
        assert abs(qz.counts.fit_counts(counted).unit / c - 1) < 0.05


def test_chi_square_takes_bins_together_until_five_counts_are_expected(rng):
    # Groups made by hand; every count is in one of them.
    levels = some_levels(rng)
    few = dataclasses.replace(levels, counts=np.arange(71) % 5, amplitude=levels.amplitude / 20)
    expected = few.expected()
    middle = next(i for i in range(71) if expected[: i + 1].sum() >= expected.sum() / 2)
    sides = [[[]], [[]]]
    for groups, places in zip(sides, (range(middle), range(70, middle, -1)), strict=True):
        for place in places:
            groups[-1].append(place)
            if sum(expected[groups[-1]]) >= 5:
                groups.append([])
    rest = [*sides[0].pop(), middle, *sides[1].pop()]
    if sum(expected[rest]) < 5:
        rest = [*sides[0].pop(), *rest, *sides[1].pop()]
    groups = [*sides[0], rest, *sides[1]]
    wanted = np.array([expected[each].sum() for each in groups])
    seen = np.array([few.counts[each].sum() for each in groups])
    assert wanted.min() >= 5
    assert len(groups) < 71
    assert seen.sum() == few.counts.sum()
    value, degrees = few.chi_square()
    assert value == pytest.approx(np.sum((seen - wanted) ** 2 / wanted))
    assert degrees == len(groups) - few.parameters


def test_derivatives_are_those_of_the_expected_counts(rng):
    # Central differences as oracle: their error is of the order of step² and rounding/step.
    levels = some_levels(rng)
    jacobian = levels.jacobian()
    for i in range(jacobian.shape[1]):
        step = np.zeros(jacobian.shape[1])
        step[i] = 1e-5
        up, down = levels.moved(step, least=0.0), levels.moved(-step, least=0.0)
        numeric = (up.expected() - down.expected()) / 2e-5
        np.testing.assert_allclose(jacobian[:, i], numeric, rtol=1e-4, atol=1e-4)


def test_scoring_climbs_to_where_the_score_is_zero(rng):
    start = some_levels(rng)
    best, value, converged = maximise(start, reach=0.6)
    assert converged
    assert value > start.log_likelihood()
    score = best.jacobian().T @ (best.counts / best.expected() - 1)
    # In units of the standard deviation of the score.
    assert np.abs(score / np.sqrt(np.diag(best.information()))).max() < 0.01
    # The expected counts add up to the counts.
    assert best.expected().sum() == pytest.approx(best.counts.sum(), rel=1e-3)


def test_amplitudes_by_expectation_and_maximisation_never_lose(rng):
    levels = some_levels(rng)
    values = [levels.log_likelihood()]
    for _ in range(10):
        levels = levels.amplitudes_by_em(1)
        values.append(levels.log_likelihood())
    assert np.all(np.diff(values) > -1e-6)


def information_bound(s0, s1, n, mean=2.2, gain=7.3):
    """Cramér-Rao bound of the gain when every reading's number of electrons were known.

    Normal readings of mean b + u·k and variance s0² + s1²·k: weighted regression (Kay,
    Fundamentals of Statistical Signal Processing, 1993, section 3.8). Not to know the numbers can
    only widen it.
    """
    k = np.arange(60)
    p = np.exp(
        -mean + k * np.log(mean) - np.array([np.sum(np.log(np.arange(1, i + 1))) for i in k])
    )
    w = p / (s0**2 + s1**2 * k)
    centre = (w @ k) / w.sum()
    return 1 / np.sqrt(n * (w @ (k - centre) ** 2))


@pytest.mark.slow
@pytest.mark.parametrize(("s0", "s1", "most"), [(0.5, 0.4, 1.05), (1.2, 0.5, 1.6)])
def test_gain_of_a_poisson_gauss_spectrum(s0, s1, most):
    # 40 spectra: the standard deviation of the error has a relative error of 0.11; 5 sigma.
    rng = np.random.default_rng(31)
    n, runs = 20_000, 40
    bound = information_bound(s0, s1, n)
    errors, stated = [], []
    for _ in range(runs):
        found = qz.counts.fit_counts(detector(rng, n, s0=s0, s1=s1), (3, 20), offset="free")
        errors.append(found.unit - 7.3)
        stated.append(found.unit_err)
        assert found.converged
    errors = np.array(errors)
    assert np.all(np.array(stated) > 0.97 * bound)
    assert np.mean(stated) < most * bound
    assert 0.45 < np.std(errors) / np.mean(stated) < 1.55
    assert abs(errors.mean()) < 5 * np.mean(stated) / np.sqrt(runs)


def test_noise_that_grows_and_background_are_found(rng):
    x = np.r_[detector(rng, 95_000, s0=0.6, s1=0.5), rng.uniform(0, 110, 5000)]
    found = qz.counts.fit_counts(x, (3, 20), offset="free", window=(0, 110))
    assert found.unit == pytest.approx(7.3, abs=5 * found.unit_err)
    assert found.sigma == pytest.approx(0.6, rel=0.05)
    assert found.sigma_growth == pytest.approx(0.5, rel=0.05)
    assert found.background == pytest.approx(0.05, rel=0.1)
    assert found.chi_square / found.degrees < 1.5
    pedestal = found.levels["position"].iloc[0]
    assert pedestal == pytest.approx(12, abs=0.05)
    share = found.levels["share"].to_numpy()[:4]
    poisson = np.exp(-2.2) * np.array([1, 2.2, 2.42, 2.2**3 / 6])
    np.testing.assert_allclose(share, 0.95 * poisson, rtol=0.05)


def test_both_signs_about_a_fixed_offset(rng):
    x = 2.5 * rng.integers(-5, 6, size=50_000)
    x = x + rng.normal(size=x.size) * np.sqrt(0.3**2 + 0.15**2 * np.abs(x / 2.5))
    found = qz.counts.fit_counts(x, (1.2, 10))
    assert found.unit == pytest.approx(2.5, abs=5 * found.unit_err)
    assert found.sigma == pytest.approx(0.3, rel=0.1)
    assert found.sigma_growth == pytest.approx(0.15, rel=0.1)
    assert found.levels["integer"].tolist() == list(range(-5, 6))
    assert found.alternatives["relation"].iloc[0] == "best"


def test_readings_spectrum_and_histogram_agree(rng):
    x = detector(rng, 60_000)
    flow = qz.counts.Spectrum((0.0, 110.0), (3.0, 20.0), offset="free").update(x)
    a = qz.counts.fit_counts(flow)
    b = qz.counts.fit_counts(flow.histogram, (3, 20), offset="free")
    c = qz.counts.fit_counts(x, (3, 20), offset="free", window=(0, 110))
    assert b.unit == pytest.approx(a.unit, abs=0.01 * a.unit_err)
    assert c.unit == pytest.approx(a.unit, abs=0.3 * a.unit_err)


def test_wide_bins_cost_little_because_the_mass_inside_is_exact(rng):
    x = detector(rng, 200_000, s0=1.2)
    edges = np.arange(0, 110, 1.8)
    found = qz.counts.fit_counts(
        qz.counts.Histogram(edges, np.histogram(x, edges)[0]), (5, 20), offset="free"
    )
    assert found.unit == pytest.approx(7.3, abs=5 * found.unit_err)
    assert found.sigma == pytest.approx(1.2, rel=0.05)


def test_scale_of_the_unit(rng):
    x = detector(rng, 30_000)
    one = qz.counts.fit_counts(x, (3, 20), offset="free")
    two = qz.counts.fit_counts(1.6e-19 * x, (3 * 1.6e-19, 20 * 1.6e-19), offset="free")
    assert two.unit == pytest.approx(1.6e-19 * one.unit, rel=1e-6, abs=0)
    assert two.unit_err == pytest.approx(1.6e-19 * one.unit_err, rel=1e-3, abs=0)


def test_a_smooth_density_never_turns_the_unit_over():
    # On the last of these two levels were once moved through each other, to a negative unit.
    x = np.random.default_rng([83, 20_000, 6]).normal(20, 5, (11, 20_000))[-1]
    found = qz.null.analyze_counts(x, (1.6, 20.0), offset="free")
    assert 1.6 <= found.unit <= 20
    assert found.verdict == "cannot tell"


def test_modes_are_found_without_the_comb(rng):
    centres = np.array([0.0, 3.1, 8.7, 15.5])
    x = rng.choice(centres, size=40_000) + 0.4 * rng.normal(size=40_000)
    edges = np.arange(-4, 20, 0.1)
    modes = find_modes(qz.counts.Histogram(edges, np.histogram(x, edges)[0]), 3.0)
    np.testing.assert_allclose(modes, centres, atol=0.05)
    smooth = rng.normal(size=40_000)
    edges = np.arange(-6, 6, 0.02)
    counts = qz.counts.Histogram(edges, np.histogram(smooth, edges)[0])
    for unit in (0.3, 0.6, 1.2, 2.4):
        assert find_modes(counts, unit).size == 1


@pytest.mark.parametrize(
    ("data", "options", "message"),
    [
        ([1.0, 2.0, 3.0], {}, "`counts` holds 3 readings; at least 100 are needed"),
        (np.full(500, 2.5), {}, "every value of `counts` is 2.5"),
        (np.r_[np.arange(200.0), np.nan], {}, "blank or NaN at entry 200"),
        (np.arange(300.0) % 7.3, {"window": (5, 1)}, "`window` is"),
        (qz.counts.Histogram([0, 1, 2], [90, 80]), {"window": (0, 1)}, "`window` is for arrays"),
        (qz.Readings(np.arange(300.0), sigma=1), {}, "with sigma, state or marks of their own"),
    ],
)
def test_bad_counts(data, options, message):
    with pytest.raises(qz.InputError, match=message):
        qz.counts.fit_counts(data, **options)


@pytest.mark.parametrize("offset", ["zero", "free"])
def test_levels_of_one_bin_each_have_the_error_of_their_bins(offset):
    """Exact multiples: the likelihood knows nothing inside of a bin, and is flat there."""
    whole = np.round(np.random.default_rng(1).normal(20, 6, 30_000))
    found = qz.counts.fit_counts(3.0 * whole, (1.5, 20), offset=offset)
    width = found.histogram.widths[0]
    farthest = np.ptp(whole) if offset == "free" else whole.max()
    assert found.unit == pytest.approx(3.0, abs=0.01)
    assert 0 < found.unit_err < width / farthest


@pytest.mark.parametrize(("spread", "step"), [(0.3, 0.01), (0.08, None), (0.12, 0.05)])
def test_reversed_readings_give_the_same_unit_and_error(spread, step):
    rng = np.random.default_rng(1)
    x = 1.7 * (rng.poisson(2.5, 60_000) + rng.normal(0, spread, 60_000))
    x = x if step is None else np.round(x / step) * step
    one, other = (qz.counts.fit_counts(sign * x, (0.6, 5)) for sign in (1, -1))
    assert other.unit == pytest.approx(one.unit, rel=1e-7, abs=0)
    assert other.unit_err == pytest.approx(one.unit_err, rel=1e-4, abs=0)
    assert other.chi_square == pytest.approx(one.chi_square, rel=1e-4, abs=0)
    assert other.degrees == one.degrees
    assert other.modes == pytest.approx(-one.modes[::-1], rel=1e-6)


def test_bins_of_an_odd_number_lie_alike_from_either_end():
    rng = np.random.default_rng(5)
    counts = rng.integers(0, 9, 47)
    for most, factor in ((1.0, 1), (4.9, 3), (5.0, 5), (0.2, 1)):
        one = qz.counts.Histogram(np.arange(48.0), counts)._from_both_ends(most)
        other = qz.counts.Histogram(np.arange(-47.0, 1.0), counts[::-1])._from_both_ends(most)
        assert one.widths.mean() == factor
        assert one.total == counts.sum()
        assert other.counts.tolist() == one.counts[::-1].tolist()
        assert other.edges.tolist() == (-one.edges[::-1]).tolist()
        assert one.occupied(3.5).counts.tolist() == other.occupied(3.5).counts[::-1].tolist()
