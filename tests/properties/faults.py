"""Faults that a hand might make in a Python source: what `plant.py` plants, one at a time.

Operators exchanged, conditions negated, constants changed, statements left out, another value returned. Strings are changed only where something is
compared with them or looked up by them; annotations, docstrings, assertions, decorators and the inside of f-strings are left as they are.
"""

import ast
import re
from collections.abc import Iterator
from typing import NamedTuple

__all__ = ["Fault", "faults_in"]

_EXCHANGED: dict[type[ast.AST], tuple[str, str]] = {
    ast.Lt: ("<", "<="),
    ast.LtE: ("<=", "<"),
    ast.Gt: (">", ">="),
    ast.GtE: (">=", ">"),
    ast.Eq: ("==", "!="),
    ast.NotEq: ("!=", "=="),
    ast.In: ("in", "not in"),
    ast.NotIn: ("not in", "in"),
    ast.Is: ("is", "is not"),
    ast.IsNot: ("is not", "is"),
    ast.And: ("and", "or"),
    ast.Or: ("or", "and"),
    ast.Add: ("+", "-"),
    ast.Sub: ("-", "+"),
    ast.Mult: ("*", "//"),
    ast.FloorDiv: ("//", "*"),
    ast.Div: ("/", "*"),
    ast.Mod: ("%", "//"),
    ast.LShift: ("<<", ">>"),
    ast.RShift: (">>", "<<"),
    ast.BitAnd: ("&", "|"),
    ast.BitOr: ("|", "&"),
    ast.BitXor: ("^", "|"),
}
_SAID_ALREADY = (ast.Eq, ast.NotEq, ast.In, ast.NotIn, ast.Is, ast.IsNot)
"""A condition that is one such comparison is negated by exchanging its operator."""

_LEFT_OUT = (ast.AugAssign, ast.Raise, ast.Continue, ast.Break, ast.Delete)


class Fault(NamedTuple):
    """One change of one place: the bytes from `start` to `end` of a module become `new`."""

    module: str
    line: int
    function: str
    """Dotted name of what it stands in; empty for the module itself."""
    text: str
    """The line as it was, without indentation."""
    start: int
    end: int
    old: str
    new: str

    @property
    def name(self) -> tuple[str, str, str, str, str]:
        """What stays the same when lines move."""
        return self.module, self.function, self.text, self.old, self.new

    def planted(self, source: bytes) -> bytes:
        return source[: self.start] + self.new.encode() + source[self.end :]


class _Finder(ast.NodeVisitor):
    def __init__(self, module: str, source: bytes) -> None:
        self.module = module
        self.source = source
        self.lines = source.splitlines(keepends=True)
        self.offsets = [0]
        for line in self.lines:
            self.offsets.append(self.offsets[-1] + len(line))
        self.inside: list[str] = []
        self.found: list[Fault] = []

    def start(self, node: ast.AST) -> int:
        return self.offsets[node.lineno - 1] + node.col_offset  # type: ignore[attr-defined, no-any-return]

    def end(self, node: ast.AST) -> int:
        return self.offsets[node.end_lineno - 1] + node.end_col_offset  # type: ignore[attr-defined, no-any-return]

    def plant(self, start: int, end: int, new: str) -> None:
        line = self.source.count(b"\n", 0, start) + 1
        text = self.lines[line - 1].decode().strip()
        old = self.source[start:end].decode()
        self.found.append(Fault(self.module, line, ".".join(self.inside), text, start, end, old, new))

    def replace(self, node: ast.AST, new: str) -> None:
        self.plant(self.start(node), self.end(node), new)

    def text(self, node: ast.AST) -> str:
        return self.source[self.start(node) : self.end(node)].decode()

    def exchange(self, operator: ast.AST, before: ast.AST, behind: ast.AST) -> None:
        if type(operator) not in _EXCHANGED:
            return
        old, new = _EXCHANGED[type(operator)]
        start, end = self.end(before), self.start(behind)
        between = re.sub(rb"#[^\n]*", lambda m: b" " * len(m[0]), self.source[start:end])
        pattern = r"\b" + old.replace(" ", r"\s+") + r"\b" if old[0].isalpha() else re.escape(old)
        place = re.search(pattern.encode(), between)
        if place is not None:
            self.plant(start + place.start(), start + place.end(), new)

    def negate(self, test: ast.expr) -> None:
        compared = isinstance(test, ast.Compare) and len(test.ops) == 1 and isinstance(test.ops[0], _SAID_ALREADY)
        if not compared and not isinstance(test, ast.BoolOp) and not _is_not(test) and not _for_types(test):
            self.replace(test, f"(not ({self.text(test)}))")

    def within(self, node: ast.FunctionDef | ast.ClassDef) -> None:
        self.inside.append(node.name)
        body = node.body[1:] if ast.get_docstring(node, clean=False) is not None else node.body
        if isinstance(node, ast.FunctionDef):
            for value in (*node.args.defaults, *node.args.kw_defaults):
                if value is not None:
                    self.visit(value)
        for statement in body:
            self.visit(statement)
        self.inside.pop()

    def visit(self, node: ast.AST) -> None:
        if isinstance(node, _LEFT_OUT):
            self.replace(node, "pass")
        super().visit(node)

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        self.within(node)

    def visit_ClassDef(self, node: ast.ClassDef) -> None:
        self.within(node)

    def visit_Compare(self, node: ast.Compare) -> None:
        values = [node.left, *node.comparators]
        for place, operator in enumerate(node.ops):
            self.exchange(operator, values[place], values[place + 1])
        for value in values:
            self.strings(value)
        self.generic_visit(node)

    def strings(self, value: ast.expr) -> None:
        """Change texts that something is compared with."""
        if isinstance(value, ast.Constant) and isinstance(value.value, str | bytes):
            self.replace(value, repr(value.value + ("~" if isinstance(value.value, str) else b"~")))  # type: ignore[operator]
        elif isinstance(value, ast.Tuple | ast.List | ast.Set):
            for one in value.elts:
                self.strings(one)

    def visit_Subscript(self, node: ast.Subscript) -> None:
        self.strings(node.slice)
        self.generic_visit(node)

    def visit_BoolOp(self, node: ast.BoolOp) -> None:
        for before, behind in zip(node.values, node.values[1:], strict=False):
            self.exchange(node.op, before, behind)
        self.generic_visit(node)

    def visit_BinOp(self, node: ast.BinOp) -> None:
        self.exchange(node.op, node.left, node.right)
        self.generic_visit(node)

    def visit_UnaryOp(self, node: ast.UnaryOp) -> None:
        if isinstance(node.op, ast.Not):
            self.replace(node, f"bool({self.text(node.operand)})")
        self.generic_visit(node)

    def visit_If(self, node: ast.If) -> None:
        if _for_types(node.test):
            return
        self.negate(node.test)
        self.generic_visit(node)

    def visit_While(self, node: ast.While) -> None:
        self.negate(node.test)
        self.generic_visit(node)

    def visit_IfExp(self, node: ast.IfExp) -> None:
        self.negate(node.test)
        self.generic_visit(node)

    def visit_comprehension(self, node: ast.comprehension) -> None:
        for test in node.ifs:
            self.negate(test)
        self.generic_visit(node)

    def visit_Constant(self, node: ast.Constant) -> None:
        if isinstance(node.value, bool):
            self.replace(node, str(not node.value))
        elif isinstance(node.value, int):
            self.replace(node, str(node.value + 1))

    def visit_Expr(self, node: ast.Expr) -> None:
        if isinstance(node.value, ast.Constant):
            return  # a docstring of a value
        if isinstance(node.value, ast.Call):
            self.replace(node, "pass")
        self.generic_visit(node)

    def visit_Assign(self, node: ast.Assign) -> None:
        if any(isinstance(target, ast.Name) and target.id == "__all__" for target in node.targets):
            return
        if all(isinstance(target, ast.Attribute | ast.Subscript) for target in node.targets):
            self.replace(node, "pass")
        self.generic_visit(node)

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        if node.value is not None:
            self.visit(node.value)

    def visit_Return(self, node: ast.Return) -> None:
        if node.value is None:
            self.replace(node, "pass")
        elif not isinstance(node.value, ast.Constant):
            self.replace(node, "return None")
        self.generic_visit(node)

    def visit_Assert(self, node: ast.Assert) -> None:
        """Leave it: it states what the types cannot."""

    def visit_JoinedStr(self, node: ast.JoinedStr) -> None:
        """Leave it: places inside are not known to Python 3.11."""


def _is_not(test: ast.expr) -> bool:
    return isinstance(test, ast.UnaryOp) and isinstance(test.op, ast.Not)


def _for_types(test: ast.expr) -> bool:
    return isinstance(test, ast.Name) and test.id == "TYPE_CHECKING"


def faults_in(module: str, source: bytes) -> Iterator[Fault]:
    """Give the faults that can be planted in a module, in the order of their places."""
    finder = _Finder(module, source)
    tree = ast.parse(source)
    for statement in tree.body:
        if not (isinstance(statement, ast.If) and "__name__" in ast.dump(statement.test)):
            finder.visit(statement)
    yield from sorted(finder.found, key=lambda fault: (fault.start, fault.end, fault.new))
