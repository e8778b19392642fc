"""The JSON Schema on the page about embedding: it holds for analyses of every kind, and says no."""

from __future__ import annotations

import copy
import inspect
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from needed import needed

import quantize as qz
from quantize.analysis import Analysis

FILE = Path(__file__).parents[2] / "docs" / "_static" / "analysis.schema.json"
SCHEMA = json.loads(FILE.read_text(encoding="utf-8"))
STEPS = [2.1, 3.9, 6.0, 8.1, 9.9, 14.0, 4.1, 11.9, 16.1, 6.1]


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


def test_analyses_of_every_kind_fit(validator: Any) -> None:
    found = analyses()
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
