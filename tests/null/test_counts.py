"""The verdict on counts: known truths, data without steps, bounds against simulation."""

import json

import numpy as np
import pytest
from detectors import detector

import quantize as qz
from quantize.null.bounds import equal_spacing, rayleigh_bound, score_bound
from quantize.null.counts import MANY


def apart(rng, k, least, width=40.0):
    """Levels anywhere, at least so far apart."""
    while True:
        levels = np.sort(rng.uniform(0, width, size=k))
        if np.diff(levels).min() > least:
            return levels


def on_levels(rng, levels, n, sigma):
    share = rng.dirichlet(np.full(len(levels), 3.0))
    return rng.choice(levels, size=n, p=share) + sigma * rng.normal(size=n)


@pytest.mark.parametrize("free", [True, False])
@pytest.mark.parametrize("k", [5, 7])
def test_bound_on_equal_spacing_holds_for_levels_anywhere(free, k):
    # 1000 sets of levels with uniform phases. At a bound of p the share of sets whose best unit of
    # the range is that regular may exceed p by 4·sqrt(p/1000).
    rng = np.random.default_rng(5)
    unit_range = (1 / 8, 1 / 2)
    f = np.linspace(*unit_range, 1200)
    found = []
    for _ in range(1000):
        y = rng.uniform(5, 45, size=k)
        turns = y * f[:, None]
        if free:
            turns = turns - np.angle(np.exp(2j * np.pi * turns).sum(1))[:, None] / (2 * np.pi)
        away = turns - np.rint(turns)
        if free:
            away -= away.mean(axis=1, keepdims=True)
        best = f[np.argmin(np.sum(away**2, axis=1))]
        found.append(
            equal_spacing(
                y, 1 / best, unit_range, offset=None if free else 0.0, closest=0.0
            ).p_value
        )
    found = np.array(found)
    for p in (0.3, 0.1, 0.03):
        assert np.mean(found <= p) <= p + 4 * np.sqrt(p / 1000)
    # And it is not idle: within a factor of three of the truth where it is small.
    assert np.mean(found <= 0.1) > 0.1 / 3


def test_rayleigh_bound_is_astropys_at_one_frequency(rng):
    # astropy.stats.rayleightest: exp(−z) with a series in 1/n, here at n = 2000.
    from astropy.stats import rayleightest

    angles = rng.vonmises(0, 0.1, size=2000)
    z = abs(np.exp(1j * angles).sum()) ** 2 / 2000
    assert rayleigh_bound(z, 5.0, (1.0, 1.0)) == pytest.approx(
        float(rayleightest(angles)), rel=0.02
    )


def test_bounds_over_a_band_hold_for_smooth_data():
    # 100 samples of 150 normal readings; exceedances may pass the bound by 4 binomial sigma.
    rng = np.random.default_rng(8)
    power, score = [], []
    for _ in range(100):
        x = rng.normal(20, 5, size=150)
        found = qz.periodogram(x, (1 / 3, 1.0))
        unit_range = (1.0, 3.0)
        power.append(rayleigh_bound(float(found.power.max()), float(x.std()), unit_range))
        score.append(score_bound(found.statistic, float(np.sqrt(np.mean(x**2))), unit_range))
    for p_values in (power, score):
        for p in (0.2, 0.05):
            assert np.mean(np.array(p_values) <= p) <= p + 4 * np.sqrt(p * (1 - p) / 100)


def test_steps_of_a_detector(rng):
    found = qz.analyze(detector(rng, 60_000), (3, 20), offset="free")
    assert isinstance(
        found, type(qz.null.analyze_counts(detector(rng, 60_000), (3, 20), offset="free"))
    )
    assert found.verdict == "steps"
    assert found.p_value < 1e-6
    assert found.unit == pytest.approx(7.3, abs=5 * found.unit_err)
    [[low, high]] = found.interval(0.99)
    assert low < found.unit < high
    assert "analytic bound" in found.reasons[0]
    assert found.log_bayes_factor > 0
    assert set(found.p_values) == {"continuous", "lumpy"}
    text = json.dumps(found.to_dict())
    assert '"schema": "quantize.CountAnalysis/1"' in text
    assert "VERDICT: steps" in str(found)
    assert "<svg" in found._repr_html_() or "steps" in found._repr_html_()


def test_steps_of_both_signs_and_an_offset_that_is_known(rng):
    x = 2.5 * rng.integers(-5, 6, size=60_000) + 0.4 * rng.normal(size=60_000)
    assert qz.null.analyze_counts(x, (1.1, 12)).verdict == "steps"
    assert qz.null.analyze_counts(x + 1.3, (1.1, 12), offset=1.3).verdict == "steps"


@pytest.mark.parametrize(
    "draw",
    [
        lambda rng, n: rng.normal(0, 5, n),
        lambda rng, n: rng.exponential(5, n),
        lambda rng, n: rng.uniform(0, 20, n),
        lambda rng, n: rng.lognormal(1, 0.7, n),
        lambda rng, n: rng.gamma(2.0, 3.0, n),
        lambda rng, n: rng.standard_t(3, n),
        lambda rng, n: np.where(rng.random(n) < 0.5, 0.0, 5.0) + 0.4 * rng.normal(size=n),
        lambda rng, n: rng.triangular(0, 3, 20, n),
    ],
)
@pytest.mark.parametrize(("offset", "n"), [("zero", 100_000), ("free", 20_000)])
def test_smooth_data_are_never_steps(rng, draw, offset, n):
    assert qz.null.analyze_counts(draw(rng, n), offset=offset).verdict != "steps"


@pytest.mark.slow
def test_levels_anywhere_are_not_steps():
    # 40 sets: at alpha = .05 more than 8 false "steps" come once in 1e4.
    rng = np.random.default_rng(9)
    verdicts = [
        qz.null.analyze_counts(
            on_levels(rng, apart(rng, k, 1.4), 20_000, 0.4),
            (1.6, 16),
            offset="free" if k % 2 else "zero",
        ).verdict
        for k in (3, 4, 5, 6)
        for _ in range(10)
    ]
    assert verdicts.count("steps") <= 8
    # What stands out fits no unit of four sigma or more.
    assert verdicts.count("no steps") >= 20


def test_smooth_data_exclude_units_only_with_a_known_scatter(rng):
    x = rng.normal(0, 5, 100_000)
    assert qz.null.analyze_counts(x, (1, 10)).verdict == "cannot tell"
    found = qz.null.analyze_counts(x, (1, 10), sigma_range=0.2)
    assert found.verdict == "no steps"
    assert "would have stood out" in found.reasons[0]


def test_too_few_levels_and_blurred_levels_cannot_tell(rng):
    few = qz.null.analyze_counts(detector(rng, 20_000, mean=0.2), (3, 20), offset="free")
    assert few.verdict == "cannot tell"
    assert "5 are needed to distinguish equal distances from chance" in " ".join(few.reasons)
    blurred = detector(rng, 20_000, s0=3.3, s1=0.0)
    assert qz.null.analyze_counts(blurred, (3, 20), offset="free").verdict == "cannot tell"


def test_unit_of_the_record_is_not_a_step(rng):
    # Whole channels: bins hold whole numbers of them, and a unit of one channel is the record's.
    x = np.rint(rng.normal(60, 12, 60_000))
    found = qz.null.analyze_counts(qz.Readings(x, resolution=1.0), (2.5, 30), offset="free")
    assert found.verdict != "steps"


def test_bent_scale_is_steps_with_a_warning(rng):
    # A gain that falls by 0.07 % a level: steps all the same, and the bend is told.
    x = detector(rng, 400_000, s0=0.4, s1=0.2)
    bent = x - 0.00005 * (x - 12) ** 2
    found = qz.null.analyze_counts(bent, (3, 20), offset="free")
    assert found.verdict == "steps"
    assert any("more than counting alone explains" in reason for reason in found.reasons)


def test_analyze_chooses_by_size_and_kind(rng):
    x = detector(rng, 51_000)
    kind = type(qz.null.analyze_counts(x, (3, 20), offset="free"))
    assert isinstance(qz.analyze(list(x), (3, 20), offset="free"), kind)
    counts = qz.counts.Histogram(np.arange(0, 111, 0.5), np.histogram(x, np.arange(0, 111, 0.5))[0])
    assert isinstance(qz.analyze(counts, (3, 20), offset="free"), kind)
    flow = qz.counts.Spectrum((0.0, 110.0), (3.0, 20.0), offset="free").update(x)
    found = qz.analyze(flow)
    assert isinstance(found, kind)
    assert found.plot().get_title(loc="left").startswith("Verdict: steps")
    with pytest.raises(qz.InputError, match="`model` describes single readings"):
        qz.analyze(counts, model=qz.MixtureModel())
    with pytest.raises(qz.InputError, match="`report` lists readings one by one"):
        found.report("page.html")
    small = qz.analyze(x[:40], (3, 20), offset="free", n_resamples=99, rng=1)
    assert not isinstance(small, kind)


def test_scale_changes_nothing_but_the_scale(rng):
    x = detector(rng, 30_000)
    one = qz.null.analyze_counts(x, (3, 20), offset="free")
    two = qz.null.analyze_counts(1e-19 * x, (3e-19, 20e-19), offset="free")
    assert two.verdict == one.verdict
    assert two.p_value == pytest.approx(one.p_value, rel=1e-3)


@pytest.mark.parametrize(
    ("sigma", "verdict"),
    [
        (0.1, "steps"),
        pytest.param(0.25, "steps", marks=pytest.mark.slow),
        pytest.param(None, "cannot tell", marks=pytest.mark.slow),
    ],
)
def test_one_answer_on_both_sides_of_the_switch(sigma, verdict):
    # 5,000 readings one by one, and 5,001 in bins: the same verdict, and sharp ones the same unit
    # within its error. Blurred ones have theirs too high one by one, as docs/limits.md says.
    rng = np.random.default_rng(1)
    x = rng.uniform(0.5, 9, MANY + 1)
    if sigma is not None:
        x = rng.integers(1, 9, MANY + 1) + sigma * rng.normal(size=MANY + 1)
    bins = qz.analyze(x, (0.9, 1.2))
    one_by_one = qz.analyze(x[:-1], (0.9, 1.2), n_resamples=99, rng=1)
    assert type(bins) is not type(one_by_one)
    assert bins.verdict == one_by_one.verdict == verdict
    if sigma is not None:
        assert abs(bins.unit - 1) < 3 * bins.unit_err
    if sigma == 0.1:
        assert abs(bins.unit - one_by_one.unit) < one_by_one.unit_err
        # sigma/sqrt(sum of k²), k the whole numbers: the error of a straight line through zero.
        error = sigma / np.sqrt(np.sum(np.rint(x) ** 2))
        assert bins.unit_err == pytest.approx(error, rel=0.25)
        assert one_by_one.unit_err == pytest.approx(error, rel=0.25)


@pytest.mark.slow
@pytest.mark.parametrize(
    "fit",
    [
        qz.counts.fit_counts,
        qz.fit_mixture,
    ],
)
def test_the_unit_of_many_blurred_readings_has_no_bias(fit):
    # The mean of five errors, each in its standard error, is beyond 3/sqrt(5) in one of 370.
    errors = []
    for seed in range(5):
        rng = np.random.default_rng([5, seed])
        found = fit(rng.integers(-4, 5, 2000) + 0.25 * rng.normal(size=2000), (0.9, 1.2))
        errors.append((found.unit - 1) / found.unit_err)
    assert abs(np.mean(errors)) < 3 / np.sqrt(5)


def test_noise_of_few_counts_is_no_candidate(rng):
    # Two thousand readings: hundreds of levels at a unit that noise picked took ten seconds.
    x = rng.integers(1, 9, 2000) + 0.2 * rng.normal(size=2000)
    found = qz.null.analyze_counts(x)
    assert found.verdict == "steps"
    assert found.alternatives["unit"].min() > 0.1


@pytest.mark.parametrize("unit", [1.602176, 2.54])
def test_exact_multiples_are_warned_of_and_have_the_error_of_their_bins(rng, unit):
    found = qz.null.analyze_counts(unit * rng.integers(1, 9, 6000), (0.6, 5))
    assert found.verdict == "steps"
    resolution = next(finding for finding in found.findings if finding.name == "resolution")
    assert resolution.warns
    assert "single bin" in resolution.sentence
    # A bin is a twentieth of 0.6, and the farthest level is the eighth.
    assert found.unit_err == pytest.approx(0.03 / 8 / np.sqrt(12), rel=1e-3)
    assert abs(found.unit - unit) < 0.03 / 8


@pytest.mark.parametrize("width", [0.003, 0.01, 0.02])
def test_exact_multiples_in_bins_of_any_width_are_warned_of(rng, width):
    edges = np.arange(0, 15, width)
    counts = np.histogram(1.602176 * rng.integers(1, 9, 6000), edges)[0]
    found = qz.null.analyze_counts(qz.counts.Histogram(edges, counts), (0.6, 3))
    assert next(f for f in found.findings if f.name == "resolution").warns


@pytest.mark.parametrize(("unit", "step"), [(1.03, 1 / 3), (3.1, 1.0)])
def test_levels_without_a_scatter_that_were_rounded_do_not_deny_steps(rng, unit, step):
    sample = step * np.rint(unit * rng.integers(1, 9, 6000) / step)
    found = qz.null.analyze_counts(sample, (0.5 * unit, 5 * unit))
    assert found.verdict == "cannot tell"
    assert not any("exact multiples" in finding.sentence for finding in found.findings)
