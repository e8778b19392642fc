"""Measures of the package's structure, from its sources alone.

``python tests/helpers/architecture.py`` prints them.
"""

from __future__ import annotations

import ast
import functools
import io
import re
import tokenize
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

PACKAGE = Path(__file__).resolve().parents[2] / "quantize"
CORE = (
    "_support", "tables", "recording.py", "levels.py", "shared_shift.py", "readings.py",
    "files.py", "comb", "model", "sampling", "counts", "null", "analysis.py",
)  # fmt: skip
ADAPTERS = ("charge", "studies", "show", "cli")
IDEAS = {
    "the wrapped normal density": r"log_wrapped_normal",
    "reading a file of values": r"(load_workbook|csv\.reader|read_csv|read_excel|ParquetFile)\(",
    "the scatter of a free sphere": r"\bBOLTZMANN\b",
    "writing HTML": r"<table|<section",
}
"""What should stand in few places, and a pattern by which its places are found."""


@functools.cache
def files() -> tuple[Path, ...]:
    """The sources of the package."""
    return tuple(sorted(PACKAGE.rglob("*.py")))


@functools.cache
def tree(path: Path) -> ast.Module:
    """A source, parsed."""
    return ast.parse(path.read_text(encoding="utf-8"))


def folder_of(path: Path) -> str:
    """The folder or top-level file that a source belongs to."""
    return path.relative_to(PACKAGE).parts[0]


def written_lines(path: Path) -> int:
    """Lines of code and docstrings: neither blank nor comments alone."""
    source = path.read_text(encoding="utf-8")
    lines: set[int] = set()
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type in (tokenize.COMMENT, tokenize.NL, tokenize.NEWLINE, tokenize.ENDMARKER):
            continue
        if token.type in (tokenize.INDENT, tokenize.DEDENT):
            continue
        lines |= set(range(token.start[0], token.end[0] + 1))
    text = source.splitlines()
    return sum(1 for number in lines if text[number - 1].strip())


def bodies() -> Iterator[tuple[str, int]]:
    """Every function with the number of lines of its body, the docstring left out."""
    for path in files():
        for node in ast.walk(tree(path)):
            if isinstance(node, ast.FunctionDef):
                body = node.body
                if ast.get_docstring(node) is not None:
                    body = body[1:]
                if body:
                    length = (body[-1].end_lineno or 0) - body[0].lineno + 1
                    yield f"{path.relative_to(PACKAGE)}:{node.name}", length


@functools.cache
def imports(path: Path) -> frozenset[str]:
    """Modules of the package that a source imports, at its top, lazily or for types.

    A module taken out of a folder counts by itself: the faces of the folders load nothing by
    themselves.
    """
    found: set[str] = set()
    modules = {module_of(other) for other in files()}
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            taken = {f"{node.module}.{alias.name}" for alias in node.names}
            found |= taken & modules
            if not taken <= modules:
                found.add(node.module)
    return frozenset((found & modules) - {module_of(path)})


@functools.cache
def module_of(path: Path) -> str:
    """The dotted name of a source."""
    parts = ("quantize", *path.relative_to(PACKAGE).with_suffix("").parts)
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def circles() -> list[list[str]]:
    """Strongly connected groups of modules, the package's own face and empty inits left out."""
    graph = {
        module_of(path): {name for name in imports(path) if name != "quantize"}
        for path in files()
        if module_of(path) != "quantize"
    }
    order: list[str] = []
    seen: set[str] = set()

    def visit(name: str, edges: dict[str, set[str]], out: list[str]) -> None:
        stack = [(name, iter(sorted(edges.get(name, ()))))]
        seen.add(name)
        while stack:
            here, rest = stack[-1]
            for other in rest:
                if other not in seen and other in edges:
                    seen.add(other)
                    stack.append((other, iter(sorted(edges[other]))))
                    break
            else:
                out.append(here)
                stack.pop()

    for name in sorted(graph):
        if name not in seen:
            visit(name, graph, order)
    reverse: dict[str, set[str]] = {name: set() for name in graph}
    for name, others in graph.items():
        for other in others & set(graph):
            reverse[other].add(name)
    seen.clear()
    found = []
    for name in reversed(order):
        if name not in seen:
            group: list[str] = []
            visit(name, reverse, group)
            if len(group) > 1:
                found.append(sorted(group))
    return found


def callers(pattern: str) -> list[str]:
    """Sources in whose code a pattern occurs."""
    return [
        str(path.relative_to(PACKAGE))
        for path in files()
        if re.search(pattern, path.read_text(encoding="utf-8"))
    ]


def report() -> str:
    """All measures, a line each."""
    by_folder: Counter[str] = Counter()
    number: Counter[str] = Counter()
    for path in files():
        by_folder[folder_of(path)] += written_lines(path)
        number[folder_of(path)] += 1
    lines = [
        f"{folder:<16}{number[folder]:>4} files{by_folder[folder]:>7} lines" for folder in by_folder
    ]
    longest = max(files(), key=lambda p: len(p.read_text(encoding="utf-8").splitlines()))
    length = len(longest.read_text(encoding="utf-8").splitlines())
    name, body = max(bodies(), key=lambda pair: pair[1])
    lines += [
        f"code and docstring lines: {sum(by_folder.values())}",
        f"files: {len(files())}",
        f"longest file: {length} ({longest.relative_to(PACKAGE)})",
        f"longest body: {body} ({name})",
        f"bodies above 60 lines: {sum(length > 60 for _, length in bodies())}",
        f"circles: {len(circles())} {circles()}",
        *(f"{idea}: {callers(pattern)}" for idea, pattern in IDEAS.items()),
    ]
    return "\n".join(lines)


if __name__ == "__main__":
    print(report())
