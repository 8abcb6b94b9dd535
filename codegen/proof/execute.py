"""Symbolic execution: one call of a function as expressions over its start, and what C asks of every operation on the way.

Takes a ``Program``, a data model and a ``Dag``; gives the values after the call and the ``Obligation``s in the order of the text.
Every operation is exact over the integers; that its value fits its C type is an obligation, each under the conditions of its path.
Later obligations may rest on earlier ones: the first one to be broken would be found.

What C defines is modelled and is no obligation: unsigned arithmetic and casts to unsigned types go modulo 2**n.  An unwritten
(implicit) conversion to an unsigned type that would change a value is an obligation all the same.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from pycparser import c_ast

from codegen.proof.dag import Dag, Node
from codegen.proof.front import STEPS, Function, Program, place_of, text_of, words_of
from codegen.proof.models import DataModel, IntegerType
from codegen.proof.operators import Obligation, Operators, Value
from codegen.proof.refusal import Refusal

DEEPEST_CALL = 8
MOST_RETURNS = 64


@dataclass
class Memory:
    """Variables and members at one point; None is a variable that may not have been given a value."""

    locals: dict[str, tuple[IntegerType, bool, Node | None]] = field(default_factory=dict)
    members: dict[str, Node | None] = field(default_factory=dict)
    scopes: list[set[str]] = field(default_factory=lambda: [set()])

    def copy(self) -> Memory:
        """An independent copy."""
        return Memory(dict(self.locals), dict(self.members), [set(scope) for scope in self.scopes])


@dataclass(frozen=True)
class Frame:
    """What a function body can name besides its locals: structs behind pointers by parameter, tables by parameter."""

    function: Function
    roles: Mapping[str, str]
    tables: Mapping[str, str]
    result: IntegerType | None
    depth: int


@dataclass(frozen=True)
class _Member:
    """A member of one of the structs: where it lies, its type, whether it may be written."""

    key: str
    kind: IntegerType
    writable: bool


POP = c_ast.EmptyStatement()  # marks in a list of statements where a block ends


class Executor:
    """Runs functions of one program under one data model."""

    def __init__(self, program: Program, model: DataModel, dag: Dag) -> None:
        self._program = program
        self._model = model
        self._dag = dag
        self._operators = Operators(model, dag)
        self.stores: dict[str, str] = {}
        self._returns = 0
        self._tables = self._read_tables()
        for place, length in program.checks:
            value = self._constant(length)
            if value.node.value is None or value.node.value <= 0:
                raise Refusal(place, f"the check at compile time fails under {model.name}")

    @property
    def obligations(self) -> list[Obligation]:
        """Everything asked so far, in the order of execution."""
        return self._operators.obligations

    # --- types and tables ---

    def type_of(self, words: Sequence[str], place: str) -> IntegerType:
        """The integer type that ``words`` name.

        Raises:
            Refusal: They name none.
        """
        found = self._model.named(words[0]) if len(words) == 1 else None
        found = found or self._model.standard(tuple(words))
        if found is None:
            raise Refusal(place, f"type {' '.join(words)}: outside the subset")
        return found

    def members_of(self, struct: str, place: str, prefix: str = "") -> dict[str, IntegerType]:
        """All members of a struct type, those of inner structs by dotted names.

        Raises:
            Refusal: There is no such struct.
        """
        if struct not in self._program.structs:
            raise Refusal(place, f"{struct} is no struct type of this text")
        result: dict[str, IntegerType] = {}
        for name, words in self._program.structs[struct].items():
            if len(words) == 1 and words[0] in self._program.structs:
                result |= self.members_of(words[0], place, f"{prefix}{name}.")
            else:
                result[prefix + name] = self.type_of(words, place)
        return result

    def _read_tables(self) -> dict[str, tuple[IntegerType, bool, tuple[int, ...]]]:
        result: dict[str, tuple[IntegerType, bool, tuple[int, ...]]] = {}
        self._tables = result
        for table in self._program.tables.values():
            kind = self.type_of(table.words, table.place)
            values = tuple(self._number(value, kind) for value in table.values)
            if table.length is not None and self._constant(table.length).node.value != len(values):
                raise Refusal(table.place, f"table {table.name} has {len(values)} values and another length")
            result[table.name] = (kind, table.length is not None, values)
        return result

    def _constant(self, node: c_ast.Node) -> Value:
        nowhere = Function("", True, place_of(node), ("void",), (), c_ast.Compound([]))
        before = len(self.obligations)
        value = self._value(node, Memory(), (), Frame(nowhere, {}, {}, None, 0))
        for one in self.obligations[before:]:
            if not one.low <= one.node.low <= one.node.high <= one.high:
                raise Refusal(one.place, f"{one.kind} in a constant expression does not fit")
        del self.obligations[before:]
        return value

    def _number(self, node: c_ast.Node, kind: IntegerType) -> int:
        value = self._constant(node).node.value
        if value is None or not kind.low <= value <= kind.high:
            raise Refusal(place_of(node), f"initial value is no constant of type {kind.name}")
        return value

    # --- calls ---

    def call(self, name: str, roles: Sequence[tuple[str, bool]], start: Mapping[str, Node | None]) -> dict[str, Node | None]:
        """Run an entry function.

        Args:
            name: Its name.
            roles: For each of its pointer parameters the prefix of its struct's members and whether it must be const.
            start: Value of every member before the call.

        Returns:
            Value of every member after the call.

        Raises:
            Refusal: There is no such function, or it does not have these parameters.
        """
        function = self._program.functions.get(name)
        if function is None:
            raise Refusal("the text", f"there is no function {name}")
        if function.result != ("void",) or len(function.parameters) != len(roles):
            raise Refusal(function.place, f"{name} must return nothing and take {len(roles)} pointers")
        bound: dict[str, str] = {}
        for parameter, (role, const) in zip(function.parameters, roles, strict=True):
            if not parameter.pointer or (const and not parameter.const):
                raise Refusal(function.place, f"parameter {parameter.name} must be a pointer{' to const' if const else ''}")
            bound[parameter.name] = role
        memory = Memory(members=dict(start))
        _, after = self._body(Frame(function, bound, {}, None, 1), memory, ())
        return after.members

    def _body(self, frame: Frame, memory: Memory, path: tuple[Node, ...]) -> tuple[Node | None, Memory]:
        result, after, returned = self._run([frame.function.body, POP], memory, path, frame)
        if frame.result is not None and not returned:
            raise Refusal(frame.function.place, f"{frame.function.name} can end without returning a value")
        return result, after

    def _inline(self, node: c_ast.FuncCall, memory: Memory, path: tuple[Node, ...], frame: Frame) -> Value | None:
        name = node.name.name
        place = place_of(node)
        function = self._program.functions.get(name)
        arguments = node.args.exprs if node.args else []
        if function is None:
            raise Refusal(place, f"call of {name}, which this text does not define")
        if frame.depth >= DEEPEST_CALL:
            raise Refusal(place, f"call of {name}: recursion, or calls nested deeper than {DEEPEST_CALL}")
        if len(arguments) != len(function.parameters):
            raise Refusal(place, f"{name} takes {len(function.parameters)} arguments")
        inner = Memory()
        tables: dict[str, str] = {}
        for parameter, argument in zip(function.parameters, arguments, strict=True):
            kind = self.type_of(parameter.words, function.place)
            if parameter.pointer:
                tables[parameter.name] = self._table_argument(argument, parameter.const, kind, frame)
                continue
            value = self._operators.convert(self._value(argument, memory, path, frame), kind, path, argument, "argument")
            inner.locals[parameter.name] = (kind, not parameter.fixed, value.node)
            inner.scopes[-1].add(parameter.name)
        result_kind = None if function.result == ("void",) else self.type_of(function.result, function.place)
        result, _ = self._body(Frame(function, {}, tables, result_kind, frame.depth + 1), inner, path)
        return None if result_kind is None or result is None else Value(result_kind, result)

    def _table_argument(self, node: c_ast.Node, const: bool, kind: IntegerType, frame: Frame) -> str:
        place = place_of(node)
        if not isinstance(node, c_ast.ID) or not const:
            raise Refusal(place, "a pointer argument must be the name of a constant table, its parameter a pointer to const")
        table = self._table(node.name, place, frame)
        if self._tables[table][0] != kind:
            raise Refusal(place, f"table {table} has another type than the parameter")
        return table

    def _table(self, name: str, place: str, frame: Frame) -> str:
        name = frame.tables.get(name, name)
        if name not in self._tables or not self._tables[name][1]:
            raise Refusal(place, f"{name} is no constant table")
        return name

    # --- statements ---

    def _run(
        self, statements: Sequence[c_ast.Node], memory: Memory, path: tuple[Node, ...], frame: Frame
    ) -> tuple[Node | None, Memory, bool]:
        """Run statements; returns the returned value, memory, and whether every way through returns."""
        for index, node in enumerate(statements):
            rest = statements[index + 1 :]
            match node:
                case c_ast.EmptyStatement() if node is POP:
                    for name in memory.scopes.pop():
                        memory.locals.pop(name, None)
                case c_ast.EmptyStatement():
                    pass
                case c_ast.Compound():
                    memory.scopes.append(set())
                    return self._run([*(node.block_items or []), POP, *rest], memory, path, frame)
                case c_ast.Return():
                    return self._return(node, memory, path, frame)
                case c_ast.If():
                    return self._if(node, rest, memory, path, frame)
                case c_ast.Decl():
                    self._declare(node, memory, path, frame)
                case c_ast.Assignment() | c_ast.UnaryOp():
                    self._assign(node, memory, path, frame)
                case c_ast.Cast() if words_of(node.to_type.type, place_of(node)) == ("void",):
                    if not isinstance(node.expr, c_ast.ID) or node.expr.name not in (*memory.locals, *frame.roles, *frame.tables):
                        raise Refusal(place_of(node), "only a parameter or variable may be cast to void")
                case c_ast.FuncCall():
                    self._inline(node, memory, path, frame)
                case _:
                    raise Refusal(place_of(node), f"statement without an effect: {text_of(node)}")
        return None, memory, False

    def _return(
        self, node: c_ast.Return, memory: Memory, path: tuple[Node, ...], frame: Frame
    ) -> tuple[Node | None, Memory, bool]:
        if (node.expr is None) != (frame.result is None):
            raise Refusal(place_of(node), "return with a value in a void function, or without one in another")
        if node.expr is None or frame.result is None:
            return None, memory, True
        value = self._operators.convert(self._value(node.expr, memory, path, frame), frame.result, path, node.expr, "return")
        return value.node, memory, True

    def _if(
        self, node: c_ast.If, rest: Sequence[c_ast.Node], memory: Memory, path: tuple[Node, ...], frame: Frame
    ) -> tuple[Node | None, Memory, bool]:
        condition = self._condition(node.cond, memory, path, frame)
        branches: list[tuple[Node, list[c_ast.Node]]] = []
        for test, body in ((condition, node.iftrue), (self._dag.negation(condition), node.iffalse)):
            branches.append((test, [body] if body is not None else []))
        if condition.value is not None:
            return self._run([*branches[0 if condition.value else 1][1], *rest], memory, path, frame)
        if any(_returns(body) for _, bodies in branches for body in bodies):
            # Whoever returns does not run the rest: each branch runs it for itself.
            self._returns += 1
            if self._returns > MOST_RETURNS * 40:
                raise Refusal(place_of(node), "too many returns from within branches")
            ends = [self._run([*bodies, *rest], memory.copy(), (*path, test), frame) for test, bodies in branches]
            values = [end[0] for end in ends]
            value = None if values[0] is None or values[1] is None else self._dag.select(condition, values[0], values[1])
            return value, self._merge(condition, ends[0][1], ends[1][1]), ends[0][2] and ends[1][2]
        after = [self._run(bodies, memory.copy(), (*path, test), frame)[1] for test, bodies in branches]
        return self._run(rest, self._merge(condition, after[0], after[1]), path, frame)

    def _merge(self, condition: Node, if_true: Memory, if_false: Memory) -> Memory:
        def both(left: Node | None, right: Node | None) -> Node | None:
            return None if left is None or right is None else self._dag.select(condition, left, right)

        merged = if_false.copy()
        for name in list(merged.locals):
            if name not in if_true.locals:
                del merged.locals[name]
                continue
            kind, writable, other = merged.locals[name]
            merged.locals[name] = (kind, writable, both(if_true.locals[name][2], other))
        for key in {**if_true.members, **if_false.members}:
            merged.members[key] = both(if_true.members.get(key), if_false.members.get(key))
        return merged

    def _declare(self, node: c_ast.Decl, memory: Memory, path: tuple[Node, ...], frame: Frame) -> None:
        place = place_of(node)
        name = node.name
        if node.storage or node.funcspec or name is None:
            raise Refusal(place, "static or inline inside a function: outside the subset")
        kind = self.type_of(words_of(node.type, place), place)
        if name in self._program.names or name in memory.locals or name in frame.roles or name in frame.tables:
            raise Refusal(place, f"{name} hides another name")
        value = None
        if node.init is not None:
            if isinstance(node.init, c_ast.InitList):
                raise Refusal(place, "initialiser in braces: outside the subset")
            value = self._operators.convert(self._value(node.init, memory, path, frame), kind, path, node.init, "initial value").node
        memory.locals[name] = (kind, "const" not in node.quals, value)
        memory.scopes[-1].add(name)

    def _assign(self, node: c_ast.Assignment | c_ast.UnaryOp, memory: Memory, path: tuple[Node, ...], frame: Frame) -> None:
        place = place_of(node)
        if isinstance(node, c_ast.UnaryOp):
            if node.op not in STEPS:
                raise Refusal(place, f"statement without an effect: {text_of(node)}")
            target = node.expr
            one = Value(self._model.constant("1", place)[1], self._dag.const(1))
            old = self._value(target, memory, path, frame)
            value = self._operators.arithmetic(node, "+" if "++" in node.op else "-", old, one, path)
        else:
            target = node.lvalue
            value = self._value(node.rvalue, memory, path, frame)
            if node.op != "=":
                value = self._operators.binary(node, node.op[:-1], self._value(target, memory, path, frame), value, path)
        if isinstance(target, c_ast.ID):
            if target.name not in memory.locals or not memory.locals[target.name][1]:
                raise Refusal(place, f"{target.name} cannot be assigned to")
            kind = memory.locals[target.name][0]
            memory.locals[target.name] = (kind, True, self._operators.convert(value, kind, path, node, "assignment").node)
            return
        member = self._member(target, frame)
        if not member.writable:
            raise Refusal(place, f"{text_of(target)} is const")
        memory.members[member.key] = self._operators.convert(value, member.kind, path, node, "assignment").node
        self.stores[member.key] = place

    def _member(self, node: c_ast.Node, frame: Frame) -> _Member:
        place = place_of(node)
        names: list[str] = []
        while isinstance(node, c_ast.StructRef) and node.type == ".":
            names.insert(0, node.field.name)
            node = node.name
        if not isinstance(node, c_ast.StructRef) or not isinstance(node.name, c_ast.ID) or node.name.name not in frame.roles:
            raise Refusal(place, f"{text_of(node)} is no member behind one of the parameters")
        names.insert(0, node.field.name)
        parameter = next(one for one in frame.function.parameters if one.name == node.name.name)
        members = self.members_of(parameter.words[0], place) if len(parameter.words) == 1 else {}
        dotted = ".".join(names)
        if dotted not in members:
            raise Refusal(place, f"there is no number {dotted} in {' '.join(parameter.words)}")
        return _Member(frame.roles[parameter.name] + dotted, members[dotted], not parameter.const)

    # --- expressions ---

    def _condition(self, node: c_ast.Node, memory: Memory, path: tuple[Node, ...], frame: Frame) -> Node:
        return self._dag.holds(self._value(node, memory, path, frame).node)

    def _value(self, node: c_ast.Node, memory: Memory, path: tuple[Node, ...], frame: Frame) -> Value:
        place = place_of(node)
        match node:
            case c_ast.Constant():
                if node.value in ("true", "false"):
                    return self._named_constant(node.value)
                number, kind = self._model.constant(node.value, place)
                return Value(kind, self._dag.const(number))
            case c_ast.ID():
                return self._identifier(node, memory, path)
            case c_ast.StructRef():
                member = self._member(node, frame)
                found = memory.members.get(member.key)
                if found is None:
                    self._operators.owe("value was given before it is read", node, self._dag.const(0), 1, 1, path)
                    found = self._dag.const(0)
                return Value(member.kind, found)
            case c_ast.ArrayRef():
                return self._entry(node, memory, path, frame)
            case c_ast.FuncCall():
                return self._called(node, memory, path, frame)
            case c_ast.Cast():
                kind = self.type_of(words_of(node.to_type.type, place), place)
                return self._operators.cast(node, self._value(node.expr, memory, path, frame), kind, path)
            case c_ast.UnaryOp() if node.op not in STEPS:
                return self._operators.unary(node, self._value(node.expr, memory, path, frame), path)
            case c_ast.BinaryOp() if node.op in ("&&", "||"):
                return self._short_circuit(node, memory, path, frame)
            case c_ast.BinaryOp():
                left, right = (self._value(side, memory, path, frame) for side in (node.left, node.right))
                return self._operators.binary(node, node.op, left, right, path)
            case c_ast.TernaryOp():
                return self._ternary(node, memory, path, frame)
            case _:
                raise Refusal(place, f"{type(node).__name__}: outside the subset")

    def _named_constant(self, name: str) -> Value:
        found = self._model.macro(name)
        assert found is not None
        return Value(found[1], self._dag.const(found[0]))

    def _identifier(self, node: c_ast.ID, memory: Memory, path: tuple[Node, ...]) -> Value:
        if node.name in memory.locals:
            kind, _, found = memory.locals[node.name]
            if found is None:
                self._operators.owe("value was given before it is read", node, self._dag.const(0), 1, 1, path)
                found = self._dag.const(0)
            return Value(kind, found)
        if node.name in self._tables and not self._tables[node.name][1]:
            kind, _, values = self._tables[node.name]
            return Value(kind, self._dag.const(values[0]))
        if self._model.macro(node.name) is not None:
            return self._named_constant(node.name)
        raise Refusal(place_of(node), f"{node.name} is no variable here")

    def _entry(self, node: c_ast.ArrayRef, memory: Memory, path: tuple[Node, ...], frame: Frame) -> Value:
        table = self._table(node.name.name, place_of(node), frame)
        kind, _, values = self._tables[table]
        index = self._value(node.subscript, memory, path, frame)
        self._operators.owe(f"index stays inside {table}", node.subscript, index.node, 0, len(values) - 1, path)
        return Value(kind, self._dag.entry(values, index.node))

    def _called(self, node: c_ast.FuncCall, memory: Memory, path: tuple[Node, ...], frame: Frame) -> Value:
        place = place_of(node)
        kind = self._model.constant_macro(node.name.name)
        if kind is not None:
            arguments = node.args.exprs if node.args else []
            if len(arguments) != 1 or not isinstance(arguments[0], c_ast.Constant) or not arguments[0].value.isdigit():
                raise Refusal(place, f"{node.name.name} takes one plain decimal constant")
            number, _ = self._model.constant(arguments[0].value, place)
            if number > kind.high:
                raise Refusal(place, f"{number} does not fit {node.name.name}")
            return Value(kind, self._dag.const(number))
        value = self._inline(node, memory, path, frame)
        if value is None:
            raise Refusal(place, f"{node.name.name} returns no value")
        return value

    def _short_circuit(self, node: c_ast.BinaryOp, memory: Memory, path: tuple[Node, ...], frame: Frame) -> Value:
        first = self._condition(node.left, memory, path, frame)
        reached = first if node.op == "&&" else self._dag.negation(first)
        second = self._guarded(node.right, memory, path, reached, frame)
        combine = self._dag.all_of if node.op == "&&" else self._dag.any_of
        whole = self._model.promote(self._model.exact(8, True))
        return Value(whole, self._dag.truth(combine((first, self._dag.holds(second.node)))))

    def _ternary(self, node: c_ast.TernaryOp, memory: Memory, path: tuple[Node, ...], frame: Frame) -> Value:
        condition = self._condition(node.cond, memory, path, frame)
        inverse = self._dag.negation(condition)
        left = self._guarded(node.iftrue, memory, path, condition, frame)
        right = self._guarded(node.iffalse, memory, path, inverse, frame)
        kind = self._model.common(left.kind, right.kind)
        left = self._in_branch(left, kind, path, condition, node.iftrue)
        right = self._in_branch(right, kind, path, inverse, node.iffalse)
        return Value(kind, self._dag.select(condition, left.node, right.node))

    def _guarded(self, node: c_ast.Node, memory: Memory, path: tuple[Node, ...], condition: Node, frame: Frame) -> Value:
        """A value that is computed only where ``condition`` holds."""
        self._operators.dead += condition.value == 0
        value = self._value(node, memory, (*path, condition), frame)
        self._operators.dead -= condition.value == 0
        return value

    def _in_branch(self, value: Value, kind: IntegerType, path: tuple[Node, ...], condition: Node, node: c_ast.Node) -> Value:
        self._operators.dead += condition.value == 0
        value = self._operators.convert(value, kind, (*path, condition), node, "operand")
        self._operators.dead -= condition.value == 0
        return value


def _returns(node: c_ast.Node) -> bool:
    return isinstance(node, c_ast.Return) or any(_returns(child) for _, child in node.children())


def box_obligations(
    what: str, members: Mapping[str, Node | None], boxes: Iterable[tuple[str, int, int]], stores: Mapping[str, str], dag: Dag
) -> list[Obligation]:
    """After a call every member must lie in its box, and must have been given a value."""
    result = []
    for name, low, high in boxes:
        node = members.get(name)
        place = stores.get(name, "the text")
        if node is None:
            result.append(Obligation(f"{what}: a value is given on every path", place, name, dag.const(0), 1, 1, ()))
        else:
            result.append(Obligation(what, place, name, node, low, high, ()))
    return result
