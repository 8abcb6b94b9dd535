"""Whether a mutant can differ from the original at all, for any reading and any memory inside the proven ranges.

Takes the original's text with its fixed graph and a mutant, gives a reason or nothing.  One tick of either text becomes a set of shared
nodes, under a 16-bit and under a 32-bit ``int``; where all outputs and all memory come out equal, the two never differ, tick after
tick, because both start in the same memory and stay in the proven ranges.  An operation of the mutant that could overflow is equal to
nothing.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from codegen.defects.planting import Mutant
from codegen.defects.reading import (
    Binary,
    Call,
    Cast,
    Expr,
    Index,
    Literal,
    Name,
    Paren,
    Program,
    Statement,
    Ternary,
    Unary,
    constant,
)
from codegen.defects.symbols import Nodes
from codegen.errors import CheckFailed
from codegen.host.shape import Shape, shape_of
from codegen.rules.fixed import FixedGraph

WIDTHS = {"int8_t": 8, "int16_t": 16, "int32_t": 32, "int64_t": 64, "uint8_t": 8, "uint16_t": 16, "uint32_t": 32, "uint64_t": 64}
RANKS = ("int16_t", "uint16_t", "int32_t", "uint32_t", "int64_t", "uint64_t")
COMPARISONS = ("<", ">", "<=", ">=", "==", "!=")


def type_ends(ctype: str) -> tuple[int, int]:
    """Least and greatest value of a C type."""
    if ctype == "bool":
        return 0, 1
    bits = WIDTHS[ctype]
    return (0, (1 << bits) - 1) if ctype.startswith("u") else (-(1 << (bits - 1)), (1 << (bits - 1)) - 1)


def one_liners(program: Program) -> dict[str, Expr]:
    """Helpers that only return an expression: they are read, not known by name."""
    bodies: dict[str, list[Statement]] = {}
    for statement in program.statements:
        bodies.setdefault(statement.function, []).append(statement)
    return {name: body[0].expr for name, body in bodies.items() if len(body) == 1 and body[0].kind == "return"}


class _Tick:
    """One tick of a text, executed on nodes."""

    def __init__(
        self, nodes: Nodes, program: Program, shape: Shape, fixed: FixedGraph, int_bits: int, like: dict[str, int] | None = None
    ) -> None:
        self.nodes, self.program, self.fixed, self.trusted = nodes, program, fixed, like is None
        self.like = like or {}
        self.locals: dict[str, int] = {}
        self.int_type = f"int{int_bits}_t"
        self.values: dict[str, int] = {}
        for number, port in enumerate((*shape.inputs, *shape.memory, *shape.gains)):
            struct = "inputs->" if number < len(shape.inputs) else "state->" if port not in shape.gains else "state->gains."
            self.values[f"{struct}{port.name}"] = nodes.variable(number, port.low, port.high)
        self.function = f"{program.name}_step"
        self.inlined = one_liners(program)

    def run(self) -> dict[str, int]:
        """Node of every output and every member after the tick."""
        self._execute(self.program.step, self.program.step[0].depth if self.program.step else 0)
        written = [s.target for s in self.program.step if s.kind == "store" and "->" in s.target]
        names = {*written, *(name for name in self.values if name.startswith("state->"))}
        return {name: self.values[name] for name in names if name in self.values}

    def _execute(self, statements: Sequence[Statement], depth: int) -> None:
        """Statements of one depth, and the branches between them."""
        at = 0
        while at < len(statements):
            statement = statements[at]
            at += 1
            if statement.kind != "if":
                self._do(statement)
                continue
            inside = at
            while at < len(statements) and statements[at].depth > depth:
                at += 1
            self._branch(statement, statements[inside:at], depth)

    def _branch(self, statement: Statement, inside: Sequence[Statement], depth: int) -> None:
        """Both sides of a condition, each from the memory before it; what both give a value is one of the two."""
        condition = self.truth(self.expression(statement.expr)[1])
        first, second = self.program.sides(statement)
        before = dict(self.values)
        after: list[dict[str, int]] = []
        for begin, end in (first, second):
            self.values = dict(before)
            for counter in re.findall(r"([\w>.-]+)\+\+;", self.program.plain[begin:end]):
                self.values[counter] = self.nodes.add((1, self.values[counter]), (1, self.nodes.number(1)))
            self._execute([s for s in inside if begin <= s.start < end], depth + 1)
            after.append(self.values)
        self.values = dict(before)
        for name in sorted(after[0].keys() & after[1].keys()):
            value = self.nodes.choose(condition, after[0][name], after[1][name])
            self.values[name] = value if name in before else self._local(name, value)

    def _local(self, name: str, value: int) -> int:
        """A variable of the step: the original's node stands for both where they are equal, so that what follows is the same as well."""
        known = self.like.get(name, value)
        value = known if self.nodes.equal(known, value) else value
        self.locals[name] = value
        return value

    def _do(self, statement: Statement) -> None:
        value = self.expression(statement.expr)[1]
        target = statement.ctype or self.program.type_of(statement.target)
        value = self.truth(value) if target == "bool" else self.converted(value, target)
        node = self.fixed.graph.nodes.get(statement.target) if statement.kind == "declare" else None
        if self.trusted and node is not None and not node.is_bool:
            proven = self.fixed.formats[node.name]
            self.nodes.narrow(value, proven.low, proven.high)
        self.values[statement.target] = self._local(statement.target, value) if statement.kind == "declare" else value

    def converted(self, value: int, ctype: str) -> int:
        return self.nodes.convert(value, *type_ends(ctype))

    def truth(self, value: int) -> int:
        if self.nodes.fits(value, 0, 1):
            return value
        return self.nodes.invert(self.zero(value))

    def zero(self, value: int) -> int:
        if self.nodes.low[value] > 0 or self.nodes.high[value] < 0:
            return self.nodes.number(0)
        opposite = self.nodes.add((-1, value))
        return self.nodes.other("zero", (), (min(value, opposite),), 0, 1)

    def promoted(self, ctype: str) -> str:
        if ctype in ("bool", "int8_t", "uint8_t", "int", "int16_t") or (ctype == "uint16_t" and self.int_type == "int32_t"):
            return self.int_type
        return ctype

    def result(self, ctype: str, value: int) -> int:
        """An arithmetic result in its type: unsigned wraps, signed must fit (the original's is taken to)."""
        ends = type_ends(ctype)
        if ctype.startswith("u"):
            return self.nodes.convert(value, *ends)
        if self.nodes.fits(value, *ends):
            return value
        if self.trusted:
            self.nodes.narrow(value, *ends)
            return value
        return self.nodes.unknown(*ends)

    def expression(self, expr: Expr) -> tuple[str, int]:
        """(promoted type, node)."""
        nodes = self.nodes
        match expr:
            case Paren(inner=inner):
                return self.expression(inner)
            case Literal(value=value, bits=bits, unsigned=unsigned):
                size = bits or (int(self.int_type[3:5]) if value < 1 << 15 or self.int_type == "int32_t" else 32)
                return self.promoted(f"{'u' if unsigned else ''}int{max(size, 16)}_t"), nodes.number(value)
            case Name(text="true" | "false" as text):
                return self.int_type, nodes.number(int(text == "true"))
            case Name(text=name):
                if name not in self.values:
                    raise CheckFailed(f"{name} is read before it is written", f"line {self.program.line_of(expr)}")
                return self.promoted(self.program.type_of(name, self.function)), self.values[name]
            case Cast(ctype=ctype, operand=operand):
                wide = self.int_type if ctype == "int" else ctype
                value = self.expression(operand)[1]
                return self.promoted(wide), self.truth(value) if wide == "bool" else self.converted(value, wide)
            case Call(name=name, arguments=arguments):
                return self.call(name, arguments)
            case Unary(sign="!", operand=operand):
                return self.int_type, nodes.invert(self.truth(self.expression(operand)[1]))
            case Unary(sign="-", operand=operand):
                ctype, value = self.expression(operand)
                return ctype, self.result(ctype, nodes.add((-1, value)))
            case Ternary(condition=condition, if_true=if_true, if_false=if_false):
                (left, first), (right, second) = self.expression(if_true), self.expression(if_false)
                ctype = self.common(left, right)
                holds = self.truth(self.expression(condition)[1])
                return ctype, nodes.choose(holds, self.converted(first, ctype), self.converted(second, ctype))
            case Binary(sign=sign, left=left_part, right=right_part):
                return self.binary(sign, left_part, right_part)
            case Index():
                return "int32_t", nodes.unknown(*type_ends("int32_t"))
        raise TypeError(f"no rule for {type(expr).__name__}")

    def common(self, left: str, right: str) -> str:
        return RANKS[max(RANKS.index(left), RANKS.index(right))]

    def binary(self, sign: str, left: Expr, right: Expr) -> tuple[str, int]:
        nodes = self.nodes
        (first, a), (second, b) = self.expression(left), self.expression(right)
        if sign in ("&&", "||") or (sign in ("&", "|") and nodes.fits(a, 0, 1) and nodes.fits(b, 0, 1)):
            return self.int_type, self._combined(sign[0], a, b)
        if sign in ("<<", ">>"):
            count = nodes.low[b]
            if count != nodes.high[b] or not 0 <= count < WIDTHS[first]:
                return first, nodes.unknown(*type_ends(first))
            return first, nodes.shift_down(a, count) if sign == ">>" else self.result(first, nodes.add((1 << count, a)))
        ctype = self.common(first, second)
        a, b = self.converted(a, ctype), self.converted(b, ctype)
        if sign in COMPARISONS:
            return self.int_type, self.compare(sign, a, b)
        if sign == "/":
            divisor = nodes.low[b] if nodes.low[b] == nodes.high[b] else None
            return ctype, nodes.divide(a, divisor) if divisor is not None and divisor > 0 else nodes.unknown(*type_ends(ctype))
        if sign in ("+", "-"):
            return ctype, self.result(ctype, nodes.add((1, a), (1 if sign == "+" else -1, b)))
        if sign == "*":
            return ctype, self.result(ctype, nodes.multiply(a, b))
        mask = nodes.low[b]
        if sign == "&" and mask == nodes.high[b] and mask > 0 and mask & (mask + 1) == 0:
            return ctype, nodes.convert(a, 0, mask)
        return ctype, nodes.unknown(*type_ends(ctype))

    def _combined(self, sign: str, a: int, b: int) -> int:
        """Both (&) or any (|) of two truth values."""
        nodes = self.nodes
        pair = sorted((self.truth(a), self.truth(b)))
        fixed = [nodes.low[part] for part in pair if nodes.low[part] == nodes.high[part]]
        if int(sign == "|") in fixed:
            return nodes.number(int(sign == "|"))
        free = [part for part in pair if nodes.low[part] != nodes.high[part]]
        if len(free) < 2:
            return free[0] if free else nodes.number(int(sign == "&"))
        return nodes.other("and" if sign == "&" else "or", (), (pair[0], pair[1]), 0, 1)

    def compare(self, sign: str, a: int, b: int) -> int:
        nodes = self.nodes
        apart = nodes.add((1, a), (-1, b))
        if sign in ("==", "!="):
            return self.zero(apart) if sign == "==" else nodes.invert(self.zero(apart))
        if sign in ("<", "<="):
            apart = nodes.add((-1, apart))
        return nodes.positive(apart if sign in ("<", ">") else nodes.add((1, apart), (1, nodes.number(1))))

    def call(self, name: str, arguments: tuple[Expr, ...]) -> tuple[str, int]:
        nodes = self.nodes
        returned = self.program.returns.get(name, "int32_t")
        parameters = list(self.program.parameters.get(name, {}).values())
        if name.startswith("clamp_"):
            low, high = constant(arguments[1]), constant(arguments[2])
            value = self.converted(self.expression(arguments[0])[1], returned)
            return returned, nodes.clamp(value, low, high) if low is not None and high is not None else nodes.unknown(*type_ends(returned))
        if name.startswith(("saturate_", "round_shift_upper_")) and (count := constant(arguments[1])) is not None and 2 <= count <= 31:
            value = self.converted(self.expression(arguments[0])[1], "int32_t")
            if name.startswith("saturate_"):
                return returned, nodes.clamp(value, -(1 << (count - 1)), (1 << (count - 1)) - 1)
            rounded = nodes.shift_down(self.result("int32_t", nodes.add((1, value), (1, nodes.number(1 << (count - 1))))), count)
            return self.promoted(returned), self.converted(rounded, returned)
        if name in self.inlined:
            types = [self.int_type if ctype == "int" else ctype for ctype in parameters]
            given = [self.converted(self.expression(a)[1], ctype) for a, ctype in zip(arguments, types, strict=True)]
            outer, self.function = (self.values, self.function), name
            self.values = dict(zip(self.program.parameters[name], given, strict=True))
            value = self.converted(self.expression(self.inlined[name])[1], returned)
            self.values, self.function = outer
            return returned, value
        if name.startswith("wrapped_difference_") and (bits := constant(arguments[2])) is not None:
            newer, older = (self.converted(self.expression(argument)[1], "uint32_t") for argument in arguments[:2])
            half = 1 << (bits - 1)
            return returned, nodes.convert(nodes.add((1, newer), (-1, older)), -half, half - 1)
        parts, numbers = [], []
        for argument, ctype in zip(arguments, parameters or ["int32_t"] * len(arguments), strict=False):
            if isinstance(argument, Name) and argument.text not in self.values:
                numbers.append(sum(ord(letter) << (8 * place) for place, letter in enumerate(argument.text)))
                continue
            parts.append(self.converted(self.expression(argument)[1], self.int_type if ctype == "int" else ctype))
        return returned, nodes.other(name, tuple(numbers), tuple(parts), *type_ends(returned))


class Equivalence:
    """Shows mutants equal to the original where it can.

    Args:
        original: The unchanged controller.
        fixed: Its integers, whose proven ranges are used.
    """

    def __init__(self, original: Mutant, fixed: FixedGraph) -> None:
        self.original, self.fixed = original, fixed
        self.program = Program(original.source, original.header)
        self.shape = shape_of(self.program.name, fixed)
        self.models: dict[int, tuple[Nodes, dict[str, int], dict[str, int]]] = {}
        for int_bits in (16, 32):
            nodes = Nodes()
            tick = _Tick(nodes, self.program, self.shape, fixed, int_bits)
            self.models[int_bits] = nodes, tick.run(), tick.locals

    def reason(self, mutant: Mutant) -> str:
        """Why the mutant is the same controller, or "" where that is not shown."""
        program = Program(mutant.source, mutant.header)
        if program.members.keys() != self.program.members.keys() or not self._same_outside_step(program):
            return ""
        for port in (*self.shape.memory, *self.shape.gains):
            ctype = program.type_of(f"state->{port.name}") or program.type_of(f"state->gains.{port.name}")
            if not ctype:
                return ""
            low, high = type_ends(ctype)
            if not low <= port.low <= port.high <= high:
                return ""
        for int_bits, (nodes, right, usual) in self.models.items():
            try:
                got = _Tick(nodes, program, self.shape, self.fixed, int_bits, usual).run()
            except CheckFailed:
                return ""
            if got.keys() != right.keys() or not all(nodes.equal(right[name], got[name]) for name in right):
                return ""
        return "equal in every output and in all memory for every value inside the proven ranges"

    def _same_outside_step(self, program: Program) -> bool:
        """Helpers of several statements, initialisation and the setting of gains are word for word the same."""

        def outside(text: Program) -> list[tuple[str, str, str]]:
            read = {f"{text.name}_step", *one_liners(text)}
            return [(s.function, s.target, text.text(s.expr)) for s in text.statements if s.function not in read]

        return outside(program) == outside(self.program)
