"""Numbers read back as people write them."""

from __future__ import annotations

_POWER = str.maketrans("⁻⁰¹²³⁴⁵⁶⁷⁸⁹", "-0123456789")


def plainly(number: str) -> float:
    """The value of ``1.6 × 10⁻¹⁹``."""
    return float(number.translate(_POWER).replace(" × 10", "e"))
