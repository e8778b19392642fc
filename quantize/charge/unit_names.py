"""Names of units and what they measure.

The library ``pint`` is asked for single names only ("mm", "hPa"). How names are joined is read
here, because a general expression parser takes far too much for a unit.
"""

from __future__ import annotations

import dataclasses
import functools
import re
from collections import Counter
from typing import Any

from quantize._support.errors import InputError

Dimensions = tuple[tuple[str, float], ...]

_FACTOR = re.compile(r"([A-Za-zµμΩ°%]+)(?:\^?([+-]?\d))?$")
_SUPERSCRIPTS = str.maketrans({"²": "2", "³": "3", "⁻": "-", "¹": "1"})
_OWN_NAMES = {"%": "percent", "division": "div", "divisions": "div", "statC": "esu"}
_STATCOULOMB = 3.3356409519815204e-10  # coulombs, 1/(10 c) with c in m/s

# SI unit in which the library keeps each kind of quantity: (what it is, an example).
KINDS: dict[str, tuple[str, str]] = {
    "1": ("a plain number", "0.45"),
    "m": ("a length", "4.24 +/- 0.02 mm"),
    "s": ("a time", "10.0 +/- 0.1 s"),
    "V": ("a voltage", "227 +/- 1 V"),
    "N": ("a force", "5.15e-14 +/- 0.08e-14 N"),
    "m/s": ("a speed", "0.15 +/- 0.01 mm/s"),
    "kg/m3": ("a density", "1055 +/- 5 kg/m3"),
    "K": ("a temperature", "21.5 +/- 0.5 degC"),
    "Pa": ("a pressure", "1013 +/- 2 hPa"),
    "Pa s": ("a viscosity", "18.2 +/- 0.1 uPa s"),
    "m/s2": ("an acceleration", "9.81 m/s2"),
    "rad": ("an angle", "1.0 +/- 0.5 deg"),
    "div": ("a number of scale divisions", "55.2 +/- 0.4 div"),
    "div/s": ("divisions per second", "5.5 +/- 0.1 div/s"),
    "m/div": ("a length per division", "25.0 +/- 0.1 um/div"),
    "C": ("a charge", "9.6e-19 C"),
}


@dataclasses.dataclass(frozen=True)
class Unit:
    """A unit as a straight line onto SI: ``SI value = scale * value + zero``."""

    text: str
    scale: float
    zero: float
    dimensions: Dimensions


@functools.lru_cache(maxsize=1)
def _registry() -> Any:
    import pint

    registry: Any = pint.UnitRegistry(cache_folder=None)
    registry.define("scale_division = [scale_division] = div")
    return registry


@functools.lru_cache(maxsize=512)
def _single(name: str) -> Unit:
    """One bare name, as pint knows it."""
    if name in ("esu", "statC", "statcoulomb"):
        return dataclasses.replace(_single("C"), text=name, scale=_STATCOULOMB)
    registry = _registry()
    try:
        unit = registry.Unit(_OWN_NAMES.get(name, name))
    except Exception:
        raise InputError(
            f"the unit {name!r} is not known; write an SI unit or one of its usual fractions, "
            "such as mm, um, V, s, N, kg/m3, degC, hPa, cmHg, div."
        ) from None
    zero = float(registry.Quantity(0.0, unit).to_base_units().magnitude)
    scale = float(registry.Quantity(1.0, unit).to_base_units().magnitude) - zero
    if zero:
        scale = round(scale, 9)
    dimensions = tuple(
        sorted((str(d), float(p)) for d, p in unit.dimensionality.items() if float(p))
    )
    return Unit(name, scale, zero, dimensions)


@functools.lru_cache(maxsize=512)
def unit(text: str) -> Unit:
    """Read a unit such as ``mm``, ``kg/m3``, ``m/s^2``, ``uPa s``, ``um/div`` or ``1``.

    InputError for unknown names, powers of powers, brackets or anything else that is no plain unit.

    >>> unit("g/cm3").scale, unit("degC").zero
    (1000.0, 273.15)
    """
    cleaned = text.strip().translate(_SUPERSCRIPTS).replace("·", " ")
    if cleaned in ("", "1"):
        return Unit("1", 1.0, 0.0, ())
    if "*" in cleaned or "(" in cleaned:
        raise InputError(
            f"the unit {text!r} holds an operator or a bracket; write a plain unit, "
            "such as kg/m3 or m/s2."
        )
    scale, powers, zero, factors = 1.0, Counter[str](), 0.0, 0
    for position, group in enumerate(cleaned.split("/")):
        names = group.split()
        if not names and not (position == 0 and group == ""):
            raise InputError(f"the unit {text!r} has an empty part beside '/'.")
        for name in names:
            if name == "1" and position == 0:
                continue
            found = _FACTOR.match(name)
            if found is None:
                raise InputError(
                    f"the unit {text!r} cannot be read at {name!r}; write a plain unit, "
                    "such as mm, kg/m3 or degC."
                )
            single = _single(found.group(1))
            if not single.dimensions and cleaned != found.group(1):
                raise InputError(
                    f"the unit {text!r} joins {name!r}, a plain number, to another unit; write an "
                    "uncertainty as in '4.24 mm +/- 0.5 %'."
                )
            power = int(found.group(2) or 1) * (1 if position == 0 else -1)
            scale *= single.scale**power
            zero, factors = single.zero, factors + 1
            powers.update({d: exponent * power for d, exponent in single.dimensions})
    dimensions = tuple(sorted((d, p) for d, p in powers.items() if p))
    return Unit(text.strip(), float(f"{scale:.14g}"), zero if factors == 1 else 0.0, dimensions)


def same_kind(first: str, second: str) -> bool:
    """Whether two units measure the same kind of quantity."""
    return unit(first).dimensions == unit(second).dimensions


def kind_of(dimensions: Dimensions) -> str:
    """What a unit measures, in words."""
    for name, (words, _) in KINDS.items():
        if unit(name).dimensions == dimensions:
            return words
    return "a quantity of another kind"
