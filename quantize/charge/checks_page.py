"""Checks of what was written down: ruler or nature, labels, signs, discarded rows, drift."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from quantize._support.validation import FloatArray
from quantize.charge.checks import DOUBT, Check, Graded, graded_by_t, judged, least_squares, unknown
from quantize.charge.fall import NO_SCATTER
from quantize.charge.faults import deviations_as_read
from quantize.charge.reticle import unscaled
from quantize.charge.rows import Rows, root_mean_square
from quantize.charge.run_table import lasted, per_interval, rows_of, written_in
from quantize.charge.stated import plus_minus

_CERTAINLY_HEAPED = 0.8  # share of last digits 0 and 5 that no steps of nature keep up
# Where readings to a fraction of a division heap, and how many end there by chance.
_HEAPS = {
    0.5: (2, "on a whole division where half"),
    0.25: (4, "on a whole division where a quarter"),
    0.2: (5, "on a whole division where a fifth"),
}


def last_digits(run: Rows) -> Check | Graded:
    """Heaping of the last digit at 0 and 5, or on whole divisions, on the numbers as read."""
    from scipy.stats import binomtest

    name = "last digits do not heap"
    used = run.used
    if "track_error" in used:
        return unknown(name, "the readings are speeds of tracks, which no one rounded.")
    # Distances in steps of nearly ten divisions look heaped, and so do ends of passages that all
    # start on one line; only ends from many different starts are evidence by themselves.
    spread = "start" in used and used["start"].nunique() >= 5
    raw = used["end"].to_numpy(float) if spread else run.raw_divisions()
    one = written_in(run.table, "start" if "start" in used else "divisions")
    raw, step = unscaled(raw, one), run.resolution() / one
    if step not in _HEAPS and not run.known.has("reticle.step"):
        # Readings that all end in 0 or 5 are heaped, unless the ruler is said to have such steps.
        step = 10.0 ** math.floor(math.log10(step) + 1e-9)
    steps = np.round(raw / step).astype(np.int64)
    every, words = _HEAPS.get(step, (5, "in 0 or 5 where a fifth"))
    if steps.size < 20 or np.unique(steps).size < 5:
        return unknown(name, "too few different readings to look at the last digits.")
    heaped = int(np.sum(steps % every == 0))
    share = heaped / steps.size
    sentence = f"{heaped} of {steps.size} positions end {words} would by chance"
    if not spread and share < _CERTAINLY_HEAPED:
        return unknown(
            name,
            f"{sentence}, but distances in real steps can look like that; note where each "
            "passage starts and ends.",
        )
    p = float(binomtest(heaped, steps.size, 1 / every, alternative="greater").pvalue)
    cause = "a ruler's own step shows up as a unit: read between the lines"
    return Graded(name, p, share, sentence, cause)


def ruler_or_nature(run: Rows, analysis: Any) -> Check:
    """Whether the step grows with voltage times time, as charge does and a ruler's does not."""
    name = "the step is nature's and not the ruler's"
    rows = run.driven
    v, t = rows["voltage"].to_numpy(float), lasted(run, rows)
    force = np.abs(v * t)
    fall, found = run.fall_on_record(), run.integers_of(analysis)
    integers = np.zeros(len(rows)) if found is None else found
    base = 0.0 if fall is None else fall.value * t / run.interval
    moved = rows["divisions"].to_numpy(float) + base
    # A row at no unit, and one that seems not to be driven at all, have no size of the step.
    used = (integers != 0) & (moved != 0)
    if not used.any() or np.isnan(force).any() or np.ptp(force[used]) < 0.05 * force.max():
        return unknown(
            name,
            "all readings have the same voltage and time; read some at another product of "
            "the two, for only a charge's step grows with it.",
        )
    reference = (run.reference_voltage or 1.0) * run.interval
    step = moved[used] / integers[used] / float(analysis.unit)
    exponent = float(np.polyfit(np.log(force[used] / reference), np.log(np.abs(step)), 1)[0])
    nature = abs(exponent - 1) < abs(exponent)
    end = "charge has 1, a ruler 0" if nature else "that is a ruler's step, not charge"
    sentence = f"the step goes with voltage times time to the power {exponent:.2f}; {end}."
    return judged(name, nature, exponent, sentence, otherwise="bad")


def labels_sorted(run: Rows) -> Check:
    """State labels that rise with the reading were probably read off it."""
    name = "state labels come from the log"
    rows = run.driven
    if (rows["state"] == "").all():
        sentence = "no labels are given, so none can have been read off the values."
        return judged(name, True, 0.0, sentence)
    y = per_interval(run, rows) * run.stretch()
    means = rows.assign(y=y).groupby("state", sort=False)["y"].mean()
    k = len(means)
    p = 4 / math.factorial(k)
    if p >= DOUBT:
        return unknown(name, f"{k} states are too few to know where their labels come from.")
    by_label = means[sorted(means.index, key=_natural)]
    ordered = (
        any(m.is_monotonic_increasing or m.is_monotonic_decreasing for m in (means, by_label))
        and means.is_unique
    )
    sentence = f"the {k} states do not stand in the order of their values."
    if ordered:
        sentence = (
            f"the {k} states stand in the order of their values, which chance does with "
            f"probability {p:.1g}; labels must come from the log of when the charge was changed, "
            "never from the readings, or the answer leaks into the question."
        )
    return judged(name, not ordered, p, sentence)


def labels_against_log(run: Rows) -> list[Check]:
    """State labels change where the log notes a change of charge, and nowhere else."""
    name = "state labels change where the log says so"
    if "event" not in run.table or (run.table["state"] == "").all():
        return []
    table = run.table[run.table["state"] != ""]
    within = table["changed"].to_numpy(bool)
    noted = table["event"].str.contains("chang", case=False).to_numpy(bool) & ~within
    if not noted.any():
        return []
    states, particles = table["state"].to_numpy(str), table["particle"].to_numpy(str)
    moved = np.concatenate([[False], states[1:] != states[:-1]])
    # After a change within an interval the next label is a new one without a word.
    fresh = np.concatenate([[True], (particles[1:] != particles[:-1]) | within[:-1]])
    odd = table["row"].to_numpy()[(noted != moved) & ~fresh].tolist()
    sentence = f"all {int(moved.sum())} changes of label are in the log, and no others."
    if odd:
        sentence = f"in {rows_of(run, odd, 5)} label and log do not agree on a change of charge."
    return [judged(name, not odd, len(odd), sentence)]


def _natural(label: str) -> tuple[int, float, str]:
    try:
        return 0, float(label), label
    except ValueError:
        return 1, 0.0, label


def lost_off_the_scale(run: Rows) -> Check:
    """Readings that left the scale, and readings longer than it."""
    name = "readings stay on the scale"
    kept = run.table[run.table["kept"]]
    lost = int((kept["off_scale"] != 0).sum())
    length = run.known.get("reticle.length")
    longer = kept["row"][kept["divisions"].abs() > length.value].tolist() if length else []
    if length and longer:
        sentence = (
            f"{rows_of(run, longer, 5)} moved further than the whole "
            f"scale of {length.value:g} divisions; look at the number and its unit."
        )
        return judged(name, False, len(longer), sentence, otherwise="bad")
    share = lost / max(len(kept), 1)
    sentence = "no reading left the scale."
    if lost:
        sentence = (
            f"{lost} of {len(kept)} readings left the scale; the mixture uses them as bounds and "
            "the other methods leave them out, so that the largest charges are known least well: "
            "shorten the interval."
        )
    return judged(name, share <= 0.05, share, sentence)


def sign_slips(run: Rows) -> Check:
    """A field that pulls down, or a sphere that rises without one."""
    name = "signs of voltage and direction"
    falls = run.falls
    if len(falls):
        down = float((falls["divisions"] < 0).mean())
        if down < 0.5:
            sentence = (
                "without field the sphere moves up in most rows; the image is inverted "
                "or the scale runs the other way: declare image_inverted = true."
            )
            return judged(name, False, down, sentence, otherwise="bad")
    fall = run.fall() if len(falls) else None
    if fall is None:
        return unknown(name, "no fall without field shows which way is down.")
    upward = float(np.mean(run.moved() + fall.value > 0))
    signs = np.sign(run.driven["voltage"].to_numpy(float))
    both = ", with either sign of the voltage" if len({-1.0, 1.0} & set(signs)) == 2 else ""
    sentence = f"the field lifts the sphere in most rows{both}."
    if upward < 0.5:
        sentence = (
            "with the field on the sphere falls faster than without it in most rows; "
            "voltage and direction may have been exchanged."
        )
    return judged(name, not upward < 0.5, upward, sentence)


def discarded(run: Rows, analysis: Any) -> Check:
    """The unit with the discarded rows put back."""
    name = "discarded rows do not make the result"
    gone = ~run.table["kept"]
    number = int(gone.sum())
    if number == 0:
        return judged(name, True, 0.0, "no row was discarded.")
    bare = int((gone & (run.table["reason"] == "")).sum())
    lacking = f"; {bare} of them without a reason" if bare else ""
    head = f"{number} of {len(run)} rows were discarded{lacking}"
    integers = run.integers_of(analysis)
    if integers is None or run.fall_on_record() is None:
        return judged(name, not bare, number, f"{head}.")
    unit, error = float(analysis.unit), float(analysis.unit_err) / float(analysis.unit)
    without = _unit_given(run.joined()[0], integers)
    values = run.with_discarded().joined()[0]
    change = _unit_given(values, np.round(values / unit)) / without - 1
    return judged(
        name,
        not bare and abs(change) <= 2 * error,
        change,
        f"{head}; with them put back on their nearest steps the unit changes by "
        f"{100 * change:+.2f} %, its standard error being {100 * error:.2f} %.",
    )


def unit_drift(run: Rows, analysis: Any) -> Check | Graded:
    """Whether the unit itself grew or shrank in the course of the run.

    Readings and falls are fitted together, each as it scatters, with a fall that may change, too.
    """
    name = "the unit stays the same"
    integers, driven, falls = run.integers_of(analysis), run.driven, run.falls
    fall = run.fall_on_record()
    if integers is None or fall is None:
        return unknown(name, "whole numbers and a fall are needed to see a drift.")
    time, words = run.time_of(pd.concat([driven, falls]))
    own = time[: integers.size]
    time = (time - own.mean()) / max(float(np.ptp(own)), 1.0)
    # x = u n (1 + drift·time)·V/V0 - F - G·time.
    push = np.concatenate([integers / run.stretch(), np.zeros(len(falls))])
    sigma = deviations_as_read(run)
    design = np.column_stack([push, push * time, np.ones(push.size), time]) / sigma[:, None]
    degrees = push.size - 4
    if degrees < 1 or np.linalg.matrix_rank(design) < 4:
        return unknown(name, "too few states to distinguish a drift of the unit from a shift.")
    moved = np.concatenate([run.moved(driven), run.moved(falls)]) / sigma
    solution, errors = least_squares(design, moved)
    rest = float(np.sum((moved - design @ solution) ** 2))
    least = root_mean_square(run.rounding(driven, "one end") / sigma[: integers.size])
    factor = max(math.sqrt(rest / degrees), least)
    if factor * sigma.min() <= NO_SCATTER * fall.value:
        return unknown(name, "nothing scatters, so a drift cannot be distinguished from none.")
    drift, error = float(solution[1] / solution[0]), float(factor * errors[1] / solution[0])
    sentence = (
        f"the unit changes by {plus_minus(100 * drift, 100 * error, sign='+')} % from the "
        f"first to the last, {words}"
    )
    cause = "voltage, temperature or the sphere itself drifts"
    return graded_by_t(name, drift / error, degrees, sentence, number=drift, cause=cause)


def _unit_given(values: FloatArray, integers: FloatArray) -> float:
    return float(integers @ values / (integers @ integers))
