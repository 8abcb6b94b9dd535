"""Values of expressions for given values of their variables, and draws of such values at the edges.

Takes nodes and numbers, gives numbers.  Exact; decides nothing.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Mapping, Sequence

from codegen.proof.dag import Node, limit_of, parts, residue_bits, shift_count
from codegen.proof.refine import cone_of

Values = list[int]


class Evaluator:
    """Evaluates some nodes again and again."""

    def __init__(self, nodes: Iterable[Node]) -> None:
        self.cone = cone_of(nodes)
        self.place = {node.ident: place for place, node in enumerate(self.cone)}
        self._steps = [_step(node, [self.place[arg.ident] for arg in node.args]) for node in self.cone]
        self.variables = {_name(node): (node.low, node.high) for node in self.cone if node.kind == "var"}

    def run(self, assignment: Mapping[str, int]) -> Values:
        """The value of every node of the cone, in the cone's order."""
        values: Values = []
        for step in self._steps:
            values.append(step(values, assignment))
        return values


def _name(node: Node) -> str:
    assert isinstance(node.data, tuple)
    return str(node.data[0])


def _step(node: Node, args: Sequence[int]) -> Callable[[Values, Mapping[str, int]], int]:
    first = args[0] if args else 0
    match node.kind:
        case "const":
            constant = node.low
            return lambda values, _: constant
        case "var":
            name = _name(node)
            return lambda _, assignment: assignment[name]
        case "linear":
            terms, start = parts(node)
            pairs = [(weight, place) for (weight, _), place in zip(terms, args, strict=True)]
            return lambda values, _: start + sum(weight * values[place] for weight, place in pairs)
        case "product":
            return lambda values, _: values[first] * values[args[1]]
        case "shift":
            count = shift_count(node)
            return lambda values, _: values[first] >> count
        case "quotient":
            return lambda values, _: _quotient(values[first], values[args[1]])
        case "residue":
            mask = (1 << residue_bits(node)) - 1
            return lambda values, _: values[first] & mask
        case "least":
            upper = limit_of(node)
            return lambda values, _: min(values[first], upper)
        case "most":
            lower = limit_of(node)
            return lambda values, _: max(values[first], lower)
        case "select":
            return lambda values, _: values[args[1]] if values[first] else values[args[2]]
        case "entry":
            table = node.data
            assert isinstance(table, tuple)
            return lambda values, _: table[min(max(values[first], 0), len(table) - 1)]
        case "bits":
            operator = node.data
            return lambda values, _: _bits(str(operator), values[first], values[args[1]])
        case "truth":
            return lambda values, _: values[first]
        case "nonnegative":
            return lambda values, _: int(values[first] >= 0)
        case "zero":
            return lambda values, _: int(values[first] == 0)
        case "nonzero":
            return lambda values, _: int(values[first] != 0)
        case "all":
            return lambda values, _: int(all(values[place] for place in args))
        case "any":
            return lambda values, _: int(any(values[place] for place in args))
        case _:
            raise ValueError(f"no value for {node.kind}")


def _quotient(a: int, b: int) -> int:
    if b == 0:
        return 0
    size = abs(a) // abs(b)
    return size if (a < 0) == (b < 0) else -size


def _bits(operator: str, a: int, b: int) -> int:
    return a & b if operator == "&" else a | b if operator == "|" else a ^ b


def draw(variables: Mapping[str, tuple[int, int]], count: int, seed: int = 1) -> list[dict[str, int]]:
    """Assignments: ends, near ends, near zero, powers of two, and anything; the same for the same seed."""
    chance = random.Random(seed)
    corners = [
        {name: low for name, (low, _) in variables.items()},
        {name: high for name, (_, high) in variables.items()},
        {name: min(max(0, low), high) for name, (low, high) in variables.items()},
    ]
    result = corners[:count]
    while len(result) < count:
        bold = chance.random()
        result.append({name: _pick(chance, low, high, bold) for name, (low, high) in variables.items()})
    return result


def _pick(chance: random.Random, low: int, high: int, bold: float) -> int:
    kind = chance.random()
    if kind < 0.4 * bold:
        return chance.choice((low, high, min(low + 1, high), max(high - 1, low)))
    if kind < 0.55:
        size = 1 << chance.randrange(max(abs(low), abs(high)).bit_length() + 1)
        return min(max(chance.choice((-size - 1, -size, -1, 0, 1, size - 1, size, 2 * size)), low), high)
    return chance.randint(low, high)
