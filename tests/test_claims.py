"""Numbers in the prose of the documentation: each stands in docs/claims.csv with what makes it."""

from __future__ import annotations

import csv
import functools
import importlib
import inspect
import math
import re
import tomllib
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest
from pages import FENCE, PAGES, ROOT

DOCS = ROOT / "docs"
TABLES = DOCS / "tables"
PROSE = [page for page in PAGES if page.parent != TABLES and page.name != "claims.md"]
KINDS = ("computed", "test", "page", "published", "definition")
WORDS = {
    "a tenth": 0.1, "a fifth": 0.2, "a quarter": 0.25, "half": 0.5, "four fifths": 0.8,
    "three": 3, "four": 4, "five": 5, "six": 6, "eight": 8, "nine": 9, "ten": 10, "fourteen": 14,
    "nineteen": 19, "twenty": 20, "twenty-five": 25, "fifty": 50, "a hundred": 100, "a minute": 60,
    "one sample of twenty": 0.05, "twelve times": 12, "a third": 1 / 3,
}  # fmt: skip
NUMBER = re.compile(r"[-−]?\d+(?:,\d{3})+(?![\d.])|[-−]?\d+(?:\.\d+)?(?:e[-−+]?\d+)?")


def name_of(page: Path) -> str:
    return page.relative_to(ROOT).as_posix()


class Claim(NamedTuple):
    """A row of docs/claims.csv."""

    page: str
    text: str
    numbers: str
    how: str
    source: str


def claims() -> list[Claim]:
    """Every row."""
    with (DOCS / "claims.csv").open(encoding="utf-8", newline="") as file:
        head, *rows = csv.reader(file)
    assert head == ["page", "text", "numbers", "how", "source"]
    return [Claim(*row) for row in rows]


CLAIMS = claims()


def flat(text: str) -> str:
    """The text with every run of blanks made one."""
    return " ".join(text.split())


@functools.cache
def prose(page: Path) -> str:
    """The page in one line, captions too, without blocks of code and the list of references."""
    text = FENCE.sub(
        lambda block: block["code"] if block["language"] == "{figure}" else "\n",
        page.read_text(encoding="utf-8"),
    )
    return flat(re.sub(r"\n## References\n.*", "", text, flags=re.DOTALL))


# ---- what a source may be made of --------------------------------------------------------------


def value(name: str) -> Any:
    """A constant, by ``module:name``."""
    module, _, attribute = name.partition(":")
    return getattr(importlib.import_module(module), attribute)


def default(name: str, option: str) -> Any:
    """What an option of a function is where it is left out."""
    return inspect.signature(value(name)).parameters[option].default


def project(key: str) -> Any:
    """An entry of [project] in pyproject.toml."""
    return tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"][key]


def column(
    table: str, heading: str, row: str = "", part: int | None = None, section: str = ""
) -> Any:
    """The numbers of a column of a table in docs/tables, of the rows that begin with `row`.

    `part` is which of several numbers in a cell, `section` the heading above the table.
    """
    found = []
    place: int | None = None
    text = (TABLES / f"{table}.md").read_text(encoding="utf-8")
    if section:
        text = text.partition(f"## {section}\n")[2].partition("\n## ")[0]
    for line in text.splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if not line.startswith("|"):
            place = None
        elif place is None:
            place = cells.index(heading) if heading in cells else -1
        elif place >= 0 and not line.startswith("|---") and " | ".join(cells).startswith(row):
            cell = cells[place] if part is None else cells[place].split(" / ")[part]
            found.append(float(NUMBER.findall(cell)[0].replace(",", "").replace("−", "-")))
    assert found, f"docs/tables/{table}.md has no {row!r} under {heading!r}"
    return np.array(found)


def cell(table: str, row: str, heading: str, part: int | None = None, section: str = "") -> float:
    """The one number of a row and a column."""
    [number] = column(table, heading, row, part, section)
    return float(number)


def stands(page: str, text: str) -> bool:
    """Whether the text stands on the page."""
    return text in flat((ROOT / page).read_text(encoding="utf-8"))


NAMES: dict[str, Any] = {
    name: getattr(math, name) for name in ("exp", "log", "log10", "sqrt", "pi", "ceil")
}
NAMES |= {"np": np, "value": value, "default": default, "project": project}
NAMES |= {
    "cell": cell,
    "column": column,
    "stands": stands,
    "min": min,
    "max": max,
    "sum": sum,
    "len": len,
}


def rounds_to(number: str, exact: float) -> bool:
    """Whether `exact`, rounded to the digits of `number`, is that number."""
    if number in WORDS:
        return math.isclose(exact, WORDS[number], rel_tol=0.1)
    plain = number.replace(",", "").replace("−", "-")
    mantissa, _, power = plain.partition("e")
    last = 10.0 ** (int(power or 0) - len(mantissa.partition(".")[2]))
    return abs(float(exact) - float(plain)) <= 0.5 * last * (1 + 1e-9)


def check(claim: Claim) -> None:
    """Make the numbers of a claim again, or look whether what makes them is there."""
    numbers = claim.numbers.split("; ") if claim.numbers else []
    for number in numbers:
        assert number in claim.text, f"{number!r} is not in the text"
    if claim.how == "computed":
        found = eval(claim.source, dict(NAMES))
        if not numbers:
            assert found, claim.source
            return
        exact = np.atleast_1d(np.asarray(found, float))
        assert exact.size == len(numbers), found
        for number, one in zip(numbers, exact, strict=True):
            assert rounds_to(number, one), f"{number} is {one:.6g} by {claim.source}"
    elif claim.how == "test":
        file, _, name = claim.source.partition("::")
        assert re.search(rf"^def {name}\(", (ROOT / file).read_text(encoding="utf-8"), re.MULTILINE)
    elif claim.how == "page":
        code = "".join(m["code"] for m in FENCE.finditer((ROOT / claim.page).read_text("utf-8")))
        for number in numbers:
            assert number in code, f"{number} is not in the code of the page"
        assert numbers
    elif claim.how == "published":
        assert len(claim.source) > 10
    else:
        assert claim.how == "definition"
        assert claim.source


# ---- tests -------------------------------------------------------------------------------------


def wrong_claims(claims: list[Claim]) -> list[str]:
    """What is wrong with those that do not stand on their page, or are not made again."""
    wrong = []
    for claim in claims:
        try:
            assert flat(claim.text) == claim.text
            assert claim.text in prose(ROOT / claim.page)
            check(claim)
        except Exception as error:
            wrong.append(f"{claim.text[:40]}: {error!r}")
    return wrong


@pytest.mark.parametrize("page", sorted({claim.page for claim in CLAIMS}))
def test_the_claims_of_a_page_stand_on_it_and_are_made_again(page: str) -> None:
    assert wrong_claims([claim for claim in CLAIMS if claim.page == page]) == []


def test_a_wrong_claim_is_noticed_among_others() -> None:
    right = next(claim for claim in CLAIMS if claim.how == "computed" and claim.numbers)
    wrong = [right._replace(source="1e99"), right._replace(text="nowhere"), right]
    assert len(wrong_claims(wrong)) == 2


def numbers_in(text: str) -> list[str]:
    """Each number in digits, with the words before it.

    Code, formulas, targets of links, remarks and the numbers of headings, items and formulas are
    left out.
    """
    text = re.sub(r"(?:^| )#+ \d+\. |(?: |^)\d+\. (?=[*`A-Z])", " ", text)
    for pattern in (r"\$\$.*?\$\$", r"\$[^$]*\$", r"`[^`]*`", r"\]\([^)]*\)", r"<!--.*?-->"):
        text = re.sub(pattern, " ", text)
    text = re.sub(r"\(\d\)", " ", text)
    return [text[max(m.start() - 60, 0) : m.end()] for m in re.finditer(r"(?<!\w)\d\S*", text)]


@pytest.mark.parametrize("page", PROSE, ids=name_of)
def test_every_number_in_the_prose_is_a_claim(page: Path) -> None:
    text = prose(page)
    for claim in sorted(CLAIMS, key=lambda c: -len(c.text)):
        if claim.page == name_of(page):
            text = text.replace(claim.text, " ")
    left = numbers_in(text)
    assert not left, "\n".join(left)


def test_no_claim_twice() -> None:
    assert len({(claim.page, claim.text, claim.source) for claim in CLAIMS}) == len(CLAIMS)


MADE = re.compile(r"^# .+\n\nMade by `python -m benchmarks\.(\w+)([^`]*)`\.$", re.MULTILINE)
ROW = re.compile(r"^\| \[?(\w+)\b[^|]* \| \d{4}-\d\d-\d\d \| [^|]+ \|$", re.MULTILINE)
TABLE_FILES = sorted(TABLES.glob("*.md"))


@pytest.mark.parametrize("page", TABLE_FILES, ids=lambda page: page.stem)
def test_a_table_names_the_command_that_writes_it(page: Path) -> None:
    made = MADE.match(page.read_text(encoding="utf-8"))
    assert made, "the page does not begin with its title and its command"
    assert made[1] == page.stem
    source = (ROOT / "benchmarks" / f"{made[1]}.py").read_text(encoding="utf-8")
    if "@benchmark(" in source:
        source += (ROOT / "benchmarks" / "runner.py").read_text(encoding="utf-8")
    options = set(re.findall(r'(?:add_argument|Option|number|flag)\("(--[\w-]+)"', source))
    assert "--write" in options
    assert set(re.findall(r"--[\w-]+", made[2])) <= options


def test_every_table_is_listed_with_the_day_it_was_made() -> None:
    listed = ROW.findall((DOCS / "claims.md").read_text(encoding="utf-8"))
    assert set(listed) >= {page.stem for page in TABLE_FILES}
    assert len(set(listed)) == len(listed)


# ---- the checks themselves notice what is wrong ------------------------------------------------


@pytest.mark.parametrize(
    ("number", "exact", "right"),
    [
        ("0.03", 0.0286, True),
        ("0.03", 0.036, False),
        ("5e-9", 5.35e-9, True),
        ("1e-8", 5.35e-9, True),
        ("5e-9", 5.6e-9, False),
        ("50,000", 50_000, True),
        ("50,000", 50_001, False),
        ("−4", -4, True),
        ("a tenth", 0.099, True),
        ("a tenth", 0.15, False),
    ],
)
def test_digits_are_compared(number: str, exact: float, right: bool) -> None:
    assert rounds_to(number, exact) is right


@pytest.mark.parametrize(
    ("numbers", "how", "source"),
    [
        ("2.3", "computed", "100 * (4.909 / 4.8032 - 1)"),
        ("2.2", "computed", "[2.2, 2.2]"),
        ("2.4", "computed", "2.4"),
        ("", "computed", "1 > 2"),
        ("2.2", "test", "tests/test_claims.py::test_that_is_not_there"),
        ("2.2", "page", ""),
        ("2.2", "published", ""),
        ("2.2", "hearsay", "somebody"),
    ],
)
def test_a_wrong_claim_is_noticed(numbers: str, how: str, source: str) -> None:
    with pytest.raises(AssertionError):
        check(Claim("docs/changelog.md", "2.2 % above it", numbers, how, source))


@pytest.mark.parametrize(
    ("text", "left"),
    [
        ("a share of 0.3 or 1e-9", ["0.3", "1e-9"]),
        ("`x = 3`, $s = 0.3$, [a](b2.md), (4) and u2", []),
        ("1. *First*, then 12", ["12"]),
    ],
)
def test_numbers_that_are_not_entered_are_seen(text: str, left: list[str]) -> None:
    assert [found.split()[-1] for found in numbers_in(text)] == left


def test_cells_are_found_by_row_and_heading() -> None:
    assert cell("accuracy", "10 | 0.20 | 1 … 8", "sigma known") == 0.77
    assert cell("study_accuracy", "0.30", "n = 100", 1, "Share right") == 0.41
    with pytest.raises(AssertionError, match="has no"):
        cell("accuracy", "11 |", "sigma known")
