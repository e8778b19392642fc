"""A study as declared: what must be the same when it goes on after an interruption."""

from __future__ import annotations

import dataclasses
import platform
from typing import Any

import numpy as np

from quantize import __version__
from quantize._support.results import jsonable
from quantize.studies.conditions import Condition
from quantize.studies.estimators import Estimator
from quantize.studies.fingerprint import fingerprint

SCHEMA = "quantize.study/1"


@dataclasses.dataclass(frozen=True, kw_only=True)
class Study:
    """Conditions by estimators, so many replicates each, from one seed.

    Attributes
    ----------
    conditions : tuple of Condition
    estimators : tuple of Estimator
    replicates : int
        Pages drawn for each condition.
    entropy, spawn_key : object, tuple of int
        Of the seed; replicate r of condition c has the child (c, r).
    prob : float
        Of the intervals asked for.
    time_limit : float or None
        Seconds for one estimate.
    """

    conditions: tuple[Condition, ...]
    estimators: tuple[Estimator, ...]
    replicates: int
    entropy: Any
    spawn_key: tuple[int, ...]
    prob: float
    time_limit: float | None

    @property
    def pages(self) -> int:
        """Pages in all."""
        return len(self.conditions) * self.replicates

    def header(self) -> dict[str, Any]:
        """What a checkpoint says of the study, JSON-ready."""
        import scipy

        return {
            "schema": SCHEMA,
            "versions": {
                "quantize": __version__,
                "numpy": np.__version__,
                "scipy": scipy.__version__,
                "python": ".".join(platform.python_version_tuple()[:2]),
            },
            "seed": {"entropy": jsonable(self.entropy), "spawn_key": list(self.spawn_key)},
            "replicates": self.replicates,
            "interval": self.prob,
            "time limit": self.time_limit,
            "estimators": [estimator.identity for estimator in self.estimators],
            "conditions": [described(condition) for condition in self.conditions],
        }


def described(condition: Condition) -> dict[str, Any]:
    """A condition in JSON, functions by their fingerprint."""
    return {
        field.name: fingerprint(value) if callable(value) else jsonable(value)
        for field in dataclasses.fields(condition)
        for value in [getattr(condition, field.name)]
    }


def differences(kept: dict[str, Any], wanted: dict[str, Any]) -> list[str]:
    """What differs between two headers, in words."""
    found = []
    for key in ("schema", "replicates", "interval", "time limit"):
        if kept.get(key) != wanted.get(key):
            found.append(f"{key} was {kept.get(key)!r} and is {wanted.get(key)!r}")
    for name, version in wanted["versions"].items():
        old = kept.get("versions", {}).get(name)
        if old != version:
            found.append(f"the version of {name} was {old} and is {version}")
    if kept.get("seed") != wanted["seed"]:
        found.append(f"the seed was {_seed(kept.get('seed'))} and is {_seed(wanted['seed'])}")
    found += _listed("estimators", kept.get("estimators", []), wanted["estimators"])
    found += _listed("conditions", kept.get("conditions", []), wanted["conditions"])
    return found


def _seed(seed: Any) -> str:
    return str(seed["entropy"]) if seed and not seed["spawn_key"] else str(seed)


def _listed(name: str, kept: list[Any], wanted: list[Any]) -> list[str]:
    if kept == wanted:
        return []
    if len(kept) != len(wanted):
        return [f"there were {len(kept)} {name} and are {len(wanted)}"]
    for old, new in zip(kept, wanted, strict=True):
        for key in new:
            if old.get(key) != new[key]:
                return [f"in the {name}, {key} was {old.get(key)!r} and is {new[key]!r}"]
    return [f"the {name} are others"]
