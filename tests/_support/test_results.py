"""The base of the results: frozen, read-only, JSON-ready."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import pandas as pd
import pytest

import quantize as qz
from quantize._support.errors import InputError
from quantize._support.rendering import load, renderer
from quantize._support.results import Result, jsonable


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Inner(Result):
    share: float


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Outer(Result):
    _private: ClassVar[tuple[str, ...]] = ("workings",)

    unit: float
    score: np.ndarray
    rivals: pd.DataFrame
    inner: Inner
    readings: qz.Readings
    workings: Any = None

    def _headline(self) -> str:
        return f"unit {self.unit:g}"


@pytest.fixture
def outer() -> Outer:
    return Outer(
        unit=4.9,
        score=np.array([1.0, np.nan, np.inf]),
        rivals=pd.DataFrame({"unit": [4.9, np.nan], "count": [13, 2], "name": ["a", None]}),
        inner=Inner(share=np.nan),
        readings=qz.Readings([1.0, 2.0]),
        workings=object(),
    )


def test_to_dict_is_json_without_nan(outer: Outer) -> None:
    there = json.loads(json.dumps(outer.to_dict(), allow_nan=False))
    assert there["schema"] == "quantize.Outer/1"
    assert there["score"] == [1.0, None, None]
    assert there["rivals"][0] == {"unit": 4.9, "count": 13, "name": "a"}
    assert there["rivals"][1]["unit"] is None
    assert there["inner"] == {"schema": "quantize.Inner/1", "share": None}
    assert there["readings"]["values"] == [1.0, 2.0]
    assert "workings" not in there


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (np.float64(2.5), 2.5),
        (np.float64("nan"), None),
        (-np.inf, None),
        (np.int64(3), 3),
        (np.bool_(True), True),
        (np.array([[1, 2], [3, 4]]), [[1, 2], [3, 4]]),
        ({1: (np.nan, "x")}, {"1": [None, "x"]}),
        (None, None),
        (Path("a"), "a"),
    ],
)
def test_jsonable(value: Any, expected: Any) -> None:
    found = jsonable(value)
    assert found == expected
    assert type(found) is type(expected)


def test_results_are_frozen_and_their_arrays_read_only() -> None:
    score = np.array([1.0, 2.0])
    result = Outer(
        unit=1.0,
        score=score,
        rivals=pd.DataFrame(),
        inner=Inner(share=0.5),
        readings=qz.Readings([1.0, 2.0]),
    )
    score[0] = -1
    assert result.score[0] == 1.0
    with pytest.raises(ValueError, match="read-only"):
        result.score[0] = 3
    with pytest.raises(dataclasses.FrozenInstanceError):
        result.unit = 2.0  # type: ignore[misc]
    assert hash(result) == hash(result)
    assert result == result
    assert result != dataclasses.replace(result)


def test_repr_is_one_line(outer: Outer) -> None:
    assert repr(outer) == "<Outer: unit 4.9>"


def test_a_view_that_does_not_exist_says_so(outer: Outer) -> None:
    with pytest.raises(InputError, match=r"`Outer` has no sound; print it, or take its numbers"):
        renderer("sound", outer)
    with pytest.raises(InputError, match=r"`Outer` has no picture; print it, or take its numbers"):
        outer.plot()
    assert load("json:dumps") is json.dumps
