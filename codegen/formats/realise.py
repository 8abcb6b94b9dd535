"""The integers that realise each node at the scales chosen: weights, shifts, limits, thresholds, knots.

Takes ``Scales``, gives a detail per node, or refuses a weight that would be lost.
"""

from __future__ import annotations

import itertools
import math
from fractions import Fraction

from codegen.errors import FormatError
from codegen.formats.scales import Scales
from codegen.formats.words import is_integrator
from codegen.graph import (
    Clamp,
    Compare,
    Constant,
    Delay,
    Parameter,
    Product,
    Relation,
    Shorten,
    Table,
    WeightedSum,
    WrappedDifference,
)
from codegen.rules.fixed import (
    ClampDetail,
    CompareDetail,
    Detail,
    PlainDetail,
    ProductDetail,
    RawDetail,
    ShortenDetail,
    SumDetail,
    TableDetail,
    WrapDetail,
)

# A weight realised worse than this (relative) is refused: it would be another design.
WORST_WEIGHT_ERROR = Fraction(1, 50)
# Where long words are dear a weight is good enough at this relative error.
GOOD_WEIGHT_ERROR = Fraction(1, 2**7)
POSITION_BITS = 8
EXACT_SHIFTS, SHIFTS = range(15), range(30, -1, -1)


def _nearest(value: Fraction) -> int:
    return math.floor(value + Fraction(1, 2))


class _IdealSum:
    """A weighted sum in its own counts, as ratios of integers: every shift is tried, and fractions would take most of the time."""

    def __init__(self, scales: Scales, node: WeightedSum) -> None:
        own = scales.of(node.name)
        self._weights = [(Fraction(t.weight) * scales.of(t.name) / own).as_integer_ratio() for t in node.terms]
        self._bias = (Fraction(node.bias) / own).as_integer_ratio()
        reaches = [scales.raw_magnitude(t.name) + 1 for t in node.terms]
        self._parts = math.lcm(*(reach.denominator for reach in reaches))
        self._reaches = [reach.numerator * (self._parts // reach.denominator) for reach in reaches]

    def at(self, shift: int) -> tuple[tuple[int, ...], int]:
        """Weights and bias at ``shift``, to nearest."""
        weights = tuple(((over << shift + 1) + under) // (2 * under) for over, under in self._weights)
        over, under = self._bias
        return weights, ((over << shift + 1) + under) // (2 * under)

    def fits(self, weights: tuple[int, ...], bias: int, shift: int, bits: int) -> bool:
        """Whether the accumulator's largest magnitude stays below 2**(bits - 1)."""
        reach = sum(abs(weight) * part for weight, part in zip(weights, self._reaches, strict=True))
        return reach + (abs(bias) + (1 << shift)) * self._parts < self._parts << (bits - 1)


def realise_sum(scales: Scales, node: WeightedSum) -> SumDetail:
    """Weights, shift and accumulator of a weighted sum.

    Raises:
        FormatError: A weight rounds to zero or is realised worse than 2 %, or the sum does not fit.
    """
    exact = is_integrator(scales.graph, scales.groups, node)
    top = scales.groups.root[node.name]
    limits = _raw_limits(scales, node)
    long_only = node.name in scales.widened.sums or scales.bits[top] > 32
    for accumulator in (64,) if long_only else (32, 64):
        found = _fitting(scales, node, accumulator, exact)
        if found is None:
            continue
        weights, bias, shift = found
        worst, counts = _weight_errors(scales, node, found)
        if exact and node.bias:
            # A constant that is added for ever must not be lost either.
            ideal = Fraction(node.bias) / scales.of(node.name)
            worst = max(worst, abs(bias - ideal) / abs(ideal))
        dear = scales.target.accumulator_bits < 64
        if accumulator == 64 or (worst <= GOOD_WEIGHT_ERROR if dear else counts <= Fraction(1, 4) or exact):
            if worst > WORST_WEIGHT_ERROR:
                raise FormatError(
                    f"a weight is realised {float(worst) * 100:.3g} % off" if worst < 1 else "a weight rounds to zero",
                    node.name,
                    "use a finer resolution for this signal or a longer period for this section",
                )
            spare = _spare_bits(scales, weights, bias, shift)
            weights, bias, shift = tuple(w >> spare for w in weights), bias >> spare, shift - spare
            return SumDetail(weights, shift, bias, limits[0], limits[1], accumulator)
    raise FormatError("the sum does not fit any accumulator", top, "give its operands tighter limits")


def _spare_bits(scales: Scales, weights: tuple[int, ...], bias: int, shift: int) -> int:
    """Zeros at the end of all integers of a sum that can be left out; not where that would spoil a shift by whole bytes."""
    common = math.gcd(bias, *weights)
    spare = min(shift, (common & -common).bit_length() - 1) if common else shift
    if scales.target.costs.shift_bit == 0:
        return spare
    return max((less for less in range(spare + 1) if (shift - less) % 8 == 0), default=spare)


def _fitting(scales: Scales, node: WeightedSum, accumulator: int, exact: bool) -> tuple[tuple[int, ...], int, int] | None:
    """Weights, bias and shift of a sum that fits an accumulator; None where none does."""
    weight_bits = 16 if accumulator == 32 else 30
    most = 0 if exact else scales.corrections.shift.get(node.name, 30 if accumulator == 32 else 44)
    ideal = _IdealSum(scales, node)
    if scales.groups.root[node.name] in scales.groups.long and accumulator == 32:
        # A long word has the bits that a shift would round away.
        weights, bias = ideal.at(0)
        if ideal.fits(weights, bias, 0, 32) and _weight_errors(scales, node, (weights, bias, 0))[0] <= GOOD_WEIGHT_ERROR:
            return weights, bias, 0
    for shift in range(most, -1, -1):
        weights, bias = ideal.at(shift)
        small = all(abs(w) < 2**weight_bits or abs(w) & (abs(w) - 1) == 0 for w in weights)
        if (small or shift == 0) and ideal.fits(weights, bias, shift, accumulator):
            # What needs a wide accumulator needs its weights exact, as a filter far below the tick's frequency does.
            return _whole_bytes(scales, node, ideal, (weights, bias, shift)) if accumulator == 32 else (weights, bias, shift)
    return None


def _whole_bytes(
    scales: Scales, node: WeightedSum, ideal: _IdealSum, found: tuple[tuple[int, ...], int, int]
) -> tuple[tuple[int, ...], int, int]:
    """The same with a shift by whole bytes where only those are cheap, and the weights stay good enough."""
    shift = found[2] // 8 * 8
    if scales.target.costs.shift_bit == 0 or shift == found[2]:
        return found
    shorter = *ideal.at(shift), shift
    return shorter if _weight_errors(scales, node, shorter)[0] <= GOOD_WEIGHT_ERROR else found


def _weight_errors(scales: Scales, node: WeightedSum, found: tuple[tuple[int, ...], int, int]) -> tuple[Fraction, Fraction]:
    """Largest relative error of a weight, and the largest error that one makes in counts of the sum."""
    weights, _, shift = found
    worst = counts = Fraction(0)
    for weight, term in zip(weights, node.terms, strict=True):
        ideal = Fraction(term.weight) * scales.of(term.name) / scales.of(node.name) * 2**shift
        worst = max(worst, abs(weight - ideal) / abs(ideal))
        counts = max(counts, abs(weight - ideal) * scales.raw_magnitude(term.name) / 2**shift)
    return worst, counts


def _raw_limits(scales: Scales, node: WeightedSum | Product | Clamp) -> tuple[int | None, int | None]:
    """Limits in counts, rounded to the inside; a limit within a millionth of a whole count is that count."""
    if node.low is None or node.high is None:
        return None, None
    lsb = scales.of(node.name)
    low = math.ceil(Fraction(node.low) / lsb - Fraction(1, 10**6))
    high = math.floor(Fraction(node.high) / lsb + Fraction(1, 10**6))
    if low > high:
        raise FormatError("the limits lie within one count", node.name, "use a finer resolution")
    saturates = scales.target.costs.limit_saturating is not None and scales.groups.root[node.name] not in scales.groups.lsb
    if saturates and low == -high and 1 < high < 2**31 and high & (high - 1) == 0:
        # The last count of a word that the core can clamp to by one instruction.
        high -= 1
    return low, high


def realise_compare(scales: Scales, node: Compare) -> CompareDetail:
    """Integer weights and threshold of a comparison; exact where there is a single operand."""
    if len(node.terms) == 1:
        term = node.terms[0]
        sign = 1 if term.weight > 0 else -1
        boundary = Fraction(node.threshold) / (abs(Fraction(term.weight)) * scales.of(term.name))
        threshold = math.ceil(boundary) if node.relation is Relation.GREATER_OR_EQUAL else math.floor(boundary)
        if node.relation is Relation.NOT_EQUAL and boundary.denominator != 1:
            raise FormatError("the signal can never equal this threshold", node.name, "use a multiple of its resolution")
        reach = max(scales.raw_magnitude(term.name) + 1, Fraction(abs(threshold) + 1))
        bits = 32 if reach < 2**31 and scales.bits[scales.groups.root[term.name]] <= 32 else 64
        return CompareDetail((sign,), threshold, bits)
    unit = scales.of(node.terms[0].name) * abs(Fraction(node.terms[0].weight))
    relative = [Fraction(t.weight) * scales.of(t.name) / unit for t in node.terms]
    sizes = [scales.raw_magnitude(t.name) + 1 for t in node.terms]
    # Small integers where they are exact, else large ones.
    for accumulator, weight_bits, shifts in ((32, 15, EXACT_SHIFTS), (32, 15, SHIFTS), (64, 15, SHIFTS), (64, 31, SHIFTS)):
        for shift in shifts:
            weights = tuple(_nearest(weight * 2**shift) for weight in relative)
            if not all(abs(w) < 2**weight_bits or abs(w) & (abs(w) - 1) == 0 for w in weights):
                continue
            reach = sum((abs(w) * size for w, size in zip(weights, sizes, strict=True)), Fraction(0))
            boundary = Fraction(node.threshold) / unit * 2**shift
            threshold = math.ceil(boundary) if node.relation is Relation.GREATER_OR_EQUAL else math.floor(boundary)
            if reach >= 2 ** (accumulator - 1) or abs(threshold) >= 2 ** (accumulator - 1):
                continue
            ideal = [weight * 2**shift for weight in relative]
            off = max(abs(w - wanted) / abs(wanted) for w, wanted in zip(weights, ideal, strict=True))
            if off <= (0 if shifts is EXACT_SHIFTS else WORST_WEIGHT_ERROR):
                while shift > 0 and threshold % 2 == 0 and all(w % 2 == 0 for w in weights):
                    weights, threshold, shift = tuple(w // 2 for w in weights), threshold // 2, shift - 1
                return CompareDetail(weights, threshold, accumulator)
    raise FormatError("the comparison does not fit any accumulator", node.name, "give its operands tighter limits")


def realise_table(scales: Scales, node: Table) -> TableDetail:
    """Integers of a piecewise linear table."""
    knots = tuple(_nearest(Fraction(value) / scales.of(node.name)) for value in node.values)
    slope = scales.of(node.operand) / Fraction(node.step) * 2**POSITION_BITS
    origin = -Fraction(node.start) / Fraction(node.step) * 2**POSITION_BITS
    rise = max(abs(b - a) for a, b in itertools.pairwise(knots))
    if not all(-(2**31) < knot < 2**31 for knot in knots):
        raise FormatError("the table's values do not fit 32 bits at its scale", node.name, "put a weighted_sum after the table")
    for accumulator in (32, 64):
        for shift in range(24, -1, -1):
            weight, bias = _nearest(slope * 2**shift), _nearest(origin * 2**shift)
            reach = abs(weight) * (scales.raw_magnitude(node.operand) + 1) + abs(bias) + 2**shift
            fits = reach < 2 ** (accumulator - 1) and rise * 2**POSITION_BITS * 2 < 2 ** (accumulator - 1)
            if fits and weight >= 64 and abs(weight - slope * 2**shift) <= slope * 2**shift / 256:
                return TableDetail(weight, bias, shift, POSITION_BITS, knots, accumulator)
    raise FormatError("the table's position cannot be computed", node.name, "use fewer or wider steps")


def realise_shorten(scales: Scales, node: Shorten) -> ShortenDetail:
    """The shift of a copy; on a core that shifts by whole bytes only, the operand is moved up to where the shift is one of those."""
    shift = round(math.log2(scales.of(node.name) / scales.of(node.operand)))
    lift = -shift % 8
    fits = (scales.raw_magnitude(node.operand) + 2) * 2**lift + 2 ** (shift + lift) < 2**31
    cheaper = scales.target.costs.shift_bit > 0 and lift < shift and shift + lift <= 16
    return ShortenDetail(shift, lift if cheaper and fits else 0)


def realise(scales: Scales) -> dict[str, Detail]:
    """Integers of every node at the chosen scales."""
    graph = scales.graph
    details: dict[str, Detail] = {}
    for name, node in graph.nodes.items():
        match node:
            case WeightedSum():
                details[name] = realise_sum(scales, node)
            case Compare():
                details[name] = realise_compare(scales, node)
            case Table():
                details[name] = realise_table(scales, node)
            case Clamp():
                low, high = _raw_limits(scales, node)
                if low is None or high is None:
                    raise FormatError("a clamp without limits", name)
                details[name] = ClampDetail(low, high)
            case Product():
                exact = scales.of(node.left) * scales.of(node.right) * Fraction(node.scale)
                shift = round(math.log2(scales.of(name) / exact))
                reach = scales.raw_magnitude(node.left) * scales.raw_magnitude(node.right) + 2**shift
                low, high = _raw_limits(scales, node)
                details[name] = ProductDetail(shift, low, high, 32 if reach < 2**31 else 64)
            case Shorten():
                details[name] = realise_shorten(scales, node)
            case WrappedDifference():
                details[name] = WrapDetail(node.bits)
            case Constant() | Delay():
                real = node.value if isinstance(node, Constant) else node.initial
                raw = int(real) if node.is_bool else _nearest(Fraction(real) / scales.of(name))
                details[name] = RawDetail(raw, raw, raw)
            case Parameter():
                lsb = scales.of(name)
                low, high = math.ceil(Fraction(node.low) / lsb), math.floor(Fraction(node.high) / lsb)
                value = _nearest(Fraction(node.value) / lsb)
                if node.value != 0 and value == 0:
                    raise FormatError("a live gain rounds to zero", name, "use a narrower interval around its value")
                if low > high:
                    raise FormatError("the interval of a live gain lies within one count", name, "use a wider interval or a constant")
                details[name] = RawDetail(min(max(value, low), high), low, high)
            case _:
                details[name] = PlainDetail()
    return details
