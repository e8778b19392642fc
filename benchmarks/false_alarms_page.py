"""The page of `benchmarks.false_alarms`: rates of false "steps", and which are found too high."""

from __future__ import annotations

import functools
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.stats import beta, binom

from benchmarks.combs import COMBS, COMBS_KNOWN
from benchmarks.families import LATTICES, Lattice
from benchmarks.runner import Array, figures, head, row

ALPHAS = (0.05, 0.01)
POWER = 0.9
"""Probability with which a rate is to be found."""
LEVEL = 0.025
"""Level of each of the tests: of all families, of all families asked in each way, and of the whole
table at each alpha."""
FAMILY, WHOLE = 0.10, 0.06
"""Rates at which a family, and the whole table, are to be found."""
TITLES = {
    "held out": "Families that the calibration has never seen",
    "named": "Families of the calibration",
}
DRAWS = 4000
"""Draws for the share of sums that are multiples of one unit; a tenth for the others."""
KEYS, COUNTS = ["group", "mode", "label", "n"], ["samples", "0.05", "0.01", "no steps", "refused"]

Cells = Mapping[str, Mapping[str, Any]]


def excess(hits: ArrayLike, samples: ArrayLike, limit: float) -> Array:
    """One-sided p of so many hits or more, where the rate is at most `limit`."""
    return binom.sf(np.asarray(hits) - 1, samples, limit)


def holm(p: ArrayLike) -> Array:
    """p-values adjusted for their number by the rule of Holm, in the order given."""
    given = np.asarray(p, float)
    order = np.argsort(given, kind="stable")
    steps = np.maximum.accumulate(given[order] * np.arange(given.size, 0, -1))
    adjusted = np.empty(given.size)
    adjusted[order] = np.minimum(steps, 1.0)
    return adjusted


def found_from(samples: int, limit: float, level: float) -> float:
    """The rate that `samples` find above `limit` with probability `POWER`; 1 where they cannot.

    A binomial count is at least k with probability I(rate; k, n − k + 1), the beta integral.
    """
    least = int(binom.isf(level, samples, limit)) + 1
    if least > samples:
        return 1.0
    return float(beta.ppf(POWER, least, samples - least + 1))


def samples_for(rate: float, limit: float, level: float) -> int:
    """With so many samples or more `rate` is found above `limit` with probability `POWER`."""
    n = np.arange(1, 30_001)
    least = binom.isf(level, n, limit).astype(int) + 1
    missed = np.flatnonzero(binom.sf(least - 1, n, rate) < POWER)
    return int(n[missed[-1]]) + 1


def needed(families: int) -> tuple[int, int]:
    """Samples with which a family at `FAMILY`, and the whole table at `WHOLE`, are found."""
    return samples_for(FAMILY, 0.05, LEVEL / families), samples_for(WHOLE, 0.05, LEVEL)


def counted(cells: Cells) -> pd.DataFrame:
    """The counts of all cells that have samples, a row each."""
    names = pd.DataFrame([key.split("/") for key in cells], columns=KEYS)
    table = names.join(pd.DataFrame(list(cells.values()))[COUNTS])
    return table[table["samples"] > 0].astype({"n": int})


def pooled(table: pd.DataFrame, *by: str) -> pd.DataFrame:
    """Counts on data without steps, all that have the same of these together."""
    return table[table["group"].isin(TITLES)].groupby(list(by), sort=False)[COUNTS].sum()


def found_above(cells: Cells) -> list[str]:
    """A sentence for each family above 5 % (Holm over all of them), and for the whole table."""
    table, sentences = counted(cells), []
    for by in (["group", "label"], ["group", "label", "mode"]):
        each = pooled(table, *by)
        p = holm(excess(each["0.05"], each["samples"], 0.05))
        for (_, label, *mode), hits, samples, value in zip(
            each.index, each["0.05"], each["samples"], p, strict=True
        ):
            name = ", ".join([label, *(how for how in mode if how != "default")])
            if value <= LEVEL:
                sentences.append(
                    f"{name}: {hits} of {samples} samples are called steps, above "
                    f"5 % (p = {value:.2g}, adjusted for {len(p)} of them)."
                )
    every = each.sum()
    for alpha in ALPHAS:
        called, samples = every[str(alpha)], every["samples"]
        value = float(excess(called, samples, alpha))
        if value <= LEVEL:
            sentences.append(
                f"The whole table: {called} of {samples} samples are called steps, above "
                f"{100 * alpha:g} % (p = {value:.2g})."
            )
    return list(dict.fromkeys(sentences))


def page(cells: Cells) -> tuple[list[str], list[str]]:
    """The lines of the page, and what was found above its limit."""
    table, above = counted(cells), found_above(cells)
    families, asked = pooled(table, "group", "label"), pooled(table, "group", "mode", "label")
    lines = [*_head(families), *_answer(families, len(asked), above), *_in_all(asked)]
    for group, title in TITLES.items():
        lines += ["", f"## {title}", "", *_by_size(table, families, group)]
        lines += ["", f"### {title}, asked otherwise", "", *_otherwise(asked, group)]
    return [*lines, *_near(table), *_power(table)], above


def _head(families: pd.DataFrame) -> Iterator[str]:
    samples, refused = families["samples"].sum(), families["refused"].sum()
    yield f"{samples:,} samples without steps, each given to `analyze`. The counts are in"
    yield "`benchmarks/results/false_alarms.json`, the calibration is that of"
    yield "`python -m benchmarks.calibrate`. Each entry is the share of samples called steps with"
    yield "`alpha` 0.05 / 0.01, every guard in force; in brackets the samples. Of all samples"
    yield f"{refused:,} were refused, since the range of units could show nothing in them: they"
    yield "count as not called steps."


def _answer(families: pd.DataFrame, asked: int, above: list[str]) -> Iterator[str]:
    one, whole = needed(len(families))
    samples, enough = families["samples"].sum(), sum(families["samples"] >= one)
    found = above or ["No family is found above 5 %, nor the whole table above its levels."]
    yield from ("", "## Found above the level", "", *(f"- {sentence}" for sentence in found), "")
    yield f"Each of the {len(families)} families, all sizes and ways of asking together, is held"
    yield "against 5 % by a one-sided binomial test, adjusted for their number by the rule of Holm,"
    yield f"at {LEVEL:g}; then each family in each way of asking, {asked} in number, at {LEVEL:g}"
    yield f"again; and the whole table, at {LEVEL:g}. By the binomial law a family at {FAMILY:.2f}"
    yield f"is found with probability {POWER:g} by {one:,} samples, which {enough} of the"
    yield f'{len(families)} have. For each family the column "would be found" says from which'
    found_by = f"The whole table at {WHOLE:.2f} is found by {whole:,}"
    yield f"rate on it is with the samples it has. {found_by}"
    yield f"samples; it has {samples:,}."


def _in_all(asked: pd.DataFrame) -> Iterator[str]:
    yield from ("", "## All families together", "")
    yield from head("families", "asked", "how many", "steps", "would be found")
    for (group, mode), inside in asked.groupby(["group", "mode"], sort=False):
        yield row(group, mode, len(inside), *_summed(inside.sum(), LEVEL))
    yield f"| all | in every way | | {' | '.join(_summed(asked.sum(), LEVEL))} |"


def _summed(counts: Any, level: float) -> tuple[str, str]:
    """A rate, and the rate that would be found."""
    return _entry(counts), f"{found_from(int(counts['samples']), 0.05, level):.3f}"


def _by_size(table: pd.DataFrame, families: pd.DataFrame, group: str) -> Iterator[str]:
    of_group = table[(table["group"] == group) & (table["mode"] == "default")]
    sizes, cells = sorted(of_group["n"].unique()), of_group.set_index(["label", "n"])
    columns = (f"n = {n}" for n in sizes)
    yield from head("family", *columns, "with those below", "would be found")
    for label, counts in _of(families, group).iterrows():
        shown = (_at(cells, (label, n)) for n in sizes)
        yield row(label, *shown, *_summed(counts, LEVEL / len(families)))


def _otherwise(asked: pd.DataFrame, group: str) -> Iterator[str]:
    modes = [mode for mode in asked.index.unique("mode") if mode != "default"]
    yield from ("20 readings each, unless the column says otherwise.", "", *head("family", *modes))
    for label in _of(asked, group).index.unique("label"):
        yield row(label, *(_at(asked, (group, mode, label)) for mode in modes))


def _near(table: pd.DataFrame) -> Iterator[str]:
    cells = table[table["group"] == "near"].set_index(["label", "n"])
    sizes = sorted(cells.index.unique("n"))
    yield from ("", "## Sums that are multiples of one unit", "")
    yield (
        "Of the sums of a few units some are multiples of one unit, within their noise, by chance:"
    )
    yield "all levels within two and a half times the noise, of a unit ten times the noise or more."
    yield "For them steps is the right answer; the families above leave them out. Here are the"
    yield 'share left out, and the shares called "steps" / "no steps" among what was left out.'
    yield "The others are near multiples, too: the last column has the median of sigma/unit, noise"
    yield "and distance together, of the comb that each comes nearest to."
    yield from ("", *head("sums", "left out", *(f"n = {n}" for n in sizes), "of the others"))
    for label, lattice in LATTICES.items():
        shown = (_at(cells, (label, n), ("0.05", "no steps"), 2) for n in sizes)
        left_out = f"{lattice.share_of_multiples(DRAWS, seed=1):.3f}"
        yield row(label, left_out, *shown, f"{scatter_as_a_comb(lattice):.3f}")


@functools.cache
def scatter_as_a_comb(lattice: Lattice, draws: int = DRAWS // 10, seed: int = 1) -> float:
    """Median of the least sigma/unit of a comb in place of levels that are no multiples."""
    rng, found = np.random.default_rng(seed), []
    while len(found) < draws:
        noise, places = float(rng.uniform(0.04, 0.12)), lattice.levels(rng)
        if lattice.near(places, noise):
            continue
        unit = np.ptp(np.append(places, 0.0)) / np.arange(1.0, 100.0, 0.02)[:, None]
        away = np.square(places - unit * np.rint(places / unit))
        variance = noise**2 + np.average(away, axis=1, weights=lattice.shares)
        found.append(float(np.min(np.sqrt(variance) / unit[:, 0])))
    return float(np.median(found))


def _power(table: pd.DataFrame) -> Iterator[str]:
    yield from ("", "## Power at 5 %", "", *head("comb", "share found", "samples", "aimed at"))
    for _, cell in table[table["group"] == "power"].iterrows():
        aim, n = (COMBS | COMBS_KNOWN)[cell["label"]][3], cell["samples"]
        shown = "none" if aim is None else f"{aim:.2f}"
        yield row(cell["label"], f"{cell['0.05'] / n:.2f}", n, shown)


def _of(pooled: pd.DataFrame, group: str) -> pd.DataFrame:
    return pooled[pooled.index.get_level_values("group") == group].droplevel("group")


def _at(table: pd.DataFrame, key: tuple[Any, ...], *how: Any) -> str:
    return _entry(table.loc[key], *how) if key in table.index else "not run"


def _entry(counts: Any, names: Sequence[str] = ("0.05", "0.01"), digits: int = 3) -> str:
    shown = figures((counts[name] / counts["samples"] for name in names), digits, " / ")
    return f"{shown} ({counts['samples']})"
