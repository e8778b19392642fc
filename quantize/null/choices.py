"""The choices of the test: numbers that no theory gives and that change an answer.

What each does, how it was chosen and what half and twice its value would do stands in
``docs/tables/constants.md``; the largest coefficient of sums of two units, and how rare it is, are
in `quantize.null.two_generators`. Two rules that several modules share follow at the end.
"""

from __future__ import annotations

CONCENTRATIONS: tuple[float, ...] = (float("inf"), 1.0, 0.3)
"""Dirichlet concentrations of the shares: equal shares, flat, and a few favoured levels."""
RESTAURANTS = (0.5, 2.0, 8.0, 30.0)
"""Concentrations of the Chinese-restaurant shares that are averaged over."""
BLURRED = 0.30
"""Spread, sigma over unit, beyond which steps blur into a continuum and can hide in anything."""
NARROWEST = {"normal": 30, "broad lumps": 12, "lumps": 400}
"""Smallest standard deviation of a smooth envelope and of lumps, as this part of the span."""
SHIFTS = (0.02, 0.07, 0.25, 1.0)
"""Shifts of the lognormal envelope, in windows: nearly exponential to nearly normal."""
BETA_SHAPES = (0.5, 1.0, 2.0, 4.0)
"""Each of the two shapes of the beta envelope: U-shaped to humped."""
ON_COMB = (0.6, 0.75, 0.9, 0.97, 1.0)
"""Shares of the readings on a comb that keeps most, where it is set against heaps."""
HEAP_SPREADS = (0.001, 0.003, 0.01, 0.02, 0.05)
"""Spreads of heaps on round values, in units: rounding by hand."""
MISREAD = 0.05
"""Share of the readings that is expected to be nowhere near the comb: a digit, another object."""
BEYOND = 3.0
"""Levels so many lengths, 5 to 95 % of the levels, from the others are also tried as misread."""

LEVELS_AT_ZERO, LEVELS_FREE = 3, 5
"""Levels that must be occupied: distinct non-zero absolute integers with the offset at zero,
distinct integers with it free."""
RARE = 0.05
"""One in twenty: the usual level, and what is wanted wherever something must be sure."""
