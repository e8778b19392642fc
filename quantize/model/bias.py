"""How far the likelihood of a flat comb puts the unit off, to first order; it is taken off results.

The comb of `quantize.comb.window` has no end, and shares the readings out among K teeth, K a smooth
function of unit and sigma. Neither is so in the sample, and both pull at the unit. Of a level with
error sigma about a tooth the derivative of the log wrapped density by log u has the mean −(1 − f),
whatever the tooth, where f is the part of the information on the place of a tooth that is left when
the whole number is not known,

    f(sigma/u) = sigma² ∫ w'(x)²/w(x) dx,    w the wrapped normal density

(what is missing is the information on the whole number: Orchard and Woodbury, *Proc. 6th Berkeley
Symp.* 1, 697, 1972). The factor (S/(u·K))^n has the derivative −n·s, s = d log(u·K/S)/d log u at
the same sigma, where the density of a phase has u^n more. The mean of the whole is n·(f − s) more
than nothing, and with n levels x about the offset the information is Σ f·x²/sigma², to which a
prior of the unit adds its own, so that the mode lies high by

    b = n·(f − s) / Σ f·x²/sigma²

in log u (Cox and Snell, *J. R. Stat. Soc. B* 30, 248, 1968). It does not fall with n while the
standard error does. Where that is no longer small against the distance between two units with other
whole numbers there is no mode to speak of, and b is let go to zero.
"""

from __future__ import annotations

import functools

import numpy as np

from quantize._support.validation import FloatArray
from quantize.comb.sums import blocks
from quantize.comb.window import log_unit_excess
from quantize.model import distributions
from quantize.model.likelihood import Likelihood, Parameters
from quantize.model.priors import ParameterPriors

_STEP = 1e-3
_KNOWN = 0.2
"""A phase that is known to this part of a cycle belongs to a mode."""
_MOST = 2.0
"""Largest mean pull, in parts of the information left; a first order so far off says nothing."""
_TINY = np.finfo(float).tiny
_ONE_SIGMA = 0.8413447460685429
_BLOCK = 2**20


@functools.cache
def _table() -> tuple[FloatArray, FloatArray]:
    """Spreads and the part of the information that is left, by the trapezium rule over a cycle."""
    spread = np.linspace(0.05, 1.0, 381)
    phase = np.arange(-200, 200) / 400
    away = phase + np.arange(-8, 9)[:, None]
    left = np.empty(spread.size)
    for i, s in enumerate(spread):
        normal = np.exp(-0.5 * np.square(away / s)) / (s * np.sqrt(2 * np.pi))
        density = normal.sum(axis=0)
        left[i] = np.mean(np.square((away * normal).sum(axis=0)) / density) / s**2
    return spread, left


def information_left(spread: FloatArray) -> FloatArray:
    """Part of the information on the place of a tooth that is left without its whole number.

    >>> information_left(np.array([0.05, 0.25, 0.5])).round(3)
    array([1.   , 0.451, 0.001])
    """
    return np.interp(spread, *_table(), right=0.0)


class UnitBias:
    """The bias of log unit under the likelihood of one sample.

    It is zero for a comb that has ends, and left at zero for errors that grow with the reading,
    about whose teeth the mean above is another.

    Levels with errors that are alike are taken together.
    """

    def __init__(self, likelihood: Likelihood, prior: ParameterPriors) -> None:
        self.likelihood, self.prior = likelihood, prior
        readings = likelihood.readings
        envelope = likelihood.envelope
        levels = readings.select(readings.measured).levels()
        few = levels.mean.size < 2
        ends = envelope.closed or envelope.most is not None
        self.none = few or ends or likelihood.free_weights or likelihood.power > 0
        lever, rounding = np.ones(len(readings)), np.zeros(len(readings))
        lever[likelihood.order] = likelihood.lever
        rounding[likelihood.order] = likelihood.kinds.rounding
        of_level = np.zeros(levels.mean.size)
        of_level[levels.index] = lever[readings.measured]
        rounding = np.bincount(levels.index, rounding[readings.measured]) / levels.count**2
        self.precision = np.inf
        if prior.free:
            offset, self.precision = prior.origin, 0.0
        elif distributions.is_distribution(prior.offset):
            offset = float(prior.offset.median())
            self.precision = float(prior.offset.ppf(_ONE_SIGMA) - offset) ** -2.0
        else:
            offset = float(prior.offset)
        self.known = 0.0
        if prior.unit is not None:
            self.known = (float(prior.unit.median()) / distributions.spread(prior.unit)) ** 2
        kinds = np.column_stack([levels.factor, rounding])
        kinds, kind = np.unique(kinds, axis=0, return_inverse=True)
        # numpy 2.0 gives places of rows as a column.
        kind = kind.ravel()
        self.factor, self.rounding = kinds.T
        size = levels.mean - offset * of_level
        self.count, self.squares, self.across, self.levers = (
            np.bincount(kind, value)
            for value in (np.ones(size.size), size**2, size * of_level, of_level**2)
        )

    def __call__(self, p: Parameters) -> FloatArray:
        """The bias of log unit, shape (m,)."""
        out = np.zeros(p.unit.size)
        if self.none:
            return out
        for part in blocks(out.size, _BLOCK // self.factor.size):
            out[part] = self._at(p.rows(part))
        # Nothing leaves the range of units.
        below, above = np.log(p.unit / self.prior.low), np.log(self.prior.high / p.unit)
        return np.clip(out, -0.5 * above, 0.5 * below)

    def taken_off(self, theta: FloatArray) -> FloatArray:
        """The coordinates `theta` (..., d) of the prior, with the bias off the log unit.

        Of a free offset the phase is kept: the tooth from which it is counted stays where it is.
        """
        rows = theta.reshape(-1, theta.shape[-1]).copy()
        rows[:, 0] -= self(self.prior.parameters(rows))
        return rows.reshape(theta.shape)

    def _at(self, p: Parameters) -> FloatArray:
        variance = np.square(p.sigma)[:, None] * self.factor + self.rounding
        left = information_left(np.sqrt(variance) / p.unit[:, None])
        weight = left / variance
        information = weight @ self.squares
        if np.isfinite(self.precision):
            of_offset = weight @ self.levers + self.precision
            information -= np.square(weight @ self.across) / np.maximum(of_offset, _TINY)
        most = left @ self.count
        pull = np.clip(most - self.count.sum() * self._slope(p), -most, _MOST * most)
        # As much information makes a typical phase known.
        needed = self.squares.sum() / self.count.sum() / np.square(_KNOWN * p.unit)
        return np.asarray(pull / np.maximum(information + needed + self.known, _TINY))

    def _slope(self, p: Parameters) -> FloatArray:
        """d log(u·K/S)/d log u at one sigma."""
        terms = self.likelihood
        blur = terms.blur_in_units(p)
        low, high = (
            log_unit_excess(
                p.unit * np.exp(side),
                blur * np.exp(-side),
                terms.envelope.span,
                terms.envelope.levels,
            )
            for side in (-_STEP, _STEP)
        )
        return (high - low) / (2 * _STEP)
