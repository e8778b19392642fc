"""Evidence under optional stopping: it may be read after every reading; no verdict rests on it."""

from __future__ import annotations

import dataclasses
from collections.abc import Hashable, Iterator, Sequence
from typing import Any, ClassVar

import numpy as np
from numpy.typing import ArrayLike

from quantize._support import validation
from quantize._support.errors import InputError, InputTypeError
from quantize._support.results import Result
from quantize._support.validation import FloatArray
from quantize.comb.unit_range import UnitRange
from quantize.model.model import window_of
from quantize.null.envelopes import log_normal
from quantize.null.running_comb import SPREADS, PredictiveComb
from quantize.null.running_levels import LevelsAnywhere
from quantize.null.running_nulls import log_fixed_envelopes
from quantize.null.running_sums import SumsOfTwoUnits
from quantize.readings import Readings, as_readings

_SIGMAS = 10
"""Sigmas of the nulls with levels that are averaged over."""


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class RunningResult(Result):
    """The evidence after each reading.

    Attributes
    ----------
    log_evidence : array, shape (n,)
        Log of the comb's evidence over the largest null evidence, after each reading (NaN where
        it was not computed).
    log_evidences : dict of arrays
        The same over each null by itself; infinite while it has no density, which limits nothing.
        Over levels that are less likely than another null by more than exp(35) it is at least this.
    unit : float
        Most probable unit at the end.
    unit_range : UnitRange
    window : tuple of float
    alpha : float
    crossed_at : int or None
        Readings needed for the evidence to pass 1/alpha.
    """

    schema_version: ClassVar[int] = 2

    log_evidence: FloatArray
    log_evidences: dict[str, FloatArray]
    unit: float
    unit_range: UnitRange
    window: tuple[float, float]
    alpha: float
    crossed_at: int | None

    def _headline(self) -> str:
        crossed = "never" if self.crossed_at is None else f"after {self.crossed_at} readings"
        looks = np.flatnonzero(~np.isnan(self.log_evidence))
        if not looks.size:
            return f"no look at the evidence of {self.log_evidence.size} readings"
        last = int(looks[-1])
        return (
            f"log evidence {self.log_evidence[last]:.2f} after {last + 1} readings, "
            f"above 1/{self.alpha:g} {crossed}"
        )


class RunningEvidence:
    r"""An e-process for steps: fixed beforehand, updated reading by reading, stopped at will.

    Parameters
    ----------
    unit_range : (float, float)
        Smallest and largest unit of the comb, in the unit of the readings.
    window : (float, float)
        Interval that will hold every reading, whatever comes. It is fixed before the first one
        and never the range of the data.
    sigma_range : (float, float), optional
        Support of the common sigma in the nulls; by default 0.04 times the smallest unit to 0.28
        times the largest, as the comb's spreads.
    offset : float
        Known offset of the comb, in the unit of the readings; it is subtracted from every one.

    Raises
    ------
    InputError
        When no comb of three teeth fits in the window, or a pair is no pair of numbers.

    Notes
    -----
    The comb predicts the next reading, given those before, by

    .. math:: p(x) = \sum_k \frac{a + m_k}{T a + t}\, N(x; k u, s u),

    m_k the earlier readings nearest to tooth k and T the teeth in the window; this is averaged
    over u, s and a, and over combs with teeth on one side of the offset alone. Whatever rule makes
    the predictions, their product is a density, so its ratio to a null density is a martingale
    that starts at one when the null holds, and the chance that it ever passes 1/alpha is at most
    alpha. Dividing by the *largest* of several null evidences keeps that for each of them. It is
    exact for the uniform, the histogram and the heaped nulls (a histogram of which at most half
    sits on narrow heaps), on average over the prior of each. For levels anywhere, in the window or
    on one side of the offset, the null evidence leaves out groups that interleave, and for sums of
    two units, i·a + j·b with i and j from 0 to 2, it gives the weight of unlikely assignments to
    the 64 likeliest: there it holds up to that (see the measured table in the documentation). Above
    100 readings the sum over the cuts of levels is one over the cuts of cells of at most sigma/4,
    each edge weighted by the cuts it stands for. Sums with i or j below zero are not among the
    nulls; many simulated ones pass 20 within 200 readings: `analyze` decides there.

    References
    ----------
    Grünwald, de Heide and Koolen, JRSS B 86:1091 (2024); Ville's inequality: Ramdas et al.,
    Statistical Science 38:576 (2023), section 2.

    Examples
    --------
    >>> evidence = RunningEvidence((0.4, 2.5), (-6.0, 6.0))
    >>> for x in [1.02, -2.03, 0.01, 3.05, -1.02, 1.95, -2.96, 3.99, 1.02, 2.04]:
    ...     log_evidence = evidence.update(x)
    >>> bool(log_evidence > np.log(20))
    True
    >>> evidence.result()
    <RunningResult: log evidence ... after 10 readings, above 1/0.05 after ... readings>
    """

    def __init__(
        self,
        unit_range: tuple[float, float] | UnitRange,
        window: tuple[float, float],
        *,
        sigma_range: tuple[float, float] | None = None,
        offset: float = 0.0,
    ) -> None:
        self.unit_range = UnitRange.given(unit_range)
        low, high = self.unit_range
        self.offset = validation.number("offset", offset)
        self.window = window_of(window)
        start, stop = (end - self.offset for end in self.window)
        top = min(high, 0.5 * (stop - start))
        if top <= low:
            raise InputError(
                f"`unit_range` starts at {low:g}, above half the window ({top:g}); no comb of "
                "three teeth fits, so widen `window` or lower `unit_range`."
            )
        sigma_range = validation.sigma_range(sigma_range)
        if sigma_range is None:
            sigma_range = (SPREADS[0] * low, SPREADS[-1] * top)
        sigma = np.geomspace(*sigma_range, _SIGMAS)
        self._bounds = (start, stop)
        self._comb = PredictiveComb(low, top, self._bounds)
        self._levels = LevelsAnywhere(sigma, self._comb.sides)
        self._sums = SumsOfTwoUnits(sigma, max(abs(start), abs(stop)))
        self._values: list[float] = []
        self._states: set[Any] = set()
        self.log_evidence: list[float] = []
        self.log_evidences: list[dict[str, float]] = []

    def update(self, value: float, *, state: Hashable = None, look: bool = True) -> float:
        """Take one reading; returns the log evidence (NaN when `look` is False).

        Parameters
        ----------
        value : float
            The reading, inside the window.
        state : hashable, optional
            Charge state of the reading. Only the first reading of a state is a new level; the
            others leave the evidence as it is.
        look : bool
            Whether to work the evidence out now; `passes` does it later where it is wanted.

        Returns
        -------
        float
            Natural log of the comb's evidence over the largest null evidence.

        Raises
        ------
        InputError
            For a value outside the window, or a blank state; the evidence so far stays as it is.
        """
        x = validation.number("value", value)
        if not self.window[0] <= x <= self.window[1]:
            raise InputError(
                f"`value` is {x:g}, outside the window {self.window} that was fixed before the "
                "first reading; the evidence so far cannot go on. Start anew with a wider window."
            )
        if not isinstance(state, Hashable) or (state is not None and validation.is_blank(state)):
            raise InputTypeError(f"`state` is {state!r}; give a word or a number, or leave it out.")
        seen = state is not None and state in self._states
        if not seen:
            self._comb.update(x - self.offset)
            self._values.append(x - self.offset)
            if state is not None:
                self._states.add(state)
        ratios: dict[str, float] = {}
        if look and seen and self.log_evidence and np.isfinite(self.log_evidence[-1]):
            ratios = self.log_evidences[-1]
        elif look:
            comb = self._comb.log_evidence()
            nulls = [null for part in self._nulls() for null in part.items()]
            ratios = {name: comb - null for name, null in nulls if np.isfinite(null)}
        self.log_evidence.append(min(ratios.values(), default=float("nan")))
        self.log_evidences.append(ratios)
        return self.log_evidence[-1]

    def passes(self, alpha: float) -> bool:
        """Whether the evidence stands above 1/alpha now.

        The nulls with levels, which take long, are computed only where the others do not settle it.

        Parameters
        ----------
        alpha : float
            Chance, at most, that the evidence ever passes under a null; between 0 and 1.

        Returns
        -------
        bool
            False before the first reading.
        """
        alpha = validation.fraction("alpha", alpha)
        if not self._values:
            return False
        least = self._comb.log_evidence() + float(np.log(alpha))
        return all(max(part.values()) <= least for part in self._nulls())

    def read(
        self, readings: Readings | ArrayLike, *, looks: Sequence[int] | None = None
    ) -> RunningEvidence:
        """Take many readings in the order in which they were taken.

        Parameters
        ----------
        readings : Readings or array_like, shape (n,)
            Of each charge state, known by its label, the first counts; no sigmas are used.
        looks : sequence of int, optional
            Numbers of these readings at which to look; after every one by default.

        Returns
        -------
        RunningEvidence
            Itself.

        Raises
        ------
        InputError
            When a reading lies outside the window; those before it are taken.
        """
        data = as_readings(readings, least=1)
        codes = [] if data.state is None else data.state.tolist()
        states = [data.state_labels[code] for code in codes] or [None] * len(data)
        wanted = _looks(looks, len(data))
        for number, (value, state) in enumerate(zip(data.values, states, strict=True), start=1):
            self.update(float(value), state=state, look=wanted is None or number in wanted)
        return self

    def result(self, *, alpha: float = 0.05) -> RunningResult:
        """The path of the evidence so far, which can be drawn and kept.

        Parameters
        ----------
        alpha : float
            Chance, at most, that the evidence ever passes 1/alpha under a null.

        Returns
        -------
        RunningResult
            The evidence after each reading, over each null, and where it first passed 1/alpha.

        Raises
        ------
        InputError
            Before the first reading.
        """
        alpha = validation.fraction("alpha", alpha)
        if not self.log_evidence:
            raise InputError("`result` has no reading yet; `update` or `read` some first.")
        path = np.array(self.log_evidence)
        # Some nulls have no density for the first readings; they are among the names all the same.
        names = dict.fromkeys(name for look in self.log_evidences for name in look)
        above = np.flatnonzero(path >= -np.log(alpha))
        return RunningResult(
            log_evidence=path,
            log_evidences={
                name: np.array([r.get(name, np.inf) if r else np.nan for r in self.log_evidences])
                for name in names
            },
            unit=self.best_unit(),
            unit_range=self.unit_range,
            window=self.window,
            alpha=alpha,
            crossed_at=int(above[0]) + 1 if above.size else None,
        )

    def __repr__(self) -> str:
        said = f"log evidence {self.log_evidence[-1]:.2f} after " if self.log_evidence else ""
        return f"<RunningEvidence: {said}{len(self.log_evidence)} readings>"

    def best_unit(self) -> float:
        """The most probable unit so far."""
        return self._comb.best_unit()

    def _nulls(self) -> Iterator[dict[str, float]]:
        """Log evidences of the nulls: those that take long come last."""
        length, values = self._bounds[1] - self._bounds[0], np.array(self._values)
        quick = {
            "continuous: uniform": -values.size * float(np.log(length)),
            "continuous: normal": log_normal(values, length),
            **log_fixed_envelopes(values, self._bounds),
            **self._comb.log_nulls(),
        }
        yield quick
        sums = self._sums.log_evidences(self._values)
        yield sums
        yield self._level_nulls(max(*quick.values(), *sums.values()))

    def _level_nulls(self, largest: float) -> dict[str, float]:
        """Levels anywhere in the window: sums over the cuts of the sorted readings."""
        return self._levels.log_evidences(np.sort(np.array(self._values)), largest)


def _looks(looks: Sequence[int] | None, n: int) -> set[int] | None:
    if looks is None:
        return None
    if np.ndim(looks) != 1:
        raise InputTypeError(f"`looks` is {looks!r}; give numbers of readings, such as [10, 20].")
    wanted = {validation.count("looks", look) for look in looks}
    if not any(look <= n for look in wanted):
        raise InputError(f"`looks` is {sorted(wanted)}; none of them is among the {n} readings.")
    return wanted
