"""Cases of rows, routes and units on a bench whose answers are kept; see `kept`."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from kept import Cases

import quantize as qz
from quantize import charge
from quantize.charge import (
    Run,
    SlipCorrection,
    coulombs,
    noise,
    routes,
    rows,
)
from quantize.charge.apparatus import Apparatus
from quantize.charge.propagation import propagate
from quantize.charge.quantity import Quantity
from quantize.charge.rows import predicted_scatter, residual_voltage

DATA = Path(qz.__file__).parent / "data"
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
GATE = {"run": {"timing": "fixed distance", "interval": None}}
GATED = {"run": GATE["run"] | {"distance": "0.4986 +/- 0.002 mm"}, "reticle": {"division": None}}
SEEN_BY_ROWS = ("as it is", "none", "off", "one end", "tilt, meter, watch", "fall of its own")
OFF = {"run": {"residual_voltage": "taken off"}}


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


def run(name: str, of: str = "as it is", **_: Any) -> Run:
    """A run on a bench."""
    if of == "none":
        return RUNS[name](None)
    more = {"gated": GATED, "gate": GATE, "off": OFF}.get(of)
    if more is None and name == "fixed distance":
        more = GATE
    return RUNS[name](bench(of) if of in OTHERWISE and more is None else bench(**(more or {})))


def _mixed() -> Cases:
    """Routes with entries that may be missing, and what the noise takes from a bench."""
    x: dict[str, Any] = {
        "plates.separation": 4e-3,
        "plates.voltage": 200.0,
        "sphere.weight": 5e-14,
        "sphere.diameter": 2e-6,
        "sphere.density": 1050.0,
        "site.gravity": 9.8,
        "unit": 10.0,
        "reticle.division": 25e-6,
        "run.interval": 10.0,
        "air.temperature": 295.0,
        "air.pressure": 1e5,
        "slip": SlipCorrection(),
        "fall": 60.0,
    }
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
            out[f"scatter, {here}"] = lambda n=name, o=of: predicted_scatter(run(n, o))
            out[f"residual, {here}"] = lambda n=name, o=of: residual_voltage(run(n, o))
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
            predicted_scatter(run("plain"), first()),
            rows.predicted_or_none(run("plain"), first(), 60.0),
            rows.predicted_or_none(run("plain", "none"), first(), 60.0),
            rows.root_mean_square(np.array([3.0, 4.0])),
            rows.root_mean_square(np.array([])),
        ],
        "rising falls": lambda: Run({"V": [200, 0], "div": [3, 4], "t (s)": [10, 10]}).fall(),
        "three falls": lambda: Run(
            {"V": [200, 0, 0, 0], "div": [3, -60, -61, -60], "t (s)": [10, 10, 10, 9]}
        ).fall(),
        "a flat scale": lambda: residual_voltage(Run(page(1), bench(reticle={"step": "9 div"}))),
        "nothing moved": lambda: _charges_of({"V": [200, 200, 0], "div": [0, -60, -60]}),
        "no voltage noted": lambda: _charges_of({"div": [0, 12, -8], "t (s)": [10, 10, 10]}),
        "tracks": lambda: _tracked(),
    }


def _charges_of(table: Any) -> Any:
    return coulombs.charges_of(Run(table, bench("fall of its own")), bench("fall of its own"))


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
    return [_rows_of(one), predicted_scatter(one), coulombs.charges_of(one, one.bench())]


def _charges(name: str, of: str, route: str | None) -> Any:
    one = run(name, of)
    return coulombs.charges_of(one, one.bench(), route=route)


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
        found = propagate(model, inputs, **options)
        more = [
            [found.coverage_factor(p), found.expanded(p), found.interval(p)] for p in (0.5, 0.99)
        ]
        return [found, found.coverage_factor(), found.expanded(), found.interval(), more]

    return {
        "propagation": of,
        "propagation, correlated": lambda: of(
            unit="C", correlations={("a", "b"): 0.5, ("b", "c"): -0.3, ("a", "z"): 0.9}
        ),
        "propagation, impossible": lambda: of(
            correlations={("a", "b"): 1.0, ("b", "c"): 1.0, ("a", "c"): -1.0}
        ),
        "propagation of nothing": lambda: propagate(lambda d: 0.0 * d, {"d": inputs["d"]}),
        "propagation, infinite": lambda: propagate(lambda a: a * np.inf, {"a": inputs["a"]}),
    }


MAKERS = (_fractions, _mixed, _sheets)
