"""Studies that the tests share, and what stands in for an installed cluster."""

from __future__ import annotations

import os
from pathlib import Path
from types import ModuleType

import pytest
from small_studies import small_study

from quantize.studies import Comparison


@pytest.fixture(scope="session")
def reference() -> Comparison:
    """The small study in one process, each estimate within a limit."""
    return small_study(time_limit=60)


@pytest.fixture(scope="session")
def finished(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """What is kept of the small study when it is finished."""
    kept = tmp_path_factory.mktemp("study") / "study.jsonl"
    small_study(checkpoint=kept)
    return kept.read_bytes()


@pytest.fixture
def kept(finished: bytes, tmp_path: Path) -> Path:
    """A file of the finished small study."""
    file = tmp_path / "study.jsonl"
    file.write_bytes(finished)
    return file


@pytest.fixture(scope="session")
def distributed() -> ModuleType:
    """The cluster library; where the environment says CI=true it must be there."""
    if os.environ.get("CI", "").lower() == "true":
        import distributed as module

        return module
    return pytest.importorskip("distributed")
