"""Cases of the charge formulas whose answers are kept; see `kept`."""

from __future__ import annotations

from typing import Any

import numpy as np
import pint
import uncertainties
from kept import Cases
from kept_bench import bench, page, run

from quantize import charge
from quantize.charge import (
    Air,
    Plates,
    Reticle,
    SlipCorrection,
    Sphere,
    air,
    drag,
    fall,
    noise,
)
from quantize.charge.propagation import propagate
from quantize.charge.quantity import Quantity
from quantize.charge.reticle import written_step

KELVIN = np.array([288.15, 293.15, 296.15, 300.0])
PASCAL = np.array([101325.0, 98000.0, 60000.0, 110000.0])
HUMID = np.array([0.0, 0.3, 0.5, 1.0])
SIZES = np.array([0.1e-6, 0.7e-6, 2.1e-6, 20e-6])


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
            drag.diffusion(SIZES, KELVIN),
            drag.relaxation_time(SIZES, 1050.0, 3e9),
            drag.reynolds(SIZES, -3e-4, 1.8e-5, 1.2),
        ],
        "own triple": lambda: SlipCorrection("mine", (1.2, 0.4, 0.9), 66e-9).factor(SIZES),
        "slowing": lambda: [drag.slowing(SIZES, 4e-3), drag.image_pull(3e-18, 4e-3)],
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
    fallen = drag.mobility(SIZES, 1.8e-5, slip.factor(*at))
    fallen = fallen * drag.effective_weight(SIZES, 1050.0, 9.8)
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
        both.balance_voltage(5e-14, -9e-19),
    ]


def _reticle(scale: Reticle) -> Any:
    t, y = np.array([0.0, 1.0, 2.5, 4.0, 5.0]), np.array([1.0, 2.2, 3.9, 6.1, 7.0])
    return [
        scale,
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
    one = lambda: propagate(lambda a: 2 * a, of_one)  # noqa: E731
    calls: Cases = {
        "temperature": lambda: Air(temperature=233.14),
        "hot": lambda: Air(temperature=373.16),
        "thin": lambda: Air(pressure=999.0),
        "thick": lambda: Air(pressure=300001.0),
        "wet": lambda: Air(humidity=1.01),
        "dry": lambda: Air(humidity=-0.01),
        "air in words": lambda: Air(humidity="wet"),
        "volts of air": lambda: Air(pressure="2 V"),
        "division": lambda: Reticle(division=0.0),
        "division of words": lambda: Reticle(division="x"),
        "step": lambda: Reticle(division=1e-5, step=0),
        "long": lambda: Reticle(division=1e-5, length=0),
        "ends": lambda: Reticle(division=1e-5, rounding="none"),
        "way": lambda: scale.fixed_time("a", 1.0),
        "time": lambda: scale.fixed_time(1.0, 0.0),
        "walk": lambda: scale.fixed_time(1, 1, diffusion=-1),
        "hand": lambda: scale.fixed_time(1, 1, press=-1),
        "passage": lambda: scale.fixed_distance("a", [1.0]),
        "none": lambda: scale.fixed_distance(0, [1.0]),
        "times": lambda: scale.fixed_distance(1, [1.0, 0.0]),
        "words": lambda: scale.fixed_distance(1, ["a"]),
        "passage walk": lambda: scale.fixed_distance(1, [1.0], diffusion=-1),
        "passage hand": lambda: scale.fixed_distance(1, [1.0], press=-1),
        "one position": lambda: scale.track([0.0], [1.0], **of),
        "unequal": lambda: scale.track(t, [1.0, 2.0], **of),
        "times of words": lambda: scale.track(["a", "b"], [1.0, 2.0], **of),
        "standing": lambda: scale.track([0.0, 1.0, 1.0], t, **of),
        "two positions": lambda: scale.track([1.0, 3.0], [1.0, 2.0], **of),
        "gap": lambda: Plates(separation=0),
        "gap of words": lambda: Plates(separation="x"),
        "plate": lambda: Plates(separation=1e-3, positive_plate="left"),
        "tilt": lambda: Plates(separation=1e-3, tilt="45.01 deg"),
        "tilt in words": lambda: Plates(separation=1e-3, tilt="5 V"),
        "tilted": lambda: [Plates(separation=1e-3, tilt=f"{d} deg").field(10) for d in (45, -44.9)],
        "volts": lambda: both.field("3 m"),
        "no weight": lambda: both.balance_voltage(0.0, 1e-18),
        "no charge": lambda: both.balance_voltage(1, 0),
        "charge": lambda: both.balance_voltage(1.0, "x"),
        "unknown slip": lambda: SlipCorrection("mine"),
        "path": lambda: SlipCorrection(free_path_at_room=1.0),
        "no path": lambda: SlipCorrection("mine", (1.0, 0.0, 1.0)),
        "no such path": lambda: SlipCorrection("mine", (1.0, 0.0, 1.0), 0.0),
        "size": lambda: Sphere(diameter=0, density=1),
        "density": lambda: Sphere(diameter=1e-6, density=0),
        "size in words": lambda: Sphere(diameter="2 V", density=1),
        "weight": lambda: Sphere(**size, weight=-1.0),
        "spread": lambda: Sphere(**size, diameter_spread=0.0),
        "light": lambda: light.effective_weight(cell),
        "value": lambda: Quantity(value=np.nan),
        "error": lambda: Quantity(**q, standard_uncertainty=-1),
        "law": lambda: Quantity(**q, distribution="flat"),
        "scope": lambda: Quantity(**q, scope="all"),
        "freedom": lambda: Quantity(**q, degrees_of_freedom=0.0),
        "little freedom": lambda: Quantity(**q, degrees_of_freedom=0.01),
        "probability": lambda: one().coverage_factor(1.0),
        "of none": lambda: one().coverage_factor(0.0),
        "unit": lambda: charge.unit_in_coulombs(0.0, bench(), unit_err=0.1),
        "unit error": lambda: charge.unit_in_coulombs(10.0, bench(), unit_err=-0.1),
        "no unit error": lambda: charge.unit_in_coulombs(10.0, bench()),
        "route": lambda: charge.unit_in_coulombs(10.0, bench(), unit_err=0.1, route="by ear"),
        "lacking": lambda: charge.unit_in_coulombs(
            10.0, {"plates": {"separation": "4 mm"}}, unit_err=0.1
        ),
        "no fall by route": lambda: charge.unit_in_coulombs(
            10.0, bench(), unit_err=0.1, route="ratio, weight from diameter"
        ),
        "drag without a fall": lambda: (
            charge.unit_in_coulombs(
                10.0, bench(), unit_err=0.1, route="drag, diameter known", trials=100
            ).routes
        ),
        "trials": lambda: charge.unit_in_coulombs(10.0, bench(), unit_err=0.1, trials=99),
        "accepted": lambda: charge.unit_in_coulombs(
            10.0, bench(), unit_err=0.1, trials=100, run=run("plain")
        ).against(0.0),
        "route of a run": lambda: charge.Run(page(1), bench()).charges(route="by ear"),
        "no bench": lambda: charge.Run(page(1), {}).charges(),
    }
    edges = [
        (288.15, 101325.0),
        (300.15, 6e4),
        (293.0, 1.1e5),
        (288.14, 1e5),
        (300.16, 1e5),
        (293.0, 59990.0),
        (293.0, 110010.0),
        (233.15, 1e3),
        (373.15, 3e5),
    ]
    for at, pressure in edges:
        calls[f"{at} K, {pressure} Pa"] = lambda a=at, p=pressure: Air(temperature=a, pressure=p)
    calls["ends of humidity"] = lambda: [Air(humidity=h).density for h in (0.0, 1.0)]
    return {f"may be, {name}": call for name, call in calls.items()}


def _quantities() -> Cases:
    registry = pint.UnitRegistry(cache_folder=None)
    length: dict[str, Any] = {
        text: text
        for text in (
            "4.24(2) mm",
            "4.24 +/- 0.02 mm",
            "4.24 +/- 0.02 mm limit",
            "4.24 mm +/- 20 um k=2",
            "4.24 mm +/- 0.5 %",
            "4.24 +/- 0.02 mm (n=5)",
            "4.24 +/- 0.02 mm dof=4 batch",
            "4.24 mm session",
            "4.24",
            "4.24 V",
            "4.24 +/- -1 mm",
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
    }
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
        "slope": lambda: [
            fall.slope_against(z, unit, share),
            fall.slope_against(z * 0, unit, share),
        ],
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


MAKERS = (_formulas, _refused, _quantities, _fall)
