"""The structure of the package, held by measures: ``python tests/helpers/architecture.py``."""

from __future__ import annotations

import architecture as house
import pytest

LINES = 32_200
"""Code and docstrings."""
FILES = 216
LONGEST_FILE = 400
LONGEST_BODY = 93


def test_lines_of_code_and_docstrings() -> None:
    assert sum(house.written_lines(path) for path in house.files()) <= LINES


def test_number_of_files() -> None:
    assert len(house.files()) <= FILES


def test_no_file_is_long() -> None:
    lengths = {path.name: len(path.read_text().splitlines()) for path in house.files()}
    assert {name: n for name, n in lengths.items() if n > LONGEST_FILE} == {}


def test_no_function_is_long() -> None:
    assert {name: n for name, n in house.bodies() if n > LONGEST_BODY} == {}


def test_no_module_imports_itself_by_way_of_others() -> None:
    assert house.circles() == []


@pytest.mark.parametrize(
    ("idea", "most"), [("the wrapped normal density", 3), ("the readers of tables", 1)]
)
def test_one_place_for_an_idea(idea: str, most: int) -> None:
    assert len(house.callers(house.IDEAS[idea])) <= most


def test_only_the_model_reads_the_nodes_of_a_posterior() -> None:
    readers = house.callers(r"\.nodes\b|model\.nodes import")
    assert [name for name in readers if not name.startswith("model/")] == []


def test_the_core_knows_nothing_of_charge_or_of_views() -> None:
    core = [path for path in house.files() if house.folder_of(path) in house.CORE]
    assert len(core) > 50
    for path in core:
        wrong = [name for name in house.imports(path) if name.split(".")[1] in house.ADAPTERS]
        assert wrong == [], path
