"""Several answers as one text: what must be the same wherever it is worked out."""

from __future__ import annotations

import json

import quantize as qz

PAGE = [2.1, 3.9, 6.0, 8.1, 9.9, 14.0, 4.1, 11.9, 16.1, 6.1]
UNIT_RANGE = (1.2, 4.0)


def everything(seed: int) -> str:
    """Several answers as text, to the last bit."""
    found = [
        qz.periodogram(PAGE, UNIT_RANGE),
        qz.fit_comb(PAGE, UNIT_RANGE, offset="free"),
        qz.fit_mixture(PAGE, UNIT_RANGE),
        qz.compare_null(PAGE, UNIT_RANGE, null="smooth", n_resamples=199, rng=seed),
        qz.analyze(PAGE, UNIT_RANGE, n_resamples=99, rng=seed),
    ]
    return json.dumps([one.to_dict() for one in found], sort_keys=True)
