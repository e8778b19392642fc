"""Balance voltages alone: a sphere that stands still at the voltage V carries the charge w·d/V."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from functools import partial
from typing import Any, ClassVar, Literal

import numpy as np
import pandas as pd

from quantize._support import validation
from quantize._support.errors import InputError, explained, warn
from quantize._support.randomness import RngLike
from quantize._support.validation import FloatArray, Integers
from quantize.analysis import Analysis, analyze
from quantize.charge.agreement import Agreement
from quantize.charge.apparatus import ApparatusLike, load_apparatus
from quantize.charge.bench import fit_bench
from quantize.charge.budgets import Divisions, by_every_route, lacking
from quantize.charge.page import read_page
from quantize.charge.propagation import Propagation
from quantize.charge.quantity import Quantity, normal
from quantize.charge.routes import (
    JOINT,
    ROUTES,
    Route,
    Values,
    field,
    weight_from_diameter,
    weight_from_fall,
    weight_given,
)
from quantize.charge.tidy import of_particle
from quantize.null.verdict import NO_STEPS
from quantize.readings import Readings
from quantize.tables.origin import Origin, with_origin

PER_KILOVOLT = 1e3
_WIDEST = 0.1  # standard deviation of a setting over its voltage, above which no balance was found
_DEVIATIONS = 3.0  # standard deviations of a logarithm that a pooled scatter may be off
_MOST = 10.0  # factor either way beyond which a pooled scatter is never off


def _standing(weight: Callable[[Values], Any], x: Values) -> Any:
    """The unit in 1/V times weight times gap: coulombs."""
    return x["unit"] * weight(x) / field(x)


_OF_A_RUN = (
    "plates.voltage", "fall", "reticle.division", "run.interval", "watch.rate", "watch.bias"
)  # fmt: skip
_ONE_EACH = (("plates.voltage", 1.0), ("reticle.division", 1.0), ("run.interval", 1.0))
"""The unit is one of 1/V, and the speed of fall one in metres per second."""


def _way(name: str, weight: Callable[[Values], Any]) -> Route:
    """A route of a run to the weight, for a sphere that stands still."""
    run = ROUTES[name]
    fall = "fall.speed" if "run.interval" in run.needs else "fall"
    needs = [fall if name == "fall" else name for name in run.needs]
    optional = ("plates.tilt", "plates.meter", *run.optional[1:])
    return dataclasses.replace(
        run,
        needs=tuple(n for n in needs if n not in _OF_A_RUN),
        formula=partial(_standing, weight),
        optional=tuple(n for n in optional if n not in _OF_A_RUN),
        fixed=_ONE_EACH,
    )


_WAYS = {
    name: _way(name, weight)
    for name, weight in (
        ("ratio, weight given", weight_given),
        ("ratio, weight from diameter", weight_from_diameter),
        ("fall and rise, radius from the fall", weight_from_fall),
    )
}
"""Ways to the weight, under the names that routes of a run have."""


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class BalanceAnalysis(Analysis):
    """Result of `BalanceVoltages.analyze`: an `Analysis` of 1/V, in 1/kV, and these.

    Attributes
    ----------
    setting : str
        How well one setting of the voltage was taken to be known.
    coulombs : Propagation or None
        The unit in coulombs, with its budget.
    route : str or None
        How the weight is known.
    agreement : Agreement or None
        Whether several ways to the weight agree.
    missing : str or None
        Why there are no coulombs.
    balances : BalanceVoltages
        The voltages that were analyzed.
    """

    _private: ClassVar[tuple[str, ...]] = (*Analysis._private, "balances")

    setting: str
    coulombs: Propagation | None
    route: str | None
    agreement: Agreement | None
    missing: str | None
    balances: BalanceVoltages

    @property
    def conditional(self) -> bool:
        """Whether unit, whole numbers and coulombs hold only if there are steps at all."""
        return self.verdict != "steps"


class BalanceVoltages:
    r"""Voltages at which one sphere stood still, one or several in each charge state.

    Parameters
    ----------
    source : str, Path, pandas.DataFrame, mapping of columns or list of float
        A table has a column of voltages and, where a state was balanced several times, one of the
        states; particle, keep and reason are understood as on the page of a run. Each entry of a
        list is a state of its own.
    apparatus : Apparatus, str, path-like or mapping, optional
        The bench. ``setting`` under [plates] is the standard deviation of one balance voltage.
    particle : str, optional
        Label of the particle; needed where the table holds several.

    Attributes
    ----------
    volts : numpy.ndarray, shape (n,)
        The voltages that are kept, positive when the lower plate is.
    states : list of str or None
        The charge state of each.
    apparatus : Apparatus or None
        The bench.

    Raises
    ------
    InputError
        For missing voltages, voltages of zero, states of both signs, and several particles of
        which none is named.

    Notes
    -----
    :math:`n\,e = w d / V`, so that 1/V lies on a comb through zero with the unit
    :math:`e/(w d)`. One setting scatters by :math:`\sigma_V`, 1/V by :math:`\sigma_V/V^2`.

    Examples
    --------
    >>> page = BalanceVoltages([401.2, 300.6, 600.1, 240.5, 200.2, 301.0, 171.3])
    >>> page.readings(setting=1.5).values.round(2).tolist()
    [2.49, 3.33, 1.67, 4.16, 5.0, 3.32, 5.84]
    """

    def __init__(
        self, source: Any, apparatus: ApparatusLike | None = None, *, particle: object = None
    ) -> None:
        bench = None if apparatus is None else load_apparatus(apparatus)
        self.states: list[str] | None = None
        self.origin: Origin | None = None
        unused = ""
        if isinstance(source, list | tuple | np.ndarray):
            volts, self.source = validation.float_array("source", source), "the list given"
        else:
            page = read_page(source, "voltage")
            volts, self.states, label = of_particle(page, particle)
            self.source = page.source
            unused = "; ".join(said for said in page.remarks if said.endswith("is not used"))
            self.origin = Origin(
                file=self.source,
                columns=(page.headers["voltage"].text,),
                rows=volts.size,
                rows_in_file=len(page.numbers),
            )
            bench = bench if bench is None else bench.for_particle(label)
        if volts.size == 0 or np.any(volts == 0):
            raise InputError(
                f"`{self.source}` has {'no voltage' if volts.size == 0 else 'a voltage of zero'}; "
                f"write the voltages at which the sphere stood still{unused and f' ({unused})'}."
            )
        if unused:
            warn(f"{self.source} is read as a page of balance voltages: {unused}.")
        if bench is not None and bench.word("plates.positive_plate") == "upper":
            volts = -volts
        self.volts, self.apparatus = volts, bench
        codes, labels = validation.state_codes(self.states, volts.size)
        self._code = np.arange(volts.size) if codes is None else codes
        for code, state in enumerate(labels):
            if np.ptp(np.sign(volts[self._code == code])):
                raise InputError(
                    f"the state {state!r} has balance voltages of both signs; one charge is "
                    "balanced by one voltage, so mend the label or the sign."
                )

    def __len__(self) -> int:
        return int(self.volts.size)

    def __repr__(self) -> str:
        return f"<BalanceVoltages: {len(self)} settings of {np.unique(self._code).size} states>"

    def scatter(self) -> tuple[float, int]:
        """Standard deviation of the settings within their states, V, and its freedom."""
        degrees = len(self) - int(np.unique(self._code).size)
        rest = self.volts - self._means()[self._code]
        return (math.sqrt(float(rest @ rest) / degrees), degrees) if degrees else (0.0, 0)

    def _means(self) -> FloatArray:
        return np.bincount(self._code, self.volts) / np.bincount(self._code)

    def readings(
        self, *, setting: float | None = None, repeats: Literal["kept", "averaged"] = "kept"
    ) -> Readings:
        """Give the voltages as `Readings` of 1/V, in 1/kV.

        Parameters
        ----------
        setting : float, optional
            Standard deviation of one setting in volts; else as the apparatus states it, else as
            the repeats have it, else one volt, for a common factor to be found.
        repeats : {"kept", "averaged"}
            Whether each setting is a reading, or the mean voltage of each state is one.

        Returns
        -------
        Readings
            With a sigma each, that of the step in which the voltages are written included.
        """
        sigma: Any = self._setting(setting)[0]
        validation.choice("repeats", repeats, ("kept", "averaged"))
        mean = self._means()
        # The mean of a state, not the single setting: a weight that goes with the error biases.
        volts, about, states = self.volts, mean[self._code], self.states
        if repeats == "averaged":
            volts, about, sigma = mean, mean, sigma / np.sqrt(np.bincount(self._code))
            states = states and list(dict.fromkeys(states))
        readings = Readings(
            PER_KILOVOLT / volts,
            sigma=PER_KILOVOLT * sigma / about**2,
            state=states,
            unit_name="1/kV",
        )
        return with_origin(readings, self.origin)

    def _setting(self, given: float | None) -> tuple[float, tuple[float, float] | None, str]:
        """Volts of one setting, the range of a factor on them, and words."""
        stated = None if self.apparatus is None else self.apparatus.get("plates.setting")
        step = (Readings(self.volts).printed_resolution or 0.0) / math.sqrt(12)
        if given is not None or stated is not None:
            known = stated.value if given is None and stated else given
            volts = math.hypot(validation.positive("setting", known), step)
            return volts, None, f"{volts:.3g} V, as stated, the step of the display included"
        observed, degrees = self.scatter()
        if degrees and observed > 0:
            volts = max(observed, step)
            factor = min(math.exp(_DEVIATIONS / math.sqrt(2 * degrees)), _MOST)
            words = (
                f"{volts:.3g} V from the repeats ({degrees} degrees of freedom), believed within a "
                f"factor of {factor:.2g}"
            )
            return volts, (1 / factor, factor), words
        low = max(step, 1e-4 * float(np.abs(self.volts).min()))
        high = max(_WIDEST * float(np.abs(self.volts).max()), 10 * low)
        return 1.0, (low, high), f"unknown, between {low:.2g} and {high:.3g} V"

    @explained()
    def analyze(
        self,
        unit_range: tuple[float, float] | None = None,
        *,
        setting: float | None = None,
        repeats: Literal["kept", "averaged"] = "kept",
        integers: Integers = "any",
        alpha: float = 0.05,
        n_resamples: int = 9999,
        rng: RngLike = None,
    ) -> BalanceAnalysis:
        """Find verdict, unit in 1/kV, whole numbers and coulombs.

        Parameters
        ----------
        unit_range : (float, float), optional
            Smallest and largest unit tried, in 1/kV.
        setting : float, optional
            Standard deviation of one setting in volts; see `readings`.
        repeats : {"kept", "averaged"}
            See `readings`.
        integers : "any", "positive" or (int, int or None)
            Numbers of charges that are possible, as in `quantize.analyze`.
        alpha : float
            Share of false "steps" that is accepted; at least 1e-4.
        n_resamples : int
            Resamples for the smooth null; at least 1/alpha - 1.
        rng : int, SeedSequence or Generator, optional
            Seed or source of the random numbers.

        Returns
        -------
        BalanceAnalysis

        Raises
        ------
        InputError
            For fewer than three states, and for options out of range.
        """
        _, factor, words = self._setting(setting)
        found = analyze(
            self.readings(setting=setting, repeats=repeats),
            unit_range,
            sigma_range=factor,
            integers=integers,
            alpha=alpha,
            n_resamples=n_resamples,
            rng=rng,
        )
        unit = normal(found.unit / PER_KILOVOLT, found.unit_err / PER_KILOVOLT, "1/V", "reading")
        by_route, missing = self._in_coulombs(unit, steps=found.verdict != NO_STEPS)
        joint = fit_bench(by_route) if by_route else None
        return BalanceAnalysis(
            **found._fields(),
            setting=words,
            coulombs=joint.charge if joint else None,
            route=_route(by_route) if joint else None,
            agreement=joint.agreement if joint else None,
            missing=missing,
            balances=self,
        )

    def charges(self) -> pd.DataFrame:
        """Turn every voltage into a charge.

        Returns
        -------
        pandas.DataFrame
            Columns state, voltage, charge (C), random (its standard uncertainty from the setting
            alone, NaN where nothing is known of that) and shared (that of weight, gap and
            voltmeter, which moves all charges together).

        Raises
        ------
        InputError
            When the apparatus lacks the gap or a way to the weight.
        """
        by_route, missing = self._in_coulombs(Quantity(value=1.0, unit="1/V"), steps=True)
        if missing is not None:
            raise InputError(missing)
        one = (joint := fit_bench(by_route)).charge
        setting, factor, _ = self._setting(None)
        known = factor is None or self.scatter()[1] > 0
        charge = one.value / self.volts
        table = pd.DataFrame(
            {
                "state": self.states or [""] * len(self),
                "voltage": self.volts,
                "charge": charge,
                "random": np.abs(charge / self.volts) * setting if known else math.nan,
                "shared": np.abs(charge) * one.standard_uncertainty / one.value,
            }
        )
        table.attrs |= {"route": _route(by_route), "agreement": joint.agreement}
        return table

    def _in_coulombs(
        self, unit: Quantity, *, steps: bool
    ) -> tuple[dict[str, Propagation], str | None]:
        """A unit in 1/V as coulombs by every way to the weight; or why by none."""
        if not steps:
            return {}, "without steps there is no unit to convert."
        if self.apparatus is None:
            return {}, "no apparatus is given; weight and gap of the plates stand in it."
        if self.apparatus.has("air.drift"):
            return {}, "`air.drift` is stated; a field carries the weight alone in air at rest."
        divisions, simplest = Divisions(unit=unit), next(iter(_WAYS.values()))
        found = by_every_route(self.apparatus, divisions, _WAYS)
        return found, None if found else lacking(simplest, self.apparatus, divisions)


def _route(by_route: dict[str, Propagation]) -> str:
    return JOINT if len(by_route) > 1 else next(iter(by_route))
