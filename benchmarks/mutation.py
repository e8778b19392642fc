"""How many small faults in the statistics and in the charge formulas the tests notice.

``python -m benchmarks.mutation`` plants faults (`benchmarks.mutants`) one at a time in a copy of
the tree and runs the tests that reach the line, nearest and shortest first, until one fails. Which
test reaches which line is found by one run of the suite under coverage.py, kept in
``benchmarks/results/reach.json``. The faults are a random sample of all there are, the same number
for each part of the package.

A fault counts as noticed if a test fails, or if the tests take five times their time and half a
minute more. The tests of a fault end after ``--patience`` seconds of their usual time: what is not
noticed until then counts as survived, and so does a fault that no test reaches.

Results are kept as they come, in ``benchmarks/results/mutants-SEED.jsonl``; a run that was stopped
goes on, and another ``--seed`` draws a sample that the tests have not met. ``--again`` tries the
survivors once more, after tests were added. ``--table`` runs nothing and prints what is known.
``--write docs/tables`` keeps the table, in which each survivor stands with the reason that
``benchmarks/results/survivors.json`` gives.
"""

from __future__ import annotations

import argparse
import json
import random
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from benchmarks.mutants import Mutant, mutants
from benchmarks.mutation_table import Sample, table
from benchmarks.mutation_tests import Reach, find_reach, tests_for
from benchmarks.tables import keep

ROOT = Path(__file__).parents[1]
RESULTS = ROOT / "benchmarks" / "results"
SEED = 90
CHARGE = (
    *("air", "conversion", "coulombs", "drag", "fall", "noise", "plates", "propagation"),
    *("quantity", "reticle", "routes", "rows", "sphere"),
)
"""The files of `quantize.charge` that hold formulas."""
KEPT_OUT = (".git", "__pycache__", "docs/_build", "docs/_figures")


def parts() -> dict[str, list[str]]:
    """The files in which faults are planted, by part of the package."""

    def all_of(folder: str) -> list[str]:
        return [str(f.relative_to(ROOT)) for f in sorted((ROOT / folder).rglob("*.py"))]

    return {
        "comb": all_of("quantize/comb"),
        "null": all_of("quantize/null"),
        "charge formulas": [f"quantize/charge/{name}.py" for name in CHARGE],
    }


def sample(files: Sequence[str], size: int, seed: int) -> tuple[list[Mutant], int]:
    """A random choice of `size` faults from those in `files`, and how many there are."""
    every = [mutant for file in files for mutant in mutants(ROOT, file)]
    chosen = random.Random(seed).sample(every, min(size, len(every)))
    return chosen, len(every)


class Bench:
    """A copy of the tree with a process that runs tests in it."""

    def __init__(self, folder: Path) -> None:
        self.tree = folder / "tree"
        shutil.copytree(ROOT, self.tree, ignore=shutil.ignore_patterns(*KEPT_OUT))
        self.server = subprocess.Popen(
            [sys.executable, "-m", "benchmarks.mutation_server"],
            cwd=self.tree,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def ask(self, question: dict[str, object]) -> dict[str, object]:
        """One run of tests: what the server found."""
        assert self.server.stdin is not None
        assert self.server.stdout is not None
        self.server.stdin.write(json.dumps(question) + "\n")
        self.server.stdin.flush()
        answer: dict[str, object] = json.loads(self.server.stdout.readline())
        return answer

    def close(self) -> None:
        """End the process."""
        assert self.server.stdin is not None
        self.server.stdin.close()
        self.server.wait()


def judge(bench: Bench, mutant: Mutant, reach: Reach, patience: float) -> dict[str, object]:
    """Whether the tests notice a fault, and which test did."""
    first, rest = tests_for(mutant, reach, patience)
    record: dict[str, object] = {
        "name": mutant.name,
        "file": mutant.file,
        "line": mutant.line,
        "kind": mutant.kind,
        "text": mutant.text,
        "old": mutant.old,
        "new": mutant.new,
        "tests": len(first) + len(rest),
    }
    target = bench.tree / mutant.file
    source = target.read_bytes()
    try:
        target.write_bytes(mutant.planted(source))
        for tests in (first, rest):
            if tests:
                seconds = sum(reach.seconds(test) for test in tests)
                answer = bench.ask({"tests": tests, "seconds": 30 + 5 * seconds})
                if "error" in answer:
                    raise RuntimeError(f"{mutant.file}:{mutant.line}: {answer}")
                if answer["noticed"]:
                    return {**record, **answer}
    finally:
        target.write_bytes(source)
    return {**record, "noticed": False, "by": "" if first or rest else "no test reaches it"}


def run(
    waiting: Iterator[tuple[str, Mutant]], reach: Reach, patience: float, workers: int, kept: Path
) -> None:
    """Judge the faults that are waiting, each bench one at a time; keep what is found."""

    def work(number: int) -> None:
        with tempfile.TemporaryDirectory() as folder:
            bench = Bench(Path(folder))
            try:
                for part, mutant in waiting:
                    record = {"part": part, **judge(bench, mutant, reach, patience)}
                    with kept.open("a", encoding="utf-8") as file:
                        file.write(json.dumps(record) + "\n")
                    seen = "noticed" if record["noticed"] else "SURVIVED"
                    print(f"{seen:9}{mutant.file}:{mutant.line} {mutant.old} -> {mutant.new}")
            finally:
                bench.close()

    with ThreadPoolExecutor(workers) as pool:
        list(pool.map(work, range(workers)))


def read(kept: Path) -> dict[str, dict[str, object]]:
    """The last record of each fault, with whether it was noticed when it was first tried."""
    found: dict[str, dict[str, object]] = {}
    for line in kept.read_text(encoding="utf-8").splitlines() if kept.exists() else []:
        record = json.loads(line)
        before = found.get(record["name"], record)
        found[record["name"]] = record | {"at first": before.get("at first", before["noticed"])}
    return found


def chosen_before(
    done: dict[str, dict[str, object]], files: dict[str, list[str]]
) -> dict[str, tuple[list[Mutant], int]]:
    """The sample of a run that was begun, as far as its lines still stand."""
    found = {}
    for part, names in files.items():
        every = [mutant for file in names for mutant in mutants(ROOT, file)]
        known = {mutant.name: mutant for mutant in every if mutant.name in done}
        found[part] = list(known.values()), len(every)
    return found


def kept_of(seed: int) -> Path:
    """The file of the sample that was drawn with this seed."""
    return RESULTS / f"mutants-{seed}.jsonl"


def _other_samples(seed: int) -> list[Sample]:
    found = [int(file.stem.partition("-")[2]) for file in RESULTS.glob("mutants-*.jsonl")]
    return [
        Sample(other, chosen_before(done := read(kept_of(other)), parts()), done)
        for other in found
        if other != seed
    ]


class _Shared(Iterator[tuple[str, Mutant]]):
    """An iterator that several threads may draw from."""

    def __init__(self, items: list[tuple[str, Mutant]]) -> None:
        self.items = items

    def __next__(self) -> tuple[str, Mutant]:
        try:
            return self.items.pop(0)
        except IndexError:
            raise StopIteration from None


def main() -> None:
    """Run as a command."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--mutants", type=int, default=200, help="faults in each part")
    parser.add_argument("--patience", type=float, default=60.0, help="seconds of tests a fault")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--again", action="store_true", help="try the survivors once more")
    parser.add_argument("--part", default=None, help="only this part: comb, null or charge")
    parser.add_argument("--table", action="store_true", help="only print what is known")
    parser.add_argument("--write", type=Path, default=None)
    parser.add_argument("--tiny", action="store_true")
    options = parser.parse_args()
    if options.tiny:
        _tiny()
        return
    kept = kept_of(options.seed)
    done = read(kept)
    if options.again or options.table:
        chosen = chosen_before(done, parts())
    else:
        chosen = {p: sample(files, options.mutants, options.seed) for p, files in parts().items()}
    waiting = [
        (part, mutant)
        for part, (some, _) in chosen.items()
        for mutant in some
        if mutant.name not in done or (options.again and not done[mutant.name]["noticed"])
        if options.part is None or part.startswith(options.part)
    ]
    random.Random(options.seed).shuffle(waiting)
    if waiting and not options.table:
        reach = find_reach(ROOT, RESULTS / "reach.json")
        run(_Shared(waiting), reach, options.patience, options.workers, kept)
    reasons = json.loads((RESULTS / "survivors.json").read_text(encoding="utf-8"))
    drawn = [Sample(options.seed, chosen, read(kept)), *_other_samples(options.seed)]
    lines = table(sorted(drawn, key=lambda sample: sample.seed), reasons)
    print("\n".join(lines))
    keep(options.write, "mutation", "Faults that the tests notice", lines)


def _tiny() -> None:
    """Two faults in one small file, with the tests of its folder."""
    reach = Reach(tests=[], times={}, lines={})
    some, every = sample(["quantize/_support/validation.py"], 2, SEED)
    with tempfile.TemporaryDirectory() as folder:
        kept = Path(folder) / "mutants.jsonl"
        run(_Shared([("charge formulas", mutant) for mutant in some]), reach, 60.0, 1, kept)
        lines = table([Sample(SEED, {"charge formulas": (some, every)}, read(kept))], {})
    print("\n".join(lines))


if __name__ == "__main__":
    main()
