"""Small changes to a module's source, one at a time: what a careless edit might do to it."""

from __future__ import annotations

import ast
import copy
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

_COMPARE: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
}
_ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult,
    ast.Pow: ast.Mult,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
}


@dataclass(frozen=True)
class Mutant:
    """One change: the line, what stood there and what stands there now, and the whole source with it."""

    module: str
    line: int
    before: str
    after: str
    source: str

    def __str__(self) -> str:
        return f"sleepagree/{self.module}.py:{self.line}: {self.before}  ->  {self.after}"


def module_of(path: Path) -> str:
    """Return the dotted name of a file of the package, without the package's."""
    parts = path.with_suffix("").parts
    return ".".join(parts[len(parts) - parts[::-1].index("sleepagree") :])


def mutants(path: Path) -> Iterator[Mutant]:
    """Yield every change to a module."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    places = list(_places(tree))
    for number, (node, _) in enumerate(places):
        for option in range(len(_changes(node))):
            changed = copy.deepcopy(tree)
            target, holder = list(_places(changed))[number]
            before = _shown(holder)
            _changes(target)[option](target)
            after = _shown(holder)
            if before == after:
                continue
            yield Mutant(module_of(path), node.lineno, before, after, ast.unparse(ast.fix_missing_locations(changed)))


def _shown(node: ast.AST) -> str:
    text = " ".join(ast.unparse(node).split())
    return text if len(text) <= 110 else text[:107] + "..."


def _places(tree: ast.Module) -> Iterator[tuple[ast.AST, ast.AST]]:
    """Yield each node that can be changed, with the statement or expression that shows the change best."""

    def walk(node: ast.AST, holder: ast.AST) -> Iterator[tuple[ast.AST, ast.AST]]:
        for name, value in ast.iter_fields(node):
            if name in ("annotation", "returns", "decorator_list", "type_params"):
                continue
            for child in value if isinstance(value, list) else [value]:
                if not isinstance(child, ast.AST) or _is_text(child) or isinstance(child, ast.Import | ast.ImportFrom):
                    continue
                shown = child if isinstance(child, ast.expr | ast.Return | ast.Assign | ast.AugAssign) else holder
                keep = holder if isinstance(holder, ast.expr) and isinstance(child, ast.expr) else shown
                if _changes(child):
                    yield child, keep
                yield from walk(child, keep)

    yield from walk(tree, tree)


def _is_text(node: ast.AST) -> bool:
    """Whether a node is a docstring, the text of a message, or the raising of an error (its words are no figures)."""
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
        return True
    return isinstance(node, ast.JoinedStr | ast.Raise)


def _changes(node: ast.AST) -> list:
    if isinstance(node, ast.Compare):
        return [_compare(i) for i, op in enumerate(node.ops) if type(op) in _COMPARE]
    if isinstance(node, ast.BinOp) and type(node.op) in _ARITHMETIC and not _joins_texts(node):
        return [_arithmetic]
    if isinstance(node, ast.BoolOp):
        return [_boolean]
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub | ast.Not | ast.Invert):
        return [_unary]
    if isinstance(node, ast.Constant) and isinstance(node.value, bool | int | float):
        return [_constant]
    if isinstance(node, ast.If | ast.IfExp | ast.While):
        return [_condition]
    return []


def _joins_texts(node: ast.BinOp) -> bool:
    """Whether a sum is one of texts or lists: a difference of those fails at once and would flatter the tests."""
    joined = ast.JoinedStr | ast.List | ast.ListComp | ast.Tuple
    return any(
        isinstance(part, joined)
        or (isinstance(part, ast.Constant) and isinstance(part.value, str))
        or (isinstance(part, ast.BinOp) and _joins_texts(part))
        for part in (node.left, node.right)
    )


def unchanged(path: Path) -> Mutant:
    """Return the module as it is, to see that its tests pass at all."""
    source = ast.unparse(ast.parse(path.read_text(encoding="utf-8")))
    return Mutant(module_of(path), 0, "nothing", "nothing", source)


def _compare(i: int):
    def change(node: ast.Compare) -> None:
        node.ops[i] = _COMPARE[type(node.ops[i])]()

    return change


def _arithmetic(node: ast.BinOp) -> None:
    node.op = _ARITHMETIC[type(node.op)]()


def _boolean(node: ast.BoolOp) -> None:
    node.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()


def _unary(node: ast.UnaryOp) -> None:
    node.op = ast.UAdd() if isinstance(node.op, ast.USub) else node.op
    if not isinstance(node.op, ast.UAdd):  # not x, ~x: put it twice, which is x
        node.operand = ast.UnaryOp(type(node.op)(), node.operand)


def _constant(node: ast.Constant) -> None:
    value = node.value
    node.value = (not value) if isinstance(value, bool) else value + 1 if isinstance(value, int) else value * 1.1 + 0.1


def _condition(node: ast.If | ast.IfExp | ast.While) -> None:
    node.test = ast.UnaryOp(ast.Not(), node.test)
