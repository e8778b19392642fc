"""Small faults that can be planted in a source file, one at a time.

The kinds are those of A. J. Offutt, A. Lee, G. Rothermel, R. H. Untch and C. Zapf, ACM Trans.
Softw. Eng. Methodol. 5, 99 (1996) (from memory), which suffice for the others: an arithmetic
operator is replaced (AOR), a comparison (ROR), a logical connective (LCR), a sign or a negation is
dropped or put in (UOI); and two more that are usual: a constant grows by one or a truth value turns
(CRP), a statement that is run for what it does is left out (SDL).

Nothing is planted in annotations, decorators, texts, messages of errors, or arguments that only ask
for a check (``zip(strict=True)``).
"""

from __future__ import annotations

import ast
import dataclasses
import re
from collections.abc import Iterator
from pathlib import Path

ARITHMETIC: dict[type[ast.operator], tuple[str, str]] = {
    ast.Add: ("+", "-"),
    ast.Sub: ("-", "+"),
    ast.Mult: ("*", "/"),
    ast.Div: ("/", "*"),
    ast.FloorDiv: ("//", "/"),
    ast.Mod: ("%", "//"),
    ast.Pow: ("**", "*"),
    ast.BitAnd: ("&", "|"),
    ast.BitOr: ("|", "&"),
}
RELATIONS: dict[type[ast.cmpop], tuple[str, tuple[str, ...]]] = {
    ast.Lt: ("<", ("<=", ">=")),
    ast.LtE: ("<=", ("<", ">")),
    ast.Gt: (">", (">=", "<=")),
    ast.GtE: (">=", (">", "<")),
    ast.Eq: ("==", ("!=",)),
    ast.NotEq: ("!=", ("==",)),
    ast.Is: ("is", ("is not",)),
    ast.IsNot: ("is not", ("is",)),
    ast.In: ("in", ("not in",)),
    ast.NotIn: ("not in", ("in",)),
}
ONLY_CHECKS = {"strict", "stacklevel"}


@dataclasses.dataclass(frozen=True)
class Mutant:
    """One fault: the bytes from `begin` to `end` of `file` give way to `new`."""

    file: str
    kind: str
    line: int
    statement: int
    """Line at which the statement begins."""
    on_import: bool
    """Whether the line is run when the module is imported, not when a function is called."""
    begin: int
    end: int
    old: str
    new: str
    text: str
    """The line as it stands."""

    @property
    def name(self) -> str:
        """What says the same after lines have moved."""
        return f"{self.file} | {self.text} | {self.old} -> {self.new}"

    def planted(self, source: bytes) -> bytes:
        """`source` with the fault in it."""
        return source[: self.begin] + self.new.encode() + source[self.end :]


class _Faults:
    """All the faults of one file."""

    def __init__(self, file: str, source: bytes) -> None:
        self.file, self.source = file, source
        self.lines = source.splitlines(keepends=True)
        self.starts = [0]
        for line in self.lines:
            self.starts.append(self.starts[-1] + len(line))
        self.statement = 1
        self.on_import = True

    def span(self, node: ast.expr | ast.stmt) -> tuple[int, int]:
        assert node.end_lineno is not None
        assert node.end_col_offset is not None
        return (
            self.starts[node.lineno - 1] + node.col_offset,
            self.starts[node.end_lineno - 1] + node.end_col_offset,
        )

    def text(self, node: ast.expr) -> str:
        begin, end = self.span(node)
        return self.source[begin:end].decode()

    def fault(self, kind: str, begin: int, end: int, new: str) -> Mutant:
        line = next(i for i in range(len(self.lines)) if begin < self.starts[i + 1]) + 1
        return Mutant(
            file=self.file,
            kind=kind,
            line=line,
            statement=self.statement,
            on_import=self.on_import,
            begin=begin,
            end=end,
            old=self.source[begin:end].decode(),
            new=new,
            text=self.lines[line - 1].decode().strip(),
        )

    def between(
        self, kind: str, left: ast.expr, right: ast.expr, old: str, new: str
    ) -> Iterator[Mutant]:
        """The operator `old`, which stands somewhere between two operands."""
        gap_begin, gap_end = self.span(left)[1], self.span(right)[0]
        gap = self.source[gap_begin:gap_end].decode()
        word = re.escape(old)
        if old[0].isalpha():
            word = r"\b" + r"\s+".join(old.split()) + r"\b"
        found = re.search(word, gap)
        if found and gap.isascii():
            yield self.fault(kind, gap_begin + found.start(), gap_begin + found.end(), new)

    def of(self, node: ast.AST) -> Iterator[Mutant]:
        match node:
            case ast.BinOp() if type(node.op) in ARITHMETIC and not _is_text(node):
                old, new = ARITHMETIC[type(node.op)]
                yield from self.between("AOR", node.left, node.right, old, new)
            case ast.AugAssign() if type(node.op) in ARITHMETIC:
                old, new = ARITHMETIC[type(node.op)]
                yield from self.between("AOR", node.target, node.value, old + "=", new + "=")
                yield self.fault("SDL", *self.span(node), "pass")
            case ast.Compare(ops=[relation]) if type(relation) in RELATIONS:
                old, replacements = RELATIONS[type(relation)]
                for new in replacements:
                    yield from self.between("ROR", node.left, node.comparators[0], old, new)
            case ast.BoolOp(values=[left, right, *_]):
                old, new = ("and", "or") if isinstance(node.op, ast.And) else ("or", "and")
                yield from self.between("LCR", left, right, old, new)
            case ast.UnaryOp(op=ast.USub() | ast.Not()):
                yield self.fault("UOI", *self.span(node), f"({self.text(node.operand)})")
            case ast.If() | ast.While() | ast.IfExp() if not isinstance(node.test, ast.Compare):
                yield self.fault("UOI", *self.span(node.test), f"(not ({self.text(node.test)}))")
            case ast.Constant(value=bool()):
                yield self.fault("CRP", *self.span(node), str(not node.value))
            case ast.Constant(value=int() | float()):
                yield self.fault("CRP", *self.span(node), repr(node.value + 1))
            case ast.Expr(value=ast.Call()):
                yield self.fault("SDL", *self.span(node), "pass")
            case ast.Continue():
                yield self.fault("SDL", *self.span(node), "break")
            case ast.Break():
                yield self.fault("SDL", *self.span(node), "continue")

    def within(self, node: ast.AST) -> Iterator[Mutant]:
        before = self.statement, self.on_import
        if isinstance(node, ast.stmt):
            self.statement = node.lineno
        yield from self.of(node)
        for child in _children(node):
            body = isinstance(node, ast.FunctionDef) and isinstance(child, ast.stmt)
            self.on_import = before[1] and not body
            yield from self.within(child)
        self.statement, self.on_import = before


def _is_text(node: ast.BinOp) -> bool:
    return any(
        isinstance(side, ast.JoinedStr)
        or (isinstance(side, ast.Constant) and isinstance(side.value, str))
        for side in (node.left, node.right)
    )


def _children(node: ast.AST) -> Iterator[ast.AST]:
    """The parts of a node in which a fault would be one of behaviour."""
    match node:
        case ast.Raise() | ast.Import() | ast.ImportFrom() | ast.JoinedStr() | ast.Assert():
            return
        case ast.If(test=ast.Name(id="TYPE_CHECKING")):
            return
        case ast.Assign(targets=[ast.Name(id="__all__")]):
            return
        case ast.AnnAssign():
            if node.value is not None:
                yield node.value
            return
        case ast.FunctionDef():
            defaults = [value for value in node.args.kw_defaults if value is not None]
            yield from [*node.args.defaults, *defaults, *node.body]
            return
        case ast.ClassDef():
            yield from node.body
            return
        case ast.Call():
            yield from [node.func, *node.args]
            yield from [word.value for word in node.keywords if word.arg not in ONLY_CHECKS]
            return
    yield from ast.iter_child_nodes(node)


def mutants(root: Path, file: str) -> list[Mutant]:
    """All the faults that can be planted in ``root/file``, in the order of its lines."""
    source = (root / file).read_bytes()
    found = _Faults(file, source).within(ast.parse(source))
    usable = {(m.begin, m.end, m.new): m for m in found if _compiles(m.planted(source))}
    return sorted(usable.values(), key=lambda m: (m.begin, m.end, m.new))


def _compiles(source: bytes) -> bool:
    try:
        ast.parse(source)
    except SyntaxError:
        return False
    return True
