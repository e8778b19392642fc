"""The documentation: code runs and fits, links lead somewhere, the reference is complete."""

from __future__ import annotations

import ast
import doctest
import re
import textwrap
from collections.abc import Iterator
from pathlib import Path

import pytest
from pages import FENCE, PAGES, ROOT

import quantize as qz

NO_RUN = "<!-- no-run -->"
FLAGS = doctest.NORMALIZE_WHITESPACE | doctest.ELLIPSIS


def name_of(page: Path) -> str:
    return page.relative_to(ROOT).as_posix()


def python_blocks(text: str) -> Iterator[tuple[int, str]]:
    """First line and code of every python block that is not marked as one not to run."""
    for match in FENCE.finditer(text):
        before = text[: match.start()].rstrip().rpartition("\n")[2]
        if match["language"] == "python" and before != NO_RUN:
            yield text.count("\n", 0, match.start("code")) + 1, textwrap.dedent(match["code"])


def run_page(page: Path) -> int:
    """Run the blocks of a page in one namespace; returns how many there were."""
    names: dict[str, object] = {"__name__": "__main__"}
    runner = doctest.DocTestRunner(optionflags=FLAGS)
    blocks = 0
    for line, code in python_blocks(page.read_text(encoding="utf-8")):
        blocks += 1
        if ">>>" in code:
            test = doctest.DocTestParser().get_doctest(code, names, name_of(page), str(page), line)
            report: list[str] = []
            failed = runner.run(test, out=report.append, clear_globs=False).failed
            assert not failed, "".join(report)
            names = test.globs
        else:
            exec(compile("\n" * (line - 1) + code, str(page), "exec"), names)
    return blocks


def test_the_code_in_the_readme_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    run_page(ROOT / "README.md")


# The README has its test above. The code of the gallery is run by each build of the docs, which
# draws the pictures of that page with it.
EXAMPLES = ROOT / "docs" / "howto" / "examples.md"
ELSEWHERE = {ROOT / "README.md", ROOT / "docs" / "howto" / "gallery.md"}


@pytest.mark.slow
@pytest.mark.parametrize("page", [p for p in PAGES if p not in ELSEWHERE], ids=name_of)
def test_the_code_on_the_page_runs(
    page: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    run_page(page)


def test_wrong_code_on_a_page_is_noticed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    page = tmp_path / "page.md"
    monkeypatch.setitem(globals(), "ROOT", tmp_path)
    page.write_text("```python\n>>> 1 + 1\n3\n```\n", encoding="utf-8")
    with pytest.raises(AssertionError, match="Expected"):
        run_page(page)
    page.write_text("text\n\n```python\n1 / 0\n```\n", encoding="utf-8")
    with pytest.raises(ZeroDivisionError):
        run_page(page)
    page.write_text("1. text\n\n   ```python\n   1 / 0\n   ```\n", encoding="utf-8")
    with pytest.raises(ZeroDivisionError):
        run_page(page)
    page.write_text(f"{NO_RUN}\n```python\n1 / 0\n```\n```bash\n1 / 0\n```\n", encoding="utf-8")
    assert run_page(page) == 0


COLUMNS, BESIDE_A_PICTURE = 82, 66
"""Fits a page beside the menu; what code prints may be longer, and scrolls in its block."""


def prompted(code: str, first: int) -> Iterator[tuple[int, str]]:
    """Lines with a prompt, with their numbers."""
    for example in doctest.DocTestParser().get_examples(code):
        for number, line in enumerate(example.source.splitlines(), first + example.lineno):
            yield number, example.indent * " " + ">>> " + line


def code_of_page(text: str) -> Iterator[tuple[int, str]]:
    """Lines of code in the blocks of a page, with their numbers."""
    for match in FENCE.finditer(text):
        code, first = textwrap.dedent(match["code"]), text.count("\n", 0, match.start("code")) + 1
        if match["language"] == "python" and ">>>" in code:
            yield from prompted(code, first)
        elif match["language"] in ("python", "bash", "bat"):
            yield from enumerate(code.splitlines(), first)


def code_of_docstrings(source: str) -> Iterator[tuple[int, str]]:
    """Lines with a prompt in the docstrings of a module, as the reference shows them."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef):
            said = ast.get_docstring(node)
            if said is not None:
                yield from prompted(said, node.body[0].lineno)


def test_code_that_is_shown_is_no_wider_than_a_page() -> None:
    package = ROOT / "quantize"
    shown = re.findall(
        r"{literalinclude} ../../(examples/\w+.py)$", EXAMPLES.read_text("utf-8"), re.M
    )
    assert len(shown) > 5
    lines = [(page, *line) for page in PAGES for line in code_of_page(page.read_text("utf-8"))]
    lines += [
        (path, *line)
        for path in sorted(package.rglob("*.py"))
        for line in code_of_docstrings(path.read_text("utf-8"))
    ]
    lines += [
        (ROOT / name, *line)
        for name in shown
        for line in enumerate((ROOT / name).read_text("utf-8").splitlines(), 1)
    ]
    assert len(lines) > 1500
    room = {ROOT / "docs" / "howto" / "gallery.md": BESIDE_A_PICTURE}
    wide = [
        f"{name_of(path)}, line {number}: {len(line)} columns, {most} at most: {line}"
        for path, number, line in lines
        for most in [room.get(path, COLUMNS)]
        if len(line) > most
    ]
    assert not wide, "\n".join(wide)


@pytest.mark.parametrize("page", PAGES, ids=name_of)
def test_links_to_files_lead_somewhere(page: Path) -> None:
    text = FENCE.sub("", page.read_text(encoding="utf-8"))
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        if not re.match(r"[a-z]+:|#", target):
            assert (page.parent / target.partition("#")[0]).exists(), target


@pytest.mark.parametrize("door", ["docs/index.md", "docs/howto/index.md"])
def test_a_door_calls_every_page_by_its_title(door: str) -> None:
    """So do the menu and the page itself, which take the title from its first line."""
    text = (ROOT / door).read_text(encoding="utf-8")
    text, found = FENCE.sub("", text), 0
    for said, target in re.findall(r"\[([^\]]+)\]\(([\w./-]+\.md)\)", text):
        page = ((ROOT / door).parent / target).read_text(encoding="utf-8")
        [title] = re.findall(r"\A(?:---\n.*?\n---\n)?# (.+)$", page, re.M | re.S)[:1]
        assert said == title.split("\n")[0], target
        found += 1
    assert found > 15


def test_every_how_to_stands_in_the_menu_and_behind_a_door() -> None:
    text = (ROOT / "docs" / "howto" / "index.md").read_text(encoding="utf-8")
    there = {p.stem for p in (ROOT / "docs" / "howto").glob("*.md")} - {"index"}
    assert set(re.findall(r"\]\(([\w-]+)\.md\)", text)) == there
    assert set(re.findall(r"^([\w-]+)$", text.partition("{toctree}")[2], re.M)) == there


def test_the_readme_commands_have_their_marks() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    for mark, ends in (("main-command", "quantize demo"), ("test-command", "-m pytest -q -n auto")):
        found = re.search(rf"^<!-- {mark} -->\n```bash\n((?:.+\\\n)*.+)\n```$", text, re.M)
        assert found, mark
        assert found[1].startswith("python3 -m venv .venv && ")
        assert found[1].endswith(ends)


def test_the_reference_names_every_public_name() -> None:
    text = (ROOT / "docs" / "reference.md").read_text(encoding="utf-8")
    documented = set(re.findall(r"^\.\. auto(?:class|function|exception):: ([\w.]+)$", text, re.M))
    modules = {"counts": qz.counts, "model": qz.model, "null": qz.null}
    inside = {f"{key}.{name}" for key, module in modules.items() for name in module.__all__}
    top = set(qz.__all__) - {"__version__", "charge", *modules}
    assert top <= documented
    assert {f"quantize.{name}" for name in inside} <= documented
    pieces = qz.charge._PIECES.items()
    assert {f"quantize.charge.{module}.{name}" for name, module in pieces} <= documented
    assert {name for name in documented if "." not in name} == top
    summaries = re.findall(r"autosummary::\n.*?\n\n(.*?)```", text, re.S)
    assert [set(summary.split()) for summary in summaries] == [top, inside]
