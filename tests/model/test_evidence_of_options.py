"""The evidence under every option of the model against plain sums over all parameters at once."""

import itertools

import numpy as np
import pytest
from scipy import stats

import quantize as qz
from quantize.comb.unit_range import UnitRange
from quantize.model.priors import priors_of
from quantize.model.wrapped_likelihood import likelihood_of
from quantize.shared_shift import SharedShift

RANGE = (0.6, 1.8)
GAUSS = np.polynomial.legendre.leggauss(10)


def sample(n=5, spread=0.12, seed=11, **columns):
    rng = np.random.default_rng(seed)
    return qz.Readings(rng.integers(1, 7, size=n) + spread * rng.normal(size=n), **columns)


def panels(low, high, count):
    """Gauss–Legendre places and log weights on panels between two ends."""
    x, w = GAUSS
    width = (high - low) / count
    place = low + width * (np.arange(count)[:, None] + 0.5 * (x + 1))
    return place.ravel(), np.log(np.tile(0.5 * w * width, count))


def dense(readings, model, *, jumps=(), unit=60, sigma=8, offset=8, growth=6, outliers=4):
    """Log evidence and posterior means by plain sums over all parameters at once."""
    unit_range = UnitRange(low=RANGE[0], high=RANGE[1], chosen=False, reason="")
    prior, likelihood = priors_of(model, unit_range, readings), likelihood_of(model, readings)
    ends = np.log(np.unique([*RANGE, *(j for j in jumps if RANGE[0] < j < RANGE[1])]))
    parts = [panels(a, b, unit) for a, b in itertools.pairwise(ends)]
    axes = [tuple(np.concatenate(p) for p in zip(*parts, strict=True))]
    for name in prior.names[1:]:
        if name == "log_sigma":
            axes.append(panels(*np.log(prior.sigma_reach()), sigma))
        elif name == "phase":
            size = 10 * offset
            axes.append((np.arange(size) / size, np.full(size, -np.log(size))))
        elif name == "offset":
            axes.append(panels(*prior.offset.ppf([1e-9, 1 - 1e-9]), offset))
        elif name == "log_growth":
            axes.append(panels(*np.log(prior.growth.ppf([0, 1])), growth))
        else:
            axes.append(panels(0, 0.9, outliers))
    first, *rest = axes
    log_mass, sums = [], []
    for places in itertools.product(*(zip(*axis, strict=True) for axis in rest)):
        theta = np.column_stack([first[0], *(np.full(first[0].size, p[0]) for p in places)])
        p = prior.parameters(theta)
        value = likelihood.log_likelihood(p) + prior.log_density(p) + first[1]
        value += sum(p[1] for p in places)
        log_mass.append(value)
        sums.append(np.array([p.unit, p.sigma, p.growth, p.outliers]))
    log_mass = np.array(log_mass)
    total = np.logaddexp.reduce(log_mass, axis=None)
    means = np.einsum("ij,ikj->k", np.exp(log_mass - total), np.array(sums))
    return float(total), dict(zip(("unit", "sigma", "growth", "outliers"), means, strict=True))


def posterior_mean(found, name):
    nodes = found.posterior._nodes
    value = {
        "unit": np.exp(nodes.log_unit),
        "sigma": nodes.noise.sigma[nodes.index],
        "growth": nodes.noise.growth[nodes.index],
        "outliers": nodes.noise.outliers[nodes.index],
    }[name]
    return float(np.sum(nodes.share * value))


LEVER, ACROSS = np.array([1.0, 0.5, -1.5, 2.0]), np.array([1.0, 0.5, -1.5, 2.0, 1.0])
WINDOW = (0.5, 6.6)
JUMPS = [edge / k for edge in WINDOW for k in range(1, 12)]
KNOWN = {
    "window": (sample(), {"window": WINDOW}, JUMPS),
    "range": (sample(), {"integers": (1, 7)}, ()),
    "positive": (sample(), {"integers": "positive"}, ()),
    "normal envelope": (sample(), {"envelope": stats.norm(3, 2)}, ()),
    "outliers": (sample(), {"outliers": 0.1}, ()),
    "states": (sample(state=["a", "a", "b", "c", "c"]), {"outliers": 0.05}, ()),
    "rounded": (sample(resolution=0.1), {"rounding": True}, ()),
    "off the scale": (sample(beyond=[0, 0, 1, 0, 0]), {"integers": (1, 9)}, ()),
    "changed": (sample(changed=[0, 1, 0, 0, 0]), {}, ()),
    "prior of the unit": (sample(), {"priors": {"unit": stats.lognorm(0.1)}}, ()),
    "growth known": (sample(), {"noise": "proportional", "priors": {"growth": 0.02}}, ()),
    "free weights": (sample(), {"envelope": "levels"}, ()),
}


@pytest.mark.parametrize("name", KNOWN)
def test_evidence_with_sigma_known(name):
    readings, options, jumps = KNOWN[name]
    model = qz.MixtureModel(sigma=0.12, **options)
    expected, means = dense(readings, model, jumps=jumps, unit=60 if jumps == () else 12)
    found = qz.fit_mixture(readings, RANGE, model=model)
    # The bound for free weights is found step by step, which leaves it rough in the sixth digit.
    tolerance = {"free weights": 3e-5, "changed": 1e-5}.get(name, 1e-6)
    assert found.log_evidence == pytest.approx(expected, abs=tolerance)
    assert posterior_mean(found, "unit") == pytest.approx(means["unit"], abs=1e-4)


UNKNOWN = {
    "sigma": (sample(4), {"integers": (1, 7)}, {}),
    "factor on given sigmas": (sample(4, sigma=[0.1, 0.2, 0.1, 0.05]), {"sigma": (0.3, 3.0)}, {}),
    "sigma by lognormal": (sample(4), {"sigma": stats.lognorm(0.3, scale=0.1)}, {}),
    "outliers free": (sample(5), {"sigma": 0.12, "outliers": "free"}, {"outliers": 6}),
    "growth": (sample(4), {"sigma": 0.05, "noise": "proportional"}, {"growth": 12}),
    "growth of counts": (
        sample(4),
        {"sigma": 0.05, "noise": "counting", "priors": {"growth": (0.01, 0.2)}},
        {"growth": 10},
    ),
    "sigma and growth": (
        sample(4),
        {"noise": "proportional", "priors": {"growth": (0.005, 0.2)}},
        {"sigma": 5, "growth": 3, "unit": 20},
    ),
    "sigma and growth of many": (
        sample(20),
        {"sigma": (0.04, 0.3), "noise": "proportional", "priors": {"growth": (0.005, 0.1)}},
        {"sigma": 3, "growth": 2, "unit": 40},
    ),
    "free offset": (sample(4), {"sigma": 0.15, "offset": "free"}, {"offset": 16}),
    "free offset in a window": (
        sample(4),
        {"sigma": 0.15, "offset": "free", "window": WINDOW},
        {"offset": 40, "unit": 80},
    ),
    "offset with a prior": (sample(4), {"sigma": 0.12, "offset": stats.norm(0.05, 0.1)}, {}),
    "sigma and offset": (
        sample(3),
        {"offset": "free", "sigma": (0.1, 0.4)},
        {"offset": 4, "sigma": 2, "unit": 30},
    ),
    "shift": (
        sample(4, shift=SharedShift(error=0.1, lever=LEVER)),
        {"sigma": 0.12, "integers": (1, 7)},
        {},
    ),
    "shift of few degrees of freedom": (
        sample(4, shift=SharedShift(error=0.1, lever=LEVER, degrees_of_freedom=6)),
        {"sigma": 0.12},
        {"offset": 40, "unit": 30},
    ),
    "shift within states": (
        sample(5, state=["a", "a", "b", "c", "c"], shift=SharedShift(error=0.1, lever=ACROSS)),
        {"sigma": 0.12, "outliers": 0.05, "window": WINDOW},
        {"jumps": JUMPS, "unit": 12},
    ),
    "sigma and outliers": (
        sample(4),
        {"outliers": "free"},
        {"sigma": 5, "outliers": 1, "unit": 30},
    ),
}


@pytest.mark.parametrize("name", UNKNOWN)
def test_evidence_with_more_unknown(name):
    readings, options, size = UNKNOWN[name]
    model = qz.MixtureModel(**options)
    expected, means = dense(readings, model, **size)
    found = qz.fit_mixture(readings, RANGE, model=model)
    # Where teeth leave a window as unit and offset change, lattice and grid are both rough.
    tolerance = 3e-3 if "window" in name else 1e-3
    assert found.log_evidence == pytest.approx(expected, abs=tolerance)
    for parameter in ("unit", "sigma", "growth", "outliers"):
        assert posterior_mean(found, parameter) == pytest.approx(
            means[parameter], rel=3e-3, abs=1e-4
        )
