"""Defects of word length: products, sums, differences and conversions in the wrong width, with or without sign."""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import pairwise

from codegen.defects.planting import Kind, Shape, Site, Subject, Term
from codegen.defects.reading import Binary, Call, Cast, Expr, bare, constant, walk, width_of
from codegen.rules.ctext import literal

SHORT = ("int8_t", "int16_t", "uint8_t", "uint16_t")
INT_MAX = 2**31 - 1


def _products(subject: Subject) -> Iterator[tuple[Shape, Term]]:
    """Terms in which a converted operand of at most 16 bits is multiplied by a constant that an ``int`` holds."""
    for shape in subject.shapes:
        for term in shape.terms:
            inner = bare(term.operand) if term.operand is not None else None
            # A constant beyond 16 bits is a long where int has 16, and the product is then wide enough.
            most = 2**15 - 1 if shape.bits == 32 else INT_MAX
            if term.factor is not None and isinstance(inner, Cast) and abs(term.weight) <= most and subject.type_of(inner) in SHORT:
                yield shape, term


def _bare_product(subject: Subject, term: Term) -> str:
    factor = str(term.weight) if term.weight >= 0 else f"({term.weight})"
    return f"{subject.signal(term.operand)} * {factor}"


def product_without_cast(subject: Subject) -> Iterator[Site]:
    """Kind 1: the operands of a product have their own short types."""
    for shape, term in _products(subject):
        yield subject.site(shape.statement, (term.expr, _bare_product(subject, term)))
    for shape, product in _signal_products(subject):
        yield subject.site(shape.statement, (product, f"{subject.signal(product.left)} * {subject.signal(product.right)}"))


def cast_after_product(subject: Subject) -> Iterator[Site]:
    """Kind 2: the product is converted, not its operands."""
    for shape, term in _products(subject):
        yield subject.site(shape.statement, (term.expr, f"(int{shape.bits}_t)({_bare_product(subject, term)})"))
    for shape, product in _signal_products(subject):
        text = f"{subject.signal(product.left)} * {subject.signal(product.right)}"
        yield subject.site(shape.statement, (product, f"(int{shape.bits}_t)({text})"))


def _signal_products(subject: Subject, types: tuple[str, ...] = ("int8_t", "int16_t")) -> Iterator[tuple[Shape, Binary]]:
    for shape in subject.shapes:
        for expr in walk(shape.total):
            if not isinstance(expr, Binary) or expr.sign != "*" or constant(expr.right) is not None:
                continue
            if {subject.type_of(expr.left), subject.type_of(expr.right)} <= set(types):
                yield shape, expr


def unsigned_product(subject: Subject) -> Iterator[Site]:
    """Kind 3: unsigned short operands become signed ints and their product overflows."""
    for shape, product in _signal_products(subject, ("uint16_t",)):
        text = f"{subject.signal(product.left)} * {subject.signal(product.right)}"
        yield subject.site(shape.statement, (product, f"(int{shape.bits}_t)({text})"))


def saturated_after_narrowing(subject: Subject) -> Iterator[Site]:
    """Kind 16: the narrow type comes before the limits."""
    for shape in subject.shapes:
        outer = bare(shape.statement.expr)
        if shape.clamp is not None and isinstance(outer, Cast) and outer.operand is not shape.total:
            inner = shape.clamp.arguments[0]
            bits = width_of(shape.clamp.name)
            yield subject.site(shape.statement, (inner, f"(int{bits}_t)({outer.ctype})({subject.text(inner)})"))


def partial_sum_saturated(subject: Subject) -> Iterator[Site]:
    """Kind 17: limits act on a sum before its last term is added."""
    for shape in subject.sums():
        if shape.clamp is None or shape.limits is None or not isinstance(shape.total, Binary) or len(shape.terms) < 3:
            continue
        bits, least, most = shape.bits, -(1 << (shape.bits - 1)), (1 << (shape.bits - 1)) - 1
        low, high = (max(least, min(most, limit << shape.count)) for limit in shape.limits)
        left = shape.total.left
        text = f"clamp_{bits}({subject.text(left)}, {literal(low, bits)}, {literal(high, bits)})"
        if f"clamp_{bits}" in subject.program.returns:
            yield subject.site(shape.statement, (left, text))


def added_before_widening(subject: Subject) -> Iterator[Site]:
    """Kind 18: two products are added in 32 bits and widened afterwards."""
    for shape in subject.sums():
        if shape.bits != 64:
            continue
        wide = [t for t in shape.terms if t.factor is not None and t.operand is not None and abs(t.weight) <= INT_MAX]
        wide = [t for t in wide if subject.type_of(t.operand) in ("int16_t", "int32_t")]
        for first, second in pairwise(wide):
            if shape.terms.index(second) != shape.terms.index(first) + 1:
                continue
            texts = [f"(int32_t){subject.signal(t.operand)} * {_factor(t)}" for t in (first, second)]
            sign = "+" if first.sign * second.sign > 0 else "-"
            yield subject.site(shape.statement, ((first.expr.start, second.expr.end), f"(int64_t)({texts[0]} {sign} {texts[1]})"))


def _factor(term: Term) -> str:
    return literal(term.weight, 32) if term.weight >= 0 else f"({literal(term.weight, 32)})"


def narrow_accumulator(subject: Subject) -> Iterator[Site]:
    """Kind 19: an accumulator or its memory has half the width that it needs."""
    half = {"int64_t": "int32_t", "int32_t": "int16_t"}
    for shape in subject.sums():
        narrow = half.get(shape.statement.ctype)
        if narrow is not None:
            expr, start = shape.statement.expr, shape.statement.start
            head = subject.program.plain[start : expr.start].replace(shape.statement.ctype, narrow, 1)
            yield subject.site(shape.statement, ((start, expr.start), head), (expr, f"({narrow})({subject.text(expr)})"))
    for store in subject.memory_stores():
        member, ctype = store.target.removeprefix("state->"), subject.program.type_of(store.target)
        if ctype in half:
            narrow = half[ctype]
            stores = [(s.expr, f"({narrow})({subject.text(s.expr)})") for s in subject.program.stores_of(member)]
            yield subject.site(store, *stores, header=((f"    {ctype} {member};", f"    {narrow} {member};"),))


def negated_in_place(subject: Subject) -> Iterator[Site]:
    """Kind 22: a value is negated in its own short type, in which the least value has no opposite."""
    for shape in subject.shapes:
        for term in shape.terms:
            ctype = subject.type_of(term.operand)
            if term.operand is None or ctype not in ("int16_t", "int32_t") or ctype == f"int{shape.bits}_t":
                continue
            negated = f"(int{shape.bits}_t)({ctype})(-{subject.signal(term.operand)})"
            if term.factor is not None and term.weight < 0:
                yield subject.site(shape.statement, (term.expr, f"{negated} * {literal(-term.weight, shape.bits)}"))
            elif term.sign < 0 and term.expr.start > shape.total.start and not isinstance(bare(term.expr), Call):
                minus = subject.program.plain.rindex("-", shape.total.start, term.expr.start)
                yield subject.site(shape.statement, ((minus, minus + 1), "+"), (term.operand, negated))


def unsigned_conversion(subject: Subject) -> Iterator[Site]:
    """Kind 50: a signed value passes through an unsigned type."""
    for statement in subject.program.step:
        for expr in walk(statement.expr):
            if isinstance(expr, Cast) and re.fullmatch(r"int(32|64)_t", expr.ctype):
                ctype = subject.type_of(expr.operand)
                if ctype in ("int16_t", "int32_t") and ctype != expr.ctype:
                    yield subject.site(statement, (expr, f"({expr.ctype})(u{ctype}){subject.text(expr.operand)}"))


def short_difference(subject: Subject) -> Iterator[Site]:
    """Kind 51: a difference is taken in the short type of its operands."""
    for shape in subject.sums():
        if len(shape.terms) != 2 or any(t.operand is None or t.factor is not None for t in shape.terms):
            continue
        first, second = shape.terms
        types = {subject.type_of(first.operand), subject.type_of(second.operand)}
        short = next((t for t in ("int64_t", "int32_t", "int16_t", "int8_t") if t in types), "")
        if short in ("int8_t", "int16_t", "int32_t") and types <= {"int8_t", "int16_t", "int32_t"} and first.sign * second.sign < 0:
            wide = f"int{max(32, shape.bits)}_t"
            sign = "-" if first.sign > 0 else "+"
            a, b = subject.signal(first.operand), subject.signal(second.operand)
            text = f"{a} {sign} {b}" if short != "int32_t" else f"(uint32_t){a} {sign} (uint32_t){b}"
            yield subject.site(shape.statement, (shape.total, f"({wide})({short})({text})"))


def unsigned_comparison(subject: Subject) -> Iterator[Site]:
    """Kind 52: a comparison is made without sign."""
    for statement in subject.program.step:
        expr = statement.expr
        if statement.ctype == "bool" and isinstance(expr, Binary) and expr.sign in ("<", ">", "<=", ">="):
            threshold = constant(expr.right)
            bits = 64 if "64_C" in subject.text(expr.right) else 32
            if threshold is not None:
                left, right = subject.text(expr.left), subject.text(expr.right)
                yield subject.site(statement, (expr.left, f"(uint{bits}_t)({left})"), (expr.right, f"(uint{bits}_t)({right})"))


def table_place_in_int(subject: Subject) -> Iterator[Site]:
    """Kind 53: the place in a table is computed in ``int``, which has 16 bits on small machines."""
    for statement in subject.program.statements:
        if statement.function.startswith("interpolate_") and statement.target == "fraction":
            yield subject.site(statement, (statement.expr, "position - (int32_t)((int16_t)index * (int16_t)(1 << n))"))


def static_memory(subject: Subject) -> Iterator[Site]:
    """Kind 61: a member of the state lives in the file, so that two controllers share it."""
    for store in subject.memory_stores():
        member, ctype = store.target.removeprefix("state->"), subject.program.type_of(store.target)
        shared = f"{subject.program.name}_shared_{member}"
        edits: list[tuple[Expr | tuple[int, int], str]] = []
        for found in re.finditer(rf"\bstate->{member}\b", subject.program.plain):
            edits.append(((found.start(), found.end()), shared))
        first = subject.program.plain.index(f"void {subject.program.name}_init")
        edits.append(((first, first), f"static {ctype} {shared};\n\n"))
        yield subject.site(store, *edits)



SHORT_NONE = "no operand of 16 bits or fewer is multiplied in this controller"
KINDS = (
    Kind(1, "product of short operands without a conversion", product_without_cast, SHORT_NONE),
    Kind(2, "conversion after the product instead of before", cast_after_product, SHORT_NONE),
    Kind(3, "product of unsigned short operands in signed int", unsigned_product, "no product of unsigned readings in this controller"),
    Kind(16, "limits act after the narrowing conversion", saturated_after_narrowing, "no clamp is followed by a narrowing here"),
    Kind(17, "limits act on a partial sum", partial_sum_saturated, "no limited sum of three terms in this controller"),
    Kind(18, "two products added in 32 bits and widened afterwards", added_before_widening, "no 64-bit accumulator in this controller"),
    Kind(19, "accumulator too narrow", narrow_accumulator, "no accumulator wider than 16 bits in this controller"),
    Kind(22, "negated in a type in which the least value has no opposite", negated_in_place, "no short operand is subtracted here"),
    Kind(50, "signed value through an unsigned type", unsigned_conversion, "no widening conversion in this controller"),
    Kind(51, "difference in the short type of its operands", short_difference, "no plain difference in this controller"),
    Kind(52, "comparison without sign", unsigned_comparison, "no comparison in this controller"),
    Kind(53, "place in a table computed in int", table_place_in_int, "no table in this controller"),
    Kind(61, "memory shared by two controllers", static_memory, "this controller has no memory"),
)
