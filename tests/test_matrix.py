"""Options, units of measurement and functions: the answer does not depend on the unit.

Every option is crossed with every function (with the sampler by the density that it walks on),
every option with every scale, and every scale with every function, so that each two of them meet in
some row. And for every option the evidence itself on samples without steps, so that not only ranks
are held.
"""

import inspect
import itertools
from pathlib import Path

import model_options as options
import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

import quantize as qz
from quantize import charge
from quantize._support.validation import Columns
from quantize.analysis import AnalysisOptions
from quantize.charge import Run
from quantize.sampling import ensembles, sample

UNIT_RANGE = (0.6, 2.2)
SCALES = (1000.0, 1e-3)
"""Beside 1, which every comparison begins with."""
QUICK = {"n_resamples": 99, "rng": 1}


def unit_range(c):
    return UNIT_RANGE[0] * c, UNIT_RANGE[1] * c


def cases():
    """(model, what comes with the readings)."""
    yield from ((name, "plain") for name in options.MODELS)
    for given in options.READINGS:
        for name in ("nothing", "outliers known", "rounding"):
            yield name, given
    yield from ((name, "sigma given") for name in options.FACTORS)


def rows(turn, *, pairs=True):
    """Each case with one of the scales; the next `turn` gives it the other one.

    Without `pairs` what comes with the readings meets one model alone.
    """
    alone = {"plain", "nothing", *options.FACTORS}
    chosen = [case for case in cases() if pairs or alone.intersection(case)]
    return [(*case, SCALES[(i + turn) % 2]) for i, case in enumerate(chosen)]


def read(values, given, c):
    extra = options.READINGS[given](c) if given != "plain" else {}
    return options.sample(values, c, **extra)


def values_for(given, seed):
    return options.comb(seed, repeats=2 if given == "states" else 1)


def same(one, other, c):
    """Unit, error, ln B, shares and whole numbers of two fits, the second in units of 1/c."""
    # Nodes of less than 2e-6 of the highest are left out, and which those are may differ.
    assert_allclose(other.unit / c, one.unit, rtol=0, atol=0.01 * one.unit_err)
    assert_allclose(other.unit_err / c, one.unit_err, rtol=0.01)
    assert_allclose(other.log_bayes_factor, one.log_bayes_factor, atol=1e-6)
    mine, yours = one.alternatives, other.alternatives
    assert len(mine) == len(yours)
    assert_allclose(yours["share"], mine["share"], atol=1e-4)
    assert_allclose(yours["unit"] / c, mine["unit"], rtol=1e-3)
    assert one.integers.tolist() == other.integers.tolist()


def test_every_option_of_model_readings_and_analysis_has_a_row():
    """One that is added later fails here until it has one."""
    of_model = {name for row in (options.MODELS | options.FACTORS).values() for name in row(1.0)}
    assert of_model == set(inspect.signature(qz.MixtureModel).parameters)
    of_readings = {name for row in options.READINGS.values() for name in row(1.0)}
    assert of_readings == set(inspect.signature(qz.Readings).parameters) - {"values"}
    work = {"rng", "workers", "progress", "checkpoint", "model", "unit_range"}
    handed_on = {"columns": Columns.__annotations__, "options": AnalysisOptions.__annotations__}
    for function, rows in ((qz.analyze, ANALYSES), (qz.analyze_groups, GROUPS)):
        named = set(inspect.signature(function).parameters) - work - {"readings", "table"}
        for name in named & handed_on.keys():
            named = named - {name} | handed_on[name].keys() - work
        assert named == {name for row in rows.values() for name in row(1.0)}


ANALYSES = {
    "sigma": lambda c: {"sigma": 0.1 * c},
    "state": lambda c: {"state": np.arange(options.SIZE) // 2},
    "resolution": lambda c: {"resolution": 0.01 * c},
    "unit_name": lambda c: {"unit_name": f"1e{round(-np.log10(c))} div"},
    "offset": lambda c: {"offset": 0.2 * c},
    "sigma_range": lambda c: {"sigma_range": (0.02 * c, 0.4 * c)},
    "integers": lambda c: {"integers": (1, None)},
    "null": lambda c: {"null": "smooth"},
    "group": lambda c: {"group": ["A", "B"] * (options.SIZE // 2)},
    "alpha": lambda c: {"alpha": 0.01},
    "n_resamples": lambda c: {"n_resamples": 199},
}
"""What `analyze` may be told beside the model."""


@pytest.mark.parametrize(("name", "c"), [(n, SCALES[i % 2]) for i, n in enumerate(ANALYSES)])
def test_options_of_analyze_in_any_unit_of_measurement(name, c):
    said = name in Columns.__annotations__
    values = options.comb(4, repeats=2) if said else options.comb(4)
    one, other = (
        qz.analyze(
            (values.round(2) * scale) if said else options.sample(values, scale),
            unit_range(scale),
            **QUICK | ANALYSES[name](scale),
        )
        for scale in (1.0, c)
    )
    assert other.verdict == one.verdict
    assert_allclose(other.log_bayes_factor, one.log_bayes_factor, atol=1e-6)
    assert_allclose(other.p_value, one.p_value, rtol=1e-6)
    same(one.mixture, other.mixture, c)


GROUPS = {
    "columns": lambda c: {"by": "of", "value": "size", "state": "state"},
    "sigma": lambda c: {"sigma": "sigma"},
    "resolution": lambda c: {"resolution": 0.0025 * c},
    "unit_name": lambda c: {"unit_name": f"1e{round(-np.log10(c))} div"},
    "offset": lambda c: {"offset": 0.2 * c},
    "sigma_range": lambda c: {"sigma_range": (0.02 * c, 0.4 * c)},
    "integers": lambda c: {"integers": "positive"},
    "null": lambda c: {"null": "smooth"},
    "alpha": lambda c: {"alpha": 0.01},
    "n_resamples": lambda c: {"n_resamples": 199},
}
"""What `analyze_groups` may be told; each comes with the columns."""


@pytest.mark.parametrize(("name", "c"), [(n, SCALES[i % 2]) for i, n in enumerate(GROUPS)])
def test_options_of_many_groups_in_any_unit_of_measurement(name, c):
    """Two groups, one with steps; the readings of each as they stand or in pairs of one state."""
    values = np.r_[options.comb(4, repeats=2), options.uniform(4, repeats=2)].round(2)
    state = np.arange(values.size) // 2 if name == "columns" else None
    tables = []
    for scale in (1.0, c):
        columns = {
            "of": ["A"] * options.SIZE + ["B"] * options.SIZE,
            "size": values * scale,
            "state": np.arange(values.size) if state is None else state,
            "sigma": np.full(values.size, 0.1 * scale),
        }
        given = QUICK | {"by": "of", "value": "size", "resolution": 0.01 * scale}
        found = qz.analyze_groups(
            columns, unit_range=unit_range(scale), **given | GROUPS[name](scale)
        )
        assert found.unit_name == GROUPS[name](scale).get("unit_name")
        tables.append(found.table)
    one, other = tables
    assert other["verdict"].tolist() == one["verdict"].tolist()
    for column, factor in (("unit", c), ("sigma", c), ("log_bayes_factor", 1.0), ("share", 1.0)):
        assert_allclose(other[column] / factor, one[column], rtol=1e-4, err_msg=column)


def test_every_option_meets_every_scale():
    met = {(name, c) for turn in (0, 1) for name, _, c in rows(turn, pairs=turn == 0)}
    assert met == set(itertools.product(options.MODELS | options.FACTORS, SCALES))


@pytest.mark.parametrize(("name", "given", "c"), rows(0))
def test_fit_mixture_in_any_unit_of_measurement(name, given, c):
    values = values_for(given, 3)
    one, other = (
        qz.fit_mixture(
            read(values, given, scale), unit_range(scale), model=options.model(name, scale)
        )
        for scale in (1.0, c)
    )
    same(one, other, c)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "given", "c", "kind"),
    [(*row, ("comb", "uniform")[i // 2 % 2]) for i, row in enumerate(rows(1, pairs=False))],
)
def test_analyze_in_any_unit_of_measurement(name, given, c, kind):
    """One sample in two has steps."""
    repeats = 2 if given == "states" else 1
    values = getattr(options, kind)(4, repeats=repeats)
    one, other = (
        qz.analyze(
            read(values, given, scale), unit_range(scale), model=options.model(name, scale), **QUICK
        )
        for scale in (1.0, c)
    )
    assert other.verdict == one.verdict
    assert_allclose(other.log_bayes_factor, one.log_bayes_factor, atol=1e-6)
    assert_allclose(other.p_value, one.p_value, rtol=1e-6)
    same(one.mixture, other.mixture, c)
    blocked = [[f.name for f in result.findings if f.blocks] for result in (one, other)]
    assert blocked[0] == blocked[1]


TURNED = {
    "nothing": lambda sign: {},
    "sigma known": lambda sign: {"sigma": 0.1},
    "offset fixed": lambda sign: {"offset": 0.2 * sign},
    "offset free": lambda sign: {"offset": "free"},
    "offset prior": lambda sign: {"offset": stats.norm(0.05 * sign, 0.1)},
    "noise proportional": lambda sign: {"noise": "proportional", "priors": {"growth": 0.02}},
    "outliers known": lambda sign: {"outliers": 0.05},
    "rounding": lambda sign: {"rounding": True},
    "window": lambda sign: {"window": tuple(sorted(sign * end for end in (-9.9, 9.9)))},
}
"""Options of the model of readings, and of readings whose sign is reversed."""


@pytest.mark.parametrize(("name", "both"), [(n, i % 2) for i, n in enumerate(TURNED)])
def test_a_reversed_sign_changes_nothing(name, both):
    """Neither the evidence over any kind of data without steps, nor the rivals.

    Sums of two units from zero, or sizes on both sides of it.
    """
    rng = np.random.default_rng(8)
    values = np.array([0.9, 1.45]) @ rng.integers(0, 3, (2, options.SIZE))
    values += 0.05 * rng.normal(size=options.SIZE)
    if both:
        values = rng.uniform(-5, 3, options.SIZE)
    one, other = (
        qz.analyze(
            options.sample(sign * values),
            UNIT_RANGE,
            model=qz.MixtureModel(**TURNED[name](sign)),
            **QUICK,
        )
        for sign in (1, -1)
    )
    assert other.verdict == one.verdict
    assert other.log_bayes_factors.keys() == one.log_bayes_factors.keys()
    for null, found in one.log_bayes_factors.items():
        assert_allclose(other.log_bayes_factors[null], found, atol=1e-6, err_msg=null)
    for column in ("unit", "share"):
        mine, yours = (result.mixture.alternatives[column] for result in (one, other))
        assert_allclose(yours, mine, rtol=1e-4, atol=1e-4)


MIRRORED = {
    "nothing": lambda sign: {},
    "envelope exponential": lambda sign: {"envelope": "exponential"},
    "envelope levels": lambda sign: {
        "envelope": "levels",
        "window": tuple(sorted(sign * end for end in options.WINDOW)),
    },
    "integers bounded": lambda sign: {"integers": tuple(sorted((sign, 9 * sign)))},
    "outliers known": lambda sign: {"outliers": 0.05, "sigma": 0.02},
}
"""Options of the model of readings above zero, and of their mirror image."""


@pytest.mark.parametrize("beyond", [0, 1])
@pytest.mark.parametrize("name", MIRRORED)
def test_a_reversed_sign_changes_no_fit(name, beyond):
    """Neither the evidence nor the whole number of any reading, far from its own or off the scale.

    Each has the number that is nearest to it.
    """
    values = options.comb(3, spread=0.05)
    values[4] = 6.7 if name == "outliers known" else values[4]
    one, other = (
        qz.fit_mixture(
            options.sample(sign * values, beyond=sign * beyond * (values == values.max())),
            UNIT_RANGE,
            model=qz.MixtureModel(**MIRRORED[name](sign)),
        )
        for sign in (1, -1)
    )
    assert_allclose(other.log_bayes_factor, one.log_bayes_factor, atol=1e-6)
    assert_allclose(other.alternatives["share"], one.alternatives["share"], atol=1e-4)
    assert (-other.integers).tolist() == one.integers.tolist()
    away = np.abs(values / one.unit - one.integers)
    assert away.max() < (1.0 if beyond else 0.5)


@pytest.mark.parametrize("name", options.SHIFTED)
def test_a_shift_changes_nothing_where_the_offset_is_free(name):
    values = options.comb(3)
    one = qz.fit_mixture(options.sample(values), UNIT_RANGE, model=options.model(name))
    other = qz.fit_mixture(options.sample(values, moved=7.0), UNIT_RANGE, model=options.model(name))
    assert_allclose(other.unit, one.unit, rtol=1e-6)
    assert_allclose(other.log_bayes_factor, one.log_bayes_factor, atol=1e-6)
    assert_allclose(other.alternatives["share"], one.alternatives["share"], atol=1e-6)


@pytest.mark.parametrize(("name", "given"), list(cases()))
def test_evidence_on_samples_without_steps(name, given):
    """P(B ≥ e³) ≤ e⁻³ under the continuum itself; here every sample stays below it."""
    values = options.uniform(0, repeats=2 if given == "states" else 1)
    found = qz.fit_mixture(read(values, given, 1.0), UNIT_RANGE, model=options.model(name))
    assert found.log_bayes_factor < 3


def target_of(name, c):
    """What `sample_mixture` walks on."""
    return sample._target(options.sample(options.comb(3), c), unit_range(c), options.model(name, c))


@pytest.mark.parametrize(
    ("name", "c"), [(name, SCALES[i // 4 % 2]) for i, name in enumerate(options.MODELS)]
)
def test_the_density_that_is_sampled_in_any_unit_of_measurement(name, c):
    """Up to a constant; what walkers do depends on nothing else but where they start."""
    one, other = target_of(name, 1.0), target_of(name, c)
    draws, moved = (target.draw_prior(200, np.random.default_rng(1)) for target in (one, other))
    here, there = one.log_prob(draws), other.log_prob(moved)
    assert np.isfinite(here).sum() > 20
    assert_allclose(there - there.max(), here - here.max(), rtol=1e-6, atol=1e-6)


WALKS = {
    "sigma known": SCALES[0],
    "offset free": SCALES[1],
    "offset prior": SCALES[1],
    "growth between": SCALES[0],
    "outliers free": SCALES[0],
    "rounding": SCALES[1],
}
"""Between them every set of coordinates on which walkers move, once."""
STARTS_DIFFER = {"sigma known", "offset prior"}
"""Walkers start at nodes, and for these those nodes are left out that rounding decides on."""


def test_every_set_of_coordinates_is_walked_on():
    of = {name: target_of(name, 1.0).names for name in options.MODELS}
    assert sorted(of[name] for name in WALKS) == sorted(set(of.values()))


@pytest.mark.parametrize(("name", "c"), WALKS.items())
def test_sample_mixture_in_any_unit_of_measurement(name, c, monkeypatch):
    """The same seed walks the same way in any unit of measurement, but for rounding.

    Fifty steps of a hundred walkers show it: one that once steps another way stays elsewhere.
    """
    monkeypatch.setattr(ensembles, "_MOST_STEPS", 50)
    monkeypatch.setattr(ensembles, "_STEPS_A_DRAW", 0)
    values = options.comb(3)
    one, other = (
        qz.sample_mixture(
            options.sample(values, scale),
            unit_range(scale),
            model=options.model(name, scale),
            draws=20,
            chains=1,
            rng=1,
        )
        for scale in (1.0, c)
    )
    assert one.settings["steps"] + one.settings["burn_in"] == 50
    assert_allclose(other.alternatives["unit"][0] / c, one.alternatives["unit"][0], rtol=0.01)
    assert_allclose(other.alternatives["share"][0], one.alternatives["share"][0], atol=0.05)
    if name not in STARTS_DIFFER:
        lengths = ["unit", "sigma", "offset"]
        assert_allclose(other.draws[lengths] / c, one.draws[lengths], rtol=1e-4)


def test_a_plan_in_coulombs_in_any_unit_of_measurement():
    """Scales of divisions that are c times as long, read to c times as fine a step."""
    data = Path(qz.__file__).parent / "data" / "invented_apparatus.toml"
    bench = charge.load_apparatus(data)
    division, length = bench.need("reticle.division"), bench.need("reticle.length")
    longer = {
        c: bench.changed(
            reticle__division=f"{division.value * 1e6 * c!r} +/- "
            f"{division.standard_uncertainty * 1e6 * c!r} um",
            reticle__length=f"{length.value / c!r} div",
            reticle__step=f"{1 / c!r} div",
        )
        for c in (50.0, 0.01)
    }
    for design in ({"spheres": 3, "falls": 2, "states": 3}, {"held": 4, "repeats": 1}):
        one = charge.plan_target(bench, 0.01, **design)
        for c, other_bench in longer.items():
            other = charge.plan_target(other_bench, 0.01, **design)
            assert_allclose(other.relative, one.relative, rtol=1e-6)
            assert_allclose(other.shared, one.shared, rtol=1e-6)
            assert_allclose(other.setup["unit"] * c, one.setup["unit"], rtol=1e-6)
            assert_allclose(other.inputs["if_exact"], one.inputs["if_exact"], rtol=1e-5)
            assert other.ways["readings"].tolist() == one.ways["readings"].tolist()
            assert other.setup["readings_for_steps"] == one.setup["readings_for_steps"]


def run_in(c, mend_needed=True, sizes=(6, 3, 8, 2, 7, 4)):
    """A run in divisions of 1/c, one sign of which is wrong; unit 10 divisions, fall 61."""
    generator = np.random.default_rng(5)
    page = {"state": [], "V": [], "div": [], "t": []}
    for label, size in enumerate(sizes):
        for lift in (10.0 * size,) * 4 + (0.0,):
            row = (label, 200 if lift else 0, lift - 61 + generator.normal(0, 0.6), 10)
            for name, cell in zip(page, row, strict=True):
                page[name].append(cell)
    if mend_needed:
        page["div"][11] *= -1
    page["div"] = [round(x) * c for x in page["div"]]
    return Run(page, {"reticle": {"step": f"{c:g} div"}})


@pytest.mark.parametrize("mend", [True, False])
def test_rows_put_right_or_as_written_in_any_unit_of_measurement(mend):
    """`Run.fit` and `Run.analyze`; the size of a division is nothing to a reversed sign."""
    one, *fits = (run_in(scale).fit((6 * scale, 17 * scale), mend=mend) for scale in (1.0, *SCALES))
    first, *analyses = (
        run_in(scale).analyze((6 * scale, 17 * scale), mend=mend, **QUICK)
        for scale in (1.0, *SCALES)
    )
    for c, other, second in zip(SCALES, fits, analyses, strict=True):
        same(one.mixture, other.mixture, c)
        assert bool(one.remarks) == bool(other.remarks) == mend
        assert first.verdict == second.verdict
        assert_allclose(second.unit / c, first.unit, rtol=1e-6)
        said = [sum("row 12" in reason for reason in found.reasons) for found in (first, second)]
        assert said == ([2, 2] if mend else [0, 0])
    if mend:
        clean = run_in(1.0, mend_needed=False).fit((6, 17))
        assert_allclose(one.unit, clean.unit, rtol=1e-9)


@pytest.mark.parametrize("mend", [True, False])
def test_evidence_of_runs_without_steps_with_a_wrong_sign(mend):
    for seed in range(3):
        sizes = np.random.default_rng(seed).uniform(2, 9, 6)
        found = run_in(1.0, sizes=sizes).fit((6, 17), mend=mend)
        assert found.log_bayes_factor < 3
