"""Cases of the charge formulas whose answers are kept; see `kept`."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pint
import uncertainties
from kept import Cases

import quantize as qz
from quantize import charge
from quantize.charge import Air, Apparatus, Plates, Quantity, Reticle, Run, SlipCorrection, Sphere
from quantize.charge import air, budgets, conversion, drag, fall, noise, plates, routes, rows
from quantize.charge.reticle import written_step

DATA = Path(qz.__file__).parent / "data"
KELVIN = np.array([288.15, 293.15, 296.15, 300.0])
PASCAL = np.array([101325.0, 98000.0, 60000.0, 110000.0])
HUMID = np.array([0.0, 0.3, 0.5, 1.0])
SIZES = np.array([0.1e-6, 0.7e-6, 2.1e-6, 20e-6])
ROUTES = (None, *routes.ROUTES, routes.JOINT)

BENCH: dict[str, dict[str, Any]] = {
    "plates": {"separation": "4.24 +/- 0.015 mm", "voltage": "227.4 +/- 0.6 V"},
    "sphere": {
        "weight": "5.15(8)e-14 N",
        "weight_of": "this sphere",
        "diameter": "2.10 +/- 0.02 um (n=5)",
        "diameter_spread": "0.03 um",
        "density": "1055 +/- 5 kg/m3 limit",
    },
    "reticle": {"division": "24.93 +/- 0.05 um", "length": "90 div", "rounding": "both ends"},
    "watch": {"press": "0.06 s"},
    "air": {"temperature": "21.8 +/- 0.5 degC limit", "pressure": "1009 +/- 3 hPa limit"},
    "run": {"timing": "fixed time", "interval": "10.0 s"},
}
OTHERWISE: dict[str, dict[str, dict[str, Any]]] = {
    "as it is": {},
    "weight of the batch": {"sphere": {"weight_of": "the batch"}},
    "buoyancy not off": {"sphere": {"buoyancy": "not off"}, "air": {"humidity": "45 +/- 5 %"}},
    "tilt, meter, watch": {
        "plates": {"tilt": "2 +/- 1 deg", "meter": "1.01 +/- 0.005"},
        "watch": {"rate": "0.99 +/- 0.002", "bias": "0.1 +/- 0.05 s", "press": "0.1 s"},
    },
    "drift": {"air": {"drift": "5 +/- 3 um/s", "humidity": "80 %"}},
    "viscosity, gravity": {
        "air": {"viscosity": "1.81e-5 +/- 0.01e-5 Pa s", "slip": "Davies 1945"},
        "site": {"gravity": "9.812 m/s2"},
    },
    "on request": {
        "air": {"humidity": "45 +/- 5 %", "viscosity_of": "moist air", "slip": "Millikan 1923"},
        "budget": {"slip": "choice of triple", "walls": "corrected", "image": "budgeted"},
    },
    "negative voltage": {"plates": {"voltage": "-227.4 +/- 0.6 V"}},
    "no weight": {"sphere": {"weight": None, "weight_of": None}},
    "no diameter": {"sphere": {"diameter": None, "diameter_spread": None}},
    "no density": {"sphere": {"density": None}},
    "no air": {"air": {"temperature": None, "pressure": None}},
    "fall of its own": {"fall": {"divisions": "60.8 +/- 0.2 div (n=4)"}},
    "speed of fall": {"fall": {"speed": "0.151 +/- 0.001 mm/s"}},
    "one end": {"reticle": {"rounding": "one end", "step": "0.5 div"}, "sphere": {"weight": None}},
}


def bench(name: str = "as it is", **more: Any) -> Apparatus:
    """The bench of that name."""
    other = OTHERWISE[name]
    tables = {}
    for section in {**BENCH, **other, **more}:
        table = BENCH.get(section, {}) | other.get(section, {}) | more.get(section, {})
        tables[section] = {key: value for key, value in table.items() if value is not None}
    return Apparatus.of(tables)


def page(seed: int, *, falls: bool = True, states: bool = True, second: bool = False) -> Any:
    """A sheet in four charge states, one with two voltages."""
    rng = np.random.default_rng([81, seed])
    out: list[tuple[Any, ...]] = []
    for label, size in zip("abcd", (6, 3, 8, 5), strict=True):
        for volts in (227.4, 227.4, 227.4, 341.1 if size == 8 else 227.4):
            x = size * 10.2 * volts / 227.4 - 61 + rng.normal(0, 0.7)
            out.append((label, volts, round(x), 10 if volts < 300 else 8))
            out[-1] = (label, volts, round(x * out[-1][3] / 10), out[-1][3])
        if falls:
            out.append((label, 0.0, round(-61 + 0.02 * size + rng.normal(0, 0.7)), 10))
    sheet = pd.DataFrame(out, columns=["state", "V", "div", "t (s)"])
    if not states:
        sheet["state"] = ""
    if second:
        other = sheet.assign(particle="Q", div=np.rint(sheet["div"] * 0.9))
        sheet = pd.concat([sheet.assign(particle="P"), other], ignore_index=True)
    return sheet


def passages(seed: int) -> Any:
    """A sheet of times over a fixed distance of 20 divisions."""
    rng = np.random.default_rng([82, seed])
    sheet = []
    for label, size in zip("abcd", (7, 9, 4, 11), strict=True):
        for volts in (227.4, 227.4, 227.4, 0.0, 0.0):
            speed = (size * 1.02 if volts else 0.0) - 6.1
            seconds = 20 / abs(speed) * (1 + 0.01 * rng.normal())
            sheet.append((label, volts, float(np.sign(speed)) * 20, round(seconds, 2)))
    return pd.DataFrame(sheet, columns=["state", "V", "div", "t (s)"])


RUNS: dict[str, Callable[[Any], Run]] = {
    "plain": lambda b: Run(page(1), b),
    "without falls": lambda b: Run(page(2, falls=False), b),
    "without states": lambda b: Run(page(3, states=False), b),
    "one fall": lambda b: Run(page(4).iloc[:6], b),
    "two falls": lambda b: Run(page(5).iloc[:12], b),
    "two particles": lambda b: Run(page(6, second=True), b),
    "fixed distance": lambda b: Run(passages(7), b),
}
GATE = {"run": {"timing": "fixed distance", "interval": None}}
GATED = {"run": GATE["run"] | {"distance": "0.4986 +/- 0.002 mm"}, "reticle": {"division": None}}
SEEN_BY_ROWS = ("as it is", "none", "off", "one end", "tilt, meter, watch", "fall of its own")
OFF = {"run": {"residual_voltage": "taken off"}}


def run(name: str, of: str = "as it is", **_: Any) -> Run:
    """A run on a bench."""
    if of == "none":
        return RUNS[name](None)
    more = {"gated": GATED, "gate": GATE, "off": OFF}.get(of)
    if more is None and name == "fixed distance":
        more = GATE
    return RUNS[name](bench(of) if of in OTHERWISE and more is None else bench(**(more or {})))


def _formulas() -> Cases:
    a: Cases = {
        "air": lambda: [
            air.viscosity(KELVIN),
            air.mean_free_path(KELVIN, PASCAL),
            air.mean_free_path(KELVIN, PASCAL, at_room=94e-9),
            air.vapour_share(KELVIN, PASCAL, HUMID),
            air.vapour_viscosity(KELVIN),
            air.density(KELVIN, PASCAL, HUMID),
            [air.moistening(KELVIN, PASCAL, HUMID, b) for b in (-1.0, -0.3, 1.0)],
            air.moistening(KELVIN, PASCAL, HUMID),
        ],
        "air of the cell": lambda: [
            Air(),
            Air(temperature=290, pressure=9e4, humidity=0.0),
            Air(temperature="18 degC", humidity="100 %"),
        ],
        "drag": lambda: [
            drag.triples_apart(0.8e-6, 290.0, 9e4),
            drag.mobility(SIZES, 1.8e-5, 1.1),
            drag.effective_weight(SIZES, 1050.0, 9.8),
            drag.settling_speed(SIZES, 1050.0, 9.8, 1.8e-5, 1.1),
            drag.diffusion(SIZES, KELVIN),
            drag.relaxation_time(SIZES, 1050.0, 3e9),
            drag.reynolds(SIZES, -3e-4, 1.8e-5, 1.2),
        ],
        "own triple": lambda: SlipCorrection("mine", (1.2, 0.4, 0.9), 66e-9).factor(SIZES),
        "slowing": lambda: [plates.slowing(SIZES, 4e-3), plates.image_pull(3e-18, 4e-3)],
        "scatter at fixed time": lambda: noise.at_fixed_time(
            [3.0, -2.0], [10.0, 4.0], diffusion=0.2, press=0.1, rounding=[0.4, 0.3]
        ),
        "scatter times two": lambda: noise.at_fixed_time([3.0], [10.0], press=0.1).times([2.0]),
        "scatter at fixed distance": lambda: noise.over_fixed_distance(
            [2.0, -3.0], [8.0, 5.0], diffusion=0.04, press=0.2, rounding=0.01
        ),
        "excess": lambda: noise.first_passage_excess([8.0, -5.0], 0.04),
    }
    for name in drag.TRIPLES:
        a[f"slip {name}"] = lambda name=name: _slip(SlipCorrection(name))
    for temperature, pressure in ((293.15, 101325.0), (288.0, 7e4)):
        a[f"spheres {temperature}"] = lambda t=temperature, p=pressure: _spheres(t, p)
    a["plates"] = lambda: [
        _plates(Plates(separation="4.24 +/- 0.02 mm")),
        _plates(Plates(separation=3e-3, positive_plate="upper", tilt="3 deg")),
    ]
    a["reticle"] = lambda: [
        _reticle(Reticle(division="25.0 +/- 0.1 um")),
        _reticle(Reticle(division=20e-6, length=90, step=0.5, rounding="one end")),
    ]
    a["written step"] = lambda: [
        written_step(np.array(x))
        for x in (
            [7.5, 12.0, 3.5, 8.0, 10.5, 4.0],
            [7.4, 12.0],
            [0.25, 1.5, 2.75, 3.25, 4.0, 7.75],
            [0.2, 1.4, 2.6, 3.8, 4.0, 7.2],
            [0.2, 1.4, 2.6],
            [1.0, 2.0, 7.0],
            [0.1234567, 0.7654321],
        )
    ]
    return a


def _slip(slip: SlipCorrection) -> Any:
    at = (SIZES, KELVIN, PASCAL)
    fallen = drag.settling_speed(SIZES, 1050.0, 9.8, 1.8e-5, slip.factor(*at))
    found = drag.diameter_from_fall(
        fallen * 1.1,
        density_difference=1050.0,
        gravity=9.8,
        viscosity=1.8e-5,
        slip=slip,
        temperature=KELVIN,
        pressure=PASCAL,
    )
    room = [slip.free_path(), slip.factor(SIZES), slip.steepness(SIZES)]
    return [slip, *room, slip.free_path(*at[1:]), slip.factor(*at), slip.steepness(*at), found]


def _spheres(temperature: float, pressure: float) -> Any:
    inside = Air(temperature=temperature, pressure=pressure, humidity=0.2)
    out = []
    for sphere in (
        Sphere(diameter="2.10 +/- 0.02 um", density="1055 kg/m3", diameter_spread="0.03 um"),
        Sphere(diameter=0.9e-6, density=886, gravity=9.79, slip=SlipCorrection("Davies 1945")),
        Sphere(diameter=2e-6, density=1000, weight=4.1e-14),
        Sphere(diameter=2e-6, density=1000, weight=6e-14),
        Sphere(diameter=90e-6, density=1000),
        Sphere.from_fall("0.15 +/- 0.001 mm/s", inside, density="1055 +/- 5 kg/m3"),
        Sphere.from_fall(3e-5, inside, density=900, gravity=9.7, slip=SlipCorrection("none")),
    ):
        methods = ("slip_factor", "mobility", "effective_weight", "fall_speed", "diffusion")
        methods += ("relaxation_time", "knudsen")
        got = {name: getattr(sphere, name)(inside) for name in methods}
        out.append([sphere, got, sphere.reynolds(inside, -2e-3)])
    return out


def _plates(both: Plates) -> Any:
    return [
        both,
        both.field("227 V"),
        both.field(-20.0),
        both.sideways(-227.0),
        both.balance_voltage(5e-14, -9e-19),
    ]


def _reticle(scale: Reticle) -> Any:
    t, y = np.array([0.0, 1.0, 2.5, 4.0, 5.0]), np.array([1.0, 2.2, 3.9, 6.1, 7.0])
    return [
        scale,
        scale.to_length(3),
        scale.to_length([3, -4.5]),
        scale.fixed_time(-7, 4.0),
        scale.fixed_time(7, 4.0, diffusion=3e-11, press=0.2),
        scale.fixed_distance(-7, [4.0, 4.4], diffusion=3e-11, press=0.2),
        scale.fixed_distance(7, 3.0, diffusion=1e-11),
        scale.track(t + 3, y, diffusion=1e-11),
        scale.track(t, y, diffusion=0.0, localisation=0.1),
    ]


def _refused() -> Cases:
    """What each argument may not be, and what it may just be."""
    scale, both, cell = Reticle(division="25 um"), Plates(separation="4 mm"), Air()
    size: dict[str, Any] = {"diameter": "2 um", "density": 1000}
    t, of = [0.0, 1.0, 2.0], {"diffusion": 1e-11}
    light = Sphere(diameter="2 um", density=1.0)
    q = {"value": 1.0, "unit": "m"}
    of_one = {"a": Quantity(value=2.0, standard_uncertainty=0.1)}
    one = lambda: charge.propagate(lambda a: 2 * a, of_one)  # noqa: E731
    calls: Cases = {
        "temperature": lambda: Air(temperature=233.14), "hot": lambda: Air(temperature=373.16),
        "thin": lambda: Air(pressure=999.0), "thick": lambda: Air(pressure=300001.0),
        "wet": lambda: Air(humidity=1.01), "dry": lambda: Air(humidity=-0.01),
        "air in words": lambda: Air(humidity="wet"), "volts of air": lambda: Air(pressure="2 V"),
        "division": lambda: Reticle(division=0.0), "division of words": lambda: Reticle(division="x"),
        "step": lambda: Reticle(division=1e-5, step=0), "long": lambda: Reticle(division=1e-5, length=0),
        "ends": lambda: Reticle(division=1e-5, rounding="none"),
        "divisions": lambda: scale.to_length("a"), "many divisions": lambda: scale.to_length(["a"]),
        "way": lambda: scale.fixed_time("a", 1.0), "time": lambda: scale.fixed_time(1.0, 0.0),
        "walk": lambda: scale.fixed_time(1, 1, diffusion=-1), "hand": lambda: scale.fixed_time(1, 1, press=-1),
        "passage": lambda: scale.fixed_distance("a", [1.0]), "none": lambda: scale.fixed_distance(0, [1.0]),
        "times": lambda: scale.fixed_distance(1, [1.0, 0.0]), "words": lambda: scale.fixed_distance(1, ["a"]),
        "passage walk": lambda: scale.fixed_distance(1, [1.0], diffusion=-1),
        "passage hand": lambda: scale.fixed_distance(1, [1.0], press=-1),
        "one position": lambda: scale.track([0.0], [1.0], **of),
        "unequal": lambda: scale.track(t, [1.0, 2.0], **of),
        "times of words": lambda: scale.track(["a", "b"], [1.0, 2.0], **of),
        "standing": lambda: scale.track([0.0, 1.0, 1.0], t, **of),
        "two positions": lambda: scale.track([1.0, 3.0], [1.0, 2.0], **of),
        "gap": lambda: Plates(separation=0), "gap of words": lambda: Plates(separation="x"),
        "plate": lambda: Plates(separation=1e-3, positive_plate="left"),
        "tilt": lambda: Plates(separation=1e-3, tilt="45.01 deg"),
        "tilt in words": lambda: Plates(separation=1e-3, tilt="5 V"),
        "tilted": lambda: [Plates(separation=1e-3, tilt=f"{d} deg").sideways(10) for d in (45, -44.9)],
        "volts": lambda: both.field("3 m"), "sideways volts": lambda: both.sideways("3 m"),
        "no weight": lambda: both.balance_voltage(0.0, 1e-18), "no charge": lambda: both.balance_voltage(1, 0),
        "charge": lambda: both.balance_voltage(1.0, "x"),
        "unknown slip": lambda: SlipCorrection("mine"), "path": lambda: SlipCorrection(free_path_at_room=1.0),
        "no path": lambda: SlipCorrection("mine", (1.0, 0.0, 1.0)),
        "no such path": lambda: SlipCorrection("mine", (1.0, 0.0, 1.0), 0.0),
        "size": lambda: Sphere(diameter=0, density=1), "density": lambda: Sphere(diameter=1e-6, density=0),
        "size in words": lambda: Sphere(diameter="2 V", density=1),
        "weight": lambda: Sphere(**size, weight=-1.0), "spread": lambda: Sphere(**size, diameter_spread=0.0),
        "light": lambda: light.effective_weight(cell), "speed": lambda: Sphere.from_fall(0, cell, density=1e3),
        "falling density": lambda: Sphere.from_fall(1e-4, cell, density="x"),
        "value": lambda: Quantity(value=np.nan), "error": lambda: Quantity(**q, standard_uncertainty=-1),
        "law": lambda: Quantity(**q, distribution="flat"), "scope": lambda: Quantity(**q, scope="all"),
        "freedom": lambda: Quantity(**q, degrees_of_freedom=0.0),
        "little freedom": lambda: Quantity(**q, degrees_of_freedom=0.01),
        "probability": lambda: one().coverage_factor(1.0),
        "of none": lambda: one().coverage_factor(0.0),
        "unit": lambda: charge.unit_in_coulombs(0.0, bench(), unit_err=0.1),
        "unit error": lambda: charge.unit_in_coulombs(10.0, bench(), unit_err=-0.1),
        "no unit error": lambda: charge.unit_in_coulombs(10.0, bench()),
        "route": lambda: charge.unit_in_coulombs(10.0, bench(), unit_err=0.1, route="by ear"),
        "lacking": lambda: charge.unit_in_coulombs(10.0, {"plates": {"separation": "4 mm"}}, unit_err=0.1),
        "no fall by route": lambda: charge.unit_in_coulombs(
            10.0, bench(), unit_err=0.1, route="ratio, weight from diameter"
        ),
        "drag without a fall": lambda: charge.unit_in_coulombs(
            10.0, bench(), unit_err=0.1, route="drag, diameter known", trials=100
        ).routes,
        "trials": lambda: charge.unit_in_coulombs(10.0, bench(), unit_err=0.1, trials=99),
        "accepted": lambda: charge.unit_in_coulombs(
            10.0, bench(), unit_err=0.1, trials=100, run=run("plain")
        ).against(0.0),
        "route of a run": lambda: _charges("plain", "as it is", "by ear"),
        "no bench": lambda: charge.convert_run(page(1), {}),
    }  # fmt: skip
    edges = [(288.15, 101325.0), (300.15, 6e4), (293.0, 1.1e5), (288.14, 1e5), (300.16, 1e5),
             (293.0, 59990.0), (293.0, 110010.0), (233.15, 1e3), (373.15, 3e5)]  # fmt: skip
    for at, pressure in edges:
        calls[f"{at} K, {pressure} Pa"] = lambda a=at, p=pressure: Air(temperature=a, pressure=p)
    calls["ends of humidity"] = lambda: [Air(humidity=h).density for h in (0.0, 1.0)]
    return {f"may be, {name}": call for name, call in calls.items()}


def _quantities() -> Cases:
    registry = pint.UnitRegistry(cache_folder=None)
    length: dict[str, Any] = {
        text: text
        for text in (
            "4.24(2) mm", "4.24 +/- 0.02 mm", "4.24 +/- 0.02 mm limit", "4.24 mm +/- 20 um k=2",
            "4.24 mm +/- 0.5 %", "4.24 +/- 0.02 mm (n=5)", "4.24 +/- 0.02 mm dof=4 batch",
            "4.24 mm session", "4.24", "4.24 V", "4.24 +/- -1 mm",
        )
    } | {
        "float": 4e-3,
        "bool": True,
        "quantity": Quantity(value=3.0, unit="m", scope="state"),
        "volts": Quantity(value=3.0, unit="V"),
        "ufloat": uncertainties.ufloat(3e-3, 2e-5),
        "pint": 3.1 * registry.mm,
        "pint, volts": 3.1 * registry.volt,
        "pint, unsure": uncertainties.ufloat(3.1, 0.2) * registry.mm,
        "table": {"value": "4 +/- 1 mm", "scope": "batch", "degrees_of_freedom": 4},
        "table, limit": {"value": "4 +/- 1 mm limit", "degrees_of_freedom": 4},
        "table, plain": {"value": 4e-3},
        "table, strange": {"value": 4e-3, "walue": 1},
        "table, empty": {"scope": "batch"},
        "table, scope": {"value": 4e-3, "scope": "nobody"},
        "table, degrees": {"value": 4e-3, "degrees_of_freedom": 0},
    }  # fmt: skip
    others: dict[str, Any] = {
        "kelvin": ("21.5 +/- 0.5 degC", "K"),
        "kelvin of pint": (registry.Quantity(21.5, "degC"), "K"),
        "density of pint": (1.05 * registry("g/cm**3"), "kg/m3"),
        "share": ("45 +/- 5 %", "1"),
    }

    def read(value: Any, unit: str = "m") -> Any:
        return Quantity.read(value, unit=unit, name="gap", scope="session")

    return {
        **{f"quantity {name}": lambda v=value: read(v) for name, value in length.items()},
        **{f"quantity {name}": lambda v=value: read(*v) for name, value in others.items()},
        "quantity bare": lambda: [
            Quantity(value=-2.0, standard_uncertainty=0.5, unit="m"),
            Quantity(value=0.0),
            Quantity.read("3 mm", unit="m"),
        ],
    }


def _fractions() -> Cases:
    inputs = {
        "a": Quantity(value=2.0, standard_uncertainty=0.1, degrees_of_freedom=4, scope="reading"),
        "b": Quantity(value=-3.0, standard_uncertainty=0.2, degrees_of_freedom=9, scope="state"),
        "c": Quantity(value=0.0, standard_uncertainty=0.3, scope="batch"),
        "d": Quantity(value=0.0, scope="bench", unit="m"),
    }

    def model(a: float, b: float, c: float, d: float) -> float:
        return a * b**2 + (1 + a) * np.exp(c) + d * d + 2 * d

    def of(**options: Any) -> Any:
        found = charge.propagate(model, inputs, **options)
        more = [[found.coverage_factor(p), found.expanded(p), found.interval(p)] for p in (0.5, 0.99)]
        return [found, found.coverage_factor(), found.expanded(), found.interval(), more]

    return {
        "propagation": of,
        "propagation, correlated": lambda: of(
            unit="C", correlations={("a", "b"): 0.5, ("b", "c"): -0.3, ("a", "z"): 0.9}
        ),
        "propagation, impossible": lambda: of(
            correlations={("a", "b"): 1.0, ("b", "c"): 1.0, ("a", "c"): -1.0}
        ),
        "propagation of nothing": lambda: charge.propagate(lambda d: 0.0 * d, {"d": inputs["d"]}),
        "propagation, infinite": lambda: charge.propagate(
            lambda a: a * np.inf, {"a": inputs["a"]}
        ),
    }


def _fall() -> Cases:
    z = np.linspace(-4, 4, 81)
    share = np.exp(-0.5 * ((z - 0.6) / 0.4) ** 2)
    share /= share.sum()
    t = Quantity(value=61.0, standard_uncertainty=0.3, degrees_of_freedom=5, unit="div")
    unit = 10.0 + 0.03 * z
    lever, moved = np.array([1.0, 1.0, 0.7, 1.2, 1.0]), np.array([0.0, 20.0, -30.0, 12.0, 44.0])
    fell = np.array([60.1, 60.5, 59.4, 60.2, 60.9])

    def line(least: float = 0.1, fallen: Any = fell, **other: Any) -> Any:
        given = {"moved": moved, "lever": lever} | other
        return fall.line_in_charge(fallen, **given, reference=227.0, least=least, measured=t)

    def balance(value: float, error: float, own: float) -> Any:
        q = Quantity(value=value, standard_uncertainty=error)
        return fall.balance_of(q, unit, np.full(z.size, own), share, z)

    return {
        "line in charge": line,
        "line in charge, much rounded": lambda: line(5.0),
        "line in charge, one state": lambda: line(moved=np.zeros(5), lever=np.ones(5)),
        "line in charge, no scatter": lambda: line(0.0, np.full(5, 60.0)),
        "slope": lambda: [fall.slope_against(z, unit, share), fall.slope_against(z * 0, unit, share)],
        "shift": lambda: fall.posterior_of_shift(t, z, share),
        "shift, any order": lambda: fall.posterior_of_shift(t, z[::-1], share[::-1]),
        "shift, wide": lambda: fall.posterior_of_shift(t, 9 * z, share),
        "shift, error of one": lambda: fall.posterior_of_shift(
            Quantity(value=61.0, standard_uncertainty=1.0), z, share
        ),
        "shift, one node": lambda: fall.posterior_of_shift(t, z[:1], np.ones(1)),
        "shift, two nodes": lambda: fall.posterior_of_shift(t, z[38:40], np.array([0.4, 0.6])),
        "line in charge, hardly two states": lambda: line(
            moved=np.array([0.0, 5e-6, 0.0, 5e-6, 5e-6]), lever=np.zeros(5)
        ),
        "line in charge, nearly two states": lambda: line(
            moved=np.array([0.0, 1e-4, 0.0, 1e-4, 1e-4]), lever=np.zeros(5)
        ),
        "line in charge, on it": lambda: line(1e-12, 60 + 0.01 * moved, lever=np.zeros(5)),
        "line in charge, nearly on it": lambda: line(2e-7, 60 + 0.01 * moved, lever=np.zeros(5)),
        "line in charge, three falls": lambda: line(
            fallen=fell[:3], moved=moved[:3], lever=lever[:3]
        ),
        "shift, normal": lambda: fall.posterior_of_shift(
            Quantity(value=61.0, standard_uncertainty=0.3), z, share
        ),
        "shift, exact": lambda: fall.posterior_of_shift(Quantity(value=61.0), z, share),
        "balances": lambda: [
            balance(*x)
            for x in ((61.0, 0.3, 0.1), (60.0, 0.1, 0.0), (3.0, 0.4, 0.1), (65.0, 0.1, 0.01))
        ],
        "balance, undecidable": lambda: [balance(61.0, 12.0, e) for e in (0.3, 2.0)],
        "whole": lambda: [
            fall.whole_number_probability(u, s) for u, s in ((5.98, 0.02), (5.3, 0.2), (5.0, 0.0))
        ],
        "shown": lambda: [fall._shown(p) for p in (0.0009, 0.001, 0.5, 0.999, 0.9991)],
    }


def _mixed() -> Cases:
    """Routes with entries that may be missing, and what the noise takes from a bench."""
    x: dict[str, Any] = {
        "plates.separation": 4e-3, "plates.voltage": 200.0, "sphere.weight": 5e-14,
        "sphere.diameter": 2e-6, "sphere.density": 1050.0, "site.gravity": 9.8, "unit": 10.0,
        "reticle.division": 25e-6, "run.interval": 10.0, "air.temperature": 295.0,
        "air.pressure": 1e5, "slip": SlipCorrection(), "fall": 60.0,
    }  # fmt: skip
    more: dict[str, dict[str, Any]] = {
        "nothing": {},
        "slope": {"fall_slope": 0.1, "fall_used": 58.0},
        "slope alone": {"fall_slope": 0.1},
        "meter": {"plates.meter": 1.1, "image force": 0.02, "plates.tilt": 0.1},
        "spread": {"sphere.diameter_spread": 1e-7},
        "not off": {"buoyancy_off": 0.0, "air.humidity": 0.9},
        "watch": {"watch.rate": 0.9, "watch.bias": 0.2},
        "gate": {"run.distance": 21.0, "gate_used": 20.0},
        "drift": {"air.drift": 2e-6},
        "viscosity": {"air.viscosity": 1.7e-5},
        "formulas": {"viscosity formula": 1.01, "slip formula": 0.98, "wall drag": 0.9},
        "moist": {"humidity formula": 0.3, "air.humidity": 0.7},
    }

    def every(values: dict[str, Any]) -> Any:
        out = {name: route.formula(values) for name, route in routes.ROUTES.items()}
        parts = (routes.field, routes.fall_divisions, routes.unit_divisions, routes.air_density)
        parts += (routes.diameter, routes.weight_given, routes.speed_per_division)
        parts += (routes.air_viscosity, routes.fallen_diameter, routes.weight_from_fall)
        return out | {part.__name__: part(values) for part in parts}

    def scatters(of: Apparatus) -> Any:
        return [
            noise.mobility_of(of),
            noise.mobility_of(of, fall_speed=1.5e-4),
            noise.diffusion_of(of),
            noise.diffusion_of(of, fall=60.0, interval=10.0),
            noise.press_of(of),
        ]

    bare = {k: v for k, v in x.items() if k != "reticle.division"}
    return {
        **{f"formulas, {name}": lambda v=v: every(x | v) for name, v in more.items()},
        "gate in metres": lambda: routes.speed_per_division(
            bare | {"run.distance": 5e-4, "gate_used": 20.0, "watch.rate": 0.9, "watch.bias": 0.2}
        ),
        "fall from its speed": lambda: routes.fall_divisions(
            {k: v for k, v in x.items() if k != "fall"} | {"fall.speed": 1.5e-4, "air.drift": 1e-6}
        ),
        "air where nothing is known": lambda: routes.air_density({}),
        "density where it is not known": lambda: routes.weight_given(
            {"sphere.weight": 5e-14, "buoyancy_off": 0.0}
        ),
        "no route": lambda: routes.route_name("by ear"),
        "route table": lambda: [
            [r.name, r.needs, r.depends, r.optional] for r in routes.ROUTES.values()
        ],
        "ways": lambda: [routes.by_way(n) for n in ("joint fit", "drag, diameter known")],
        "viscosity formula": lambda: routes.VISCOSITY_FORMULA,
        **{f"noise, {name}": lambda n=name: scatters(bench(n)) for name in OTHERWISE},
        "noise, density and fall": lambda: noise.mobility_of(
            Apparatus.of({"sphere": {"density": 1050}}), fall_speed=1.5e-4
        ),
        "noise, all but the size": lambda: [
            noise.mobility_of(Apparatus.of({"sphere": {"density": 1050}} | more), fall_speed=1.5e-4)
            for more in (
                {"site": {"gravity": 9.75}},
                {"air": {"temperature": "30 degC", "pressure": "900 hPa", "slip": "none"}},
                {"air": {"viscosity": 1.7e-5}},
            )
        ],
        "noise, nothing": lambda: noise.mobility_of(Apparatus.of({}), fall_speed=1.5e-4),
    }


def _rows_of(one: Run) -> Any:
    got = {
        "read": one.fall_as_read(),
        "fall": one.fall(),
        "on record": one.fall_on_record(),
        "offset": one.offset,
        "moved": one.moved(),
        "scatter": one.scatter(),
    }
    return got | {"resolution": one.resolution(), "interval": one.interval, "gate": one.gate}


def _sheets() -> Cases:
    sheets = [(name, "as it is") for name in RUNS]
    sheets += [("plain", of) for of in (*OTHERWISE, "none", "off") if of != "as it is"]
    sheets += [("fixed distance", of) for of in ("none", "gated", "no weight", "one end")]
    out: Cases = {}
    for i, (name, of) in enumerate(sheets):
        here = f"{name}, {of}"
        if name != "two particles" and (name != "plain" or of in SEEN_BY_ROWS):
            out[f"rows, {here}"] = lambda n=name, o=of: _rows_of(run(n, o))
            out[f"joined, {here}"] = lambda n=name, o=of: run(n, o).joined()
            out[f"scatter, {here}"] = lambda n=name, o=of: charge.predicted_scatter(run(n, o))
            out[f"residual, {here}"] = lambda n=name, o=of: charge.residual_voltage(run(n, o))
        if of == "none":
            continue
        every = of == "on request" or (of == "as it is" and name in ("plain", "fixed distance"))
        for route in ROUTES if every else (None, list(routes.ROUTES)[i % 4]):
            told = route or "whichever"
            out[f"charges, {here}, {told}"] = lambda n=name, o=of, r=route: _charges(n, o, r)
            if (name == "plain" and i % 2) or name == "fixed distance":
                out[f"unit, {here}, {told}"] = lambda n=name, o=of, r=route: _unit(n, o, r)
    first = lambda: run("plain").driven.iloc[:3]  # noqa: E731
    return out | {
        "residual voltage taken off": lambda: _rows_of(run("plain").without_residual_voltage()),
        "remarks": lambda: run("plain", "none").without_residual_voltage().remarks,
        "some rows": lambda: [
            run("plain").moved(first()),
            run("plain").joined(first()),
            charge.predicted_scatter(run("plain"), first()),
            rows.predicted_or_none(run("plain"), first(), 60.0),
            rows.predicted_or_none(run("plain", "none"), first(), 60.0),
            rows.root_mean_square(np.array([3.0, 4.0])),
            rows.root_mean_square(np.array([])),
        ],
        "rising falls": lambda: Run({"V": [200, 0], "div": [3, 4], "t (s)": [10, 10]}).fall(),
        "three falls": lambda: Run(
            {"V": [200, 0, 0, 0], "div": [3, -60, -61, -60], "t (s)": [10, 10, 10, 9]}
        ).fall(),
        "a flat scale": lambda: charge.residual_voltage(
            Run(page(1), bench(reticle={"step": "9 div"}))
        ),
        "nothing moved": lambda: _charges_of({"V": [200, 200, 0], "div": [0, -60, -60]}),
        "no voltage noted": lambda: _charges_of({"div": [0, 12, -8], "t (s)": [10, 10, 10]}),
        "tracks": lambda: _tracked(),
    }


def _charges_of(table: Any) -> Any:
    return conversion.charges_of(Run(table, bench("fall of its own")), bench("fall of its own"))


def _tracked() -> Any:
    rng = np.random.default_rng(88)
    out = []
    for track, (state, volts) in enumerate([("a", 200.0), ("a", 400.0), ("b", 200.0), ("b", 0.0)]):
        drift = {("a", 200.0): 2.0, ("a", 400.0): 9.0, ("b", 200.0): -1.0}.get((state, volts), -6.0)
        for t in np.linspace(0, 5, 6):
            at = 50 + drift * t + 0.05 * rng.normal()
            out.append((state, volts, track, t, round(at, 2)))
    sheet = pd.DataFrame(out, columns=["state", "V", "track", "t (s)", "position"])
    one = Run(sheet, bench(watch={"press": None}, run={"interval": "10 s"}))
    return [_rows_of(one), charge.predicted_scatter(one), conversion.charges_of(one, one.bench())]


def _charges(name: str, of: str, route: str | None) -> Any:
    one = run(name, of)
    return conversion.charges_of(one, one.bench(), route=route)


def _unit(name: str, of: str, route: str | None) -> Any:
    one = run(name, of)
    found = charge.unit_in_coulombs(
        10.2, one.bench(), unit_err=0.04, run=one, route=route, trials=100
    )
    names = ("value", "standard_uncertainty", "degrees_of_freedom", "route", "routes", "exact")
    names += ("notes", "random", "systematic", "exponents", "way")
    told = {name: getattr(found, name) for name in names}
    budget = found.budget[["input", "value", "standard_uncertainty", "exponent", "share", "part"]]
    return [told, budget, repr(found), str(found), found.against(1.6e-19)]


def cases() -> Cases:
    """Every case by name."""
    return {
        **_formulas(), **_refused(), **_quantities(), **_fractions(), **_fall(), **_mixed(), **_sheets(),
        "limits of the routes": lambda: [routes.GRAVITY_SPREAD, budgets.GRAVITY_SPREAD],
    }  # fmt: skip
