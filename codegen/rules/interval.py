"""Interval meaning of every node kind, over real values and over the integers that realise them.

Takes operand intervals, gives an interval that contains every possible result.  Over integers the rules are exact for monotone
operations (floor, clamp), so no outward rounding is needed (Moore, "Interval Analysis", 1966; from memory).  Over reals the
intervals are float64 and serve to choose formats only: what is printed as proven comes from the integer rules.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from typing import NamedTuple

from codegen.graph import (
    Clamp,
    Compare,
    Graph,
    Input,
    Logic,
    Node,
    Product,
    Select,
    Shorten,
    Table,
    WeightedSum,
    WrappedDifference,
)
from codegen.rules.fixed import (
    ClampDetail,
    FixedGraph,
    ProductDetail,
    ShortenDetail,
    SumDetail,
    TableDetail,
    WrapDetail,
)
from codegen.rules.walk import WALKED, total

Number = float | int


class Interval(NamedTuple):
    """All values from ``low`` to ``high``; infinite ends mean "not bounded"."""

    low: Number
    high: Number

    @property
    def finite(self) -> bool:
        """Whether both ends are finite."""
        return math.isfinite(self.low) and math.isfinite(self.high)

    @property
    def magnitude(self) -> Number:
        """Largest absolute value."""
        return max(abs(self.low), abs(self.high))

    def hull(self, other: Interval) -> Interval:
        """Least interval that contains both."""
        return Interval(min(self.low, other.low), max(self.high, other.high))

    def clamped(self, low: Number | None, high: Number | None) -> Interval:
        """Image under a clamp; missing limits clamp nothing."""
        if low is None or high is None:
            return self
        return Interval(min(max(self.low, low), high), min(max(self.high, low), high))

    def times(self, other: Interval) -> Interval:
        """Image of the product (0 times infinity is 0: the ends are limits of finite values)."""
        corners = [0 if 0 in (a, b) else a * b for a in self for b in other]
        return Interval(min(corners), max(corners))


BOOL = Interval(0, 1)
Ranges = Mapping[str, Interval]


def weighted(pairs: Iterable[tuple[Number, Interval]], bias: Number) -> Interval:
    """Interval of bias + sum of weight * operand."""
    low = high = bias
    for weight, interval in pairs:
        scaled = Interval(weight, weight).times(interval)
        low, high = low + scaled.low, high + scaled.high
    return Interval(low, high)


def _round(value: Number, shift: int) -> Number:
    if shift == 0 or isinstance(value, float):
        return value
    return (value + (1 << (shift - 1))) >> shift


def shifted(interval: Interval, shift: int) -> Interval:
    """Image under the rounding right shift (monotone, so exact); infinite ends stay."""
    return Interval(_round(interval.low, shift), _round(interval.high, shift))


# --- over reals -----------------------------------------------------------------------------------------------------------


def _real_sum(node: WeightedSum, graph: Graph, ranges: Ranges) -> Interval:
    return weighted(((term.weight, ranges[term.name]) for term in node.terms), node.bias).clamped(node.low, node.high)


def _real_clamp(node: Clamp, graph: Graph, ranges: Ranges) -> Interval:
    return ranges[node.operand].clamped(node.low, node.high)


def _real_product(node: Product, graph: Graph, ranges: Ranges) -> Interval:
    scale = Interval(node.scale, node.scale)
    return scale.times(ranges[node.left].times(ranges[node.right])).clamped(node.low, node.high)


def _select(node: Select, graph: object, ranges: Ranges) -> Interval:
    return ranges[node.if_true].hull(ranges[node.if_false])


def _truth(node: Compare | Logic, graph: object, ranges: Ranges) -> Interval:
    return BOOL


def _real_table(node: Table, graph: Graph, ranges: Ranges) -> Interval:
    return Interval(min(node.values), max(node.values))


def _real_wrapped(node: WrappedDifference, graph: Graph, ranges: Ranges) -> Interval:
    counter = graph.nodes[node.newer]
    per_count = counter.per_count if isinstance(counter, Input) else 1.0
    return Interval(-(2.0 ** (node.bits - 1)) * per_count, (2.0 ** (node.bits - 1) - 1) * per_count)


def _real_shorten(node: Shorten, graph: Graph, ranges: Ranges) -> Interval:
    return ranges[node.operand]


REAL_INTERVALS: Mapping[type[Node], Callable[..., Interval]] = total(
    {
        WeightedSum: _real_sum,
        Clamp: _real_clamp,
        Product: _real_product,
        Select: _select,
        Compare: _truth,
        Logic: _truth,
        Table: _real_table,
        WrappedDifference: _real_wrapped,
        Shorten: _real_shorten,
    },
    "intervals of reals",
    WALKED,
)

# --- over integers --------------------------------------------------------------------------------------------------------


def sum_before_rounding(node: WeightedSum, detail: SumDetail, ranges: Ranges) -> Interval:
    """Interval of the wide accumulator of a weighted sum."""
    pairs = [(weight, ranges[term.name]) for weight, term in zip(detail.weights, node.terms, strict=True)]
    return weighted(pairs, detail.bias)


def _integer_sum(node: WeightedSum, fixed: FixedGraph, ranges: Ranges) -> Interval:
    detail = fixed.details[node.name]
    assert isinstance(detail, SumDetail)
    return shifted(sum_before_rounding(node, detail, ranges), detail.shift).clamped(detail.low, detail.high)


def _integer_clamp(node: Clamp, fixed: FixedGraph, ranges: Ranges) -> Interval:
    detail = fixed.details[node.name]
    assert isinstance(detail, ClampDetail)
    return ranges[node.operand].clamped(detail.low, detail.high)


def _integer_product(node: Product, fixed: FixedGraph, ranges: Ranges) -> Interval:
    detail = fixed.details[node.name]
    assert isinstance(detail, ProductDetail)
    return shifted(ranges[node.left].times(ranges[node.right]), detail.shift).clamped(detail.low, detail.high)


def _integer_table(node: Table, fixed: FixedGraph, ranges: Ranges) -> Interval:
    detail = fixed.details[node.name]
    assert isinstance(detail, TableDetail)
    return Interval(min(detail.knots), max(detail.knots))


def _integer_wrapped(node: WrappedDifference, fixed: FixedGraph, ranges: Ranges) -> Interval:
    detail = fixed.details[node.name]
    assert isinstance(detail, WrapDetail)
    return Interval(-(1 << (detail.bits - 1)), (1 << (detail.bits - 1)) - 1)


def _integer_shorten(node: Shorten, fixed: FixedGraph, ranges: Ranges) -> Interval:
    detail = fixed.details[node.name]
    assert isinstance(detail, ShortenDetail)
    return shifted(ranges[node.operand], detail.shift)


INTEGER_INTERVALS: Mapping[type[Node], Callable[..., Interval]] = total(
    {
        WeightedSum: _integer_sum,
        Clamp: _integer_clamp,
        Product: _integer_product,
        Select: _select,
        Compare: _truth,
        Logic: _truth,
        Table: _integer_table,
        WrappedDifference: _integer_wrapped,
        Shorten: _integer_shorten,
    },
    "intervals of integers",
    WALKED,
)
