"""Checks of how the sphere moved: line in V, fall, scatter, jumps of charge."""

from __future__ import annotations

import contextlib
import math

import numpy as np

from quantize._support.errors import InputError
from quantize._support.validation import FloatArray
from quantize.charge.checks import DOUBT, Check, Graded, graded_by_t, least_squares, unknown
from quantize.charge.fall import NO_SCATTER
from quantize.charge.levels import trend_of
from quantize.charge.quantity import Quantity
from quantize.charge.rows import (
    Rows,
    predicted_as_read,
    predicted_or_none,
    residual_voltage,
    root_mean_square,
)
from quantize.charge.run_table import per_interval, rows_of, same_state_or_row, scatter_over
from quantize.charge.stated import counted, plus_minus

_ENOUGH = 3  # degrees of freedom from which a scatter is believed as it is observed
_KNOWN = 10_000  # degrees of freedom of a scatter that is predicted
_LINE = "speed is proportional to force"
_FALL = "the fall stays the same"
_SCATTER = "the scatter is what air molecules and the ruler explain"
_CHARGE = "the charge stayed the same within each reading"


def spread_of(run: Rows) -> tuple[float, int]:
    """Standard deviation of one reading, divisions per interval, and its degrees of freedom.

    From the repeats, but never below that of the rounding, or else as it is predicted.
    """
    observed, degrees = run.scatter()
    if degrees >= _ENOUGH:
        spread = max(observed, root_mean_square(run.rounding(run.driven)))
        return (spread, degrees) if spread > 0 else (0.0, 0)
    return predicted_or_none(run, run.driven), _KNOWN


def proportionality(run: Rows) -> list[Check | Graded]:
    """Speed against voltage within one charge state: line, intercept, curvature.

    Whether twice the balance voltage, or the field turned, moves the sphere as its balance and
    fall imply is what the intercept says.
    """
    spread, fall = spread_of(run), run.fall()
    found: list[Check | Graded] = []
    for state, group in run.driven.groupby("state", sort=False):
        if not state or group["voltage"].nunique() < 2:
            continue
        if spread[0] == 0:
            return [unknown(_LINE, "no repeats show the scatter, so the line cannot be judged.")]
        v, x = group["voltage"].to_numpy(float), per_interval(run, group)
        found += _line(str(state), v, x, spread, fall)
    return found or [
        unknown(
            _LINE,
            "no charge state was read at two voltages; read one at half or twice the "
            "balance voltage, which needs no knowledge of the charge.",
        )
    ]


def _line(
    state: str, v: FloatArray, x: FloatArray, spread: tuple[float, int], fall: Quantity | None
) -> list[Check | Graded]:
    """Intercept, scatter and curvature of the line of one state."""
    from scipy.stats import chi2

    sigma, degrees = spread
    scale = float(np.abs(v).max())
    design = np.column_stack([np.ones(v.size), v / scale])
    (intercept, slope), errors = least_squares(design, x)
    checks: list[Check | Graded] = []
    if fall is not None:
        off = (intercept + fall.value) / math.hypot(sigma * errors[0], fall.standard_uncertainty)
        sentence = (
            f"in state {state} the line of speed against voltage has slope "
            f"{slope / scale:.4g} divisions per volt and meets zero voltage at "
            f"{intercept:.2f} divisions where the sphere falls {-fall.value:.2f}, "
            f"{abs(off):.1f} standard errors apart"
        )
        checks.append(graded_by_t(f"{_LINE}: intercept in state {state}", off, degrees, sentence))
    freedom = v.size - 2
    if freedom > 0:
        chi_square = float(np.sum((x - design @ (intercept, slope)) ** 2)) / sigma**2
        sentence = (
            f"in state {state} the readings scatter about a straight line with chi-square "
            f"{chi_square:.1f} on {freedom} degrees of freedom"
        )
        p = float(chi2.sf(chi_square, freedom))
        checks.append(Graded(f"{_LINE}: line in state {state}", p, chi_square / freedom, sentence))
    if np.unique(v).size > 2:
        curve, errors = least_squares(np.column_stack([design, (v / scale) ** 2]), x)
        off = float(curve[2] / (sigma * errors[2]))
        sentence = (
            f"a parabola bends the line of state {state} by {curve[2]:.2f} divisions at full "
            f"voltage, {abs(off):.1f} standard errors"
        )
        checks.append(graded_by_t(f"{_LINE}: curvature in state {state}", off, degrees, sentence))
    return checks


def fall_steadiness(run: Rows) -> list[Check | Graded]:
    """Fall speed against time and against charge."""
    if len(run.falls) < 3:
        return [unknown(_FALL, "fewer than three falls without field; read one in every state.")]
    checks = [_fall_with_time(run)]
    with contextlib.suppress(InputError):
        left = residual_voltage(run)
        volts, fall = left.voltage, left.fall
        sentence = (
            "the fall goes with the charge as a residual voltage of "
            f"{plus_minus(volts.value, volts.standard_uncertainty, sign='+')} V would make it; "
            f"without it the fall is {plus_minus(fall.value, fall.standard_uncertainty)} divisions"
        )
        cause = (
            "short the plates and look at the supply, or declare residual_voltage = "
            '"taken off" under [run] in the apparatus file'
        )
        name = f"{_FALL}: with charge"
        checks.append(Graded(name, left.p_value, volts.value, sentence, cause))
    return checks


def _fall_with_time(run: Rows) -> Check | Graded:
    """A straight line through the falls."""
    name, trend = f"{_FALL}: with time", trend_of(run)
    if trend is None:
        return unknown(name, "all falls were read at the same time.")
    change, mean = trend.change, trend.mean
    scatter = mean.standard_uncertainty * math.sqrt(len(run.falls))
    if scatter <= 1.001 * NO_SCATTER * abs(mean.value):
        return unknown(
            name, "the falls show no scatter, so a change cannot be distinguished from none."
        )
    return Graded(
        name,
        trend.p_value,
        change.value,
        f"the fall changes by {plus_minus(change.value, change.standard_uncertainty, sign='+')} "
        f"divisions from the first row to the last, {trend.words}",
        cause="a wet coat, a change of temperature or convection would do that",
    )


def scatter_explained(run: Rows) -> list[Check | Graded]:
    """Observed scatter within states against the predicted one."""
    from scipy.stats import chi2

    if run.scatter()[1] < _ENOUGH:
        return [unknown(_SCATTER, "too few repeats within the charge states to know the scatter.")]
    try:
        predicted = predicted_as_read(run, run.driven).total
    except InputError as error:
        return [unknown(_SCATTER, f"the scatter cannot be predicted: {error}")]
    expected = root_mean_square(predicted)
    seen, degrees = scatter_over(run, predicted)
    observed = seen * expected
    hidden = root_mean_square(run.rounding(run.driven) / predicted) * expected
    ratio = max(observed, hidden) / expected
    square = ratio**2 * degrees
    among = "a ratio of"
    if observed < hidden:
        among = f"of which the rounding may hide {hidden:.2f}, a ratio of at most"
    total = Graded(
        _SCATTER,
        2 * min(float(chi2.sf(square, degrees)), float(chi2.cdf(square, degrees))),
        ratio,
        f"readings within a state scatter by {observed:.2f} divisions where {expected:.2f} are "
        f"predicted, {among} {ratio:.2f} on {degrees} degrees of freedom",
        cause="convection, a poor watch or mixed charge states would do that"
        if ratio > 1
        else "readings may have been tidied, or the watch is better than stated",
    )
    return [total, *_worst_state(run, predicted)]


def _worst_state(run: Rows, predicted: FloatArray) -> list[Check | Graded]:
    """The state whose own scatter is least like the prediction, if it is unlikely among all."""
    from scipy.stats import chi2

    rows = run.driven.assign(x=per_interval(run, run.driven), predicted=predicted)
    states = []
    volts = rows["voltage"].map("{:g}".format)
    for key, own in rows.groupby(rows["state"] + " at " + volts + " V"):
        if len(own) > 1:
            square = float((((own["x"] - own["x"].mean()) / own["predicted"]) ** 2).sum())
            states.append((float(chi2.sf(square, len(own) - 1)), str(key)))
    if not states:
        return []
    p, worst = min(states)
    p_any = 1 - (1 - p) ** len(states)
    sentence = (
        f"the most scattered of {counted(len(states), 'set')} of repeats is that of state {worst}, "
        f"with a probability of {p_any:.2g} that one of them scatters so much by chance"
    )
    return [Graded("scatter of each state", p_any, p, sentence)]


def jumps(run: Rows) -> Check | Graded:
    """Readings far from the rest of their state: the charge changed within the interval."""
    from scipy.stats import norm

    spread, degrees = spread_of(run)
    rows = run.driven
    if spread == 0 or degrees < _ENOUGH or run.scatter()[1] < 1:
        return unknown(_CHARGE, "too few repeats to see a reading that lies apart from its state.")
    sigma = np.full(len(rows), spread)
    with contextlib.suppress(InputError):
        # An odd reading inflates the observed scatter; the predicted one stays as it is.
        sigma = predicted_as_read(run, rows).total
    apart = _from_the_others(run, per_interval(run, rows), sigma)
    p_each = 2 * norm.sf(apart)
    p = 1 - (1 - float(p_each.min())) ** int(np.sum(apart > 0))
    odd = rows["row"][p_each <= max(float(p_each.min()), DOUBT / len(rows))].tolist()
    lies = "lies" if len(odd) == 1 else "lie up to"
    return Graded(
        _CHARGE,
        p,
        float(apart.max()),
        f"{rows_of(run, odd)} {lies} {apart.max():.1f} standard errors from the others of its "
        f"state, with a probability of {p:.2g} that any reading lies so far by chance",
        cause="a charge that changes within the interval reads anywhere between two steps, so "
        "look at the log and give a reason, or label a new state",
        otherwise="no reading lies further from the others of its state than chance explains.",
        worst="doubt",
    )


def _from_the_others(run: Rows, x: FloatArray, sigma: FloatArray) -> FloatArray:
    """Standard errors of each reading from the mean of the others of its state; 0 if alone.

    Where the others scatter by more than is predicted, by that much more.
    """
    codes = same_state_or_row(run.driven).factorize()[0]
    weight = sigma**-2
    total, sums = np.bincount(codes, weight)[codes], np.bincount(codes, weight * x)[codes]
    repeated = np.bincount(codes)[codes] > 1
    left = np.where(repeated, total - weight, 1.0)
    off = np.where(repeated, x - (sums - weight * x) / left, 0.0)
    squares = off**2 / (sigma**2 + 1 / left)
    within = float(np.sum(weight * (x - sums / total) ** 2))
    others = (within - squares) / max(run.scatter()[1] - 1, 1)
    return np.asarray(np.sqrt(squares / np.maximum(others, 1.0)), dtype=np.float64)
