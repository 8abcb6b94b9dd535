"""The closed set of node kinds and what each means, in words.

Gives the frozen dataclasses of which a graph is made.  A node kind carries no meaning of its own beyond its docstring: every
reading of the graph (float64, interval, rounding error, integer, C text, cost) is a rule per kind in ``codegen.rules``.
A new kind belongs into ``NODE_KINDS`` and then needs a row in every rule table, or the import fails.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class Relation(Enum):
    """How a comparison's sum stands to its threshold."""

    GREATER = ">"
    GREATER_OR_EQUAL = ">="
    NOT_EQUAL = "!="


@dataclass(frozen=True)
class Term:
    """One weighted operand: ``weight`` (unit of the sum per unit of the signal) times the signal ``name``."""

    weight: float
    name: str


@dataclass(frozen=True, kw_only=True)
class Node:
    """What all kinds share.

    Attributes:
        name: Unique; becomes the C identifier, the report's row and the witness in a failing check.
        unit: Unit of the real value; ``""`` for a bare number, ``"bool"`` for a truth value.
        section: Heading under which the C shows it (sensors, estimate, outer loop, inner loop, limits, arming, ...).
        note: What the signal is, one phrase for the C comment.
        slow: Lives in the slow section, which runs on every n-th tick only.
        resolution: Real value of one count where the signal's format is prescribed, else None.
    """

    name: str
    unit: str = ""
    section: str = ""
    note: str = ""
    slow: bool = False
    resolution: float | None = None

    @property
    def is_bool(self) -> bool:
        """Whether the signal is a truth value."""
        return self.unit == "bool"

    def operands(self) -> tuple[str, ...]:
        """Names read within the same tick (a delay reads nothing within the tick)."""
        return ()


@dataclass(frozen=True, kw_only=True)
class Input(Node):
    """A raw count handed in each tick: ``per_count`` real units per count, type ``ctype``, any value in [low, high]."""

    ctype: str
    quantity: str
    per_count: float
    low: int
    high: int


@dataclass(frozen=True, kw_only=True)
class Parameter(Node):
    """A live gain: starts at ``value``, may be set to anything in [low, high] between ticks."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, kw_only=True)
class Constant(Node):
    """A fixed number (or truth value, 0 or 1)."""

    value: float


@dataclass(frozen=True, kw_only=True)
class WeightedSum(Node):
    """bias + sum of weight * operand, rounded once, then held inside [low, high] where limits are given."""

    terms: tuple[Term, ...]
    bias: float = 0.0
    low: float | None = None
    high: float | None = None

    def operands(self) -> tuple[str, ...]:
        return tuple(term.name for term in self.terms)


@dataclass(frozen=True, kw_only=True)
class Clamp(Node):
    """The operand held inside [low, high]."""

    operand: str
    low: float
    high: float

    def operands(self) -> tuple[str, ...]:
        return (self.operand,)


@dataclass(frozen=True, kw_only=True)
class Delay(Node):
    """One tick of memory: the value that ``source`` had a tick ago, ``initial`` at the start.

    A slow delay is written on slow ticks.  Slow nodes read what it held before the write, fast nodes what it holds after:
    it is at once the slow section's memory and the held value that the fast section reads.
    """

    source: str
    initial: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Product(Node):
    """scale * left * right, rounded once, then held inside [low, high] where limits are given; scale > 0."""

    left: str
    right: str
    scale: float = 1.0
    low: float | None = None
    high: float | None = None

    def operands(self) -> tuple[str, ...]:
        return (self.left, self.right)


@dataclass(frozen=True, kw_only=True)
class Select(Node):
    """``if_true`` where the truth value ``condition`` holds, else ``if_false``."""

    condition: str
    if_true: str
    if_false: str

    def operands(self) -> tuple[str, ...]:
        return (self.condition, self.if_true, self.if_false)


@dataclass(frozen=True, kw_only=True)
class Compare(Node):
    """Whether the exact (never rounded) weighted sum of the operands stands in ``relation`` to ``threshold``."""

    terms: tuple[Term, ...]
    relation: Relation
    threshold: float

    def operands(self) -> tuple[str, ...]:
        return tuple(term.name for term in self.terms)


@dataclass(frozen=True, kw_only=True)
class Logic(Node):
    """Whether ``all`` (or, with ``any_of``, any) of the truth values hold; those in ``inverted`` are negated first."""

    arguments: tuple[str, ...]
    inverted: tuple[bool, ...]
    any_of: bool

    def operands(self) -> tuple[str, ...]:
        return self.arguments


@dataclass(frozen=True, kw_only=True)
class Table(Node):
    """Piecewise linear through ``values`` at ``start``, ``start + step``, ...; constant beyond both ends."""

    operand: str
    start: float
    step: float
    values: tuple[float, ...]

    def operands(self) -> tuple[str, ...]:
        return (self.operand,)


@dataclass(frozen=True, kw_only=True)
class WrappedDifference(Node):
    """newer - older of a counter that wraps at 2**bits counts: the representative in [-2**(bits-1), 2**(bits-1))."""

    newer: str
    older: str
    bits: int

    def operands(self) -> tuple[str, ...]:
        return (self.newer, self.older)


@dataclass(frozen=True, kw_only=True)
class SumOver(Node):
    """Exact sum of a fast operand over the n ticks of one slow period, this tick included; read by slow nodes only."""

    operand: str

    def operands(self) -> tuple[str, ...]:
        return (self.operand,)


@dataclass(frozen=True, kw_only=True)
class Shorten(Node):
    """The same value in a shorter word, rounded once: put in by the choice of formats, never by a designer."""

    operand: str

    def operands(self) -> tuple[str, ...]:
        return (self.operand,)


NODE_KINDS: frozenset[type[Node]] = frozenset(
    {
        Input,
        Parameter,
        Constant,
        WeightedSum,
        Clamp,
        Delay,
        Product,
        Select,
        Compare,
        Logic,
        Table,
        WrappedDifference,
        SumOver,
        Shorten,
    }
)
