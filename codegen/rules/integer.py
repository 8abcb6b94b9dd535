"""Bit-true meaning of every node kind in unlimited Python integers: the normative model of the emitted C.

Takes a ``FixedGraph``, gives a ``Reading`` over raw integers (truth values as 0 or 1).  Every result is checked against the
width that the C will use, so a wrong range proof cannot pass here in silence.  Shares no code with ``rules.ctext``.
"""

from __future__ import annotations

from functools import partial

from codegen.errors import CheckFailed
from codegen.graph import (
    Clamp,
    Compare,
    Constant,
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
    RawDetail,
    ShortenDetail,
    SumDetail,
    TableDetail,
    WrapDetail,
)
from codegen.rules.real import computing_nodes
from codegen.rules.walk import WALKED, Evaluate, Reading, Values, total


def round_half_up(value: int, shift: int) -> int:
    """``value`` / 2**shift to the nearest integer, halves towards plus infinity."""
    if shift == 0:
        return value
    return (value + (1 << (shift - 1))) >> shift


def _fits(value: int, bits: int, what: str) -> int:
    if not -(1 << (bits - 1)) <= value < 1 << (bits - 1):
        raise CheckFailed(f"value {value} does not fit {bits} bits", what, "the range proof is wrong: report this")
    return value


def _limit(value: int, low: int | None, high: int | None) -> int:
    if low is not None and value < low:
        return low
    if high is not None and value > high:
        return high
    return value


def _weighted_sum(node: WeightedSum, fixed: FixedGraph) -> Evaluate:
    detail = fixed.details[node.name]
    assert isinstance(detail, SumDetail)
    terms = list(zip(detail.weights, (term.name for term in node.terms), strict=True))
    rounding = 1 << (detail.shift - 1) if detail.shift else 0

    def evaluate(values: Values) -> int:
        wide = detail.bias + sum(weight * values[name] for weight, name in terms)
        _fits(wide + rounding, detail.accumulator_bits, node.name)
        return _limit(round_half_up(wide, detail.shift), detail.low, detail.high)

    return evaluate


def _clamp(node: Clamp, fixed: FixedGraph) -> Evaluate:
    detail = fixed.details[node.name]
    assert isinstance(detail, ClampDetail)
    return lambda values: _limit(values[node.operand], detail.low, detail.high)


def _product(node: Product, fixed: FixedGraph) -> Evaluate:
    detail = fixed.details[node.name]
    assert isinstance(detail, ProductDetail)

    def evaluate(values: Values) -> int:
        wide = _fits(values[node.left] * values[node.right], detail.accumulator_bits, node.name)
        return _limit(round_half_up(wide, detail.shift), detail.low, detail.high)

    return evaluate


def _select(node: Select, fixed: FixedGraph) -> Evaluate:
    return lambda values: values[node.if_true] if values[node.condition] else values[node.if_false]


def _compare(node: Compare, fixed: FixedGraph) -> Evaluate:
    detail = fixed.details[node.name]
    assert isinstance(detail, CompareDetail)
    terms = list(zip(detail.weights, (term.name for term in node.terms), strict=True))

    def evaluate(values: Values) -> int:
        wide = _fits(sum(weight * values[name] for weight, name in terms), detail.accumulator_bits, node.name)
        match node.relation:
            case Relation.GREATER:
                return int(wide > detail.threshold)
            case Relation.GREATER_OR_EQUAL:
                return int(wide >= detail.threshold)
            case Relation.NOT_EQUAL:
                return int(wide != detail.threshold)

    return evaluate


def _logic(node: Logic, fixed: FixedGraph) -> Evaluate:
    pairs = [(name, int(inverted)) for name, inverted in zip(node.arguments, node.inverted, strict=True)]
    if node.any_of:
        return lambda values: int(any(values[name] ^ inverted for name, inverted in pairs))
    return lambda values: int(all(values[name] ^ inverted for name, inverted in pairs))


def _table(node: Table, fixed: FixedGraph) -> Evaluate:
    detail = fixed.details[node.name]
    assert isinstance(detail, TableDetail)
    one = 1 << detail.position_bits
    last = (len(detail.knots) - 1) * one

    def evaluate(values: Values) -> int:
        wide = _fits(detail.weight * values[node.operand] + detail.bias, detail.accumulator_bits, node.name)
        position = _limit(round_half_up(wide, detail.shift), 0, last)
        index = min(position >> detail.position_bits, len(detail.knots) - 2)
        left, right = detail.knots[index], detail.knots[index + 1]
        rise = _fits((right - left) * (position - index * one), detail.accumulator_bits, node.name)
        return left + round_half_up(rise, detail.position_bits)

    return evaluate


def _wrapped_difference(node: WrappedDifference, fixed: FixedGraph) -> Evaluate:
    detail = fixed.details[node.name]
    assert isinstance(detail, WrapDetail)
    half, whole = 1 << (detail.bits - 1), 1 << detail.bits
    return lambda values: (values[node.newer] - values[node.older] + half) % whole - half


def _shorten(node: Shorten, fixed: FixedGraph) -> Evaluate:
    detail = fixed.details[node.name]
    assert isinstance(detail, ShortenDetail)
    return lambda values: round_half_up(values[node.operand], detail.shift)


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
    "integers",
    WALKED,
)


def raw_value(fixed: FixedGraph, name: str) -> int:
    """The raw number of a constant, of a delay's start or of a live gain's start."""
    detail = fixed.details[name]
    assert isinstance(detail, RawDetail)
    return detail.value


def read_integer(fixed: FixedGraph) -> Reading:
    """The bit-true model: raw inputs, memory and signals as Python integers.

    Raises (from ``tick``):
        CheckFailed: A value leaves its proven range or an accumulator its width.
    """
    graph = fixed.graph

    def checked(name: str, evaluate: Evaluate) -> Evaluate:
        proven = fixed.formats[name]

        def run(values: Values) -> int:
            value: int = evaluate(values)
            if not proven.low <= value <= proven.high:
                raise CheckFailed(
                    f"value {value} leaves its proven range [{proven.low}, {proven.high}]", name, "report this as a defect"
                )
            return value

        return run

    return Reading(
        graph,
        {node.name: checked(node.name, RULES[type(node)](node, fixed)) for node in computing_nodes(graph)},
        {node.name: raw_value(fixed, node.name) for node in graph.nodes.values() if isinstance(node, Constant)},
        {delay.name: raw_value(fixed, delay.name) for delay in graph.delays},
        {parameter.name: raw_value(fixed, parameter.name) for parameter in graph.parameters},
        0,
        {node.name: partial(_limit, low=low, high=high) for node in graph.sums for low, high in [fixed.partial_sum_range(node)]},
    )
