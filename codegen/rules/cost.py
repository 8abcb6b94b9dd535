"""Price of every node kind in cycles, from a target's table of costs: to choose between two ways to write one thing.

Takes a node of a ``FixedGraph`` and ``Costs``, gives cycles beyond those for reading operands and writing the result, which all ways have
in common.  It is no bound and no estimate of a tick: that is measured on the compiled text.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from codegen.graph import (
    Clamp,
    Compare,
    Logic,
    Node,
    Product,
    Select,
    Shorten,
    SumOver,
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
)
from codegen.rules.walk import WALKED, total
from codegen.targets import Costs


def _add(costs: Costs, bits: int) -> int:
    return costs.add_16 if bits <= 16 else costs.add_32 if bits <= 32 else costs.add_64


def _multiply(costs: Costs, operand_bits: int, bits: int) -> int:
    if bits > 32:
        return costs.multiply_64
    return costs.multiply_16 if operand_bits <= 16 else costs.multiply_32


def _move(costs: Costs, distance: int, bits: int) -> int:
    """A word moved by so many bits either way."""
    if distance == 0:
        return 0
    if bits > 32:
        return costs.shift_64
    return costs.shift_32 if distance % 8 == 0 else max(costs.shift_32, costs.shift_bit * distance)


def _round(costs: Costs, shift: int, bits: int) -> int:
    return _add(costs, bits) + _move(costs, shift, bits) if shift else 0


def _limit(fixed: FixedGraph, costs: Costs, low: int | None, high: int | None, bits: int) -> int:
    if low is None or high is None:
        return 0
    if costs.limit_saturating is not None and bits <= 32 and low == -high - 1 and high & (high + 1) == 0:
        return costs.limit_saturating
    return costs.limit_16 if bits <= 16 else costs.limit_32 if bits <= 32 else costs.limit_64


def _terms(fixed: FixedGraph, costs: Costs, weights: tuple[int, ...], names: list[str], bias: int, bits: int) -> int:
    price, count = 0, 0
    for weight, name in zip(weights, names, strict=True):
        if weight == 0:
            continue
        count += 1
        size = abs(weight)
        if size & (size - 1) == 0:
            price += _move(costs, size.bit_length() - 1, bits)
        else:
            price += _multiply(costs, fixed.formats[name].bits, bits)
    return price + _add(costs, bits) * max(0, count - 1 + (bias != 0))


def _weighted_sum(node: WeightedSum, fixed: FixedGraph, costs: Costs) -> int:
    detail = fixed.details[node.name]
    assert isinstance(detail, SumDetail)
    bits = detail.accumulator_bits
    price = _terms(fixed, costs, detail.weights, [term.name for term in node.terms], detail.bias, bits)
    price += _round(costs, detail.shift, bits)
    return price + _limit(fixed, costs, detail.low, detail.high, detail.limit_bits or bits)


def _clamp(node: Clamp, fixed: FixedGraph, costs: Costs) -> int:
    detail = fixed.details[node.name]
    assert isinstance(detail, ClampDetail)
    return _limit(fixed, costs, detail.low, detail.high, fixed.formats[node.operand].bits)


def _product(node: Product, fixed: FixedGraph, costs: Costs) -> int:
    detail = fixed.details[node.name]
    assert isinstance(detail, ProductDetail)
    bits = detail.accumulator_bits
    operands = max(fixed.formats[name].bits for name in node.operands())
    price = _multiply(costs, operands, bits) + _round(costs, detail.shift, bits)
    return price + _limit(fixed, costs, detail.low, detail.high, bits)


def _select(node: Select, fixed: FixedGraph, costs: Costs) -> int:
    return 1 if node.is_bool else costs.select_16 if fixed.formats[node.name].bits <= 16 else costs.select_32


def _compare(node: Compare, fixed: FixedGraph, costs: Costs) -> int:
    detail = fixed.details[node.name]
    assert isinstance(detail, CompareDetail)
    operands = max(16, *(fixed.formats[name].bits for name in node.operands()))
    bits = min(detail.accumulator_bits, operands) if len(node.terms) == 1 else detail.accumulator_bits
    price = costs.compare_16 if bits <= 16 else costs.compare_32 if bits <= 32 else costs.compare_64
    return price + _terms(fixed, costs, detail.weights, [term.name for term in node.terms], 0, detail.accumulator_bits)


def _logic(node: Logic, fixed: FixedGraph, costs: Costs) -> int:
    return len(node.arguments)


def _table(node: Table, fixed: FixedGraph, costs: Costs) -> int:
    detail = fixed.details[node.name]
    assert isinstance(detail, TableDetail)
    bits = detail.accumulator_bits
    price = _terms(fixed, costs, (detail.weight,), [node.operand], detail.bias, bits) + _round(costs, detail.shift, bits)
    price += _limit(fixed, costs, 0, (len(detail.knots) - 1) << detail.position_bits, bits)
    return price + _multiply(costs, 32, bits) + 3 * _add(costs, bits) + _round(costs, detail.position_bits, bits)


def _wrapped_difference(node: WrappedDifference, fixed: FixedGraph, costs: Costs) -> int:
    return 3 * costs.add_32


def _shorten(node: Shorten, fixed: FixedGraph, costs: Costs) -> int:
    detail = fixed.details[node.name]
    assert isinstance(detail, ShortenDetail)
    bits = fixed.formats[node.operand].bits
    shift = detail.shift + detail.lift
    if fixed.short_arithmetic and bits <= 32 and shift > 16 and fixed.formats[node.name].bits <= 16:
        # The upper half is moved on in 16 bits.
        return _round(costs, 16, bits) + costs.add_16 * (shift - 16)
    return _move(costs, detail.lift, bits) + _round(costs, shift, bits)


RULES: Mapping[type[Node], Callable[..., int]] = total(
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
    "cost",
    WALKED,
)


def price_signals(fixed: FixedGraph, costs: Costs) -> dict[str, int]:
    """Price of every signal's statement in cycles."""
    prices: dict[str, int] = {}
    for part in (fixed.graph.before, fixed.graph.slow, fixed.graph.after):
        for node in part:
            if isinstance(node, SumOver):
                bits = 64 if fixed.formats[node.name].bits > 32 else 32
                prices[node.name] = _limit(fixed, costs, *fixed.partial_sum_range(node), bits) + _add(costs, bits)
            else:
                prices[node.name] = RULES[type(node)](node, fixed, costs)
    return prices
