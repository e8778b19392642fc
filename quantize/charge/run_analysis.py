"""A run brought to a verdict, the unit, the balance charge and coulombs: one answer, one number."""

from __future__ import annotations

import dataclasses
import functools
from typing import Any, ClassVar, cast

import numpy as np

from quantize._support.errors import InputError, explained
from quantize._support.randomness import RngLike
from quantize._support.results import jsonable
from quantize._support.validation import FloatArray, Integers, Offset
from quantize.analysis import Analysis, analyze, with_limit
from quantize.charge.apparatus import Apparatus
from quantize.charge.checks import Checks
from quantize.charge.coulombs import UnitInCoulombs, unit_in_coulombs
from quantize.charge.estimate import RunFit, at_the_bound, fit_from, scatter_of_levels
from quantize.charge.fall import Balance
from quantize.charge.faults import believed, told
from quantize.charge.levels import Levels, along, levels_of, steadied, trend_of
from quantize.charge.rows import Rows
from quantize.charge.soundness import check_run
from quantize.charge.stated import counted, plus_minus
from quantize.comb.unit_range import UnitRange, unit_range_for
from quantize.model.mixture import at_hand, posterior_of
from quantize.null.exclusion import excluded_with
from quantize.null.verdict import CANNOT_TELL, NO_STEPS
from quantize.readings import Readings

_SURE = 0.95  # share of the best unit below which a sentence about it names the share
_WITH_CHANGE = (
    "Units are excluded so for every size of the fall, and every steady change of it, that the "
    "falls allow."
)
_WITHOUT_CHANGE = (
    "With the fall taken for steady these readings would have excluded steps; with the "
    "changes of it that the falls allow, they do not."
)
_FEWER_UNITS = (
    "With the fall taken for steady these readings would have excluded more units; with the "
    "changes of it that the falls allow, they exclude these."
)
_ALIKE = 1.05  # factor between two limits that count as one
_NOTHING = 8.0
"""Nats below the evidence without steps beyond which combs are left out, with a further 13 by the
search: a million of them together have a thousandth of that evidence."""
_AT_FIRST = 1.5
"""The same for a first look, which takes up to 0.12 from a log Bayes factor, on pages measured."""
_NEAR = 0.5  # nats from even odds within which the first look does not decide
_FAR = 2.576  # standard errors; a right whole number is farther off once in a hundred runs


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class RunAnalysis(Analysis):
    """Result of `Run.analyze`: an `Analysis` with the error of the fall in all that it says.

    Attributes
    ----------
    fit : RunFit
        The same posterior, with what it says about fall and balance.
    coulombs : UnitInCoulombs or None
        The unit in coulombs.
    missing : str or None
        Why there are no coulombs: what is missing from the apparatus, for one.
    run : Run
        The run of one particle that was analyzed.
    """

    _private: ClassVar[tuple[str, ...]] = (*Analysis._private, "fit", "run")

    fit: RunFit
    coulombs: UnitInCoulombs | None
    missing: str | None
    run: Rows

    @property
    def conditional(self) -> bool:
        """Whether unit, whole numbers and coulombs hold only if there are steps at all."""
        return self.verdict != "steps"

    def interval(self, prob: float = 0.95) -> FloatArray:
        """Give the highest-density set of the unit.

        Parameters
        ----------
        prob : float
            How much of the posterior it holds.

        Returns
        -------
        numpy.ndarray, shape (m, 2)
            Rows (low, high), that of the best unit first.
        """
        return self.fit.interval(prob)

    def by_route(self, route: str) -> RunAnalysis:
        """Give the same analysis with the coulombs by another route.

        Parameters
        ----------
        route : str
            Its name, one of `quantize.charge.routes.ROUTES`.

        Returns
        -------
        RunAnalysis
        """
        coulombs, missing = coulombs_or_why(
            self, self.run.apparatus, fit=self.fit, run=self.run, route=route
        )
        return self._with(coulombs=coulombs, missing=missing)

    @functools.cached_property
    def checks(self) -> Checks:
        """Whether the run was sound."""
        return check_run(self.run, self)

    @functools.cached_property
    def balance_sentence(self) -> str:
        """Whether the balance charge was a whole number of units too, and how that was computed."""
        balance, fit = self.fit.balance, self.fit
        if self.verdict == NO_STEPS:
            return "Not asked: without steps there is no unit to count the balance charge in."
        if balance is None or fit.fall_added is None:
            return (
                "It cannot be determined: the balance charge is the fall without field over the "
                f"unit, and no fall is known; {self.run.fall_wanted}."
            )
        fall = fit.fall or fit.fall_added
        fallen = f" ({plus_minus(fall.value, fall.standard_uncertainty)})"
        if fall != fit.fall_added:
            fallen = f", as falls and readings together give them{fallen},"
        computed = (
            f"Divisions fallen in one interval without field{fallen} over the unit "
            f"({plus_minus(self.unit, self.unit_err)}), the errors of both taken together: "
            f"{balance.sentence}"
        )
        answer = _answered(balance)
        share = float(self.alternatives["share"].iloc[0])
        if share < _SURE:
            computed += (
                f" This is for the best unit, which holds {100 * share:.0f} % of the probability."
            )
        if self.conditional:
            return f"If there were steps: {answer[0].lower()}{answer[1:]} {computed}"
        return f"{answer} {computed}"

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready dictionary with stable keys."""
        body = super().to_dict()
        if body["coulombs"] is not None:
            body["coulombs"]["conditional"] = self.conditional
        none = dict.fromkeys(("units", "standard_uncertainty", "integer", "probability"))
        balance = (jsonable(self.fit.balance) or none) | {"sentence": self.balance_sentence}
        return body | {"conditional": self.conditional, "balance": balance}


@explained()
def analyze_run(
    run: Rows,
    unit_range: tuple[float, float] | None = None,
    *,
    offset: str | float | None = None,
    sigma: str | float = "auto",
    integers: Integers = "any",
    resolution: float | None = None,
    mend: bool = True,
    alpha: float = 0.05,
    n_resamples: int = 9999,
    rng: RngLike = None,
) -> RunAnalysis:
    """Analyze the run of one particle, the error of its fall averaged over; see `Run.analyze`.

    `resolution` is the step to which the readings were rounded, if not as written.
    """
    run, faults = believed(run) if mend else (run, ())
    levels = levels_of(run)
    scatter, spread, words = scatter_of_levels(run, sigma, levels)
    given = levels.readings(run, **scatter)
    question = _Question(
        run=run,
        given=given if resolution is None else given.replace(resolution=resolution),
        scatter=words,
        offset=levels.offset if offset is None else offset,
        remarks=told(faults),
        options={
            "unit_range": unit_range,
            "sigma_range": spread,
            "integers": integers,
            "alpha": alpha,
            "n_resamples": n_resamples,
            "rng": rng,
        },
    )
    return question.answered(levels)


def with_run(found: Analysis, run: Rows) -> RunAnalysis:
    """An analysis of `Run.readings` made again with the error of the fall in it."""
    if isinstance(found, RunAnalysis):
        return found
    run = run.single()
    levels, given = levels_of(run), found.readings
    if len(given) != len(levels.values) or not np.allclose(given.values, levels.values):
        # The fall was not added to these.
        lever = np.ones(len(given))
        levels = Levels(rows=levels.rows, values=given.values, lever=lever, shift=None)
    settings, model = found.settings, found.settings["model"]
    question = _Question(
        run=run,
        given=given,
        scatter="as in the analysis",
        offset=settings["offset"],
        options={
            "unit_range": found.unit_range,
            "sigma_range": settings["sigma_range"] if model is None else None,
            "integers": settings["integers"] if model is None else "any",
            "model": None if model is None else found.mixture.model,
            "null": settings["null"],
            "alpha": found.alpha,
            "n_resamples": settings["n_resamples"],
            "rng": np.random.SeedSequence(
                found.seed["entropy"],
                spawn_key=tuple(found.seed["spawn_key"]),
                n_children_spawned=found.seed["children_spawned"],
            ),
        },
    )
    return question.answered(levels)


@dataclasses.dataclass(frozen=True, kw_only=True)
class _Question:
    """What is asked of a run, whatever is taken for its fall.

    `given` are the readings but for their values, which the fall has a part in.
    """

    run: Rows
    given: Readings
    scatter: str
    offset: str | float
    options: dict[str, Any]
    remarks: tuple[str, ...] = ()

    def answered(self, levels: Levels) -> RunAnalysis:
        """The answer, with the change of the fall in it where it matters."""
        if self.offset != "zero":
            # A comb that may start anywhere takes every shared error with it.
            levels = dataclasses.replace(levels, shift=None, drift=None, drift_lever=None)
        levels = steadied(self.run, levels)
        found = self._analysis(self._readings(levels))
        if found.no_unit_above is not None and levels.drift is None:
            return self._doubted(levels, found)
        return self._with_coulombs(levels, found)

    def _doubted(self, levels: Levels, found: Analysis) -> RunAnalysis:
        """Units are excluded only if they are with the change of the fall in it, too."""
        trend = trend_of(self.run)
        if trend is None or levels.shift is None:
            return self._with_coulombs(levels, _withheld(found, levels))
        line = along(levels, trend)
        readings, before = self._readings(line), found.no_unit_above
        assert before is not None
        limit = excluded_with(found.mixture, readings)
        opened = found.verdict == NO_STEPS and not (limit is not None and limit.decides)
        model, units = found.mixture.model, found.unit_range
        if self.options["unit_range"] is None and model.integers == "any":
            units = unit_range_for(readings)
        if opened or _steps_explain(found, readings, units):
            # Whether there are steps is open again, or a comb explains the readings better.
            floor = -np.inf if opened else found.mixture.log_evidence_continuum - _NOTHING
            with at_hand(posterior_of(model, readings, units, floor=floor)):
                levels, fewer = line, self._analysis(readings)
        elif limit is not None and limit.low <= _ALIKE * before:
            kept = found._with(reasons=(*found.reasons, _WITH_CHANGE))
            return self._with_coulombs(levels, kept)
        else:
            fewer = with_limit(found, limit)
        why = _WITHOUT_CHANGE if fewer.no_unit_above is None else _FEWER_UNITS
        changed = fewer._with(reasons=(*fewer.reasons, why))
        return self._with_coulombs(levels, changed)

    def _readings(self, levels: Levels) -> Readings:
        return self.given.replace(values=levels.values, shift=levels.shared)

    def _analysis(self, readings: Readings) -> Analysis:
        offset = self.offset if self.options.get("model") is None else "zero"
        return analyze(readings, offset=cast(Offset, offset), **self.options)

    def _with_coulombs(self, levels: Levels, found: Analysis) -> RunAnalysis:
        words = at_the_bound(found.mixture, self.options["sigma_range"], self.scatter)
        fit = fit_from(found.mixture, self.run, levels.shift, words)
        coulombs, missing = coulombs_or_why(found, self.run.apparatus, fit=fit, run=self.run)
        said = (*self.remarks, levels.remark) if levels.remark else self.remarks
        fields = found._fields() | {"reasons": (*found.reasons, *said)}
        fit = dataclasses.replace(fit, remarks=self.remarks)
        return RunAnalysis(**fields, fit=fit, coulombs=coulombs, missing=missing, run=self.run)


def coulombs_or_why(
    found: Analysis,
    apparatus: Apparatus | None,
    *,
    fit: RunFit | None = None,
    run: Rows | None = None,
    route: str | None = None,
) -> tuple[UnitInCoulombs | None, str | None]:
    """The unit in coulombs; or None, and why there is none."""
    if found.verdict == NO_STEPS:
        return None, "without steps there is no unit to convert."
    if apparatus is None:
        return None, "the run has no apparatus; read it with one, as in Run(table, apparatus)."
    try:
        return unit_in_coulombs(fit or found, apparatus, run=run, route=route), None
    except InputError as error:
        return None, str(error)


def _steps_explain(found: Analysis, line: Readings, units: UnitRange) -> bool:
    """Whether a comb explains readings with a changing fall better than sizes without steps.

    A reading within which the charge changed is at no tooth, and left out. A first look passes over
    more of the combs far below sizes without steps, which takes a little from the evidence; near
    even odds a second one decides.
    """
    steady, continuum = found.readings, found.mixture.log_evidence_continuum
    if not steady.measured.all():
        steady, line = steady.select(steady.measured), line.select(line.measured)
        continuum = posterior_of(found.mixture.model, steady, units).log_continuum
    for below in (_AT_FIRST, _NOTHING):
        some = posterior_of(found.mixture.model, line, units, floor=continuum - below)
        better = some.log_bayes_factor
        if not -_NEAR < better <= 0:
            break
    return better > 0


def _withheld(found: Analysis, levels: Levels) -> Analysis:
    """The verdict taken back, with the reason."""
    why = (
        "no fall without field is known"
        if levels.shift is None
        else "fewer than three falls without field are in the run"
    )
    unknown = f"{why}, so that a change of it in the course of the run is not known"
    if found.verdict != NO_STEPS:
        steady = f"Units are excluded so if the fall is steady: {unknown}."
        return found._with(reasons=(*found.reasons, steady))
    return found._with(
        verdict=CANNOT_TELL,
        no_unit_above=None,
        reasons=(
            "With the fall taken for steady, the readings would exclude every unit that "
            f"could have shown. But {unknown}, and such a change hides steps.",
        ),
        advice=("Read a fall without field in every charge state, three at least.",),
    )


def _answered(balance: Balance) -> str:
    if balance.integer is None:
        return "It cannot be determined."
    off = balance.units - balance.integer
    sigmas = abs(off) / max(balance.standard_uncertainty, 1e-12)
    held = counted(balance.integer, "unit")
    if sigmas < _FAR:
        return (
            f"It agrees with a whole number, {held}: {off:+.3f} from it, {sigmas:.1f} standard "
            "errors."
        )
    return (
        f"No: it is {off:+.3f} from {held}, the nearest whole number, {sigmas:.1f} standard errors."
    )
