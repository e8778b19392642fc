"""The ranked table of rival units that every estimator returns beside its best one."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

_LARGEST_TERM = 5


def relation(unit: float, best: float, tolerance: float) -> str:
    """How `unit` stands to `best`: "best", "u/2", "2u", "2u/3", ... or "unrelated".

    A simple ratio counts when it is met within the relative `tolerance`.
    """
    ratio = unit / best
    if abs(ratio - 1) <= tolerance:
        return "best"
    simple = Fraction(ratio).limit_denominator(_LARGEST_TERM)
    close = simple > 0 and abs(ratio / float(simple) - 1) <= tolerance
    if not close or simple.numerator > _LARGEST_TERM or simple == 1:
        return "unrelated"
    top = "u" if simple.numerator == 1 else f"{simple.numerator}u"
    return top if simple.denominator == 1 else f"{top}/{simple.denominator}"


def table(rows: Sequence[dict[str, float]], tolerance: float) -> pd.DataFrame:
    """Rows, best first, as a DataFrame with a `unit` and a `relation` column."""
    import pandas as pd

    if not rows:
        return pd.DataFrame({"unit": [], "relation": []})
    best = rows[0]["unit"]
    columns: dict[str, list[float] | list[str]] = {
        name: [row[name] for row in rows] for name in rows[0]
    }
    columns["relation"] = [relation(row["unit"], best, tolerance) for row in rows]
    return pd.DataFrame(columns)
