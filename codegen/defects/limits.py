"""Defects of limits: missing, in the wrong place, on the wrong scale, exchanged, off by one; and of anti-windup."""

from __future__ import annotations

from collections.abc import Iterator

from codegen.defects.planting import Kind, Shape, Site, Subject, Term
from codegen.defects.reading import Binary, Call, Statement, Ternary, bare, constant, width_of
from codegen.rules.ctext import literal


def _bits(call: Call) -> int:
    return width_of(call.name)


def _limit(value: int, bits: int) -> str | None:
    return literal(value, bits) if -(1 << (bits - 1)) <= value < 1 << (bits - 1) else None


def wrong_scale(subject: Subject) -> Iterator[Site]:
    """Kind 15: both limits stand one binary place off."""
    for statement, call in subject.clamps():
        low, high = constant(call.arguments[1]), constant(call.arguments[2])
        if low is None or high is None:
            continue
        for texts in (
            (_limit(2 * low, _bits(call)), _limit(2 * high, _bits(call))),
            (_limit(low // 2, _bits(call)), _limit(high // 2, _bits(call))),
        ):
            if texts[0] is not None and texts[1] is not None:
                yield subject.site(statement, (call.arguments[1], texts[0]), (call.arguments[2], texts[1]))
    for statement, call in subject.words():
        bits = constant(call.arguments[1])
        for other in (bits - 1, bits + 1) if bits is not None else ():
            if 2 <= other <= 31:
                yield subject.site(statement, (call.arguments[1], str(other)))


def missing(subject: Subject) -> Iterator[Site]:
    """Kind 20: the limits that the comment promises are not there."""
    for statement, call in (*subject.clamps(), *subject.words()):
        inner = subject.text(call.arguments[0])
        text = inner if call.start == statement.expr.start else f"({inner})"
        yield subject.site(statement, (call, text))


def one_short(subject: Subject) -> Iterator[Site]:
    """Kind 21: saturates one count below the limit."""
    for statement, call in subject.clamps():
        high = constant(call.arguments[2])
        if high is not None:
            yield subject.site(statement, (call.arguments[2], literal(high - 1, _bits(call))))


def one_side_beyond(subject: Subject) -> Iterator[Site]:
    """Kind 23: the lower limit lies one count beyond the opposite of the upper one."""
    for statement, call in subject.clamps():
        low = constant(call.arguments[1])
        text = _limit(low - 1, _bits(call)) if low is not None else None
        if text is not None:
            yield subject.site(statement, (call.arguments[1], text))


def exchanged(subject: Subject) -> Iterator[Site]:
    """Kind 55: lower and upper limit exchanged."""
    for statement, call in subject.clamps():
        low, high = call.arguments[1], call.arguments[2]
        yield subject.site(statement, (low, subject.text(high)), (high, subject.text(low)))


def divisor_can_be_zero(subject: Subject) -> Iterator[Site]:
    """Kind 24: scaled by a measured span instead of a constant."""
    for statement, call, bits, _ in subject.shifts():
        names = subject.names_in(call.arguments[0])
        if names:
            yield subject.site(statement, (call, f"(({subject.text(call.arguments[0])}) / (int{bits}_t){names[0]})"))


def added_after_limit(subject: Subject) -> Iterator[Site]:
    """Kind 29: the last term is added behind the limits."""
    for shape in subject.sums():
        if shape.clamp is None or not isinstance(shape.total, Binary) or (shape.shift is not None and shape.count == 0):
            continue
        helper = shape.shift.name if shape.shift is not None else ""
        left, last = shape.total.left, subject.text(shape.total.right)
        scaled = f"{helper}({last}, {shape.count})" if helper else last
        inner = f"{helper}({subject.text(left)}, {shape.count})" if helper else subject.text(left)
        limits = ", ".join(subject.text(limit) for limit in shape.clamp.arguments[1:])
        text = f"({shape.clamp.name}({inner}, {limits}) {shape.total.sign} {scaled})"
        yield subject.site(shape.statement, (shape.clamp, text))


def clamped_after_use(subject: Subject) -> Iterator[Site]:
    """Kind 25: memory is limited when it is stored, but the value used in this tick is not."""
    for store in subject.memory_stores():
        source = subject.signal(store.expr)
        for shape in subject.shapes:
            if shape.clamp is None or shape.limits is None or not subject.leads_to(shape.statement.target, source):
                continue
            ctype = subject.program.type_of(source)
            if ctype != f"int{_bits(shape.clamp)}_t":
                continue
            limits = ", ".join(subject.text(limit) for limit in shape.clamp.arguments[1:])
            held = f"{shape.clamp.name}({subject.text(store.expr)}, {limits})"
            yield subject.site(shape.statement, (shape.clamp, f"({subject.text(shape.clamp.arguments[0])})"), (store.expr, held))


def _slacks(subject: Subject) -> Iterator[tuple[Shape, Statement, Shape]]:
    """What limits took away: (difference limited - wanted, statement of limited, shape of wanted)."""
    shapes = {shape.statement.target: shape for shape in subject.shapes}
    for shape in subject.sums():
        if len(shape.terms) == 2 and shape.terms[0].sign > 0 > shape.terms[1].sign:
            limited, wanted = (shapes.get(subject.signal(term.operand)) for term in shape.terms)
            if limited is None or wanted is None or limited.clamp is None:
                continue
            if subject.signal(limited.total) == wanted.statement.target:
                yield shape, limited.statement, wanted


def _uses(subject: Subject, name: str) -> Iterator[tuple[Shape, Term]]:
    """Terms that read a signal, or a copy of it in a shorter word."""
    copies = {name}
    for shape in subject.shapes:
        if shape.shift is not None and len(shape.terms) == 1 and subject.signal(shape.terms[0].operand) == name:
            copies.add(shape.statement.target)
    for shape in subject.sums():
        for term in shape.terms:
            if subject.signal(term.operand) in copies:
                yield shape, term


def windup_sign(subject: Subject) -> Iterator[Site]:
    """Kind 26: what the limits took away is added with the wrong sign."""
    for slack, _, _ in _slacks(subject):
        for shape, term in _uses(subject, slack.statement.target):
            yield subject.site(shape.statement, (term.expr, f"(-({subject.text(term.expr)}))"))


def windup_a_tick_late(subject: Subject) -> Iterator[Site]:
    """Kind 27: anti-windup sees what the limits took away a tick ago."""
    program = subject.program
    for slack, _, _ in _slacks(subject):
        state_end = program.header.index(f"}} {program.name}_state;")
        head = program.header[: state_end].rindex("typedef struct {")
        first = program.header[head : program.header.index(";", head) + 1]
        for shape, term in _uses(subject, slack.statement.target):
            assert term.operand is not None
            name, ctype = subject.signal(term.operand), subject.type_of(term.operand)
            member = f"{name}_a_tick_ago"
            init = next(s for s in program.statements if s.function == f"{program.name}_init")
            last = program.step[-1]
            yield subject.site(
                shape.statement,
                (term.operand, f"(int{shape.bits}_t)state->{member}"),
                ((init.start, init.start), f"state->{member} = 0;\n    "),
                ((last.end, last.end), f"\n    state->{member} = {name};"),
                header=((first, f"{first}\n    {ctype} {member};"),),
            )


def windup_before_trim(subject: Subject) -> Iterator[Site]:
    """Kind 28: anti-windup looks at limits that act before the last part of the output is added."""
    for slack, limited, wanted in _slacks(subject):
        outer = bare(limited.expr)
        calls = [call for statement, call in subject.clamps() if statement is limited]
        if wanted.shift is None and isinstance(wanted.total, Binary) and calls:
            left = f"({subject.text(wanted.total.left)})"
            text = subject.text(outer).replace(subject.text(calls[0].arguments[0]), left, 1)
            yield subject.site(slack.statement, (slack.total, f"{text} - {left}"))
        elif wanted.shift is not None and isinstance(wanted.total, Binary) and calls:
            left = f"{wanted.shift.name}({subject.text(wanted.total.left)}, {wanted.count})"
            bits = _bits(calls[0])
            inner = left if width_of(wanted.shift.name) == bits else f"(int{bits}_t){left}"
            limits = ", ".join(subject.text(limit) for limit in calls[0].arguments[1:])
            wide = f"(int{slack.bits}_t)"
            yield subject.site(slack.statement, (slack.total, f"{wide}{calls[0].name}({inner}, {limits}) - {wide}{left}"))


def memory_not_reset(subject: Subject) -> Iterator[Site]:
    """Kind 62: memory goes on while the controller is off, so that it starts with a jump."""
    for statement in subject.program.step:
        expr = bare(statement.expr)
        if isinstance(expr, Ternary) and constant(expr.if_false) == 0 and _stored(subject, statement.target):
            yield subject.site(statement, (expr, subject.text(expr.if_true)))
        elif statement.kind == "store" and statement.target in subject.program.assigned and constant(expr) == 0:
            for store in subject.memory_stores():
                if subject.signal(store.expr) == statement.target:
                    yield subject.site(statement, (expr, store.target))


def _stored(subject: Subject, name: str) -> bool:
    return any(subject.signal(store.expr) == name for store in subject.memory_stores())


NO_CLAMP = "no clamp in this controller"
NO_WINDUP = "no anti-windup by back-calculation in this controller"
KINDS = (
    Kind(15, "limits one binary place off", wrong_scale, NO_CLAMP),
    Kind(20, "limits missing", missing, NO_CLAMP),
    Kind(21, "saturates one count short of the limit", one_short, NO_CLAMP),
    Kind(23, "lower limit one count beyond", one_side_beyond, NO_CLAMP),
    Kind(24, "scaled by a divisor that can be zero", divisor_can_be_zero, "nothing is scaled by a division or a shift here"),
    Kind(25, "memory limited when stored, not when used", clamped_after_use, "no limited memory in this controller"),
    Kind(26, "anti-windup with the wrong sign", windup_sign, NO_WINDUP),
    Kind(27, "anti-windup a tick late", windup_a_tick_late, NO_WINDUP),
    Kind(28, "anti-windup at an inner limit", windup_before_trim, NO_WINDUP),
    Kind(29, "last term added behind the limits", added_after_limit, "no limited sum in this controller"),
    Kind(55, "lower and upper limit exchanged", exchanged, NO_CLAMP),
    Kind(62, "memory not reset while off", memory_not_reset, "no memory is reset by a condition in this controller"),
)
