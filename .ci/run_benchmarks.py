"""Every benchmark at its smallest size, in one process: how long each took, and what failed.

Modules without a command of their own are parts of the others.
"""

from __future__ import annotations

import contextlib
import importlib
import io
import sys
import time
import traceback
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
WITHOUT_SIZE = ("tables",)
"""These measure nothing."""


def main() -> int:
    """Run them; the exit status is how many failed."""
    sys.path.insert(0, str(ROOT))
    failures = 0
    for file in sorted((ROOT / "benchmarks").glob("*.py")):
        if "\n@benchmark(" not in file.read_text(encoding="utf-8") or file.stem in WITHOUT_SIZE:
            continue
        told, begin, result = io.StringIO(), time.perf_counter(), "passed"
        try:
            sys.argv = [file.stem, "--tiny"]
            with contextlib.redirect_stdout(told):
                code = importlib.import_module(f"benchmarks.{file.stem}").main()
            if code:
                raise SystemExit(code)
            if not told.getvalue().strip():
                raise RuntimeError("it printed nothing")
        except (Exception, SystemExit):
            failures += 1
            result = f"FAILED\n{told.getvalue()}\n{traceback.format_exc()}"
        print(f"{time.perf_counter() - begin:7.1f} s  {file.stem} {result}", flush=True)
    return failures


if __name__ == "__main__":
    sys.exit(main())
