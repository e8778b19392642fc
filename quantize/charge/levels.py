"""The levels of a run: readings that lie on one comb, and the errors that they share.

The fall F is added to the readings, which closes the comb at zero: (x + F)·V0/V = u·n. One error
of F moves all readings together, and so does a change of F in the course of the run.
"""

from __future__ import annotations

import contextlib
import dataclasses
import math
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from quantize._support import validation
from quantize._support.errors import InputError
from quantize._support.validation import FloatArray
from quantize.charge.fall import NO_SCATTER
from quantize.charge.noise import ROUNDING_SD
from quantize.charge.quantity import Quantity, from_repeats
from quantize.charge.rows import Rows, predicted_as_read, predicted_or_none, root_mean_square
from quantize.charge.run_table import lasted, per_interval
from quantize.charge.stated import counted, plus_minus
from quantize.readings import Readings
from quantize.shared_shift import SharedShift
from quantize.tables.origin import Origin, with_origin

_LEAST_FALLS = 3
_LEAST_REPEATS = 3
_ALIKE = 1e-9  # part of the largest by which standard deviations that are alike may differ
CHANGING = 0.2
"""Of a run beforehand: that its fall changes on the way ..."""
CHANGE = 0.05
"""... and the standard deviation of that change, normal about zero, over the fall."""
_SIGMAS, _LEAST_PART, _WIDEST = 121, 0.02, 3.0  # of the scatter that is averaged over
_LARGEST_LOG = 600.0


@dataclasses.dataclass(frozen=True, kw_only=True)
class Levels:
    """Values of a comb, and the errors that they share.

    Of the `rows` of the run's table: `values` in divisions per interval at the reference voltage,
    and the `lever` by which each moves with the shared error `shift`, without which the offset is
    free. Where the fall is a straight line in time, `drift` is the error of its change from the
    first row of the run to the last, with a lever of its own, and `remark` says so. Where no
    fall was added, but the level of a held state taken off, `taken_off` is true.
    """

    rows: pd.DataFrame
    values: FloatArray
    lever: FloatArray
    shift: Quantity | None
    drift: Quantity | None = None
    drift_lever: FloatArray | None = None
    remark: str = ""
    taken_off: bool = False

    def readings(self, run: Rows, **scatter: Any) -> Readings:
        """The values as readings of that `scatter`, with the errors that they share."""
        # Too high a level was taken off where too large a fall is added; no value turns round.
        lever, rows = -self.lever if self.taken_off else self.lever, self.rows
        states, changed = rows["state"].tolist(), rows["changed"].to_numpy(bool)
        beyond = rows["off_scale"].to_numpy(int) * np.sign(lever).astype(int)
        fixed = run.timing == "fixed distance" or "track_error" in rows
        step = run.resolution() * run.interval / lasted(run, rows) * abs(lever)
        rounding = run.known.word("reticle.rounding", "both ends")
        readings = Readings(
            self.values,
            **scatter,
            state=states if all(states) else None,
            resolution=None if fixed else step,
            ends=None if fixed else 2 if rounding == "both ends" else 1,
            beyond=beyond if beyond.any() else None,
            changed=changed if changed.any() else None,
            unit_name="divisions",
            shift=self.shared,
        )
        return with_origin(readings, _origin_of(run, rows))

    def predicted(self, run: Rows) -> FloatArray:
        """Standard deviations of the values as the apparatus predicts them."""
        return predicted_as_read(run, self.rows).total * np.abs(self.lever)

    def relative_scatter(self, run: Rows, *, predicted: bool = True) -> FloatArray | None:
        """In what proportion the values scatter, their mean square being one; None if all alike.

        As the apparatus predicts; where it cannot, or `predicted` is false, alike as read.
        """
        scatter = np.abs(self.lever)
        if predicted:
            with contextlib.suppress(InputError):
                scatter = self.predicted(run)
        alike = np.ptp(scatter) <= _ALIKE * scatter.max()
        return None if alike else np.asarray(scatter / root_mean_square(scatter))

    @property
    def offset(self) -> Literal["zero", "free"]:
        """Where the comb starts: at zero, unless that is nowhere known."""
        return "free" if self.shift is None else "zero"

    @property
    def shared(self) -> SharedShift | None:
        """The errors that the values share; None where nothing is unknown of them."""
        first = shared_shift(self.shift, self.lever)
        if first is None or self.drift_lever is None:
            return first
        return dataclasses.replace(first, also=shared_shift(self.drift, self.drift_lever))


def _origin_of(run: Rows, rows: pd.DataFrame) -> Origin | None:
    """The columns of the file that `rows` stand in, and how many of its rows they are."""
    file = run.table.attrs
    if "columns" not in file:
        return None
    read = int(rows["positions"].sum() if "positions" in rows else rows["row"].nunique())
    return Origin(file=run.source, columns=file["columns"], rows=read, rows_in_file=file["rows"])


def shared_shift(error: Quantity | None, lever: FloatArray) -> SharedShift | None:
    """An error that moves all readings together; None for one that is known exactly."""
    if error is None or error.standard_uncertainty == 0:
        return None
    return SharedShift(
        error=error.standard_uncertainty, lever=lever, degrees_of_freedom=error.degrees_of_freedom
    )


def readings_of(run: Rows, *, fall: str = "auto", sigma: ArrayLike | str | None = None) -> Readings:
    """The readings of one particle, the fall added or not; see `Run.readings`."""
    validation.choice("fall", fall, ("auto", "joined", "apart"))
    if len(run.driven) == 0:
        raise InputError("`run` has no kept reading with a voltage on the plates.")
    joined = fall == "joined" or (fall == "auto" and run.offset == "zero")
    levels = _joined(run) if joined else _apart(run)
    if sigma is None:
        return levels.readings(run, relative_sigma=levels.relative_scatter(run))
    if isinstance(sigma, str):
        validation.choice("sigma", sigma, ("predicted",))
        sigma = levels.predicted(run)
    return levels.readings(run, sigma=sigma)


def _joined(run: Rows) -> Levels:
    """The levels with the fall added; InputError where none is known."""
    values, stretch = run.joined(run.informative)
    fall = run.fall_on_record()
    shift = None if fall is None else dataclasses.replace(fall, value=0.0)
    return Levels(rows=run.informative, values=values, lever=stretch, shift=shift)


def _apart(run: Rows) -> Levels:
    """The distances as they are."""
    run.need_one_voltage()
    rows = run.informative
    return Levels(rows=rows, values=run.moved(rows), lever=np.ones(len(rows)), shift=None)


def levels_of(run: Rows) -> Levels:
    """The levels of a run, through zero where its fall or a held state determines that."""
    found = len(run.driven)
    if found < 2:
        raise InputError(
            f"`run` has {counted(found)} on the scale with a voltage on the plates; at least 2 are "
            "needed to look for steps."
        )
    if run.fall_on_record() is not None:
        return _joined(run)
    levels, held = _apart(run), run.known.word("run.held_state")
    there = (levels.rows["state"] == held).to_numpy(bool)
    at_held = run.driven[(run.driven["state"] == held).to_numpy(bool)]
    if held is None or at_held.empty:
        return levels
    observed, degrees = run.scatter()
    observed = observed if degrees else predicted_or_none(run, at_held)
    if not (degrees or observed):
        # Nothing says how far the held state is from where it was read.
        return levels
    observed = max(observed, root_mean_square(run.rounding(at_held, "one end")))
    error = observed / math.sqrt(len(at_held))
    shift = from_repeats(
        float(run.moved(at_held).mean()), error, degrees, scope="bench", unit="div"
    )
    # Rows of the held state itself determine the zero, and may not be used a second time.
    rest = levels.values[~there] - shift.value
    own = levels.rows[~there]
    return Levels(rows=own, values=rest, lever=-np.ones(rest.size), shift=shift, taken_off=True)


@dataclasses.dataclass(frozen=True, kw_only=True)
class Trend:
    """A straight line through the falls against time.

    `change` is that of the fall from the first row of the run to the last, `mean` the fall at the
    mean time of the falls, in divisions per interval; `p_value` says how often steady falls seem to
    change so, `odds` are those for a line against a steady fall, the prior chance of a changing one
    included. `place` is where each row of the run's table lies, in lengths of the run from that
    mean time, and `words` say by what the time was known.
    """

    change: Quantity
    mean: Quantity
    p_value: float
    odds: float
    place: pd.Series
    words: str


def trend_of(run: Rows) -> Trend | None:
    """The line through the falls of a run; None with fewer than three of them."""
    from scipy.stats import t

    falls = run.falls
    time, words = run.time_of(run.table)
    at = pd.Series(time, index=run.table.index)
    length = float(np.ptp(time))
    if len(falls) < _LEAST_FALLS or length == 0 or at[falls.index].nunique() < 2:
        return None
    place = (at - at[falls.index].mean()) / length
    x = -per_interval(run, falls)
    tau = place[falls.index].to_numpy(float)
    squares, degrees = float(tau @ tau), x.size - 2
    slope = float(tau @ x) / squares
    rest = x - x.mean() - slope * tau
    least = _least_scatter(run, float(x.mean()))
    scatter = max(math.sqrt(float(rest @ rest) / degrees), least)
    law: dict[str, Any] = {"degrees": degrees, "scope": "bench", "unit": "div"}
    error = scatter / math.sqrt(squares)
    return Trend(
        change=from_repeats(slope, error, **law),
        mean=from_repeats(float(x.mean()), scatter / math.sqrt(x.size), **law),
        p_value=2 * float(t.sf(abs(slope) / error, degrees)),
        odds=_odds_of_change(run, x, slope, squares, least),
        place=place,
        words=words,
    )


def _odds_of_change(run: Rows, x: FloatArray, slope: float, squares: float, least: float) -> float:
    r"""Posterior odds of falls `x` on a line against a steady fall.

    With a known scatter σ the line, its change c drawn from a normal law of deviation τ, has the
    Bayes factor :math:`N(c; 0, τ^2 + σ^2/S) / N(c; 0, σ^2/S)`, S being `squares`. The scatter, of
    prior 1/σ, is averaged over given falls and repeats.
    """
    observed, degrees = _scatter_as_of_falls(run)
    sum_of_squares = float(np.sum((x - x.mean()) ** 2)) + degrees * observed**2
    freedom = x.size - 1 + degrees
    middle = max(math.sqrt(sum_of_squares / freedom), least)
    sigma = np.geomspace(max(_LEAST_PART * middle, least), _WIDEST * middle, _SIGMAS)
    narrow = sigma**2 / squares
    wide = narrow + (CHANGE * float(x.mean())) ** 2
    log_bf = 0.5 * (np.log(narrow / wide) + slope**2 * (1 / narrow - 1 / wide))
    log_weight = -freedom * np.log(sigma) - 0.5 * sum_of_squares / sigma**2
    log_mean = np.logaddexp.reduce(log_bf + log_weight) - np.logaddexp.reduce(log_weight)
    return math.exp(min(float(log_mean), _LARGEST_LOG)) * CHANGING / (1 - CHANGING)


def _scatter_as_of_falls(run: Rows) -> tuple[float, int]:
    """That of repeats with a voltage, and its freedom; none where it goes with their speed."""
    return (0.0, 0) if run.timing == "fixed distance" else run.scatter()


def _least_scatter(run: Rows, fall: float) -> float:
    """Below which the scatter of falls is not believed: few may lie on a line by chance."""
    scatter, degrees = _scatter_as_of_falls(run)
    few = len(run.falls) < _LEAST_FALLS + 2
    if degrees < _LEAST_REPEATS:
        scatter = predicted_or_none(run, run.falls, fall) if few else 0.0
    if few:
        rounding = root_mean_square(run.rounding(run.falls))
    else:
        rounding = run.resolution() * ROUNDING_SD["one end"] if run.timing == "fixed time" else 0.0
    return max(scatter, rounding, NO_SCATTER * abs(fall))


def steadied(run: Rows, levels: Levels) -> Levels:
    """The levels, along a straight line through the falls where that is likelier than not."""
    trend = None if levels.shift is None else trend_of(run)
    return levels if trend is None or trend.odds <= 1 else along(levels, trend)


def along(levels: Levels, trend: Trend) -> Levels:
    """The levels with the fall of each moment in place of the mean one."""
    if levels.shift is None or levels.drift is not None:
        return levels
    lever = levels.lever * trend.place[levels.rows.index].to_numpy(float)
    change, part = trend.change, 100 * trend.change.value / trend.mean.value
    odds = f"{trend.odds:.2g}" if trend.odds < 1000 else "more than 1000"
    return dataclasses.replace(
        levels,
        values=levels.values + lever * change.value,
        shift=dataclasses.replace(trend.mean, value=0.0),
        drift=dataclasses.replace(change, value=0.0),
        drift_lever=lever,
        remark=(
            "The fall is taken as a straight line in time, which changes by "
            f"{plus_minus(change.value, change.standard_uncertainty, sign='+')} divisions "
            f"({part:+.1f} %) from the first row to the last, {trend.words}: the odds for it "
            f"against a steady fall are {odds} to 1, where one run in "
            f"{1 / CHANGING:.0f} was thought to change beforehand, by about "
            f"{100 * CHANGE:.0f} %; unit and evidence are averaged over the error of that change, "
            "too."
        ),
    )
