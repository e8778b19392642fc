"""How the p-value depends on what was chosen: the kind of null, and the range of units."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any, Unpack

from numpy.typing import ArrayLike

from quantize._support import randomness, validation
from quantize._support.errors import explained
from quantize._support.parallel import Progress, Workers, steps
from quantize._support.randomness import RngLike
from quantize._support.results import Result
from quantize._support.validation import Columns, Offset, SigmaRange
from quantize.comb.unit_range import UnitRange, unit_range_for
from quantize.model.mixture import model_of
from quantize.null.compare import NULLS, NullName, compare_null
from quantize.null.influence import placement
from quantize.null.tails import resamples
from quantize.readings import Readings, as_readings

if TYPE_CHECKING:
    import pandas as pd

_COLUMNS = ["unit_range", "low", "high", "null", "statistic", "p_value", "log_bayes_factor"]


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Sensitivity(Result):
    """Result of `sensitivity`.

    Attributes
    ----------
    table : pandas.DataFrame
        One row for each range and null: `unit_range` says how the range came about, `low` and
        `high` are its ends, `null` is the kind of data without steps, `statistic` what the p-value
        is of ("cosine score", "phase-free power" or "level placement"), `p_value`, and
        `log_bayes_factor` for the level placement (that over the strongest null).
    """

    table: pd.DataFrame
    n_resamples: int
    seed: dict[str, Any]

    def largest(self) -> pd.Series:
        """The largest p-value in each range."""
        import pandas as pd

        found = self.table.groupby("unit_range", sort=False)["p_value"].max()
        return pd.Series(found)

    def _headline(self) -> str:
        p = self.table["p_value"]
        return f"p from {p.min():.2g} to {p.max():.2g} over {len(p)} choices"


@explained(Columns)
def sensitivity(
    readings: Readings | ArrayLike,
    unit_range: tuple[float, float] | UnitRange | None = None,
    *,
    offset: Offset = "zero",
    sigma_range: SigmaRange | None = None,
    unit_ranges: Iterable[tuple[float, float]] | None = None,
    n_resamples: int = 999,
    rng: RngLike = None,
    workers: Workers = None,
    progress: Progress = False,
    **columns: Unpack[Columns],
) -> Sensitivity:
    """The p-value under every kind of data without steps and for several ranges of units.

    A verdict that hangs on one of these choices is weak; this table shows whether it does.

    Parameters
    ----------
    readings : Readings or array_like, shape (n,)
        What was measured, in any unit of measurement.
    unit_range : (float, float), optional
        Smallest and largest unit of the analysis, in the unit of the readings.
    offset : {"zero", "free"} or float
        Where the comb starts: at zero, anywhere, or at a known place in the unit of the readings.
    sigma_range : float or (float, float), optional
        Known standard deviation of a reading, or the support of its prior.
    unit_ranges : iterable of (float, float), optional
        Further ranges. Left out: a half and a quarter of the smallest unit, and half the largest.
        A range that leaves the unit out rightly shows nothing.
    n_resamples : int
        Resamples for each null and range.
    rng : int, SeedSequence or Generator, optional
        Source of randomness; the result holds a record of it.
    workers : int, map-like callable or concurrent.futures.Executor, optional
        Where resamples are scored; by default this process. The numbers do not depend on it.
    progress : bool or callable
        True shows a bar; a callable gets (done, total).
    **columns
        `sigma`, `state`, `resolution` or `unit_name` of plain values, as in `Readings`.

    Returns
    -------
    Sensitivity
        A table with one row for each range and null.

    Raises
    ------
    InputError
        For input that cannot be used.

    Examples
    --------
    >>> import quantize as qz
    >>> sample = [2.1, 3.9, 6.0, 8.1, 9.9, 14.0, 4.1, 11.9, 16.1, 6.1]
    >>> found = qz.null.sensitivity(sample, (1.2, 7), n_resamples=199, rng=1)
    >>> found.table["null"].nunique(), found.table["unit_range"].nunique()
    (8, 4)
    >>> bool(found.largest().max() < 0.05)
    True
    """
    import pandas as pd

    data = as_readings(readings, least=3, columns=columns)
    validation.offset_mode(offset)
    size, model = resamples(n_resamples), model_of(offset, sigma_range, None)
    generator = randomness.generator(rng)
    seed = randomness.record(generator)
    named = _unit_ranges(unit_range_for(data, unit_range), unit_ranges)
    statistic = "phase-free power" if offset == "free" else "cosine score"
    rows: list[tuple[Any, ...]] = []
    # None stands for the placement of the levels.
    nulls: tuple[NullName | None, ...] = (*NULLS, None)
    bar = steps(progress, len(named) * len(nulls), "ranges and nulls")
    for (name, tried), null in bar.over(itertools.product(named, nulls)):
        place = (name, tried.low, tried.high)
        if null is None:
            p_values, factor = placement(data, tried, model)
            for kind, p in p_values.items():
                rows.append((*place, f"levels: {kind}", "level placement", p, factor))
            continue
        found = compare_null(
            data,
            tried,
            offset=offset,
            null=null,
            n_resamples=size,
            rng=randomness.spawn(generator, 1)[0],
            workers=workers,
        )
        rows.append((*place, null, statistic, found.p_value, float("nan")))
    bar.close()
    return Sensitivity(table=pd.DataFrame(rows, columns=_COLUMNS), n_resamples=size, seed=seed)


def _unit_ranges(
    unit_range: UnitRange, further: Iterable[tuple[float, float]] | None
) -> list[tuple[str, UnitRange]]:
    if further is not None:
        made = [UnitRange.given(pair, "unit_ranges") for pair in further]
        return [("as analyzed", unit_range)] + [(f"{r.low:.4g} to {r.high:.4g}", r) for r in made]
    low, high = unit_range
    ends = {
        "smallest unit halved": (low / 2, high),
        "smallest unit quartered": (low / 4, high),
        "largest unit halved": (low, high / 2),
    }
    return [("as analyzed", unit_range)] + [
        (name, UnitRange(low=low, high=high, chosen=False, reason=name))
        for name, (low, high) in ends.items()
        if low < high
    ]
