"""Checks of how the sphere moved: line in V, fall, scatter, jumps of charge."""

from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING

import numpy as np

from quantize._support.errors import InputError
from quantize._support.validation import FloatArray
from quantize.charge.fall import NO_SCATTER
from quantize.charge.rows import predicted_scatter, residual_voltage, scatter_of
from quantize.charge.soundness import Check, graded, unknown
from quantize.charge.stated import plus_minus

if TYPE_CHECKING:
    from quantize.charge.rows import Rows as Run

_ENOUGH = 3  # degrees of freedom from which a scatter is believed as it is observed
_JUMP = 4.5  # sigmas from the median of the state; one in 150,000 normal readings


def spread_of(run: Run) -> tuple[float, int]:
    """Standard deviation of one reading, divisions per interval, and its degrees of freedom.

    From the repeats, but never below that of the rounding, or else as it is predicted.
    """
    observed, degrees = run.scatter()
    if degrees >= 3:
        spread = max(observed, root_mean_square(run.rounding(run.driven)))
        return (spread, degrees) if spread > 0 else (0.0, 0)
    try:
        scatter = predicted_scatter(run)
        values = scatter.total / np.maximum(np.abs(run.stretch()), 1e-300)
        return root_mean_square(values), 10_000
    except InputError:
        return 0.0, 0


def root_mean_square(values: FloatArray) -> float:
    """Of standard deviations; zero for none."""
    return float(np.sqrt(np.mean(values**2))) if values.size else 0.0


def proportionality(run: Run) -> list[Check]:
    """Speed against voltage within one charge state: line, intercept, curvature."""
    name = "speed is proportional to force"
    sigma, degrees = spread_of(run)
    fall = run.fall()
    rows = run.driven
    found = []
    for state, group in rows.groupby("state", sort=False):
        if not state or group["voltage"].nunique() < 2:
            continue
        v = group["voltage"].to_numpy(float)
        x = (group["divisions"] / group["seconds"]).to_numpy(float) * run.interval
        if sigma == 0:
            return [unknown(name, "no repeats tell the scatter, so the line cannot be judged.")]
        found += _line(name, str(state), v, x, sigma, degrees, fall)
    if not found:
        return [
            unknown(
                name,
                "no charge state was read at two voltages; read one at half or twice the "
                "balance voltage, which needs no knowledge of the charge.",
            )
        ]
    return found


def _line(
    name: str, state: str, v: FloatArray, x: FloatArray, sigma: float, degrees: int, fall: object
) -> list[Check]:
    from scipy.stats import chi2, t

    from quantize.charge.quantity import Quantity

    scale = float(np.abs(v).max())
    design = np.column_stack([np.ones(v.size), v / scale])
    inverse = np.linalg.inv(design.T @ design)
    intercept, slope = inverse @ design.T @ x
    chi_square = float(np.sum((x - design @ (intercept, slope)) ** 2)) / sigma**2
    checks = []
    if isinstance(fall, Quantity):
        spread = math.hypot(sigma * math.sqrt(inverse[0, 0]), fall.standard_uncertainty)
        off = (intercept + fall.value) / spread
        p = 2 * float(t.sf(abs(off), degrees))
        checks.append(
            graded(
                f"{name}: intercept in state {state}",
                p,
                off,
                f"in state {state} the line of speed against voltage has slope "
                f"{slope / scale:.4g} divisions per volt and meets zero voltage at "
                f"{intercept:.2f} divisions where the sphere falls {-fall.value:.2f}, "
                f"{abs(off):.1f} standard errors apart",
            )
        )
    if v.size > 2:
        p = float(chi2.sf(chi_square, v.size - 2))
        checks.append(
            graded(
                f"{name}: line in state {state}",
                p,
                chi_square / (v.size - 2),
                f"in state {state} the readings scatter about a straight line with chi-square "
                f"{chi_square:.1f} on {v.size - 2} degrees of freedom",
            )
        )
    if np.unique(v).size > 2:
        checks.append(_curvature(name, state, v / scale, x, sigma, degrees))
    return checks


def _curvature(
    name: str, state: str, v: FloatArray, x: FloatArray, sigma: float, degrees: int
) -> Check:
    from scipy.stats import t

    design = np.column_stack([np.ones(v.size), v, v**2])
    inverse = np.linalg.inv(design.T @ design)
    bend = float((inverse @ design.T @ x)[2])
    off = bend / (sigma * math.sqrt(inverse[2, 2]))
    return graded(
        f"{name}: curvature in state {state}",
        2 * float(t.sf(abs(off), degrees)),
        off,
        f"a parabola bends the line of state {state} by {bend:.2f} divisions at full voltage, "
        f"{abs(off):.1f} standard errors",
    )


def forces(run: Run) -> list[Check]:
    """Doubled force and reversed field, in the state held at the balance voltage."""
    from scipy.stats import t

    sigma, degrees = spread_of(run)
    fall, reference = run.fall(), run.reference_voltage
    if sigma == 0 or fall is None or reference is None:
        return []
    rows = run.driven
    x = (rows["divisions"] / rows["seconds"]).to_numpy(float) * run.interval
    v = rows["voltage"].to_numpy(float)
    out = []
    labels = [label for label in dict.fromkeys(rows["state"]) if label]
    for state, sign in itertools.product(labels, (1.0, -1.0)):
        here = (rows["state"] == state).to_numpy()
        held = here & np.isclose(v, sign * reference, rtol=0.01)
        if not held.any() or abs(x[held].mean()) > 0.1 * fall.value:
            continue
        for factor, words in ((2.0, "at twice the balance voltage"), (-1.0, "in the field turned")):
            chosen = here & np.isclose(v, factor * sign * reference, rtol=0.02)
            if not chosen.any():
                continue
            # v = (held + fall)·V/V0 - fall for any charge: no steps are assumed.
            expected = (x[held].mean() + fall.value) * factor - fall.value
            spread = math.sqrt(
                sigma**2 * (1 / chosen.sum() + factor**2 / held.sum())
                + ((factor - 1) * fall.standard_uncertainty) ** 2
            )
            off = (x[chosen].mean() - expected) / spread
            out.append(
                graded(
                    f"speed is proportional to force: {words}",
                    2 * float(t.sf(abs(off), degrees)),
                    off,
                    f"{words} state {state} moves {x[chosen].mean():.1f} divisions where "
                    f"{expected:.1f} follow from its balance and fall, {abs(off):.1f} standard "
                    "errors apart",
                )
            )
    return out


def fall_steadiness(run: Run) -> list[Check]:
    """Fall speed against time and against charge."""
    name = "the fall stays the same"
    falls = run.falls
    if len(falls) < 3:
        return [unknown(name, "fewer than three falls without field; read one in every state.")]
    x = -(falls["divisions"] / falls["seconds"]).to_numpy(float) * run.interval
    at, words = run.time_of(falls)
    checks = [
        _trend(
            f"{name}: with time",
            at,
            x,
            _least_scatter(run, float(x.mean()), degrees=x.size - 2),
            f"from the first to the last, {words}",
            "a wet coat, a change of temperature or convection would do that",
        )
    ]
    try:
        left = residual_voltage(run)
    except InputError:
        return checks
    volts, error = left.voltage.value, left.voltage.standard_uncertainty
    checks.append(
        graded(
            f"{name}: with charge",
            left.p_value,
            volts,
            "the fall goes with the charge as a residual voltage of "
            f"{plus_minus(volts, error, sign='+')} V would make it; without it the fall is "
            f"{plus_minus(left.fall.value, left.fall.standard_uncertainty)} divisions",
            cause=(
                "short the plates and look at the supply, or declare residual_voltage = "
                '"taken off" under [run] in the apparatus file'
            ),
        )
    )
    return checks


def _least_scatter(run: Run, fall: float, *, degrees: int) -> float:
    """Below which the scatter of falls is not believed: few may lie on a line by chance."""
    rounding = root_mean_square(run.rounding(run.falls))
    if degrees >= _ENOUGH:
        return rounding
    try:
        return max(rounding, root_mean_square(scatter_of(run, run.falls, fall).total))
    except InputError:
        return rounding


def _trend(name: str, at: FloatArray, x: FloatArray, least: float, span: str, cause: str) -> Check:
    """A straight line through falls, whose scatter is at least `least`."""
    from scipy.stats import t

    centred = at - at.mean()
    squares = float(centred @ centred)
    if squares == 0:
        return unknown(name, "all falls were read at the same time.")
    slope = float(centred @ x) / squares
    rest = x - x.mean() - slope * centred
    degrees = x.size - 2
    scatter = max(math.sqrt(float(rest @ rest) / degrees), least)
    if scatter <= NO_SCATTER * abs(float(x.mean())):
        return unknown(
            name, "the falls show no scatter, so a change cannot be distinguished from none."
        )
    spread = scatter / math.sqrt(squares)
    change = slope * float(np.ptp(at))
    return graded(
        name,
        2 * float(t.sf(abs(slope) / spread, degrees)),
        change,
        f"the fall changes by {plus_minus(change, spread * float(np.ptp(at)), sign='+')} divisions "
        f"{span}",
        cause=cause,
    )


def scatter_explained(run: Run) -> list[Check]:
    """Observed scatter within states against the predicted one."""
    from scipy.stats import chi2

    name = "the scatter is what air molecules and the ruler explain"
    observed, degrees = run.scatter()
    if degrees < 3:
        return [unknown(name, "too few repeats within the charge states to know the scatter.")]
    try:
        predicted = predicted_scatter(run)
    except InputError as error:
        return [unknown(name, f"the scatter cannot be predicted: {error}")]
    usual = predicted.total / np.maximum(np.abs(run.stretch()), 1e-300)
    expected = root_mean_square(usual)
    hidden = root_mean_square(run.rounding(run.driven))
    ratio = max(observed, hidden) / expected
    p = 2 * min(
        float(chi2.sf(ratio**2 * degrees, degrees)), float(chi2.cdf(ratio**2 * degrees, degrees))
    )
    cause = (
        "convection, a poor watch or mixed charge states would do that"
        if ratio > 1
        else "readings may have been tidied, or the watch is better than stated"
    )
    among = "a ratio of"
    if observed < hidden:
        among = f"of which the rounding may hide {hidden:.2f}, a ratio of at most"
    total = graded(
        name,
        p,
        ratio,
        f"readings within a state scatter by {observed:.2f} divisions where {expected:.2f} are "
        f"predicted, {among} {ratio:.2f} on {degrees} degrees of freedom",
        cause=cause,
    )
    return [total, *_worst_state(run, usual)]


def _worst_state(run: Run, predicted: FloatArray) -> list[Check]:
    """The state whose own scatter is least like the prediction, if it is unlikely among all."""
    from scipy.stats import chi2

    rows = run.driven
    x = (rows["divisions"] / rows["seconds"]).to_numpy(float) * run.interval
    keys = (rows["state"] + " at " + rows["voltage"].astype(str) + " V").to_numpy(str)
    worst, number = (1.0, ""), 0
    for key in dict.fromkeys(keys.tolist()):
        chosen = keys == key
        n = int(chosen.sum())
        if n < 2:
            continue
        number += 1
        square = float(np.sum((x[chosen] - x[chosen].mean()) ** 2 / predicted[chosen] ** 2))
        p = float(chi2.sf(square, n - 1))
        worst = min(worst, (p, key))
    if number == 0:
        return []
    p_any = 1 - (1 - worst[0]) ** number
    return [
        graded(
            "scatter of each state",
            p_any,
            worst[0],
            f"the most scattered of {number} states is {worst[1]}, with a probability of "
            f"{p_any:.2g} that one of them scatters so much by chance",
        )
    ]


def jumps(run: Run) -> list[Check]:
    """Readings far from the rest of their state: the charge changed within the interval."""
    name = "the charge stayed the same within each reading"
    sigma, degrees = spread_of(run)
    rows = run.driven
    if sigma == 0 or degrees < 3:
        return [unknown(name, "too few repeats to see a reading that lies apart from its state.")]
    try:
        # An odd reading inflates the observed scatter; the predicted one stays as it is.
        total = predicted_scatter(run).total / np.maximum(np.abs(run.stretch()), 1e-300)
        sigma = float(np.sqrt(np.mean(total**2)))
    except InputError:
        pass
    x = (rows["divisions"] / rows["seconds"]) * run.interval
    keys = rows["state"] + "|" + rows["voltage"].astype(str)
    deviation = (x - x.groupby(keys).transform("median")).abs() / sigma
    odd = rows["row"][(deviation > _JUMP) & (rows["state"] != "")].tolist()
    if not odd:
        return [
            Check(
                name=name,
                level="good",
                number=float(deviation.max()),
                sentence=f"no reading is further than {_JUMP:g} sigma from its state.",
            )
        ]
    return [
        Check(
            name=name,
            level="doubt",
            number=float(deviation.max()),
            sentence=(
                f"row {', '.join(map(str, odd))} lies {deviation.max():.1f} sigma from its state; "
                "a charge that changes within the interval reads anywhere between two steps, so "
                "look at the log and give a reason, or label a new state."
            ),
        )
    ]
