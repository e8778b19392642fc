"""What people look for leads to the page that has it, in the text and in the built index."""

from __future__ import annotations

import json
import os
import re
from pathlib import Path

import pytest

DOCS = Path(__file__).parents[1] / "docs"
ASKED = {
    "outlier": "howto/model",
    "confidence interval": "howto/read-the-verdict",
    "latex": "howto/paper",
    "jupyter": "howto/pictures",
    "decimal comma": "howto/read-a-table",
    "not determined": "howto/read-the-verdict",
}


@pytest.mark.parametrize("words", ASKED)
def test_the_page_says_it_in_these_words(words: str) -> None:
    text = (DOCS / f"{ASKED[words]}.md").read_text(encoding="utf-8")
    assert words in " ".join(text.lower().split())


@pytest.mark.slow
@pytest.mark.parametrize("words", ASKED)
def test_the_search_of_the_built_pages_finds_it(words: str) -> None:
    """As the script of the page does: every word, brought to its stem, in titles or text.

    A word that Sphinx never looks for, such as "not", is left out by both.
    """
    built = os.environ.get("QUANTIZE_DOCS")
    if not built:
        if os.environ.get("CI", "").lower() == "true":
            pytest.fail("QUANTIZE_DOCS names no built pages.")
        pytest.skip("QUANTIZE_DOCS names no built pages.")
    from sphinx.search.en import SearchEnglish

    source = (Path(built) / "searchindex.js").read_text(encoding="utf-8")
    found = re.fullmatch(r"Search\.setIndex\((.*)\)", source.strip(), re.DOTALL)
    assert found
    index = json.loads(found[1])
    language = SearchEnglish({})
    pages = set(index["docnames"])
    for word in words.split():
        if word in language.stopwords:
            continue
        stem = language.stem(word)
        holding: set[int] = set()
        for table in ("terms", "titleterms"):
            places = index[table].get(stem, [])
            holding |= {places} if isinstance(places, int) else set(places)
        pages &= {index["docnames"][i] for i in holding}
    assert ASKED[words] in pages
    # Found is what can be picked out of the list.
    assert len(pages) <= 25
