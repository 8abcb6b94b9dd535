"""The integer and the float64 meaning again, over numpy arrays of many controllers at once: twins for volume.

Takes a graph, gives ``Reading``s whose values are arrays (one lane per controller).  Tests hold each twin against its scalar
original.  int64 cannot wrap here: every accumulator is proven to fit 63 bits before.

The float64 twin can be told the decisions of comparisons (key ``decided(name)`` among its inputs) and then reports how far each
quantity was from its threshold (key ``distance(name)``): error bounds hold under equal decisions, and a margin bounds the distance at
which decisions may differ.
"""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from codegen.graph import (
    Clamp,
    Compare,
    Constant,
    Graph,
    Input,
    Logic,
    Product,
    Relation,
    Select,
    Shorten,
    Table,
    WeightedSum,
    WrappedDifference,
)
from codegen.rules.fixed import (
    ClampDetail,
    CompareDetail,
    FixedGraph,
    ProductDetail,
    ShortenDetail,
    SumDetail,
    TableDetail,
    WrapDetail,
)
from codegen.rules.integer import raw_value
from codegen.rules.real import computing_nodes
from codegen.rules.walk import WALKED, Evaluate, Reading, Values, total

Array = NDArray[Any]
RELATIONS = {Relation.GREATER: np.greater, Relation.GREATER_OR_EQUAL: np.greater_equal, Relation.NOT_EQUAL: np.not_equal}


def decided(name: str) -> str:
    """Input key that prescribes the decision of comparison ``name`` to the float64 twin."""
    return f"decision of {name}"


def distance(name: str) -> str:
    """Key under which the float64 twin reports quantity minus threshold of comparison ``name``."""
    return f"distance of {name}"


def _limited(value: Array, low: float | None, high: float | None) -> Array:
    if low is None or high is None:
        return value
    limited: Array = np.minimum(np.maximum(value, low), high)
    return limited


def _select(node: Select, graph: object) -> Evaluate:
    return lambda values: np.where(values[node.condition], values[node.if_true], values[node.if_false])


def _logic(node: Logic, graph: object) -> Evaluate:
    pairs = list(zip(node.arguments, node.inverted, strict=True))
    combine = np.logical_or if node.any_of else np.logical_and

    def evaluate(values: Values) -> Array:
        result: Array | None = None
        for name, inverted in pairs:
            holds = np.logical_not(values[name]) if inverted else np.not_equal(values[name], 0)
            result = holds if result is None else combine(result, holds)
        assert result is not None
        return result

    return evaluate


# --- integers -------------------------------------------------------------------------------------------------------------


def _held(value: Array, low: int | None, high: int | None) -> Array:
    """Limited; a limit beyond int64 never acts."""
    if low is None or high is None:
        return value
    return _limited(value, max(low, -(2**63)), min(high, 2**63 - 1))


def _half_up(value: Array, shift: int) -> Array:
    return value if shift == 0 else (value + (1 << (shift - 1))) >> shift


def _integer_sum(node: WeightedSum, fixed: FixedGraph) -> Evaluate:
    detail = fixed.details[node.name]
    assert isinstance(detail, SumDetail)
    terms = list(zip(detail.weights, (term.name for term in node.terms), strict=True))

    def evaluate(values: Values) -> Array:
        wide = np.int64(detail.bias)
        for weight, name in terms:
            wide = wide + np.multiply(values[name], weight, dtype=np.int64)
        return _held(_half_up(np.asarray(wide), detail.shift), detail.low, detail.high)

    return evaluate


def _integer_clamp(node: Clamp, fixed: FixedGraph) -> Evaluate:
    detail = fixed.details[node.name]
    assert isinstance(detail, ClampDetail)
    return lambda values: _held(values[node.operand], detail.low, detail.high)


def _integer_product(node: Product, fixed: FixedGraph) -> Evaluate:
    detail = fixed.details[node.name]
    assert isinstance(detail, ProductDetail)

    def evaluate(values: Values) -> Array:
        wide = np.multiply(values[node.left], values[node.right], dtype=np.int64)
        return _held(_half_up(wide, detail.shift), detail.low, detail.high)

    return evaluate


def _integer_compare(node: Compare, fixed: FixedGraph) -> Evaluate:
    detail = fixed.details[node.name]
    assert isinstance(detail, CompareDetail)
    terms = list(zip(detail.weights, (term.name for term in node.terms), strict=True))
    holds = RELATIONS[node.relation]

    def evaluate(values: Values) -> Array:
        wide = np.int64(0)
        for weight, name in terms:
            wide = wide + np.multiply(values[name], weight, dtype=np.int64)
        return np.asarray(holds(wide, detail.threshold))

    return evaluate


def _integer_table(node: Table, fixed: FixedGraph) -> Evaluate:
    detail = fixed.details[node.name]
    assert isinstance(detail, TableDetail)
    knots = np.array(detail.knots, dtype=np.int64)
    bits, last = detail.position_bits, len(detail.knots) - 1

    def evaluate(values: Values) -> Array:
        wide = np.multiply(values[node.operand], detail.weight, dtype=np.int64) + detail.bias
        position = _limited(_half_up(wide, detail.shift), 0, last << bits)
        index = np.minimum(position >> bits, last - 1)
        rise = (knots[index + 1] - knots[index]) * (position - (index << bits))
        return np.asarray(knots[index] + _half_up(rise, bits))

    return evaluate


def _integer_wrapped(node: WrappedDifference, fixed: FixedGraph) -> Evaluate:
    detail = fixed.details[node.name]
    assert isinstance(detail, WrapDetail)
    half, mask = 1 << (detail.bits - 1), (1 << detail.bits) - 1
    return lambda values: ((values[node.newer] - values[node.older] + half) & mask) - half


def _integer_shorten(node: Shorten, fixed: FixedGraph) -> Evaluate:
    detail = fixed.details[node.name]
    assert isinstance(detail, ShortenDetail)
    return lambda values: _half_up(values[node.operand], detail.shift)


INTEGER_RULES = total(
    {
        WeightedSum: _integer_sum,
        Clamp: _integer_clamp,
        Product: _integer_product,
        Select: _select,
        Compare: _integer_compare,
        Logic: _logic,
        Table: _integer_table,
        WrappedDifference: _integer_wrapped,
        Shorten: _integer_shorten,
    },
    "arrays of integers",
    WALKED,
)


def read_integer_arrays(fixed: FixedGraph) -> Reading:
    """Twin of ``read_integer``: raw inputs, memory and signals as int64 arrays (truth values as bool arrays)."""
    graph = fixed.graph
    return Reading(
        graph,
        {node.name: INTEGER_RULES[type(node)](node, fixed) for node in computing_nodes(graph)},
        {node.name: np.int64(raw_value(fixed, node.name)) for node in graph.nodes.values() if isinstance(node, Constant)},
        {delay.name: np.int64(raw_value(fixed, delay.name)) for delay in graph.delays},
        {parameter.name: np.int64(raw_value(fixed, parameter.name)) for parameter in graph.parameters},
        np.int64(0),
        {node.name: partial(_limited, low=low, high=high) for node in graph.sums for low, high in [fixed.partial_sum_range(node)]},
    )


# --- float64 --------------------------------------------------------------------------------------------------------------


def _real_sum(node: WeightedSum, graph: Graph) -> Evaluate:
    def evaluate(values: Values) -> Array:
        wide = np.float64(0.0)
        for term in node.terms:
            wide = wide + term.weight * values[term.name]
        return _limited(np.asarray(node.bias + wide), node.low, node.high)

    return evaluate


def _real_clamp(node: Clamp, graph: Graph) -> Evaluate:
    return lambda values: _limited(values[node.operand], node.low, node.high)


def _real_product(node: Product, graph: Graph) -> Evaluate:
    return lambda values: _limited(node.scale * values[node.left] * values[node.right], node.low, node.high)


def _real_compare(node: Compare, graph: Graph) -> Evaluate:
    holds = RELATIONS[node.relation]
    told, reported = decided(node.name), distance(node.name)

    def evaluate(values: Values) -> Array:
        wide = np.float64(0.0)
        for term in node.terms:
            wide = wide + term.weight * values[term.name]
        values[reported] = wide - node.threshold
        answer = holds(wide, node.threshold) if told not in values else values[told]
        return np.asarray(answer)

    return evaluate


def _real_table(node: Table, graph: Graph) -> Evaluate:
    knots = np.array(node.values)
    last = len(node.values) - 1

    def evaluate(values: Values) -> Array:
        position = _limited((values[node.operand] - node.start) / node.step, 0.0, float(last))
        index = np.minimum(position.astype(np.int64), last - 1)
        return np.asarray(knots[index] + (knots[index + 1] - knots[index]) * (position - index))

    return evaluate


def _real_wrapped(node: WrappedDifference, graph: Graph) -> Evaluate:
    counter = graph.nodes[node.newer]
    per_count = counter.per_count if isinstance(counter, Input) else 1.0
    half, whole = 2.0 ** (node.bits - 1), 2.0**node.bits
    return lambda values: (
        (np.round((values[node.newer] - values[node.older]) / per_count) + half) % whole - half
    ) * per_count


def _real_shorten(node: Shorten, graph: Graph) -> Evaluate:
    return lambda values: values[node.operand]


REAL_RULES = total(
    {
        WeightedSum: _real_sum,
        Clamp: _real_clamp,
        Product: _real_product,
        Select: _select,
        Compare: _real_compare,
        Logic: _logic,
        Table: _real_table,
        WrappedDifference: _real_wrapped,
        Shorten: _real_shorten,
    },
    "arrays of float64",
    WALKED,
)


def read_real_arrays(graph: Graph) -> Reading:
    """Twin of ``read_real``: inputs, memory and signals as float64 arrays (truth values as bool arrays)."""
    return Reading(
        graph,
        {node.name: REAL_RULES[type(node)](node, graph) for node in computing_nodes(graph)},
        {
            node.name: np.bool_(node.value) if node.is_bool else np.float64(node.value)
            for node in graph.nodes.values()
            if isinstance(node, Constant)
        },
        {delay.name: np.bool_(delay.initial) if delay.is_bool else np.float64(delay.initial) for delay in graph.delays},
        {parameter.name: np.float64(parameter.value) for parameter in graph.parameters},
        np.float64(0.0),
    )
