"""Checks of the page: ruler or nature, labels, slips of sign, discarded rows, drift of the unit."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from quantize._support.validation import FloatArray
from quantize.charge.checks_motion import spread_of
from quantize.charge.soundness import Check, graded, unknown
from quantize.charge.stated import plus_minus

if TYPE_CHECKING:
    from quantize.charge.rows import Rows as Run

_CERTAINLY_HEAPED = 0.8  # share of last digits 0 and 5 that no steps of nature keep up
# Where readings to a fraction of a division heap, and how many end there by chance.
_HEAPS = {
    0.5: (2, "on a whole division where half"),
    0.25: (4, "on a whole division where a quarter"),
    0.2: (5, "on a whole division where a fifth"),
}


def last_digits(run: Run) -> list[Check]:
    """Heaping of the last digit at 0 and 5, or on whole divisions, on the numbers as read."""
    from scipy.stats import binomtest

    name = "last digits do not heap"
    used = run.used
    if "track_error" in used:
        return [unknown(name, "the readings are speeds of tracks, which no one rounded.")]
    # Distances in steps of nearly ten divisions look heaped, and so do ends of passages that all
    # start on one line; only ends from many different starts tell by themselves.
    spread = "start" in used and used["start"].nunique() >= 5
    raw = used["end"].to_numpy(float) if spread else run.raw_divisions()
    step = run.resolution()
    declared = run.apparatus is not None and run.apparatus.get("reticle.step") is not None
    if step not in _HEAPS and not declared:
        # Readings that all end in 0 or 5 are heaped, unless the ruler is said to have such steps.
        step = 10.0 ** math.floor(math.log10(step) + 1e-9)
    steps = np.round(raw / step).astype(np.int64)
    every, words = _HEAPS.get(step, (5, "in 0 or 5 where a fifth"))
    if steps.size < 20 or np.unique(steps).size < 5:
        return [unknown(name, "too few different readings to look at the last digits.")]
    heaped = int(np.sum(steps % every == 0))
    share = heaped / steps.size
    sentence = f"{heaped} of {steps.size} positions end {words} would by chance"
    if not spread and share < _CERTAINLY_HEAPED:
        return [
            unknown(
                name,
                f"{sentence}, but distances in real steps can look like that; note where each "
                "passage starts and ends.",
            )
        ]
    p = float(binomtest(heaped, steps.size, 1 / every, alternative="greater").pvalue)
    cause = "a ruler's own step shows up as a unit: read between the lines"
    return [graded(name, p, share, sentence, cause=cause)]


def ruler_or_nature(run: Run, analysis: Any) -> list[Check]:
    """Whether the step grows with voltage times time, as charge does and a ruler's does not."""
    name = "the step is nature's and not the ruler's"
    rows = run.driven
    v, t = rows["voltage"].to_numpy(float), rows["seconds"].to_numpy(float)
    force = v * t
    integers = run.integers_of(analysis)
    if (
        integers is None
        or np.isnan(force).any()
        or np.ptp(np.abs(force)) < 0.05 * np.max(np.abs(force))
    ):
        return [
            unknown(
                name,
                "all readings have the same voltage and time; read some at another product of "
                "the two, for only a charge's step grows with it.",
            )
        ]
    fall = run.fall_on_record()
    base = 0.0 if fall is None else fall.value * t / run.interval
    moved = rows["divisions"].to_numpy(float) + base
    reference = (run.reference_voltage or 1.0) * run.interval
    used = integers != 0
    step = moved[used] / integers[used] / float(analysis.unit)
    exponent = float(
        np.polyfit(np.log(np.abs(force[used]) / reference), np.log(np.abs(step)), 1)[0]
    )
    nature = abs(exponent - 1) < abs(exponent)
    return [
        Check(
            name=name,
            level="good" if nature else "bad",
            number=exponent,
            sentence=(
                f"the step goes with voltage times time to the power {exponent:.2f}; "
                + ("charge has 1, a ruler 0." if nature else "that is a ruler's step, not charge.")
            ),
        )
    ]


def labels_sorted(run: Run) -> list[Check]:
    """State labels that rise with the reading were probably read off it."""
    name = "state labels come from the log"
    rows = run.driven
    if (rows["state"] == "").all():
        return [
            Check(
                name=name,
                level="good",
                number=0.0,
                sentence="no labels are given, so none can have been read off the values.",
            )
        ]
    y = (rows["divisions"] / rows["seconds"]).to_numpy(float) * run.stretch()
    means = rows.assign(y=y).groupby("state", sort=False)["y"].mean()
    k = len(means)
    if k < 4:
        return [unknown(name, f"{k} states are too few to tell where their labels come from.")]
    labels = sorted(means.index, key=_natural)
    in_label_order = np.diff([means[label] for label in labels])
    in_time_order = np.diff(means.to_numpy(float))
    ordered = bool(np.all(in_label_order > 0) or np.all(in_label_order < 0))
    ordered = ordered or bool(np.all(in_time_order > 0) or np.all(in_time_order < 0))
    p = 4 / math.factorial(k)
    sentence = (
        f"the {k} states stand in the order of their values, which chance does with probability "
        f"{p:.1g}; labels must come from the log of when the charge was changed, never from the "
        "readings, or the answer leaks into the question."
        if ordered
        else f"the {k} states do not stand in the order of their values."
    )
    return [Check(name=name, level="doubt" if ordered else "good", number=p, sentence=sentence)]


def labels_against_log(run: Run) -> list[Check]:
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
    sentence = (
        f"in row {', '.join(map(str, odd[:5]))} label and log do not agree on a change of charge."
        if odd
        else f"all {int(moved.sum())} changes of label are in the log, and no others."
    )
    return [
        Check(
            name=name,
            level="doubt" if odd else "good",
            number=float(len(odd)),
            sentence=sentence,
        )
    ]


def _natural(label: str) -> tuple[int, float, str]:
    try:
        return 0, float(label), label
    except ValueError:
        return 1, 0.0, label


def lost_off_the_scale(run: Run) -> list[Check]:
    """Readings that left the scale, and readings longer than it."""
    name = "readings stay on the scale"
    kept = run.table[run.table["kept"]]
    lost = int((kept["off_scale"] != 0).sum())
    length = run.apparatus.get("reticle.length") if run.apparatus else None
    if length is not None:
        longer = kept["row"][kept["divisions"].abs() > length.value].tolist()
        if longer:
            return [
                Check(
                    name=name,
                    level="bad",
                    number=float(len(longer)),
                    sentence=(
                        f"row {', '.join(map(str, longer[:5]))} moved further than the whole "
                        f"scale of {length.value:g} divisions; look at the number and its unit."
                    ),
                )
            ]
    share = lost / max(len(kept), 1)
    sentence = (
        f"{lost} of {len(kept)} readings left the scale; the mixture uses them as bounds and the "
        "other methods leave them out, so that the largest charges are known least well: shorten "
        "the interval."
        if lost
        else "no reading left the scale."
    )
    return [
        Check(name=name, level="doubt" if share > 0.05 else "good", number=share, sentence=sentence)
    ]


def sign_slips(run: Run) -> list[Check]:
    """A field that pulls down, or a sphere that rises without one."""
    name = "signs of voltage and direction"
    falls = run.falls
    if len(falls):
        down = float((falls["divisions"] < 0).mean())
        if down < 0.5:
            return [
                Check(
                    name=name,
                    level="bad",
                    number=down,
                    sentence=(
                        "without field the sphere moves up in most rows; the image is inverted "
                        "or the scale runs the other way: declare image_inverted = true."
                    ),
                )
            ]
    fall = run.fall() if len(falls) else None
    if fall is None:
        return [unknown(name, "no fall without field shows which way is down.")]
    moved = run.moved()
    upward = float(np.mean(moved + fall.value > 0))
    if upward < 0.5:
        return [
            Check(
                name=name,
                level="doubt",
                number=upward,
                sentence=(
                    "with the field on the sphere falls faster than without it in most rows; "
                    "voltage and direction may have been exchanged."
                ),
            )
        ]
    signs = np.sign(run.driven["voltage"].to_numpy(float))
    both = bool((signs > 0).any() and (signs < 0).any())
    return [
        Check(
            name=name,
            level="good",
            number=upward,
            sentence=(
                "the field lifts the sphere in most rows"
                + (", with either sign of the voltage." if both else ".")
            ),
        )
    ]


def discarded(run: Run, analysis: Any) -> list[Check]:
    """The unit with the discarded rows put back."""
    name = "discarded rows do not make the result"
    gone = ~run.table["kept"]
    number = int(gone.sum())
    if number == 0:
        return [Check(name=name, level="good", number=0.0, sentence="no row was discarded.")]
    bare = int((gone & (run.table["reason"] == "")).sum())
    lacking = f"; {bare} of them without a reason" if bare else ""
    head = f"{number} of {len(run)} rows were discarded{lacking}"
    integers = run.integers_of(analysis)
    if integers is None or run.fall_on_record() is None:
        return [Check(name=name, level="doubt" if bare else "good", number=float(number),
                      sentence=head + ".")]  # fmt: skip
    everything = run.with_discarded()
    unit = float(analysis.unit)
    without = _unit_given(run.joined()[0], integers)
    values = everything.joined()[0]
    with_them = _unit_given(values, np.round(values / unit))
    change = with_them / without - 1
    error = float(analysis.unit_err) / unit
    large = abs(change) > 2 * error
    return [
        Check(
            name=name,
            level="doubt" if large or bare else "good",
            number=change,
            sentence=(
                f"{head}; with them put back on their nearest steps the unit changes by "
                f"{100 * change:+.2f} %, its standard error being {100 * error:.2f} %."
            ),
        )
    ]


def unit_drift(run: Run, analysis: Any) -> list[Check]:
    """Whether the unit itself grew or shrank in the course of the run."""
    from scipy.stats import t

    name = "the unit stays the same"
    integers = run.integers_of(analysis)
    sigma, degrees = spread_of(run)
    if integers is None or sigma == 0 or run.fall_on_record() is None:
        return [unknown(name, "whole numbers, a fall and repeats are needed to see a drift.")]
    values = run.joined()[0]
    time, words = run.time_of(run.driven)
    time = (time - time.mean()) / max(float(np.ptp(time)), 1.0)
    # y = u n (1 + drift·time): the fall's own error is common and drops out of the slope.
    design = np.column_stack([integers, integers * time, np.ones(integers.size)])
    if np.linalg.matrix_rank(design) < 3:
        return [unknown(name, "too few states to tell a drift of the unit from a shift.")]
    inverse = np.linalg.inv(design.T @ design)
    solution = inverse @ design.T @ values
    drift = float(solution[1] / solution[0])
    error = sigma * math.sqrt(inverse[1, 1]) / float(solution[0])
    return [
        graded(
            name,
            2 * float(t.sf(abs(drift / error), degrees)),
            drift,
            f"the unit changes by {plus_minus(100 * drift, 100 * error, sign='+')} % from the "
            f"first to the last, {words}",
            cause="voltage, temperature or the sphere itself drifts",
        )
    ]


def _unit_given(values: FloatArray, integers: FloatArray) -> float:
    return float(integers @ values / (integers @ integers))
