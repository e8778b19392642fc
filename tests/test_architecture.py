"""The structure of the package, held by measures: ``python tests/helpers/architecture.py``."""

from __future__ import annotations

import architecture as house
import pytest

LINES = 39_743
"""Code and docstrings of public names."""
FILES = 207
LONGEST_FILE = 400
LONGEST_BODY = 60

PLACES = {
    "the wrapped normal density": {"comb/wrapped.py", "model/wrapped_likelihood.py"},
    # Parquet files too large for memory are read in pieces, into sums.
    "reading a file of values": {"tables/text.py", "tables/reading.py", "counts/sources.py"},
    "the scatter of a free sphere": {"charge/drag.py"},
    "writing HTML": {"show/html.py"},
}


def test_lines_of_code_and_docstrings() -> None:
    assert sum(house.written_lines(path) for path in house.files()) <= LINES


def test_number_of_files() -> None:
    assert len(house.files()) <= FILES


def test_no_file_is_long() -> None:
    lengths = {str(path): len(path.read_text("utf-8").splitlines()) for path in house.files()}
    assert {name: n for name, n in lengths.items() if n > LONGEST_FILE} == {}


def test_no_function_is_long() -> None:
    assert {name: n for name, n in house.bodies() if n > LONGEST_BODY} == {}


def test_no_module_imports_itself_by_way_of_others() -> None:
    assert house.circles() == []


@pytest.mark.parametrize("idea", house.IDEAS)
def test_an_idea_stands_in_its_place(idea: str) -> None:
    assert set(house.callers(house.IDEAS[idea])) == PLACES[idea]


def test_only_the_model_reads_the_nodes_of_a_posterior() -> None:
    readers = house.callers(r"\._?nodes\b|model\.nodes import")
    assert readers
    assert [name for name in readers if not name.startswith("model/")] == []


def test_the_core_knows_nothing_of_charge_or_of_views() -> None:
    core = [path for path in house.files() if house.folder_of(path) in house.CORE]
    assert len(core) > 50
    for path in core:
        parts = [name.split(".") for name in house.imports(path)]
        assert not [part for part in parts if part[1:2] and part[1] in house.ADAPTERS], path
