"""The page about planted faults: the share that was noticed, and every survivor with its reason."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from scipy.stats import binomtest

from benchmarks.mutants import Mutant

UNEXPLAINED = "not explained yet"


def table(
    chosen: Mapping[str, tuple[Sequence[Mutant], int]],
    done: Mapping[str, Mapping[str, object]],
    reasons: Mapping[str, str],
    seed: int,
) -> list[str]:
    """The lines of the page."""
    lines = [
        f"Faults planted one at a time, a random sample of each part (seed {seed}). A share is "
        "given with its 95 % interval (Clopper and Pearson). In the last column the survivors that "
        "change nothing that is promised are left out.",
        "",
        "| part | all faults | tried | noticed | share | interval | share without those |",
        "|---|---|---|---|---|---|---|",
    ]
    survivors: list[Mapping[str, object]] = []
    every_tried = every_noticed = every_same = 0
    for part, (some, size) in chosen.items():
        records = [done[m.name] for m in some if m.name in done]
        noticed = sum(bool(record["noticed"]) for record in records)
        survived = [record for record in records if not record["noticed"]]
        same = sum(_same(reasons, record) for record in survived)
        survivors += survived
        lines.append(_row(part, str(size), len(records), noticed, same))
        every_tried += len(records)
        every_noticed += noticed
        every_same += same
    total = sum(size for _, size in chosen.values())
    lines.append(_row("together", str(total), every_tried, every_noticed, every_same))
    lines += ["", "## What survived", "", "| where | line | fault | why |", "|---|---|---|---|"]
    for record in sorted(survivors, key=lambda r: (str(r["file"]), str(r["text"]))):
        reason = reasons.get(str(record["name"]), UNEXPLAINED)
        fault = f"`{_cell(record['old'])}` → `{_cell(record['new'])}`"
        where = str(record["file"]).removeprefix("quantize/")
        lines.append(f"| {where} | `{_cell(record['text'])}` | {fault} | {reason} |")
    return lines


def _same(reasons: Mapping[str, str], record: Mapping[str, object]) -> bool:
    return reasons.get(str(record["name"]), "").startswith("same:")


def _row(part: str, size: str, tried: int, noticed: int, same: int) -> str:
    if not tried:
        return f"| {part} | {size} | 0 | 0 | | | |"
    interval = binomtest(noticed, tried).proportion_ci(0.95)
    without = noticed / (tried - same) if tried > same else 1.0
    return (
        f"| {part} | {size} | {tried} | {noticed} | {noticed / tried:.3f} | "
        f"{interval.low:.2f} to {interval.high:.2f} | {without:.3f} |"
    )


def _cell(text: object) -> str:
    return " ".join(str(text).split()).replace("|", "\\|").replace("`", "'")
