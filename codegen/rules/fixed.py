"""What a signal becomes once it has bits: formats and the integers that realise each node.

Takes nothing, gives the frozen dataclasses ``Format``, the details per node kind, and ``FixedGraph``.  Chosen by
``codegen.formats``; read by the integer, C-text, rounding-error and cost rules, which share no code with each other.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

from codegen.graph import Graph, SumOver


@dataclass(frozen=True)
class Format:
    """How a signal is stored: real value = raw * ``lsb``.

    Attributes:
        lsb: Real value of one count, exact.
        bits: Width of the signed C type that holds it: 16, 32 or 64; 1 for a truth value; an input keeps its own type.
        low: Least raw value, proven for all inputs from any proven state.
        high: Greatest raw value, proven likewise.
        ctype: C type that holds it.
    """

    lsb: Fraction
    bits: int
    low: int
    high: int
    ctype: str

    @property
    def fraction_bits(self) -> int | None:
        """The n for which one count is exactly 2**-n, else None."""
        numerator, denominator = self.lsb.numerator, self.lsb.denominator
        if numerator == 1 and denominator & (denominator - 1) == 0:
            return denominator.bit_length() - 1
        if denominator == 1 and numerator & (numerator - 1) == 0:
            return 1 - numerator.bit_length()
        return None

    @property
    def label(self) -> str:
        """``Q12`` where one count is 2**-12, else the value of one count."""
        bits = self.fraction_bits
        return f"Q{bits}" if bits is not None else f"lsb {float(self.lsb):.6g}"

    @property
    def real_low(self) -> float:
        """Least real value."""
        return float(self.low * self.lsb)

    @property
    def real_high(self) -> float:
        """Greatest real value."""
        return float(self.high * self.lsb)


@dataclass(frozen=True)
class SumDetail:
    """y = clamp(round_half_up((bias + sum of weights * operands) / 2**shift), low, high); accumulated in ``accumulator_bits``.

    Limits are tested in ``limit_bits`` where that is not 0, else in the accumulator's width.
    """

    weights: tuple[int, ...]
    shift: int
    bias: int
    low: int | None
    high: int | None
    accumulator_bits: int
    limit_bits: int = 0


@dataclass(frozen=True)
class CompareDetail:
    """Decision on sum of weights * operands against ``threshold``, all integers, never rounded."""

    weights: tuple[int, ...]
    threshold: int
    accumulator_bits: int


@dataclass(frozen=True)
class ClampDetail:
    """y = clamp(x, low, high) in the operand's own format."""

    low: int
    high: int


@dataclass(frozen=True)
class ProductDetail:
    """y = clamp(round_half_up(left * right / 2**shift), low, high)."""

    shift: int
    low: int | None
    high: int | None
    accumulator_bits: int


@dataclass(frozen=True)
class TableDetail:
    """Position p = clamp(round_half_up((weight * x + bias) / 2**shift), 0, last knot) with ``position_bits`` fraction bits.

    y = knots[i] + round_half_up((knots[i + 1] - knots[i]) * fraction / 2**position_bits).
    """

    weight: int
    bias: int
    shift: int
    position_bits: int
    knots: tuple[int, ...]
    accumulator_bits: int


@dataclass(frozen=True)
class WrapDetail:
    """y = (newer - older) reduced to [-2**(bits-1), 2**(bits-1))."""

    bits: int


@dataclass(frozen=True)
class ShortenDetail:
    """y = round_half_up(x / 2**shift), computed as x * 2**lift / 2**(shift + lift)."""

    shift: int
    lift: int = 0


@dataclass(frozen=True)
class RawDetail:
    """A raw number known before the first tick: a constant, a delay's start, a live gain's start and interval."""

    value: int
    low: int
    high: int


@dataclass(frozen=True)
class PlainDetail:
    """Select, logic, sums over the slow period and inputs: operands share one format, nothing is rounded."""


Detail = (
    SumDetail
    | CompareDetail
    | ClampDetail
    | ProductDetail
    | TableDetail
    | WrapDetail
    | ShortenDetail
    | RawDetail
    | PlainDetail
)


# Limits of sums of more bits than this are multiples of 2**16, whose lower half is zero: their constants are cheaper to build.
COARSE_FROM = 20
COARSE_LIMIT = 1 << 16
# A sum held inside a signed word of one bit more than this has room in 32 bits for one operand more.
LONGEST_SATURATED = 30


@dataclass(frozen=True)
class Choice:
    """What one signal's words buy and cost.

    Attributes:
        signal: The signal.
        chosen: Word and accumulator that it got, in words.
        other: Those that it would have had, in words; "" where there is only one way.
        cycles: Price of the signal's statement in cycles, by the target's table of costs.
        other_cycles: Price of the other way.
        error: Largest error of one tick, in the signal's unit.
        other_error: That of the other way.
    """

    signal: str
    chosen: str
    other: str
    cycles: int
    other_cycles: int
    error: float
    other_error: float


@dataclass(frozen=True)
class FixedGraph:
    """A graph with a format and a realisation for every signal, under the word rules of one target.

    Attributes:
        graph: The graph as realised: with shortened copies put in and proven limits added to unlimited memory.
        formats: Format of every signal.
        details: Realisation of every signal.
        target: Name of the word rules.
        decisions: What the choice of formats did and why, sentences for the report.
        choices: What the words chosen cost and err, signal by signal, against the other words that the core has.
        saturating: The core clamps to a signed word of any length by one instruction.
        short_arithmetic: Sums, limits and comparisons are cheaper in 16 bits than in 32.
        branched: Selects that are branches, so that each side is computed only where it is needed.
    """

    graph: Graph
    formats: Mapping[str, Format]
    details: Mapping[str, Detail]
    target: str
    decisions: tuple[str, ...] = ()
    choices: tuple[Choice, ...] = ()
    saturating: bool = False
    short_arithmetic: bool = False
    branched: tuple[str, ...] = ()

    def partial_sum_range(self, node: SumOver) -> tuple[int, int]:
        """Raw range in which the memory of a sum over the slow period is held: what n - 1 operands can add up to, or a little more."""
        operand = self.formats[node.operand]
        return self.held_sum(operand.low, operand.high)

    def held_sum(self, low: int, high: int) -> tuple[int, int]:
        """Limits of the sum of up to n - 1 operands in [low, high]: a signed word where clamping to one is cheap, else short constants."""
        most = self.graph.slow_every - 1
        low, high = min(0, most * low), max(0, most * high)
        bits = (max(-low, high + 1) - 1).bit_length()
        if self.saturating and bits <= LONGEST_SATURATED:
            return -(1 << bits), (1 << bits) - 1
        if bits > COARSE_FROM:
            return low // COARSE_LIMIT * COARSE_LIMIT, -(-high // COARSE_LIMIT) * COARSE_LIMIT
        return low, high
