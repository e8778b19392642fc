"""compare_estimators(): several estimators on the same simulated samples, for each condition."""

from __future__ import annotations

import dataclasses
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError, explained
from quantize._support.parallel import Progress
from quantize._support.randomness import RngLike
from quantize._support.rendering import renderer
from quantize._support.results import Result, taken
from quantize.studies.conditions import Conditions, conditions_of
from quantize.studies.estimators import Estimators, estimators_of
from quantize.studies.study import Checkpoint, Workers, declare, run_study
from quantize.studies.summary import SHARES, summarise

if TYPE_CHECKING:
    import pandas as pd

DEFAULT = ("cosine score", "phase-free power", "least squares", "mixture, sigma known")
LARGEST_TOLERANCE = 0.19
"""Above it, u/2 and u/3 could no longer be distinguished."""
_LEVEL = 0.05


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Comparison(Result):
    """Result of `compare_estimators`.

    Attributes
    ----------
    table : pandas.DataFrame
        One row for each condition and estimator, with what varies between conditions, and:

        - pages: samples drawn; answered, raised, not_a_number, timed_out: of these;
        - right: share of samples whose unit is within the tolerance, of all samples;
        - half, third, double, other: shares whose unit is wrong in this way;
        - bias, rms: mean and root mean square of (unit − true)/true over the right answers;
          bound: the Cramér–Rao bound in the same measure, the whole numbers known; over_bound:
          error over bound, sample by sample;
        - coverage: share of stated intervals that hold the true unit;
        - power, false_alarms: share of samples in which steps are found at `alpha`, where there
          is a unit and where there is none.

        A share has the ends _low and _high of its exact 95 % binomial interval, a mean its
        standard error _se. What does not apply is NaN.
    timing : pandas.DataFrame
        Median seconds of one estimate. It is apart from the table because it alone differs from
        run to run.
    pairs : pandas.DataFrame
        For each condition, by its place in `conditions`, two estimators and a share: on how many
        samples only the one or only the other succeeded, and McNemar's exact p-value.
    errors : dict of str to str
        The first error of every estimator that had one.
    conditions : list of dict
        Every condition in full.
    replicates : int
        Samples drawn for each condition.
    tolerance, prob, alpha : float
        Largest relative error of a right unit, probability asked of the intervals, and level at
        which p-values count as steps.
    time_limit : float or None
        Seconds after which an estimate was given up.
    seed : dict
        What repeats the study.
    """

    table: pd.DataFrame
    timing: pd.DataFrame
    pairs: pd.DataFrame
    errors: dict[str, str]
    conditions: list[dict[str, Any]]
    replicates: int
    tolerance: float
    prob: float
    alpha: float
    time_limit: float | None
    seed: dict[str, Any]

    def best(self, what: str = "right") -> pd.DataFrame:
        """The estimator with the largest share in each condition.

        Parameters
        ----------
        what : {"right", "coverage", "power", "false_alarms"}
            The share that is compared.

        Returns
        -------
        pandas.DataFrame
            The rows of the winners, and `clear`: whether the winner differs from every other by
            McNemar's test on the samples that they share, at 0.05 over the number of the others.
        """
        import pandas as pd

        validation.choice("what", what, SHARES)
        estimators = self.table["estimator"].nunique()
        asked = self.pairs[self.pairs["what"] == what]
        rows = []
        for number in range(len(self.conditions)):
            group = self.table.iloc[number * estimators : (number + 1) * estimators]
            if group[what].notna().any():
                winner = group.iloc[int(np.nanargmax(group[what].to_numpy()))].to_dict()
                here = asked[asked["condition"] == number]
                its = here[(here[["estimator", "other"]] == winner["estimator"]).any(axis=1)]
                p = its["p_value"].dropna()
                clear = bool((p <= _LEVEL / max(len(p), 1)).all())
                rows.append({**winner, "clear": clear})
        return pd.DataFrame(rows, columns=[*self.table.columns, "clear"])

    def to_csv(self, path: str | os.PathLike[str]) -> Path:
        """Write the table as csv, whole or not at all; returns the path."""
        written: Path = renderer("csv", self)(self.table, path)
        return written

    def to_parquet(self, path: str | os.PathLike[str]) -> Path:
        """Write the table as parquet, whole or not at all; returns the path."""
        written: Path = renderer("parquet", self)(self.table, path)
        return written

    def _headline(self) -> str:
        names = self.table["estimator"].unique()
        return (
            f"{len(names)} estimators, {len(self.conditions)} conditions, {self.replicates} "
            "samples each"
        )


@explained()
def compare_estimators(
    estimators: Estimators = DEFAULT,
    conditions: Conditions | None = None,
    *,
    replicates: int = 500,
    tolerance: float = 0.05,
    prob: float = 0.95,
    alpha: float = 0.05,
    time_limit: float | None = 60.0,
    rng: RngLike = None,
    workers: Workers = None,
    checkpoint: str | os.PathLike[str] | None = None,
    progress: Progress = False,
) -> Comparison:
    """Count how often estimators are right on simulated samples, and what they cost.

    Every estimator gets the same samples. Errors of right answers, coverage of intervals, power
    and false alarms are counted beside the time of an estimate.

    Parameters
    ----------
    estimators : str, callable, or sequence or mapping of these
        Names ("cosine score", "phase-free power", "least squares", "mixture", "mixture, sigma
        known", "verdict"), functions of (readings, unit_range) such as `quantize.fit_comb`, or
        `quantize.studies.Estimator`. A function returns a number, a `quantize.studies.Answer`,
        or anything with a `unit`; it may have `interval(prob)`, `p_value` or `verdict`.
    conditions : mapping, Condition, or sequence of these
        In a mapping, lists, ranges and arrays are run through, every one with every other:
        ``{"n": [10, 20], "sigma": [0.1, 0.2], "integers": (-4, 4)}``. The names are those of
        `quantize.studies.Condition`.
    replicates : int
        Samples drawn for each condition.
    tolerance : float
        Largest relative error of a right unit, above 0 and at most 0.19.
    prob : float
        Probability asked of the intervals.
    alpha : float
        Level at which p-values count as steps.
    time_limit : float or None
        Seconds after which an estimate is given up and counted as timed out; None waits.
    rng : int, SeedSequence or Generator, optional
        The seed. Replicate r of condition c has a child seed of its own, so that the table does
        not depend on workers or order. None takes the seed of the checkpoint, if there is one.
    workers : int, concurrent.futures.Executor or map-like callable, optional
        Who does the work. None works in this process, a number starts so many processes. The
        executor of a Dask client (``client.get_executor()``) works unchanged.
    checkpoint : str or Path, optional
        File in which finished pieces are kept. A study that was stopped, or killed, goes on from
        there; one with another grid, seed or version is refused.
    progress : bool or callable
        True shows a bar with the time left; a callable gets (samples done, samples).

    Returns
    -------
    Comparison
        One table of all counts, with `best` for who does best where.

    Raises
    ------
    InputError
        For input that cannot be used; also when a checkpoint cannot be written or a foreign
        executor can take no more work, and then what was finished is kept.

    Examples
    --------
    >>> import numpy as np
    >>> import quantize as qz
    >>> def median_over_three(readings, unit_range):
    ...     return np.median(np.abs(readings.values)) / 3
    ...
    >>> study = qz.compare_estimators(
    ...     ["least squares", median_over_three],
    ...     {"n": 12, "sigma": [0.05, 0.1]},
    ...     replicates=20,
    ...     rng=1,
    ... )
    >>> study
    <Comparison: 2 estimators, 2 conditions, 20 samples each>
    >>> study.best()[["sigma", "estimator", "clear"]]
       sigma      estimator  clear
    0   0.05  least squares   True
    1   0.10  least squares   True
    """
    if conditions is None:
        raise InputError("`conditions` is missing; give a mapping such as {'n': [10, 20]}.")
    cells = conditions_of(conditions)
    asked = estimators_of(estimators)
    width = validation.positive("tolerance", tolerance)
    if width > LARGEST_TOLERANCE:
        raise InputError(
            f"`tolerance` is {width:g}; above {LARGEST_TOLERANCE} the unit, its half and its third "
            "run into each other, so give less."
        )
    level = validation.fraction("alpha", alpha)
    kept = None if checkpoint is None else Checkpoint(checkpoint)
    study, seed = declare(
        cells,
        asked,
        replicates=replicates,
        prob=prob,
        time_limit=time_limit,
        rng=rng,
        checkpoint=kept,
    )
    answers = run_study(study, workers=workers, checkpoint=kept, progress=progress)
    names = [estimator.name for estimator in asked]
    table, timing, pairs = summarise(cells, names, answers, tolerance=width, alpha=level)
    errors: dict[str, str] = {}
    for outcomes in answers:
        for name, (_, message) in outcomes.messages.items():
            errors.setdefault(name, message)
    return Comparison(
        table=table,
        timing=timing,
        pairs=pairs,
        errors=errors,
        conditions=[condition.described() for condition in cells],
        **taken(study, "replicates", "prob", "time_limit"),
        tolerance=width,
        alpha=level,
        seed=seed,
    )
