"""Libraries that only some tests use."""

from __future__ import annotations

import importlib
import os
from types import ModuleType

import pytest


def needed(name: str) -> ModuleType:
    """The module; without it the test is skipped, but fails where the environment has CI=true."""
    if os.environ.get("CI", "").lower() == "true":
        return importlib.import_module(name)
    found: ModuleType = pytest.importorskip(name)
    return found
