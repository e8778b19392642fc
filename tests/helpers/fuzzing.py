"""What the fuzz tests hold every function to, and the strange input that they hand in."""

from __future__ import annotations

import dataclasses
import warnings
from collections.abc import Callable, Iterator

import numpy as np
import pandas as pd
from hypothesis import event, settings
from hypothesis import strategies as st

from quantize import InputError, QuantizeWarning
from quantize._support.results import Result

READER_CASES = 20_000
ESTIMATOR_CASES = 2_000


def cases(nightly: int) -> settings:
    """`nightly` cases in the profile of that name, a fortieth in the others."""
    profile = settings.get_current_profile_name()
    return settings(max_examples=nightly if profile == "nightly" else nightly // 40)


def answer(function: Callable[[], object]) -> object:
    """The result, or the sentence with which the input was refused.

    Any other exception, and any warning but the library's own, goes through.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        warnings.simplefilter("ignore", QuantizeWarning)
        try:
            found = function()
        except InputError as error:
            sentence = str(error)
            assert sentence.endswith((".", "?")), sentence
            assert "\n" not in sentence, sentence
            assert len(sentence) < 1_000, sentence
            event("refused")
            return sentence
    event("answered")
    return found


def numbers_in(value: object, name: str = "") -> Iterator[tuple[str, np.ndarray]]:
    """Every number of a result with the name of its field."""
    if isinstance(value, pd.DataFrame):
        for column in value.select_dtypes("number"):
            yield f"{name}.{column}", value[column].to_numpy(dtype=float)
    elif isinstance(value, np.ndarray):
        if value.dtype.kind == "f":
            yield name, value
    elif isinstance(value, float):
        yield name, np.array([value])
    elif isinstance(value, (tuple, list)):
        for item in value:
            yield from numbers_in(item, name)
    elif isinstance(value, Result):
        for field in dataclasses.fields(value):
            if not field.name.startswith("_"):
                yield from numbers_in(getattr(value, field.name), f"{name}.{field.name}")


def without_nan(found: object, *, but: tuple[str, ...] = ()) -> None:
    """No number of the result is NaN, but in fields whose docstring says when it is."""
    for name, values in numbers_in(found, type(found).__name__):
        if not name.startswith(but or ("\0",)):
            assert not np.isnan(values).any(), f"{name} holds NaN"


def mostly(sane: st.SearchStrategy, odd: st.SearchStrategy) -> st.SearchStrategy:
    """Five sane draws for every odd one, so that most questions get an answer."""
    return st.integers(0, 5).flatmap(lambda i: odd if i == 5 else sane)


MAGNITUDES = mostly(
    st.sampled_from([1.0, 1e-19, 1e6, 1e-60, 1e60]), st.sampled_from([1e-300, 1e-80, 1e80, 1e300])
)
ODD_NUMBERS = st.one_of(
    st.floats(allow_nan=True, allow_infinity=True),
    st.sampled_from([0.0, -0.0, 5e-324, 1e-308, 1.7e308, float("nan"), float("inf")]),
    st.integers(-(10**20), 10**20),
    st.none(),
    st.text(max_size=3),
)


@st.composite
def samples(draw: st.DrawFn, most: int = 30) -> list[float]:
    """Finite readings: plain, tied, in steps, geometric, of one sign or both, of any magnitude."""
    n = draw(st.integers(1, most))
    scale = draw(MAGNITUDES)
    kind = draw(st.sampled_from(["plain", "tied", "steps", "geometric", "two units", "wild"]))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    if kind == "plain":
        values = rng.uniform(-1, 3, n)
    elif kind == "tied":
        values = rng.choice([0.0, 1.0, 1.0 + 2**-52, 7.3], n)
    elif kind == "steps":
        values = rng.integers(-8, 9, n) + rng.choice([0.0, 1e-12, 0.1]) * rng.standard_normal(n)
    elif kind == "geometric":
        values = 2.0 ** rng.uniform(-20, 20, n) * rng.choice([-1, 1], n)
    elif kind == "two units":
        values = rng.integers(1, 9, n) * rng.choice([1.0, np.sqrt(2)], n)
    else:
        values = np.append(rng.uniform(1, 2, n - 1), rng.choice([1e-9, 1e9]))
    with np.errstate(over="ignore"):
        scaled = values * scale
    return list(np.where(np.isfinite(scaled), scaled, scale))


def unit_ranges(page: list[float]) -> st.SearchStrategy[object]:
    """No unit_range, a sensible one, and senseless ones."""
    span = float(np.max(np.abs(page))) or 1.0
    sane = st.tuples(st.floats(0.02, 0.2), st.floats(0.3, 0.6))
    senseless = [(span * 1e-12, span), (1e-300, 1e300), (span, span / 2), "wide", (1.0,)]
    return mostly(
        st.one_of(st.none(), sane.map(lambda pair: (pair[0] * span, pair[1] * span))),
        st.one_of(st.tuples(ODD_NUMBERS, ODD_NUMBERS), st.sampled_from(senseless)),
    )
