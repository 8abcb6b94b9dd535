"""Which scale each group of signals gets.

Takes the graph with its groups and units, gives a scale per signal: a power of two times the group's unit, except where an input or
output prescribes one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction

from codegen.errors import FormatError
from codegen.formats.units import odd_part
from codegen.formats.words import Groups, Thrift, Widened, is_integrator, is_power_of_two
from codegen.graph import Constant, Graph, Product, Shorten, SumOver, Term, WeightedSum
from codegen.rules.interval import Interval
from codegen.targets import Target

# An integrator's gain integer is as exact as one of so many counts, or its word grows: 2**12 where long words are cheap,
# 2**6 (a gain error below 0.8 %) where they are dear.
INTEGRATOR_WEIGHT_LONG = 2**12
INTEGRATOR_WEIGHT_SHORT = 2**6
# Where 32-bit operands are cheap a signal still uses no more than these bits of its word: beyond them the weights of 16-bit sensor
# readings and of signals in one sum lie so far apart that the small ones lose more than the signals gain.
SIGNIFICANT_BITS = 26
SPARE_BITS = 1
LARGE_NUMBER = 2**12
# Bits that a copy gives up before an integrator that multiplies it gets a word of 64.
MOST_COARSE = 2
# Times that scales are adjusted to each other.
ROUNDS = 40
# A word of fewer bits says too little; whoever asks for it is refused.
LEAST_BITS = 4
NO_SCALE = "no scale fits this signal's word"


@dataclass
class Corrections:
    """What earlier attempts taught: bits of headroom to add per group, and largest shift per node."""

    headroom: dict[str, int] = field(default_factory=dict)
    shift: dict[str, int] = field(default_factory=dict)


@dataclass
class Scales:
    """Scales and words of every group under construction; ``coarse`` holds bits that shortened copies gave up."""

    graph: Graph
    groups: Groups
    ranges: Mapping[str, Interval]
    target: Target
    widened: Widened
    thrift: Thrift
    corrections: Corrections
    lsb: dict[str, Fraction] = field(default_factory=dict)
    bits: dict[str, int] = field(default_factory=dict)
    coarse: dict[str, int] = field(default_factory=dict)
    _magnitudes: dict[str, Fraction] = field(default_factory=dict)

    def of(self, name: str) -> Fraction:
        """Real value of one count of a signal."""
        return self.lsb[self.groups.root[name]]

    def magnitude(self, name: str) -> Fraction:
        """Largest absolute real value of a signal."""
        if name not in self._magnitudes:
            self._magnitudes[name] = Fraction(self.ranges[name].magnitude)
        return self._magnitudes[name]

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
    thrift: Thrift,
    corrections: Corrections,
) -> Scales:
    """Give every group its scale: the finest power of two of its unit that its word holds, longer words for integrators that need them.

    What adds up without multiplications is then brought to scales that lie whole counts apart.
    """
    scales = Scales(graph, groups, ranges, target, widened, thrift, corrections, dict(groups.lsb), dict(groups.bits))
    coarser = {groups.root[name]: bits for name, bits in thrift.coarser.items() if name in groups.root}
    derived = [top for top in groups.members if any(isinstance(graph.nodes[n], Product) for n in groups.members[top])]
    for top, names in groups.members.items():
        if top not in groups.lsb:
            counted = [name for name in names if top in groups.summed or not isinstance(graph.nodes[name], SumOver)]
            largest = max(scales.magnitude(name) for name in counted)
            # A 64-bit integrator starts from the 32-bit scale and gets as many more bits as its gains need.
            bits = min(scales.bits[top], 32 if scales.bits[top] == 64 or target.operand_bits < 32 else SIGNIFICANT_BITS)
            bits -= corrections.headroom.get(top, 0) + coarser.get(top, 0)
            if bits < LEAST_BITS:
                raise FormatError(NO_SCALE, top, "give it tighter limits")
            unit = groups.units.of(top)
            scales.lsb[top] = unit * _power_for(largest / unit, bits)
    for _ in range(ROUNDS):
        before = dict(scales.lsb)
        _scale_copies(scales, coarser)
        _scale_products(scales, derived)
        _scale_integrators(scales)
        _drop_empty_bits(scales)
        _align(scales)
        if before == scales.lsb:
            return scales
    raise FormatError("scales of integrators that feed each other do not settle", graph.name, "prescribe a resolution for one")


def _scale_copies(scales: Scales, coarser: dict[str, int]) -> None:
    for node in scales.graph.nodes.values():
        if isinstance(node, Shorten):
            top = scales.groups.root[node.name]
            # Where a whole word is multiplied as cheaply as half of one, a copy may have a bit more; weights find enough room beside it.
            spare = SPARE_BITS if scales.target.int_bits == 32 and scales.target.operand_bits == 16 else 0
            bits = min(scales.target.operand_bits + spare, SIGNIFICANT_BITS) - scales.corrections.headroom.get(top, 0)
            lsb = scales.of(node.operand)
            bits -= coarser.get(top, 0) + scales.coarse.get(top, 0)
            if bits < LEAST_BITS:
                raise FormatError(NO_SCALE, top, "give it tighter limits")
            beyond = scales.magnitude(node.operand) / lsb
            while beyond > 2 ** (bits - 1) - 2:
                lsb, beyond = lsb * 2, beyond / 2
            scales.lsb[top], scales.bits[top] = lsb, scales.target.operand_bits + spare


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


def _is_fine(scales: Scales, top: str, lsb: Fraction) -> bool:
    """Whether every step of the group's integrators is realised well enough at a scale, so that nothing is lost for ever."""
    steps_lost = 2 * (INTEGRATOR_WEIGHT_LONG if scales.target.accumulator_bits >= 64 else INTEGRATOR_WEIGHT_SHORT)
    for name in scales.groups.members[top]:
        node = scales.graph.nodes[name]
        if not isinstance(node, WeightedSum) or not is_integrator(scales.graph, scales.groups, node):
            continue
        steps = [abs(Fraction(t.weight)) * scales.of(t.name) / lsb for t in node.terms if scales.groups.root[t.name] != top]
        steps += [abs(Fraction(node.bias)) / lsb] if node.bias else []
        if any(abs(math.floor(step + Fraction(1, 2)) - step) * steps_lost > step for step in steps):
            return False
    return True


def _scale_integrators(scales: Scales) -> None:
    for top in scales.groups.members:
        if top not in scales.groups.lsb and not _becomes_fine(scales, top, scales.lsb[top]):
            scales.bits[top] = 64
            while not _is_fine(scales, top, scales.lsb[top]):
                scales.lsb[top] /= 2


def _becomes_fine(scales: Scales, top: str, lsb: Fraction) -> bool:
    """As ``_is_fine``; the copies that a group's integrators multiply are made coarser, and so their weights larger, where that helps."""
    if _is_fine(scales, top, lsb):
        return True
    copies = {
        scales.groups.root[term.name]
        for node, term in _terms(scales, top)
        if is_integrator(scales.graph, scales.groups, node) and isinstance(scales.graph.nodes[term.name], Shorten)
    }
    if scales.target.operand_bits > 16 or scales.bits[top] > 32:
        return False
    before = dict(scales.lsb)
    for bits in range(1, MOST_COARSE + 1):
        for copy in copies:
            scales.lsb[copy] = before[copy] * 2**bits
        if _is_fine(scales, top, lsb):
            scales.coarse |= {copy: scales.coarse.get(copy, 0) + bits for copy in copies}
            return True
    scales.lsb.update(before)
    return False


def _terms(scales: Scales, top: str) -> list[tuple[WeightedSum, Term]]:
    """Terms of the sums of a group that come from other groups."""
    nodes = [scales.graph.nodes[name] for name in scales.groups.members[top]]
    sums = [node for node in nodes if isinstance(node, WeightedSum)]
    return [(node, term) for node in sums for term in node.terms if scales.groups.root[term.name] != top]


def _drop_empty_bits(scales: Scales) -> None:
    """Sums of whole counts are no finer than the finest operand that they take without multiplying it."""
    for top, names in scales.groups.members.items():
        nodes = [scales.graph.nodes[name] for name in names]
        terms = _terms(scales, top)
        steps = [abs(Fraction(term.weight)) * scales.of(term.name) for _, term in terms]
        free = [step for step, (node, term) in zip(steps, terms, strict=True) if scales.groups.free(node, term)]
        if top in scales.groups.lsb or not free or any(isinstance(node, Product | Shorten) for node in nodes):
            continue
        lsb = min(free)
        # Added numbers are rounded to a count; that is nothing beside a large one.
        added = [node.bias if isinstance(node, WeightedSum) else node.value for node in nodes if isinstance(node, WeightedSum | Constant)]
        exact = all(value == 0.0 or abs(Fraction(value)) >= LARGE_NUMBER * lsb for value in added)
        if exact and odd_part(lsb) == odd_part(scales.lsb[top]) and all((step / lsb).denominator == 1 for step in steps):
            scales.lsb[top] = max(scales.lsb[top], lsb)


def _align(scales: Scales) -> None:
    """Where a long sum adds a long operand without multiplying it, the operand is no finer than the sum: a shift would only drop bits."""
    long = scales.groups.long
    for top in long:
        for node, term in _terms(scales, top):
            other = scales.groups.root[term.name]
            if other not in long or other in scales.groups.lsb or scales.bits[other] > 32 or not scales.groups.free(node, term):
                continue
            wanted = scales.lsb[top] / abs(Fraction(term.weight))
            while scales.lsb[other] < wanted and _becomes_fine(scales, other, 2 * scales.lsb[other]):
                scales.lsb[other] *= 2
