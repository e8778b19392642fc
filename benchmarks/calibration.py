"""Simulation-based calibration of the mixture: do its posteriors keep their word?

For each variant of the model parameters are drawn from the priors, readings from the parameters,
and the same model is fitted. If the posterior is right, the rank of the truth among independent
draws from it is uniform (Talts et al., arXiv:1804.06788), and a 95 % set holds it in 95 % of the
samples. Run with ``python -m benchmarks.calibration``; finished samples are kept in
``benchmarks/results/calibration.jsonl``, where a second run goes on; ``--write docs/tables``
writes the table and the histograms.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from scipy import stats

import quantize as qz
from benchmarks.tables import keep
from quantize.model.draws import draw_sample

RESULTS = Path(__file__).parent / "results" / "calibration.jsonl"
WINDOW = (-5.0, 5.0)
UNIT_RANGE = (0.6, 2.4)
DRAWS = 63
BINS = 16


@dataclasses.dataclass(frozen=True)
class Variant:
    """A model and the samples drawn from it."""

    model: qz.MixtureModel
    sample: dict[str, Any]


def variants() -> dict[str, Variant]:
    """Every option of the model at least once; each a proper generator."""

    def of(sample: dict[str, Any] | None = None, **options: Any) -> Variant:
        if "envelope" not in options or options["envelope"] == "levels":
            options.setdefault("window", WINDOW)
        return Variant(qz.MixtureModel(**options), {"states": 12} | (sample or {}))

    unknown = (0.03, 0.8)
    growth = {"growth": (0.01, 0.2)}
    return {
        "sigma known": of(sigma=0.2),
        "sigma unknown": of(sigma=unknown),
        "40 readings": of({"states": 40}, sigma=unknown),
        "states read twice": of({"states": 8, "repeats": 2}, sigma=unknown),
        "given sigmas, unknown factor": of(
            {"sigma": np.linspace(0.1, 0.3, 12)}, sigma=stats.lognorm(0.3)
        ),
        "free offset": of(sigma=0.15, offset="free"),
        "free offset, sigma unknown": of(sigma=unknown, offset="free"),
        "prior on the offset": of(sigma=0.15, offset=stats.norm(0, 0.1)),
        "outliers": of(sigma=0.12, outliers="free"),
        "outliers, sigma unknown, states": of(
            {"states": 6, "repeats": 2}, sigma=unknown, outliers="free"
        ),
        "error grows with the mean": of(sigma=0.1, noise="proportional", priors=growth),
        "error grows with its root": of(
            sigma=0.1, noise="counting", priors={"growth": (0.02, 0.3)}
        ),
        "one end rounded": of({"resolution": 0.4}, sigma=0.1, rounding=True),
        "both ends rounded": of({"resolution": 0.4, "ends": 2}, sigma=0.1, rounding=True),
        "normal envelope": of(sigma=0.2, envelope=stats.norm(0, 3)),
        "exponential envelope": of(sigma=0.15, envelope=stats.expon(scale=3)),
        "positive integers": of(sigma=0.2, integers="positive", window=(0.0, 10.0)),
        "integers 1 … 8": of(sigma=unknown, integers=(1, 8)),
        "prior on the unit": of(sigma=0.2, priors={"unit": stats.lognorm(0.2, scale=1.2)}),
        "free levels": of(sigma=0.12, envelope="levels"),
    }


SAMPLED = " (sampled)"
BY_SAMPLING = ("sigma unknown", "free offset", "outliers", "error grows with the mean")


def one_page(name: str, variant: Variant, number: int) -> dict[str, Any]:
    """Ranks of the truth, coverage of the sets, and which unit was called the best.

    With a name that ends in "(sampled)" the posterior is sampled by `sample_mixture`.
    """
    rng = np.random.default_rng([11, number, *name.encode()])
    sample = draw_sample(variant.model, UNIT_RANGE, rng, **variant.sample)
    truth = sample.parameters
    if name.endswith(SAMPLED):
        fit = qz.sample_mixture(
            sample.readings, UNIT_RANGE, model=variant.model, draws=200, chains=2, rng=rng
        )
        draws = fit.draws.iloc[np.linspace(0, len(fit.draws) - 1, DRAWS).astype(int)]
        draws = draws.drop(columns=["chain", "draw"])
    else:
        fit = qz.fit_mixture(sample.readings, UNIT_RANGE, model=variant.model)
        draws = fit.draws(DRAWS, rng=rng)
    unit, offset = float(truth.unit[0]), float(truth.offset[0])
    true = {"unit": unit, "sigma": float(truth.sigma[0]), "growth": float(truth.growth[0])}
    true |= {"outliers": float(truth.outliers[0]), "offset": offset}
    if variant.model.offset == "free":
        # Round the circle: the phase at the true unit has no natural start.
        draws = draws.assign(offset=draws["offset"] / draws["unit"] % 1.0)
        true["offset"] = offset / unit % 1.0
    ranks = {key: int(np.sum(draws[key] < true[key])) for key in draws if draws[key].nunique() > 1}
    row: dict[str, Any] = {"variant": name, "sample": number, "ranks": ranks}
    for prob in (0.68, 0.95):
        pieces = fit.interval(prob)
        row[f"holds {prob}"] = bool(np.any((pieces[:, 0] <= unit) & (unit <= pieces[:, 1])))
        row[f"pieces {prob}"] = len(pieces)
        row[f"length {prob}"] = float(np.sum(np.log(pieces[:, 1] / pieces[:, 0])))
    row["ratio"] = fit.unit / unit
    # A free offset is counted from the tooth in [0, unit).
    moved = int(np.floor(offset / unit)) if variant.model.offset == "free" else 0
    row |= _whole_numbers(fit, sample.integers + moved, sample.outlier)
    if variant.model.outliers != 0.0 and not name.endswith(SAMPLED):
        row["outliers stated"] = float(np.mean(fit.outlier_probabilities()))
        row["outliers true"] = float(np.mean(sample.outlier))
    return row


def _whole_numbers(fit: Any, true: Any, outlier: Any) -> dict[str, float]:
    """Mean probability of the likeliest whole number of each reading on the comb, and its truth."""
    table = fit.integer_probabilities
    best = table.loc[table.groupby("reading")["probability"].idxmax()]
    on_comb = ~outlier[best["reading"].to_numpy()]
    if not on_comb.any():
        return {}
    right = best["integer"].to_numpy() == true[best["reading"].to_numpy()]
    return {
        "whole stated": float(best["probability"].to_numpy()[on_comb].mean()),
        "whole right": float(right[on_comb].mean()),
    }


def samples(wanted: dict[str, int], known: set[tuple[str, int]]) -> Iterator[dict[str, Any]]:
    """Every sample that is wanted and not known yet."""
    table = variants()
    for number in range(max(wanted.values())):
        for name, runs in wanted.items():
            if number < runs and (name, number) not in known:
                yield one_page(name, table[name.removesuffix(SAMPLED)], number)


def read(path: Path) -> list[dict[str, Any]]:
    """Finished samples; a line cut short is left out."""
    rows = []
    if path.exists():
        for line in path.read_text(encoding="utf-8").splitlines():
            try:
                rows.append(json.loads(line))
            except json.JSONDecodeError:
                continue
    return rows


def uniformity(ranks: list[int]) -> float:
    """Chi-square p of the histogram of ranks."""
    counts = np.bincount(np.array(ranks) * BINS // (DRAWS + 1), minlength=BINS)
    return float(stats.chisquare(counts).pvalue)


def stated_against(rows: list[dict[str, Any]], stated: str, true: str) -> str:
    """Mean of what was stated and of what was true, and their difference in standard errors."""
    pairs = np.array([(row[stated], row[true]) for row in rows if stated in row])
    if len(pairs) < 2:
        return ""
    difference = pairs[:, 1] - pairs[:, 0]
    error = float(difference.std(ddof=1) / np.sqrt(len(pairs)))
    z = f"{difference.mean() / error:+.1f}" if error > 0 else "0"
    return f"{pairs[:, 0].mean():.3f} / {pairs[:, 1].mean():.3f} ({z})"


def summary(rows: list[dict[str, Any]]) -> list[str]:
    """The table, one line for each variant and one for all."""
    lines = [
        "| model | samples | unit | sigma | offset | outliers | growth | 68 % | 95 % | pieces "
        "| length | u/2, u/3 | whole numbers | outliers |",
        "|---" * 14 + "|",
    ]
    names = list(dict.fromkeys(row["variant"] for row in rows))
    for name in [*names, "all"]:
        mine = [row for row in rows if name in ("all", row["variant"])]
        cells = []
        for key in ("unit", "sigma", "offset", "outliers", "growth"):
            ranks = [row["ranks"][key] for row in mine if key in row["ranks"]]
            cells.append(f"{uniformity(ranks):.3f}" if ranks and name != "all" else "")
        ratio = np.array([row["ratio"] for row in mine])
        sub = np.mean((np.abs(2 * ratio - 1) < 0.05) | (np.abs(3 * ratio - 1) < 0.05))
        means = {k: np.mean([row[k] for row in mine]) for k in mine[0] if k[-1].isdigit()}
        lines.append(
            f"| {name} | {len(mine)} | {' | '.join(cells)} | {means['holds 0.68']:.3f} "
            f"| {means['holds 0.95']:.3f} | {means['pieces 0.95']:.1f} "
            f"| {means['length 0.95']:.3f} | {sub:.3f} "
            f"| {stated_against(mine, 'whole stated', 'whole right')} "
            f"| {stated_against(mine, 'outliers stated', 'outliers true')} |"
        )
    return lines


def picture(rows: list[dict[str, Any]], path: Path) -> None:
    """Histograms of all ranks, with the band that holds 95 % of uniform counts."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    found: dict[tuple[str, str], list[int]] = {}
    for row in rows:
        for key, rank in row["ranks"].items():
            found.setdefault((row["variant"], key), []).append(rank)
    columns = 6
    figure = Figure(figsize=(11, 1.5 * int(np.ceil(len(found) / columns))), layout="constrained")
    FigureCanvasSVG(figure)
    axes = figure.subplots(int(np.ceil(len(found) / columns)), columns, squeeze=False).ravel()
    for ax, ((name, key), ranks) in zip(axes, found.items(), strict=False):
        counts = np.bincount(np.array(ranks) * BINS // (DRAWS + 1), minlength=BINS)
        low, high = stats.binom(len(ranks), 1 / BINS).ppf([0.025, 0.975])
        ax.axhspan(low, high, color="0.85")
        ax.bar(np.arange(BINS), counts, width=0.9, color="#33658a")
        ax.set_title(f"{name}\n{key}", fontsize=6.5)
        ax.set_xticks([])
        ax.tick_params(labelsize=6)
    for ax in axes[len(found) :]:
        ax.set_visible(False)
    figure.savefig(path, metadata={"Date": None})


def main(arguments: list[str] | None = None) -> None:
    """Simulate, and print or write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true", help="one sample a model, nothing kept")
    parser.add_argument("--runs", type=int, default=1000, help="samples a model")
    parser.add_argument("--only", nargs="*", help="names of models")
    parser.add_argument("--sampled", type=int, default=200, help="samples a model by sampling")
    parser.add_argument("--write", metavar="DIR", type=Path, help="write the table to this folder")
    options = parser.parse_args(arguments)
    names = options.only or [*variants(), *(name + SAMPLED for name in BY_SAMPLING)]
    wanted = {name: options.sampled if name.endswith(SAMPLED) else options.runs for name in names}
    rows = [] if options.tiny else read(RESULTS)
    known = {(row["variant"], row["sample"]) for row in rows}
    for row in samples(dict.fromkeys(names, 1) if options.tiny else wanted, known):
        rows.append(row)
        if not options.tiny:
            RESULTS.parent.mkdir(exist_ok=True)
            with RESULTS.open("a", encoding="utf-8") as file:
                file.write(json.dumps(row) + "\n")
    rows = [row for row in rows if row["sample"] < wanted.get(row["variant"], 0)]
    rows.sort(key=lambda row: names.index(row["variant"]))
    lines = [
        f"Ranks of the truth among {DRAWS} draws: chi-square p of {BINS} equal bins, by parameter. "
        "Then how often the 68 % and 95 % sets of the unit hold the truth, the mean number of "
        "pieces of the 95 % set and its mean length in log unit, and how often a half or a third "
        "of the true unit is called the best. Whole numbers: the mean probability stated for the "
        "likeliest whole number of each reading that is on the comb, and the share that is right; "
        "outliers: the mean probability stated and the share of outliers; in brackets the "
        "difference in standard errors.",
        "",
        *summary(rows),
    ]
    print("\n".join(lines))
    if options.write:
        static = options.write.parent / "_static"
        static.mkdir(parents=True, exist_ok=True)
        picture(rows, static / "calibration.svg")
        lines += ["", "![Histograms of the ranks](../_static/calibration.svg)"]
    keep(options.write, "calibration", "Calibration of the mixture", lines)


if __name__ == "__main__":
    main()
