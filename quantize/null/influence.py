"""What hangs on single readings: those that fit no whole number, one state, pooled particles."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from quantize._support import validation
from quantize._support.validation import FloatArray, IntArray, Offset, SigmaRange
from quantize.comb.unit_range import UnitRange, unit_range_for
from quantize.model.averaged import with_shift_at
from quantize.model.mixture import MixtureFit, model_of, posterior_of
from quantize.model.model import MixtureModel
from quantize.model.noise import POWERS, grown_variance
from quantize.model.posterior import Posterior
from quantize.null.calibration import share
from quantize.null.choices import LEVELS_AT_ZERO
from quantize.null.evidence import NothingCanShow, level_evidence
from quantize.null.guards import Finding, finding
from quantize.null.sample import rounding_variance
from quantize.readings import Readings, as_readings

MOST_STATES = 40
"""With more states than this none of them alone can carry the verdict."""
MISFIT = 0.01
"""Chance at which some reading of a sample on the comb lies so far from its multiple."""
_ASTRAY = 0.5
"""Probability of an outlier from which on a reading is held to be one."""
_NAMED = 4


def without_each_state(
    readings: Readings | ArrayLike,
    unit_range: tuple[float, float],
    *,
    offset: Offset = "zero",
    sigma_range: SigmaRange | None = None,
    model: MixtureModel | None = None,
) -> dict[Any, float]:
    """The p-value of the level evidence when one charge state is left out, for each state.

    Where one of them is large, the verdict rests on that state alone.

    Parameters
    ----------
    readings : Readings or array_like, shape (n,)
        Without states every reading is one, and the keys are their numbers, from 1.
    unit_range : (float, float)
        Smallest and largest unit tried, in the unit of the readings, the same for all.
    offset : {"zero", "free"} or float
        Where the comb starts: at zero, anywhere, or at a known place in the unit of the readings.
    sigma_range : float or (float, float), optional
        Known standard deviation of a reading, or the support of its prior, in the unit of the
        readings.
    model : MixtureModel, optional
        Everything that may be assumed of a run; it then also says offset and sigma.

    Returns
    -------
    dict
        p by the label of the state that was left out; 1 where the rest can show no steps.

    Raises
    ------
    InputError
        For input that cannot be used.

    Examples
    --------
    >>> values = [1.0, 2.02, 2.98, 5.01, 7.0, 7.97, 4.02, 6.0]
    >>> found = without_each_state(values, (0.4, 3.0))
    >>> len(found), max(found.values()) < 0.05
    (8, True)
    """
    data = as_readings(readings, least=LEVELS_AT_ZERO)
    assumed = model_of(offset, sigma_range, model)
    return _left_out(posterior_of(assumed, data, unit_range_for(data, unit_range)))


def _left_out(found: Posterior) -> dict[Any, float]:
    """p-values; an error that the readings share is held at its most probable value."""
    settled = found.settled
    data = settled.readings.select(settled.readings.measured)
    if data.shift is not None:
        data = with_shift_at(data, settled.most_probable_shift / data.shift.error)
    if data.state is None:
        labels: list[Any] = list(range(1, len(data) + 1))
        codes: IntArray = np.arange(len(data))
    else:
        labels, codes = list(data.state_labels), data.state
    return {
        label: _p_value(data.select(codes != code), found.unit_range, found.model)
        for code, label in enumerate(labels)
    }


def single_state(found: Posterior, alpha: float) -> Finding | None:
    """Whether leaving out a single state would undo the verdict; None where it is not asked.

    It is asked where states are labelled and there are at most `MOST_STATES` of them.
    """
    readings = found.readings
    if readings.state is None or not 4 <= len(readings.state_labels) <= MOST_STATES:
        return None
    left_out = _left_out(found)
    decisive = [label for label, p in left_out.items() if p > alpha]
    if not decisive:
        sentence = "The verdict stays when any one charge state is left out."
    elif len(decisive) == 1:
        sentence = (
            f"The verdict rests on the charge state {decisive[0]}: the others by themselves do not "
            "show steps."
        )
    else:
        sentence = (
            f"The verdict is narrow: leaving out any one of {len(decisive)} of the "
            f"{len(left_out)} charge states would undo it."
        )
    return finding("states", sentence, warns=bool(decisive))


def off_the_comb(found: Posterior) -> FloatArray:
    """Which readings fit no whole number in the best mode, shape (n,); NaN for those that do.

    With outliers in the model it is the probability that the reading is one; without, how many
    standard deviations it lies from its multiple: more than one of as many normal errors does with
    a chance of 1 %. Where sigma is not known the others determine it, and the distance has
    Student's t distribution: an externally studentized residual (Cook and Weisberg, Residuals and
    Influence in Regression, 1982, 2.2.1), the farthest reading taken out before the next is looked
    at (Rosner, Technometrics 25, 165, 1983).
    """
    from scipy.special import stdtr

    settled, out = found.settled, np.full(len(found.readings), np.nan)
    if found.model.outliers != 0.0:
        chance = found.outlier_probabilities
        out[chance > _ASTRAY] = chance[chance > _ASTRAY]
        return out
    p, data, prior = settled.centre, settled.readings, settled.prior
    lever = 1.0 if data.shift is None else data.shift.lever
    place = settled.integers * p.unit + lever * p.offset
    constant, power = np.square(p.sigma * data.scale), POWERS[found.model.noise]
    variance = grown_variance(constant, p.growth, place, power)
    if settled.likelihood.rounding:
        variance = variance + rounding_variance(data)
    far = np.where(data.measured, np.abs(data.values - place) / np.sqrt(variance), 0.0)
    known, least = isinstance(prior.sigma, float), prior.sigma_reach()[0] / float(p.sigma[0])
    left, n = data.measured.copy(), int(data.measured.sum())
    while left.sum() > 2:
        worst = int(np.argmax(np.where(left, far, -1.0)))
        left[worst] = False
        degrees = np.inf if known else left.sum() - 1
        scatter = 1.0 if known else max(float(np.sum(far[left] ** 2) / degrees) ** 0.5, least)
        if 2 * n * stdtr(degrees, -far[worst] / scatter) > MISFIT:
            break
        out[worst] = far[worst] / scatter
    return out


def misfits(fit: MixtureFit) -> Finding | None:
    """The readings that fit no whole number, named; None without any."""
    astray = off_the_comb(fit.posterior)
    found = np.flatnonzero(np.isfinite(astray))
    if not found.size:
        return None
    x, one = fit.readings.values, found.size == 1
    named = [f"{i + 1} ({x[i]:.6g})" for i in found[np.argsort(-astray[found], kind="stable")]]
    more = f" and {len(named) - _NAMED} more" if len(named) > _NAMED else ""
    what = f"With a unit of {fit.unit:.4g}, {'reading' if one else 'readings'} "
    what += f"{', '.join(named[:_NAMED])}{more}"
    nearest = f"whole number beside {'it' if one else 'each'} is only the nearest"
    if fit.model.outliers != 0.0:
        chance = share(float(astray[found].min()))
        is_one = "is an outlier" if one else "are outliers"
        least = "" if one else " or more"
        said = f"{is_one} with a probability of {chance}{least}; the {nearest}."
    else:
        fits, up_to, was = ("fits", "", "it was") if one else ("fit", "up to ", "they were")
        far, n = float(astray[found].max()), int(fit.readings.measured.sum())
        said = (
            f"{fits} no whole number: {up_to}{far:.2g} standard deviations from the nearest "
            f"multiple, where normal errors would bring one of {n:,} readings as far in fewer than "
            f"{100 * MISFIT:g} % of samples. The {nearest}; look whether {was} misread, or allow "
            "for outliers in the model."
        )
    return finding("misfit", f"{what} {said}", warns=True)


def lone_reading(fit: MixtureFit) -> Finding | None:
    """The one reading, or state, without which the unit would be larger; None where none is.

    It is named where so many others would by chance be multiples of the larger unit in fewer
    samples than `MISFIT`, every remainder being as probable.
    """
    settled = fit.posterior.settled
    data, free = settled.readings, settled.prior.free
    kept = data.measured & np.isnan(off_the_comb(fit.posterior))
    states = np.arange(len(data)) if data.state is None else data.state
    states, k = states[kept], settled.integers[kept]
    n = np.unique(states).size
    for times in (2, 3, 5):
        left = k % times
        usual = int(np.bincount(left, minlength=times).argmax()) if free else 0
        odd = np.unique(states[left != usual])
        if odd.size == 1 and n * times ** -float(n - 1 - free) < MISFIT:
            break
    else:
        return None
    i = int(np.flatnonzero(states == odd[0])[0])
    if data.state is None:
        place = int(np.flatnonzero(kept)[i])
        name = f"Reading {place + 1} ({fit.readings.values[place]:.6g})"
    else:
        name = f"State {data.state_labels[int(odd[0])]}"
    larger = f"multiples of {times * fit.unit:.4g}{' from one offset' * free}"
    return finding(
        "lone",
        f"{name} alone makes the unit {fit.unit:.4g}: the other {n - 1} are {larger}, which they "
        f"would be by chance in fewer than {100 * MISFIT:g} % of samples; repeat it, or look "
        "whether it was misread.",
        warns=True,
    )


def only_in_the_pool(found: Posterior, group: Any, alpha: float) -> Finding:
    """Whether steps show in any group by itself, each held against alpha over their number."""
    readings = found.readings
    labels, codes = group_codes(group, len(readings))
    if len(labels) == 1:
        return finding("pool", "All readings are of one group.")
    members = [(codes == code) & readings.measured for code in range(len(labels))]
    part, said = readings.select, (found.unit_range, found.model)
    p = [_p_value(part(each), *said) if each.any() else 1.0 for each in members]
    best = int(np.argmin(p))
    if p[best] * len(labels) <= alpha:
        return finding("pool", f"Steps show in {labels[best]} by itself, and not only in the pool.")
    return finding(
        "pool",
        f"None of the {len(labels)} groups shows steps by itself (the best is {labels[best]}, "
        f"p = {p[best]:.2g}); steps that appear only when groups are pooled can come from "
        "differences between them.",
        blocks=True,
    )


def group_codes(group: Any, n: int) -> tuple[list[str], IntArray]:
    """Labels in the order in which they come, and the number of each reading's label."""
    codes, labels = validation.state_codes(group, n, name="group", of="there are {n} readings")
    return [str(label) for label in labels], np.asarray(codes)


def _p_value(part: Readings, unit_range: UnitRange, model: MixtureModel) -> float:
    if part.levels().mean.size < LEVELS_AT_ZERO or part.span == 0:
        return 1.0
    return max(placement(part, unit_range, model)[0].values())


def placement(
    data: Readings, unit_range: UnitRange, model: MixtureModel
) -> tuple[dict[str, float], float]:
    """p-values of where the levels stand, and the log Bayes factor; 1 and NaN if none can show."""
    try:
        found = level_evidence(posterior_of(model, data, unit_range))
    except NothingCanShow:
        # The range starts above half the span of the readings.
        return {"continuous": 1.0}, float("nan")
    sure = found.sure_of_levels
    return {kind: p if sure else 1.0 for kind, p in found.p_values.items()}, found.log_bayes_factor
