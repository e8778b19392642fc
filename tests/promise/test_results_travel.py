"""Every result can be pickled, copied and written as JSON, and says the same afterwards."""

from __future__ import annotations

import copy
import dataclasses
import json
import pickle
from typing import Any

import numpy as np
import pytest
from interface import keys, result_classes, results
from one_of_each import MAKERS, one

import quantize as qz


@pytest.fixture(params=sorted(MAKERS))
def result(request: pytest.FixtureRequest) -> Any:
    return one(request.param)


def same(one: object, two: object) -> bool:
    """Whether two results say the same."""
    texts = [json.dumps(found.to_dict(), allow_nan=False, sort_keys=True) for found in (one, two)]
    return type(one) is type(two) and texts[0] == texts[1]


def test_there_is_one_of_every_kind() -> None:
    results()  # imports every module
    assert {kind.__name__ for kind in result_classes()} == set(MAKERS)


@pytest.mark.parametrize("protocol", range(2, pickle.HIGHEST_PROTOCOL + 1))
def test_pickled(result, protocol: int) -> None:
    assert same(pickle.loads(pickle.dumps(result, protocol)), result)


def test_copied(result) -> None:
    assert same(copy.copy(result), result)
    assert same(copy.deepcopy(result), result)
    if dataclasses.is_dataclass(result):
        assert same(dataclasses.replace(result), result)


def test_a_pickled_result_is_as_read_only_as_before(result) -> None:
    again = pickle.loads(pickle.dumps(result))
    for field in dataclasses.fields(again):
        value = getattr(again, field.name)
        if isinstance(value, np.ndarray):
            assert not value.flags.writeable, field.name


def test_written_as_json_under_its_schema(result) -> None:
    body = json.loads(json.dumps(result.to_dict(), allow_nan=False))
    name, version = type(result).__name__, type(result).schema_version
    assert body["schema"] == f"quantize.{name}/{version}"


def test_the_keys_are_those_promised(result) -> None:
    promised = results()[type(result).__name__]
    assert set(promised) <= set(result.to_dict())
    assert sorted(result.to_dict()) == keys()[type(result).__name__]


def test_simulated_readings_keep_their_truth() -> None:
    sample = qz.simulate(8, rng=1)
    for again in (pickle.loads(pickle.dumps(sample)), copy.deepcopy(sample)):
        assert again.to_dict() == sample.to_dict()
        assert same(again.truth, sample.truth)
        assert not again.values.flags.writeable
