"""From many readings: fast sums, partial sums that add, counts in bins, and what they tell.

Their verdict is `quantize.analyze`, or `quantize.null.analyze_counts` on bins alone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

_HOME = {
    "Histogram": "quantize.counts.histogram",
    "Spectrum": "quantize.counts.spectrum",
    "fit_counts": "quantize.counts.fit",
}

__all__ = list(_HOME)

if TYPE_CHECKING:
    from quantize.counts.fit import fit_counts as fit_counts
    from quantize.counts.histogram import Histogram as Histogram
    from quantize.counts.spectrum import Spectrum as Spectrum
else:
    from quantize._support.lazy import lazily

    __getattr__, __dir__ = lazily(__name__, _HOME)
