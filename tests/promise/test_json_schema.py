"""The JSON Schemas on the page about embedding: they hold for results of every kind, and say no."""

from __future__ import annotations

import copy
import inspect
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import schemas
from needed import needed
from one_of_each import MAKERS, one

import quantize as qz
from quantize.analysis import Analysis

FILE = Path(__file__).parents[2] / "docs" / "_static" / "analysis.schema.json"
SCHEMA = json.loads(FILE.read_text(encoding="utf-8"))
STEPS = [2.1, 3.9, 6.0, 8.1, 9.9, 14.0, 4.1, 11.9, 16.1, 6.1]


@pytest.fixture(scope="module")
def analyses() -> dict[str, Analysis]:
    rng = np.random.default_rng(3)
    marked = qz.Readings(
        STEPS,
        sigma=0.1,
        state=[f"s{x:.0f}" for x in STEPS],
        resolution=0.1,
        ends=2,
        beyond=[0] * 9 + [1],
        changed=[False] * 8 + [True, False],
        unit_name="div",
    )
    quick: dict[str, Any] = {"n_resamples": 99, "rng": 1}
    return {
        "steps": qz.analyze(STEPS, (1.2, 7), **quick),
        "cannot tell": qz.analyze(rng.normal(10, 3, 12).round(2), **quick),
        "marked": qz.analyze(marked, (1.2, 7), **quick),
        "modelled": qz.analyze(STEPS, model=qz.MixtureModel(offset="free"), **quick),
    }


@pytest.fixture(scope="module")
def validator() -> Any:
    jsonschema = needed("jsonschema")
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    return jsonschema.Draft202012Validator(SCHEMA)


def test_analyses_of_every_kind_fit(validator: Any, analyses: dict[str, Analysis]) -> None:
    found = analyses
    assert {a.verdict for a in found.values()} >= {"steps", "cannot tell"}
    for name, analysis in found.items():
        content = json.loads(json.dumps(analysis.to_dict(), allow_nan=False))
        assert [e.message for e in validator.iter_errors(content)] == [], name
        # No key of the result is left unsaid.
        assert set(content) == set(SCHEMA["properties"])
        assert set(content["readings"]) == set(SCHEMA["properties"]["readings"]["properties"])
        for key, value in (("verdict", "perhaps"), ("unit", "4.9"), ("p_value", 1.2)):
            wrong = copy.deepcopy(content)
            wrong[key] = value
            assert not validator.is_valid(wrong), key
        short = copy.deepcopy(content)
        del short["readings"]["values"]
        assert not validator.is_valid(short)


def test_its_name_is_that_of_the_present_version() -> None:
    assert SCHEMA["properties"]["schema"] == {
        "const": f"quantize.Analysis/{Analysis.schema_version}"
    }
    given = set(inspect.signature(qz.Readings).parameters)
    assert given <= set(SCHEMA["properties"]["readings"]["properties"])


@pytest.fixture(scope="module")
def of_all() -> Any:
    jsonschema = needed("jsonschema")
    schema = json.loads(schemas.FILE.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


@pytest.mark.parametrize("name", sorted(MAKERS))
def test_results_of_every_kind_fit_and_wrong_ones_do_not(of_all: Any, name: str) -> None:
    content = json.loads(json.dumps(one(name).to_dict(), allow_nan=False))
    assert [e.message for e in of_all.iter_errors(content)] == []
    for key in content:
        assert not of_all.is_valid({k: v for k, v in content.items() if k != key}), key
    said = {key: value for key, value in content.items() if isinstance(value, (int, float, list))}
    assert said
    for key in said:
        assert not of_all.is_valid(content | {key: {"another": "shape"}}), key
    assert not of_all.is_valid(content | {"schema": f"quantize.{name}/99"})


def test_analyses_of_every_kind_fit_the_schema_of_all(
    of_all: Any, analyses: dict[str, Analysis]
) -> None:
    for name, analysis in analyses.items():
        content = json.loads(json.dumps(analysis.to_dict(), allow_nan=False))
        assert [e.message for e in of_all.iter_errors(content)] == [], name
