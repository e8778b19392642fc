"""Studies that the tests share, and what stands in for an installed cluster."""

from __future__ import annotations

import os
from types import ModuleType

import pytest
from small_studies import small_study

from quantize.studies import Comparison


@pytest.fixture(scope="session")
def reference() -> Comparison:
    """The small study in one process."""
    return small_study()


@pytest.fixture(scope="session")
def distributed() -> ModuleType:
    """The cluster library; where the environment says CI=true it must be there."""
    if os.environ.get("CI", "").lower() == "true":
        import distributed as module

        return module
    return pytest.importorskip("distributed")
