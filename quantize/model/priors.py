"""The priors of all parameters together: their density, draws from them, nodes of sigma."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from quantize._support.errors import InputError
from quantize._support.validation import FloatArray
from quantize.comb.unit_range import UnitRange, default_sigma_range, need_factor
from quantize.model import distributions, sigma_prior
from quantize.model.model import MixtureModel
from quantize.model.terms import Parameters
from quantize.readings import Readings

_GROWTH = (0.003, 0.3)
"""Relative standard deviations from a well-run clock to a hand on the watch."""
_PANEL = 1.2
CUT = 1.5
"""Largest sigma, in units, that the tapered prior leaves possible."""


@dataclasses.dataclass(frozen=True)
class TaperedSigma:
    """The prior of `quantize.model.sigma_prior`, cut off at one and a half units.

    The cut leaves out less than 1e-6 of the prior.
    """

    low: float
    high: float

    def log_density(self, sigma: FloatArray, unit: FloatArray) -> FloatArray:
        """Log density of log sigma given the unit."""
        density = sigma_prior.log_density(sigma, unit, self.low, self.high)
        return np.where(sigma <= CUT * unit, density, -np.inf)

    def draw(self, unit: FloatArray, rng: np.random.Generator) -> FloatArray:
        """One sigma for each unit."""
        return sigma_prior.draw_sigma(unit, self.low, self.high, rng)


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class ParameterPriors:
    """Priors of unit, sigma, offset, growth and outlier share.

    `unit` is a distribution, cut to (low, high), or None for log-uniform. `sigma` is a number, a
    distribution, or the `TaperedSigma` that depends on the unit. `offset` is a distribution, a
    number, or None for one that is uniform over a unit.
    """

    low: float
    high: float
    unit: Any
    sigma: Any
    offset: Any
    origin: float
    growth: Any
    outliers: Any

    @property
    def free(self) -> bool:
        """Whether the offset is uniform over one unit."""
        return self.offset is None

    @property
    def names(self) -> tuple[str, ...]:
        """The coordinates that are not known; see `coordinates`."""
        names = ["log_unit"]
        if not isinstance(self.sigma, float):
            names.append("log_sigma")
        if self.free:
            names.append("phase")
        elif not isinstance(self.offset, float):
            names.append("offset")
        if distributions.is_distribution(self.growth):
            names.append("log_growth")
        if distributions.is_distribution(self.outliers):
            names.append("outliers")
        return tuple(names)

    def parameters(self, theta: FloatArray) -> Parameters:
        """Parameters at coordinates `theta` (m, d): logs of unit, sigma and growth, the offset as
        a phase from `origin` where it is free, the share of outliers as it is."""
        column = dict(zip(self.names, theta.T, strict=True))
        unit = np.exp(column["log_unit"])
        same = np.ones(unit.size)
        sigma = np.exp(column["log_sigma"]) if "log_sigma" in column else self.sigma * same
        if self.free:
            # Counted from the tooth in [0, unit), as results are.
            offset = (self.origin + unit * column["phase"]) % unit
        else:
            offset = column["offset"] if "offset" in column else self.offset * same
        growth = np.exp(column["log_growth"]) if "log_growth" in column else self.growth * same
        outliers = column["outliers"] if "outliers" in column else self.outliers * same
        return Parameters(unit=unit, sigma=sigma, offset=offset, growth=growth, outliers=outliers)

    def coordinates(self, p: Parameters) -> FloatArray:
        """The inverse of `parameters`, shape (m, d)."""
        column = {
            "log_unit": np.log(p.unit),
            "log_sigma": np.log(p.sigma),
            "phase": (p.offset - self.origin) / p.unit % 1.0,
            "offset": p.offset,
            "outliers": p.outliers,
        }
        if "log_growth" in self.names:
            column["log_growth"] = np.log(p.growth)
        return np.column_stack([column[name] for name in self.names])

    def log_density(self, p: Parameters) -> FloatArray:
        """Log prior density in the coordinates; −inf outside the support."""
        value = self.log_unit_density(p.unit)
        if not isinstance(self.sigma, float):
            value = value + self.log_sigma_density(p.sigma, p.unit)
        if distributions.is_distribution(self.offset):
            value = value + distributions.log_density(self.offset, p.offset)
        if distributions.is_distribution(self.growth):
            with np.errstate(divide="ignore"):
                value = value + distributions.log_density(self.growth, p.growth) + np.log(p.growth)
        return value + distributions.log_density(self.outliers, p.outliers)

    def log_unit_density(self, unit: FloatArray) -> FloatArray:
        """Density in log unit."""
        inside = (unit >= self.low) & (unit <= self.high)
        if self.unit is None:
            return np.where(inside, -np.log(np.log(self.high / self.low)), -np.inf)
        part = float(self.unit.cdf(self.high) - self.unit.cdf(self.low))
        value: FloatArray = distributions.log_density(self.unit, unit) + np.log(unit) - np.log(part)
        return np.where(inside, value, -np.inf)

    def log_sigma_density(self, sigma: FloatArray, unit: FloatArray) -> FloatArray:
        """Density in log sigma, given the unit."""
        if isinstance(self.sigma, TaperedSigma):
            return self.sigma.log_density(sigma, unit)
        return distributions.log_density(self.sigma, sigma) + np.log(sigma)

    def sigma_nodes(self, n: int) -> tuple[FloatArray, FloatArray]:
        """Nodes in sigma and log weights for integrating a density in log sigma."""
        if isinstance(self.sigma, float):
            return np.array([self.sigma]), np.zeros(1)
        low, high = self.sigma_reach()
        length = float(np.log(high / low))
        panels = int(np.ceil(length / min(_PANEL, 6 / np.sqrt(2 * n))))
        if not isinstance(self.sigma, TaperedSigma | distributions.LogUniform):
            # In one panel a bell, of which twelve deviations are taken, loses 4 % of itself.
            panels = max(panels, 2)
        nodes, log_weight = distributions.nodes((low, high), panels)
        return nodes, log_weight + np.log(length)

    def sigma_reach(self) -> tuple[float, float]:
        """Ends of the prior of sigma; twice the same where it is known."""
        if isinstance(self.sigma, TaperedSigma):
            return self.sigma.low, self.sigma.high
        return distributions.reach(self.sigma)

    def draw(self, size: int, rng: np.random.Generator) -> Parameters:
        """Draws from the prior."""
        if self.unit is None:
            unit = self.low * (self.high / self.low) ** rng.random(size)
        else:
            ends = self.unit.cdf([self.low, self.high])
            unit = np.asarray(self.unit.ppf(rng.uniform(ends[0], ends[1], size)), float)
        if isinstance(self.sigma, TaperedSigma):
            sigma = self.sigma.draw(unit, rng)
        else:
            sigma = distributions.sample(self.sigma, size, rng)
        if self.free:
            offset = self.origin + unit * rng.random(size)
        else:
            offset = distributions.sample(self.offset, size, rng)
        return Parameters(
            unit=unit,
            sigma=sigma,
            offset=offset,
            growth=distributions.sample(self.growth, size, rng),
            outliers=distributions.sample(self.outliers, size, rng),
        )


def _need_digits(sigma: Any, readings: Readings, reach: float) -> None:
    """Refuse a scatter below the last digit that the readings have as floats, unless rounded."""
    least = sigma[0] if isinstance(sigma, tuple) else sigma
    if not isinstance(least, float) or readings.steps is not None:
        return
    least *= float(readings.scale.min())
    if least < np.spacing(reach):
        raise InputError(
            f"`sigma` is as small as {least:.3g}, below the last digit of readings as large as "
            f"{reach:.3g}; give both in one unit."
        )


def priors_of(model: MixtureModel, unit_range: UnitRange, readings: Readings) -> ParameterPriors:
    """What a model means for these readings and this range of units."""
    values = readings.values[readings.measured]
    reach = float(np.abs(values).max())
    sigma: Any = model.sigma
    if sigma is not None:
        need_factor(sigma if isinstance(sigma, tuple) else distributions.reach(sigma), readings)
    if sigma is None and readings.sigma is not None:
        sigma = 1.0
    _need_digits(sigma, readings, reach)
    if sigma is None:
        sigma = TaperedSigma(*default_sigma_range(readings, unit_range))
    elif isinstance(sigma, tuple) and readings.sigma is not None:
        # A common factor is no length that could be held against a unit.
        sigma = distributions.LogUniform(*sigma)
    elif isinstance(sigma, tuple):
        sigma = TaperedSigma(*sigma)
    unit = model.priors.get("unit")
    low, high = unit_range.low, unit_range.high
    if unit is not None:
        _check_unit(unit, unit_range)
        # The cells of a wide range would be coarse for a narrow prior.
        ends = distributions.reach(unit)
        if max(low, ends[0]) < min(high, ends[1]):
            low, high = max(low, ends[0]), min(high, ends[1])
    offset: Any = _with_shift(model.offset, readings)
    origin = 0.0
    if offset == "free":
        offset = None
        # Phases from the middle of the readings change least with the unit.
        origin = float(np.mean(values)) if model.integers == "any" else 0.0
    elif offset == "zero":
        offset = 0.0
    return ParameterPriors(
        low=low,
        high=high,
        unit=unit,
        sigma=sigma,
        offset=offset,
        origin=origin,
        growth=_growth(model, readings, unit_range, reach),
        outliers=model.outliers,
    )


def _with_shift(offset: Any, readings: Readings) -> Any:
    """The offset, or the prior of the shift that the readings share in its place."""
    shift = readings.shift
    if shift is None:
        return offset
    if offset == "free" and np.all(shift.lever == shift.lever[0]):
        # An offset that may be anything takes the shift up.
        return offset
    if offset == "free":
        raise InputError(
            "`offset` must be zero for readings with a shared shift that moves them by different "
            "amounts; leave `offset` out, or read the run with the fall apart."
        )
    if offset != "zero":
        raise InputError(
            f"`offset` is {distributions.text(offset)}, but the readings share a shift, which "
            "stands in its place; leave `offset` out, and take a known offset off the readings."
        )
    return distributions.student_t(shift.degrees_of_freedom, shift.error)


def _check_unit(unit: Any, unit_range: UnitRange) -> None:
    if not distributions.is_distribution(unit):
        raise InputError(
            f"`priors` has unit {unit!r}; give a distribution such as scipy.stats.lognorm(0.1, "
            "scale=2), or narrow `unit_range` instead."
        )
    if not unit.cdf(unit_range.high) - unit.cdf(unit_range.low) > 1e-12:
        raise InputError(
            f"`priors` puts the unit outside `unit_range` ({unit_range.low:g}, "
            f"{unit_range.high:g}); make the two overlap."
        )


def _growth(model: MixtureModel, readings: Readings, unit_range: UnitRange, reach: float) -> Any:
    if model.noise == "constant":
        return 0.0
    given = distributions.positive_prior("growth", model.priors.get("growth"))
    if isinstance(given, tuple):
        return distributions.LogUniform(*given)
    if given is not None:
        return given
    if model.noise == "proportional":
        return distributions.LogUniform(*_GROWTH)
    low, high = default_sigma_range(readings, unit_range)
    return distributions.LogUniform(low / np.sqrt(reach), high / np.sqrt(reach))
