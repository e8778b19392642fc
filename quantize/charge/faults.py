"""Rows whose label, sign or tens are likely to be wrong, and the run as it is believed.

The readings of one state at one voltage have one expectation, wherever it lies. The page with one
row mended is set against the page as it is written; no steps are assumed, unless several ways of
mending it do as well.
"""

from __future__ import annotations

import contextlib
import dataclasses
import math
from collections.abc import Iterator
from typing import Literal, TypeVar

import numpy as np

from quantize._support.errors import InputError
from quantize._support.validation import BoolArray, FloatArray, IntArray
from quantize.charge.checks import Check, judged, unknown
from quantize.charge.estimate import fit_run
from quantize.charge.rows import Rows, predicted_as_read
from quantize.charge.run_table import (
    intervals_over,
    per_interval,
    rows_of,
    same_state,
    same_state_or_row,
)

Kind = Literal["label", "sign", "ten divisions", "apart"]
R = TypeVar("R", bound=Rows)

CHANCE = 1 / 200
"""Of a row: that its label, sign or tens are wrong, and that its charge changed on the way."""
ODDS = 20.0
"""To one, from which on a mended page is believed."""
_TEN = 10.0  # divisions
_FACTORS = np.geomspace(0.3, 10.0, 41)  # on the predicted scatter
_LOG_FACTOR = math.log(1.5)  # standard deviation of its log
_FEWEST = 3  # repeats in all without which no row can be said to lie apart
_ALIKE = 1e-12  # part of the squares of times that says that they are one
_MOST = 0.1  # of the rows
_BLOCK = 20_000  # ways of mending that are weighed at once
_CELLS = 1_000_000  # of them for which that is bounded at once
_SLACK = 1e-6  # nats, for rounding
_RIVALS = 6  # ways of mending a page that are compared by their steps
_AS_LIKELY = math.log(100.0)
_OTHERS = 2  # of them that are named
_AGAINST = "against the page as it is written"
_NAME = "labels, signs and tens of divisions"


@dataclasses.dataclass(frozen=True, kw_only=True)
class Fault:
    """A row that is believed to be other than it is written.

    Attributes
    ----------
    row : int
        Its number on the page.
    kind : {"label", "sign", "ten divisions", "apart"}
        What is wrong.
    log_odds : float
        Natural log of the odds for it, against the page as it is written.
    sentence : str
        What was found and how the row is taken.
    """

    row: int
    kind: Kind
    log_odds: float
    sentence: str


@dataclasses.dataclass(frozen=True, eq=False)
class _Mend:
    """Reading `place` taken as `value` in group `group`; −1 is one of its own."""

    place: int
    kind: Kind
    value: float
    group: int
    log_prior: float


_Ways = list[tuple[float, _Mend]]


@dataclasses.dataclass(frozen=True, eq=False)
class _Page:
    """Readings in groups of one expectation: a state at one voltage; the falls are the last.

    `x` are divisions per interval, `sigma` their predicted deviations, `tens` what ten divisions
    are worth (0 where passages have one length) and `time` when they were read.
    """

    index: IntArray
    x: FloatArray
    sigma: FloatArray
    time: FloatArray
    tens: FloatArray
    group: IntArray
    voltage: FloatArray
    falls: int

    @classmethod
    def of(cls, run: Rows) -> _Page:
        """The rows that can be compared with others."""
        driven, falls = run.driven, run.falls
        codes, keys = same_state_or_row(driven).factorize()
        index = np.concatenate([driven.index, falls.index]).astype(np.int64)
        rows = run.table.loc[index]
        fixed = run.timing == "fixed distance" or "track_error" in rows
        return cls(
            index=index,
            x=per_interval(run, rows),
            sigma=deviations_as_read(run),
            time=run.time_of(run.table)[0][run.table.index.get_indexer(rows.index)],
            tens=np.zeros(index.size) if fixed else _TEN * intervals_over(run, rows),
            group=np.concatenate([codes, np.full(len(falls), keys.size)]),
            voltage=driven.groupby(codes)["voltage"].first().to_numpy(float),
            falls=int(keys.size),
        )

    def members(self, group: int) -> IntArray:
        """Places of the readings of a group."""
        return np.flatnonzero(self.group == group)

    def sums(self, places: IntArray, x: FloatArray) -> FloatArray:
        """What readings taken as `x` add to the sums of a group, shape (8, m).

        One, the log of sigma, and, over its square, 1, t, t², x, tx and x².
        """
        sigma, t = self.sigma[places], (self.time - self.time.mean())[places]
        over = np.stack([np.ones(x.size), t, t**2, x, t * x, x**2]) / sigma**2
        return np.concatenate([[np.ones(x.size), np.log(sigma)], over])

    def log_evidence(self, sums: FloatArray, group: IntArray) -> FloatArray:
        """Log density of readings of one expectation anywhere, at every factor; shape (m, S).

        The falls may lie on a straight line in time.
        """
        n, log_sigma, w, t, tt, x, tx, xx = sums
        some = np.maximum(w, np.finfo(float).tiny)
        across = tt - t**2 / some
        line = (group == self.falls) & (n > _FEWEST) & (across > _ALIKE * tt)
        across = np.where(line, across, 1.0)
        rest = xx - x**2 / some - line * (tx - t * x / some) ** 2 / across
        free = 1 + line
        degrees = n - free
        value = -log_sigma - 0.5 * degrees * math.log(2 * math.pi)
        value -= 0.5 * np.log(some * across) + free * math.log(np.ptp(self.x))
        squares = np.maximum(rest, 0.0)[:, None] / _FACTORS**2
        found = value[:, None] - 0.5 * squares - degrees[:, None] * np.log(_FACTORS)
        return np.where(n[:, None] > 0, found, 0.0)

    def likeliest(self) -> _Ways:
        """Log odds and ways of mending one row, the best first; those that are believed."""
        each = self.sums(np.arange(self.x.size), self.x)
        # The last is the one of its own, empty so far.
        groups = each @ (self.group[:, None] == np.arange(self.falls + 2))
        written = self.log_evidence(groups, np.arange(self.falls + 2))
        total = -0.5 * (np.log(_FACTORS) / _LOG_FACTOR) ** 2 + written.sum(axis=0)
        total -= np.logaddexp.reduce(total)
        rest = groups[:, self.group] - each
        leaves = self.log_evidence(rest, self.group) - written[self.group]
        most = np.logaddexp.reduce(total + leaves, axis=1)
        mends = [*self._alone(), *self._labels(groups, most)]
        mends.sort(key=lambda mend: mend.place)
        believed: _Ways = []
        for first in range(0, len(mends), _BLOCK):
            part = mends[first : first + _BLOCK]
            place, other = np.array([(mend.place, mend.group) for mend in part]).T
            own = (self.group[place] == other)[:, None]
            there = np.where(own[:, 0], rest[:, place], groups[:, other])
            there = there + self.sums(place, np.array([mend.value for mend in part]))
            change = self.log_evidence(there, other) - written[other]
            change += np.where(own, 0.0, leaves[place])
            # Of rows that are as likely to rounding the first on the page comes first.
            gain = np.round(np.logaddexp.reduce(total + change, axis=1), 9)
            odds = gain + np.array([mend.log_prior for mend in part])
            hopeful = np.flatnonzero(odds > math.log(ODDS)).tolist()
            believed += [(float(odds[i]), part[i]) for i in hopeful]
        return sorted(believed, key=lambda pair: -pair[0])

    def _alone(self) -> Iterator[_Mend]:
        """What may be wrong with each reading of a group that has others, but for its label."""
        third = math.log(CHANCE / 3)
        for i in np.flatnonzero(self._among_others).tolist():
            g, x, ten = int(self.group[i]), float(self.x[i]), float(self.tens[i])
            yield _Mend(i, "sign", -x, g, third)
            if ten:
                yield _Mend(i, "ten divisions", x - ten, g, third - math.log(2))
                yield _Mend(i, "ten divisions", x + ten, g, third - math.log(2))
            if g != self.falls:
                yield _Mend(i, "apart", x, -1, math.log(CHANCE))

    def _labels(self, groups: FloatArray, most: FloatArray) -> Iterator[_Mend]:
        """Other labels of each such reading at its voltage, but for those out of the question.

        To another group a reading adds a normal density about the mean of that, which is largest at
        one factor; `most` is the log sum over factors of what it takes from its own. The product of
        both bounds the odds.
        """
        every = np.flatnonzero(self._among_others & (self.group < self.falls))
        w, x = groups[[2, 5], : self.falls]
        for own in np.array_split(every, every.size * self.falls // _CELLS + 1):
            variance = self.sigma[own, None] ** 2 + 1 / w
            square = (self.x[own, None] - x / w) ** 2 / variance
            factor = np.clip(np.sqrt(square), _FACTORS[0], _FACTORS[-1])
            bound = -0.5 * (square / factor**2 + np.log(2 * math.pi * variance * factor**2))
            others = self.voltage == self.voltage[self.group[own], None]
            others[np.arange(own.size), self.group[own]] = False
            log_prior = math.log(CHANCE / 3) - np.log(np.maximum(others.sum(axis=1), 1))
            possible = bound + (most[own] + log_prior)[:, None] > math.log(ODDS) - _SLACK
            i, group = np.nonzero(others & possible)
            for place, g, prior in zip(own[i].tolist(), group.tolist(), log_prior[i], strict=True):
                yield _Mend(place, "label", float(self.x[place]), g, float(prior))

    @property
    def _among_others(self) -> BoolArray:
        """Readings of a group that has others."""
        return np.bincount(self.group)[self.group] > 1

    def sentence(self, run: Rows, log_odds: float, mend: _Mend, ways: _Ways) -> str:
        """What is wrong with the row, how it is taken, and what else would explain it."""
        odds = f"{math.exp(log_odds):.0f}" if log_odds < math.log(1e6) else "more than a million"
        others = [
            self.words(run, way)
            for other, way in ways
            if way.place == mend.place and way is not mend and way.kind != "apart"
            if other > log_odds - _AS_LIKELY
        ]
        text = f"{self.words(run, mend)} (odds of {odds} to 1 {_AGAINST})."
        said = " Hardly less likely: " + "; ".join(others[:_OTHERS]) + "." if others else ""
        return text[0].upper() + text[1:] + said

    def words(self, run: Rows, mend: _Mend) -> str:
        """One way of mending a row."""
        row = rows_of(run, [int(run.table["row"][self.index[mend.place]])])
        own = int(self.group[mend.place])
        others = "other falls" if own == self.falls else f"others of state {self.label(run, own)}"
        more = "more" if mend.value > self.x[mend.place] else "less"
        return {
            "sign": f"reversing the sign of {row} puts it back among the {others}",
            "ten divisions": f"ten divisions {more} put {row} back among the {others}",
            "label": f"{row} fits state {self.label(run, mend.group)} and not the {others}",
            "apart": f"{row} lies apart from the {others} and is taken as one within which the "
            "charge changed, by any size, so that it has no part in the fit",
        }[mend.kind]

    def label(self, run: Rows, group: int) -> str:
        """The label of a state; none for a reading on its own."""
        return "" if group < 0 else str(run.table["state"][self.index[self.members(group)[0]]])


def faults_of(run: Rows) -> tuple[Fault, ...]:
    """Rows of one particle that are believed to be other than they are written.

    Parameters
    ----------
    run : Run
        Of one particle.

    Returns
    -------
    tuple of Fault
        The most certain first; empty where nothing is wrong, or too little was repeated to say so.

    Notes
    -----
    A row has a wrong label, a reversed sign or ten divisions too many or too few with the prior
    probability of 1/200 altogether, and its charge changed within the interval with as much. The
    common factor on the predicted scatter is averaged over, its prior log-normal with a factor of
    1.5. A fault is believed from odds of 20 to 1 on.

    Examples
    --------
    >>> from quantize.charge import Run
    >>> from quantize.charge.faults import faults_of
    >>> page = {"state": list("aaabbbccc"), "V": [200] * 9, "t": [10] * 9,
    ...         "div": [20, 21, -20, -8, -9, -8, 5, 6, 5]}
    >>> [(fault.row, fault.kind) for fault in faults_of(Run(page))]
    [(3, 'sign')]
    """
    return believed(run)[1]


def believed(run: R) -> tuple[R, tuple[Fault, ...]]:
    """The run with the rows put right that are believed to be wrong, and what they are."""
    found: list[Fault] = []
    most = max(int(_MOST * len(run.used)), 1)
    while len(found) < most:
        page = _Page.of(run)
        if page.x.size - np.unique(page.group).size < _FEWEST or np.ptp(page.x) == 0:
            break
        ways = page.likeliest()
        if not ways:
            break
        log_odds, mend = _by_steps(run, page, ways)
        sentence = page.sentence(run, log_odds, mend, ways)
        row = int(run.table["row"][page.index[mend.place]])
        found.append(Fault(row=row, kind=mend.kind, log_odds=log_odds, sentence=sentence))
        run = _mended(run, page, mend, sentence)
    return run, tuple(found)


def told(faults: tuple[Fault, ...]) -> tuple[str, ...]:
    """Which rows were put right, and how, one sentence each after one that names them all."""
    if not faults:
        return ()
    rows = ", ".join(map(str, sorted({fault.row for fault in faults})))
    head = (
        f"Not taken as written but put right before the analysis: row {rows}, as the following "
        "says. mend=False, or --as-written on the command line, takes every row as written."
    )
    return head, *(fault.sentence for fault in faults)


def check_faults(run: Rows) -> Check:
    """The faults of a run, or those that were mended before."""
    said = [remark for remark in run.remarks if _AGAINST in remark]
    said += [fault.sentence for fault in faults_of(run)]
    if not said and run.scatter()[1] < _FEWEST:
        return unknown(_NAME, "too few repeats within the charge states to see a wrong row.")
    sentence = " ".join(said) or "every row is as likely as it is written as in any other way."
    return judged(_NAME, not said, len(said), sentence)


def _by_steps(run: Rows, page: _Page, ways: _Ways) -> tuple[float, _Mend]:
    """The likeliest way; where several rows could be wrong instead, by the steps that are left."""
    first: dict[int, tuple[float, _Mend]] = {}
    for log_odds, mend in ways:
        if log_odds > ways[0][0] - _AS_LIKELY:
            first.setdefault(mend.place, (log_odds, mend))
    rivals = list(first.values())[:_RIVALS]
    if len(rivals) == 1:
        return rivals[0]
    weights = []
    for log_odds, mend in rivals:
        with contextlib.suppress(InputError):
            fit = fit_run(_mended(run, page, mend, ""))
            weights.append((log_odds + fit.log_bayes_factor, (log_odds, mend)))
    return max(weights, key=lambda pair: pair[0])[1] if weights else rivals[0]


def _mended(run: R, page: _Page, mend: _Mend, sentence: str) -> R:
    table, at = run.table.copy(), page.index[mend.place]
    if mend.kind == "apart":
        table.loc[at, "changed"] = True
        table["apart"] = table.get("apart", False) | (table.index == at)
    elif mend.kind == "label":
        table.loc[at, "state"] = page.label(run, mend.group)
    else:
        whole = float(intervals_over(run, table.loc[[at]])[0])
        table.loc[at, "divisions"] = round(mend.value / whole, 9)
    return run._with(table=table, remarks=(*run.remarks, sentence))


def deviations_as_read(run: Rows) -> FloatArray:
    """Predicted deviations of driven rows and falls per interval, as read.

    Where they cannot be predicted all are alike, as the repeats scatter about their medians.
    """
    driven, falls = run.driven, run.falls
    try:
        return np.concatenate([predicted_as_read(run, rows).total for rows in (driven, falls)])
    except InputError:
        speed = driven.assign(x=per_interval(run, driven))
        speed = speed[speed["state"] != ""]
        off = (speed["x"] - speed.groupby(same_state(speed))["x"].transform("median")).abs()
        typical = 1.5 * float(off[off > 0].median()) if (off > 0).any() else 0.0
        rounding = float(np.max(run.rounding(driven), initial=0.0))
        return np.full(len(driven) + len(falls), max(typical, rounding) or 1.0)
