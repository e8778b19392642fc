"""Two profiles: a fortieth of the cases, and with ``--hypothesis-profile=nightly`` all of them."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

_COMMON = {
    "deadline": None,  # work is bounded by what is refused, not by the clock
    "database": None,
    "print_blob": True,
    "suppress_health_check": [HealthCheck.too_slow, HealthCheck.data_too_large],
}
settings.register_profile("fortieth", derandomize=True, **_COMMON)
settings.register_profile("nightly", **_COMMON)
