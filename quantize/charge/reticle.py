"""The ruled scale: divisions to lengths, and speeds with the error law of each way of timing."""

from __future__ import annotations

import dataclasses
import math
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from quantize._support import validation
from quantize._support.errors import InputError
from quantize._support.validation import FloatArray, float_array
from quantize.charge.noise import (
    ROUNDING_SD,
    at_fixed_time,
    first_passage_excess,
    over_fixed_distance,
)
from quantize.charge.quantity import Quantity, QuantityLike, normal, positive, put
from quantize.readings import Readings

# Fractions of a division between which people read, and by how much chance positions may look so.
_FRACTIONS = (0.5, 0.25, 0.2)
_BY_CHANCE = 1e-4
_DECIMALS = 9  # in any unit of length; a metre to a nanometre


def written_step(positions: FloatArray) -> float | None:
    """The step to which positions in divisions were read, as they themselves show it.

    That of the last printed decimal, unless all of them are halves, quarters or fifths of a
    division, which chance does less than once in 10,000 runs. None in full precision.

    >>> import numpy as np
    >>> [written_step(np.array([7.5, 12, 3.5, 8, last, 4])) for last in (10.5, 10.4)]
    [0.5, 0.1]
    """
    printed = Readings(positions).printed_resolution
    for step in _FRACTIONS:
        if printed is None or printed >= step:
            break
        steps = positions / step
        all_on = bool(np.all(np.abs(steps - np.round(steps)) < 1e-6))
        if all_on and (printed / step) ** positions.size < _BY_CHANCE:
            return step
    return printed


def unscaled(values: FloatArray, one: float) -> FloatArray:
    """Values as they were written in units of which each is `one`, their decimals as written."""
    return values if one == 1 else np.round(values / one, _DECIMALS)


@dataclasses.dataclass(frozen=True, kw_only=True, repr=False, init=False)
class Reticle:
    """A ruled scale seen through the microscope.

    Parameters
    ----------
    division : str, float or Quantity
        Length of one division *at the working focus*: text such as ``"25.0 +/- 0.1 um"``, or
        metres if a bare number.
    length : float, optional
        Divisions on the whole scale, where it matters that a sphere may leave it.
    step : float
        To what fraction of a division readings are rounded.
    rounding : {"both ends", "one end"}
        Whether both ends of a passage were rounded, or one sat on a line.

    Raises
    ------
    InputError
        For lengths and steps that are not above zero.

    Examples
    --------
    >>> scale = Reticle(division="25.0 +/- 0.1 um")
    >>> scale.fixed_time(20, 10.0, press=0.05)
    <Quantity 5e-05 ± 1.08e-06 m/s>
    """

    division: Quantity
    length: float | None
    step: float
    rounding: Literal["both ends", "one end"]

    def __init__(
        self,
        *,
        division: QuantityLike,
        length: float | None = None,
        step: float = 1.0,
        rounding: Literal["both ends", "one end"] = "both ends",
    ) -> None:
        read = positive("division", division, "m")
        validation.positive("step", step)
        validation.choice("rounding", rounding, tuple(ROUNDING_SD))
        if length is not None:
            validation.positive("length", length)
        put(self, division=read, length=length, step=step, rounding=rounding)

    @property
    def rounding_sd(self) -> float:
        """Standard deviation from rounding, in divisions: 0.29 or 0.41 of the step."""
        return self.step * ROUNDING_SD[self.rounding]

    def fixed_time(
        self, divisions: float, seconds: float, *, diffusion: float = 0.0, press: float = 0.0
    ) -> Quantity:
        """Compute the speed, with the sign of `divisions`, from the distance moved in a fixed time.

        The error has three parts, those of `quantize.charge.noise.at_fixed_time`: the Brownian
        walk, the rounding of the positions, and the hand on the watch.

        Parameters
        ----------
        divisions : float
            Distance moved; its sign is that of the speed.
        seconds : float
            Duration, above zero.
        diffusion : float
            Diffusion coefficient of the sphere, m2/s.
        press : float
            Standard deviation of one press of the watch, s.

        Returns
        -------
        Quantity
        """
        x = validation.number("divisions", divisions)
        t = validation.positive("seconds", seconds)
        speed = x * self.division.value / t
        scatter = at_fixed_time(
            speed,
            t,
            diffusion=validation.positive("diffusion", diffusion, zero=True),
            press=validation.positive("press", press, zero=True),
            rounding=self.rounding_sd * self.division.value,
        )
        return normal(speed, float(scatter.total), "m/s")

    def fixed_distance(
        self, divisions: float, seconds: ArrayLike, *, diffusion: float = 0.0, press: float = 0.0
    ) -> Quantity:
        """Compute the speed from the times of passages over a fixed distance, in one charge state.

        Parameters
        ----------
        divisions : float
            The distance; its sign is that of the speed.
        seconds : float or array_like, shape (n,)
            Times of one or more passages, above zero.
        diffusion : float
            Diffusion coefficient of the sphere, m2/s.
        press : float
            Standard deviation of one press of the watch, s.

        Returns
        -------
        Quantity

        Raises
        ------
        InputError
            For a distance of zero, or a time that is not above zero.

        Notes
        -----
        The mean of L/t is high by 2D/L; total distance over total time, used here, is high by only
        2D/(nL), which is taken off. The variance of one speed is that of
        `quantize.charge.noise.over_fixed_distance`.
        """
        times = float_array("seconds", np.atleast_1d(seconds))
        if np.any(times <= 0):
            raise InputError("`seconds` holds a time that is not above zero; a passage takes time.")
        x = validation.number("divisions", divisions)
        if x == 0:
            raise InputError("`divisions` is 0; a passage needs a length.")
        length = abs(x) * self.division.value
        d = validation.positive("diffusion", diffusion, zero=True)
        n = times.size
        raw = n * length / float(times.sum())
        speed = raw - float(first_passage_excess(n * length, d))
        scatter = over_fixed_distance(
            raw, length, diffusion=d, press=validation.positive("press", press, zero=True)
        )
        return normal(math.copysign(speed, x), float(scatter.total) / math.sqrt(n), "m/s")

    def track(
        self, times: ArrayLike, positions: ArrayLike, *, diffusion: float, localisation: float = 0.0
    ) -> Quantity:
        r"""Compute the speed from many positions of one sphere, by generalised least squares.

        Parameters
        ----------
        times : array_like, shape (n,)
            Seconds, in rising order.
        positions : array_like, shape (n,)
            Where the sphere was at these times, in divisions.
        diffusion : float
            Diffusion coefficient of the sphere, m2/s.
        localisation : float
            Standard deviation of one position, in divisions; the rounding of the scale by default.

        Returns
        -------
        Quantity

        Raises
        ------
        InputError
            For fewer than two positions, and times that do not rise.

        Notes
        -----
        Positions have covariance :math:`2D\,\min(t_i, t_j) + s^2\delta_{ij}`: a Brownian walk
        seen with error s. A plain straight line through them has 1.2 times the variance of the
        difference of the ends, and prints an error far too small.

        Examples
        --------
        >>> scale = Reticle(division="25 um")
        >>> scale.track([0, 1, 2, 3], [0, 2, 4, 6], diffusion=1e-11).value
        5e-05
        """
        t = float_array("times", times)
        y = float_array("positions", positions) * self.division.value
        if t.size != y.size or t.size < 2:
            raise InputError("`times` and `positions` must be equally long, with two at least.")
        if np.any(np.diff(t) <= 0):
            raise InputError("`times` must rise from each entry to the next.")
        noise = (localisation or self.step / math.sqrt(12)) * self.division.value
        return generalised_line(t - t[0], y, diffusion, noise, unit="m/s")

    def __repr__(self) -> str:
        return f"<Reticle of {self.division.value * 1e6:.4g} µm a division>"


def generalised_line(
    t: FloatArray, y: FloatArray, diffusion: float, noise: float, *, unit: str
) -> Quantity:
    """Speed in `unit` through positions `y` at times `t` from 0; see `Reticle.track`."""
    covariance = 2 * diffusion * np.minimum.outer(t, t) + noise**2 * np.eye(t.size)
    design = np.column_stack([np.ones(t.size), t])
    scale = math.sqrt(float(np.trace(covariance)) / t.size)
    root = np.linalg.cholesky(covariance / scale**2)
    a, b = np.linalg.solve(root, design), np.linalg.solve(root, y / scale)
    products = a.T @ a
    slope = float(np.linalg.solve(products, a.T @ b)[1]) * scale
    spread = math.sqrt(float(np.linalg.inv(products)[1, 1])) * scale
    return normal(float(f"{slope:.14g}"), spread, unit)
