"""Planning at the bench: which sphere, voltage and interval will show the steps.

Ranges come from the accepted charge. They serve to choose a setup; no analysis sees them.
"""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from quantize._support import validation
from quantize._support.errors import InputError
from quantize._support.results import Result
from quantize._support.validation import FloatArray, float_array
from quantize.charge.air import Air
from quantize.charge.expected import Setup
from quantize.charge.forms import cautions
from quantize.charge.quantity import Quantity, QuantityLike
from quantize.charge.reticle import Reticle
from quantize.charge.simulation import ACCEPTED_CHARGE
from quantize.charge.sphere import Plates, Sphere

_DECIDABLE = 0.25  # sigma over unit up to which a level has one number of units
SAYS_SO = (
    "Ranges here come from the accepted elementary charge, 1.602176634e-19 C; they choose a "
    "setup and enter no analysis."
)


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class BenchPlan(Result):
    """Result of `plan_bench`.

    Attributes
    ----------
    table : pandas.DataFrame
        One row a setup, best first: diameter (m), interval (s), units (held at balance),
        balance_voltage (V), fall (divisions in one interval), divisions (one unit in one
        interval), sigma_over_unit (at balance), sigma_over_unit_far (at the largest usable
        charge), largest_charge (units that stay on the scale and can be distinguished), levels
        (numbers of units up to there), off_scale (share of readings lost off the scale), score.
    note : str
        Where its ranges come from.
    cautions : tuple of str
        What the voltage calls for; see `quantize.charge.cautions`.
    """

    table: pd.DataFrame
    note: str
    cautions: tuple[str, ...]

    @property
    def best(self) -> dict[str, Any]:
        """The first row of the table, as a dictionary."""
        return {str(name): value for name, value in self.table.iloc[0].to_dict().items()}

    def _headline(self) -> str:
        b = self.best
        return (
            f"best of {len(self.table)}: {b['diameter'] * 1e6:.2f} µm, {b['interval']:g} s, "
            f"{b['units']:.0f} units at {b['balance_voltage']:.0f} V, sigma/unit "
            f"{b['sigma_over_unit']:.2f}"
        )


def plan_bench(
    *,
    diameters: ArrayLike,
    intervals: ArrayLike,
    density: QuantityLike,
    plates: Plates,
    reticle: Reticle,
    units: Iterable[int] = (1, 2, 3, 4, 5, 6, 8, 10),
    air: Air | None = None,
    press: float = 0.1,
    diameter_spread: float = 0.02,
    largest_voltage: float = 1000.0,
) -> BenchPlan:
    r"""Compare spheres, intervals and voltages before a run.

    Parameters
    ----------
    diameters : array_like, shape (n,)
        Diameters of the spheres to be tried, m or with a unit as in "2.1 um".
    intervals : array_like, shape (m,)
        Durations of a reading to be tried, s.
    density : str, float or Quantity
        Density of the spheres, kg/m3 if a bare number.
    plates : Plates
        The plates; their separation sets the voltage.
    reticle : Reticle
        The scale, with its `length`.
    units : iterable of int
        Numbers of units to be held in balance; each means a voltage.
    air : Air, optional
        The air in the cell; at 20 °C and one atmosphere if left out.
    press : float
        Standard deviation of one press of the watch, s.
    diameter_spread : float
        Relative standard deviation of the diameters in the batch.
    largest_voltage : float
        What the supply gives at most, V.

    Returns
    -------
    BenchPlan
        Every setup that the supply allows, best first.

    Raises
    ------
    InputError
        When no setup is left, or the scale has no length.

    Notes
    -----
    At balance with n units, one unit more moves the sphere by F/n, F being its fall in one
    interval. The scatter there is Brownian and rounding; k units away the hand on the watch adds
    :math:`\sqrt2\,k\,(F/n)\,\sigma_t/t`. The score is the sigma/u at balance, times the
    five levels wished for over those that can be distinguished, over the share of spheres that
    stay on the scale; lower is better.

    Examples
    --------
    >>> from quantize.charge import Plates, Reticle
    >>> plan = plan_bench(diameters=[1.0e-6, 2.0e-6], intervals=[5, 10],
    ...                   plates=Plates(separation="4 mm"), density=1055.0,
    ...                   reticle=Reticle(division="25 um", length=90))
    >>> plan.best["interval"]
    10.0
    """
    if reticle.length is None:
        raise InputError(
            "`reticle` has no length; a plan must know when a sphere leaves the scale."
        )
    room = air or Air()
    push = validation.positive("press", press, zero=True)
    spread = validation.positive("diameter_spread", diameter_spread, zero=True)
    limit = validation.positive("largest_voltage", largest_voltage)
    scale = reticle.division.value
    counts = [validation.count("units", n) for n in units]
    rows = []
    for d in _lengths("diameters", diameters):
        sphere = Sphere(diameter=float(d), density=density)
        weight, fall_speed = sphere.effective_weight(room), sphere.fall_speed(room)
        diffusion = sphere.diffusion(room)
        for t, n in itertools.product(float_array("intervals", intervals).tolist(), counts):
            voltage = abs(plates.balance_voltage(weight, n * ACCEPTED_CHARGE))
            if voltage > limit:
                continue
            setup = Setup(
                unit=fall_speed * t / scale / n,
                fall=fall_speed * t / scale,
                interval=t,
                diffusion=diffusion / scale**2,
                press=push,
                rounding=reticle.rounding_sd,
                length=reticle.length,
            )
            what = {"diameter": float(d), "interval": t, "units": n, "balance_voltage": voltage}
            rows.append(what | _judged(setup, n, spread))
    if not rows:
        raise InputError(
            f"`largest_voltage` is {limit:g} V, and no sphere tried is balanced below it; "
            "use smaller spheres or more units."
        )
    table = pd.DataFrame(rows).sort_values("score", kind="stable").reset_index(drop=True)
    return BenchPlan(
        table=table,
        note=SAYS_SO,
        cautions=cautions(None, largest_voltage=float(table["balance_voltage"].iloc[0])),
    )


def _lengths(name: str, given: ArrayLike) -> FloatArray:
    """Lengths in metres, from numbers or from text with a unit."""
    values = np.asarray(given)
    if values.dtype.kind in "US":
        return np.array([Quantity.read(str(d), unit="m", name=name).value for d in values.flat])
    return float_array(name, given)


def _judged(setup: Setup, n: int, spread: float) -> dict[str, float]:
    """How well one setup, `n` units held in balance, shows the steps."""
    from scipy.stats import norm

    steps = np.arange(0, 200)
    sigma, unit = setup.sigma(n + steps), setup.unit
    still = float(sigma[0])
    # A start on the far side of the scale leaves its whole length for the passage.
    usable = setup.on_scale(n + steps) & (sigma < _DECIDABLE * unit)
    reach = int(np.argmin(usable)) - 1 if not usable.all() else int(steps[-1])
    levels = max(0, min(reach, n)) + max(0, reach) + 1 if reach >= 0 else 0
    # Spheres of the batch that fall too fast: speed goes with the square of the diameter.
    lost = float(norm.sf((setup.length / setup.fall - 1) / max(2 * spread, 1e-9)))
    return {
        "fall": setup.fall,
        "divisions": unit,
        "sigma_over_unit": still / unit,
        "sigma_over_unit_far": float(sigma[max(reach, 0)] / unit),
        "largest_charge": float(n + max(reach, 0)) if reach >= 0 else float("nan"),
        "levels": float(levels),
        "off_scale": lost,
        "score": still / unit * max(1.0, 5 / max(levels, 0.5)) / (1.001 - lost),
    }
