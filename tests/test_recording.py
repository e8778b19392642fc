"""The step of the last digit that was written, against decimal arithmetic and by hand."""

from __future__ import annotations

from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import quantize as qz
from quantize.recording import recorded_steps, rounded_alike


def written(texts: list[str]) -> np.ndarray:
    """Numbers as a file would have them."""
    return np.array([float(text) for text in texts])


def last_digit(texts: list[str]) -> float:
    """The smallest last place of any of these numbers, by `decimal`."""
    return float(min(Decimal(1).scaleb(Decimal(text).normalize().as_tuple().exponent) for text in texts))  # type: ignore[arg-type]


@given(
    st.lists(st.integers(-99_999, 99_999), min_size=3, max_size=12),
    st.integers(1, 3),
)
def test_fixed_decimals_have_the_last_place_of_any(whole: list[int], decimals: int) -> None:
    """`decimal.Decimal` says which digit of each is the last."""
    texts = [str(Decimal(number).scaleb(-decimals)) for number in whole]
    found = recorded_steps(written(texts))
    if not any(whole):
        assert found is None
        return
    assert found is not None
    smallest = min(
        10.0 ** Decimal(text).normalize().as_tuple().exponent  # type: ignore[operator]
        for text in texts
        if float(text)
    )
    # Values whose final digits drop as they grow are those of significant digits; whole numbers
    # have step 1, or 5 or 10 where all end so.
    assert found.min() <= max(smallest, 10.0) * (1 + 1e-12)
