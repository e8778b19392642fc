"""Cautions that belong to a bench; they defer to local rules and to those who are licensed."""

from __future__ import annotations

from typing import Any

from quantize.charge.apparatus import Apparatus, load_apparatus

TOUCH_LIMIT = 60.0  # V d.c., dry hands; lower when wet or for a.c. (IEC 61010-1; common practice)

DEFERENCE = (
    "These are reminders, not rules: local regulations, the makers' manuals, the institution's "
    "safety officer and licensed practice come first."
)
_VOLTAGE = (
    "At {volts:.0f} V on the plates: a covered or interlocked cell, shrouded leads, a "
    "current-limited supply with a bleed resistor, a polarity switch that breaks before it makes; "
    "discharge before opening, the supply's own capacitor above all, and never work alone "
    "(IEC 61010-1 names the limits for parts that can be touched; they are lower than 60 V when "
    "wet or with alternating current)."
)
_HAZARDS = {
    "x-ray": (
        "X-ray tube: registered equipment and a trained operator only, with shielding and "
        "interlock, and never unsupervised students (NCRP Report 157, 2007; ICRP on teaching)."
    ),
    "sealed source": (
        "Sealed source: an authorised site, an inventory, tongs, the shortest time and the "
        "greatest distance, hands washed, damage reported (NCRP Report 157, 2007)."
    ),
    "lamp": (
        "Bright lamp seen through a microscope: filter or dim it, take breaks against eye "
        "strain, or use a camera."
    ),
    "laser": (
        "Laser: no eye at the eyepiece with a laser in the path; use a camera (IEC 60825-1)."
    ),
    "uv": "UV lamp: shield eyes and skin, and carry off the ozone (IEC 62471).",
    "ioniser": (
        "Ioniser or piezo striker: shock and ozone; smoke detectors and gas mantles are never "
        "taken apart."
    ),
    "spray": (
        "Spray: ventilate, small puffs, goggles at a compressed-air atomiser, never near "
        "energised plates or hot lamps, and read the safety data sheet."
    ),
    "flammable": "Flammable carrier liquid: keep it away from high voltage and hot lamps.",
}


def cautions(apparatus: Any, *, largest_voltage: float | None = None) -> tuple[str, ...]:
    """Cautions that the setup calls for.

    Parameters
    ----------
    apparatus : Apparatus, mapping, file name or None
        What its ``[hazards]`` section lists, and its voltage.
    largest_voltage : float, optional
        In volts, where it is more than that of the apparatus.

    Returns
    -------
    tuple of str
        Empty when nothing calls for one; else the last sentence defers to local rules.

    Examples
    --------
    >>> from quantize import charge
    >>> for sentence in charge.cautions({"hazards": {"present": ["laser"]}}):
    ...     print(sentence)
    Laser: no eye at the eyepiece with a laser in the path; use a camera (IEC 60825-1).
    These are reminders, not rules: ...
    """
    bench = Apparatus.of({}) if apparatus is None else load_apparatus(apparatus)
    given = bench.get("plates.voltage")
    volts = max(abs(given.value) if given else 0.0, abs(largest_voltage or 0.0))
    found = [_VOLTAGE.format(volts=volts)] if volts > TOUCH_LIMIT else []
    found += [_HAZARDS[hazard] for hazard in bench.hazards]
    return (*found, DEFERENCE) if found else ()
