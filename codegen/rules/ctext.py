"""C text of every node kind: one C99 expression per signal, exact for every width of ``int``.

Takes a node of a ``FixedGraph`` and how its operands are spelled, gives the expression and the runtime helpers it calls.  Knows nothing
of lines, comments or files.  Operands are cast before they are multiplied or added, results after they are clamped; shares no
code with ``rules.integer``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from codegen.graph import (
    Clamp,
    Compare,
    Constant,
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
from codegen.rules.walk import WALKED, total

# How an expression starts that is one call of a runtime helper.
CALLS = ("round_shift_", "clamp_", "wrapped_difference_", "interpolate_")


@dataclass
class Spelling:
    """How names are written, and what an expression needs.

    Attributes:
        fixed: The realisation.
        names: C spelling of every signal.
        helpers: Runtime helpers called so far.
        tables: Constant tables needed so far: C name to (C type, values).
    """

    fixed: FixedGraph
    names: Mapping[str, str]
    helpers: set[str] = field(default_factory=set)
    tables: dict[str, tuple[str, tuple[int, ...]]] = field(default_factory=dict)

    def call(self, helper: str, bits: int, *arguments: str) -> str:
        """Call ``helper`` of the given width."""
        name = f"{helper}_{bits}"
        self.helpers.add(name)
        return f"{name}({', '.join(arguments)})"


def literal(value: int, bits: int) -> str:
    """``value`` as a constant of ``bits``; the least value is written as a difference, since its magnitude has no literal."""
    if value == -(1 << (bits - 1)):
        return f"(-INT{bits}_C({-value - 1}) - 1)"
    return f"INT{bits}_C({value})" if value >= 0 else f"-INT{bits}_C({-value})"


def _wide(spelling: Spelling, name: str, bits: int) -> str:
    """A signal as an operand of a ``bits`` wide operation."""
    text = spelling.names[name]
    return text if spelling.fixed.formats[name].ctype == f"int{bits}_t" else f"(int{bits}_t){text}"


def _narrow(text: str, spelling: Spelling, name: str, bits: int) -> str:
    """A ``bits`` wide expression as the signal's own type."""
    ctype = spelling.fixed.formats[name].ctype
    if ctype == f"int{bits}_t":
        return text
    return f"({ctype}){text}" if text.startswith(CALLS) or " " not in text else f"({ctype})({text})"


def _linear(spelling: Spelling, weights: tuple[int, ...], names: list[str], bias: int, bits: int) -> str:
    """The sum of weight * operand + bias, accumulated in ``bits``."""
    # The term with the widest operand first: partial sums are in the accumulator's width from the first one on either way.
    parts: list[str] = []
    for weight, name in zip(weights, names, strict=True):
        if weight == 0:
            continue
        operand = _wide(spelling, name, bits)
        sign = "-" if weight < 0 else "+"
        size = abs(weight)
        term = operand if size == 1 else f"{operand} * {literal(size, bits)}"
        if not parts:
            # A constant operand may begin with a minus sign itself.
            negated = f"-({term})" if term.startswith("-") else f"-{term}"
            sign, term = "", term if weight > 0 else negated if size == 1 else f"{operand} * ({literal(weight, bits)})"
        parts.append(f"{sign} {term}".lstrip())
    if bias:
        parts.append(f"{'-' if bias < 0 else '+'} {literal(abs(bias), bits)}")
    return " ".join(parts) if parts else literal(0, bits)


def _shift_and_limit(
    spelling: Spelling, text: str, bits: int, shift: int, low: int | None, high: int | None
) -> str:
    if shift:
        text = spelling.call("round_shift", bits, text, str(shift))
    if low is not None and high is not None:
        text = spelling.call("clamp", bits, text, *_limits(low, high, bits))
    return text


def _limits(low: int, high: int, bits: int) -> tuple[str, str]:
    """Limits as constants; one that lies beyond the word never acts and is written as the word's end."""
    least, most = -(1 << (bits - 1)), (1 << (bits - 1)) - 1
    return literal(max(low, least), bits), literal(min(high, most), bits)


def _weighted_sum(node: WeightedSum, spelling: Spelling) -> str:
    detail = spelling.fixed.details[node.name]
    assert isinstance(detail, SumDetail)
    bits = detail.accumulator_bits
    text = _linear(spelling, detail.weights, [term.name for term in node.terms], detail.bias, bits)
    return _narrow(_shift_and_limit(spelling, text, bits, detail.shift, detail.low, detail.high), spelling, node.name, bits)


def _clamp(node: Clamp, spelling: Spelling) -> str:
    detail = spelling.fixed.details[node.name]
    assert isinstance(detail, ClampDetail)
    bits = 64 if spelling.fixed.formats[node.operand].ctype == "int64_t" else 32
    operand = _wide(spelling, node.operand, bits)
    return _narrow(
        spelling.call("clamp", bits, operand, *_limits(detail.low, detail.high, bits)), spelling, node.name, bits
    )


def _product(node: Product, spelling: Spelling) -> str:
    detail = spelling.fixed.details[node.name]
    assert isinstance(detail, ProductDetail)
    bits = detail.accumulator_bits
    text = f"{_wide(spelling, node.left, bits)} * {_wide(spelling, node.right, bits)}"
    return _narrow(_shift_and_limit(spelling, text, bits, detail.shift, detail.low, detail.high), spelling, node.name, bits)


def _select(node: Select, spelling: Spelling) -> str:
    names, ctype = spelling.names, spelling.fixed.formats[node.name].ctype

    def branch(name: str) -> str:
        same = spelling.fixed.formats[name].ctype == ctype or isinstance(spelling.fixed.graph.nodes[name], Constant)
        return names[name] if same else f"({ctype}){names[name]}"

    return f"{names[node.condition]} ? {branch(node.if_true)} : {branch(node.if_false)}"


def _compare(node: Compare, spelling: Spelling) -> str:
    detail = spelling.fixed.details[node.name]
    assert isinstance(detail, CompareDetail)
    bits = detail.accumulator_bits
    if detail.weights == (-1,) and node.relation is not Relation.NOT_EQUAL:
        # -x > t is written as x < -t, which needs no negation.
        mirrored = "<" if node.relation is Relation.GREATER else "<="
        return f"{_wide(spelling, node.terms[0].name, bits)} {mirrored} {literal(-detail.threshold, bits)}"
    text = _linear(spelling, detail.weights, [term.name for term in node.terms], 0, bits)
    return f"{text} {node.relation.value} {literal(detail.threshold, bits)}"


def _logic(node: Logic, spelling: Spelling) -> str:
    parts = [
        f"!{spelling.names[name]}" if inverted else spelling.names[name]
        for name, inverted in zip(node.arguments, node.inverted, strict=True)
    ]
    return (" || " if node.any_of else " && ").join(parts)


def _table(node: Table, spelling: Spelling) -> str:
    detail = spelling.fixed.details[node.name]
    assert isinstance(detail, TableDetail)
    bits, count = detail.accumulator_bits, len(detail.knots)
    text = _linear(spelling, (detail.weight,), [node.operand], detail.bias, bits)
    position = _shift_and_limit(spelling, text, bits, detail.shift, 0, (count - 1) << detail.position_bits)
    table = f"{node.name}_knots"
    spelling.tables[table] = ("int32_t", detail.knots)
    position = position if bits == 32 else f"(int32_t){position}"
    call = spelling.call("interpolate", bits, table, literal(count, 32), position, str(detail.position_bits))
    return _narrow(call, spelling, node.name, bits)


def _wrapped_difference(node: WrappedDifference, spelling: Spelling) -> str:
    detail = spelling.fixed.details[node.name]
    assert isinstance(detail, WrapDetail)
    newer, older = (f"(uint32_t){spelling.names[name]}" for name in (node.newer, node.older))
    return _narrow(spelling.call("wrapped_difference", 32, newer, older, str(detail.bits)), spelling, node.name, 32)


def _shorten(node: Shorten, spelling: Spelling) -> str:
    detail = spelling.fixed.details[node.name]
    assert isinstance(detail, ShortenDetail)
    proven = spelling.fixed.formats[node.operand]
    # Rounding adds half of what is dropped: near the end of its word an operand needs the wider helper.
    bits = 64 if proven.ctype == "int64_t" or proven.high + (1 << detail.shift >> 1) >= 1 << 31 else 32
    text = _shift_and_limit(spelling, _wide(spelling, node.operand, bits), bits, detail.shift, None, None)
    return _narrow(text, spelling, node.name, bits)


RULES: Mapping[type[Node], Callable[..., str]] = total(
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
    "C text",
    WALKED,
)
