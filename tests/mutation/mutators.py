"""What is planted: the small changes of a module's syntax tree, each with a name that outlives other edits.

A mutant is named by its module, the function it is in, the text of the expression (or statement) that is
changed, what that becomes, and a number where the same change is possible more than once in the function.
Lines and formatting are no part of the name.
"""

import ast
from collections.abc import Iterator, Sequence
from copy import copy
from typing import NamedTuple

SHORT = 14
"""An expression shorter than this is named by what it stands in: "0" alone would name nothing."""

_COMPARED: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
_CALCULATED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult,
    ast.Pow: ast.Mult,
    ast.LShift: ast.RShift,
    ast.RShift: ast.LShift,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.BitXor: ast.BitAnd,
}
_CALLED = {"min": "max", "max": "min", "any": "all", "all": "any", "floor": "ceil", "ceil": "floor"}


class Name(NamedTuple):
    """What a mutant is called.

    Attributes:
        module: dotted, within the package.
        where: qualified name of the function or class; "" for the module itself.
        was, became: text before and after.
        nth: which of several alike in `where`, from 1.
    """

    module: str
    where: str
    was: str
    became: str
    nth: int = 1

    def __str__(self) -> str:
        again = f" ({self.nth})" if self.nth > 1 else ""
        return f"{self.module}, {self.where or 'top'}: {self.was}  ->  {self.became}{again}"


class Mutant(NamedTuple):
    """One change.

    Attributes:
        name: see `Name`.
        number: which of all of its module.
        lines: first and last line whose running runs what is changed.
        deep: inside a function; else it takes effect when the module is imported.
    """

    name: Name
    number: int
    lines: tuple[int, int]
    deep: bool


class _Place(NamedTuple):
    """A node of the tree and where it hangs."""

    node: ast.AST
    holder: ast.AST
    field: str
    nth: int | None
    above: tuple[ast.AST, ...]
    where: str
    deep: bool


def mutants(module: str, source: str) -> list[Mutant]:
    """All mutants of a module, in the order of the source."""
    tree = ast.parse(source)
    found, seen = [], dict[Name, int]()
    for number, (place, unit, was) in enumerate(_changes(tree)):
        name = Name(module, place.where, was, ast.unparse(unit()))
        seen[name] = seen.get(name, 0) + 1
        found.append(Mutant(name._replace(nth=seen[name]), number, _lines(place), place.deep))
    return found


def mutated(source: str, number: int | None) -> ast.Module:
    """The tree of the module with one change, or, for `None`, as it is."""
    tree = ast.parse(source)
    if number is not None:
        for i, _ in enumerate(_changes(tree)):
            if i == number:
                break
    return ast.fix_missing_locations(tree)


def _changes(tree: ast.Module) -> Iterator[tuple[_Place, "_Unit", str]]:
    """Makes one change after another in the tree itself, each undone before the next."""
    for place in list(_places(tree, (), "", deep=False)):
        unit = _Unit(place)
        was = ast.unparse(unit())
        for new in _replacements(place):
            ast.copy_location(new, place.node)
            _put(place, new)
            yield place, unit, was
            _put(place, place.node)


class _Unit:
    """The node by whose text a change is named: as it is now, at each call."""

    def __init__(self, place: _Place) -> None:
        self._place = place
        self._node: ast.AST | None = None
        if isinstance(place.node, ast.expr) and len(ast.unparse(place.node)) >= SHORT:
            return
        for above in reversed(place.above) if isinstance(place.node, ast.expr) else ():
            if not isinstance(above, ast.expr | ast.keyword | ast.comprehension) and hasattr(above, "body"):
                break
            if isinstance(above, ast.expr | ast.stmt):
                self._node = above
                if isinstance(above, ast.stmt) or len(ast.unparse(above)) >= SHORT:
                    break

    def __call__(self) -> ast.AST:
        if self._node is not None:
            return self._node
        now = getattr(self._place.holder, self._place.field)
        node: ast.AST = now if self._place.nth is None else now[self._place.nth]
        return node


def _put(place: _Place, node: ast.AST) -> None:
    if place.nth is None:
        setattr(place.holder, place.field, node)
    else:
        getattr(place.holder, place.field)[place.nth] = node


def _lines(place: _Place) -> tuple[int, int]:
    node = next(n for n in (place.node, *reversed(place.above)) if hasattr(n, "lineno"))
    statement = next(n for n in (place.node, *reversed(place.above)) if isinstance(n, ast.stmt))
    # Of a statement with a body only the head counts.
    outer = node if hasattr(statement, "body") else statement
    return outer.lineno, outer.end_lineno or outer.lineno  # type: ignore[attr-defined]


_NOT_MUTATED = (ast.JoinedStr, ast.Import, ast.ImportFrom, ast.pattern)
_NOT_ENTERED = {"annotation", "returns", "decorator_list", "bases", "keywords", "type_params"}


def _places(node: ast.AST, above: tuple[ast.AST, ...], where: str, *, deep: bool) -> Iterator[_Place]:
    """All nodes that may be changed: no annotations, no texts, nothing of what an error says."""
    below = (*above, node)
    is_scope = isinstance(node, ast.FunctionDef | ast.ClassDef)
    for field, value in ast.iter_fields(node):
        if field in _NOT_ENTERED and not isinstance(node, ast.Call):
            continue
        # `strict` is a check of the program by itself.
        if isinstance(node, ast.keyword) and node.arg == "strict":
            continue
        inside, within = where, deep
        if is_scope and field == "body":
            inside = f"{where}.{node.name}".lstrip(".")  # type: ignore[attr-defined]
            within = deep or isinstance(node, ast.FunctionDef)
        for index, child in enumerate(value) if isinstance(value, list) else [(None, value)]:
            if not isinstance(child, ast.AST) or isinstance(child, _NOT_MUTATED):
                continue
            yield _Place(child, node, field, index, below, inside, within)
            if not isinstance(child, ast.Raise):
                yield from _places(child, below, inside, deep=within)


def _replacements(place: _Place) -> Iterator[ast.AST]:
    """What may stand for the node."""
    node = place.node
    if place.field in ("test", "ifs") and isinstance(node, ast.Name | ast.Attribute | ast.Call):
        yield ast.UnaryOp(ast.Not(), node)
    match node:
        case ast.Compare():
            for i, op in enumerate(node.ops):
                for other in _COMPARED[type(op)]:
                    yield _with(node, ops=[*node.ops[:i], other(), *node.ops[i + 1 :]])
        case ast.BoolOp():
            yield _with(node, op=ast.Or() if isinstance(node.op, ast.And) else ast.And())
            for i in range(len(node.values)):
                rest = node.values[:i] + node.values[i + 1 :]
                yield rest[0] if len(rest) == 1 else _with(node, values=rest)
        case ast.BinOp() | ast.AugAssign() if type(node.op) in _CALCULATED:
            yield _with(node, op=_CALCULATED[type(node.op)]())
        case ast.UnaryOp(op=ast.Not() | ast.USub()) if not isinstance(node.operand, ast.Constant):
            yield node.operand
        case ast.Constant():
            # Outside functions, True and False are options of a declaration.
            for value in _other_constants(node.value) if place.deep or type(node.value) is not bool else ():
                yield ast.Constant(value)
        case ast.Name(id=called, ctx=ast.Load()) if called in _CALLED:
            yield _with(node, id=_CALLED[called])
        case _:
            yield from _other_statements(node)


def _other_constants(value: object) -> Sequence[int | float]:
    match value:
        case bool():
            return (not value,)
        case int():
            return value + 1, value - 1
        case float():
            return (value + 1.0, 0.0) if value else (1.0, -1.0)
    return ()


def _other_statements(node: ast.AST) -> Iterator[ast.AST]:
    match node:
        case ast.Return(value=ast.expr() as value) if ast.unparse(value) != "None":
            yield ast.Return(ast.Constant(None))
        case ast.Expr(value=ast.Call()) | ast.Raise():
            yield ast.Pass()
        case ast.Assign(targets=[ast.Attribute() | ast.Subscript()]):
            yield ast.Pass()
        case ast.Continue():
            yield ast.Break()
        case ast.Break():
            yield ast.Continue()


def _with(node: ast.AST, **fields: object) -> ast.AST:
    new = copy(node)
    for field, value in fields.items():
        setattr(new, field, value)
    return new
