"""Data without steps: how they look, and how far the readings stand out from them."""

from __future__ import annotations

from typing import TYPE_CHECKING

_HOME = {
    "analyze_counts": "quantize.null.counts",
    "height_for": "quantize.null.bounds",
    "p_value_bound": "quantize.null.bounds",
    "sensitivity": "quantize.null.dependence",
    "without_each_state": "quantize.null.influence",
}

__all__ = list(_HOME)

if TYPE_CHECKING:
    from quantize.null.bounds import height_for as height_for
    from quantize.null.bounds import p_value_bound as p_value_bound
    from quantize.null.counts import analyze_counts as analyze_counts
    from quantize.null.dependence import sensitivity as sensitivity
    from quantize.null.influence import without_each_state as without_each_state
else:
    from quantize._support.lazy import lazily

    __getattr__, __dir__ = lazily(__name__, _HOME)
