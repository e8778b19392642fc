"""Checks of the run: each a number and a sentence."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

from quantize.charge.apparatus import Apparatus
from quantize.charge.propagation import propagate
from quantize.charge.quantity import Quantity


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
    good = off <= max(2 * spread, 0.01)
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
