"""The measured tables on a few pages: each keeps its file, and links to it lead into its page.

A page in ``measured/`` includes tables by name; their headings go down a level. A link to the file
of a table, as it stands everywhere in these sources, is turned to its place on that page.
"""

from __future__ import annotations

import posixpath
import re
from pathlib import Path
from typing import Any

DOCS = Path(__file__).resolve().parent
_INCLUDED = re.compile(r"^```\{include\} \.\./tables/(\w+)\.md\n```$", re.MULTILINE)
_LINK = re.compile(r"\]\(((?:[\w-]+/|\.\./)*)(\w+)\.md(#[\w-]+)?\)")


def slug(title: str) -> str:
    """The place of a heading, as MyST names it; the build complains of any other."""
    return re.sub(r"[^\w\- ]", "", title.strip().lower()).replace(" ", "-")


def pages() -> dict[str, list[str]]:
    """The tables on each page, by name."""
    sources = sorted((DOCS / "measured").glob("*.md"))
    return {page.stem: _INCLUDED.findall(page.read_text(encoding="utf-8")) for page in sources}


def homes() -> dict[str, str]:
    """For each table the page that holds it and the place there."""
    found = {}
    for page, tables in pages().items():
        for name in tables:
            text = (DOCS / "tables" / f"{name}.md").read_text(encoding="utf-8")
            title = text.partition("\n")[0].removeprefix("# ")
            found[name] = f"measured/{page}.md#{slug(title)}"
    return found


def with_tables(docname: str, text: str) -> str:
    """The source of a page with its tables in it and with links to where tables stand."""
    home = homes()

    def included(match: re.Match[str]) -> str:
        table = (DOCS / "tables" / f"{match[1]}.md").read_text(encoding="utf-8")
        return re.sub(r"^#", "##", table, flags=re.MULTILINE).rstrip()

    def turned(match: re.Match[str]) -> str:
        # Within a table links are those of its own folder.
        for folder in (posixpath.dirname(docname), "tables"):
            target = posixpath.normpath(posixpath.join(folder, match[1], match[2]))
            if posixpath.dirname(target) == "tables" and match[2] in home:
                page, _, place = home[match[2]].partition("#")
                here = posixpath.relpath(page, posixpath.dirname(docname) or ".")
                return f"]({here}{match[3] or f'#{place}'})"
        return match[0]

    return _LINK.sub(turned, _INCLUDED.sub(included, text))


def _read(app: Any, docname: str, source: list[str]) -> None:
    for name in pages().get(posixpath.basename(docname), []):
        if docname.startswith("measured/"):
            app.env.note_dependency(str(DOCS / "tables" / f"{name}.md"))
    source[0] = with_tables(docname, source[0])


def setup(app: Any) -> dict[str, bool]:
    """Called by Sphinx."""
    app.connect("source-read", _read)
    return {"parallel_read_safe": True}
