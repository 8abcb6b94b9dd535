"""What C's operators do and ask for: promotion, conversions, overflow, shifts, division, each with its obligation.

Takes values with their C types, gives values with their C types; what must hold for them is kept in order as ``Obligation``s.  Knows no
statements and no names.  Source: ISO/IEC 9899:1999, 6.3 and 6.5 (clauses in the tests).
"""

from __future__ import annotations

from dataclasses import dataclass

from pycparser import c_ast

from codegen.proof.dag import Dag, Node
from codegen.proof.front import place_of, text_of
from codegen.proof.models import DataModel, IntegerType
from codegen.proof.refusal import Refusal

Path = tuple[Node, ...]


@dataclass(frozen=True)
class Obligation:
    """``node`` must lie in [low, high] wherever all conditions of ``path`` hold.

    Attributes:
        kind: Which rule of C or of the contract asks for it.
        place: File and line.
        text: The expression.
        node: Its value.
        low: Least allowed value.
        high: Greatest allowed value.
        path: Conditions under which it is computed.
    """

    kind: str
    place: str
    text: str
    node: Node
    low: int
    high: int
    path: tuple[Node, ...]


@dataclass(frozen=True)
class Value:
    """A value with its C type."""

    kind: IntegerType
    node: Node


class Operators:
    """Operators under one data model.

    Attributes:
        obligations: Everything asked so far, in the order of evaluation.
        dead: More than 0 while an expression is looked at that is never computed.
    """

    def __init__(self, model: DataModel, dag: Dag) -> None:
        self._model = model
        self._dag = dag
        self.obligations: list[Obligation] = []
        self.dead = 0

    def owe(self, kind: str, node: c_ast.Node, value: Node, low: int, high: int, path: Path) -> None:
        """Note an obligation, unless nothing is computed here."""
        if not self.dead:
            self.obligations.append(Obligation(kind, place_of(node), text_of(node), value, low, high, path))

    def convert(self, value: Value, kind: IntegerType, path: Path, node: c_ast.Node, what: str) -> Value:
        """An unwritten conversion: it must keep the value."""
        if kind.is_bool:
            return Value(kind, self._dag.truth(self._dag.holds(value.node)))
        if not (kind.low <= value.kind.low and value.kind.high <= kind.high):
            self.owe(f"{what} keeps its value in {kind.name}", node, value.node, kind.low, kind.high, path)
        return Value(kind, value.node)

    def cast(self, node: c_ast.Node, value: Value, kind: IntegerType, path: Path) -> Value:
        """A written conversion: to an unsigned type modulo 2**n, to a signed one it must keep the value."""
        if kind.is_bool:
            return Value(kind, self._dag.truth(self._dag.holds(value.node)))
        if not kind.signed:
            return Value(kind, self._dag.residue(value.node, kind.bits))
        return self.convert(value, kind, path, node, "cast")

    def _fitting(self, what: str, node: c_ast.Node, value: Node, kind: IntegerType, path: Path) -> Value:
        """The result of an operation: in its type if signed, modulo 2**n if unsigned."""
        if not kind.signed:
            return Value(kind, self._dag.residue(value, kind.bits))
        self.owe(f"{what} fits {kind.name}", node, value, kind.low, kind.high, path)
        return Value(kind, value)

    def unary(self, node: c_ast.UnaryOp, value: Value, path: Path) -> Value:
        """One of + - ~ !."""
        if node.op == "!":
            whole = self._model.promote(self._model.exact(8, True))
            return Value(whole, self._dag.truth(self._dag.zero(value.node)))
        kind = self._model.promote(value.kind)
        match node.op:
            case "+":
                return Value(kind, value.node)
            case "-":
                return self._fitting("negation", node, self._dag.linear(((-1, value.node),)), kind, path)
            case _:
                inverse = self._dag.linear(((-1, value.node),), -1)
                return Value(kind, inverse if kind.signed else self._dag.residue(inverse, kind.bits))

    def binary(self, node: c_ast.Node, operator: str, left: Value, right: Value, path: Path) -> Value:
        """A binary operator other than && and ||."""
        if operator in ("<<", ">>"):
            return self._shift(node, operator, left, right, path)
        if operator in ("+", "-", "*", "/", "%", "&", "|", "^"):
            return self.arithmetic(node, operator, left, right, path)
        kind = self._model.common(left.kind, right.kind)
        a = self.convert(left, kind, path, node, "comparison").node
        b = self.convert(right, kind, path, node, "comparison").node
        dag = self._dag
        match operator:
            case "<":
                condition = dag.negation(dag.nonnegative(dag.subtract(a, b)))
            case "<=":
                condition = dag.nonnegative(dag.subtract(b, a))
            case ">":
                condition = dag.negation(dag.nonnegative(dag.subtract(b, a)))
            case ">=":
                condition = dag.nonnegative(dag.subtract(a, b))
            case "==":
                condition = dag.zero(dag.subtract(a, b))
            case "!=":
                condition = dag.negation(dag.zero(dag.subtract(a, b)))
            case _:
                raise Refusal(place_of(node), f"operator {operator}: outside the subset")
        return Value(self._model.promote(self._model.exact(8, True)), dag.truth(condition))

    def arithmetic(self, node: c_ast.Node, operator: str, left: Value, right: Value, path: Path) -> Value:
        """One of + - * / % & | ^, after the usual arithmetic conversions."""
        kind = self._model.common(left.kind, right.kind)
        a = self.convert(left, kind, path, node, "operand").node
        b = self.convert(right, kind, path, node, "operand").node
        dag = self._dag
        match operator:
            case "+":
                return self._fitting("sum", node, dag.add(a, b), kind, path)
            case "-":
                return self._fitting("difference", node, dag.subtract(a, b), kind, path)
            case "*":
                return self._fitting("product", node, dag.product(a, b), kind, path)
            case "/" | "%":
                self.owe("divisor is not zero", node, dag.truth(dag.holds(b)), 1, 1, path)
                quotient = self._fitting("quotient", node, dag.quotient(a, b), kind, path)
                if operator == "/":
                    return quotient
                return Value(kind, dag.subtract(a, dag.product(b, quotient.node)))
            case _:
                if kind.signed:
                    for side in (a, b):
                        self.owe("bitwise operand is not negative", node, side, 0, kind.high, path)
                return Value(kind, dag.bits(operator, a, b))

    def _shift(self, node: c_ast.Node, operator: str, left: Value, right: Value, path: Path) -> Value:
        kind, dag = self._model.promote(left.kind), self._dag
        self.owe("shift count is below the width", node, right.node, 0, kind.bits - 1, path)
        if operator == "<<" and kind.signed:
            self.owe("number shifted left is not negative", node, left.node, 0, kind.high, path)
        first, last = max(right.node.low, 0), min(right.node.high, kind.bits - 1)
        if first > last:
            return Value(kind, dag.const(0))
        shifted = self._shifted(operator, left.node, last)
        for count in range(last - 1, first - 1, -1):
            test = dag.zero(dag.shifted(right.node, -count))
            shifted = dag.select(test, self._shifted(operator, left.node, count), shifted)
        return Value(kind, shifted) if operator == ">>" else self._fitting("left shift", node, shifted, kind, path)

    def _shifted(self, operator: str, node: Node, count: int) -> Node:
        return self._dag.shift(node, count) if operator == ">>" else self._dag.linear(((1 << count, node),))
