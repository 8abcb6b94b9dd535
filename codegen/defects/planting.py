"""What all defect kinds share: the controller under edit, a place with its edits, and the mutant that comes of it.

Takes a ``Program`` and, where it is known, its fixed graph; gives shapes of statements (sum, shift, clamp) and edited texts.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property

from codegen.defects.reading import (
    Binary,
    Call,
    Cast,
    Expr,
    Name,
    Program,
    Statement,
    Unary,
    bare,
    constant,
    uncast,
    walk,
    width_of,
)
from codegen.rules.ctext import literal
from codegen.rules.fixed import FixedGraph

Edit = tuple[int, int, str]


@dataclass(frozen=True)
class Mutant:
    """A controller with one defect.

    Attributes:
        kind: Number of the kind in the catalogue; 0 for the unchanged text.
        number: Running number within its kind.
        title: What is wrong, in words.
        line: Line of the source, from 1, at which it was planted.
        where: Signal, member or helper that the line computes.
        change: Old text and new text of the place.
        source: The whole source text.
        header: The whole header text.
    """

    kind: int
    number: int
    title: str
    line: int
    where: str
    change: str
    source: str
    header: str

    @property
    def ident(self) -> str:
        """Name of the mutant, unique within a controller."""
        return f"k{self.kind:02d}n{self.number:02d}"


@dataclass(frozen=True)
class Site:
    """One place at which a kind can be planted, with the edits that do it."""

    line: int
    where: str
    edits: tuple[Edit, ...]
    header_edits: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Term:
    """One term of a sum: ``sign * operand * factor``; a bias has no operand, a bare operand no factor."""

    sign: int
    expr: Expr
    operand: Expr | None
    factor: Expr | None
    weight: int


@dataclass(frozen=True)
class Shape:
    """A computing statement seen as conversion(clamp(shift(sum)))."""

    statement: Statement
    clamp: Call | None
    shift: Call | None
    total: Expr
    terms: tuple[Term, ...]
    bits: int

    @property
    def count(self) -> int:
        """Bits that the shift drops, 0 without one."""
        return constant(self.shift.arguments[1]) or 0 if self.shift else 0

    @property
    def limits(self) -> tuple[int, int] | None:
        """Limits of the clamp, None without one."""
        if self.clamp is None:
            return None
        low, high = constant(self.clamp.arguments[1]), constant(self.clamp.arguments[2])
        return None if low is None or high is None else (low, high)


def flatten(expr: Expr, sign: int = 1) -> Iterator[Term]:
    """Terms of a sum, left to right; parentheses are not opened."""
    match expr:
        case Binary(sign="+", left=left, right=right):
            yield from flatten(left, sign)
            yield from flatten(right, sign)
        case Binary(sign="-", left=left, right=right) if constant(expr) is None:
            yield from flatten(left, sign)
            yield from flatten(right, -sign)
        case Binary(sign="*", left=left, right=right) if constant(right) is not None:
            yield Term(sign, expr, left, right, constant(right) or 0)
        case Unary(sign="-", operand=operand) if constant(operand) is None:
            yield Term(-sign, expr, operand, None, 1)
        case _ if (value := constant(expr)) is not None:
            yield Term(sign, expr, None, expr, value)
        case _:
            yield Term(sign, expr, expr, None, 1)


def weight_text(value: int, bits: int) -> str:
    """A factor as it stands behind a multiplication sign."""
    return literal(value, bits) if value >= 0 else f"({literal(value, bits)})"


def fits(value: int, bits: int) -> bool:
    """Whether a constant fits a signed word."""
    return -(1 << (bits - 1)) < value < 1 << (bits - 1)


class Subject:
    """A controller under edit.

    Args:
        program: Its text.
        fixed: Its integers, None where only the text is known.
    """

    def __init__(self, program: Program, fixed: FixedGraph | None) -> None:
        self.program, self.fixed = program, fixed

    @cached_property
    def shapes(self) -> tuple[Shape, ...]:
        """Every declaration of the step function whose core is a sum."""
        return tuple(shape for s in self.program.step if s.kind == "declare" and s.ctype != "bool" for shape in [self._shape(s)])

    def _shape(self, statement: Statement) -> Shape:
        inner = bare(statement.expr)
        clamp = shift = None
        bits = 64 if statement.ctype == "int64_t" else 32
        while isinstance(inner, Cast):
            inner = bare(inner.operand)
        if isinstance(inner, Call) and inner.name.startswith(("clamp_", "saturate_")):
            bits, held = width_of(inner.name), inner
            clamp = inner if inner.name.startswith("clamp_") else None
            inner = bare(held.arguments[0])
            # A short clamp takes a longer sum in its own type.
            while isinstance(inner, Cast) and not self._name(inner):
                inner = bare(inner.operand)
        if isinstance(inner, Call) and inner.name.startswith("round_shift_"):
            shift, bits = inner, width_of(inner.name)
            inner = bare(inner.arguments[0])
        if clamp is None and shift is None:
            inner = bare(statement.expr)
            while isinstance(inner, Cast) and not self._name(inner):
                inner = bare(inner.operand)
        return Shape(statement, clamp, shift, inner, tuple(flatten(inner)), bits)

    @staticmethod
    def _name(expr: Expr) -> bool:
        return isinstance(uncast(expr), Name)

    def sums(self) -> Iterator[Shape]:
        """Shapes with at least two terms."""
        return (shape for shape in self.shapes if len(shape.terms) > 1)

    def clamps(self) -> Iterator[tuple[Statement, Call]]:
        """Every clamp called in the step function or in the one that sets gains."""
        for statement in self.program.statements:
            for expr in walk(statement.expr):
                if isinstance(expr, Call) and expr.name.startswith("clamp_"):
                    yield statement, expr

    def words(self) -> Iterator[tuple[Statement, Call]]:
        """Every saturation to a signed word in the step function."""
        return self.calls("saturate_")

    def shifts(self) -> Iterator[tuple[Statement, Call, int, int]]:
        """Every rounding shift: statement, call, width, bits dropped."""
        for statement in self.program.step:
            for expr in walk(statement.expr):
                if isinstance(expr, Call) and expr.name.startswith("round_shift_"):
                    yield statement, expr, width_of(expr.name), constant(expr.arguments[1]) or 0

    def calls(self, prefix: str) -> Iterator[tuple[Statement, Call]]:
        """Every call of a helper of that name in the step function."""
        for statement in self.program.step:
            for expr in walk(statement.expr):
                if isinstance(expr, Call) and expr.name.startswith(prefix):
                    yield statement, expr

    def signal(self, expr: Expr | None) -> str:
        """Spelling of the variable that an operand is, "" where it is none."""
        inner = uncast(expr) if expr is not None else None
        return inner.text if isinstance(inner, Name) else ""

    def type_of(self, expr: Expr | None) -> str:
        """C type of the variable that an operand is, before its conversions."""
        name = self.signal(expr)
        return self.program.type_of(name) if name else ""

    def text(self, expr: Expr) -> str:
        """Text of an expression."""
        return self.program.text(expr)

    def memory_stores(self) -> Iterator[Statement]:
        """Stores into memory in the step function of what some statement computed (not a constant)."""
        for statement in self.program.step:
            stored = statement.kind == "store" and statement.target.startswith("state->")
            if stored and self.signal(statement.expr) not in ("", "true", "false"):
                yield statement

    def recursive(self, shape: Shape) -> str:
        """The member that a sum adds to with weight one and that is written in the step: it is an integrator's memory, else ""."""
        for term in shape.terms:
            name = self.signal(term.operand)
            memory = name.startswith("state->") and self.program.stores_of(name.removeprefix("state->"))
            if term.factor is None and term.sign > 0 and memory:
                return name
        return ""

    def leads_to(self, start: str, target: str) -> bool:
        """Whether a signal reaches another one through choices only."""
        seen, rest = set(), [start]
        while rest:
            name = rest.pop()
            if name == target:
                return True
            if name in seen:
                continue
            seen.add(name)
            for other in self.program.declared.values():
                if other.ctype != "bool" and "?" in self.program.text(other.expr) and name in self.names_in(other.expr):
                    rest.append(other.target)
        return False

    @staticmethod
    def names_in(expr: Expr) -> list[str]:
        """Spellings of all variables in an expression."""
        return [part.text for part in walk(expr) if isinstance(part, Name)]

    def site(self, statement: Statement, *edits: tuple[Expr | tuple[int, int], str], header: tuple[tuple[str, str], ...] = ()) -> Site:
        """A place with edits, each a span (or the expression that covers it) and its new text."""
        where = statement.target or statement.function
        done = tuple((span.start, span.end, text) if isinstance(span, Expr) else (*span, text) for span, text in edits)
        return Site(statement.line, where, done, header)

    def apply(self, site: Site) -> tuple[str, str, str] | None:
        """(source, header, what changed) after the edits; None where they change nothing."""
        source, header = self.program.source, self.program.header
        said: list[str] = []
        for start, end, text in sorted(site.edits, reverse=True):
            old = " ".join(self.program.plain[start:end].split())
            said.append(f"{old} -> {' '.join(text.split())}" if old else f"added {' '.join(text.split())}")
            source = source[:start] + text + source[end:]
        for old, text in site.header_edits:
            said.append(f"{old} -> {text}")
            header = header.replace(old, text)
        if (source, header) == (self.program.source, self.program.header):
            return None
        return source, header, "; ".join(reversed(said))


@dataclass(frozen=True)
class Kind:
    """One kind of defect.

    Attributes:
        number: Number in the catalogue of classic fixed-point defects.
        title: What is wrong, in words.
        plant: Gives every place at which a controller can have it; None where no C text can.
        absent: Why a controller without such a place has none, or where the kind is looked after instead.
    """

    number: int
    title: str
    plant: Callable[[Subject], Iterable[Site]] | None
    absent: str
