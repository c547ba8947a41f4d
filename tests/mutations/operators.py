"""Small faults that a slip of the hand could make, as changes of a module's syntax tree.

============================ ==================================================================
compare swapped              ``<`` for ``>``, ``==`` for ``!=``, ``is`` for ``is not``, ``in`` ...
boundary moved               ``<`` for ``<=``, ``>`` for ``>=``, and back
arithmetic swapped           ``+`` for ``-``, ``*`` for ``/``, ``//`` or ``%`` or ``**`` for ``*``
bits swapped                 ``&`` for ``|``, and back (masks of numpy)
sign dropped                 ``x`` for ``-x``
constant changed             a number doubled; one for nought
flag inverted                ``True`` for ``False``, and back
and/or swapped               ``and`` for ``or``, and back
not dropped                  ``x`` for ``not x``
condition inverted           ``not x`` for ``x`` in ``if``, ``while`` and comprehensions
keyword argument dropped     ``f(a)`` for ``f(a, b=c)``
return replaced              by the neutral value of its type: ``0``, ``""``, ``()``, ``None`` ...
statement deleted            a call, a raise, a leap, a change of an attribute, an item or a count
extreme swapped              ``min`` for ``max``, ``any`` for ``all``, ``floor`` for ``ceil`` ...
call dropped                 ``x`` for ``abs(x)``, ``sorted(x)``, ``sqrt(x)`` ...
============================ ==================================================================

Left alone: strings (messages, docstrings), annotations and types, decorators, imports,
``__all__``, calls that log or warn, what stands within an f-string, and ``zip(..., strict=True)``,
which asserts: without it a program that is right does the same.
"""

from __future__ import annotations

import ast
import copy
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from tests.mutations.probes import Place

_ORDER = {ast.Lt: ast.Gt, ast.LtE: ast.GtE, ast.Gt: ast.Lt, ast.GtE: ast.LtE}
_SWAPPED = {ast.Eq: ast.NotEq, ast.Is: ast.IsNot, ast.In: ast.NotIn}
_SWAPPED |= {after: before for before, after in _SWAPPED.items()} | _ORDER
_MOVED = {ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt}
_ARITHMETIC = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult}
_ARITHMETIC |= {ast.FloorDiv: ast.Mult, ast.Mod: ast.Mult, ast.Pow: ast.Mult}
_BITS = {ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd}
_EXTREMES = {"min": "max", "minimum": "maximum", "argmin": "argmax", "nanmin": "nanmax"}
_EXTREMES |= {"any": "all", "floor": "ceil"}
_EXTREMES |= {after: before for before, after in _EXTREMES.items()}
_WRAPPING = {"abs", "round", "sorted", "sqrt"}
_LOGGING = {"logging", "logger", "log", "_log", "warnings"}
_NEUTRAL = {"bool": "False", "int": "0", "float": "0.0", "str": "''", "bytes": "b''"}
_NEUTRAL |= {"tuple": "()", "list": "[]", "dict": "{}"}
_DELETED = (ast.Assign, ast.AugAssign, ast.Break, ast.Continue, ast.Delete, ast.Expr, ast.Raise)
_BODIES = {"body", "orelse", "finalbody", "handlers", "cases"}
_UNCHANGED = {"annotation", "returns", "decorator_list", "type_params"}

Change = tuple[str, ast.AST]


@dataclass(frozen=True)
class Mutation:
    """One fault to make in a module: the change of the given number, as :func:`mutations` counts.

    `place` is that of the statement that holds it, and `names` are those that this one binds where
    it runs once, on import: None where it runs within a function.
    """

    path: str
    line: int
    operator: str
    number: int
    place: Place
    names: frozenset[str] | None


def _with(node: ast.AST, **fields: object) -> ast.AST:
    changed = copy.copy(node)
    vars(changed).update(fields)
    return changed


def _without(items: list, index: int) -> list:
    return items[:index] + items[index + 1 :]


def _name(node: ast.AST) -> str:
    return node.id if isinstance(node, ast.Name) else getattr(node, "attr", "")


def _compare(node: ast.Compare) -> Iterator[Change]:
    for name, table in (("compare swapped", _SWAPPED), ("boundary moved", _MOVED)):
        for index, op in enumerate(node.ops):
            if type(op) in table:
                ops = [*node.ops[:index], table[type(op)](), *node.ops[index + 1 :]]
                yield name, _with(node, ops=ops)


def _binary(node: ast.BinOp) -> Iterator[Change]:
    if not any(map(_is_text_or_type, (node.left, node.right))):
        for name, table in (("arithmetic swapped", _ARITHMETIC), ("bits swapped", _BITS)):
            if type(node.op) in table:
                yield name, _with(node, op=table[type(node.op)]())


def _unary(node: ast.UnaryOp) -> Iterator[Change]:
    if isinstance(node.op, (ast.Not, ast.USub)):
        yield "not dropped" if isinstance(node.op, ast.Not) else "sign dropped", node.operand


def _constant(node: ast.Constant) -> Iterator[Change]:
    if isinstance(node.value, bool):
        yield "flag inverted", ast.Constant(not node.value)
    elif isinstance(node.value, (int, float)):
        yield "constant changed", ast.Constant(2 * node.value or type(node.value)(1))


def _and_or(node: ast.BoolOp) -> Iterator[Change]:
    yield "and/or swapped", _with(node, op=(ast.Or if isinstance(node.op, ast.And) else ast.And)())


def _condition(node: ast.If | ast.While | ast.IfExp) -> Iterator[Change]:
    if not _is_not(node.test):
        yield "condition inverted", _with(node, test=ast.UnaryOp(ast.Not(), node.test))


def _filter(node: ast.comprehension) -> Iterator[Change]:
    for index, test in enumerate(node.ifs):
        if not _is_not(test):
            ifs = [ast.UnaryOp(ast.Not(), test), *_without(node.ifs, index)]
            yield "condition inverted", _with(node, ifs=ifs)


def _call(node: ast.Call) -> Iterator[Change]:
    for index, word in enumerate(node.keywords):
        # Dropped, `strict` is False.
        if word.arg and word.arg != "strict":
            keywords = _without(node.keywords, index)
            yield "keyword argument dropped", _with(node, keywords=keywords)
    name = _name(node.func)
    if name in _EXTREMES:
        field = "id" if isinstance(node.func, ast.Name) else "attr"
        yield "extreme swapped", _with(node, func=_with(node.func, **{field: _EXTREMES[name]}))
    if name in _WRAPPING and node.args:
        yield "call dropped", node.args[0]


def _return(node: ast.Return, returns: ast.expr | None) -> Iterator[Change]:
    annotation = ast.unparse(returns) if returns else ""
    neutral = "None" if "None" in annotation else _NEUTRAL.get(annotation.split("[")[0], "None")
    given = ast.unparse(node.value) if node.value else "None"
    # What a name in capitals stands for may well be the neutral value itself.
    if given not in (neutral, "None") and not given.isupper():
        yield "return replaced", _with(node, value=ast.parse(neutral, mode="eval").body)


def _statement(node: ast.stmt) -> Iterator[Change]:
    # Without the assignment to a name its readers fail at once: nothing would be learnt.
    targets = getattr(node, "targets", ())
    if not any(isinstance(target, (ast.Name, ast.Tuple)) for target in targets):
        yield "statement deleted", ast.Pass()


_FITTING: dict[type[ast.AST], Callable[..., Iterator[Change]]] = {
    ast.Compare: _compare,
    ast.BinOp: _binary,
    ast.UnaryOp: _unary,
    ast.Constant: _constant,
    ast.BoolOp: _and_or,
    ast.comprehension: _filter,
    ast.Call: _call,
    **dict.fromkeys((ast.If, ast.While, ast.IfExp), _condition),
    **dict.fromkeys(_DELETED, _statement),
}


def _changes(node: ast.AST, returns: ast.expr | None) -> Iterator[Change]:
    """Yield the operators that fit a node, each with what it puts in the node's place."""
    if isinstance(node, ast.Return):
        yield from _return(node, returns)
    elif type(node) in _FITTING:
        yield from _FITTING[type(node)](node)


def _is_not(node: ast.expr) -> bool:
    return isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not)


def _is_text_or_type(operand: ast.expr) -> bool:
    """Tell whether strings are joined, or types as in ``int | None``: not arithmetic."""
    if isinstance(operand, ast.Constant):
        return isinstance(operand.value, str) or operand.value is None
    name = _name(operand.value if isinstance(operand, ast.Subscript) else operand)
    is_type = name in _NEUTRAL or (name[:1].isupper() and not name.isupper())
    return is_type or isinstance(operand, ast.JoinedStr)


def is_function(node: ast.AST | None) -> bool:
    return isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef))


def _left_alone(node: ast.AST) -> bool:
    if isinstance(node, ast.Expr):
        root = node.value.func if isinstance(node.value, ast.Call) else node.value
        while isinstance(root, ast.Attribute):
            root = root.value
        return isinstance(root, ast.Constant) or _name(root) in _LOGGING
    if isinstance(node, ast.If) and _name(node.test) == "TYPE_CHECKING":
        return True
    if isinstance(node, (ast.Assign, ast.AnnAssign)) and "__all__" in bound(node):
        return True
    if isinstance(node, ast.keyword) and node.arg == "strict":
        return isinstance(node.value, ast.Constant) and node.value.value is True
    return isinstance(node, (ast.Import, ast.ImportFrom, ast.JoinedStr))


class _Walk:
    """Goes through a module's tree, change by change; makes one of them, for good."""

    def __init__(self, path: str, source: str, make: int = -1) -> None:
        self._path, self._make = path, make
        self.found: list[Mutation] = []
        self.tree = ast.parse(source)
        self._within(self.tree, None, None)

    def _within(self, node: ast.AST, statement: ast.stmt | None, function: ast.AST | None) -> None:
        for name, value in ast.iter_fields(node):
            # The body of a function runs when it is called, its defaults on import.
            inner = node if name == "body" and is_function(node) else function
            for index, child in enumerate(value if isinstance(value, list) else [value]):
                if not isinstance(child, ast.AST) or name in _UNCHANGED or _left_alone(child):
                    continue
                around = child if isinstance(child, ast.stmt) else statement
                for operator, new in _changes(child, getattr(inner, "returns", None)):
                    if len(self.found) == self._make and isinstance(value, list):
                        value[index] = new
                    elif len(self.found) == self._make:
                        setattr(node, name, new)
                    self._add(operator, child, around, inner)
                self._within(child, around, inner)

    def _add(
        self, operator: str, node: ast.AST, statement: ast.stmt, function: ast.AST | None
    ) -> None:
        names = None if function or is_function(statement) else bound(statement)
        line, place = getattr(node, "lineno", statement.lineno), place_of(statement)
        self.found.append(Mutation(self._path, line, operator, len(self.found), place, names))


def head(statement: ast.stmt) -> Iterator[ast.AST]:
    """Yield the nodes of a statement without those of the statements within it."""
    for name, value in ast.iter_fields(statement):
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST) and name not in _BODIES:
                yield from ast.walk(child)


def bound(statement: ast.stmt) -> frozenset[str]:
    """Return the names that a statement binds, without those of the statements within it."""
    found = [node for node in head(statement) if isinstance(node, ast.Name)]
    return frozenset(node.id for node in found if isinstance(node.ctx, ast.Store))


def place_of(statement: ast.stmt) -> Place:
    """Return where a statement begins; of a function, whose defaults count with its body, that."""
    first = statement.body[0] if is_function(statement) else statement
    return first.lineno, first.col_offset


def mutations(path: str, source: str) -> list[Mutation]:
    """Return every mutation of a module."""
    return _Walk(path, source).found


def made(mutation: Mutation, source: str) -> tuple[str, str]:
    """Return a module's text before and after a mutation, both as Python writes the tree."""
    after = _Walk(mutation.path, source, mutation.number).tree
    return ast.unparse(ast.parse(source)), ast.unparse(after)
