"""Float64 meaning of every node kind: the reference by which all else is judged.

Plain Python floats and bools, one short function per kind.  Takes a graph, gives a ``Reading``.
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Mapping

from codegen.graph import (
    Clamp,
    Compare,
    Constant,
    Graph,
    Input,
    Logic,
    Node,
    Product,
    Relation,
    Select,
    Shorten,
    Table,
    WeightedSum,
    WrappedDifference,
)
from codegen.rules.walk import WALKED, Evaluate, Reading, Values, total

COMPARISONS: Mapping[Relation, Callable[[float, float], bool]] = {
    Relation.GREATER: operator.gt,
    Relation.GREATER_OR_EQUAL: operator.ge,
    Relation.NOT_EQUAL: operator.ne,
}


def _limit(value: float, low: float | None, high: float | None) -> float:
    if low is not None and value < low:
        return low
    if high is not None and value > high:
        return high
    return value


def _sum(terms: list[tuple[float, str]], values: Values) -> float:
    """Plain left-to-right sum (the built-in one compensates from Python 3.12 on, the arrays do not)."""
    total_so_far = 0.0
    for weight, name in terms:
        total_so_far += weight * values[name]
    return total_so_far


def _weighted_sum(node: WeightedSum, graph: Graph) -> Evaluate:
    terms = [(term.weight, term.name) for term in node.terms]

    def evaluate(values: Values) -> float:
        return _limit(node.bias + _sum(terms, values), node.low, node.high)

    return evaluate


def _clamp(node: Clamp, graph: Graph) -> Evaluate:
    return lambda values: _limit(values[node.operand], node.low, node.high)


def _product(node: Product, graph: Graph) -> Evaluate:
    return lambda values: _limit(node.scale * values[node.left] * values[node.right], node.low, node.high)


def _select(node: Select, graph: Graph) -> Evaluate:
    return lambda values: values[node.if_true] if values[node.condition] else values[node.if_false]


def _compare(node: Compare, graph: Graph) -> Evaluate:
    holds = COMPARISONS[node.relation]
    terms = [(term.weight, term.name) for term in node.terms]
    return lambda values: holds(_sum(terms, values), node.threshold)


def _logic(node: Logic, graph: Graph) -> Evaluate:
    pairs = list(zip(node.arguments, node.inverted, strict=True))
    combine = any if node.any_of else all
    return lambda values: combine(bool(values[name]) != inverted for name, inverted in pairs)


def _table(node: Table, graph: Graph) -> Evaluate:
    last = len(node.values) - 1

    def evaluate(values: Values) -> float:
        position = _limit((values[node.operand] - node.start) / node.step, 0.0, float(last))
        index = min(int(position), last - 1)
        left, right = node.values[index], node.values[index + 1]
        share: float = position - index
        return left + (right - left) * share

    return evaluate


def _wrapped_difference(node: WrappedDifference, graph: Graph) -> Evaluate:
    counter = graph.nodes[node.newer]
    per_count = counter.per_count if isinstance(counter, Input) else 1.0
    half, whole = 2.0 ** (node.bits - 1), 2.0**node.bits

    def evaluate(values: Values) -> float:
        counts = round((values[node.newer] - values[node.older]) / per_count)
        folded: float = (counts + half) % whole - half
        return folded * per_count

    return evaluate


def _shorten(node: Shorten, graph: Graph) -> Evaluate:
    return lambda values: values[node.operand]


RULES = total(
    {
        WeightedSum: _weighted_sum,
        Clamp: _clamp,
        Product: _product,
        Select: _select,
        Compare: _compare,
        Logic: _logic,
        Table: _table,
        WrappedDifference: _wrapped_difference,
        Shorten: _shorten,
    },
    "float64",
    WALKED,
)


def read_real(graph: Graph) -> Reading:
    """The float64 reference of ``graph``: inputs, memory and signals in real units, truth values as bool."""
    evaluators = {node.name: RULES[type(node)](node, graph) for node in computing_nodes(graph)}
    return Reading(
        graph,
        evaluators,
        {node.name: node.value for node in graph.nodes.values() if isinstance(node, Constant)},
        {delay.name: bool(delay.initial) if delay.is_bool else delay.initial for delay in graph.delays},
        {parameter.name: parameter.value for parameter in graph.parameters},
        0.0,
    )


def computing_nodes(graph: Graph) -> list[Node]:
    """Nodes that a rule computes (all but those the walk handles)."""
    return [node for part in (graph.before, graph.slow, graph.after) for node in part if type(node) not in WALKED]


def real_inputs(graph: Graph, counts: Mapping[str, int]) -> Values:
    """Raw counts as real values (truth values as bool)."""
    return {
        node.name: bool(counts[node.name]) if node.is_bool else counts[node.name] * node.per_count for node in graph.inputs
    }
