"""The page about planted faults: the share that was noticed, and every survivor with its reason."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence

from scipy.stats import binomtest

from benchmarks.mutants import Mutant

UNEXPLAINED = "not explained yet"


@dataclasses.dataclass(frozen=True)
class Sample:
    """Faults of one draw: by part, with how many there are in all, and what was found of each."""

    seed: int
    chosen: Mapping[str, tuple[Sequence[Mutant], int]]
    done: Mapping[str, Mapping[str, object]]


def table(samples: Sequence[Sample], reasons: Mapping[str, str]) -> list[str]:
    """The lines of the page."""
    lines = [
        "Faults planted one at a time, random samples of each part. A share is given with its 95 % "
        "interval (Clopper and Pearson): first by the tests as they were when the faults were "
        "drawn, then with those written for the survivors, which flatters the tests: other faults "
        "of the same kind were not looked at. A later draw meets the tests that an earlier one "
        "led to; its first share is the fair one. In the last column the survivors that change "
        "nothing that is promised are left out.",
        "",
        "| seed | part | all faults | tried | noticed at first | interval | noticed now | "
        "without the harmless |",
        "|---|---|---|---|---|---|---|---|",
    ]
    survivors: dict[str, Mapping[str, object]] = {}
    for sample in samples:
        sums = [0, 0, 0, 0]
        for part, (some, size) in sample.chosen.items():
            records = [sample.done[m.name] for m in some if m.name in sample.done]
            survived = [record for record in records if not record["noticed"]]
            survivors |= {str(record["name"]): record for record in survived}
            counts = [
                len(records),
                sum(bool(record["at first"]) for record in records),
                len(records) - len(survived),
                sum(_same(reasons, record) for record in survived),
            ]
            lines.append(f"| {sample.seed} " + _row(part, size, *counts))
            sums = [a + b for a, b in zip(sums, counts, strict=True)]
        every = sum(size for _, size in sample.chosen.values())
        lines.append(f"| {sample.seed} " + _row("together", every, *sums))
    lines += ["", "## What survived", "", "| where | line | fault | why |", "|---|---|---|---|"]
    for record in sorted(survivors.values(), key=lambda r: (str(r["file"]), str(r["text"]))):
        reason = reasons.get(str(record["name"]), UNEXPLAINED)
        fault = f"`{_cell(record['old'])}` → `{_cell(record['new'])}`"
        where = str(record["file"]).removeprefix("quantize/")
        lines.append(f"| {where} | `{_cell(record['text'])}` | {fault} | {reason} |")
    return lines


def _same(reasons: Mapping[str, str], record: Mapping[str, object]) -> bool:
    return reasons.get(str(record["name"]), "").startswith("same:")


def _row(part: str, size: int, tried: int, first: int, noticed: int, same: int) -> str:
    if not tried:
        return f"| {part} | {size} | 0 | | | | |"
    interval = binomtest(first, tried).proportion_ci(0.95)
    without = noticed / (tried - same) if tried > same else 1.0
    return (
        f"| {part} | {size} | {tried} | {first / tried:.3f} | "
        f"{interval.low:.2f} to {interval.high:.2f} | {noticed / tried:.3f} | {without:.3f} |"
    )


def _cell(text: object) -> str:
    return " ".join(str(text).split()).replace("|", "\\|").replace("`", "'")
