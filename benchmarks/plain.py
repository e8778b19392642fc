"""The plain simulator of the tests, which shares no code with the package that it judges."""

import sys

from benchmarks.runner import ROOT

sys.path.append(str(ROOT / "tests" / "helpers"))
from plain_bench import CHARGE, DROPS, Bench, Drawn, PlainBench, simulate

__all__ = ["CHARGE", "DROPS", "Bench", "Drawn", "PlainBench", "simulate"]
