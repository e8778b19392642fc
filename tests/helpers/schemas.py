"""The JSON Schema of every result and of what the commands print, from the types of the fields.

``python tests/helpers/interface.py`` renews ``docs/_static/results.schema.json`` with it.
"""

from __future__ import annotations

import ast
import dataclasses
import importlib
import json
import pkgutil
from pathlib import Path
from typing import Any, get_args

import pandas as pd
from one_of_each import MAKERS, one

import quantize
from quantize._support.results import Result
from quantize.analysis import Verdict

FILE = Path(__file__).parents[2] / "docs" / "_static" / "results.schema.json"
TEXT, WHOLE, TRUTH = {"type": "string"}, {"type": "integer"}, {"type": "boolean"}
NUMBER = {"type": ["number", "null"]}
ROWS = {"type": "array", "items": {"type": "object"}}
PLAIN: dict[str, Any] = {
    "float": NUMBER,
    "int": WHOLE,
    "str": TEXT,
    "bool": TRUTH,
    "None": {"type": "null"},
    "Any": {},
    "FloatArray": {"type": "array", "items": {"$ref": "#/$defs/numbers"}},
    "IntArray": {"type": "array", "items": WHOLE},
    "BoolArray": {"type": "array", "items": TRUTH},
    "Verdict": {"enum": list(get_args(Verdict))},
}
"""What JSON holds in place of a type; NaN and infinity are null."""


def classes() -> dict[str, type]:
    """Every class of the package by its name."""
    found = {}
    for module in pkgutil.walk_packages(quantize.__path__, "quantize."):
        for name, thing in vars(importlib.import_module(module.name)).items():
            if isinstance(thing, type) and thing.__module__.startswith("quantize."):
                found[name] = thing
    return found


class Schema:
    """The definitions, as they are asked for."""

    def __init__(self) -> None:
        self.classes = classes()
        self.made: dict[str, Any] = {
            "numbers": {"type": ["number", "null", "array"], "items": {"$ref": "#/$defs/numbers"}}
        }

    def of(self, node: ast.expr) -> dict[str, Any]:
        """What a written type allows."""
        if isinstance(node, ast.BinOp):
            return {"anyOf": [self.of(node.left), self.of(node.right)]}
        if isinstance(node, ast.Subscript):
            kind = ast.unparse(node.value)
            inner = node.slice.elts if isinstance(node.slice, ast.Tuple) else [node.slice]
            if kind == "Literal":
                return {"enum": [ast.literal_eval(one) for one in inner]}
            if kind == "dict":
                return {"type": "object", "additionalProperties": self.of(inner[-1])}
            listed = kind in ("tuple", "list")
            return {"type": "array", "items": self.of(inner[0])} if listed else {}
        name = ast.unparse(node).rpartition(".")[2]
        return PLAIN[name] if name in PLAIN else self.named(name)

    def named(self, name: str) -> dict[str, Any]:
        """A reference to a class; results have every key that one of them has."""
        kind = self.classes.get(name)
        if kind is None or not dataclasses.is_dataclass(kind):
            return {}
        if name not in self.made:
            self.made[name] = {}
            own = "to_dict" in vars(kind) and not issubclass(kind, Result)
            self.made[name] = {"type": "object"} if own else self.described(kind)
        return {"$ref": f"#/$defs/{name}"}

    def described(self, kind: type) -> dict[str, Any]:
        """The fields of a dataclass."""
        fields = {f.name: f for f in dataclasses.fields(kind)}
        left_out = getattr(kind, "_private", ())
        keys = {name: str(f.type) for name, f in fields.items() if name not in left_out}
        if not issubclass(kind, Result):
            return {
                "type": "object",
                "properties": {k: self.of(ast.parse(t, mode="eval").body) for k, t in keys.items()},
            }
        example = one(kind.__name__)
        content = example.to_dict()
        properties = {}
        for key in content:
            if key == "schema":
                properties[key] = {"const": f"quantize.{kind.__name__}/{kind.schema_version}"}
            elif isinstance(getattr(example, key, None), pd.DataFrame):
                properties[key] = table(getattr(example, key))
            else:
                getter = getattr(getattr(kind, key, None), "fget", None)
                told = getattr(getter, "__annotations__", {}).get("return", "Any")
                properties[key] = self.of(ast.parse(keys.get(key, told), mode="eval").body)
        return {"type": "object", "properties": properties, "required": list(content)}


def table(frame: pd.DataFrame) -> dict[str, Any]:
    """Rows under the names of their columns."""
    columns = {}
    for name, kind in frame.dtypes.items():
        words = {"b": ["boolean"], "f": ["number"], "i": ["number"]}.get(kind.kind)
        columns[str(name)] = {"type": [*(words or ["string", "number", "boolean"]), "null"]}
    return {"type": "array", "items": {"type": "object", "properties": columns}}


def commands(of: Any) -> dict[str, dict[str, Any]]:
    """What the commands print with ``--json``, under their schema; `of` refers to a result."""
    run = {"file": TEXT, "route": TEXT, "agreement": {"type": ["object", "null"]}, "rows": ROWS}
    return {
        "demo/1": {"published": of("Analysis"), "invented": of("Analysis")},
        "groups/1": {"file": TEXT, "read_from": TEXT, "groups": of("GroupAnalyses")},
        "several/1": {"file": TEXT, "result": {"type": "object", "required": ["schema"]}},
        "convert/1": run | {"exact": {}, "remarks": {"type": "array", "items": TEXT}},
        "convert.balances/1": run,
        "convert.forms/1": {},
        "convert.repeats/1": {"file": TEXT, "section": TEXT, "entry": TEXT, "repeats": WHOLE},
        "plan/1": {"plan": of("Plan"), "seed": {"type": ["integer", "null"]}},
        "next/1": {"file": TEXT, "next": of("NextStep")},
        "compare/1": {"comparison": of("Comparison")},
    }


def document() -> dict[str, Any]:
    """The schema of all of them: which one holds is said by the key `schema`."""
    schema = Schema()
    cases = {}
    for name in sorted(MAKERS):
        reference = schema.named(name)
        cases[schema.made[name]["properties"]["schema"]["const"]] = reference
    for name, keys in commands(schema.named).items():
        head = {"schema": {"const": f"quantize.cli.{name}"}}
        schema.made[f"cli.{name}"] = {
            "type": "object",
            "properties": head | keys,
            "required": [*head, *keys],
        }
        cases[f"quantize.cli.{name}"] = {"$ref": f"#/$defs/cli.{name.replace('/', '~1')}"}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "What to_dict() of every result gives, and what the commands print with --json",
        "description": "NaN and infinity are null. Further keys may be added within a version.",
        "type": "object",
        "properties": {"schema": {"enum": list(cases)}},
        "required": ["schema"],
        "allOf": [
            {"if": {"properties": {"schema": {"const": name}}}, "then": reference}
            for name, reference in cases.items()
        ],
        "$defs": dict(sorted(schema.made.items())),
    }


def written() -> str:
    """The file as text."""
    return json.dumps(document(), indent=1, ensure_ascii=False) + "\n"
