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
    RawDetail,
    ShortenDetail,
    SumDetail,
    TableDetail,
    WrapDetail,
)
from codegen.rules.walk import WALKED, total

# How an expression starts that is one call of a runtime helper.
CALLS = ("round_shift_", "clamp_", "saturate_", "wrapped_difference_", "interpolate_")


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
    """``value`` as a constant of ``bits``, a plain ``int`` up to 16; the least value is written as a difference: it has no literal."""
    if bits <= 16:
        return str(value) if value > -(1 << 15) else f"({value + 1} - 1)"
    if value == -(1 << (bits - 1)):
        return f"(-INT{bits}_C({-value - 1}) - 1)"
    return f"INT{bits}_C({value})" if value >= 0 else f"-INT{bits}_C({-value})"


def _wide(spelling: Spelling, name: str, bits: int) -> str:
    """A signal as an operand of a ``bits`` wide operation."""
    text, detail = spelling.names[name], spelling.fixed.details[name]
    if isinstance(detail, RawDetail) and isinstance(spelling.fixed.graph.nodes[name], Constant):
        # A plain constant beside another one would be an operation of int, which may have 16 bits.
        return literal(detail.value, bits)
    ctype = spelling.fixed.formats[name].ctype
    # A word longer than a short operation, which its range does not need, is cut to it; any other of at most 16 bits becomes an int of
    # its own accord.
    short = bits <= 16 and not (spelling.fixed.short_arithmetic and ctype.startswith("int") and int(ctype[3:-2]) > bits)
    return text if short or ctype == f"int{bits}_t" else f"(int{bits}_t){text}"


def _narrow(text: str, spelling: Spelling, name: str, bits: int) -> str:
    """A ``bits`` wide expression as the signal's own type."""
    ctype = spelling.fixed.formats[name].ctype
    called = text.startswith(CALLS)
    if ctype == f"int{bits}_t" and (bits > 16 or called or " " not in text):
        # A sum of short operands is an int, whatever they are.
        return text
    return f"({ctype}){text}" if called or " " not in text else f"({ctype})({text})"


def _linear(spelling: Spelling, weights: tuple[int, ...], names: list[str], bias: int, bits: int) -> str:
    """The sum of weight * operand + bias, accumulated in ``bits``."""
    parts: list[str] = []
    pairs = [(weight, _wide(spelling, name, bits)) for weight, name in zip(weights, names, strict=True)]
    if bias and all(weight < 0 for weight, _ in pairs if weight):
        # A constant to subtract from needs no negative factor.
        parts, bias = [literal(bias, bits)], 0
    elif weights[0] < 0:
        # What is added comes first, what is subtracted after it.
        pairs.sort(key=lambda pair: pair[0] < 0)
    for weight, operand in pairs:
        if weight == 0:
            continue
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
    spelling: Spelling, text: str, bits: int, shift: int, low: int | None, high: int | None, limit_bits: int = 0
) -> tuple[str, int]:
    """An expression of ``bits``, shifted and limited; and the width of the result."""
    if shift:
        text = spelling.call("round_shift", bits, text, str(shift))
    if low is None or high is None:
        return text, bits
    if limit_bits and limit_bits < bits:
        whole = text if text.startswith(CALLS) or " " not in text else f"({text})"
        bits, text = limit_bits, f"(int{limit_bits}_t){whole}"
    return _limited(spelling, text, low, high, bits), bits


def _limited(spelling: Spelling, text: str, low: int, high: int, bits: int) -> str:
    word = (high + 1).bit_length()
    if spelling.fixed.saturating and bits == 32 and low == -high - 1 and high & (high + 1) == 0 and 2 <= word <= 31:
        return spelling.call("saturate", 32, text, str(word))
    return spelling.call("clamp", bits, text, *_limits(low, high, bits))


def _limits(low: int, high: int, bits: int) -> tuple[str, str]:
    """Limits as constants; one that lies beyond the word never acts and is written as the word's end."""
    least, most = -(1 << (bits - 1)), (1 << (bits - 1)) - 1
    return literal(max(low, least), bits), literal(min(high, most), bits)


def _weighted_sum(node: WeightedSum, spelling: Spelling) -> str:
    detail = spelling.fixed.details[node.name]
    assert isinstance(detail, SumDetail)
    bits = detail.accumulator_bits
    text = _linear(spelling, detail.weights, [term.name for term in node.terms], detail.bias, bits)
    if bits <= 16 and detail.low is not None and " " in text:
        text = f"(int{bits}_t)({text})"
    limited = _shift_and_limit(spelling, text, bits, detail.shift, detail.low, detail.high, detail.limit_bits)
    return _narrow(*_ordered(limited, spelling, node.name))


def _ordered(result: tuple[str, int], spelling: Spelling, name: str) -> tuple[str, Spelling, str, int]:
    text, bits = result
    return text, spelling, name, bits


def _clamp(node: Clamp, spelling: Spelling) -> str:
    detail, proven = spelling.fixed.details[node.name], spelling.fixed.formats[node.operand]
    assert isinstance(detail, ClampDetail)
    bits = 64 if proven.ctype == "int64_t" else 16 if spelling.fixed.short_arithmetic and _is_short(proven.low, proven.high) else 32
    return _narrow(_limited(spelling, _wide(spelling, node.operand, bits), detail.low, detail.high, bits), spelling, node.name, bits)


def _is_short(low: int, high: int) -> bool:
    return low >= -(1 << 15) and high < 1 << 15


def _product(node: Product, spelling: Spelling) -> str:
    detail = spelling.fixed.details[node.name]
    assert isinstance(detail, ProductDetail)
    bits = detail.accumulator_bits
    text = f"{_wide(spelling, node.left, bits)} * {_wide(spelling, node.right, bits)}"
    return _narrow(*_ordered(_shift_and_limit(spelling, text, bits, detail.shift, detail.low, detail.high), spelling, node.name))


def select_side(node: Select, spelling: Spelling, side: bool) -> str:
    """What a select gives on one side."""
    name, ctype = node.if_true if side else node.if_false, spelling.fixed.formats[node.name].ctype
    same = spelling.fixed.formats[name].ctype == ctype or isinstance(spelling.fixed.graph.nodes[name], Constant)
    return spelling.names[name] if same else f"({ctype}){spelling.names[name]}"


def _select(node: Select, spelling: Spelling) -> str:
    return f"{spelling.names[node.condition]} ? {select_side(node, spelling, True)} : {select_side(node, spelling, False)}"


def held_memory(node: SumOver, spelling: Spelling) -> str:
    """A sum over the slow period with this tick's operand added.

    Its memory is held before it is used: legal memory is inside anyway, and a flipped bit must not leave the proven range.
    """
    ctype = spelling.fixed.formats[node.name].ctype
    bits = 64 if ctype == "int64_t" else 32
    memory = f"state->{node.name}" if ctype == f"int{bits}_t" else f"(int{bits}_t)state->{node.name}"
    text = f"{_limited(spelling, memory, *spelling.fixed.partial_sum_range(node), bits)} + {_wide(spelling, node.operand, bits)}"
    return text if ctype == f"int{bits}_t" else f"({ctype})({text})"


def _compare(node: Compare, spelling: Spelling) -> str:
    detail = spelling.fixed.details[node.name]
    assert isinstance(detail, CompareDetail)
    formats = [spelling.fixed.formats[term.name] for term in node.terms]
    # Signed operands of any width compare as they are; what is short compares with a plain constant.
    signed = all(proven.ctype.startswith("int") for proven in formats)
    if signed and sorted(detail.weights) == [-1, 1] and detail.threshold == 0:
        first, second = (spelling.names[term.name] for term in node.terms)
        if detail.weights[0] < 0 and node.relation is not Relation.NOT_EQUAL:
            first, second = second, first
        return f"{first} {node.relation.value} {second}"
    bits = detail.accumulator_bits
    if len(formats) == 1 and _is_short(formats[0].low, formats[0].high) and _is_short(detail.threshold, -detail.threshold):
        bits = 16
    if detail.weights == (-1,):
        # -x > t is written as x < -t: negated, the least value of a word does not fit it.
        mirrored = {Relation.GREATER: "<", Relation.GREATER_OR_EQUAL: "<="}.get(node.relation, node.relation.value)
        return f"{_wide(spelling, node.terms[0].name, bits)} {mirrored} {literal(-detail.threshold, bits)}"
    text = _linear(spelling, detail.weights, [term.name for term in node.terms], 0, bits)
    return f"{text} {node.relation.value} {literal(detail.threshold, bits)}"


def _logic(node: Logic, spelling: Spelling) -> str:
    parts = [
        f"!{spelling.names[name]}" if inverted else spelling.names[name]
        for name, inverted in zip(node.arguments, node.inverted, strict=True)
    ]
    # Truth values are 0 or 1: combined bit by bit they need no branch.
    return (" | " if node.any_of else " & ").join(parts)


def _table(node: Table, spelling: Spelling) -> str:
    detail = spelling.fixed.details[node.name]
    assert isinstance(detail, TableDetail)
    bits, count = detail.accumulator_bits, len(detail.knots)
    text = _linear(spelling, (detail.weight,), [node.operand], detail.bias, bits)
    position, _ = _shift_and_limit(spelling, text, bits, detail.shift, 0, (count - 1) << detail.position_bits)
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
    proven, own = spelling.fixed.formats[node.operand], spelling.fixed.formats[node.name]
    # Rounding adds half of what is dropped: near the end of its word an operand needs the wider helper.
    bits = 64 if proven.ctype == "int64_t" or proven.high + (1 << detail.shift >> 1) >= 1 << 31 else 32
    text = _wide(spelling, node.operand, bits)
    if spelling.fixed.short_arithmetic and bits == 32 and detail.shift > 16 and _is_short(own.low, own.high):
        return _narrow(spelling.call("round_shift_upper", 32, text, str(detail.shift)), spelling, node.name, 16)
    if detail.lift:
        text = f"{text} * {literal(1 << detail.lift, bits)}"
    text, _ = _shift_and_limit(spelling, text, bits, detail.shift + detail.lift, None, None)
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
