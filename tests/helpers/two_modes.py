"""A sample whose unit has two rival values, for the tests of sampling."""

from __future__ import annotations

VALUES = [4.04, 6.27, -3.73, -3.85, 3.86, 3.76, -0.26, -4.11, 3.98, -0.31]
UNIT_RANGE = (0.6, 4.0)
SIGMA = 0.3
STATES = ["a", "b", "c", "d", "e", "e", "f", "g", "h", "i"]
