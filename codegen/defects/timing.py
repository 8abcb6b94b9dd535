"""Defects of gains, of order and timing, of counters, and of the derivative."""

from __future__ import annotations

from collections.abc import Iterator

from codegen.defects.planting import Kind, Shape, Site, Subject, Term, fits, weight_text
from codegen.defects.reading import Binary, Name, Ternary, bare, constant, walk
from codegen.graph import Input, WeightedSum
from codegen.rules.ctext import literal

DEGREES = 57.29577951308232


def _weights(subject: Subject) -> Iterator[tuple[Shape, Term]]:
    for shape in subject.shapes:
        for term in shape.terms:
            if term.factor is not None and term.operand is not None:
                yield shape, term


def _changed(subject: Subject, shape: Shape, term: Term, value: int) -> Iterator[Site]:
    if fits(value, shape.bits) and value != term.weight and term.factor is not None:
        yield subject.site(shape.statement, (term.factor, weight_text(value, shape.bits)))


def gain_lost(subject: Subject) -> Iterator[Site]:
    """Kind 11: a gain is rounded to zero."""
    for shape, term in _weights(subject):
        yield from _changed(subject, shape, term, 0)


def gain_wrapped(subject: Subject) -> Iterator[Site]:
    """Kind 12: a gain of one more than its word holds comes out negative."""
    for shape, term in _weights(subject):
        size = abs(term.weight)
        wrapped = size - (1 << size.bit_length())
        yield from _changed(subject, shape, term, wrapped if term.weight > 0 else -wrapped)


def inner_period_in_outer_gain(subject: Subject) -> Iterator[Site]:
    """Kind 42: a gain of the slow section holds the fast period."""
    every = _slow_every(subject)
    for shape, term in _weights(subject):
        if every and shape.statement.depth and subject.recursive(shape):
            yield from _changed(subject, shape, term, round(term.weight / every))


def unit_mixed(subject: Subject) -> Iterator[Site]:
    """Kind 54: degrees taken for radians, or the other way round."""
    for shape, term in _weights(subject):
        yield from _changed(subject, shape, term, round(term.weight * DEGREES))
        yield from _changed(subject, shape, term, round(term.weight / DEGREES))


def complement_of_share(subject: Subject) -> Iterator[Site]:
    """Kind 36: the share of the new value and that of the old one are exchanged."""
    if subject.fixed is None:
        return
    graph, formats = subject.fixed.graph, subject.fixed.formats
    for shape in subject.shapes:
        node = graph.nodes.get(shape.statement.target)
        if not isinstance(node, WeightedSum) or not subject.recursive(shape):
            continue
        for term in shape.terms:
            name = subject.signal(term.operand).split(">")[-1]
            if term.factor is None or name not in formats or isinstance(graph.nodes[name], Input):
                continue
            share = term.weight * formats[node.name].lsb / formats[name].lsb / (1 << shape.count)
            if 0 < share < 1:
                rest = (1 - share) * (1 << shape.count) * formats[name].lsb / formats[node.name].lsb
                yield from _changed(subject, shape, term, round(rest))


# --- order and timing ------------------------------------------------------------------------------------------------------


def _slow_every(subject: Subject) -> int:
    for statement in subject.program.step:
        if statement.kind == "if" and isinstance(statement.expr, Binary):
            return (constant(statement.expr.right) or 0) + 1
    return 0


def decimation_off_by_one(subject: Subject) -> Iterator[Site]:
    """Kind 39."""
    for statement in subject.program.step:
        if statement.kind == "if" and isinstance(statement.expr, Binary):
            last = constant(statement.expr.right) or 0
            left = subject.text(statement.expr.left)
            for text in (f"{left} > {last}u", f"{left} >= {last - 1}u", f"{left} >= {last + 1}u"):
                yield subject.site(statement, (statement.expr, text))


def first_slow_run(subject: Subject) -> Iterator[Site]:
    """Kind 40: the slow section runs in the very first tick."""
    every = _slow_every(subject)
    for statement in subject.program.statements:
        if every and statement.function.endswith("_init") and statement.target == "state->slow_count":
            yield subject.site(statement, (statement.expr, f"{every - 1}u"))


def _sums_over_period(subject: Subject) -> Iterator[tuple[Shape, str]]:
    for shape in subject.shapes:
        name = shape.statement.target
        if any(subject.text(store.expr) == name for store in subject.program.stores_of(name)) and len(shape.terms) == 2:
            yield shape, name


def samples_dropped(subject: Subject) -> Iterator[Site]:
    """Kind 41: the slow section takes the last reading for the mean of all."""
    every = _slow_every(subject)
    for shape, _ in _sums_over_period(subject):
        last = shape.terms[-1]
        text = f"{subject.text(last.expr)} * {literal(every, shape.bits)}"
        yield subject.site(shape.statement, (shape.statement.expr, text))


def old_value_used(subject: Subject) -> Iterator[Site]:
    """Kind 56: one part of the law reads the last tick's value, another this tick's."""
    for store in subject.memory_stores():
        source = subject.signal(store.expr)
        if source not in subject.program.declared or subject.program.type_of(source) != subject.program.type_of(store.target):
            continue
        for statement in subject.program.step:
            if statement is store or statement.kind != "declare":
                continue
            for expr in walk(statement.expr):
                if isinstance(expr, Name) and expr.text == source:
                    yield subject.site(statement, (expr, store.target))


def start_value_zero(subject: Subject) -> Iterator[Site]:
    """Kind 35: a filter starts from zero instead of from the first reading."""
    for statement in subject.program.step:
        expr = bare(statement.expr)
        if isinstance(expr, Ternary) and isinstance(expr.condition, Name) and expr.condition.text.startswith("state->"):
            stores = subject.program.stores_of(expr.condition.text.removeprefix("state->"))
            if stores and all(subject.text(store.expr) == "true" for store in stores):
                yield subject.site(statement, (expr, subject.text(expr.if_true)))
        elif statement.kind == "if" and isinstance(expr, Name) and expr.text.startswith("state->"):
            stores = subject.program.stores_of(expr.text.removeprefix("state->"))
            if stores and all(subject.text(store.expr) == "true" for store in stores):
                yield subject.site(statement, (expr, "true"))
    for store in subject.memory_stores():
        init = subject.program.init_of(store.target.removeprefix("state->"))
        if init is not None and (constant(init.expr) or 0) != 0:
            yield subject.site(init, (init.expr, "0"))


# --- derivative and counters -----------------------------------------------------------------------------------------------


def derivative_on_error(subject: Subject) -> Iterator[Site]:
    """Kind 32: a jump of the set-point goes through the derivative."""
    for store in subject.memory_stores():
        measured = subject.signal(store.expr)
        for shape in subject.sums():
            pair = [t for t in shape.terms if subject.signal(t.operand) in (measured, store.target)]
            if len(pair) != 2 or pair[0].sign * pair[0].weight + pair[1].sign * pair[1].weight != 0:
                continue
            for other in subject.sums():
                terms = {subject.signal(term.operand): term for term in other.terms}
                same = other.statement.ctype == subject.program.type_of(measured)
                if measured in terms and len(terms) == 2 and other is not shape and same and not any("state->" in name for name in terms):
                    edits = [(term.operand, subject.text(term.operand).replace(measured, other.statement.target))
                             for term in pair if term.operand is not None and subject.signal(term.operand) == measured]  # fmt: skip
                    yield subject.site(shape.statement, *edits, (store.expr, other.statement.target))


def _wrapped(subject: Subject) -> Iterator[tuple[Site, str, str, int]]:
    for statement, call in subject.calls("wrapped_difference_"):
        newer, older = subject.signal(call.arguments[0]), subject.signal(call.arguments[1])
        yield subject.site(statement, (call, "")), newer, older, constant(call.arguments[2]) or 0


def _rewritten(site: Site, text: str) -> Site:
    start, end, _ = site.edits[0]
    return Site(site.line, site.where, ((start, end, text),))


def derivative_of_wrapped(subject: Subject) -> Iterator[Site]:
    """Kind 33: the difference of two wrapped angles is taken as of plain numbers."""
    for site, newer, older, bits in _wrapped(subject):
        if bits <= 16:
            yield _rewritten(site, f"((int32_t)(int16_t){newer} - (int32_t)(int16_t){older})")


def wide_difference(subject: Subject) -> Iterator[Site]:
    """Kind 34: the difference of a wrapping counter is taken in a wide type."""
    for site, newer, older, bits in _wrapped(subject):
        mask = f"INT64_C({(1 << bits) - 1})"
        yield _rewritten(site, f"(int32_t)(((int64_t){newer} & {mask}) - ((int64_t){older} & {mask}))")


def plain_time_comparison(subject: Subject) -> Iterator[Site]:
    """Kind 43: a wrapping time is compared as a plain number."""
    for site, newer, older, bits in _wrapped(subject):
        mask = f"INT64_C({(1 << bits) - 1})"
        later = f"({newer} & {mask}) >= ({older} & {mask})"
        yield _rewritten(site, f"(({later}) ? wrapped_difference_32((uint32_t){newer}, (uint32_t){older}, {bits}) : 0)")


def divided_timer(subject: Subject) -> Iterator[Site]:
    """Kind 44: a timer is divided before the difference is taken, and no longer wraps at a power of two."""
    for site, newer, older, bits in _wrapped(subject):
        yield _rewritten(site, f"(wrapped_difference_32((uint32_t){newer} / 10u, (uint32_t){older} / 10u, {bits}) * 10)")


def signed_timer(subject: Subject) -> Iterator[Site]:
    """Kind 45: a timer is subtracted as a signed number."""
    for site, newer, older, bits in _wrapped(subject):
        if bits == 32:
            yield _rewritten(site, f"((int32_t){newer} - (int32_t){older})")


NO_GAIN = "no gain in this controller"
NO_SLOW = "no slow section in this controller"
NO_WRAP = "no wrapped counter in this controller"
KINDS = (
    Kind(11, "gain rounded to zero", gain_lost, NO_GAIN),
    Kind(12, "gain wrapped to its negative end", gain_wrapped, NO_GAIN),
    Kind(32, "derivative acts on the error", derivative_on_error, "no derivative of a measurement in this controller"),
    Kind(33, "derivative of a wrapped angle", derivative_of_wrapped, NO_WRAP),
    Kind(34, "counter difference in a wide type", wide_difference, NO_WRAP),
    Kind(35, "filter starts from zero", start_value_zero, "no memory starts from a reading or from a number in this controller"),
    Kind(36, "share and its complement exchanged", complement_of_share, "no filter with a share in this controller"),
    Kind(39, "slow section every n - 1 or n + 1 ticks", decimation_off_by_one, NO_SLOW),
    Kind(40, "slow section runs in the first tick", first_slow_run, NO_SLOW),
    Kind(41, "last sample instead of the mean", samples_dropped, NO_SLOW),
    Kind(42, "fast period in a slow gain", inner_period_in_outer_gain, NO_SLOW),
    Kind(43, "wrapping time compared as a plain number", plain_time_comparison, NO_WRAP),
    Kind(44, "divided timer subtracted", divided_timer, NO_WRAP),
    Kind(45, "timer subtracted as a signed number", signed_timer, "no 32-bit counter in this controller"),
    Kind(54, "units mixed", unit_mixed, NO_GAIN),
    Kind(56, "old value where the new one is meant", old_value_used, "no signal is both read and remembered in this controller"),
)
