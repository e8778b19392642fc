"""Make the invented run that comes with the package, from the physics of the measurement.

Everything in it is made up: no sphere, bench or person stands behind it. A charged sphere wanders
by Brownian motion, a hand stops the watch, and both ends of each passage are read to a whole
division. The same seed gives the same files. The truth goes to the screen and into no file.

    python examples/make_invented_run.py            print the truth
    python examples/make_invented_run.py --write    also write the two files of the package
"""

from __future__ import annotations

import argparse
import math
from pathlib import Path

import numpy as np
from scipy.constants import Boltzmann, elementary_charge

SEED = 20240917
DIAMETER = 2.12e-6  # of this sphere; the batch has the mean 2.10e-6
DENSITY = 1055.0
AIR_DENSITY = 1.195
GRAVITY = 9.81
TEMPERATURE = 294.95
VISCOSITY = 1.827e-5
FREE_PATH = 66.9e-9
SEPARATION = 4.215e-3
DIVISION = 24.96e-6
PRESS = 0.06  # s, standard deviation of one press on the watch
INTERVAL = 10.0
HELD = 6  # units on the sphere at balance
IMBALANCE = 0.35  # divisions an interval that the operator could not see
# Units on the sphere in each state, and how often it was read.
STATES = ((6, 4), (4, 5), (7, 4), (3, 5), (5, 4), (9, 4), (2, 5), (8, 4))
FALLS = 8
# One state is also read at another voltage: a line in V, with no steps assumed.
ELSEWHERE = (2, 1.5, 3)  # state, voltage over balance voltage, readings

SPHERE_OF_BATCH = "2.10 +/- 0.02 um"
HERE = Path(__file__).resolve().parent.parent / "quantize" / "data"


def mobility() -> float:
    """Speed per force, with the slip correction of Kim et al. (2005)."""
    knudsen = 2 * FREE_PATH / DIAMETER
    slip = 1 + knudsen * (1.165 + 0.483 * math.exp(-0.997 / knudsen))
    return slip / (3 * math.pi * VISCOSITY * DIAMETER)


def weight() -> float:
    """Weight less buoyancy."""
    return math.pi / 6 * DIAMETER**3 * (DENSITY - AIR_DENSITY) * GRAVITY


def balance_voltage() -> float:
    """Voltage that the operator found, nearly the one that holds HELD units."""
    exact = weight() * SEPARATION / (HELD * elementary_charge)
    per_volt = mobility() * HELD * elementary_charge / SEPARATION * INTERVAL / DIVISION
    return exact + IMBALANCE / per_volt


def reading(units: int, voltage: float, rng: np.random.Generator) -> tuple[int, int]:
    """Start and end on the scale of one passage."""
    speed = mobility() * (units * elementary_charge * voltage / SEPARATION - weight())
    seconds = INTERVAL + PRESS * rng.normal() * math.sqrt(2)
    wander = math.sqrt(2 * Boltzmann * TEMPERATURE * mobility() * seconds) * rng.normal()
    moved = (speed * seconds + wander) / DIVISION
    start = rng.uniform(8, 12) if moved > 0 else rng.uniform(78, 82)
    return round(start), round(start + moved)


def rows(rng: np.random.Generator) -> list[str]:
    """The page, line by line."""
    voltage = round(balance_voltage(), 1)
    falls = iter(reading(HELD, 0.0, rng) for _ in range(FALLS))
    lines = []
    places: dict[int, int] = {}
    for label, (units, times) in enumerate(STATES, start=1):
        for repeat in range(1, times + 1):
            start, end = reading(units, voltage, rng)
            keep, reason = "yes", ""
            if (label, repeat) == (4, 2):
                start, end, keep, reason = 80, 71, "no", "watch stopped late: door slammed"
            lines.append(f"P1,{label},{voltage},{start},{end},{INTERVAL:g},{keep},{reason}")
        places[label] = len(lines)
        start, end = next(falls)
        lines.append(f"P1,{label},0,{start},{end},{INTERVAL:g},yes,")
    label, factor, times = ELSEWHERE
    other = round(factor * voltage, 1)
    extra = []
    for _ in range(times):
        start, end = reading(STATES[label - 1][0], other, rng)
        extra.append(f"P1,{label},{other},{start},{end},{INTERVAL:g},yes,")
    return lines[: places[label]] + extra + lines[places[label] :]


def page(rng: np.random.Generator) -> str:
    """The csv file."""
    head = [
        "# INVENTED DATA, computed by examples/make_invented_run.py; no real measurement.",
        "# Start and end in scale divisions, larger is higher. State counts the changes of charge.",
        "particle,state,V,start,end,t (s),keep,reason",
    ]
    return "\n".join(head + rows(rng)) + "\n"


def apparatus(rng: np.random.Generator) -> str:
    """The apparatus file, as somebody would write it who does not know the truth."""
    supplied = weight() * (1 + 0.015 * rng.normal())
    separation = (SEPARATION + 0.015e-3 * rng.normal()) * 1e3
    division = (DIVISION + 0.05e-6 * rng.normal()) * 1e6
    return f"""\
# INVENTED APPARATUS for invented_run.csv; no real bench.
# A +/- is a standard uncertainty, unless 'limit' (rectangular) or 'k=2' follows.

[apparatus]
name = "an invented bench"
invented = true

[plates]
separation = "{separation:.2f} +/- 0.015 mm"
voltage = "{balance_voltage():.1f} +/- 0.6 V"
positive_plate = "lower"

[sphere]
weight = "{supplied / 1e-14:.2f}(8)e-14 N"
weight_of = "this sphere"
buoyancy = "already off"
diameter = "{SPHERE_OF_BATCH}"
diameter_spread = "0.03 um"
density = "1055 +/- 5 kg/m3 limit"

[reticle]
division = "{division:.2f} +/- 0.05 um"
length = "90 div"
rounding = "both ends"

[watch]
press = "0.06 s"

[air]
temperature = "21.8 +/- 0.5 degC limit"
pressure = "1009 +/- 3 hPa limit"
humidity = "45 %"

[run]
timing = "fixed time"
interval = "10.0 s"
image_inverted = false

[hazards]
present = ["uv"]
"""


def main() -> None:
    """Print the truth, and write the files when asked."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args()
    rng = np.random.default_rng(SEED)
    texts = {"invented_run.csv": page(rng), "invented_apparatus.toml": apparatus(rng)}
    unit = mobility() * elementary_charge * balance_voltage() / SEPARATION * INTERVAL / DIVISION
    fall = mobility() * weight() * INTERVAL / DIVISION
    print(f"unit {unit:.4f} divisions, fall {fall:.3f} divisions, {HELD} units at balance")
    print(f"weight {weight():.4e} N, separation {SEPARATION * 1e3:.3f} mm, e {elementary_charge} C")
    print("units in each state:", *[units for units, _ in STATES])
    if options.write:
        for name, text in texts.items():
            (HERE / name).write_text(text, encoding="utf-8")
            print("wrote", name)


if __name__ == "__main__":
    main()
