"""Every constant of `quantize.null` by kind, and how those that change an answer were chosen."""

from __future__ import annotations

import dataclasses


@dataclasses.dataclass(frozen=True, kw_only=True)
class Row:
    """A constant that changes an answer.

    `seen` says on what it acts: the evidence, the guards alone, counts, both readings and counts,
    or nothing that is measured here. `how` it is changed, where it is not multiplied.
    """

    kind: str
    why: str
    seen: str = ""
    how: str = ""
    does: str = ""


def _choice(why: str, how: str = "", does: str = "") -> Row:
    return Row(kind="choice", why=why, seen="evidence", how=how, does=does)


def _rule(why: str, seen: str = "guards", how: str = "", does: str = "") -> Row:
    return Row(kind="rule", why=why, seen=seen, how=how, does=does)


def _aside(why: str, does: str = "") -> Row:
    return Row(kind="aside", why=why, does=does)


_PLACES = "by hand: log-spaced over what is seen in practice; an average over all"

ROWS: dict[str, Row] = {
    "choices.CONCENTRATIONS": _choice("by hand: the two limits in common use and one between"),
    "choices.RESTAURANTS": _choice(_PLACES),
    "choices.BLURRED": _choice(
        "by hand; a comb has 17 % of its first harmonic left"
    ),
    "choices.NARROWEST": _choice("by hand: narrower ones pass for a level, or for one reading"),
    "choices.SHIFTS": _choice(_PLACES),
    "choices.BETA_SHAPES": _choice("powers of two about the flat density"),
    "choices.ON_COMB": _choice("by hand, from just above half to all", how="from one"),
    "choices.HEAP_SPREADS": _choice("by hand: values written to a few digits"),
    "choices.MISREAD": _choice("one in twenty, by hand; twice that is the most that is set aside"),
    "choices.BEYOND": _choice("by hand"),
    "two_generators._MOST": _choice("by hand: the table of calibration was drawn with it"),
    "two_generators._RARER": _choice("by power on eight readings; the cube and two lower powers"),
    "choices.LEVELS_AT_ZERO": _rule("two sizes always have a unit", "evidence"),
    "choices.LEVELS_FREE": _rule("an offset and a unit are free; three and four fit too often",
                                 "evidence"),
    "choices.RARE": _rule("the usual level", "both"),
    "calibration.FLOOR": _rule("the number of samples behind the calibration"),
    "guards._NARROW_RANGE": _rule("by hand; it only warns"),
    "guards._LEAST_IN_STEPS": _rule("below two steps rounding hides the phase"),
    "guards._LEAST_IN_SIGMAS": _rule("1/`BLURRED`; names the range in a message"),
    "guards._MOST_UNITS": _rule("that of the default range; names the range in a message"),
    "guards._NEAR_THE_STEP": _rule("by hand"),
    "guards._FEW_STEPS": _rule("by hand; it only warns"),
    "guards._BENT": _rule("five deviations; it only warns", "counts"),
    "guards._ODD_SHAPE": _rule("by hand; it only warns", "counts"),
    "exclusion._CASES": _rule("what goes wrong at a bench unnoticed, by hand", how="above one"),
    "exclusion._SHARPEST": _rule("by hand; a blunter comb excludes less"),
    "exclusion._NEAR": _rule("by hand", "counts"),
    "exclusion._WIDE": _rule("by hand", "counts"),
    "exclusion.HIDDEN": _rule("by hand: twice where normal humps merge", "counts"),
    "verdict._SURE_OF_UNIT": _rule("by hand; a sentence only", how="from one"),
    "verdict._FEW_DEGREES": _rule("by hand; advice only"),
    "verdict._MOST_OF_THE_RANGE": _rule("by hand", "counts", how="from one"),
    "verdict._FEWEST_FOR_NO": _rule("by hand", "counts"),
    "verdict._SEEN_COUNTS": _rule("by hand; a sentence only", "counts"),
    "count_rivals._SMOOTH": _rule("a comb of that unit keeps 0.7 % of its harmonic", "counts"),
    "bounds._LEAST_ROOM": _rule("by hand; a level cannot vary in less", "counts"),
    "bounds._SAME_SIZE": _rule("by hand", "counts"),
    "allowed_units._DEVIATIONS": _aside("normal readings do so once in 16,000"),
    "allowed_units._OUTLIERS": _aside("twice `MISREAD`"),
    "allowed_units._LARGE_SHARE": _aside("by hand; advice only"),
    "counts.MANY": _aside("the time that the readings one by one would take"),
    "counts._FEW_COUNTS": _aside("by hand"),
    "influence.MOST_STATES": _aside("the time of as many fits"),
    "samplers.BANDWIDTH": _aside("a comb keeps 9 % of its first harmonic under the kernel"),
    "compare._FEW": _aside("the error of p is a third there"),
    "tails.EXCEEDANCES": _aside("by hand"),
    "tails.FEWEST_RESAMPLES": _aside("a tail of twenty"),
    "tails.LARGEST_SHAPE": _aside("the variance of a heavier tail is infinite"),
    "running_comb.SPREADS": _aside(_PLACES),
    "running_nulls._CELLS": _aside(_PLACES),
    "running_nulls._SHARPEST": _aside("by hand"),
    "running_nulls._BROADEST": _aside("half the window"),
    "running_nulls.ON_HEAPS": _aside("up to half in equal parts"),
    "running_nulls.HEAP_SPREADS": _aside(_PLACES),
    "running_comb._PLANNED": _aside("by hand: the usual number of readings"),
    "running_comb._FARTHEST": _aside("by hand: the usual reach"),
    "running_comb._SIDES": _aside("by hand: combs on both sides lose little, 0.22 in log"),
    "power._NEAREST": _aside("by hand; plans and advice only"),
    "running_sums.LARGEST": _aside("as far as the sums of two units that are held to the level"),
}  # fmt: skip


def _names(text: str) -> tuple[str, ...]:
    """``module.NAME`` of each of ``module: NAME NAME; module: NAME``."""
    groups = (part.split(":") for part in text.split(";"))
    return tuple(f"{home.strip()}.{name}" for home, names in groups for name in names.split())


NUMERICAL = _names("""
    assigned: _ASSIGNMENTS _ROUNDS; bounds: _SMALLEST; compare: _BATCH _BATCH_VALUES;
    count_rivals: _LEFT _REACH _ROUNDS _ROUNDS_FOR_LEVELS; envelopes: WIDTHS _FEW_WIDTHS
    _HEAP_UNITS _LEAST_DENSITY _NEARNESS _NEXT_TO_HEAPS; evidence: _LEAST_WEIGHT; exclusion:
    _BLOCK _CELLS _IN_SINGLE_BINS _OFFSETS _OF_TWO _STEP _STRIDE _UNITS_A_CYCLE; guards: _DRAWS
    _EXACT; hypotheses: _FEW_ITEMS _MOST_GROUPS _NEGLIGIBLE_UNIT; partitions: ONE_SCALE
    UNDERFLOW; running: _SIGMAS; running_comb: _CLOSE _FEWEST_UNITS _HOPELESS; running_levels:
    EXACT NEGLIGIBLE _DENSE _FINEST _STRAY; running_sums: KEPT _VERY_MANY; running_nulls:
    EDGE _PLACES _WIDTHS; sample: MOST_ITEMS _MOST_NODES _NEGLIGIBLE_NODE _PART _NEGLIGIBLE_NOISE;
    samplers: _FINEST_SIGMA _REACH _SIGMAS; statistics: _BINS _BYTES _LIMIT _MOST_IN_SINGLE
    _OVERSAMPLING _TYPICAL; tails: MOST_RESAMPLES TIE; lattices: RIDGE _LARGEST_CONDITION
    _LEAST_LOG_DET; assumptions: _EXACT _FEWEST _TERMS; two_generators: _LEVELS _REFINED _ROUNDS
""")
"""Resolutions, blocks of memory, tolerances and floors."""

DEFINED = _names("""
    calibration: KINDS; compare: NULLS _DRAWN_FOR_ALL; dependence: _COLUMNS; evidence: SURE
    _SHARE_PRIOR; exclusion: AGAINST; guards: LEVELS_NEEDED; hypotheses: NULLS SAME_ENVELOPE
    SUMS; influence: MISFIT _ASTRAY _NAMED; occupancy: SHARE_NAMES; partitions: LOG_2PI; power:
    ALPHAS REPEATS SIMULATED TABLE UNKNOWN; samplers: _RULE; verdict: CANNOT_TELL KINDS
    NO_STEPS STEPS _OPEN _TWO_UNITS; assigned: _ENDS
""")
"""Taken from a textbook, following from others, or names."""
