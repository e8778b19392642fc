"""The page of `benchmarks.false_alarms`: rates of false "steps", and which are found too high."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import beta, binom

from benchmarks.combs import COMBS, COMBS_KNOWN
from benchmarks.families import LATTICES
from benchmarks.runner import Array, figures, head
from benchmarks.runner import row as line

ALPHAS = (0.05, 0.01)
POWER = 0.9
"""Probability with which a rate is to be found."""
LEVEL = 0.025
"""Level of each of the tests: of all families, of all families asked in each way, and of the whole
table at each alpha."""
FAMILY, WHOLE = 0.10, 0.06
"""Rates at which a family, and the whole table, are to be found."""
ALL = "in all"
"""Every way of asking together."""
TITLES = {
    "held out": "Families that the calibration has never seen",
    "named": "Families of the calibration",
}
DRAWS = 4000
"""Draws for the share of sums that are multiples of one unit."""

Counts = Mapping[str, Any]


class Row(NamedTuple):
    """One family, asked in one way or in all, pooled over sizes."""

    group: str
    mode: str
    label: str

    @property
    def name(self) -> str:
        """In words."""
        how = "" if self.mode in ("default", ALL) else f", {self.mode}"
        return f"{self.label}{how}"


def excess(hits: ArrayLike, samples: ArrayLike, limit: float) -> Array:
    """One-sided p of so many hits or more, where the rate is at most `limit`."""
    p: Array = binom.sf(np.asarray(hits) - 1, samples, limit)
    return p


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


def samples_for(rate: float, limit: float, level: float, most: int = 30_000) -> int:
    """With so many samples or more `rate` is found above `limit` with probability `POWER`."""
    n = np.arange(1, most + 1)
    least = binom.isf(level, n, limit).astype(int) + 1
    missed = np.flatnonzero(binom.sf(least - 1, n, rate) < POWER)
    return int(n[missed[-1]]) + 1


def rows(cells: Mapping[str, Counts], *, together: bool) -> dict[Row, dict[str, int]]:
    """Counts on data without steps, pooled over sizes and, `together`, over ways of asking."""
    pooled: dict[Row, dict[str, int]] = {}
    for key, cell in cells.items():
        group, mode, label, _ = key.split("/")
        if group in TITLES and cell["samples"]:
            into = pooled.setdefault(Row(group, ALL if together else mode, label), {})
            for name in ("samples", "0.05", "0.01", "refused"):
                into[name] = into.get(name, 0) + cell[name]
    return pooled


def found_above(cells: Mapping[str, Counts]) -> list[str]:
    """A sentence for each family above 5 % (Holm over all of them), and for the whole table."""
    sentences = []
    families = rows(cells, together=True)
    for pooled in (families, rows(cells, together=False)):
        hits, samples = ([one[name] for one in pooled.values()] for name in ("0.05", "samples"))
        p = holm(excess(hits, samples, 0.05))
        sentences += [
            f"{row.name}: {one['0.05']} of {one['samples']} samples are called steps, above "
            f"5 % (p = {value:.2g}, adjusted for {len(p)} of them)."
            for (row, one), value in zip(pooled.items(), p, strict=True)
            if value <= LEVEL
        ]
    every = total(families.values(), "samples")
    for alpha in ALPHAS:
        called = total(families.values(), str(alpha))
        value = float(excess(called, every, alpha))
        if value <= LEVEL:
            sentences.append(
                f"The whole table: {called} of {every} samples are called steps, above "
                f"{100 * alpha:g} % (p = {value:.2g})."
            )
    return list(dict.fromkeys(sentences))


def total(counts: Iterable[Counts], name: str) -> int:
    """The sum of one count."""
    return sum(int(one[name]) for one in counts)


def needed(families: int) -> tuple[int, int]:
    """Samples with which a family at `FAMILY`, and the whole table at `WHOLE`, are found."""
    return samples_for(FAMILY, 0.05, LEVEL / families), samples_for(WHOLE, 0.05, LEVEL)


def page(cells: Mapping[str, Counts]) -> tuple[list[str], list[str]]:
    """The lines of the page, and what was found above its limit."""
    families, asked = rows(cells, together=True), rows(cells, together=False)
    above = found_above(cells)
    lines = [*_head(families), *_answer(families, len(asked), above), *_in_all(asked)]
    for group, title in TITLES.items():
        lines += ["", f"## {title}", "", *_by_size(cells, families, group)]
        lines += ["", f"### {title}, asked otherwise", "", *_otherwise(asked, group)]
    return [*lines, *_near(cells), *_power(cells)], above


def _head(families: Mapping[Row, Counts]) -> Iterator[str]:
    samples, refused = (total(families.values(), name) for name in ("samples", "refused"))
    yield f"{samples:,} samples without steps, each given to `analyze`. The counts are in"
    yield "`benchmarks/results/false_alarms.json`, the calibration is that of"
    yield "`python -m benchmarks.calibrate`. Each entry is the share of samples called steps with"
    yield "`alpha` 0.05 / 0.01, every guard in force; in brackets the samples. Of all samples"
    yield f"{refused:,} were refused, since the range of units could show nothing in them: they"
    yield "count as not called steps."


def _answer(families: Mapping[Row, Counts], asked: int, above: list[str]) -> Iterator[str]:
    one, whole = needed(len(families))
    enough = sum(counts["samples"] >= one for counts in families.values())
    samples = total(families.values(), "samples")
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


def _in_all(asked: Mapping[Row, Counts]) -> Iterator[str]:
    yield from ("", "## All families together", "")
    yield from head("families", "asked", "how many", "steps", "would be found")
    for group, mode in dict.fromkeys((row.group, row.mode) for row in asked):
        inside = [counts for row, counts in asked.items() if row[:2] == (group, mode)]
        yield line(group, mode, len(inside), _summed(inside, LEVEL))
    yield f"| all | in every way | | {_summed(asked.values(), LEVEL)} |"


def _summed(counts: Iterable[Counts], level: float) -> str:
    """Two columns: the rate of all together, and the rate that would be found."""
    every = list(counts)
    pooled = {name: total(every, name) for name in ("samples", "0.05", "0.01")}
    return f"{_entry(pooled)} | {found_from(pooled['samples'], 0.05, level):.3f}"


def _sizes(cells: Mapping[str, Counts], first: str) -> list[int]:
    return sorted({int(key.split("/")[3]) for key in cells if key.startswith(first)})


def _by_size(
    cells: Mapping[str, Counts], families: Mapping[Row, Counts], group: str
) -> Iterator[str]:
    sizes = _sizes(cells, f"{group}/default/")
    columns = (f"n = {n}" for n in sizes)
    yield from head("family", *columns, "with those below", "would be found")
    for row, counts in families.items():
        if row.group == group:
            shown = (_entry(cells.get(f"{group}/default/{row.label}/{n}")) for n in sizes)
            yield line(row.label, *shown, _summed([counts], LEVEL / len(families)))


def _otherwise(asked: Mapping[Row, Counts], group: str) -> Iterator[str]:
    modes = [m for m in dict.fromkeys(row.mode for row in asked) if m != "default"]
    yield from ("20 readings each, unless the column says otherwise.", "", *head("family", *modes))
    for label in dict.fromkeys(row.label for row in asked if row.group == group):
        yield line(label, *(_entry(asked.get(Row(group, mode, label))) for mode in modes))


def _near(cells: Mapping[str, Counts]) -> Iterator[str]:
    sizes = _sizes(cells, "near/")
    yield from ("", "## Sums that are multiples of one unit", "")
    yield (
        "Of the sums of a few units some are multiples of one unit, within their noise, by chance:"
    )
    yield "all levels within two and a half times the noise, of a unit ten times the noise or more."
    yield "For them steps is the right answer; the families above leave them out. Here are the"
    yield 'share left out, and the shares called "steps" / "no steps" among what was left out.'
    yield from ("", *head("sums", "left out", *(f"n = {n}" for n in sizes)))
    for label, lattice in LATTICES.items():
        found = (cells.get(f"near/default/{label}/{n}") for n in sizes)
        shown = (_entry(cell, ("0.05", "no steps"), digits=2) for cell in found)
        yield line(label, f"{lattice.share_of_multiples(DRAWS, seed=1):.3f}", *shown)


def _power(cells: Mapping[str, Counts]) -> Iterator[str]:
    yield from ("", "## Power at 5 %", "", *head("comb", "share found", "samples", "aimed at"))
    for key, cell in cells.items():
        group, _, label, _ = key.split("/")
        if group == "power" and cell["samples"]:
            aim, n = (COMBS | COMBS_KNOWN)[label][3], cell["samples"]
            yield line(label, f"{cell['0.05'] / n:.2f}", n, "none" if aim is None else f"{aim:.2f}")


def _entry(
    cell: Counts | None, names: tuple[str, ...] = ("0.05", "0.01"), *, digits: int = 3
) -> str:
    if cell is None or not cell["samples"]:
        return "not run"
    shown = figures((cell[name] / cell["samples"] for name in names), digits, " / ")
    return f"{shown} ({cell['samples']})"
