"""The scatter that air molecules, the ruler and the hand on the watch explain."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING

import numpy as np

from quantize._support.errors import InputError
from quantize._support.validation import FloatArray
from quantize.charge import air, drag
from quantize.charge.routes import STANDARD_GRAVITY
from quantize.charge.slip import SlipCorrection

if TYPE_CHECKING:
    import pandas as pd

    from quantize.charge.apparatus import Apparatus
    from quantize.charge.rows import Rows

ROOM = 295.15  # K, for a page that does not tell its temperature


@dataclasses.dataclass(frozen=True, eq=False)
class Scatter:
    """Predicted standard deviations of the driven rows, in divisions per interval.

    `brownian` comes from the walk of the sphere, `watch` from the hand, `rounding` from the
    scale; `total` joins them.
    """

    brownian: FloatArray
    watch: FloatArray
    rounding: FloatArray

    @property
    def total(self) -> FloatArray:
        """All three."""
        return np.sqrt(self.brownian**2 + self.watch**2 + self.rounding**2)


def mobility_of(apparatus: Apparatus, *, fall_speed: float | None = None) -> float:
    """Speed per force, s/kg: from fall speed over weight, else from the diameter.

    Raises
    ------
    InputError
        When neither is known.
    """
    weight = apparatus.get("sphere.weight")
    if fall_speed is not None and weight is not None:
        return fall_speed / weight.value
    t = _value(apparatus, "air.temperature", ROOM)
    p = _value(apparatus, "air.pressure", air.STANDARD_PRESSURE)
    slip = SlipCorrection(apparatus.word("air.slip", "Kim 2005"))
    viscosity = _value(apparatus, "air.viscosity", float(air.viscosity(t)))
    diameter = apparatus.get("sphere.diameter")
    density = apparatus.get("sphere.density")
    if diameter is not None:
        d = diameter.value
    elif fall_speed is not None and density is not None:
        d = drag.diameter_from_fall(
            fall_speed,
            density_difference=density.value - 1.2,
            gravity=_value(apparatus, "site.gravity", STANDARD_GRAVITY),
            viscosity=viscosity,
            slip=slip,
            temperature=t,
            pressure=p,
        )
    else:
        raise InputError(
            "`sphere.diameter` is missing: the scatter of a reading follows from the size of the "
            "sphere, or from its weight or density together with its fall; give one of these."
        )
    return float(drag.mobility(d, viscosity, slip.factor(d, t, p)))


def predicted_scatter(run: Rows, rows: pd.DataFrame | None = None) -> Scatter:
    r"""Predict the scatter of each driven row.

    Parameters
    ----------
    run : Run
        Of one particle, with an apparatus that knows the scale and the sphere.
    rows : pandas.DataFrame, optional
        Other rows of the run's table.

    Returns
    -------
    Scatter

    Raises
    ------
    InputError
        When the apparatus lacks the scale or the sphere.

    Notes
    -----
    In a fixed time: :math:`\sigma^2 = 2kTBt + (h\cdot 0.41)^2 + 2(v\sigma_t)^2`, with 0.29 for
    0.41 when one end sat on a line. v is the mean of the state, not the single reading. In a
    fixed distance L, which is exact, the time varies instead, written in steps of h_t, and
    :math:`\sigma_v^2 = 2D v/L + 2 v^4\sigma_t^2/L^2 + v^4 h_t^2/12L^2`.

    Examples
    --------
    >>> from quantize.charge import Run, predicted_scatter
    >>> bench = {
    ...     "sphere": {"diameter": "1 um", "density": "1050 kg/m3"},
    ...     "reticle": {"division": "25 um", "rounding": "both ends"},
    ...     "watch": {"press": "0.1 s"},
    ... }
    >>> run = Run({"V": [219, 219, 0], "div": [12, -9, -61], "t (s)": [10, 10, 10]}, bench)
    >>> predicted_scatter(run).total.round(2).tolist()
    [1.03, 1.03]
    """
    fall = run.fall_on_record()
    rows = run.driven if rows is None else rows
    return scatter_of(run, rows, None if fall is None else fall.value)


def scatter_of(run: Rows, rows: pd.DataFrame, fall: float | None) -> Scatter:
    """As `predicted_scatter`, with the divisions `fall` of a fall that is known already."""
    if "track_error" in rows:
        return _of_tracks(run, rows)
    if run.apparatus is None:
        raise InputError("`run` has no apparatus; the scatter follows from what stands in it.")
    bench = run.apparatus
    scale = bench.need("reticle.division", purpose="the predicted scatter").value
    fall_speed = None if fall is None else fall * scale / run.interval
    diffusion = drag.diffusion(
        mobility_of(bench, fall_speed=fall_speed), _value(bench, "air.temperature", ROOM)
    )
    press = _value(bench, "watch.press", 0.0)
    seconds = rows["seconds"].to_numpy(float)
    per_interval = run.interval / seconds
    speed = _fitted_speed(rows)
    stretch = _stretch(run, rows)
    if run.timing == "fixed distance":
        length = np.abs(rows["divisions"].to_numpy(float))
        brownian = np.sqrt(2 * diffusion / scale**2 * np.abs(speed) / length) * run.interval
        watch = math.sqrt(2) * press * speed**2 / length * run.interval
    else:
        brownian = np.sqrt(2 * diffusion * seconds) / scale * per_interval
        watch = math.sqrt(2) * press * np.abs(speed) * per_interval
    return Scatter(brownian * stretch, watch * stretch, run.rounding(rows) * stretch)


def fixed_distance_excess(run: Rows, rows: pd.DataFrame) -> FloatArray:
    """How much too high divisions per second over a fixed distance are, by row: 2·D/L.

    Zeros for readings at fixed time, and when the apparatus cannot tell.
    """
    if run.timing != "fixed distance" or run.apparatus is None:
        return np.zeros(len(rows))
    try:
        scale = run.apparatus.need("reticle.division").value
        fall = run.fall_on_record()
        fall_speed = None if fall is None else fall.value * scale / run.interval
        diffusion = drag.diffusion(
            mobility_of(run.apparatus, fall_speed=fall_speed),
            _value(run.apparatus, "air.temperature", ROOM),
        )
    except InputError:
        return np.zeros(len(rows))
    x = rows["divisions"].to_numpy(float)
    return np.asarray(2 * diffusion / scale**2 / x, dtype=np.float64)


def _of_tracks(run: Rows, rows: pd.DataFrame) -> Scatter:
    """Tracks carry their own error, of walk and positions together; a camera needs no hand."""
    per_interval = run.interval / rows["seconds"].to_numpy(float)
    own = rows["track_error"].to_numpy(float) * per_interval * _stretch(run, rows)
    return Scatter(own, np.zeros(own.size), np.zeros(own.size))


def _stretch(run: Rows, rows: pd.DataFrame) -> FloatArray:
    """V0/V, and 1 for rows without field."""
    off = (rows["voltage"] == 0).to_numpy(bool)
    if off.all():
        return np.ones(off.size)
    return np.abs(run.stretch(rows))


def _fitted_speed(rows: pd.DataFrame) -> FloatArray:
    """Mean speed of the state of each row, divisions per second."""
    speed = (rows["divisions"] / rows["seconds"]).to_numpy(float)
    states = rows["state"].to_numpy(str)
    if (states == "").all():
        return speed
    keys = rows["state"] + "|" + rows["voltage"].astype(str)
    means = rows.assign(speed=speed).groupby(keys.to_numpy())["speed"].transform("mean")
    return means.to_numpy(float)


def _value(apparatus: Apparatus, name: str, default: float) -> float:
    found = apparatus.get(name)
    return default if found is None else found.value
