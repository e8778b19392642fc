"""One view, laid out as text and as HTML."""

from __future__ import annotations

import math

from quantize.show.html import notebook_table, report_blocks
from quantize.show.text import view_text
from quantize.show.view import (
    Bullets,
    Column,
    Preformatted,
    Section,
    Table,
    clean,
    pairs,
    printable,
)

ROWS = [
    {"name": "a", "value": 1.25, "note": "word " * 20},
    None,
    {"name": "<b>", "value": math.nan, "note": ""},
]
COLUMNS = [
    Column("name", "name", 6, "<", "  ", style="label"),
    Column("value", "a\nvalue", 8, form=".1f", unknown="none", style="n"),
    Column("note", "why", side="<", gap="   "),
]


def test_columns_stand_under_their_heads_and_the_last_one_is_filled() -> None:
    text = view_text((Section("Title", [Table(COLUMNS, ROWS, left_out=3), "Below."]),))
    assert text.splitlines() == [
        "Title",
        "  name         a   why",
        "           value",
        "  a          1.2   " + "word " * 11 + "word",
        " " * 19 + "word " * 7 + "word",
        "  ...      3 more are left out here",
        "  <b>       none",
        "  Below.",
    ]


def test_a_long_cell_moves_those_behind_it_and_is_not_cut() -> None:
    table = Table([Column("a", width=3), Column("b", width=4, gap=" ")], [{"a": "12345", "b": "x"}])
    assert view_text((Section("", [table]),)) == "12345    x"


def test_without_a_title_blocks_stand_at_the_margin() -> None:
    view = (
        Section("", ["A paragraph.", Bullets(["first", "second"])]),
        Section("Next", [pairs([("size", "10")]), Preformatted("own\n  lines")]),
    )
    assert view_text(view) == (
        "A paragraph.\n  - first\n  - second\n\nNext\n" + f"  {'size':<22}10\n  own\n    lines"
    )


def test_html_escapes_every_block_and_says_what_is_left_out() -> None:
    table = Table(COLUMNS, ROWS, "<caption>", left_out=3)
    blocks = [table, "<p>", Bullets(["<li>"], ordered=True), Preformatted("<pre>")]
    html = report_blocks(Section("", blocks))
    assert '<td class="label"><bdi>&lt;b&gt;</bdi></td><td class="n">none</td>' in html
    assert '<th scope="col" class="n">a\nvalue</th>' in html
    assert '<td colspan="3">3 more are left out here</td>' in html
    assert "<p>&lt;p&gt;</p>\n<ol><li>&lt;li&gt;</li></ol>\n<pre>&lt;pre&gt;</pre>" in html
    notebook = notebook_table(table)
    assert "&lt;caption&gt;" in notebook
    assert notebook.count("…") == 3


def test_labels_are_printable_and_cut() -> None:
    assert printable("a\x1b[31mb", 60) == "a [31mb"
    assert printable("x" * 9, 7, end="~") == "xxxxxx~"
    assert clean("a\nb") == "a\N{REPLACEMENT CHARACTER}b"
    assert clean("x" * 100, longest=4) == "xxx… (100 characters)"
