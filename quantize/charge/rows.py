"""What follows from the rows of a run without any model of steps: fall, levels, scatter."""

from __future__ import annotations

import contextlib
import dataclasses
import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Self

import numpy as np
import pandas as pd

from quantize._support.errors import InputError
from quantize._support.rendering import renderer
from quantize._support.validation import FloatArray
from quantize.charge.apparatus import value_of
from quantize.charge.fall import TAKEN_OFF, ResidualVoltage, line_in_charge
from quantize.charge.noise import (
    Scatter,
    at_fixed_time,
    diffusion_of,
    first_passage_excess,
    over_fixed_distance,
    press_of,
)
from quantize.charge.quantity import Quantity, from_repeats
from quantize.charge.run_table import (
    RunTable,
    intervals_over,
    lasted,
    once,
    per_interval,
    same_state,
    same_state_or_row,
    scatter_over,
)
from quantize.charge.stated import counted

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_LEAST_FALLS = 4
FallOf = Callable[[], Quantity | None]


@dataclasses.dataclass(frozen=True, eq=False, repr=False)
class Rows(RunTable):
    """The rows of a run with what they say about the motion of the sphere; see `Run`."""

    @once
    def fall_as_read(self) -> Quantity | None:
        """Mean of the falls, whatever field there may have been.

        With three falls or more the error is that of their mean, Student-t; with fewer it comes
        from the scatter within the charge states, or as it is predicted where no state was
        repeated. It is never below that of the rounding. None when the run has no fall.
        """
        falls = self.falls
        if len(falls) == 0:
            return None
        scaled = -per_interval(self, falls)
        n = scaled.size
        mean = float(-falls["divisions"].sum() / np.sum(1 / intervals_over(self, falls)))
        if mean <= 0:
            raise InputError(
                f"the rows without field move {-mean:g} divisions upwards on average; a sphere "
                "falls there, so declare image_inverted = true or look at the signs."
            )
        if n >= 3:
            spread, degrees = float(np.std(scaled, ddof=1)), n - 1
        else:
            spread, degrees = self.scatter()
        if degrees == 0:
            spread = predicted_or_none(self, falls, mean)
        # Student's t has its own room for a small scatter; the floor is for none at all.
        spread = max(spread, root_mean_square(self.rounding(falls, "one end")))
        own, watched = spread / math.sqrt(n), mean * abs(float(np.mean(self._watched(falls))))
        error = math.hypot(own, watched)
        if watched:
            # That of the watch does not come from these few falls.
            degrees = int(degrees * (error / own) ** 4) if own else 0
        return from_repeats(mean, error, degrees, scope="particle", unit="div")

    def _watched(self, rows: pd.DataFrame) -> FloatArray:
        """Relative error of rows per interval by the bias of a watch, where they last otherwise."""
        bias = self.known.get("watch.bias") or Quantity(value=0.0)
        late = bias.value / value_of(self.known, "watch.rate", 1.0)
        apart = 1 / (rows["seconds"].to_numpy(float) + late) - 1 / (self.interval + late)
        return np.asarray(bias.standard_uncertainty * apart)

    @once
    def fall(self) -> Quantity | None:
        """Divisions fallen in one `interval` without field, from the rows at zero voltage.

        Where the apparatus declares ``residual_voltage = "taken off"`` it is the corrected one of
        `residual_voltage`, else that of `fall_as_read`.
        """
        if self.known.word("run.residual_voltage"):
            return residual_voltage(self).fall
        return self.fall_as_read()

    def fall_on_record(self) -> Quantity | None:
        """The fall per interval in divisions: from the rows, else from the apparatus."""
        return self.fall() or self.known.get("fall.divisions")

    def without_residual_voltage(self) -> Self:
        """This run with every fall corrected for a residual voltage, and a remark that says so.

        The same as ``residual_voltage = "taken off"`` under [run] in the apparatus file.
        """
        declared = self.known.declared | {"run.residual_voltage": TAKEN_OFF}
        return self._with(
            apparatus=dataclasses.replace(self.known, declared=declared),
            remarks=(*self.remarks, "the falls are corrected for a residual voltage, as asked"),
        )

    @property
    def offset(self) -> str:
        """The offset with which `readings` should be analysed: "zero" once a fall is known."""
        return "zero" if self.fall_on_record() is not None else "free"

    def moved(self, rows: pd.DataFrame | None = None) -> FloatArray:
        """Divisions per interval of the driven rows, a fixed distance's bias taken off."""
        return _moved(self, self.driven if rows is None else rows, self.fall_on_record)

    def joined(self, rows: pd.DataFrame | None = None) -> tuple[FloatArray, FloatArray]:
        """Levels of the comb through zero, of the driven rows or those given; share of the fall.

        At voltage V the distance x in time t and the fall F in the reference interval T obey
        (x·T/t + F)·V0/V = u·n, whatever the balance.
        """
        fall = self.fall_on_record()
        if fall is None:
            raise InputError(
                f"no fall without field is known; {self.fall_wanted}, or give `fall.divisions` in "
                "the apparatus file."
            )
        rows = self.driven if rows is None else rows
        stretch = self.stretch(rows)
        moved = _moved(self, rows, lambda: fall) * (1 - timed_excess(self, rows, fall.value))
        return (moved + fall.value) * stretch, stretch

    def plot(self, ax: Axes | None = None, **options: Any) -> Axes:
        """Draw the run.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where to draw; on a new figure if left out.
        **options
            ``view="rows"``, "voltage" or "fall", and what that view takes.

        Returns
        -------
        matplotlib.axes.Axes
        """
        drawn: Axes = renderer("plot", self)(self, ax=ax, **options)
        return drawn


def predicted_scatter(run: Rows, rows: pd.DataFrame | None = None) -> Scatter:
    """Predict how readings scatter, from air molecules, the ruler and the hand on the watch.

    Parameters
    ----------
    run : Run
        Of one particle, with an apparatus that states the scale and the sphere.
    rows : pandas.DataFrame, optional
        Rows of ``run.table`` for which to predict; every used row with a voltage if left out.

    Returns
    -------
    Scatter
        Standard deviations `brownian`, `watch` and `rounding` of each row, and their `total`, in
        divisions per interval at the reference voltage; by the laws of `quantize.charge.noise`,
        with the mean speed of the state, not that of the single reading.

    Raises
    ------
    InputError
        When the apparatus lacks the scale or the sphere.

    Examples
    --------
    >>> from quantize.charge import Run
    >>> from quantize.charge.rows import predicted_scatter
    >>> bench = {
    ...     "sphere": {"diameter": "1 um", "density": "1050 kg/m3"},
    ...     "reticle": {"division": "25 um", "rounding": "both ends"},
    ...     "watch": {"press": "0.1 s"},
    ... }
    >>> run = Run({"V": [219, 219, 0], "div": [12, 9, -61], "t (s)": [10] * 3}, bench)
    >>> predicted_scatter(run).total.round(2).tolist()
    [1.03, 1.03]
    """
    rows = run.driven if rows is None else rows
    as_read = predicted_as_read(run, rows)
    return as_read if (rows["voltage"] == 0).all() else as_read.times(np.abs(run.stretch(rows)))


def predicted_as_read(run: Rows, rows: pd.DataFrame, fall: float | None = None) -> Scatter:
    """As `predicted_scatter`, in divisions per interval at the voltage of each row, or at none.

    With the divisions `fall` of a fall, where that is known already.
    """
    known = run.fall_on_record() if fall is None else None
    fall = known.value if known else fall
    seconds = lasted(run, rows)
    if "track_error" in rows:
        # Walk and positions together; a camera needs no hand.
        own = rows["track_error"].to_numpy(float) / seconds * run.interval
        return Scatter(own, np.zeros(own.size), np.zeros(own.size))
    if run.apparatus is None:
        raise InputError("`run` has no apparatus; the scatter follows from what stands in it.")
    diffusion = diffusion_of(run.apparatus, fall=fall, interval=run.interval)
    press = press_of(run.apparatus)
    speed = pd.Series(per_interval(run, rows) / run.interval, index=rows.index)
    if (rows["state"] != "").any():
        # The mean speed of the state.
        speed = speed.groupby(same_state(rows)).transform("mean")
    if run.timing == "fixed distance":
        length = np.abs(rows["divisions"].to_numpy(float))
        law = over_fixed_distance(speed, length, diffusion=diffusion, press=press)
    else:
        law = at_fixed_time(speed, seconds, diffusion=diffusion, press=press)
    return dataclasses.replace(law.times(run.interval), rounding=run.rounding(rows))


def watched_unit(run: Rows, found: Any) -> float:
    """Error of the unit of an analysis by the bias of a watch in its readings, the fall held."""
    n = run.integers_of(found)
    if n is None or len(found.readings) != len(run.informative):
        return 0.0
    moved = _moved(run, run.driven, run.fall_on_record) * run.stretch()
    weights = n * found.readings.weights[run.informative.index.isin(run.driven.index)]
    return abs(float(weights @ (moved * run._watched(run.driven)) / (weights @ n)))


def fixed_distance_excess(run: RunTable, rows: pd.DataFrame, fall: FallOf) -> FloatArray:
    """How much too high divisions per second over a fixed distance are, 2·D/L; 0 if not known."""
    if run.timing != "fixed distance" or run.apparatus is None:
        return np.zeros(len(rows))
    try:
        known = fall()
        divisions = None if known is None else known.value
        diffusion = diffusion_of(run.apparatus, fall=divisions, interval=run.interval)
    except InputError:
        return np.zeros(len(rows))
    return first_passage_excess(rows["divisions"].to_numpy(float), diffusion)


def timed_excess(run: Rows, rows: pd.DataFrame, fall: float) -> FloatArray:
    """By what part levels from passages over a fixed distance are high, to second order.

    With P the relative variance of a time by hand and rounding, B that by the walk: 1/t is high by
    P (and by B, see `fixed_distance_excess`), but readings are weighed by 1/σ² at the mean speed of
    the m rows of their state, in proportion to v^-κ with κ(B + P) = B + 4P. What is read too fast
    counts less, and a weighted mean is low by (B + 4P)/m.
    """
    none = np.zeros(len(rows))
    if run.timing != "fixed distance" or run.apparatus is None:
        return none
    try:
        law = predicted_as_read(run, rows, fall)
    except InputError:
        return none
    speed = pd.Series(per_interval(run, rows), index=rows.index)
    states = speed.groupby(same_state_or_row(rows))
    m, square = states.transform("size").to_numpy(float), states.transform("mean") ** 2
    timed = (law.watch**2 + law.rounding**2) / square.to_numpy(float)
    walked = law.brownian**2 / square.to_numpy(float)
    return np.asarray(timed - (walked + 4 * timed) / m)


def residual_voltage(run: Rows) -> ResidualVoltage:
    r"""Estimate the voltage left on the plates at zero; see `Run.residual_voltage`.

    Raises InputError for too few falls, or where their charge states are not noted or all alike.

    Notes
    -----
    In a state that moves x divisions at the voltage V the charge is in proportion to
    :math:`y = (x + F)V_0/V`, whether it comes in steps or not. A voltage v left on the plates
    changes the fall in that state to :math:`f = F - (v/V_0)\,y`: a straight line through the
    falls, whose value at y = 0 is F. Both have Student's t with two degrees of freedom less than
    there are falls. F is less well known than the mean of the falls, because no charge is zero.
    """
    falls, driven, reference = run.falls, run.driven, run.reference_voltage
    if len(falls) < _LEAST_FALLS or reference is None:
        raise InputError(
            f"`run` has {counted(len(falls), 'fall')} without field; a residual voltage shows only "
            f"in {_LEAST_FALLS} or more, read in different charge states."
        )
    stretch = run.stretch()
    own = {"moved": _moved(run, driven, run.fall_as_read) * stretch, "stretch": stretch}
    by_state = driven.assign(**own).groupby(driven["particle"] + "|" + driven["state"])
    at = by_state[["moved", "stretch"]].mean().reindex(falls["particle"] + "|" + falls["state"])
    if (falls["state"] == "").any() or at["moved"].isna().any():
        raise InputError(
            "`run` has falls whose charge state is not noted or was not read at a voltage; a "
            "residual voltage shows only where the charge is known to differ."
        )
    measured = run.fall_as_read()
    assert measured is not None
    return line_in_charge(
        -per_interval(run, falls),
        at["moved"].to_numpy(float),
        at["stretch"].to_numpy(float),
        reference=reference,
        least=root_mean_square(run.rounding(falls, "one end")),
        measured=measured,
    )


def _moved(run: RunTable, rows: pd.DataFrame, fall: FallOf) -> FloatArray:
    """Divisions per interval, a fixed distance's bias taken off."""
    return per_interval(run, rows) - fixed_distance_excess(run, rows, fall) * run.interval


def predicted_or_none(run: Rows, rows: pd.DataFrame, fall: float | None = None) -> float:
    """Scatter of one of `rows` as the apparatus explains it; zero where it cannot."""
    try:
        return root_mean_square(predicted_as_read(run, rows, fall).total)
    except InputError:
        return 0.0


def root_mean_square(values: FloatArray) -> float:
    """Of standard deviations; zero for none."""
    return float(np.sqrt(np.mean(values**2))) if values.size else 0.0


def scatter_as_read(run: Rows, rows: pd.DataFrame) -> FloatArray:
    """Of each row as read, in divisions per interval; NaN where no state was repeated.

    As large as the repeats say, in the proportions that the apparatus predicts, if it can.
    """
    driven, every = np.ones(len(run.driven)), np.ones(len(rows))
    with contextlib.suppress(InputError):
        driven, every = (predicted_as_read(run, some).total for some in (run.driven, rows))
    factor, degrees = scatter_over(run, driven)
    return factor * every if degrees else np.full(len(rows), np.nan)
