"""Which signals of a controller are odd: f(-x) = -f(x) within the roundings' counts, by a rule per kind of node.

Takes a fixed graph, gives a ``Parity`` per signal and the sign with which each member of the memory has to be mirrored.  Numbers that
come in are turned round, truth values and live gains stay.  A sum with a bias is not odd, nor is a one-sided decision, nor what a
decision of either kind selects.  Half up rounds v and -v to numbers whose sum is 0 or 1, hence one count per rounding; a clamp between
-h and h adds nothing, because it does not expand distances, one between other limits adds their sum.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from codegen.graph import (
    Clamp,
    Compare,
    Constant,
    Delay,
    Input,
    Logic,
    Node,
    Parameter,
    Product,
    Relation,
    Select,
    Shorten,
    SumOver,
    WeightedSum,
)
from codegen.rules.fixed import ClampDetail, FixedGraph, ProductDetail, ShortenDetail, SumDetail
from codegen.rules.integer import raw_value


@dataclass(frozen=True)
class Parity:
    """What mirrored inputs and memory do to a signal.

    Attributes:
        odd: Largest |f(x) + f(-x)| in counts, None if the signal is not odd.
        even: Whether f(x) = f(-x) exactly.
    """

    odd: int | None
    even: bool


NEITHER = Parity(None, False)


def _rounded(asymmetry: int, shift: int) -> int:
    return asymmetry if shift == 0 else (asymmetry >> shift) + 1


def _held(asymmetry: int, low: int | None, high: int | None) -> int:
    return asymmetry if low is None or high is None else asymmetry + abs(low + high)


def _node_parity(fixed: FixedGraph, node: Node, of: Mapping[str, Parity]) -> Parity:
    """Parity of a node that computes something, from those of its operands."""
    operands = [of[name] for name in node.operands()]
    even = all(operand.even for operand in operands)
    odds = [operand.odd for operand in operands]
    known = [odd for odd in odds if odd is not None]
    all_odd = len(known) == len(odds)
    detail = fixed.details[node.name]
    match node:
        case WeightedSum() if isinstance(detail, SumDetail):
            if not all_odd or detail.bias:
                return Parity(None, even)
            asymmetry = sum(abs(weight) * odd for weight, odd in zip(detail.weights, known, strict=True))
            return Parity(_held(_rounded(asymmetry, detail.shift), detail.low, detail.high), even)
        case Clamp() if isinstance(detail, ClampDetail):
            return Parity(_held(known[0], detail.low, detail.high) if all_odd else None, even)
        case Shorten() if isinstance(detail, ShortenDetail):
            return Parity(_rounded(known[0], detail.shift) if all_odd else None, even)
        case Product() if isinstance(detail, ProductDetail):
            left, right = operands
            if left.odd == 0 and right.odd == 0:
                return Parity(None, True)
            for one, other, name in ((left, right, node.right), (right, left, node.left)):
                if one.odd is not None and other.even:
                    proven = fixed.formats[name]
                    asymmetry = one.odd * max(abs(proven.low), abs(proven.high))
                    return Parity(_held(_rounded(asymmetry, detail.shift), detail.low, detail.high), even)
            return Parity(None, even)
        case Select():
            condition, if_true, if_false = operands
            if not condition.even:
                return NEITHER
            odd = max(if_true.odd, if_false.odd) if if_true.odd is not None and if_false.odd is not None else None
            return Parity(odd, if_true.even and if_false.even)
        case Compare():
            exact = all(odd == 0 for odd in odds)
            return Parity(None, even or (exact and node.relation is Relation.NOT_EQUAL and node.threshold == 0.0))
        case Logic():
            return Parity(None, even)
        case SumOver():
            low, high = fixed.partial_sum_range(node)
            return Parity(_held(known[0], low, high) if all_odd else None, even)
        case _:
            return Parity(None, even)


def find_parities(fixed: FixedGraph) -> tuple[dict[str, Parity], dict[str, int]]:
    """(parity of what every member of the memory and every output holds after a tick, sign of every member when mirrored)."""
    graph = fixed.graph
    members = [*graph.delays, *graph.sums]
    signs = {node.name: 1 if node.is_bool else -1 for node in members}
    while True:
        after = _one_tick(fixed, signs)
        turned = [name for name, sign in signs.items() if sign < 0 and after[name].odd is None and after[name].even]
        if not turned:
            return after, signs
        signs |= dict.fromkeys(turned, 1)


def _one_tick(fixed: FixedGraph, signs: Mapping[str, int]) -> dict[str, Parity]:
    graph = fixed.graph
    of: dict[str, Parity] = {}
    for name, node in graph.nodes.items():
        if isinstance(node, Input):
            of[name] = Parity(None, True) if node.is_bool else Parity(0, False)
        elif isinstance(node, Parameter):
            of[name] = Parity(None, True)
        elif isinstance(node, Constant):
            of[name] = Parity(0 if not node.is_bool and raw_value(fixed, name) == 0 else None, True)
        elif isinstance(node, Delay):
            of[name] = Parity(0, False) if signs[name] < 0 else Parity(None, True)
    for node in (*graph.before, *graph.slow):
        parity = _node_parity(fixed, node, of)
        if isinstance(node, SumOver) and (parity.odd is None if signs[node.name] < 0 else not parity.even):
            parity = NEITHER
        of[node.name] = parity
    slow = {delay.name: _either(of[delay.name], of[delay.source]) for delay in graph.delays if delay.slow}
    of |= slow
    for node in graph.after:
        of[node.name] = _node_parity(fixed, node, of)
    result = {delay.name: slow[delay.name] if delay.slow else of[delay.source] for delay in graph.delays}
    result |= {node.name: of[node.name] for node in graph.sums}
    result |= {f"output {output.name}": of[output.signal] for output in graph.outputs}
    return result


def _either(one: Parity, other: Parity) -> Parity:
    """A value that is one or the other, decided alike on both sides."""
    odd = max(one.odd, other.odd) if one.odd is not None and other.odd is not None else None
    return Parity(odd, one.even and other.even)
