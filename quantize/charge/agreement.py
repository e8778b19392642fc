"""Whether the routes to coulombs agree, what they share taken out, and which of them to believe.

Weight, diameter and density of a sphere are compared too: they are two ways to one weight.
"""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from quantize._support.validation import FloatArray
from quantize.charge.apparatus import Apparatus
from quantize.charge.budgets import Divisions, gather, per_division
from quantize.charge.checks import Check, Level, graded, judged, unknown
from quantize.charge.entries import QUANTITIES
from quantize.charge.propagation import Propagation, correlation_matrix, propagate
from quantize.charge.quantity import Quantity
from quantize.charge.routes import ROUTES, weight_from_diameter
from quantize.charge.rows import Rows

NAME = "the routes to coulombs agree"
_DOUBT = 0.01  # as in `graded`
_MATTERS = 0.2  # exponent above which a difference between routes could come from an input
_MOST_CAUSES = 4
_EXACT = 1e-6  # relative standard deviation below which no difference can be judged
_MEASURED = ("sphere.weight", "sphere.diameter", "reticle.division")
_THREE = (
    "ratio, weight from diameter",
    "drag, diameter known",
    "fall and rise, radius from the fall",
)
"""All three compare one speed of fall with one diameter: the third follows from the other two."""
_SAFE = (
    "air.temperature", "air.pressure", "air.humidity", "viscosity formula", "site.gravity",
    "humidity formula", "slip formula", "wall drag", "image force",
)  # fmt: skip
"""What is never so far off that it makes routes differ beyond their uncertainties."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Agreement:
    """Whether the routes that the data allow agree, and which of them to believe.

    Attributes
    ----------
    chi_square : float
        Of the differences between the routes, by the covariance of their errors; NaN with one
        route, where there is nothing to compare.
    degrees_of_freedom : float
        Number of independent differences; NaN with one route.
    p_value : float
        Probability of so large a chi-square by chance; NaN with one route.
    level : {"good", "doubt", "bad", "unknown"}
        "doubt" below a probability of 1 in 100, "bad" below 1 in 10,000, "unknown" where nothing
        can be compared.
    sentence : str
        The comparison in words, with what could reconcile routes that differ.
    sound : tuple of str
        The largest set of routes that agree among themselves; all of them where they do.
    best : str
        The most exact route of these.

    Examples
    --------
    >>> from quantize import charge
    >>> bench = {
    ...     "plates": {"separation": "4.24(2) mm", "voltage": "227.4(6) V"},
    ...     "sphere": {
    ...         "weight": "5.15(8)e-14 N",
    ...         "weight_of": "this sphere",
    ...         "diameter": "2.10(2) um",
    ...         "density": "1055 kg/m3",
    ...     },
    ...     "fall": {"divisions": "60.8 +/- 0.2 div"},
    ... }
    >>> charge.unit_in_coulombs(10.0, bench, unit_err=0.1, trials=200).agreement.level
    'good'
    """

    chi_square: float
    degrees_of_freedom: float
    p_value: float
    level: Level
    sentence: str
    sound: tuple[str, ...]
    best: str

    @property
    def check(self) -> Check:
        """The same as a check of the run."""
        return Check(name=NAME, level=self.level, number=self.chi_square, sentence=self.sentence)

    @property
    def told(self) -> str:
        """The sentence by itself, with a capital."""
        return self.sentence[0].upper() + self.sentence[1:]

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready dictionary."""
        plain = dataclasses.asdict(self) | {"sound": list(self.sound)}
        return {k: None if v != v else v for k, v in plain.items()}


def agree(found: Mapping[str, Propagation]) -> Agreement:
    r"""Compare the units that several routes give for one particle.

    Parameters
    ----------
    found : mapping of str to Propagation
        The unit in coulombs by the name of each route; one route at least.

    Returns
    -------
    Agreement

    Notes
    -----
    With :math:`d_i = \ln e_i - \ln e_1` and their covariance C, in which what two routes share
    cancels, :math:`\chi^2 = d^\top C^{-1} d`, held against F where inputs come from few repeats.
    Where drag, weight from diameter, and fall and rise are all there, two of them are counted: all
    three compare one speed of fall with one diameter.
    """
    names = list(found)
    best = most_exact(found, names)
    if len(names) < 2:
        sentence = f"what is known of the bench allows only '{best}', so that nothing checks it."
        return _agreement(unknown(NAME, sentence), math.nan, math.nan, names, best)
    square, degrees, p = compared(found, names)
    if degrees == 0:
        sentence = f"the {len(names)} routes differ in nothing that has an uncertainty."
        return _agreement(unknown(NAME, sentence), math.nan, 0.0, names, best)
    good = p >= _DOUBT
    sound = names if good else _largest_consistent(found)
    best = most_exact(found, sound or names)
    values = [found[name].value for name in names]
    check = graded(
        NAME,
        p,
        square,
        f"the {len(names)} routes spread over {100 * (max(values) / min(values) - 1):.1f} %; what "
        f"they share taken out, their differences have chi-square {square:.1f} on {degrees} "
        f"degree{'s' if degrees > 1 else ''} of freedom (p = {p:.2g})",
        cause="" if good else _cause(found, sound, best),
    )
    if check.level == "bad" and _without_uncertainty(found):
        # What was taken for exact may explain it.
        check = dataclasses.replace(check, level="doubt")
    return _agreement(check, p, float(degrees), sound or names, best)


def _agreement(check: Check, p: float, degrees: float, sound: list[str], best: str) -> Agreement:
    return Agreement(
        chi_square=check.number,
        degrees_of_freedom=degrees,
        p_value=p,
        level=check.level,
        sentence=check.sentence,
        sound=tuple(sound),
        best=best,
    )


def agreement_of(run: Rows, analysis: object = None) -> Agreement | None:
    """That of the routes which a run of one particle allows; None without any.

    The unit is the same factor in all of them, so that no analysis is needed; one that brings its
    coulombs is asked, so that there is one number.
    """
    coulombs = getattr(analysis, "coulombs", None)
    if coulombs is not None:
        known: Agreement = coulombs.agreement
        return known
    if run.apparatus is None:
        return None
    _, found = per_division(run, run.apparatus)
    return agree(found) if found else None


def common_route(agreements: Iterable[Agreement], relative: Iterable[Mapping[str, float]]) -> str:
    """One route for several particles: sound for all of them if there is such, and most exact."""
    known, errors = list(agreements), list(relative)
    every = [name for name in errors[0] if all(name in e for e in errors)]
    sound = [name for name in every if all(name in a.sound for a in known)]
    if not every:
        return known[0].best
    return min(sound or every, key=lambda name: sum(e[name] ** 2 for e in errors))


def relative_errors(found: Mapping[str, Propagation]) -> dict[str, float]:
    """Relative standard uncertainty by every route."""
    return {name: p.standard_uncertainty / p.value for name, p in found.items()}


def most_exact(found: Mapping[str, Propagation], names: Iterable[str]) -> str:
    """The route with the smallest relative uncertainty; the first of equals."""
    return min(names, key=lambda name: found[name].standard_uncertainty / abs(found[name].value))


def compared(found: Mapping[str, Propagation], names: Iterable[str]) -> tuple[float, int, float]:
    """Chi-square of the differences between routes, its degrees of freedom, and p."""
    d, errors, correlation, freedom = _differences(found, names)
    covariance = errors @ correlation @ errors.T
    if d.size == 0 or np.sqrt(np.diag(covariance)).max() < _EXACT:
        return math.nan, 0, math.nan
    covariance = covariance + np.eye(d.size) * _EXACT**2
    pull = np.linalg.solve(covariance, d)
    square = float(d @ pull)
    return square, d.size, _tail(square, d.size, pull @ errors, freedom)


def difference(first: Propagation, other: Propagation) -> tuple[float, float]:
    """Relative difference, and its size in standard uncertainties, shared inputs taken out."""
    d, errors, correlation, _ = _differences({"a": first, "b": other}, ("a", "b"))
    spread = math.sqrt(float((errors @ correlation @ errors.T)[0, 0]))
    relative = other.value / first.value - 1
    return relative, abs(float(d[0])) / spread if spread > 1e-12 else 0.0


def _tail(square: float, degrees: int, parts: FloatArray, freedom: FloatArray) -> float:
    """p of a chi-square whose errors come in part from few repeats (Welch and Satterthwaite)."""
    from scipy.stats import chi2, f

    total = float(np.sum(parts**2))
    few = float(np.sum(parts**4 / freedom))
    if few == 0 or total == 0:
        return float(chi2.sf(square, degrees))
    return float(f.sf(square / degrees, degrees, total**2 / few))


def _differences(
    found: Mapping[str, Propagation], names: Iterable[str]
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Log differences from the first route, their errors by input, correlations and freedom."""
    chosen = [found[name] for name in _independent(names)]
    inputs = _inputs(chosen)
    errors = np.array([_row(p, inputs, "slope", "standard_uncertainty") / p.value for p in chosen])
    pairs = {pair: r for p in chosen for pair, r in p.correlations.items()}
    freedom = np.full(len(inputs), math.inf)
    for p in chosen:
        for row in p.budget.to_dict("records"):
            freedom[inputs.index(row["input"])] = row["degrees_of_freedom"]
    logs = np.log([abs(p.value) for p in chosen])
    return logs[1:] - logs[0], errors[1:] - errors[0], correlation_matrix(inputs, pairs), freedom


def _independent(names: Iterable[str]) -> list[str]:
    """The routes less the one that follows from two others, where all three are there."""
    given = list(names)
    return given if set(_THREE) - set(given) else [name for name in given if name != _THREE[2]]


def _inputs(routes: Iterable[Propagation]) -> list[str]:
    return list(dict.fromkeys(name for p in routes for name in p.budget["input"]))


def _row(p: Propagation, inputs: list[str], *columns: str) -> FloatArray:
    """The product of columns of a budget, in the order of `inputs`; zero for those it lacks."""
    values = p.budget.set_index("input")[list(columns)].prod(axis=1)
    return np.array([float(values.get(name, 0.0)) for name in inputs])


def _largest_consistent(found: Mapping[str, Propagation]) -> list[str]:
    """The most independent routes that agree, by p where there are several such sets."""
    best: tuple[int, float, list[str]] = (0, 0.0, [])
    for size in range(2, len(found)):
        for chosen in map(list, itertools.combinations(found, size)):
            together = set(_THREE) & set(chosen)
            if len(together) == 2 and set(_THREE) <= set(found):
                # The third follows from these two, and goes with them.
                continue
            p = compared(found, chosen)[2]
            if p >= _DOUBT:
                best = max(best, (len(_independent(chosen)), p, chosen))
    return best[2]


def _cause(found: Mapping[str, Propagation], sound: list[str], best: str) -> str:
    """What could be wrong, and what the headline rests on."""
    parts = []
    exact = _without_uncertainty(found)
    if exact:
        parts.append(
            f"no uncertainty is stated for {' and '.join(map(_named, exact))}, which may be all"
        )
    causes = reconciling(found)
    if causes:
        parts.append(
            "one of these alone would reconcile them: "
            + ", or ".join(f"{_named(name)} {_by(factor)}" for name, factor in causes)
        )
    if sound:
        listed = " and ".join(f"'{name}'" for name in sound)
        parts.append(f"{listed} agree with each other, and '{best}' is the most exact of them")
    else:
        parts.append(
            f"no two of them agree, so that none is known to be right; '{best}' states the "
            "smallest uncertainty"
        )
    return "; ".join(parts)


def reconciling(found: Mapping[str, Propagation]) -> list[tuple[str, float]]:
    """Inputs that alone, off by a factor, would bring all routes together, the likeliest first.

    The factor is that by which the true value would differ from the one stated.
    """
    from scipy.stats import chi2

    names = _independent(found)
    chosen = [found[name] for name in names]
    inputs = _inputs(chosen)
    exponents = np.array([_row(p, inputs, "exponent") for p in chosen])
    d, errors, correlation, _ = _differences(found, names)
    precision = np.linalg.inv(errors @ correlation @ errors.T + np.eye(d.size) * _EXACT**2)
    total, out = float(d @ precision @ d), []
    for j, name in enumerate(inputs):
        towards = exponents[1:, j] - exponents[0, j]
        if name in _SAFE or np.abs(towards).max() < _MATTERS:
            continue
        weight = float(towards @ precision @ towards)
        step = float(towards @ precision @ d) / weight
        left = total - step**2 * weight
        if d.size == 1 or chi2.sf(left, d.size - 1) >= _DOUBT:
            # A route too high by its exponent times the step is put right by the opposite step.
            # A fall that was measured again and again is the last to be doubted.
            out.append((round(left, 1), name == "fall", abs(step), name, math.exp(-step)))
    return [(name, factor) for *_, name, factor in sorted(out)[:_MOST_CAUSES]]


def _named(name: str) -> str:
    if name == "fall":
        name = "fall.divisions"
    return f"the {QUANTITIES[name].meaning}" if name in QUANTITIES else name


def _by(factor: float) -> str:
    return f"{100 * abs(factor - 1):.1f} % {'larger' if factor > 1 else 'smaller'}"


def _without_uncertainty(found: Mapping[str, Propagation]) -> list[str]:
    """What is measured on every bench, and has no uncertainty here."""
    inputs = {name: q for p in found.values() for name, q in p.inputs.items()}
    return [n for n in _MEASURED if n in inputs and inputs[n].standard_uncertainty == 0]


def sphere_agreement(apparatus: Apparatus) -> Check | None:
    """Whether weight, diameter and density agree with each other; None if not all are given."""
    if not apparatus.has("sphere.weight", "sphere.diameter", "sphere.density"):
        return None
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
    ending = (
        ", which agrees within the uncertainties."
        if good
        else f"; they differ by {100 * off:.0f} %, which goes straight into the charge, and a "
        f"diameter of {diameter * ratio ** (1 / 3) * 1e6:.3g} µm instead of "
        f"{diameter * 1e6:.3g} µm would reconcile them."
    )
    return judged(
        "weight against diameter and density",
        good,
        ratio,
        f"the weight as supplied, {supplied.value:.3g} N, is {ratio:.3f} times the "
        f"{computed.value:.3g} N that follow from diameter and density{ending}",
    )
