"""Every check of a run, and those of the sphere, its plates and its distance from the steps."""

from __future__ import annotations

import math

import numpy as np

from quantize._support.errors import InputError
from quantize.charge import air, checks_motion, checks_page, drag
from quantize.charge.agreement import sphere_agreement
from quantize.charge.apparatus import value_of
from quantize.charge.bench import bench_of_run
from quantize.charge.budgets import by_every_route, one_division, with_voltage
from quantize.charge.checks import Check, Checks, Graded, held_together, judged, unknown
from quantize.charge.faults import check_faults
from quantize.charge.noise import ROOM, ROOM_AIR_DENSITY, mobility_of, weight_by_size, weight_of
from quantize.charge.propagation import Propagation
from quantize.charge.rows import Rows, predicted_as_read

_LARGEST_REYNOLDS = 0.1
_FURTHER = "; take a smaller sphere, or plates further apart"
_BESIDE = 0.25  # of the other uncertainties; added in square, it makes 3 % more of them


def check_run(run: Rows, analysis: object = None) -> Checks:
    """Make every check that the run of one particle allows; see `Run.checks`.

    Where voltage and direction have the wrong signs, those that rest on the fall are left out.
    """
    page, motion = checks_page, checks_motion
    signs = page.sign_slips(run)
    found: list[Check | Graded] = [signs]
    if signs.level == "bad":
        # Nothing that rests on the fall means anything until the signs are mended.
        return held_together([*found, page.last_digits(run), page.labels_sorted(run)])
    found += size_from_fall(run)
    found += plates_far_away(run)
    found += motion.proportionality(run)
    found += motion.fall_steadiness(run)
    found += motion.scatter_explained(run)
    found += [
        motion.jumps(run),
        page.lost_off_the_scale(run),
        page.last_digits(run),
        page.labels_sorted(run),
        check_faults(run),
    ]
    found += page.labels_against_log(run)
    found += [
        distance_from_steps(run, analysis),
        page.ruler_or_nature(run, analysis),
        page.unit_drift(run, analysis),
        page.discarded(run, analysis),
    ]
    bench = bench_of_run(run, analysis)
    if bench is not None:
        found.append(bench.agreement.check)
    elif (sphere := sphere_agreement(run.known)) is not None:
        found.append(sphere)
    return held_together(found)


def distance_from_steps(run: Rows, analysis: object) -> Check | Graded:
    """Residuals to the fitted comb against the predicted scatter, which needs no repeats."""
    from scipy.stats import chi2

    name = "readings lie as near to the steps as predicted"
    integers = run.integers_of(analysis)
    if integers is None:
        return unknown(name, "whole numbers are needed, from an analysis of this run.")
    try:
        predicted = predicted_as_read(run, run.driven).total
    except InputError as error:
        return unknown(name, f"the scatter cannot be predicted: {error}")
    known = run.fall_on_record() is not None
    values = run.joined()[0] if known else run.moved()
    shift = run.stretch() if known else np.ones(values.size)
    predicted = predicted * np.abs(shift)
    # Fitted again, so that the residuals are those of single readings; the fall may have changed.
    time = run.time_of(run.driven)[0]
    along = shift * (time - time.mean()) / max(float(np.ptp(time)), 1.0)
    design = np.column_stack([integers, shift, along]) / predicted[:, None]
    solution, _, rank, _ = np.linalg.lstsq(design, values / predicted, rcond=None)
    degrees = values.size - int(rank)
    if degrees < 1:
        return unknown(name, "too few readings are left once unit and zero are fitted.")
    rest = values / predicted - design @ solution
    chi_square = float(rest @ rest)
    ratio = math.sqrt(chi_square / degrees)
    seen = math.sqrt(float(np.sum((rest * predicted) ** 2)) / degrees)
    expected = float(np.sqrt(np.mean(predicted**2)))
    return Graded(
        name,
        float(chi2.sf(chi_square, degrees)),
        ratio,
        f"the readings scatter about the fitted steps by {seen:.2f} divisions where "
        f"{expected:.2f} are predicted, a ratio of {ratio:.2f} on {degrees} degrees of freedom",
        cause=(
            "a wrong unit, a charge that is no whole number or a scatter that is larger than "
            "the apparatus explains would do that; the fit believes the prediction within a "
            "factor of 1.5 only"
        ),
    )


def size_from_fall(run: Rows) -> list[Check]:
    """Size that the fall implies against the maker's (stuck pairs, slips), and Stokes' law."""
    name = "one sphere, of the size stated"
    fall, bench = run.fall_on_record(), run.known
    wanted = ("reticle.division", "sphere.diameter", "sphere.density")
    if fall is None or not bench.has(*wanted):
        return [unknown(name, "fall, scale, diameter and density are needed to compare sizes.")]
    speed = fall.value * bench.need("reticle.division").value / run.interval
    diameter = bench.need("sphere.diameter")
    ratio = speed / (mobility_of(bench) * weight_by_size(bench))
    spread = bench.spread_about("sphere.diameter")
    own = spread.standard_uncertainty / diameter.value if spread else 0.0
    relative = 2 * math.hypot(diameter.relative, own)
    good = abs(ratio - 1) <= max(3 * math.hypot(relative, fall.relative), 0.05)
    sentence = f"the sphere falls {ratio:.2f} times as fast as its stated size and density imply"
    viscosity = float(air.viscosity(value_of(bench, "air.temperature", ROOM)))
    number = float(drag.reynolds(diameter.value, speed, viscosity, ROOM_AIR_DENSITY))
    slow, size = number < _LARGEST_REYNOLDS, "as slow as Stokes' law wants it"
    if not slow:
        size = "too large for Stokes' law: use smaller spheres"
    size = f"the Reynolds number of the fall is {number:.1e}, {size}."
    return [
        judged(name, good, ratio, f"{sentence}{'' if good else _size_hint(ratio)}."),
        judged("slow enough for Stokes' law", slow, number, size, otherwise="bad"),
    ]


def _size_hint(ratio: float) -> str:
    if 1.3 < ratio < 1.6:
        return (
            "; two spheres stuck together fall 1.4 to 1.5 times as fast with twice the weight, "
            "and give half the unit"
        )
    for factor, words in (
        (4.0, "a radius was given where the diameter belongs, or the scale is half as fine"),
        (0.25, "a diameter was given twice as large as it is"),
        (10.0, "a factor of ten has slipped into the scale or the time"),
        (0.1, "a factor of ten has slipped into the scale or the time"),
        (1000.0, "millimetres stand where micrometres belong, or metres where millimetres"),
        (0.001, "micrometres stand where millimetres belong"),
    ):
        if abs(math.log(ratio / factor)) < 0.25:
            return f", about {factor:g} times: perhaps {words}"
    return "; look at scale, interval, diameter and density"


def plates_far_away(run: Rows) -> list[Check]:
    """Drag of the plates and pull of the image charge, beside the other uncertainties."""
    bench = run.known
    if not bench.has("sphere.diameter", "plates.separation"):
        return []
    d, gap = bench.need("sphere.diameter").value, bench.need("plates.separation").value
    slowed = float(drag.slowing(d, gap))
    found = by_every_route(with_voltage(bench, run), one_division(run))
    parts = [
        f"plates {gap * 1e3:.3g} mm apart slow a sphere of {d * 1e6:.3g} µm midway by "
        f"{100 * slowed:.2g} % (1.45 times its radius over half their distance)"
    ]
    doubts: dict[float, str] = {}
    # Drag enters a charge as viscosity does.
    thick = ["viscosity formula", "air.viscosity"]
    exponents = {name: p.budget.set_index("input")["exponent"] for name, p in found.items()}
    moved = {n: slowed * float(e[e.index.isin(thick)].sum()) for n, e in exponents.items()}
    if any(moved.values()):
        worst = max(moved, key=lambda name: moved[name] / _relative(found[name]))
        parts.append(f"which makes the charge by '{worst}' too small by {100 * moved[worst]:.2g} %")
        doubts[moved[worst] / _relative(found[worst])] = f"{100 * _relative(found[worst]):.2g} %"
    elif found:
        parts.append("which cancels in the ratio of unit and fall")
    pulled = _image_share(run)
    if pulled is not None and found:
        least = min(_relative(p) for p in found.values())
        parts.append(f"and the image in one plate pulls with {pulled:.1g} of the weight")
        doubts[pulled / least] = f"{100 * least:.2g} %"
    small, end = max(doubts, default=0.0) < _BESIDE, ""
    if doubts:
        word, advice = ("negligible", "") if small else ("NOT negligible", _FURTHER)
        end = f": {word} beside the {doubts[max(doubts)]} of everything else{advice}"
    return [judged("the plates are far away", small, slowed, f"{', '.join(parts)}{end}.")]


def _relative(found: Propagation) -> float:
    return max(found.standard_uncertainty / found.value, 1e-12)


def _image_share(run: Rows) -> float | None:
    """Pull of the image of the largest charge of the run, over the weight."""
    bench, volts, fall = run.known, run.reference_voltage, run.fall_on_record()
    weighed = bench.has("sphere.weight") or bench.has("sphere.density")
    if fall is None or not volts or not weighed:
        return None
    newtons = weight_of(bench)
    gap = bench.need("plates.separation").value
    largest = float(np.abs(run.joined()[0]).max(initial=fall.value)) / fall.value
    return float(drag.image_pull(largest * newtons * gap / volts, gap)) / newtons
