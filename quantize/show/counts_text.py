"""The verdict on counts in plain text."""

from __future__ import annotations

from typing import TYPE_CHECKING

from quantize.show import tables
from quantize.show.rounding import plus_minus, rounded, significant
from quantize.show.text import bullets, pairs, paragraph

if TYPE_CHECKING:
    from quantize.null.counts import CountAnalysis

_MOST_LEVELS = 12


def count_analysis_text(found: CountAnalysis) -> str:
    """Verdict, reasons, unit, levels and rival units."""
    lines = [f"VERDICT: {found.verdict}", *paragraph(_headline(found)), "", "Why"]
    lines += bullets(found.reasons)
    if found.advice:
        lines += ["", "What would settle it", *bullets(found.advice)]
    sure = found.verdict == "steps"
    [[low, high]] = found.interval(0.95).tolist()
    rows = [
        ("size", plus_minus(found.unit, found.unit_err)),
        ("95 % interval", f"{rounded(low, found.unit_err)} to {rounded(high, found.unit_err)}"),
        ("counted from", significant(found.offset, 5)),
        ("scatter", _scatter(found)),
        ("off every level", _per_cent(found.background)),
        ("readings", f"{found.total} in the bins, {found.outside} outside the window"),
        ("chance", f"at most {found.p_value:.2g} without steps, by an analytic bound"),
    ]
    title = "The unit" if sure else "The unit, if there were steps"
    lines += ["", f"{title} (± is one standard uncertainty)", *pairs(rows)]
    if sure:
        lines += ["", "  whole number   position   scatter    share"]
        table = found.levels.sort_values("share", ascending=False).head(_MOST_LEVELS)
        lines += [
            f"  {row['integer']:12d} {row['position']:10.5g} {row['sigma']:9.3g}"
            f" {row['share']:8.3g}"
            for row in table.sort_values("integer").to_dict("records")
        ]
    rivals = found.alternatives.head(5).to_dict("records")
    lines += ["", "Rival units, with their shares"]
    lines += [f"  {row['unit']:12.6g} {row['share']:9.3g}  {row['relation']}" for row in rivals]
    return "\n".join(line.rstrip() for line in lines)


def _headline(found: CountAnalysis) -> str:
    if found.verdict == "no steps":
        return (
            f"What stands out of the counts does not stand at the multiples of any unit in "
            f"{100 * found.excluded:.0f} % of the range tried."
        )
    return tables.headline(found)


def _per_cent(share: float) -> str:
    return f"{100 * share:.2g} % of the readings" if share > 1e-4 else "less than 0.01 %"


def _scatter(found: CountAnalysis) -> str:
    ratio = significant(found.sigma / found.unit, 2)
    text = f"{significant(found.sigma, 3)}, which is {ratio} of the unit"
    if found.sigma_growth > 0:
        text += f"; its square grows by {significant(found.sigma_growth, 3)}² with every level"
    return text
