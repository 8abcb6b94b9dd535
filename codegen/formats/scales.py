"""Which scale each group of signals gets, and the integers that realise each node at those scales.

Takes the graph with its groups, gives a ``Format``-ready scale per signal and a detail per node.  Scales are powers of two except
where an input or output prescribes one.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction

from codegen.errors import FormatError
from codegen.formats.words import Groups, Widened, is_integrator, is_power_of_two
from codegen.graph import (
    Clamp,
    Compare,
    Constant,
    Delay,
    Graph,
    Parameter,
    Product,
    Relation,
    Shorten,
    SumOver,
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
from codegen.rules.interval import Interval
from codegen.targets import Target

# An integrator's gain integer has at least so many counts, or its word grows: 2**12 where long words are cheap,
# 2**6 (a gain error below 0.8 %) where they are dear.
INTEGRATOR_WEIGHT_LONG = 2**12
INTEGRATOR_WEIGHT_SHORT = 2**6
# A weight realised worse than this (relative) is refused: it would be another design.
WORST_WEIGHT_ERROR = Fraction(1, 50)
POSITION_BITS = 8
# Where 32-bit operands are cheap a signal still uses no more than these bits of its word: beyond them the weights of 16-bit sensor
# readings and of signals in one sum lie so far apart that the small ones lose more than the signals gain.
SIGNIFICANT_BITS = 26


@dataclass
class Corrections:
    """What earlier attempts taught: bits of headroom to add per group, and largest shift per node."""

    headroom: dict[str, int] = field(default_factory=dict)
    shift: dict[str, int] = field(default_factory=dict)


@dataclass
class Scales:
    """Scales and words of every group under construction."""

    graph: Graph
    groups: Groups
    ranges: Mapping[str, Interval]
    target: Target
    widened: Widened
    corrections: Corrections
    lsb: dict[str, Fraction] = field(default_factory=dict)
    bits: dict[str, int] = field(default_factory=dict)

    def of(self, name: str) -> Fraction:
        """Real value of one count of a signal."""
        return self.lsb[self.groups.root[name]]

    def magnitude(self, name: str) -> Fraction:
        """Largest absolute real value of a signal."""
        return Fraction(self.ranges[name].magnitude)

    def raw_magnitude(self, name: str) -> Fraction:
        """Largest absolute raw value of a signal, not rounded."""
        return self.magnitude(name) / self.of(name)


def _power_for(magnitude: Fraction, bits: int) -> Fraction:
    """Finest power of two for which ``magnitude`` fits a signed word of ``bits`` with two counts to spare."""
    largest = Fraction(2 ** (bits - 1) - 2)
    if magnitude == 0:
        return Fraction(1)
    exponent = math.floor(math.log2(largest / magnitude))
    while Fraction(2) ** exponent * magnitude > largest:
        exponent -= 1
    return 1 / Fraction(2) ** exponent


def choose_scales(
    graph: Graph,
    groups: Groups,
    ranges: Mapping[str, Interval],
    target: Target,
    widened: Widened,
    corrections: Corrections,
) -> Scales:
    """Give every group its scale: the finest power of two that its word holds, longer words for integrators that need them."""
    scales = Scales(graph, groups, ranges, target, widened, corrections, dict(groups.lsb), dict(groups.bits))
    derived = [top for top in groups.members if any(isinstance(graph.nodes[n], Product) for n in groups.members[top])]
    for top, names in groups.members.items():
        if top not in groups.lsb:
            counted = [name for name in names if not isinstance(graph.nodes[name], SumOver)]
            largest = max(scales.magnitude(name) for name in counted)
            # A 64-bit integrator starts from the 32-bit scale and gets as many more bits as its gains need.
            bits = min(scales.bits[top], 32 if scales.bits[top] == 64 or target.operand_bits < 32 else SIGNIFICANT_BITS)
            bits -= corrections.headroom.get(top, 0)
            if bits < 4:
                raise FormatError("no scale fits this signal's word", top, "give it tighter limits")
            scales.lsb[top] = _power_for(largest, bits)
    for _ in range(8):
        before = dict(scales.lsb)
        _scale_copies(scales)
        _scale_products(scales, derived)
        _scale_integrators(scales)
        if before == scales.lsb:
            return scales
    raise FormatError("scales of integrators that feed each other do not settle", graph.name, "prescribe a resolution for one")


def _scale_copies(scales: Scales) -> None:
    for node in scales.graph.nodes.values():
        if isinstance(node, Shorten):
            top = scales.groups.root[node.name]
            bits = min(scales.target.operand_bits, SIGNIFICANT_BITS) - scales.corrections.headroom.get(top, 0)
            lsb = scales.of(node.operand)
            while scales.magnitude(node.operand) / lsb > 2 ** (bits - 1) - 2:
                lsb *= 2
            scales.lsb[top], scales.bits[top] = lsb, scales.target.operand_bits


def _scale_products(scales: Scales, derived: list[str]) -> None:
    """A product's scale is its operands' scales times a power of two, so that it needs no multiplication of its own."""
    for top in derived:
        products = [found for found in map(scales.graph.nodes.__getitem__, scales.groups.members[top]) if isinstance(found, Product)]
        units = [scales.of(product.left) * scales.of(product.right) * Fraction(product.scale) for product in products]
        for product, unit in zip(products, units, strict=True):
            if not is_power_of_two(unit / units[0]):
                raise FormatError("two products of unlike scales share one format", product.name, "put a weighted_sum after each")
        for name in scales.groups.members[top]:
            node = scales.graph.nodes[name]
            if not isinstance(node, Product):
                continue
            exact = scales.of(node.left) * scales.of(node.right) * Fraction(node.scale)
            wanted = scales.lsb[top]
            shift = max(0, math.ceil(math.log2(wanted / exact)))
            realised = exact * 2**shift
            if top in scales.groups.lsb and realised != wanted:
                raise FormatError("a product cannot meet a prescribed resolution", name, "scale it by a weighted_sum after it")
            scales.lsb[top] = realised


def _scale_integrators(scales: Scales) -> None:
    floor = INTEGRATOR_WEIGHT_LONG if scales.target.accumulator_bits >= 64 else INTEGRATOR_WEIGHT_SHORT
    for node in scales.graph.nodes.values():
        if not isinstance(node, WeightedSum) or not is_integrator(scales.graph, scales.groups, node):
            continue
        top = scales.groups.root[node.name]
        if top in scales.groups.lsb:
            continue
        others = [term for term in node.terms if scales.groups.root[term.name] != top]
        steps = [abs(Fraction(t.weight)) * scales.of(t.name) for t in others] + ([abs(Fraction(node.bias))] if node.bias else [])
        needed = min((step / floor for step in steps), default=scales.lsb[top])
        if needed < scales.lsb[top]:
            lsb = scales.lsb[top]
            while lsb > needed:
                lsb /= 2
            scales.lsb[top], scales.bits[top] = lsb, 64


def _nearest(value: Fraction) -> int:
    return math.floor(value + Fraction(1, 2))


def _sum_at(scales: Scales, node: WeightedSum, shift: int) -> tuple[tuple[int, ...], int, Fraction]:
    """Weights and bias at ``shift``, and the accumulator's largest magnitude."""
    own = scales.of(node.name)
    weights = tuple(_nearest(Fraction(t.weight) * scales.of(t.name) / own * 2**shift) for t in node.terms)
    bias = _nearest(Fraction(node.bias) / own * 2**shift)
    reach = sum((abs(w) * (scales.raw_magnitude(t.name) + 1) for w, t in zip(weights, node.terms, strict=True)), Fraction(0))
    return weights, bias, reach + abs(bias) + 2**shift


def realise_sum(scales: Scales, node: WeightedSum) -> SumDetail:
    """Weights, shift and accumulator of a weighted sum.

    Raises:
        FormatError: A weight rounds to zero or is realised worse than 2 %, or the sum does not fit.
    """
    target = scales.target
    exact = is_integrator(scales.graph, scales.groups, node)
    dear = target.accumulator_bits < 64
    candidates = [32, 64] if target.accumulator_bits >= 32 else [target.accumulator_bits, 64]
    own = scales.of(node.name)
    limits = _raw_limits(node, own)
    for accumulator in candidates:
        if accumulator == 32 and (node.name in scales.widened.sums or scales.bits[scales.groups.root[node.name]] > 32):
            continue
        weight_bits = 31 if accumulator == 64 else 16
        found: tuple[tuple[int, ...], int, int] | None = None
        for shift in range(0 if exact else scales.corrections.shift.get(node.name, 30 if accumulator == 32 else 44), -1, -1):
            weights, bias, reach = _sum_at(scales, node, shift)
            small = all(abs(w) < 2 ** (weight_bits - 1) or abs(w) & (abs(w) - 1) == 0 for w in weights)
            if reach < 2 ** (accumulator - 1) and (small or shift == 0):
                found = weights, bias, shift
                break
        if found is None:
            continue
        weights, bias, shift = found
        worst = Fraction(0)
        counts = Fraction(0)
        for w, term in zip(weights, node.terms, strict=True):
            ideal = Fraction(term.weight) * scales.of(term.name) / own * 2**shift
            if ideal != 0:
                worst = max(worst, abs(w - ideal) / abs(ideal))
                counts = max(counts, abs(w - ideal) * scales.raw_magnitude(term.name) / 2**shift)
        if exact and node.bias:
            # A constant that is added for ever must not be lost either.
            ideal = Fraction(node.bias) / own
            worst = max(worst, abs(bias - ideal) / abs(ideal))
        good_enough = worst <= Fraction(1, 2**7) if dear else counts <= Fraction(1, 4) or exact
        if accumulator == candidates[-1] or good_enough:
            if worst > WORST_WEIGHT_ERROR:
                raise FormatError(
                    f"a weight is realised {float(worst) * 100:.3g} % off" if worst < 1 else "a weight rounds to zero",
                    node.name,
                    "use a finer resolution for this signal or a longer period for this section",
                )
            while shift > 0 and bias % 2 == 0 and all(w % 2 == 0 for w in weights):
                weights, bias, shift = tuple(w // 2 for w in weights), bias // 2, shift - 1
            return SumDetail(weights, shift, bias, limits[0], limits[1], accumulator)
    raise FormatError("the sum does not fit any accumulator", node.name, "give its operands tighter limits")


def _raw_limits(node: WeightedSum | Product | Clamp, lsb: Fraction) -> tuple[int | None, int | None]:
    """Limits in counts, rounded to the inside; a limit within a millionth of a whole count is that count."""
    if node.low is None or node.high is None:
        return None, None
    low = math.ceil(Fraction(node.low) / lsb - Fraction(1, 10**6))
    high = math.floor(Fraction(node.high) / lsb + Fraction(1, 10**6))
    if low > high:
        raise FormatError("the limits lie within one count", node.name, "use a finer resolution")
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
    first = node.terms[0]
    for accumulator, weight_bits in ((32, 15), (64, 15), (64, 31)):
        for shift in range(30, -1, -1):
            unit = scales.of(first.name) * abs(Fraction(first.weight)) / 2**shift
            weights = tuple(_nearest(Fraction(t.weight) * scales.of(t.name) / unit) for t in node.terms)
            boundary = Fraction(node.threshold) / unit
            threshold = math.ceil(boundary) if node.relation is Relation.GREATER_OR_EQUAL else math.floor(boundary)
            reach = sum((abs(w) * (scales.raw_magnitude(t.name) + 1) for w, t in zip(weights, node.terms, strict=True)), Fraction(0))
            fits = reach < 2 ** (accumulator - 1) and abs(threshold) < 2 ** (accumulator - 1)
            small = all(abs(w) < 2**weight_bits or abs(w) & (abs(w) - 1) == 0 for w in weights)
            precise = all(
                abs(w * unit / scales.of(t.name) - Fraction(t.weight)) <= abs(Fraction(t.weight)) * WORST_WEIGHT_ERROR
                for w, t in zip(weights, node.terms, strict=True)
            )
            if fits and small and precise:
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
                low, high = _raw_limits(node, scales.of(name))
                if low is None or high is None:
                    raise FormatError("a clamp without limits", name)
                details[name] = ClampDetail(low, high)
            case Product():
                exact = scales.of(node.left) * scales.of(node.right) * Fraction(node.scale)
                shift = round(math.log2(scales.of(name) / exact))
                reach = scales.raw_magnitude(node.left) * scales.raw_magnitude(node.right) + 2**shift
                low, high = _raw_limits(node, scales.of(name))
                details[name] = ProductDetail(shift, low, high, 32 if reach < 2**31 else 64)
            case Shorten():
                details[name] = ShortenDetail(round(math.log2(scales.of(name) / scales.of(node.operand))))
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
