"""Checks of the run: each a number and a sentence."""

from __future__ import annotations

import dataclasses
import math
from collections import Counter
from typing import TYPE_CHECKING, Any, ClassVar

from quantize._support.errors import InputError
from quantize._support.results import Result
from quantize.charge.apparatus import Apparatus
from quantize.charge.propagation import propagate
from quantize.charge.quantity import Quantity

if TYPE_CHECKING:
    import pandas as pd

    from quantize.charge.rows import Rows as Run


@dataclasses.dataclass(frozen=True, kw_only=True)
class Check:
    """One check.

    Attributes
    ----------
    name : str
    level : {"good", "doubt", "bad", "unknown"}
    number : float
        The number on which it rests, named in the sentence; NaN when it could not be made.
    sentence : str
    """

    name: str
    level: str
    number: float
    sentence: str

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready dictionary."""
        plain = dataclasses.asdict(self)
        plain["number"] = None if math.isnan(self.number) else self.number
        return plain


def graded(name: str, p: float, number: float, sentence: str, *, cause: str = "") -> Check:
    """A check that rests on a probability: doubt below 1 in 100, bad below 1 in 10,000."""
    level = "good" if p >= 0.01 else "doubt" if p >= 1e-4 else "bad"
    tail = f"; {cause}." if cause and level != "good" else "."
    if level == "good":
        tail = ", as chance explains."
    return Check(name=name, level=level, number=float(number), sentence=sentence + tail)


def unknown(name: str, sentence: str) -> Check:
    """A check that could not be made, with what is missing."""
    return Check(name=name, level="unknown", number=math.nan, sentence=sentence)


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Checks(Result):
    """Result of `Run.checks`: one `Check` after the other.

    Attributes
    ----------
    checks : tuple of Check
    """

    _private: ClassVar[tuple[str, ...]] = ()

    checks: tuple[Check, ...]

    @property
    def table(self) -> pd.DataFrame:
        """Name, level, number and sentence."""
        import pandas as pd

        return pd.DataFrame([dataclasses.asdict(check) for check in self.checks])

    @property
    def sound(self) -> bool:
        """Whether none of the checks that could be made is bad."""
        return all(check.level != "bad" for check in self.checks)

    def of(self, name: str) -> Check:
        """The first check whose name begins with `name`."""
        for check in self.checks:
            if check.name.startswith(name):
                return check
        raise InputError(
            f"`name` is {name!r}; the checks are {', '.join(c.name for c in self.checks)}."
        )

    def _headline(self) -> str:
        counts = Counter(check.level for check in self.checks)
        return ", ".join(f"{counts[k]} {k}" for k in ("good", "doubt", "bad", "unknown"))

    def __str__(self) -> str:
        mark = {"good": "ok     ", "doubt": "DOUBT  ", "bad": "BAD    ", "unknown": "unknown"}
        return "\n".join(
            f"{mark[check.level]} {check.name}\n        {check.sentence}" for check in self.checks
        )


def check_run(run: Run, analysis: Any = None) -> Checks:
    """Every check that the run of one particle allows; see `Run.checks`.

    Parameters
    ----------
    run : Run
        Of one particle.
    analysis : Analysis, optional
        Of the same run, for the checks that need to know the unit.

    Returns
    -------
    Checks

    Examples
    --------
    >>> from quantize.charge import Run, check_run
    >>> run = Run({"V": [219, 219, 0], "div": [12, -9, -61], "t (s)": [10, 10, 10]})
    >>> len(check_run(run).checks) > 0
    True
    """
    from quantize.charge import checks_motion as motion
    from quantize.charge import checks_page as page
    from quantize.charge import checks_size as size
    from quantize.charge import checks_steps as steps
    from quantize.charge.agreement import agreement_of

    found: list[Check] = []
    sphere = None if run.apparatus is None else sphere_agreement(run.apparatus)
    if sphere is not None:
        found.append(sphere)
    signs = page.sign_slips(run)
    if signs[0].level == "bad":
        # Nothing that rests on the fall means anything until the signs are mended.
        return Checks(checks=(*found, *signs, *page.last_digits(run), *page.labels_sorted(run)))
    found += signs
    for check in (
        size.size_from_fall,
        size.plates_far_away,
        motion.proportionality,
        motion.forces,
        motion.fall_steadiness,
        motion.scatter_explained,
        motion.jumps,
        page.lost_off_the_scale,
        page.last_digits,
        page.labels_sorted,
        page.labels_against_log,
    ):
        found += check(run)
    for judged in (
        steps.distance_from_steps,
        page.ruler_or_nature,
        page.unit_drift,
        page.discarded,
    ):
        found += judged(run, analysis)
    agreement = agreement_of(run, analysis)
    if agreement is not None:
        found.append(agreement.check)
    return Checks(checks=tuple(found))


def sphere_agreement(apparatus: Apparatus) -> Check | None:
    """Whether weight, diameter and density, all given, agree with each other.

    None when they are not all given.
    """
    if not apparatus.has("sphere.weight", "sphere.diameter", "sphere.density"):
        return None
    from quantize.charge.routes import ROUTES, Divisions, gather, weight_from_diameter

    supplied = apparatus.need("sphere.weight")
    gathered = gather(
        ROUTES["ratio, weight from diameter"],
        apparatus.changed(plates__separation=1e-3, plates__voltage=1.0),
        Divisions(unit=Quantity(value=1.0, unit="div"), fall=Quantity(value=1.0, unit="div")),
    )
    wanted = {
        name: q for name, q in gathered.items() if name.startswith(("sphere.", "air.", "site."))
    }
    if not apparatus.weight_is_own:
        # Weight and diameter are then both those of the batch, whatever this sphere is.
        wanted.pop("sphere.diameter_spread", None)
    names = list(wanted)
    computed = propagate(
        lambda *values: weight_from_diameter(dict(zip(names, values, strict=True))),
        wanted,
        unit="N",
        correlations=apparatus.correlations,
    )
    ratio = supplied.value / computed.value
    spread = ratio * math.hypot(supplied.relative, computed.standard_uncertainty / computed.value)
    off = abs(ratio - 1)
    good = off <= max(2.5 * spread, 0.01)
    diameter = apparatus.need("sphere.diameter").value
    sentence = (
        f"the weight as supplied, {supplied.value:.3g} N, is {ratio:.3f} times the "
        f"{computed.value:.3g} N that follow from diameter and density"
    )
    if good:
        sentence += ", which agrees within the uncertainties."
    else:
        sentence += (
            f"; they differ by {100 * off:.0f} %, which goes straight into the charge, and a "
            f"diameter of {diameter * ratio ** (1 / 3) * 1e6:.3g} µm instead of "
            f"{diameter * 1e6:.3g} µm would reconcile them."
        )
    return Check(
        name="weight against diameter and density",
        level="good" if good else "doubt",
        number=ratio,
        sentence=sentence,
    )
