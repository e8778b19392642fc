"""From the answers to one table: shares, biases and errors, each with its Monte Carlo error."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from quantize._support import validation
from quantize._support.validation import BoolArray, FloatArray
from quantize.studies.conditions import Condition
from quantize.studies.replicates import ANSWERED, NO_NUMBER, RAISED, TIMED_OUT, Outcomes

if TYPE_CHECKING:
    import pandas as pd

CONFIDENCE = 0.95
"""Of the binomial intervals in the table."""

SHARES = ("right", "coverage", "power", "false_alarms")
"""What is counted of the samples, a yes or no for each."""
_WRONG = {"half": 1 / 2, "third": 1 / 3, "double": 2.0}


def binomial_interval(
    hits: int, trials: int, confidence: float = CONFIDENCE
) -> tuple[float, float]:
    """Exact (Clopper–Pearson) interval of a share.

    Parameters
    ----------
    hits : int
        How many trials succeeded.
    trials : int
        How many trials there were.
    confidence : float
        Probability that the interval holds the true share, at least.

    Returns
    -------
    low, high : float
        Ends of the interval; NaN where there was no trial.

    References
    ----------
    Clopper and Pearson, Biometrika 26:404 (1934).

    Examples
    --------
    >>> [round(end, 3) for end in binomial_interval(8, 10)]
    [0.444, 0.975]
    """
    from scipy.special import betaincinv

    n = validation.count("trials", trials, least=0)
    k = validation.count("hits", hits, least=0)
    tail = (1 - validation.fraction("confidence", confidence)) / 2
    if n == 0:
        return float("nan"), float("nan")
    low = 0.0 if k == 0 else float(betaincinv(k, n - k + 1, tail))
    high = 1.0 if k == n else float(betaincinv(k + 1, n - k, 1 - tail))
    return low, high


def summarise(
    conditions: Sequence[Condition],
    names: Sequence[str],
    answers: Sequence[Outcomes],
    *,
    tolerance: float,
    alpha: float,
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Counts and median times, a row for each condition and estimator, and pairs of estimators.

    See `Comparison`.
    """
    import pandas as pd

    fields = shown_fields(conditions)
    rows, times, pairs = [], [], []
    for number, (condition, outcomes) in enumerate(zip(conditions, answers, strict=True)):
        head = {field: condition.label(field) for field in fields}
        head["sigma_over_unit"] = condition.sigma_over_unit
        medians = np.median(outcomes.seconds, axis=0).tolist()
        hits = [_hits(condition, outcomes, j, tolerance, alpha) for j in range(len(names))]
        for column, name in enumerate(names):
            named = head | {"estimator": name}
            rows.append(named | _row(condition, outcomes, column, hits[column], tolerance))
            times.append(named | {"seconds": medians[column]})
        for one, other in itertools.combinations(range(len(names)), 2):
            for what in SHARES:
                counts = {"condition": number, "estimator": names[one], "other": names[other]}
                pairs.append(counts | {"what": what} | _pair(hits[one][what], hits[other][what]))
    columns = ["condition", "estimator", "other", "what", "only_this", "only_other", "p_value"]
    return pd.DataFrame(rows), pd.DataFrame(times), pd.DataFrame(pairs, columns=columns)


def _pair(one: FloatArray, other: FloatArray) -> dict[str, float]:
    """Samples on which one of two alone succeeded, and McNemar's exact p-value (two-sided)."""
    from scipy.special import bdtr

    # NaN, where one of them has nothing to say, is neither above nor below.
    this, that = int(np.sum(one > other)), int(np.sum(other > one))
    p = min(2 * float(bdtr(min(this, that), this + that, 0.5)), 1.0)
    asked = bool(np.isfinite(one + other).any())
    return {"only_this": this, "only_other": that, "p_value": p if asked else float("nan")}


def shown_fields(conditions: Sequence[Condition]) -> list[str]:
    """The fields that differ between conditions, and n."""
    shown = []
    for field in dataclasses.fields(Condition):
        labels = {repr(condition.label(field.name)) for condition in conditions}
        if field.name == "n" or len(labels) > 1:
            shown.append(field.name)
    return shown


def _row(
    condition: Condition,
    outcomes: Outcomes,
    column: int,
    hits: dict[str, FloatArray],
    tolerance: float,
) -> dict[str, Any]:
    fate = outcomes.fate[:, column]
    row: dict[str, Any] = {
        "pages": fate.size,
        "answered": int(np.sum(fate == ANSWERED)),
        "raised": int(np.sum(fate == RAISED)),
        "not_a_number": int(np.sum(fate == NO_NUMBER)),
        "timed_out": int(np.sum(fate == TIMED_OUT)),
    }
    has_unit = condition.family is None
    ratio = outcomes.unit[:, column] / condition.unit
    right = _near(ratio, 1.0, tolerance)
    row |= _share("right", hits)
    rest = np.isfinite(ratio) & ~right
    for name, factor in _WRONG.items():
        hit = rest & _near(ratio, factor, tolerance)
        rest = rest & ~hit
        row[name] = float(hit.mean()) if has_unit else np.nan
    row["other"] = float(rest.mean()) if has_unit else np.nan
    row |= _errors(ratio[right] - 1, outcomes.bound[right] / condition.unit, has_unit)
    for name in SHARES[1:]:
        row |= _share(name, hits)
    return row


def _hits(
    condition: Condition, outcomes: Outcomes, column: int, tolerance: float, alpha: float
) -> dict[str, FloatArray]:
    """1 or 0 of each share for each sample, NaN where it is not asked."""
    nothing: FloatArray = np.full(outcomes.bound.size, np.nan)
    decision, covered = outcomes.decision[:, column], outcomes.covered[:, column]
    # A sample on which the estimator failed did not show steps.
    said = (decision <= alpha).astype(np.float64) if np.isfinite(decision).any() else nothing
    if condition.family is not None:
        return dict.fromkeys(SHARES, nothing) | {"false_alarms": said}
    right = _near(outcomes.unit[:, column] / condition.unit, 1.0, tolerance)
    held = np.where(covered >= 0, covered == 1.0, np.nan)
    return dict(zip(SHARES, (right.astype(np.float64), held, said, nothing), strict=True))


def _near(ratio: FloatArray, target: float, tolerance: float) -> BoolArray:
    with np.errstate(invalid="ignore"):
        near: BoolArray = np.abs(ratio / target - 1) <= tolerance
    return near


def _share(name: str, hits: dict[str, FloatArray]) -> dict[str, float]:
    """A share with the ends of its interval."""
    asked = hits[name][np.isfinite(hits[name])]
    share = float(asked.mean()) if asked.size else float("nan")
    low, high = binomial_interval(int(asked.sum()), asked.size)
    return {name: share, f"{name}_low": low, f"{name}_high": high}


def _errors(deviation: FloatArray, bound: FloatArray, applies: bool) -> dict[str, float]:
    """Bias and error of the right answers, relative to the unit and to the Cramér–Rao bound.

    `over_bound` is the root mean square of deviation/bound, sample by sample: 1 for an estimator
    that reaches the bound. Standard errors are those of a mean, carried through the root.
    """
    known = np.isfinite(bound) & (bound > 0)
    deviation, bound = deviation[known], bound[known]
    names = ("bias", "bias_se", "rms", "rms_se", "bound", "over_bound", "over_bound_se")
    if not applies or deviation.size < 2:
        return dict.fromkeys(names, float("nan"))
    rms, rms_se = _root_mean_square(deviation)
    over, over_se = _root_mean_square(deviation / bound)
    values = (
        float(deviation.mean()),
        float(deviation.std(ddof=1) / np.sqrt(deviation.size)),
        rms,
        rms_se,
        float(np.sqrt(np.mean(bound**2))),
        over,
        over_se,
    )
    return dict(zip(names, values, strict=True))


def _root_mean_square(values: FloatArray) -> tuple[float, float]:
    square = values**2
    root = float(np.sqrt(square.mean()))
    error = float(square.std(ddof=1) / np.sqrt(values.size))
    return root, error / (2 * root) if root > 0 else 0.0


def share_row(spread: float, m: int, n: float, hits: int, samples: int) -> dict[str, float]:
    """A simulated share as a row of `Plan.curves`."""
    low, high = binomial_interval(hits, samples)
    return {
        "sigma_over_unit": spread,
        "repeats": m,
        "readings": n,
        "power": hits / samples,
        "low": low,
        "high": high,
    }
