"""The joint posterior of a bench by sampling: against quadrature, the linear fit, and physics."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from plain_bench import Bench, simulate
from scipy.integrate import quad
from scipy.stats import norm

from quantize import charge
from quantize._support.errors import InputError
from quantize.charge.bench import fit_bench
from quantize.charge.propagation import propagate
from quantize.charge.quantity import Quantity


@pytest.fixture(scope="module")
def bench():
    rows, apparatus, _ = simulate(Bench(), 3)
    run = charge.Run(rows, apparatus)
    return run.unit_in_coulombs(run.fit(mend=False)).bench


@pytest.fixture(scope="module")
def sampled(bench):
    return bench.sample(draws=1000, chains=2, rng=1)


def first(x, k):
    return x


def second(y, k):
    return y + k


@pytest.mark.slow
def test_a_bent_posterior_against_quadrature():
    """One unit known as x and as y + k: in v = ln y the density is N(v) N(ln(exp(v) + k)).

    The mean of 3,000 nearly independent draws is allowed 5 standard errors, their standard
    deviation 5 %, which is four of its own; that of the straight lines of the fit is a tenth too
    small.
    """
    k = 3.0
    inputs = {
        "x": Quantity(value=4.6, standard_uncertainty=0.9, unit="C"),
        "y": Quantity(value=1.0, standard_uncertainty=0.6, unit="C"),
        "k": Quantity(value=k, unit="C"),
    }
    routes = {
        "first": propagate(first, {n: inputs[n] for n in ("x", "k")}, unit="C"),
        "second": propagate(second, {n: inputs[n] for n in ("y", "k")}, unit="C"),
    }
    fitted = fit_bench(routes)
    found = fitted.sample(draws=1500, chains=2, rng=2)

    def density(v):
        at_x = norm.pdf(np.log(np.exp(v) + k), np.log(4.6), 0.9 / 4.6)
        return norm.pdf(v, 0.0, 0.6) * at_x

    def mean(f):
        return quad(lambda v: f(np.exp(v) + k) * density(v), -5, 3)[0]

    size = mean(np.ones_like)
    exact = mean(lambda e: e) / size
    spread = np.sqrt(mean(lambda e: (e - exact) ** 2) / size)
    error = spread / np.sqrt(3000)
    assert found.value == pytest.approx(exact, abs=5 * error)
    assert found.standard_uncertainty == pytest.approx(spread, rel=0.05)
    assert fitted.standard_uncertainty < 0.93 * spread


def test_a_usual_bench_is_nearly_linear(bench, sampled):
    """Within five Monte Carlo errors and a tenth of the standard uncertainty."""
    assert sampled.converged
    table = bench.inputs.set_index("input")
    for row in sampled.diagnostics.itertuples():
        if row.quantity == "unit charge":
            value, error = bench.value, bench.standard_uncertainty
        else:
            value, error = table.loc[row.quantity, ["value", "standard_uncertainty"]]
        assert row.mean == pytest.approx(value, abs=5 * row.mcse_mean + 0.1 * error)
        assert row.sd == pytest.approx(error, rel=0.12, abs=0)
    names = bench.correlations["input"].tolist()
    ours = np.corrcoef(sampled.draws[names].T)
    # Correlations of 2,000 draws are known to 0.023 or better.
    assert_allclose(ours, bench.correlations[names], atol=0.16)


def test_every_draw_is_one_sphere():
    """The ratio of the speeds, e = (u/F)(w d/V), and the weight of such a sphere (elementary)."""
    stated = {
        "plates": {"separation": "4.24(2) mm", "voltage": "227.4(6) V"},
        "sphere": {
            "weight": "5.15(8)e-14 N",
            "weight_of": "this sphere",
            "diameter": "2.10(2) um",
            "density": "1055 kg/m3",
        },
        "fall": {"divisions": "60.8 +/- 0.2 div"},
    }
    bench = charge.unit_in_coulombs(10.0, stated, unit_err=0.1, trials=200).bench
    d = bench.sample(draws=100, chains=2, rng=4).draws
    ratio = d["unit"] / d["fall"] * d["sphere.weight"] * d["plates.separation"]
    assert_allclose(d["unit charge"], ratio / d["plates.voltage"], rtol=1e-9)
    # Buoyancy in air, 1.2 kg/m3, changes by less than 1e-4 over the temperatures of a room.
    light = d["sphere.density"] - 1.19
    by_size = np.pi / 6 * d["sphere.diameter"] ** 3 * light * d["site.gravity"]
    assert_allclose(d["sphere.weight"], by_size, rtol=1e-4)


def test_the_draws_travel_with_their_names(sampled):
    data = sampled.to_arviz()
    assert data.posterior["inputs"].dims == ("chain", "draw", "input")
    weight = data.posterior["inputs"].sel(input="sphere.weight").values
    assert_allclose(weight.ravel(), sampled.draws["sphere.weight"])
    assert_allclose(data.posterior["charge"].values.ravel(), sampled.draws["unit charge"])
    low, high = sampled.interval(0.8)[0]
    share = np.mean(sampled.draws["unit charge"].between(low, high))
    assert share == pytest.approx(0.8, abs=0.002)
    assert "by sampling" in str(sampled)


def test_seeds_and_refusals(bench):
    one, two = (bench.sample(draws=100, chains=2, rng=5).draws for _ in range(2))
    assert one.equals(two)
    with pytest.raises(InputError, match="`draws` is 10; it must be at least 100"):
        bench.sample(draws=10)
    with pytest.raises(InputError, match="`chains` is 1"):
        bench.sample(chains=1)
    exact = {
        "plates": {"separation": "4.24 mm", "voltage": "227 V"},
        "sphere": {"weight": "5.15e-14 N", "weight_of": "this sphere"},
        "fall": {"divisions": "60.8 div"},
    }
    with pytest.raises(InputError, match="states no uncertainty at all"):
        charge.unit_in_coulombs(10.0, exact, unit_err=0.0, trials=100).bench.sample()


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::quantize._support.errors.QuantizeWarning")
def test_a_bench_that_chance_cannot_explain():
    """Shares of what may be wrong add up to one but for rounding, and chance has none below 0."""
    for scale in np.arange(26.5, 28.5, 0.25):
        tables = {
            "plates": {"separation": "4.24(2) mm", "voltage": "227.4(6) V"},
            "sphere": {"weight": "5.15(8)e-14 N", "weight_of": "this sphere",
                       "diameter": "2.10(2) um", "density": "1055(4) kg/m3"},
            "reticle": {"division": f"{scale} +/- 0.1 um"},
            "run": {"interval": "10 s"},
            "fall": {"divisions": "60.8 +/- 0.3 div"},
            "air": {"temperature": "22(1) degC", "pressure": "1013(3) hPa"},
        }  # fmt: skip
        bench = charge.unit_in_coulombs(10.15, tables, unit_err=0.1, trials=100).bench
        assert min(share for share, _ in bench.joint.cases) >= 0
    assert len(bench.sample(draws=100, chains=2, rng=1).draws) == 200


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::quantize._support.errors.QuantizeWarning")
def test_inputs_that_disagree_are_averaged_over():
    """The mean of the mixture is that of the fit; its central 95 % are those of the fit within an
    eighth of their length."""
    rows, apparatus, _ = simulate(Bench(scale_stated=1.06), 5)
    run = charge.Run(rows, apparatus)
    bench = run.unit_in_coulombs(run.fit()).bench
    assert bench.agreement.left_out is not None
    found = bench.sample(draws=500, chains=2, rng=3)
    assert found.value == pytest.approx(bench.value, abs=0.15 * bench.standard_uncertainty)
    low, high = found.interval()[0]
    assert high - low < 1.125 * np.ptp(bench.charge.interval())
    assert found.standard_uncertainty < 1.05 * bench.standard_uncertainty
