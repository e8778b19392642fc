"""The joint posterior of several particles against integration by brute force."""

import math

import numpy as np
import pandas as pd
import pytest
from plain_bench import PlainBench
from scipy.special import logsumexp
from scipy.stats import norm

import quantize as qz
from quantize import charge
from quantize.charge import Run, SimulatedBench, several
from quantize.charge.particle_posterior import (
    Particle,
    PosteriorPoints,
    balanced_draws,
    joint_posterior,
    rivals_of,
)

BENCH = {
    "plates": {"separation": "4.24 mm", "voltage": "227 V"},
    "sphere": {"weight": "5.15(8)e-14 N"},
    "fall": {"divisions": "60.0 +/- 0.6 div"},
}
SHARED = 0.08 / 5.15
FALL = 0.6 / 60.0


def few_readings(seed, unit=10.0, n=7, blur=0.16):
    """Pages so short that each leaves several units."""
    rng = np.random.default_rng(seed)
    readings = unit * rng.integers(1, 7, n) + blur * unit * rng.normal(size=n)
    return qz.fit_mixture(qz.Readings(readings, sigma=blur * unit), (4, 25))


def brute_force(pages, log_e):
    """Posterior of ln e on a grid: for each value of the shared weight and each particle, the sum
    over every point of the posterior of its unit, its fall being normal."""
    z = np.linspace(-5, 5, 41)
    total = np.full((z.size, log_e.size), 0.0)
    for page in pages:
        held = page.marginal
        held_mass = held.mass > 1e-6 * held.mass.max()
        log_q = held.log_unit[held_mass] + math.log(5.15e-14 * 4.24e-3 / 227 / 60)
        for i, shift in enumerate(z * SHARED):
            off = log_q[:, None] + shift - log_e
            total[i] += np.log(held.mass[held_mass] @ np.exp(-0.5 * (off / FALL) ** 2) + 1e-300)
    posterior = logsumexp(total + norm.logpdf(z)[:, None], axis=0)
    mass = np.exp(posterior - posterior.max())
    return mass / mass.sum()


@pytest.mark.slow
def test_joint_posterior_is_that_of_a_brute_force_grid():
    pages = [few_readings(seed, n=6, blur=0.22) for seed in (0, 4)]
    assert all(len(page.alternatives) > 2 for page in pages)
    units, posteriors, rivals = {}, {}, {}
    for name, page in zip("AB", pages, strict=True):
        units[name] = charge.unit_in_coulombs(page.unit, BENCH, unit_err=page.unit_err, trials=200)
        marginal = page.marginal
        posteriors[name] = PosteriorPoints(
            log_unit=marginal.log_unit - math.log(page.unit), mass=marginal.mass
        )
        rivals[name] = page.alternatives
    found = charge.joint_unit(units, alternatives=rivals, posteriors=posteriors)
    log_e = np.linspace(math.log(0.5e-19), math.log(4.5e-19), 700)
    exact = brute_force(pages, log_e)
    mine = np.interp(log_e, np.log(found.grid), found.density * found.grid, left=0, right=0)
    mine /= mine.sum()
    # Several hills, and the same everywhere: 0.01 of the probability, no more, is elsewhere. The
    # 600 draws of the weight stand for its integral.
    hills = exact[1:-1][(exact[1:-1] > exact[:-2]) & (exact[1:-1] > exact[2:])]
    assert np.sum(hills > 0.1 * hills.max()) > 1
    assert np.abs(mine - exact).sum() / 2 < 0.01
    pieces = found.interval(0.95)
    # The pieces of 95 % by hand: the places of highest density, on a grid forty times as fine.
    fine = np.linspace(log_e[0], log_e[-1], 40 * log_e.size)
    mass = np.interp(fine, log_e, exact)
    order = np.argsort(-mass)
    within = np.zeros(fine.size, dtype=bool)
    within[order[np.cumsum(mass[order]) <= 0.95 * mass.sum()]] = True
    edges = np.flatnonzero(np.diff(np.r_[0, within, 0]))
    ends = np.exp(np.c_[fine[edges[::2]], fine[edges[1::2] - 1]])
    assert len(pieces) == len(ends) > 1
    assert np.sort(pieces, axis=0) == pytest.approx(ends, rel=0.004, abs=0)
    assert pieces[0, 0] < found.value < pieces[0, 1]


def test_a_sure_particle_is_the_closed_form():
    pages = [few_readings(seed, n=30, blur=0.03) for seed in (1, 2)]
    units = {
        name: charge.unit_in_coulombs(page.unit, BENCH, unit_err=page.unit_err, trials=200)
        for name, page in zip("AB", pages, strict=True)
    }
    rivals = {"A": pages[0].alternatives}
    fast = charge.joint_unit(units)
    # A rival of two per mille for A sends the same particles the long way round.
    rivals["A"] = rivals["A"].iloc[[0, 0]].assign(share=[0.998, 0.002])
    rivals["A"].iloc[1, rivals["A"].columns.get_loc("unit")] *= 0.5
    posteriors = {
        name: PosteriorPoints(
            log_unit=page.marginal.log_unit - math.log(page.unit), mass=page.marginal.mass
        )
        for name, page in zip("AB", pages, strict=True)
    }
    slow = charge.joint_unit(units, alternatives=rivals, posteriors=posteriors)
    assert slow.value == pytest.approx(fast.value, rel=1e-3, abs=0)
    assert slow.standard_uncertainty == pytest.approx(fast.standard_uncertainty, rel=0.02, abs=0)
    assert slow.particles["without"].tolist() == pytest.approx(
        fast.particles["without"].tolist(), rel=1e-3, abs=0
    )


def test_unit_and_fall_of_a_run_go_together():
    # A change of the fall moves the unit with it, so that in the ratio route most of it cancels:
    # its posterior must be as narrow as the budget says, not wider.
    page, apparatus, truth = SimulatedBench().simulate(rng=4)
    run = Run(page, apparatus)
    fit = run.fit((0.6 * truth["unit"], 1.6 * truth["unit"]), sigma="predicted")
    unit = run.unit_in_coulombs(fit)
    points = fit.points
    assert points.mass.sum() == pytest.approx(1)
    fall = unit.budget.set_index("input").loc["fall"]
    log_q = points.log_unit + (fall["exponent"] - points.fall_exponent) * points.log_fall
    # Points within the best hill.
    near = np.abs(points.log_unit) < 0.05
    mass = points.mass[near] / points.mass[near].sum()
    mean = mass @ log_q[near]
    spread = math.sqrt(mass @ (log_q[near] - mean) ** 2)
    budget = unit.budget.set_index("input")
    own = math.hypot(*(budget.loc[name, "contribution"] / unit.value for name in ("unit", "fall")))
    assert mean == pytest.approx(0, abs=0.3 * own)
    assert spread == pytest.approx(own, rel=0.1)


def test_balanced_draws_are_standard_normal_in_their_first_two_moments():
    z = balanced_draws(np.random.default_rng(1), 300, 4)
    assert z.shape == (600, 4)
    assert z.mean(axis=0) == pytest.approx([0] * 4, abs=1e-12)
    assert z.T @ z / 600 == pytest.approx(np.eye(4), abs=1e-12)


@pytest.mark.slow
def test_a_particle_with_no_own_error_but_unit_and_fall():
    # Spheres all alike, their weight exact and the rest of the bench shared: nothing but unit and
    # fall is a particle's own. Half the unit keeps some per mille, so that the whole posteriors
    # count; with the unit alone in range the joint value is that of generalised least squares.
    drawn = PlainBench(spread=0.0, spheres=2, falls=6).draw(np.random.default_rng(8))
    run = Run(drawn.page, drawn.apparatus)
    found = run.joint_unit_in_coulombs()
    fits = {label: run.particle(label).fit((7, 14)) for label in run.particles}
    units = {k: run.particle(k).unit_in_coulombs(f) for k, f in fits.items()}
    particles = [run.particle(label).fit() for label in run.particles]
    assert any(len(v.alternatives[v.alternatives["share"] > 1e-3]) > 1 for v in particles)
    closed = charge.joint_unit(units)
    assert found.value == pytest.approx(closed.value, rel=1e-3, abs=0)
    # Half the unit has 3e-5 of the joint posterior, far away: the spread is that of the middle. (No
    # quantile: the bench's own laws are not normal, so that 68 % reach farther than one spread.)
    near = np.abs(found.grid / closed.value - 1) < 0.2
    mass = (np.gradient(found.grid) * found.density)[near]
    spread = np.sqrt(np.cov(found.grid[near], aweights=mass, ddof=0))
    assert spread == pytest.approx(closed.standard_uncertainty, rel=0.01, abs=0)


def test_particles_that_disagree_have_no_flat_posterior():
    # Two sure particles 60 of their own errors apart: the product of two normal laws has its mode
    # between them, and half the variance of one.
    step = 1e-4
    points = step * np.arange(-60, 61)
    mass = norm.pdf(points, 0, 1e-3) * step
    place = PosteriorPoints(log_unit=points, mass=mass / mass.sum())
    particles = [
        Particle(log_q=q, own=1e-3, slopes=np.zeros(1), rivals=rivals_of(None), points=place)
        for q in (-0.03, 0.03)
    ]
    grid = np.linspace(-0.1, 0.1, 8001)
    posterior, _ = joint_posterior(grid, particles, np.zeros((2, 1)))
    mean = posterior @ grid
    assert mean == pytest.approx(0, abs=1e-4)
    assert math.sqrt(posterior @ (grid - mean) ** 2) == pytest.approx(1e-3 / math.sqrt(2), rel=0.05)


def test_the_how_to_of_several_particles_needs_no_range():
    bench = SimulatedBench(weight_of="the batch", falls=6)
    pages = []
    for label in "ABC":
        page, apparatus, truth = bench.simulate(rng=1 + ord(label))
        pages.append(page.assign(particle=label))
    found = Run(pd.concat(pages), apparatus).joint_unit_in_coulombs()
    # Within four standard uncertainties: a false alarm in 15,000.
    assert found.value == pytest.approx(truth["charge"], abs=4 * found.standard_uncertainty)


def test_low_ends_that_are_much_alike_put_no_rounding_into_the_phase() -> None:
    # Below 2.5 of its rounding steps a particle is fitted as rounded, fifty times as slowly.
    bench = SimulatedBench(weight_of="the batch", falls=6)
    pages = {k: bench.simulate(rng=1 + ord(k))[:2] for k in "ABC"}
    run = Run(pd.concat([p.assign(particle=k) for k, (p, _) in pages.items()]), pages["A"][1])
    each = run.analyze_each(rng=1)
    found = {k: (one.coulombs, one.fit, one.run) for k, one in each.analyses.items()}
    ends = []
    for label, (unit, fit, _) in several._over_common_units(found).items():
        assert not fit.mixture.model.rounding
        assert fit.mixture.unit_range.low >= found[label][1].mixture.unit_range.low
        ends.append(fit.mixture.unit_range.low * unit.value / fit.unit)
    assert ends == pytest.approx([max(ends)] * 3, rel=0.01)


def test_falls_below_zero_are_no_part_of_a_posterior() -> None:
    # Student's t of two degrees of freedom, as of three falls, reaches below no fall at all.
    few = SimulatedBench(falls=3, states=((6, 2), (4, 2), (7, 2), (9, 2)))
    points = Run(*few.simulate(rng=2)[:2]).fit((6, 16)).points
    assert points.log_fall is not None
    assert np.isfinite(points.log_fall).all()
    assert points.mass.sum() == pytest.approx(1, abs=1e-9)


def test_a_joint_unit_between_two_modes_is_one_of_them():
    # Two particles that each hold 10 and 5 divisions possible: so do both together, and 7.5 is
    # what neither does.
    units = {k: charge.unit_in_coulombs(10.0, BENCH, unit_err=0.1, trials=200) for k in "AB"}
    rivals = {"unit": [10.0, 5.0], "unit_err": [0.1, 0.05], "share": [0.6, 0.4]}
    found = charge.joint_unit(units, alternatives=dict.fromkeys("AB", pd.DataFrame(rivals)))
    alone = charge.joint_unit(units)
    assert found.value == pytest.approx(alone.value, rel=1e-3, abs=0)
    assert found.standard_uncertainty == pytest.approx(alone.standard_uncertainty, rel=0.02, abs=0)
    # The product of the shares, 0.6² against 0.4², by hand.
    assert found.alternatives["share"].tolist() == pytest.approx(
        [0.36 / 0.52, 0.16 / 0.52], abs=0.01
    )
    assert found.alternatives["value"][1] == pytest.approx(alone.value / 2, rel=1e-3, abs=0)
    assert "which holds 69.2 % of the probability" in str(found)
    assert "which holds" not in str(alone)


def test_the_joint_unit_stands_where_its_density_is_high():
    found = []
    for seed in range(12):
        pages = [few_readings(10 * seed + i, n=6, blur=0.2) for i in range(2)]
        units, posteriors, rivals = {}, {}, {}
        for name, page in zip("AB", pages, strict=True):
            units[name] = charge.unit_in_coulombs(
                page.unit, BENCH, unit_err=page.unit_err, trials=100
            )
            posteriors[name] = PosteriorPoints(
                log_unit=page.marginal.log_unit - math.log(page.unit), mass=page.marginal.mass
            )
            rivals[name] = page.alternatives
        found.append(charge.joint_unit(units, alternatives=rivals, posteriors=posteriors))
    assert sum(one.alternatives["share"][0] < 0.95 for one in found) > 3
    for one in found:
        density = one.density * one.grid
        assert np.interp(one.value, one.grid, density) > 0.1 * density.max()
        assert one.alternatives["share"].sum() == pytest.approx(1)


def test_a_particle_of_two_neighbouring_states_halves_no_unit():
    # Half the span of readings at three and four units is half a unit: the range that is chosen
    # for them alone ends there, and says nothing against the unit that the other particle shows.
    parts = []
    for label, units in (("A", (3, 4)), ("B", (2, 5, 7, 3, 4))):
        states = tuple((n, 3) for n in units)
        bench = SimulatedBench(states=states, falls=len(units), weight_of="the batch")
        rows, apparatus, truth = bench.simulate(rng=0)
        parts.append(rows.assign(particle=label))
    run = Run(pd.concat(parts), apparatus)
    assert run.particle("A").fit().mixture.unit_range.high < 0.7 * truth["unit"]
    found = run.joint_unit_in_coulombs()
    assert found.value == pytest.approx(truth["charge"], abs=4 * found.standard_uncertainty)
    assert found.alternatives["share"][0] > 0.9
    # A range that is given stays: a unit beyond it is not looked for.
    kept = run.joint_unit_in_coulombs((2.5, 0.7 * truth["unit"]))
    assert kept.value < 0.8 * truth["charge"]
