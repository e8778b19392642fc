"""What every view of an analysis says: its sentences, and the rows of its tables."""

from __future__ import annotations

import dataclasses
import importlib.metadata
import math
import platform
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from quantize import __version__
from quantize.charge.stated import raised
from quantize.model import distributions
from quantize.null.allowed_units import in_words
from quantize.null.calibration import chance, least_by_kind, odds, share
from quantize.null.influence import off_the_comb
from quantize.null.verdict import KINDS
from quantize.show.numbers import (
    Form,
    brackets,
    decimals_of,
    in_unit,
    plus_minus,
    relation,
    rounded,
    significant,
    unit_shown,
)

if TYPE_CHECKING:
    from quantize.analysis import Analysis
    from quantize.model.mixture import MixtureFit
    from quantize.null.counts import CountAnalysis

_WIDE = 0.3
_MOST_PIECES = 12


@dataclasses.dataclass(frozen=True, kw_only=True)
class Level:
    """One reading, or one charge state, beside its multiple of the unit."""

    label: str
    count: int
    value: float
    integer: int
    probability: float
    expected: float
    off: bool = False

    @property
    def number(self) -> str:
        """The whole number, with a question mark where a reading of it fits none."""
        return f"{self.integer}{' ?' * self.off}"

    @property
    def difference(self) -> float:
        """Value minus multiple."""
        return self.value - self.expected


def levels(found: Analysis | MixtureFit) -> list[Level]:
    """The readings, or the states where the readings have them, in order of appearance."""
    data = found.readings
    fit: Any = found
    off = np.isfinite(off_the_comb(getattr(fit, "mixture", fit).posterior))
    reduced = data.levels()
    table = found.integer_probabilities
    chances = table.set_index(["reading", "integer"])["probability"].to_dict()
    _, first = np.unique(reduced.index, return_index=True)
    rows = []
    for j, i in enumerate(first.tolist()):
        k = int(found.integers[i])
        rows.append(
            Level(
                label=str(i + 1) if data.state is None else str(data.state_labels[j]),
                count=int(reduced.count[j]),
                value=float(reduced.mean[j]),
                integer=k,
                probability=float(chances.get((i, k), 0.0)),
                expected=float(found.offset + k * found.unit),
                off=bool(off[reduced.index == j].any()),
            )
        )
    return rows


def headline(found: Analysis | CountAnalysis) -> str:
    """The verdict in one sentence."""
    if found.verdict == "steps":
        return "The readings come in whole-number steps of one unit."
    limit = getattr(found, "no_unit_above", None)
    if found.verdict == "no steps" and limit is not None:
        return f"The readings do not come in steps of any unit from {excluded(found)}."
    return "These readings do not settle whether they come in steps."


def excluded(found: Any) -> str:
    """The units that the readings exclude, from the smallest to the largest."""
    return amount(found, f"{found.no_unit_above:.4g} to {found.unit_range.high:.4g}")


def unit_name(found: object) -> str | None:
    """What the readings of a result are measured in, where it is said."""
    return getattr(getattr(found, "readings", found), "unit_name", None)


def size(found: Any) -> str:
    """The unit with its standard uncertainty, in what the readings are measured in."""
    return amount(found, plus_minus(found.unit, found.unit_err))


def size_short(found: Analysis | MixtureFit) -> str:
    """The same with the uncertainty in brackets."""
    return amount(found, brackets(found.unit, found.unit_err))


def measured_in(found: object) -> str:
    """What the readings are measured in, behind the title of their table or axis."""
    shown = unit_shown(unit_name(found))
    return f", in {shown}" if shown else ""


def amount(found: object, text: str) -> str:
    """A number that is measured as the readings are."""
    return in_unit(raised(text), unit_name(found))


def unreadable(found: Analysis) -> str:
    """Why no whole numbers are listed: the unit is in doubt, or the scatter is too wide for it."""
    spread = found.sigma / found.unit
    if spread > _WIDE:
        return (
            f"The scatter is {spread:.2g} of this unit, so wide that most readings lie near some "
            "multiple of it in any case; no whole number can be named."
        )
    held = float(found.alternatives["share"].iloc[0])
    return (
        f"The unit itself is in doubt: this one holds {share(held)} of the probability, and "
        "its rivals give other whole numbers. For most readings no whole number is more probable "
        "than all others together."
    )


def set_in_words(found: Analysis) -> str:
    """The 95 % set of the unit; in very many pieces it determines nothing."""
    parts = pieces(found)
    if len(parts) > _MOST_PIECES:
        return (
            f"not determined: {len(parts)} separate pieces between {parts[0][0]:.4g} and "
            f"{parts[-1][1]:.4g}"
        )
    stated = [
        f"{rounded(low, found.unit_err)} to {rounded(high, found.unit_err)}" for low, high in parts
    ]
    if len(stated) == 1:
        return amount(found, stated[0])
    more = f"; and {len(stated) - 6} more" if len(stated) > 6 else ""
    return f"in {len(stated)} pieces{measured_in(found)}: {'; '.join(stated[:6])}{more}"


def counted_from(found: Analysis | CountAnalysis) -> str:
    """Where the multiples begin; nothing where that is zero without more."""
    if not found.offset and found.settings["offset"] == "zero":
        return ""
    why = ", as the readings correct the fall" if shared(found) else ""
    return f"{amount(found, significant(found.offset, 4))}{why}"


def stands(found: Analysis) -> bool:
    """Whether there is a unit worth stating, be it only "if there were steps"."""
    return found.verdict != "no steps"


def no_unit(found: Analysis) -> str:
    """What is said about the unit where there are no steps."""
    return (
        "None is reported. Of the units tried, "
        f"{amount(found, rounded(found.unit, found.unit_err))} fits best, "
        "and these readings count against it as against the others."
    )


def item(found: Analysis | MixtureFit) -> str:
    """What has a whole number: a reading, or a charge state."""
    return "state" if found.readings.state is not None else "reading"


def levels_title(found: Analysis | MixtureFit) -> str:
    """The heading above the whole numbers."""
    return f"The whole number behind each {item(found)}"


def estimates_title(found: Analysis) -> str:
    """The heading above the three estimators."""
    if stands(found):
        return f"Three ways to estimate the unit{measured_in(found)}"
    return f"What each of three ways would take for the unit{measured_in(found)}"


def readable(rows: Sequence[Level]) -> bool:
    """Whether at least half of the whole numbers are more probable than not."""
    return 2 * sum(row.probability > 0.5 for row in rows) >= len(rows)


def form(found: Analysis) -> Form:
    """Readings are written to the step to which they were rounded, else to three digits of sigma.

    A power of ten is taken out of samples of very large or very small numbers.
    """
    data = found.readings
    step = data.rounding_step
    digits = 1
    if step is None or step <= 1e-8 * float(np.abs(data.values).max()):
        step, digits = found.sigma, 3
    largest = float(np.abs(data.values).max())
    order = int(np.floor(np.log10(largest))) if largest > 0 else 0
    power = 0 if -4 < order < 7 else order
    places = decimals_of(step / 10.0**power, digits=digits)
    scatter = decimals_of(found.sigma / 10.0**power)
    by_state = data.state is not None
    return Form(places=places + by_state, power=power, extra=int(scatter > places + by_state))


def compared(found: Analysis) -> str:
    """What the Bayes factors of an analysis say, as odds, and against what each of them is."""
    over_all, over_best = found.log_bayes_factor_mixture, found.log_bayes_factor
    if not math.isfinite(over_all):
        return (
            "No odds are given: at no unit tried can the readings be assigned to enough different "
            "multiples of it, so that no comb can be compared with data without steps."
        )
    factors = found.log_bayes_factors
    best = min(factors, key=lambda name: factors[name]).partition(":")[0]
    return (
        "Against data without steps of every kind in the table, in equal shares, "
        f"{_stated(over_all)}, if steps and none were equally likely beforehand (natural log of "
        f"the Bayes factor {over_all:.2f}). Against the kind that explains these readings "
        f"best, picked after they were seen ({KINDS.get(best, best)}), {_stated(over_best)} "
        f"({over_best:.2f})."
    )


def _stated(log_factor: float) -> str:
    said = odds(abs(log_factor))
    if said == "about even":
        return "the odds are about even"
    return f"the odds are {said} {'for' if log_factor > 0 else 'against'} steps"


def nulls(found: Analysis) -> list[dict[str, str]]:
    """The kinds of data without steps, the one that comes nearest first."""
    compared = math.isfinite(found.log_bayes_factor_mixture)
    factors = least_by_kind(found.log_bayes_factors) if compared else {}
    chances = {"smooth": found.smooth.p_value} | found.p_values
    none = float(found.smooth.null_distribution.max()) < found.smooth.statistic
    # Kinds without a p-value stay behind those that have one.
    kinds = sorted(dict.fromkeys([*chances, *factors]), key=lambda kind: -chances.get(kind, -1.0))
    return [
        {
            "meaning": KINDS.get(kind, kind),
            "chance": chance(chances[kind], none=none and kind == "smooth")
            if kind in chances
            else "odds only",
            "odds": odds(factors[kind]).replace("more than a million", "over 1,000,000")
            if kind in factors
            else "chance only",
        }
        for kind in kinds
    ]


def rivals(found: Analysis, most: int) -> list[dict[str, str]]:
    """The best unit and its rivals, the best `most` of them."""
    return [
        {
            "unit": brackets(row["unit"], row["unit_err"]),
            "share": share(row["share"]),
            "what": relation(row["relation"]),
            "relation": row["relation"],
        }
        for row in found.alternatives.head(most).to_dict("records")
    ]


def threshold(found: Analysis) -> float | None:
    """The score that the share alpha of samples whose readings are moved by chance reaches.

    None where the line would say the opposite of what decides: readings that score higher while
    samples of another kind reach such scores easily, or lower while their levels determine a unit
    that their periodogram alone does not.
    """
    line = float(np.quantile(found.smooth.null_distribution, 1 - found.alpha))
    peak = float(found.score.alternatives["statistic"].max())
    return line if (found.p_value <= found.alpha) == (peak > line) else None


def shared(found: object) -> str:
    """The fall whose error is in unit and evidence, in words; nothing without one."""
    fit = getattr(found, "fit", None)
    fall = getattr(fit, "fall_added", None)
    if fit is None or fall is None or not fit.shift.standard_uncertainty:
        return ""
    return plus_minus(fall.value, fall.standard_uncertainty)


def estimates(found: Analysis) -> list[dict[str, str]]:
    """The three estimators side by side."""
    fall = " and fall" if shared(found) else ""
    sure = found.comb_fit.integers_sure
    notes = {
        "mixture over integers": f"every whole number{fall} weighed",
        "least squares": (
            f"whole numbers{fall} taken as certain" if sure else "some whole numbers are in doubt"
        ),
        "periodogram": f"{'' if fall else 'its '}highest peak{fall} taken as right",
    }
    return [
        {
            "method": method,
            "unit": brackets(answer["unit"], answer["unit_err"]),
            "difference": f"{100 * (answer['unit'] / found.unit - 1):+.2f} %".replace(
                "-0.00", "+0.00"
            ),
            "note": notes.get(method, ""),
        }
        for method, answer in found.estimates.items()
    ]


def pieces(found: Analysis, prob: float = 0.95) -> list[tuple[float, float]]:
    """The set of the unit that holds `prob`, as intervals."""
    return [(float(low), float(high)) for low, high in found.interval(prob)]


def versions() -> dict[str, str]:
    """Versions on which the digits of a result depend."""
    names = ("numpy", "scipy", "pandas")
    return {
        "quantize": __version__,
        "Python": platform.python_version(),
    } | {name: importlib.metadata.version(name) for name in names}


def settings(found: Analysis) -> list[tuple[str, str]]:
    """What was tried, as pairs of name and text."""
    tried, seed, model = found.unit_range, found.seed, found.mixture.model
    seeded, fall, whole = f"{seed['entropy']}", shared(found), ""
    if seed["spawn_key"] or seed["children_spawned"]:
        seeded += f" (spawn key {seed['spawn_key']}, child {seed['children_spawned']})"
    if fall:
        fall += " divisions, added to every reading; unit and evidence are averaged over its error"
    if model.integers != "any":
        whole = f"{in_words(model.integers)} for every reading, said beforehand"
    rest = repr(dataclasses.replace(model, offset="zero", sigma=None, integers="any"))
    rows = [
        ("units tried", f"{amount(found, f'{tried.low:.4g} to {tried.high:.4g}')}, {tried.reason}"),
        ("offset", _offset(found)),
        ("whole numbers", whole),
        ("scatter", _scatter(found)),
        ("assumed besides", rest.partition(": ")[2].rstrip(">").removesuffix("plain")),
        ("fall", fall),
        ("limit set beforehand", f"p at most {found.alpha:g}"),
        ("resamples", f"{found.settings['n_resamples']:,}"),
        ("seed", seeded),
        ("versions", ", ".join(f"{name} {v}" for name, v in versions().items())),
    ]
    return [(name, text) for name, text in rows if text]


def _offset(found: Analysis) -> str:
    offset = found.mixture.model.offset
    if offset == "zero":
        return "none: the multiples are counted from zero"
    if offset == "free":
        return "free: the multiples may start anywhere"
    if isinstance(offset, float):
        return f"fixed at {amount(found, f'{offset:.6g}')}"
    return f"known beforehand: {distributions.text(offset)}"


def _scatter(found: Analysis) -> str:
    if found.settings["sigma_range"] is None:
        factor = found.mixture.posterior.prior.sigma
        return f"given with the readings{f', times {factor:g}' if factor != 1 else ''}"
    low, high = found.settings["sigma_range"]
    if found.readings.sigma is not None:
        return f"given with the readings to a factor that is not known, {low:.3g} to {high:.3g}"
    apart = "" if found.readings.relative_sigma is None else ", in proportions that were given"
    if low == high:
        return f"known, {amount(found, f'{low:.4g}')}{apart}"
    between = amount(found, f"{low:.4g} and {high:.4g}")
    return f"not known beforehand, between {between}{apart}"
