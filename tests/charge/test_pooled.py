"""Units of several runs: between them, what they share, and what is printed."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import halfcauchy, multivariate_normal

from quantize import charge
from quantize._support.errors import InputError
from quantize.charge.adjustment import constant, paule_mandel
from quantize.charge.pooled import OverSpread, pooled
from quantize.comb.unit_range import UnitRange
from quantize.show.several import pooled_view
from quantize.show.text import view_text

# Events and others, treated and control, of the thirteen trials in G. A. Colditz et al., JAMA
# 271:698 (1994), table 1, as general textbooks of meta-analysis print them.
TRIALS = (
    (4, 119, 11, 128), (6, 300, 29, 274), (3, 228, 11, 209), (62, 13536, 248, 12619),
    (33, 5036, 47, 5761), (180, 1361, 372, 1079), (8, 2537, 10, 619), (505, 87886, 499, 87892),
    (29, 7470, 45, 7232), (17, 1699, 65, 1600), (186, 50448, 141, 27197), (5, 2493, 3, 2338),
    (27, 16886, 29, 17825),
)  # fmt: skip


def test_the_spread_between_published_trials() -> None:
    # Log risk ratios. By Paule and Mandel's rule textbooks give a variance of 0.318 between
    # trials and a mean of -0.715 (from memory).
    y, v = [], []
    for a, b, c, d in TRIALS:
        y.append(math.log(a / (a + b)) - math.log(c / (c + d)))
        v.append(1 / a - 1 / (a + b) + 1 / c - 1 / (c + d))
    values, covariance = np.array(y), np.diag(v)
    between = paule_mandel(values, covariance)
    assert between**2 == pytest.approx(0.318, abs=1e-3)
    mean = constant(values, covariance + between**2 * np.eye(len(y))).value
    assert mean == pytest.approx(-0.715, abs=1e-3)


def test_no_spread_where_the_errors_explain_it() -> None:
    # Three values whose chi-square is 2 for errors of 1 (by hand: deviations -1, 0, 1).
    values = np.array([-1.0, 0.0, 1.0])
    assert paule_mandel(values, 1.01 * np.eye(3)) == 0
    assert paule_mandel(values, 0.5 * np.eye(3)) ** 2 == pytest.approx(0.5)


# Effects and standard errors of the coaching of eight schools: D. B. Rubin, J. Educ. Stat. 6:377
# (1981), as general textbooks print them.
EFFECTS = np.array([28.0, 8, -3, 7, -1, 1, 18, 12])
ERRORS = np.array([15.0, 10, 16, 11, 9, 11, 10, 18])


@pytest.mark.parametrize(("n", "shared"), [(2, 0.0), (3, 6.0), (8, 0.0)])
def test_a_constant_averaged_over_the_spread_by_plain_integration(n: int, shared: float) -> None:
    # Half-Cauchy spread by its own density of scipy, a flat constant; the shared error is drawn
    # apart from those of each, so that every value is normal given it.
    y, covariance, scale = EFFECTS[:n], np.diag(ERRORS[:n] ** 2) + shared**2, 10.0
    tau = halfcauchy.ppf((np.arange(4000) + 0.5) / 4000, scale=scale)
    mu = np.linspace(-150, 170, 1601)
    density = np.zeros_like(mu)
    for spread in tau:
        law = multivariate_normal(np.zeros(n), covariance + spread**2 * np.eye(n))
        density += law.pdf(y - mu[:, None])
    below = np.cumsum(density) / density.sum()
    found = OverSpread.of(y, covariance, scale)
    for prob in (0.1, 0.5, 0.9):
        assert found.quantile(prob) == pytest.approx(float(np.interp(prob, below, mu)), abs=0.2)


@pytest.mark.slow
@pytest.mark.parametrize(("n", "tau"), [(2, 0.0), (2, 1.0), (3, 1.0), (10, 1.0), (10, 2.0)])
def test_the_interval_of_simulated_classes(n: int, tau: float) -> None:
    # Own errors of 1 % to 3 %, a shared one of 1 %, a spread of so many times 2 %. Few runs say
    # little of the spread and hold more than is said; within 4 deviations of a binomial share.
    rng, many = np.random.default_rng(5), 400
    own = np.linspace(0.01, 0.03, n)
    covariance = np.diag(own**2) + 0.01**2
    held, spreads, half_widths = 0, [], []
    for _ in range(many):
        y = own * rng.normal(size=n) + 0.01 * rng.normal() + 0.02 * tau * rng.normal(size=n)
        found = OverSpread.of(y, covariance, math.sqrt(float(np.mean(own**2))))
        low, high = found.quantile(0.025), found.quantile(0.975)
        held += low <= 0 <= high
        spreads.append(paule_mandel(y, covariance) ** 2)
        half_widths.append((high - low) / 2)
    assert held / many > 0.95 - 4 * math.sqrt(0.95 * 0.05 / many)
    if n == 10:
        assert np.mean(spreads) == pytest.approx((0.02 * tau) ** 2, rel=0.15)
    if tau == 0:
        # Of Student's t with one degree of freedom it would be 12.7 standard errors.
        error = constant(np.zeros(n), covariance).standard_uncertainty
        assert np.median(half_widths) < 4.5 * error


def unit(
    value: float,
    batch: str = "the batch",
    gap: str = "4.24 +/- 0.04 mm",
    weight: str = "5.15(8)e-14 N",
) -> charge.UnitInCoulombs:
    """A unit by the ratio route."""
    tables = {
        "plates": {"separation": gap, "voltage": "227 +/- 1 V"},
        "sphere": {"weight": weight, "weight_of": batch},
        "fall": {"divisions": "60.8 +/- 0.4 div"},
    }
    return charge.unit_in_coulombs(value, tables, unit_err=0.1, trials=200)


def run(value: float, bench: str, batch: str = "the batch") -> SimpleNamespace:
    """What pooling asks of an analyzed run: its unit in coulombs and its bench."""
    found = unit(value, batch)
    one = SimpleNamespace(
        coulombs=found,
        fit=SimpleNamespace(
            unit=value,
            alternatives=None,
            points=None,
            mixture=SimpleNamespace(unit_range=UnitRange.given((4, 25))),
        ),
        run=SimpleNamespace(table={}, bench=lambda: SimpleNamespace(source=bench)),
    )
    return SimpleNamespace(analyses={"1": one})


def test_what_runs_share_is_counted_once() -> None:
    # Generalised least squares by numpy, from the budget: the weight of the batch is shared by
    # all, plates and voltage by those on one bench, unit and fall by nobody.
    runs = {"a": run(10.0, "one"), "b": run(10.2, "one"), "c": run(10.1, "two")}
    found = pooled(runs)
    each = [r.analyses["1"].coulombs for r in runs.values()]
    parts = [u.budget.assign(r=u.budget["slope"] / u.value).set_index("input") for u in each]
    errors = [p["r"] * p["standard_uncertainty"] for p in parts]
    relative = errors[0]
    own = np.array([math.hypot(e["unit"], e["fall"]) for e in errors])
    bench = relative["plates.separation"] ** 2 + relative["plates.voltage"] ** 2
    weight = relative["sphere.weight"] ** 2
    on_one = np.array([[1, 1, 0], [1, 1, 0], [0, 0, 1]])
    covariance = np.diag(own**2) + bench * on_one + weight
    weights = np.linalg.solve(covariance, np.ones(3))
    assert found.between == 0
    assert found.runs["weight"].to_numpy() == pytest.approx(weights / weights.sum(), abs=1e-6)
    relative_error = found.standard_uncertainty / found.value
    assert relative_error == pytest.approx(1 / math.sqrt(weights.sum()), rel=1e-6)
    shared = bench * np.array([[1, 1, 0], [1, 1, 0], [0, 0, 0]]) + weight
    w = found.runs["weight"].to_numpy()
    assert found.shared / found.value == pytest.approx(math.sqrt(w @ shared @ w), rel=1e-6)
    on_its_own = np.array([own[0], own[1], math.sqrt(own[2] ** 2 + bench)])
    assert (found.runs["own"] / found.runs["value"]).to_numpy() == pytest.approx(on_its_own)
    alone = pooled({"a": runs["a"], "b": run(10.2, "two", "this sphere")})
    assert alone.shared < found.shared
    assert found.homogeneity["degrees_of_freedom"] == 2


def test_runs_that_share_nothing_say_so() -> None:
    found = pooled({name: run(10.0, name, "this sphere") for name in "abcd"})
    assert found.shared == 0
    assert found.runs["own"].tolist() == pytest.approx(
        found.runs["standard_uncertainty"].tolist(), rel=1e-6, abs=0
    )
    one = found.runs["standard_uncertainty"][0]
    assert found.standard_uncertainty == pytest.approx(one / 2, rel=1e-6, abs=0)


def test_what_is_shared_is_a_part_of_the_whole() -> None:
    # A poor bench and a good one: the poor one has almost no weight, and its plates no share.
    poor, good = unit(10.0, "this sphere", "4.24 +/- 0.4 mm"), unit(10.0, "this sphere")
    found = charge.joint_unit({"a": poor, "b": good}, benches={"a": "one", "b": "two"})
    assert found.shared == 0
    own = found.particles["own"]
    assert own.tolist() == pytest.approx([poor.standard_uncertainty, good.standard_uncertainty],
                                         rel=1e-6, abs=0)  # fmt: skip
    together = charge.joint_unit({"a": good, "b": good})
    assert 0 < together.shared < together.standard_uncertainty


@pytest.mark.parametrize(
    ("other", "batch"),
    [({"gap": "3.60 +/- 0.034 mm"}, "this sphere"), ({"weight": "2.57(4)e-14 N"}, "the batch")],
)
def test_entries_that_are_stated_otherwise_share_no_error(other: dict, batch: str) -> None:
    # Two benches without a name, and two batches: by hand, errors that are independent but for
    # what is stated alike, which is the voltage on the one bench and the plates on the other.
    both = {"a": unit(10.0, batch), "b": unit(10.0, batch, **other)}
    found = charge.joint_unit(both)
    errors = [u.relative_parts.drop(["unit", "fall"]).abs() for u in both.values()]
    differs = "plates.separation" if "gap" in other else "sphere.weight"
    alike = [n for n in errors[0].index if n != differs and both["a"].inputs[n].scope != "particle"]
    covariance = np.diag([(u.standard_uncertainty / u.value) ** 2 for u in both.values()])
    covariance[0, 1] = covariance[1, 0] = float(np.sum(errors[0][alike] * errors[1][alike]))
    expected = constant(np.log([u.value for u in both.values()]), covariance)
    assert found.value == pytest.approx(math.exp(expected.value), rel=1e-6, abs=0)
    relative = found.standard_uncertainty / found.value
    assert relative == pytest.approx(expected.standard_uncertainty)


def test_a_wrong_bench_shows_between_the_runs() -> None:
    runs = {name: run(10.0, name, "this sphere") for name in "abcd"} | {
        "e": run(12.0, "e", "this sphere")
    }
    found = pooled(runs)
    assert found.homogeneity["p_value"] < 1e-4
    assert found.between > 0.05
    low, high = found.interval()[0]
    assert low < found.runs["value"][0] < high
    text = view_text(pooled_view(found))
    assert "do NOT agree" in text
    assert max(map(len, text.splitlines())) <= 80
    drawn = found.plot()
    assert [label.get_text() for label in drawn.get_yticklabels()][-1] == "pooled"


def test_fewer_than_two_runs_cannot_be_pooled(tmp_path) -> None:
    none = SimpleNamespace(analyses={}, table={"missing": SimpleNamespace(iloc=["no fall."])})
    with pytest.raises(InputError, match=r"has 1 run with coulombs, and two .*; b: no fall"):
        pooled({"a": run(10.0, "one"), "b": none})
    with pytest.raises(InputError, match="no page of a run is in it"):
        charge.pool_runs(tmp_path)
    (tmp_path / "amber.csv").write_text("V,div,t\n200,3,10\n")
    with pytest.raises(InputError, match=r"put amber\.toml beside it"):
        charge.pool_runs(tmp_path)


def test_runs_and_units_may_come_in_a_sequence() -> None:
    few = charge.SimulatedBench(states=((6, 3), (4, 3), (7, 3), (5, 3)), falls=3)
    runs = [charge.Run(*few.simulate(rng=i)[:2]) for i in (1, 2)]
    how = {"unit_range": (6, 16), "n_resamples": 19, "rng": 1}
    pooled, analyses = charge.pool_runs(runs, **how)
    named, _ = charge.pool_runs({"1": runs[0], "2": runs[1]}, **how)
    assert list(analyses) == ["1", "2"]
    assert (pooled.value, pooled.standard_uncertainty) == (named.value, named.standard_uncertainty)
    units = [run.unit_in_coulombs(run.fit((6, 16))) for run in runs]
    by_name = charge.joint_unit({"1": units[0], "2": units[1]})
    assert charge.joint_unit(units).value == by_name.value


def test_what_is_neither_a_folder_nor_several_is_refused_in_a_sentence() -> None:
    with pytest.raises(InputError, match=r"^`runs` is 5; give several, by their names\.$"):
        charge.pool_runs(5)
    with pytest.raises(InputError, match=r"^`units` is None; give several, by their names"):
        charge.joint_unit(None)
    with pytest.raises(InputError, match=r"^`runs` has 0 runs with coulombs, and two at least"):
        charge.pool_runs([])
    with pytest.raises(InputError, match=r"^`units` holds 0 particles; join two at least"):
        charge.joint_unit([])
