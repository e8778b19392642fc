"""The path of the evidence over a whole sample in one call."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import quantize as qz
from quantize.null.running import RunningResult


def running_evidence(
    readings: Any,
    unit_range: Any,
    window: Any,
    *,
    looks: Sequence[int] | None = None,
    alpha: float = 0.05,
    **options: Any,
) -> RunningResult:
    """The evidence after each reading."""
    process = qz.RunningEvidence(unit_range, window, **options)
    return process.read(readings, looks=looks).result(alpha=alpha)
