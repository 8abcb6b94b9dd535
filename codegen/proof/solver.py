"""Questions about expressions put to an SMT solver in integer theory, with a limit on its steps and none on its time.

Takes nodes, gives "proved", an assignment, or nothing.  Products of two unknowns, divisions by unknowns and bitwise operations are
unknown integers within their proved ranges for the solver, so that it may fail to prove, never prove too much; an assignment
counts only after it was evaluated exactly.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import z3

from codegen.proof.dag import Node, limit_of, parts, residue_bits, shift_count
from codegen.proof.refine import cone_of

STEPS = 400_000
LONGEST_TABLE = 64


@dataclass(frozen=True)
class Answer:
    """What the solver said: proved (no assignment exists), or an assignment of the variables, or neither."""

    proved: bool
    assignment: Mapping[str, int] | None


class _Encoding:
    """Nodes as terms of the solver; ``cut`` nodes are free within their ranges."""

    def __init__(self, nodes: Iterable[Node], cut: Iterable[Node], *, exact_products: bool) -> None:
        self.context = z3.Context()
        self.solver = z3.SolverFor("QF_LIA" if not exact_products else "QF_NIA", ctx=self.context)
        self.variables: dict[str, z3.ArithRef] = {}
        self._terms: dict[int, z3.ExprRef] = {}
        self._exact = exact_products
        free = {node.ident for node in cut}
        wanted = _cone_until(nodes, free)
        for node in wanted:
            self._terms[node.ident] = self._unknown(node) if node.ident in free else self._term(node)

    def number(self, node: Node) -> z3.ArithRef:
        """A node as a number."""
        term = self._terms[node.ident]
        return z3.If(term, self._value(1), self._value(0)) if isinstance(term, z3.BoolRef) else term

    def condition(self, node: Node) -> z3.BoolRef:
        """A node as a condition."""
        term = self._terms[node.ident]
        return term if isinstance(term, z3.BoolRef) else term != self._value(0)

    def _value(self, number: int) -> z3.ArithRef:
        return z3.IntVal(number, ctx=self.context)

    def _unknown(self, node: Node) -> z3.ArithRef:
        term = z3.Int(f"n{node.ident}", ctx=self.context)
        self.solver.add(term >= self._value(node.low), term <= self._value(node.high))
        return term

    def _whole(self, number: z3.ArithRef, count: int, node: Node) -> z3.ArithRef:
        """Floor of number / 2**count as an unknown with its definition."""
        term = z3.Int(f"q{node.ident}", ctx=self.context)
        scaled = term * self._value(1 << count)
        self.solver.add(scaled <= number, number < scaled + self._value(1 << count))
        return term

    def _towards_zero(self, number: z3.ArithRef, divisor: int, node: Node) -> z3.ArithRef:
        """The quotient towards zero as an unknown with its definition."""
        term, size, zero = z3.Int(f"q{node.ident}", ctx=self.context), self._value(divisor), self._value(0)
        rest = number - term * size
        above, below = z3.And(rest >= zero, rest < size), z3.And(rest <= zero, -rest < size)
        self.solver.add(z3.If(number >= zero, above, below))
        return term

    def _term(self, node: Node) -> z3.ExprRef:
        args = node.args
        match node.kind:
            case "const":
                return self._value(node.low)
            case "var":
                assert isinstance(node.data, tuple)
                term = self._unknown(node)
                self.variables[str(node.data[0])] = term
                return term
            case "linear":
                terms, constant = parts(node)
                return z3.Sum([self._value(constant), *(self._value(w) * self.number(atom) for w, atom in terms)])
            case "product" if self._exact:
                return self.number(args[0]) * self.number(args[1])
            case "shift":
                return self._whole(self.number(args[0]), shift_count(node), node)
            case "quotient" if (divisor := args[1].value) is not None and divisor > 0:
                return self._towards_zero(self.number(args[0]), divisor, node)
            case "residue":
                number, count = self.number(args[0]), residue_bits(node)
                return number - self._whole(number, count, node) * self._value(1 << count)
            case "least" | "most":
                number, limit = self.number(args[0]), self._value(limit_of(node))
                below = number <= limit
                return z3.If(below, number, limit) if node.kind == "least" else z3.If(below, limit, number)
            case "select":
                return z3.If(self.condition(args[0]), self.number(args[1]), self.number(args[2]))
            case "entry" if isinstance(node.data, tuple) and len(node.data) <= LONGEST_TABLE:
                index, term = self.number(args[0]), self._value(node.data[-1])
                for place in range(len(node.data) - 2, -1, -1):
                    term = z3.If(index <= self._value(place), self._value(node.data[place]), term)
                return term
            case "truth":
                return self.condition(args[0])
            case "nonnegative":
                return self.number(args[0]) >= self._value(0)
            case "zero":
                return self.number(args[0]) == self._value(0)
            case "nonzero":
                return self.number(args[0]) != self._value(0)
            case "all":
                return z3.And([self.condition(arg) for arg in args])
            case "any":
                return z3.Or([self.condition(arg) for arg in args])
            case _:
                return self._unknown(node)


def _cone_until(nodes: Iterable[Node], free: set[int]) -> list[Node]:
    seen: dict[int, Node] = {}
    stack = list(nodes)
    while stack:
        node = stack.pop()
        if node.ident not in seen:
            seen[node.ident] = node
            if node.ident not in free:
                stack.extend(node.args)
    return [seen[ident] for ident in sorted(seen)]


def differ(left: Node, right: Node, cut: Iterable[Node] = (), steps: int = STEPS) -> Answer:
    """Ask for an assignment under which two nodes differ."""
    encoding = _Encoding([left, right], cut, exact_products=False)
    encoding.solver.add(encoding.number(left) != encoding.number(right))
    return _ask(encoding, steps)


def escape(node: Node, low: int, high: int, path: Iterable[Node], steps: int = STEPS) -> Answer:
    """Ask for an assignment under which all conditions of ``path`` hold and ``node`` leaves [low, high]."""
    conditions = list(path)
    products = any(one.kind == "product" for one in cone_of([node, *conditions]))
    encoding = _Encoding([node, *conditions], (), exact_products=products)
    for condition in conditions:
        encoding.solver.add(encoding.condition(condition))
    number = encoding.number(node)
    context = encoding.context
    encoding.solver.add(z3.Or(number < z3.IntVal(low, ctx=context), number > z3.IntVal(high, ctx=context)))
    return _ask(encoding, steps)


def _ask(encoding: _Encoding, steps: int) -> Answer:
    encoding.solver.set("rlimit", steps)
    verdict = encoding.solver.check()
    if verdict == z3.unsat:
        return Answer(True, None)
    if verdict != z3.sat:
        return Answer(False, None)
    model = encoding.solver.model()
    found = {}
    for name, term in encoding.variables.items():
        value = model.eval(term, model_completion=True)
        assert isinstance(value, z3.IntNumRef)
        found[name] = value.as_long()
    return Answer(False, found)


def common_cut(left: Node, right: Node) -> list[Node]:
    """Nodes that both are made of."""
    shared = {node.ident for node in cone_of([left])} & {node.ident for node in cone_of([right])}
    return [node for node in cone_of([left]) if node.ident in shared and node.kind != "const"]
