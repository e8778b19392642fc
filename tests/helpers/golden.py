"""What every public function gives on some sixty data sets: to see what a change moves.

``python tests/helpers/golden.py`` writes ``tests/golden.json`` anew and prints every number that
moved; ``--show`` prints only.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from running_path import running_evidence

import quantize as qz

FILE = Path(__file__).resolve().parent.parent / "golden.json"

# Millikan, Phys. Rev. 32:349 (1911): one drop, thirteen charges, 1e-10 esu.
CHARGES = [
    19.66, 24.60, 29.62, 34.47, 39.38, 44.42, 49.41, 53.91, 59.12, 63.68, 68.65, 78.34, 83.22,
]  # fmt: skip

Case = tuple[Any, tuple[float, float] | None, dict[str, Any]]
"""Readings, range of units, offset and sigma_range."""


def _comb(seed: int, n: int, spread: float, first: int = -4, last: int = 4) -> np.ndarray:
    rng = np.random.default_rng([71, seed])
    return rng.integers(first, last + 1, n) + spread * rng.normal(size=n)


def _drawn(seed: int, n: int, how: Callable[[np.random.Generator, int], Any]) -> np.ndarray:
    return np.asarray(how(np.random.default_rng([72, seed]), n), float)


def _levels(places: list[float], spread: float) -> Callable[[np.random.Generator, int], Any]:
    return lambda rng, n: rng.choice(places, n) + spread * rng.normal(size=n)


def data_sets() -> dict[str, Case]:
    """The data sets by name."""
    out: dict[str, Case] = {"thirteen charges": (CHARGES, None, {})}
    out["thirteen charges, free"] = (CHARGES, (2.0, 8.0), {"offset": "free"})
    for seed, (n, spread) in enumerate(
        [(5, 0.05), (8, 0.08), (8, 0.15), (12, 0.1), (20, 0.1), (20, 0.15), (20, 0.2), (20, 0.3)]
        + [(40, 0.15), (40, 0.2), (40, 0.25), (60, 0.1), (60, 0.3), (120, 0.2), (200, 0.25)]
    ):
        out[f"comb {n} at {spread:g}"] = (_comb(seed, n, spread), None, {})
        if n in (8, 20, 60):
            given = qz.Readings(_comb(seed, n, spread), sigma=spread)
            out[f"comb {n} at {spread:g}, sigma given"] = (given, None, {})
        if n in (12, 40):
            moved = _comb(seed, n, spread) + 7.3
            out[f"comb {n} at {spread:g}, free"] = (moved, (0.4, 3.0), {"offset": "free"})
    for seed, last in enumerate((3, 8, 30)):
        x = _comb(20 + seed, 25, 0.12, 1, last)
        out[f"comb of 1 to {last}"] = (x, None, {})
        out[f"comb of 1 to {last}, sigma known"] = (x, None, {"sigma_range": 0.12})
    shapes: dict[str, Callable[[np.random.Generator, int], Any]] = {
        "uniform": lambda rng, n: rng.uniform(-5, 5, n),
        "normal": lambda rng, n: rng.normal(0, 3, n),
        "exponential": lambda rng, n: rng.exponential(3, n),
        "lump away from zero": lambda rng, n: rng.normal(20, 1, n),
        "three levels anywhere": _levels([2.0, 5.3, 9.9], 0.1),
        "eight levels anywhere": _levels([0.4, 1.7, 2.2, 4.1, 5.9, 6.3, 8.8, 9.5], 0.1),
        "a third rounded": lambda rng, n: np.where(
            rng.random(n) < 0.33, np.rint(rng.uniform(0, 9, n)), rng.uniform(0, 9, n)
        ),
    }
    for name, how in shapes.items():
        for n in (12, 40):
            out[f"{name}, {n}"] = (_drawn(n, n, how), None, {})
    out["uniform, sigma given"] = (
        qz.Readings(_drawn(1, 40, shapes["uniform"]), sigma=0.1),
        (0.4, 4.0),
        {},
    )
    twice = np.repeat(_comb(30, 10, 0.0, 1, 9), 2) + _drawn(3, 20, lambda r, n: r.normal(0, 0.2, n))
    states = np.repeat(np.arange(10), 2)
    out["ten states read twice"] = (qz.Readings(twice, state=states), None, {})
    out["ten states read twice, free"] = (
        qz.Readings(twice + 0.4, state=states),
        (0.4, 3.0),
        {"offset": "free"},
    )
    out["rounded to a tenth"] = (_comb(31, 20, 0.12).round(1), None, {})
    out["rounded to a half"] = (
        qz.Readings(np.rint(2 * _comb(32, 20, 0.3, 2, 40)) / 2, resolution=0.5),
        None,
        {},
    )
    out["in coulombs"] = (1.6e-19 * _comb(33, 20, 0.1), None, {})
    out["sigmas of their own"] = (
        qz.Readings(_comb(34, 20, 0.12), sigma=np.linspace(0.06, 0.2, 20)),
        None,
        {},
    )
    wild = _comb(35, 25, 0.1, 1, 9)
    wild[5] *= 10
    out["one reading times ten"] = (wild, None, {})
    out["one reading times ten, sigma known"] = (wild, None, {"sigma_range": 0.1})
    return out


def models() -> dict[str, qz.MixtureModel]:
    """Some of the model's options, for one data set."""
    return {
        "outliers": qz.MixtureModel(outliers=0.05),
        "growing": qz.MixtureModel(noise="proportional", priors={"growth": 0.02}),
        "window": qz.MixtureModel(window=(-5, 5), sigma=0.1),
        "normal": qz.MixtureModel(envelope="normal"),
        "offset prior": qz.MixtureModel(offset=_scipy_norm(0.0, 0.1), sigma=0.1),
        "integers": qz.MixtureModel(integers=(-4, 4)),
    }


def _scipy_norm(mean: float, sd: float) -> Any:
    from scipy import stats

    return stats.norm(mean, sd)


def answers(every: int = 1) -> Iterator[tuple[str, dict[str, Any]]]:
    """(name, numbers) of every call on every so many-th data set, and of some of the rest."""
    for name, (data, unit_range, options) in list(data_sets().items())[::every]:
        yield from ((f"{name} | {call}", kept) for call, kept in _calls(data, unit_range, options))
    data = _comb(4, 20, 0.1)
    for name, model in list(models().items())[:: (every + 3) // 4]:
        fit = qz.fit_mixture(data, (0.5, 3.0), model=model)
        yield f"model {name} | fit_mixture", _fit(fit)
        yield f"model {name} | analyze", _analysis(data, (0.5, 3.0), {"model": model})
    draws = qz.sample_mixture(data, (0.5, 3.0), draws=200, chains=2, rng=1)
    best = draws.alternatives.iloc[0]
    yield "comb | sample_mixture", {"unit": float(best["unit"])}
    found = running_evidence(_comb(5, 12, 0.08), (0.4, 2.5), (-6.0, 6.0))
    yield "comb | running_evidence", {"log_evidence": found.log_evidence.tolist()}
    two = qz.model.fit_two_units(
        np.r_[2.54 * np.arange(1, 7), np.arange(3, 9)] + 0.01 * np.cos(np.arange(12)),
        (0.8, 4),
        labels=["in"] * 6 + ["cm"] * 6,
        sigma_range=0.05,
    )
    yield "inches | fit_two_units", {"units": two.units.tolist(), "log_b": two.log_bayes_factor}
    counts = qz.analyze(_comb(6, 60_000, 0.15), (0.3, 3.0))
    kept = {"verdict": counts.verdict, "unit": counts.unit, "unit_err": counts.unit_err}
    yield "many | analyze", kept
    yield "demonstration run | Run", _run()


def _calls(
    data: Any, unit_range: Any, options: dict[str, Any]
) -> Iterator[tuple[str, dict[str, Any]]]:
    offset = {k: v for k, v in options.items() if k == "offset"}
    score = qz.periodogram(data, unit_range, **offset)
    yield "periodogram", {"unit": score.unit, "unit_err": score.unit_err}
    fit = qz.fit_comb(data, unit_range, **offset)
    yield "fit_comb", {"unit": fit.unit, "integers": fit.integers.tolist()}
    yield "fit_mixture", _fit(qz.fit_mixture(data, unit_range, **options))
    yield "analyze", _analysis(data, unit_range, options)


def _fit(fit: Any) -> dict[str, Any]:
    return {
        "unit": fit.unit,
        "unit_err": fit.unit_err,
        "sigma": fit.sigma,
        "log_b": fit.log_bayes_factor,
        "share": float(fit.alternatives["share"].iloc[0]),
        "interval": fit.interval(0.95)[:1].ravel().tolist(),
        "integers": fit.integers.tolist(),
    }


def _analysis(data: Any, unit_range: Any, options: dict[str, Any]) -> dict[str, Any]:
    found = qz.analyze(data, unit_range, n_resamples=99, rng=1, **options)
    return {
        "verdict": found.verdict,
        "unit": found.unit,
        "p": found.p_value,
        "log_b": found.log_bayes_factor,
        "low": found.unit_range.low,
        "high": found.unit_range.high,
        "blocked": [f.name for f in found.findings if f.blocks],
    }


def _run() -> dict[str, Any]:
    from quantize.charge import read_run

    data = Path(qz.__file__).parent / "data"
    run = read_run(data / "invented_run.csv", data / "invented_apparatus.toml")
    fit = run.fit()
    found = qz.analyze(run.readings(), offset=run.offset, n_resamples=99, rng=1)
    coulombs = run.unit_in_coulombs(found)
    return {
        "fit": fit.unit,
        "fit_err": fit.unit_err,
        "verdict": found.verdict,
        "coulombs": coulombs.value,
        "uncertainty": coulombs.standard_uncertainty,
    }


def differences(old: dict[str, Any], new: dict[str, Any], rel: float) -> list[str]:
    """What is not the same within `rel`, a line each."""
    lines = [f"{name}: only in one of the two" for name in sorted(set(old) ^ set(new))]
    for name in sorted(set(old) & set(new)):
        for key in sorted(set(old[name]) | set(new[name])):
            a, b = old[name].get(key), new[name].get(key)
            if not _same(a, b, rel):
                lines.append(f"{name}: {key} {a} -> {b}")
    return lines


def _same(a: Any, b: Any, rel: float) -> bool:
    if isinstance(a, list) and isinstance(b, list):
        return len(a) == len(b) and all(_same(x, y, rel) for x, y in zip(a, b, strict=True))
    if isinstance(a, float) and isinstance(b, float):
        if math.isnan(a) or math.isnan(b):
            return math.isnan(a) and math.isnan(b)
        return math.isclose(a, b, rel_tol=rel, abs_tol=rel if abs(a) > 1e-6 else 0.0)
    return bool(a == b)


def computed(every: int = 1) -> dict[str, Any]:
    """Everything anew, of every so many-th data set."""
    return json.loads(json.dumps(dict(answers(every))))


def stored() -> dict[str, Any]:
    """What was kept."""
    kept: dict[str, Any] = json.loads(FILE.read_text(encoding="utf-8"))
    return kept


if __name__ == "__main__":
    now = computed()
    if FILE.exists():
        print("\n".join(differences(stored(), now, 1e-6)) or "nothing moved")
    if "--show" not in sys.argv:
        FILE.write_text(json.dumps(now, indent=0, sort_keys=True) + "\n", encoding="utf-8")
