"""The measured tables stand on a few pages of the documentation, and links to them lead there."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path
from types import ModuleType

import pytest

DOCS = Path(__file__).parents[1] / "docs"


@pytest.fixture(scope="module")
def measured() -> ModuleType:
    spec = importlib.util.spec_from_file_location("measured", DOCS / "measured.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_every_table_stands_on_one_page(measured: ModuleType) -> None:
    shown = sorted(name for tables in measured.pages().values() for name in tables)
    assert shown == sorted(table.stem for table in (DOCS / "tables").glob("*.md"))


def test_a_link_to_a_table_leads_to_its_place(measured: ModuleType) -> None:
    place = "time.md#sampling-a-posterior-with-several-modes"
    assert measured.with_tables("howto/a", "[x](../tables/sampling.md)") == (
        f"[x](../measured/{place})"
    )
    assert measured.with_tables("claims", "[x](tables/sampling.md)") == f"[x](measured/{place})"
    # As it stands within another table, on a page of its own folder.
    assert measured.with_tables("measured/verdict", "[x](sampling.md)") == f"[x]({place})"
    for other in (
        "[x](../limits.md)",
        "[x](sample.md)",
        "[x](https://a.example/tables/sampling.md)",
    ):
        assert measured.with_tables("howto/a", other) == other


def test_a_page_holds_its_tables_a_level_down(measured: ModuleType) -> None:
    page = "```{include} ../tables/sampling.md\n```\n"
    text = measured.with_tables("measured/time", f"# T\n\n{page}")
    assert re.findall(r"^#+ .*$", text, re.M)[:2] == [
        "# T",
        "## Sampling a posterior with several modes",
    ]
    table = (DOCS / "tables" / "sampling.md").read_text(encoding="utf-8")
    assert table.count("| `sample_mixture` |") == text.count("| `sample_mixture` |") > 0


def test_there_are_about_fifty_pages() -> None:
    pages = [p for p in DOCS.rglob("*.md") if p.parent.name != "tables" and "_build" not in p.parts]
    assert len(pages) <= 50
