"""The periodogram against direct sums, astropy and published examples."""

import numpy as np
import pytest
from plain_sums import harmonic_sums_plain
from published import THIRTEEN, faithful, macdonell, survey_heights, wind_speeds

import quantize as qz
from quantize.comb.sums import harmonic_sums
from quantize.comb.unit_range import UnitRange, trial_frequencies

# Zar, Biostatistical Analysis, worked examples (from memory; they recompute).
ZAR_RAYLEIGH = np.array([45, 55, 81, 96, 110, 117, 132, 154.0])
ZAR_V = np.array([66, 75, 86, 88, 88, 93, 97, 101, 118, 130.0])


@pytest.mark.parametrize("size", [1, 2, 7, 400, 1001])
def test_kernel_is_the_direct_sum(rng, size):
    x, w = rng.normal(size=33) * 5, rng.uniform(0.2, 1, size=33)
    fast = harmonic_sums(x, w, 0.3, 0.01, size)
    plain = harmonic_sums_plain(x, w, 0.3, 0.01, size)
    largest_phase = float(np.abs(x).max() * (0.3 + 0.01 * size))
    tolerance = x.size * (1e-12 + 8 * np.finfo(float).eps * 2 * np.pi * largest_phase)
    np.testing.assert_allclose(fast, plain, rtol=0, atol=tolerance)


def test_thirteen_charges_score():
    # Kendall's cosine score over 2..8 peaks at 4.909 with height 4.976 (recomputed from the
    # published charges with sqrt(2/N)·Σcos).
    found = qz.periodogram(THIRTEEN, (2, 8))
    assert found.unit == pytest.approx(4.909, abs=5e-4)
    assert found.statistic == pytest.approx(4.976, abs=5e-4)
    assert found.alternatives["relation"].iloc[0] == "best"
    assert "u/2" in found.alternatives["relation"].to_list()


def test_score_and_power_are_their_definitions(rng):
    x = rng.normal(size=25) * 4
    found = qz.periodogram(x, (0.5, 3))
    angle = 2 * np.pi * x / found.trial_units[:, None]
    np.testing.assert_allclose(found.score, np.sqrt(2 / 25) * np.cos(angle).sum(1), atol=1e-9)
    power = np.abs(np.exp(1j * angle).sum(1)) ** 2 / 25
    np.testing.assert_allclose(found.power, power, atol=1e-9)


def test_power_is_the_rayleigh_statistic_of_astropy(rng):
    from astropy.stats import rayleightest

    # Angles in degrees are readings with a unit of 360.
    found = qz.periodogram(ZAR_RAYLEIGH, trial_units=[360.0], offset="free")
    assert found.power[0] == pytest.approx(5.448, abs=5e-4)  # z of the published example
    z, n = found.power[0], ZAR_RAYLEIGH.size
    terms = 24 * z - 132 * z**2 + 76 * z**3 - 9 * z**4
    series = np.exp(-z) * (1 + (2 * z - z**2) / (4 * n) - terms / (288 * n**2))
    assert series == pytest.approx(0.00164, abs=5e-6)
    assert series == pytest.approx(float(rayleightest(np.deg2rad(ZAR_RAYLEIGH))), rel=0.02)


def test_score_is_the_v_test():
    from astropy.stats import vtest

    found = qz.periodogram(ZAR_V, trial_units=[360.0], offset=90.0)
    assert found.score[0] == pytest.approx(4.248, abs=6e-4)  # u of the published example
    p = float(vtest(np.deg2rad(ZAR_V), mu=np.deg2rad(90)))
    from scipy.stats import norm

    # astropy's p carries a correction of order 1/n beyond the normal tail.
    assert norm.sf(found.score[0]) == pytest.approx(p, rel=1.0, abs=2e-5)


def test_harmonics_add_up_to_half_of_z_squared_m():
    # Z²_m is chi-square with 2m degrees of freedom for uniform phases (de Jager et al., A&A
    # 221:180, 1989). Kolmogorov's test on 300 sets fails by chance once in 1e4.
    from scipy.stats import chi2, kstest

    rng = np.random.default_rng(17)
    z = [
        2 * qz.periodogram(x, trial_units=[1.0], offset="free", harmonics=3).power[0]
        for x in rng.uniform(0, 50, size=(300, 80))
    ]
    assert kstest(z, chi2(6).cdf).pvalue > 1e-4


def test_h_statistic():
    # H = max over m of Z²_m − 4m + 4, with tail exp(−0.4·H) (A&A 517:L9, 2010): a sharp comb
    # prefers many harmonics and a blurred one few.
    rng = np.random.default_rng(18)
    best = {}
    for spread in (0.03, 0.2):
        x = rng.integers(0, 9, size=80) + spread * rng.normal(size=80)
        powers = [
            qz.periodogram(x, trial_units=[1.0], offset="free", harmonics=m).power[0]
            for m in range(1, 21)
        ]
        h = 2 * np.array(powers) - 4 * np.arange(1, 21) + 4
        best[spread] = int(np.argmax(h)) + 1
        assert np.exp(-0.4 * h.max()) < 1e-3
    assert best[0.03] > 4 > best[0.2]


def test_units_of_open_data():
    assert 60 * qz.periodogram(faithful(), (0.01, 0.1), harmonics=3).unit == pytest.approx(
        1, abs=1e-4
    )
    metric = qz.periodogram(survey_heights("Metric"), (0.7, 4))
    assert metric.unit == pytest.approx(1, abs=1e-3)
    imperial = qz.periodogram(survey_heights("Imperial"), (1.5, 6))
    assert imperial.unit == pytest.approx(2.54, abs=2e-3)


def test_heights_by_class_need_a_free_offset():
    # Macdonell's classes are 1/12 ft wide and centred 9/16 in above the inch.
    free = qz.periodogram(macdonell(), (0.05, 0.3), offset="free")
    assert 12 * free.unit == pytest.approx(1, abs=1e-4)
    assert 12 * free.offset == pytest.approx(9 / 16, abs=0.01)
    through_zero = qz.periodogram(macdonell(), (0.05, 0.3))
    assert abs(12 * through_zero.unit - 1) > 1e-3


def test_one_wild_value_does_not_move_the_periodogram():
    assert qz.periodogram(wind_speeds(), (0.6, 4)).unit == pytest.approx(1.15078, abs=2e-5)


def test_shift_far_from_zero_changes_nothing(rng):
    x = 3 * rng.integers(0, 7, size=30) + 0.2 * rng.normal(size=30)
    near = qz.periodogram(x, (1, 9), offset="free")
    far = qz.periodogram(x + 3e9, (1, 9), offset="free")
    assert far.unit == pytest.approx(near.unit, rel=1e-6)
    np.testing.assert_allclose(far.power, near.power, atol=1e-4)
    assert np.all(far.power >= 0)


def test_scale_and_sign(rng):
    x = 3 * rng.integers(-5, 7, size=30) + 0.2 * rng.normal(size=30)
    one = qz.periodogram(x, (1, 9))
    assert qz.periodogram(1000 * x, (1000, 9000)).unit == pytest.approx(1000 * one.unit, rel=1e-7)
    assert qz.periodogram(-x, (1, 9)).statistic == pytest.approx(one.statistic, rel=1e-12)


def test_weights_favour_precise_readings(rng):
    k = rng.integers(1, 9, size=40)
    sigma = np.where(np.arange(40) % 2, 0.02, 0.6)
    x = k + sigma * rng.normal(size=40)
    plain = qz.periodogram(x, (0.6, 3))
    weighted = qz.periodogram(qz.Readings(x, sigma=sigma), (0.6, 3))
    assert abs(weighted.unit - 1) < abs(plain.unit - 1)
    assert weighted.unit_err < plain.unit_err


def test_stated_error_is_right():
    # 400 runs; the standard deviation of z has standard error 0.035, so 0.8..1.2 is 5 sigma.
    rng = np.random.default_rng(23)
    z = []
    for _ in range(400):
        x = rng.integers(-4, 5, size=40) + 0.12 * rng.normal(size=40)
        found = qz.periodogram(x, (0.8, 1.3))
        z.append((found.unit - 1) / found.unit_err)
    assert 0.8 < np.std(z) < 1.2
    # The peak of Σcos(2πx/u) sits high by the share sigma²/mean(x²) of the unit, because the
    # readings, not the whole numbers, are the levers: here 0.0022, or 0.29 standard errors.
    bias = 0.12**2 / np.mean(np.arange(-4, 5) ** 2) / (0.12 / np.sqrt(40 * 60 / 9))
    assert abs(np.mean(z) - bias) < 5 * np.std(z) / np.sqrt(400)


def test_grid_is_even_in_frequency_and_covers_the_range():
    unit_range = UnitRange(low=0.5, high=5.0, chosen=False, reason="")
    f = trial_frequencies(unit_range, reach=20.0, oversampling=5)
    assert f[0] == pytest.approx(0.2)
    assert f[-1] == pytest.approx(2.0)
    assert np.diff(f).max() <= 1 / (5 * 20) * (1 + 1e-9)
    np.testing.assert_allclose(np.diff(f), np.diff(f)[0], rtol=1e-9)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"unit_range": (5, 2)}, r"`unit_range` is \(5, 2\); the low end must be below"),
        ({"unit_range": (0, 2)}, "`unit_range` starts at 0; a unit is above zero"),
        ({"unit_range": (-1, 2)}, "`unit_range` starts at -1"),
        ({"unit_range": (1, np.inf)}, "both ends must be finite"),
        ({"unit_range": (1e-9, 9)}, "more than the 2e.07 that fit in memory; raise the low end"),
        ({"unit_range": (1, 2, 3)}, "`unit_range` has 3 entries"),
        ({"unit_range": "wide"}, "`unit_range` is 'wide'; give two numbers"),
        ({"offset": "none"}, "`offset` is 'none'; it must be 'zero', 'free' or a number"),
        ({"harmonics": 0}, "`harmonics` is 0; it must be at least 1"),
        ({"oversampling": 1}, "`oversampling` is 1; at least 2"),
        ({"trial_units": [1.0, -2.0]}, "each must be above zero"),
    ],
)
def test_bad_arguments(arguments, message):
    with pytest.raises(qz.InputError, match=message):
        qz.periodogram([1.0, 2.1, 3.3], **arguments)


@pytest.mark.slow
def test_bound_on_the_largest_power_and_score():
    # Davies 1987; Baluev, MNRAS 385:1279 (2008), for the power; Rice's up-crossings for the score.
    # N = 100, x ~ N(20, 5), f in [1, 3]: simulated exceedance of z = 8 is .025 and of s = 3.5 is
    # .075 (600 simulations). With 300 runs the bound at 4 sigma is .025 + 4·.009.
    rng = np.random.default_rng(29)
    runs, z_limit, s_limit = 300, 8.0, 3.5
    over_z = over_s = 0
    bound_z, bound_s = [], []
    for _ in range(runs):
        x = rng.normal(20, 5, size=100)
        found = qz.periodogram(x, (1 / 3, 1.0))
        over_z += found.power.max() > z_limit
        over_s += found.score.max() > s_limit
        width = 2 * np.sqrt(4 * np.pi * x.var())
        bound_z.append(np.exp(-z_limit) * (1 + width * np.sqrt(z_limit)))
        bound_s.append(2 * np.sqrt(np.mean(x**2)) * np.exp(-(s_limit**2) / 2))
    assert over_z / runs < 0.025 + 0.036
    assert abs(over_s / runs - 0.075) < 4 * np.sqrt(0.075 * 0.925 / runs)
    assert over_z / runs < np.mean(bound_z) + 0.02
    assert over_s / runs < np.mean(bound_s) + 0.02


def test_the_range_of_a_result_goes_wherever_a_pair_does() -> None:
    found = qz.periodogram(THIRTEEN)
    low, high = found.unit_range
    assert qz.fit_comb(THIRTEEN, found.unit_range).unit == qz.fit_comb(THIRTEEN, (low, high)).unit
    assert tuple(qz.RunningEvidence(found.unit_range, (-90, 90)).unit_range) == (low, high)


def test_the_stated_error_of_sharp_readings_is_free_of_the_unit_of_measurement() -> None:
    # Residuals of a hundredth: a maximum found to 1e-8 moved the error by 3e-6 of itself.
    x = np.array(
        [2.99480497, 3.99739714, 8.0151471, 2.99107101, 0.98418357]
        + [8.01949395, 0.9887704, 0.9925576, 5.00500002, 3.99207835]
    )
    before, after = (
        qz.periodogram(c * x, (0.6 * c, 1.7 * c), offset="free") for c in (1.0, 1.7e-19)
    )
    assert after.unit == pytest.approx(1.7e-19 * before.unit, rel=1e-11, abs=0)
    assert after.unit_err == pytest.approx(1.7e-19 * before.unit_err, rel=1e-8, abs=0)
