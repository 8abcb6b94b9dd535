"""Defects of scaling and rounding: shifts, halves, truncation, drift."""

from __future__ import annotations

from collections.abc import Iterator

from codegen.defects.planting import Kind, Shape, Site, Subject, Term, fits
from codegen.defects.reading import Binary, Expr, constant, walk, width_of
from codegen.rules.ctext import literal

COARSE_BITS = 6


def logical_shift(subject: Subject) -> Iterator[Site]:
    """Kind 4, in the helpers and at single places."""
    for statement in subject.program.statements:
        if statement.kind == "return" and statement.function.startswith("round_shift_") and isinstance(statement.expr, Binary):
            width = width_of(statement.function)
            left, right = subject.text(statement.expr.left), subject.text(statement.expr.right)
            yield subject.site(statement, (statement.expr, f"(int{width}_t)((uint{width}_t){left} >> {right})"))
    for statement, call, bits, count in subject.shifts():
        total = f"({subject.text(call.arguments[0])} + {literal(1 << count >> 1, bits)})"
        yield subject.site(statement, (call, f"(int{bits}_t)((uint{bits}_t){total} >> {count})"))


def shift_by_width(subject: Subject) -> Iterator[Site]:
    """Kind 5: the difference of two formats comes out as the width, or negative."""
    for statement, call, bits, _ in subject.shifts():
        yield subject.site(statement, (call.arguments[1], str(bits)))
        yield subject.site(statement, (call.arguments[1], "-1"))


def _integrators(subject: Subject) -> Iterator[tuple[Shape, str]]:
    for shape in subject.shapes:
        member = subject.recursive(shape)
        if member and len(shape.terms) > 1:
            yield shape, member


def floor_in_integrator(subject: Subject) -> Iterator[Site]:
    """Kind 6: memory keeps fewer bits than the update has; what is dropped is lost for ever, always downwards."""
    members = {member for _, member in _integrators(subject)}
    for store in subject.memory_stores():
        ctype = subject.program.type_of(store.target)
        if store.target in members and ctype in ("int32_t", "int64_t"):
            bits = int(ctype[3:5])
            name = subject.text(store.expr)
            yield subject.site(store, (store.expr, f"({name} >> {COARSE_BITS}) * {literal(1 << COARSE_BITS, bits)}"))


def divided(subject: Subject) -> Iterator[Site]:
    """Kind 7: division rounds towards zero."""
    for statement, call, bits, count in subject.shifts():
        if count < bits - 1:
            yield subject.site(statement, (call, f"(({subject.text(call.arguments[0])}) / {literal(1 << count, bits)})"))


def rounded_twice(subject: Subject) -> Iterator[Site]:
    """Kind 8."""
    for statement, call, _, count in subject.shifts():
        if count > 1:
            inner = f"{call.name}({subject.text(call.arguments[0])}, {count // 2})"
            yield subject.site(statement, (call, f"{call.name}({inner}, {count - count // 2})"))


def half_missing(subject: Subject) -> Iterator[Site]:
    """Kind 9, in the helpers and at single places."""
    for statement in subject.program.statements:
        if statement.kind == "return" and statement.function.startswith("round_shift_"):
            yield subject.site(statement, (statement.expr, "x >> n"))
    for statement, call, _, count in subject.shifts():
        yield subject.site(statement, (call, f"(({subject.text(call.arguments[0])}) >> {count})"))


def half_doubled(subject: Subject) -> Iterator[Site]:
    """Kind 10."""
    for statement, call, bits, count in subject.shifts():
        if count < bits - 1:
            yield subject.site(statement, (call, f"(({subject.text(call.arguments[0])} + {literal(1 << count, bits)}) >> {count})"))
    for statement in subject.program.statements:
        if statement.kind == "return" and statement.function.startswith("round_shift_"):
            for expr in walk(statement.expr):
                if isinstance(expr, Binary) and subject.text(expr) == "n - 1":
                    yield subject.site(statement, (expr, "n"))


def decision_on_rounded(subject: Subject) -> Iterator[Site]:
    """Kind 30: a comparison is made after rounding."""
    for statement in subject.program.step:
        expr = statement.expr
        if statement.ctype != "bool" or not isinstance(expr, Binary) or expr.sign not in ("<", ">", "<=", ">="):
            continue
        threshold, bits = constant(expr.right), 64 if "64" in subject.text(expr) else 32
        if threshold is None or (bits == 64 and "round_shift_64" not in subject.program.returns):
            continue
        helper = f"round_shift_{bits}"
        if helper in subject.program.returns:
            left = f"{helper}({subject.text(expr.left)}, 4)"
            yield subject.site(statement, (expr.left, left), (expr.right, literal(threshold >> 4, bits)))


def low_pass_stops_short(subject: Subject) -> Iterator[Site]:
    """Kind 37: the step of a filter is truncated towards zero, so that small differences move nothing."""
    for shape, member in _integrators(subject):
        for term in shape.terms:
            if term.factor is not None and term.operand is not None and subject.signal(term.operand) != member:
                one = literal(256, shape.bits)
                yield subject.site(shape.statement, (term.expr, f"({subject.text(term.expr)}) / {one} * {one}"))


def mean_truncated(subject: Subject) -> Iterator[Site]:
    """Kind 38: the mean over a slow period is rounded downwards."""
    sums = {s.target.removeprefix("state->") for s in subject.memory_stores() if f"state->{subject.text(s.expr)}" == s.target}
    for statement, call, _, count in subject.shifts():
        if statement.depth and sums & set(subject.names_in(call)):
            yield subject.site(statement, (call, f"(({subject.text(call.arguments[0])}) >> {count})"))


def half_of_odd_lost(subject: Subject) -> Iterator[Site]:
    """Kind 57: the mean of two readings is halved before it is added up."""
    for shape, member in _integrators(subject):
        for term in shape.terms:
            if term.operand is not None and subject.signal(term.operand) != member:
                yield subject.site(shape.statement, (term.expr, f"(({subject.text(term.expr)}) >> 1) * {literal(2, shape.bits)}"))


def clamp_too_coarse(subject: Subject) -> Iterator[Site]:
    """Kind 58: a value is held inside its limits on a scale that has lost its small bits."""
    for shape in subject.shapes:
        if shape.clamp is None or shape.limits is None:
            continue
        bits = width_of(shape.clamp.name)
        low, high = shape.limits
        if high - low < 1 << (COARSE_BITS + 2):
            continue
        limits = f"{literal(low >> COARSE_BITS, bits)}, {literal(high >> COARSE_BITS, bits)}"
        coarse = f"({subject.text(shape.clamp.arguments[0])}) >> {COARSE_BITS}"
        yield subject.site(shape.statement, (shape.clamp, f"({shape.clamp.name}({coarse}, {limits}) * {literal(1 << COARSE_BITS, bits)})"))


def helper_wrong_below_zero(subject: Subject) -> Iterator[Site]:
    """Kind 59: half is added and the sum divided, which is right above zero only."""
    for statement in subject.program.statements:
        if statement.kind == "return" and statement.function.startswith("round_shift_") and isinstance(statement.expr, Binary):
            width = width_of(statement.function)
            yield subject.site(statement, (statement.expr, f"{subject.text(statement.expr.left)} / (INT{width}_C(1) << n)"))
    for statement, call, bits, count in subject.shifts():
        if count < bits - 1:
            total = f"({subject.text(call.arguments[0])} + {literal(1 << count >> 1, bits)})"
            yield subject.site(statement, (call, f"({total} / {literal(1 << count, bits)})"))


def _halved(subject: Subject, shape: Shape, term: Term) -> tuple[Expr, str] | None:
    """A term with its binary point moved by one place."""
    assert term.operand is not None
    if term.factor is None:
        return term.expr, f"{subject.text(term.expr)} * {literal(2, shape.bits)}"
    if abs(term.weight) > 1:
        value = term.weight // 2
        return term.factor, literal(value, shape.bits) if value >= 0 else f"({literal(value, shape.bits)})"
    return None


def point_of_added_term(subject: Subject) -> Iterator[Site]:
    """Kind 13: what is fed forward or added as a constant stands in another format."""
    for shape in subject.sums():
        for term in shape.terms[1:]:
            if term.operand is None and fits(2 * term.weight, shape.bits):
                yield subject.site(shape.statement, (term.expr, literal(2 * term.weight, shape.bits)))
            elif term.operand is not None and not subject.signal(term.operand).startswith("state->"):
                edit = _halved(subject, shape, term)
                if edit is not None:
                    yield subject.site(shape.statement, edit)


def point_of_memory(subject: Subject) -> Iterator[Site]:
    """Kind 14: the memory of a filter stands in another format than what is added to it."""
    for shape in subject.sums():
        for term in shape.terms:
            if term.operand is not None and subject.signal(term.operand).startswith("state->"):
                edit = _halved(subject, shape, term)
                if edit is not None:
                    yield subject.site(shape.statement, edit)


ALWAYS = "this controller rounds nowhere"
NO_INTEGRATOR = "no integrator and no filter memory in this controller"
KINDS = (
    Kind(4, "unsigned instead of arithmetic right shift", logical_shift, ALWAYS),
    Kind(5, "shift by the width of the word or by a negative count", shift_by_width, ALWAYS),
    Kind(6, "integrator drops bits downwards on every tick", floor_in_integrator, NO_INTEGRATOR),
    Kind(7, "division, which rounds towards zero, in place of a rounding shift", divided, ALWAYS),
    Kind(8, "rounded twice", rounded_twice, ALWAYS),
    Kind(9, "half a count missing before the shift", half_missing, ALWAYS),
    Kind(10, "a whole count added before the shift instead of half", half_doubled, ALWAYS),
    Kind(13, "binary point of an added term off by one", point_of_added_term, "no sum of several terms in this controller"),
    Kind(14, "binary point of a filter's memory off by one", point_of_memory, NO_INTEGRATOR),
    Kind(30, "decision on the rounded instead of the exact sum", decision_on_rounded, "no comparison in this controller"),
    Kind(37, "low-pass stops short of its target", low_pass_stops_short, NO_INTEGRATOR),
    Kind(38, "mean over the slow period rounded downwards", mean_truncated, "no mean over a slow period in this controller"),
    Kind(57, "half of an odd sum lost before it is added up", half_of_odd_lost, NO_INTEGRATOR),
    Kind(58, "held on a scale that lost its small bits", clamp_too_coarse, "no clamp wide enough in this controller"),
    Kind(59, "rounding helper wrong below zero", helper_wrong_below_zero, ALWAYS),
)
