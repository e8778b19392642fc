"""Make the table that turns the evidence of the levels into p-values.

Families without steps (`NAMED`, `MORE`, and `CENTRED` for a free offset, `KNOWN` for a known sigma)
are drawn, every sample is assessed at its default range as `analyze` does, evidence and guards, and
quantize/null/calibration.json is written:

- the log weights, one for each kind of null and each size, with sigma unknown and known: found by
  a random search for the largest mean power on a few combs while no family has more than 5 %, and
  sums with larger coefficients no more than 15 %; a free offset takes those of offset zero, for it
  has fewer samples;
- for each kind of family, each size and each mode the largest share, over its families, of scores
  at or above each value. The same samples serve both; `benchmarks.false_alarms` checks on fresh
  ones.

Samples are kept in benchmarks/results as they come, and a run goes on where the last one stopped.
"""

from __future__ import annotations

import functools
import json
import sys
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.combs import (
    comb,
    different,
    one_to_eight,
    whole_geometric,
    whole_poisson,
    whole_three,
)
from benchmarks.combs import whole_uniform as whole
from benchmarks.families import CENTRED, KNOWN, LARGER, LARGER_KNOWN, MORE, NAMED
from benchmarks.runner import (
    RESULTS,
    WORKERS,
    Array,
    Family,
    Journal,
    Option,
    benchmark,
    flag,
    number,
)
from quantize import InputError, Readings
from quantize._support.parallel import ordered_map
from quantize.comb.unit_range import unit_range_for
from quantize.model.mixture import model_of
from quantize.null import calibration
from quantize.null.calibration import KINDS, least_by_kind, mode
from quantize.null.verdict import assess

TABLE = Path(calibration.__file__).with_name("calibration.json")
KEPT = RESULTS / "calibration_samples.jsonl"
SEED = 20240611
SIZES = (5, 8, 12, 20, 60)
Key = tuple[str, str, str, int]
"""Mode, kind, label and size of a cell."""
SCORES = np.round(np.arange(-6.0, 8.01, 0.25), 2)
NEVER, ALWAYS = -60.0, 60.0
COUNTED = 6
LEVEL, BEYOND = 0.05, 0.15
"""Of a family without steps, and of sums with larger coefficients, may be called steps."""
LEAST = -4.0
"""No log weight is less: data that one kind of null explains better by more than this are not
called steps, however rarely the families drawn come near it."""
STARTS, STEPS = 30, 4000
FEW = {"starts": 1, "steps": 50}
PRICE = 0.0005
PIECE = 1200
"""Samples that are drawn and kept at a time."""
SAMPLES = {
    "offset zero, sigma unknown": {5: 0.25, 8: 1.0, 12: 0.6, 20: 1.0, 60: 0.3},
    "offset zero, sigma known": {5: 0.25, 8: 0.6, 12: 0.6, 20: 0.6, 60: 0.3},
    "offset free, sigma unknown": {8: 0.25, 12: 0.25, 20: 0.25},
    "offset free, sigma known": {8: 0.4, 12: 0.4, 20: 0.4},
}
"""Samples of a family in each mode and size, in parts of `--replicates`. Above the
largest size its tails hold; a free offset needs more than five."""
OFTEN = {"sums": 4, "beyond": 4, "comb": 3}
OFTEN_KNOWN = OFTEN | {"sums": 12}
"""Sums of two units come nearest to a comb and decide the weights: so many times the samples, and
where sigma is known, which is quick."""


TRAINING: dict[int, tuple[tuple[Family, float], ...]] = {
    8: (
        (whole, 0.05),
        (whole, 0.08),
        (whole, 0.10),
        (one_to_eight, 0.08),
        (different, 0.08),
        (different, 0.12),
    ),
    12: (
        (whole, 0.10),
        (whole, 0.14),
        (whole_poisson, 0.08),
        (one_to_eight, 0.12),
        (different, 0.10),
        (different, 0.14),
    ),
    20: (
        (whole, 0.10),
        (whole, 0.15),
        (whole, 0.20),
        (whole_poisson, 0.10),
        (whole_three, 0.08),
        (whole_geometric, 0.08),
        (one_to_eight, 0.15),
    ),
    60: (
        (whole, 0.18),
        (whole, 0.20),
        (whole, 0.25),
        (whole_poisson, 0.18),
        (one_to_eight, 0.20),
        (whole_geometric, 0.12),
    ),
}
"""Combs that the weights are searched for, by size: whole numbers and sigma/unit. Fewer than eight
readings take the weights of eight: with five, hardly any comb shows enough different multiples."""


def jobs() -> list[Key]:
    """Every cell; twelve readings with a free offset come last: no other changes its seed."""
    return sorted(_every_cell(), key=lambda cell: cell[3] == 12 and "free" in cell[0])


def _every_cell() -> Iterator[Key]:
    for part, sizes in SAMPLES.items():
        known, free = part.endswith("sigma known"), "free" in part
        sources = [KNOWN] if known else [NAMED, MORE, *([CENTRED] if free else [])]
        yield from _cells(part, sizes, *sources)
    yield from _combs(mode(sigma_known=False, free=False))
    for part, sizes in SAMPLES.items():
        yield from _cells(part, sizes, LARGER_KNOWN if part.endswith("sigma known") else LARGER)
    yield from _combs(mode(sigma_known=True, free=False))


def _cells(part: str, sizes: dict[int, float], *sources: Any) -> Iterator[Key]:
    for n in sizes:
        for source in sources:
            for kind, families in source.items():
                yield from ((part, kind, label, n) for label in families)


def _combs(part: str) -> Iterator[Key]:
    for n, combs in TRAINING.items():
        yield from ((part, "comb", str(place), n) for place in range(len(combs)))


def sample(task: tuple[str, str, str, int, int, int]) -> dict[str, float] | None:
    """Log Bayes factors over each kind of null, None where no comb can show or a guard objects."""
    part, kind, label, n, cell, number = task
    rng = np.random.default_rng([SEED, cell, n, number])
    sigma = None
    if kind == "comb":
        integers, spread = TRAINING[n][int(label)]
        values = comb(integers, spread)(rng, n)
        sigma = spread if part.endswith("sigma known") else None
    elif part.endswith("sigma known"):
        known = KNOWN[kind] | LARGER_KNOWN.get(kind, {})
        values, sigma = known[label](rng, n)
    else:
        families = LARGER if kind in LARGER else {kind: NAMED[kind] | MORE[kind] | CENTRED[kind]}
        values = families[kind][label](rng, n)
    readings = Readings(values, sigma=sigma)
    model = model_of("free" if "free" in part else "zero", None, None)
    try:
        found = assess(readings, unit_range_for(readings), model)
    except InputError:
        return None
    if found.blocked:
        return None
    ratios = least_by_kind(found.evidence.log_bayes_factors)
    return {name: round(value, 3) for name, value in ratios.items()}


Drawn = dict[Key, dict[int, dict[str, float] | None]]


def draw(
    replicates: int,
    keep: Path | None,
    workers: int,
    only: str = "",
    sizes: Sequence[int] = SIZES,
    some: int | None = None,
) -> Drawn:
    """Assess the samples that are wanted and not kept yet, perhaps of `some` families a kind."""
    drawn, tasks, journal = defaultdict(dict), [], Journal(keep)
    for *cell, seed, found in journal.rows:
        drawn[tuple(cell)][seed] = found
    seen: Counter[tuple[str, str, int]] = Counter()
    for place, cell in enumerate(jobs()):
        part, kind, _, n = cell
        seen[part, kind, n] += 1
        first_of_kind = some is None or seen[part, kind, n] <= some
        if (not only or part == only) and n in sizes and first_of_kind:
            often = OFTEN_KNOWN if part == mode(sigma_known=True, free=False) else OFTEN
            wanted = round(replicates * SAMPLES[part][n]) * often.get(kind, 1)
            tasks += [(*cell, place, i) for i in range(wanted) if i not in drawn[cell]]
    for first in range(0, len(tasks), PIECE):
        piece = tasks[first : first + PIECE]
        found = list(ordered_map(sample, piece, workers))
        cells = [(*cell, seed) for *cell, _, seed in piece]
        for (*cell, seed), each in zip(cells, found, strict=True):
            drawn[tuple(cell)][seed] = each
        journal.add(*([*cell, each] for cell, each in zip(cells, found, strict=True)))
        print(first + len(piece), "of", len(tasks), *cells[-1], file=sys.stderr, flush=True)
    return drawn


@functools.cache
def few(part: str) -> Drawn:
    """Eight readings of two families of each kind, for runs that only see whether all works."""
    return draw(1, None, 1, part, (8,), some=2)


def ratios(kept: dict[int, dict[str, float] | None]) -> Array:
    """The kept factors as rows, kinds in the order of `KINDS`."""
    rows = [[NEVER if r is None else r.get(kind, ALWAYS) for kind in KINDS] for r in kept.values()]
    return np.clip(np.array(rows).reshape(-1, len(KINDS)), NEVER, ALWAYS)


def scores(rows: Array, log_weights: Array) -> Array:
    """Log odds against the weighted kinds, as `quantize.null.calibration.score` has them."""
    found: Array = -np.logaddexp.reduce(log_weights - rows, axis=1)
    return found


def search_weights(
    nulls: list[Array],
    combs: list[Array],
    seed: int,
    levels: Sequence[float] | None = None,
    *,
    starts: int = STARTS,
    steps: int = STEPS,
) -> Array:
    """Log weights with the largest mean power while no family has more than its level above zero.

    The level is `LEVEL` for all, or one for each family. Weights that hardly change the power stay
    near one: the square of each log weight costs `PRICE`.
    """
    if levels is None:
        levels = [LEVEL] * len(nulls)
    rng = np.random.default_rng(seed)
    # A score is above zero where the weighted sum of the nulls' odds is below one.
    odds = [np.exp(-rows) for rows in nulls]
    allowed = [
        min(int(p * len(rows)), len(rows) - 1) for p, rows in zip(levels, nulls, strict=True)
    ]
    comb_odds = np.concatenate([np.exp(-rows) for rows in combs])
    share = np.concatenate([np.full(len(rows), 1 / len(rows) / len(combs)) for rows in combs])

    def settled(log_weights: Array) -> Array:
        """The same, with what has to be added to all of them for every family to keep the level."""
        weights = np.exp(log_weights)
        least = min(
            float(np.partition(rows @ weights, k)[k]) for rows, k in zip(odds, allowed, strict=True)
        )
        return np.maximum(log_weights - np.log(least), LEAST)

    def power(log_weights: Array) -> float:
        found = settled(log_weights)
        return float(share @ (comb_odds @ np.exp(found) < 1)) - PRICE * float(found @ found)

    best, reached = np.zeros(len(KINDS)), -1.0
    for _ in range(starts):
        at = rng.normal(0, 1.5, len(KINDS))
        here = power(at)
        for step in range(steps):
            trial = at.copy()
            moved = rng.integers(0, len(KINDS), rng.integers(1, 4))
            trial[moved] += rng.normal(0, 1.0 if 2 * step < steps else 0.3, moved.size)
            found = power(trial)
            if found >= here:
                at, here = trial, found
        if here > reached:
            best, reached = at, here
    # A family that just keeps its level does so after rounding, too.
    return settled(best) + 1e-9


def tail(leads: Array) -> Array:
    """Share of samples at or above each of `SCORES`.

    It is counted while at least `COUNTED` samples are left. Beyond, it falls as exp(-score): that
    is the slowest fall that evidence against the right null can have in the long run.
    """
    above = (leads[:, None] >= SCORES).sum(axis=0)
    counted = np.flatnonzero(above >= COUNTED)
    last = int(counted[-1]) if counted.size else 0
    share = np.maximum(above, COUNTED) / max(leads.size, COUNTED)
    beyond = np.exp(-np.maximum(SCORES - SCORES[last], 0.0))
    return np.where(np.arange(SCORES.size) <= last, share, share[last] * beyond)


def make(drawn: Drawn, **search: int) -> dict[str, Any]:
    """The table; `search` is for `search_weights`."""
    # A tiny run draws the combs of one size.
    sizes = [n for n in TRAINING if any(key[1] == "comb" and key[3] == n for key in drawn)]
    log_weights = {}
    for known in (False, True):
        of_sizes = np.array([_weights_at(drawn, n, known, **search) for n in sizes])
        for free in (False, True):
            log_weights[mode(sigma_known=known, free=free)] = of_sizes
    tails: dict[str, Any] = {part: {kind: {} for kind in NAMED} for part in SAMPLES}
    for (part, kind, _, n), kept in drawn.items():
        if kind in NAMED and kept:
            found = scores(ratios(kept), log_weights[part][sizes.index(max(n, sizes[0]))])
            by_size = tails[part][kind]
            by_size[str(n)] = np.maximum(by_size.get(str(n), 0.0), tail(found))
    return {
        "schema": "quantize.calibration/4",
        "seed": SEED,
        "numpy": np.__version__,
        "sizes": sizes,
        "samples": {part: _most_samples(drawn, part) for part in SAMPLES},
        "log_weights": {
            part: {kind: np.round(w[:, i], 3).tolist() for i, kind in enumerate(KINDS)}
            for part, w in log_weights.items()
        },
        "scores": SCORES.tolist(),
        "tails": {
            part: {
                kind: {n: _short(np.minimum(t, 1.0)) for n, t in by_size.items()}
                for kind, by_size in by_kind.items()
                if by_size
            }
            for part, by_kind in tails.items()
        },
    }


def _weights_at(drawn: Drawn, n: int, sigma_known: bool, **search: int) -> Array:
    """Log weights from the samples of this size with the offset at zero."""
    part = mode(sigma_known=sigma_known, free=False)
    of_size = {key: kept for key, kept in drawn.items() if key[0] == part and key[3] == n and kept}
    nulls = {key: ratios(kept) for key, kept in of_size.items() if key[1] != "comb"}
    combs = [ratios(kept) for key, kept in of_size.items() if key[1] == "comb"]
    levels = [LEVEL if key[1] in NAMED else BEYOND for key in nulls]
    return search_weights(list(nulls.values()), combs, SEED + n, levels, **search)


def _short(tail: Array) -> list[float]:
    """Four significant digits."""
    return [float(f"{share:.4g}") for share in tail]


def _most_samples(drawn: Drawn, part: str) -> dict[str, int]:
    """Samples of a family at each size."""
    out: dict[str, int] = {}
    for (its_part, kind, _, n), kept in drawn.items():
        if its_part == part and kind in NAMED and kept:
            out[str(n)] = max(out.get(str(n), 0), len(kept))
    return out


@benchmark(
    None,
    number("--replicates", 120, 120, "samples of a family"),
    WORKERS,
    Option("--only", default="", help="one mode"),
    Option("--sizes", type=int, nargs="+", default=SIZES, help="some sizes"),
    flag("--table", "only make the table, of kept samples"),
)
def main(options: Any) -> Iterator[str]:
    """Draw and write the table; a tiny run draws a few samples and writes nothing."""
    if options.tiny:
        drawn = {**few("offset zero, sigma unknown"), **few("offset zero, sigma known")}
        made = make(drawn, **FEW)
        yield str({part: list(kinds) for part, kinds in made["tails"].items()})
        return
    wanted = 0 if options.table else options.replicates
    drawn = draw(wanted, KEPT, options.workers, options.only, options.sizes)
    TABLE.write_text(json.dumps(make(drawn), indent=1) + "\n")
