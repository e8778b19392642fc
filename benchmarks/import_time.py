"""CPU time of ``import quantize`` beside that of ``import numpy``, each in fresh interpreters.

Run with ``python -m benchmarks.import_time``; the aim is a ratio of at most 1.5.
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
from pathlib import Path

from benchmarks.tables import keep

AIM = 1.5
_PROBE = "import time; t = time.process_time(); import {module}; print(time.process_time() - t)"


def cpu_seconds(module: str) -> float:
    """CPU time in seconds of importing `module` in a fresh interpreter, without its start."""
    done = subprocess.run(
        [sys.executable, "-c", _PROBE.format(module=module)],
        capture_output=True,
        text=True,
        check=True,
    )
    return float(done.stdout)


def compare(runs: int) -> tuple[list[float], list[float]]:
    """CPU times of numpy and of quantize, taken in turns so that both meet the same load."""
    for module in ("numpy", "quantize"):
        cpu_seconds(module)  # the first run fills the caches of compiled code
    pairs = [(cpu_seconds("numpy"), cpu_seconds("quantize")) for _ in range(runs)]
    return [a for a, _ in pairs], [b for _, b in pairs]


def main(arguments: list[str] | None = None) -> None:
    """Measure, and print or write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true", help="three runs instead of twenty-one")
    parser.add_argument("--write", metavar="DIR", type=Path, help="write the table to this folder")
    options = parser.parse_args(arguments)
    runs = 3 if options.tiny else 21
    numpy_times, quantize_times = compare(runs)
    ratio = statistics.median(quantize_times) / statistics.median(numpy_times)
    lines = [
        f"Median CPU time of {runs} imports, each in a fresh interpreter.",
        "",
        "| import | seconds |",
        "|---|---|",
        f"| numpy | {statistics.median(numpy_times):.3f} |",
        f"| quantize | {statistics.median(quantize_times):.3f} |",
        "",
        f"Ratio {ratio:.2f}; the aim is at most {AIM}.",
    ]
    print("\n".join(lines))
    keep(options.write, "import_time", "Import time", lines)


if __name__ == "__main__":
    main()
