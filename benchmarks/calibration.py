"""Simulation-based calibration of the mixture: do its posteriors keep their word? Seed 11.

For each variant of the model parameters are drawn from the priors, readings from the parameters,
and the same model is fitted. If the posterior is right, the rank of the truth among independent
draws from it is uniform (Talts et al., arXiv:1804.06788), and a 95 % set holds it in 95 % of the
samples. Finished samples are kept in ``benchmarks/results/calibration_ranks.jsonl``.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from scipy import stats

import quantize as qz
from benchmarks.accuracy import is_fraction
from benchmarks.runner import RESULTS, Array, Kept, Option, benchmark, head, holds, number, row
from quantize.model.draws import draw_sample

UNIT_RANGE = (0.6, 2.4)
DRAWS = 63
BINS = 16
Row = dict[str, Any]


class Variant(NamedTuple):
    """A model and the samples drawn from it."""

    model: qz.MixtureModel
    sample: dict[str, Any]


def variants() -> dict[str, Variant]:
    """Every option of the model at least once; each a proper generator."""

    def of(sample: dict[str, Any] | None = None, **options: Any) -> Variant:
        if options.get("envelope", "levels") == "levels":
            options.setdefault("window", (-5.0, 5.0))
        return Variant(qz.MixtureModel(**options), {"states": 12} | (sample or {}))

    unknown = (0.03, 0.8)
    twice, rounded = {"states": 6, "repeats": 2}, {"resolution": 0.4}
    growing = {"sigma": 0.1, "noise": "proportional", "priors": {"growth": (0.01, 0.2)}}
    counting = {"sigma": 0.1, "noise": "counting", "priors": {"growth": (0.02, 0.3)}}
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
        "outliers, sigma unknown, states": of(twice, sigma=unknown, outliers="free"),
        "error grows with the mean": of(**growing),
        "error grows with its root": of(**counting),
        "one end rounded": of(rounded, sigma=0.1, rounding=True),
        "both ends rounded": of(rounded | {"ends": 2}, sigma=0.1, rounding=True),
        "normal envelope": of(sigma=0.2, envelope=stats.norm(0, 3)),
        "exponential envelope": of(sigma=0.15, envelope=stats.expon(scale=3)),
        "positive integers": of(sigma=0.2, integers="positive", window=(0.0, 10.0)),
        "integers 1 … 8": of(sigma=unknown, integers=(1, 8)),
        "prior on the unit": of(sigma=0.2, priors={"unit": stats.lognorm(0.2, scale=1.2)}),
        "free levels": of(sigma=0.12, envelope="levels"),
    }


SAMPLED = " (sampled)"
BY_SAMPLING = ("sigma unknown", "free offset", "outliers", "error grows with the mean")


def one_page(name: str, variant: Variant, seed: int) -> Row:
    """Ranks of the truth, coverage of the sets, and which unit was called the best.

    With a name that ends in "(sampled)" the posterior is sampled by `sample_mixture`.
    """
    rng, model = np.random.default_rng([11, seed, *name.encode()]), variant.model
    sample = draw_sample(model, UNIT_RANGE, rng, **variant.sample)
    truth, readings = sample.parameters, sample.readings
    if name.endswith(SAMPLED):
        fit = qz.sample_mixture(readings, UNIT_RANGE, model=model, draws=200, chains=2, rng=rng)
        draws = fit.draws.iloc[np.linspace(0, len(fit.draws) - 1, DRAWS).astype(int)]
        draws = draws.drop(columns=["chain", "draw"])
    else:
        fit = qz.fit_mixture(readings, UNIT_RANGE, model=model)
        draws = fit.draws(DRAWS, rng=rng)
    names = ("unit", "sigma", "growth", "outliers", "offset")
    true = {key: float(getattr(truth, key)[0]) for key in names}
    unit, offset = true["unit"], true["offset"]
    if model.offset == "free":
        # Round the circle: the phase at the true unit has no natural start.
        draws = draws.assign(offset=draws["offset"] / draws["unit"] % 1.0)
        true["offset"] = offset / unit % 1.0
    ranks = {key: int(np.sum(draws[key] < true[key])) for key in draws if draws[key].nunique() > 1}
    found: Row = {"variant": name, "ranks": ranks}
    for prob in (0.68, 0.95):
        pieces = fit.interval(prob)
        found[f"holds {prob}"] = holds(fit, unit, prob)
        found[f"pieces {prob}"] = len(pieces)
        found[f"length {prob}"] = float(np.sum(np.log(pieces[:, 1] / pieces[:, 0])))
    found["ratio"] = fit.unit / unit
    # A free offset is counted from the tooth in [0, unit).
    moved = int(np.floor(offset / unit)) if model.offset == "free" else 0
    found |= _whole_numbers(fit, sample.integers + moved, sample.outlier)
    if model.outliers != 0.0 and not name.endswith(SAMPLED):
        found["outliers stated"] = float(np.mean(fit.outlier_probabilities()))
        found["outliers true"] = float(np.mean(sample.outlier))
    return found


def _whole_numbers(fit: Any, true: Array, outlier: Array) -> dict[str, float]:
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


def uniformity(ranks: list[int]) -> str:
    """Chi-square p of the histogram of ranks."""
    return f"{stats.chisquare(histogram(ranks)).pvalue:.3f}" if ranks else ""


def histogram(ranks: list[int]) -> Array:
    """Counts in equal bins."""
    return np.bincount(np.array(ranks) * BINS // (DRAWS + 1), minlength=BINS)


def stated_against(rows: list[Row], stated: str, true: str) -> str:
    """Mean of what was stated and of what was true, and their difference in standard errors."""
    pairs = np.array([(each[stated], each[true]) for each in rows if stated in each])
    if len(pairs) < 2:
        return ""
    difference = pairs[:, 1] - pairs[:, 0]
    error = float(difference.std(ddof=1) / np.sqrt(len(pairs)))
    z = f"{difference.mean() / error:+.1f}" if error > 0 else "0"
    return f"{pairs[:, 0].mean():.3f} / {pairs[:, 1].mean():.3f} ({z})"


PARAMETERS = ("unit", "sigma", "offset", "outliers", "growth")
MEANS = {"holds 0.68": 3, "holds 0.95": 3, "pieces 0.95": 1, "length 0.95": 3}
"""Columns of means, and their digits."""


def summary(rows: list[Row]) -> Iterator[str]:
    """The table, one line for each variant and one for all."""
    last = ("68 %", "95 %", "pieces", "length", "u/2, u/3", "whole numbers", "outliers")
    yield from head("model", "samples", *PARAMETERS, *last)
    for name in [*dict.fromkeys(each["variant"] for each in rows), "all"]:
        mine = [each for each in rows if name in ("all", each["variant"])]
        ranks = {key: [r["ranks"][key] for r in mine if key in r["ranks"]] for key in PARAMETERS}
        cells = [uniformity(found) if name != "all" else "" for found in ranks.values()]
        cells += [f"{np.mean([r[key] for r in mine]):.{digits}f}" for key, digits in MEANS.items()]
        cells.append(f"{is_fraction(np.array([r['ratio'] for r in mine]), 0.05).mean():.3f}")
        cells += [stated_against(mine, "whole stated", "whole right")]
        cells += [stated_against(mine, "outliers stated", "outliers true")]
        yield row(name, len(mine), *cells)


def picture(rows: list[Row], path: Path) -> None:
    """Histograms of all ranks, with the band that holds 95 % of uniform counts."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    found: dict[tuple[str, str], list[int]] = {}
    for each in rows:
        for key, rank in each["ranks"].items():
            found.setdefault((each["variant"], key), []).append(rank)
    columns = 6
    figure = Figure(figsize=(11, 1.5 * int(np.ceil(len(found) / columns))), layout="constrained")
    FigureCanvasSVG(figure)
    axes = figure.subplots(int(np.ceil(len(found) / columns)), columns, squeeze=False).ravel()
    for ax, ((name, key), ranks) in zip(axes, found.items(), strict=False):
        low, high = stats.binom(len(ranks), 1 / BINS).ppf([0.025, 0.975])
        ax.axhspan(low, high, color="0.85")
        ax.bar(np.arange(BINS), histogram(ranks), width=0.9, color="#33658a")
        ax.set_title(f"{name}\n{key}", fontsize=6.5)
        ax.set_xticks([])
        ax.tick_params(labelsize=6)
    for ax in axes[len(found) :]:
        ax.set_visible(False)
    path.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(path, metadata={"Date": None})


@benchmark(
    "Calibration of the mixture",
    number("--runs", 1000, 1, "samples a model"),
    number("--sampled", 200, 1, "samples a model by sampling"),
    Option("--only", nargs="*", help="names of models"),
)
def main(options: Any) -> Iterator[str]:
    """The lines of the page; where it is written, the histograms too."""
    table = variants()
    names = options.only or [*table, *(name + SAMPLED for name in BY_SAMPLING)]
    wanted = {name: options.sampled if name.endswith(SAMPLED) else options.runs for name in names}
    kept = Kept(None if options.tiny else RESULTS / "calibration_ranks.jsonl")
    rows = [
        kept.get(f"{name}/{seed}", one_page, name, table[name.removesuffix(SAMPLED)], seed)
        for name, runs in wanted.items()
        for seed in range(runs)
    ]
    yield (
        f"Ranks of the truth among {DRAWS} draws: chi-square p of {BINS} equal bins, by parameter. "
        "Then how often the 68 % and 95 % sets of the unit hold the truth, the mean number of "
        "pieces of the 95 % set and its mean length in log unit, and how often a half or a third "
        "of the true unit is called the best. Whole numbers: the mean probability stated for the "
        "likeliest whole number of each reading that is on the comb, and the share that is right; "
        "outliers: the mean probability stated and the share of outliers; in brackets the "
        "difference in standard errors."
    )
    yield from ("", *summary(rows))
    if options.write:
        picture(rows, options.write.parent / "_static" / "calibration.svg")
        yield from ("", "![Histograms of the ranks](../_static/calibration.svg)")
