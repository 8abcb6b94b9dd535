"""Words, scales, integers and proven ranges that agree with each other, for given wishes about words.

Takes real ranges, a target's word rules and what is to be longer or coarser than usual, gives a ``FixedGraph`` whose every range is
proven by exact integer intervals, or refuses naming the signal and the smallest change that helps.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction

from codegen.errors import FormatError
from codegen.formats.realise import realise
from codegen.formats.scales import Corrections, Scales, choose_scales
from codegen.formats.words import Groups, Thrift, Widened, group_signals, is_recursive, shorten_operands
from codegen.graph import Compare, Graph, Input, Node, Product, Relation, Select, Shorten, SumOver, Table, WeightedSum
from codegen.graph.graph import INPUT_RANGES
from codegen.ranges import Ranges, prove_ranges
from codegen.rules.fixed import CompareDetail, Detail, FixedGraph, Format, ProductDetail, SumDetail, TableDetail
from codegen.rules.interval import Interval, shifted, sum_before_rounding
from codegen.targets import Target

ATTEMPTS = 60
CONTAINERS = (8, 16, 32, 64)
# Bits that a group gives up before one of its sums accumulates in 64 bits where that is dear.
MOST_HEADROOM = 12


@dataclass(frozen=True)
class Layout:
    """What holds at every scale: the graph with its shortened copies, its groups, and real ranges; not to be changed."""

    graph: Graph
    groups: Groups
    intervals: Mapping[str, Interval]


def lay_out(ranges: Ranges, target: Target, widened: Widened, thrift: Thrift) -> Layout:
    """Put in copies and form groups; of ``thrift`` only what is multiplied directly plays a part."""
    graph, units = shorten_operands(ranges.graph, target, widened, thrift)
    intervals = dict(ranges.intervals)
    for node in graph.nodes.values():
        if isinstance(node, Shorten):
            intervals[node.name] = intervals[node.operand]
    return Layout(graph, group_signals(graph, target, widened, units), intervals)


def draft_formats(
    layout: Layout, target: Target, widened: Widened, thrift: Thrift, corrections: Corrections
) -> tuple[FixedGraph, Scales]:
    """Integers of every node, their ranges not proven yet.

    Raises:
        FormatError: A weight is lost, or a sum fits no accumulator.
    """
    graph = layout.graph
    scales = choose_scales(graph, layout.groups, layout.intervals, target, widened, thrift, corrections)
    details = realise(scales)
    formats = {name: _bare_format(scales, node) for name, node in graph.nodes.items()}
    saturating = target.costs.limit_saturating is not None
    return FixedGraph(graph, formats, details, target.name, (), (), saturating, target.int_bits == 16), scales


def fit_formats(ranges: Ranges, target: Target, widened: Widened, thrift: Thrift) -> FixedGraph:
    """Words, scales, integers and proven ranges that agree with each other.

    Raises:
        FormatError: There are none; with signal and remedy.
    """
    corrections, layout = Corrections(), lay_out(ranges, target, widened, thrift)
    for _ in range(ATTEMPTS):
        draft, scales = draft_formats(layout, target, widened, thrift, corrections)
        proven = prove_ranges(draft)
        if not _correct(draft, proven, scales, corrections):
            _check_outputs(draft.graph, proven)
            _check_comparisons(draft, proven)
            details = _settle_limits(draft, proven)
            # What memory takes over has the word of memory, so that it is not converted on the way.
            remembered = {name for delay in draft.graph.delays for name in (delay.name, *_chosen(draft.graph, delay.source))}
            final = {
                name: _final_format(draft.formats[name], proven[name], node, target, name in remembered)
                for name, node in draft.graph.nodes.items()
            }
            return replace(draft, formats=final, details=details)
    raise FormatError("no scales fit the words of this target", ranges.graph.name, "give the signals tighter limits")


def _chosen(graph: Graph, name: str) -> list[str]:
    """A signal and what it is chosen from."""
    node = graph.nodes[name]
    inner = [node.if_true, node.if_false] if isinstance(node, Select) else []
    return [name, *(other for one in inner for other in _chosen(graph, one))]


def _check_outputs(graph: Graph, proven: dict[str, Interval]) -> None:
    """Refuse an output whose C type cannot hold what it shows."""
    for output in graph.outputs:
        shown, (low, high) = proven[output.signal], INPUT_RANGES[output.ctype]
        if shown.low < low or shown.high > high:
            raise FormatError(
                f"counts from {shown.low} to {shown.high} do not fit {output.ctype}",
                output.name,
                "use a wider type, a coarser resolution or limits",
            )


def _check_comparisons(draft: FixedGraph, proven: dict[str, Interval]) -> None:
    """Refuse a comparison of one signal that can only ever give one answer: compilers warn of it, and rightly."""
    for node in draft.graph.nodes.values():
        detail = draft.details[node.name]
        if not isinstance(node, Compare) or not isinstance(detail, CompareDetail) or len(node.terms) > 1:
            continue
        operand = proven[node.terms[0].name]
        low, high = sorted((detail.weights[0] * operand.low, detail.weights[0] * operand.high))
        match node.relation:
            case Relation.GREATER:
                answers = {low > detail.threshold, high > detail.threshold}
            case Relation.GREATER_OR_EQUAL:
                answers = {low >= detail.threshold, high >= detail.threshold}
            case Relation.NOT_EQUAL:
                answers = {True, not low <= detail.threshold <= high} if low != high else {low != detail.threshold}
        if len(answers) == 1:
            raise FormatError(
                f"the comparison is always {str(answers.pop()).lower()}: {node.terms[0].name} stays in "
                f"[{float(operand.low * draft.formats[node.terms[0].name].lsb):g}, "
                f"{float(operand.high * draft.formats[node.terms[0].name].lsb):g}]",
                node.name,
                "leave it out or move its threshold",
            )


def _bare_format(scales: Scales, node: Node) -> Format:
    if node.is_bool:
        return Format(Fraction(1), 1, 0, 1, "bool")
    # Not proven, and not even rounded outward: enough for prices.
    reach = int(scales.raw_magnitude(node.name))
    return Format(scales.of(node.name), scales.bits[scales.groups.root[node.name]], -reach, reach, "")


def needed_bits(interval: Interval) -> int:
    """Bits of a signed word that holds an interval."""
    return max(int(interval.high).bit_length(), int(-interval.low - 1).bit_length() if interval.low < 0 else 0) + 1


def _correct(draft: FixedGraph, proven: dict[str, Interval], scales: Scales, corrections: Corrections) -> bool:
    """Note what does not fit (a word, an accumulator); True if anything had to be noted."""
    noted = False
    for name, node in draft.graph.nodes.items():
        if node.is_bool:
            continue
        root = scales.groups.root[name]
        word = max(scales.bits[root], 16 if not isinstance(node, Input) else 0)
        if isinstance(node, SumOver) and root not in scales.groups.summed:
            word = 64
        if needed_bits(proven[name]) > word and not isinstance(node, Input):
            if root in scales.groups.lsb:
                # A prescribed scale cannot be coarsened; the word grows instead, as far as the target's words go.
                if needed_bits(proven[name]) > 32:
                    raise FormatError("the range does not fit 32 bits at the prescribed resolution", name, "give it limits")
                scales.bits[root] = 32
                continue
            corrections.headroom[root] = corrections.headroom.get(root, 0) + 1
            noted = True
        noted |= _correct_accumulator(draft, node, proven, scales, corrections) or _spare_accumulator(draft, node, scales, corrections)
    return noted


def _spare_accumulator(draft: FixedGraph, node: Node, scales: Scales, corrections: Corrections) -> bool:
    """Make a group coarser instead of accumulating one of its sums in 64 bits, where nobody asked for those."""
    detail, groups = draft.details[node.name], scales.groups
    dear = scales.target.accumulator_bits < 64 and node.name not in scales.widened.sums
    if not dear or not isinstance(node, WeightedSum) or not isinstance(detail, SumDetail) or detail.accumulator_bits < 64:
        return False
    if is_recursive(groups, node):
        return False
    return _give_headroom(scales, node, corrections)


def _give_headroom(scales: Scales, node: Node, corrections: Corrections) -> bool:
    """Make a long group, and so what it adds up, a bit coarser; False where nothing more can be done."""
    top = scales.groups.root[node.name]
    if top in scales.groups.lsb or top not in scales.groups.long or scales.bits[top] > 32:
        return False
    corrections.headroom[top] = corrections.headroom.get(top, 0) + 1
    return corrections.headroom[top] <= MOST_HEADROOM


def _correct_accumulator(
    draft: FixedGraph, node: Node, proven: dict[str, Interval], scales: Scales, corrections: Corrections
) -> bool:
    detail = draft.details[node.name]
    match node, detail:
        case WeightedSum(), SumDetail():
            # Every partial sum must fit, whatever the order of the terms: what is positive, or negative, by itself bounds them all.
            terms = zip(detail.weights, node.terms, strict=True)
            ends = [Interval(weight, weight).times(proven[term.name]) for weight, term in terms]
            ends.append(Interval(detail.bias, detail.bias))
            high = sum(max(end.high, 0) for end in ends) + (2**detail.shift >> 1)
            low = sum(min(end.low, 0) for end in ends)
            if high >= 2 ** (detail.accumulator_bits - 1) or low < -(2 ** (detail.accumulator_bits - 1)):
                if detail.shift:
                    corrections.shift[node.name] = detail.shift - 1
                    return True
                if not _give_headroom(scales, node, corrections):
                    raise FormatError("the sum does not fit its accumulator", node.name, "give its operands tighter limits")
                return True
        case Product(), ProductDetail():
            wide = proven[node.left].times(proven[node.right])
            if wide.magnitude + (2**detail.shift >> 1) >= 2 ** (detail.accumulator_bits - 1):
                raise FormatError("the product does not fit its accumulator", node.name, "give its operands tighter limits")
        case Table(), TableDetail():
            reach = detail.weight * proven[node.operand].magnitude + abs(detail.bias) + 2**detail.shift
            if reach >= 2 ** (detail.accumulator_bits - 1):
                raise FormatError("the table's position does not fit its accumulator", node.name, "limit its operand")
    return False


def _settle_limits(draft: FixedGraph, proven: dict[str, Interval]) -> dict[str, Detail]:
    """Leave out limits that cannot act on any proven operand (dead code), and test the others in 16 bits where that is enough."""
    details = dict(draft.details)
    for node in draft.graph.nodes.values():
        detail = details[node.name]
        if isinstance(node, WeightedSum) and isinstance(detail, SumDetail) and detail.low is not None and detail.high is not None:
            free = shifted(sum_before_rounding(node, detail, proven), detail.shift)
            if detail.low <= free.low and free.high <= detail.high:
                details[node.name] = replace(detail, low=None, high=None)
            elif draft.short_arithmetic and detail.accumulator_bits == 32 and needed_bits(free) <= 16:
                details[node.name] = replace(detail, limit_bits=16)
    for node in draft.graph.nodes.values():
        detail = details[node.name]
        if draft.short_arithmetic and isinstance(node, WeightedSum) and isinstance(detail, SumDetail):
            bits = next((bits for bits in (8, 16) if _fits_in(bits, node, detail, proven)), detail.accumulator_bits)
            if bits < detail.accumulator_bits:
                details[node.name] = replace(detail, accumulator_bits=bits, limit_bits=0)
    return details


def _fits_in(bits: int, node: WeightedSum, detail: SumDetail, proven: dict[str, Interval]) -> bool:
    """Whether a plain sum can be taken in ``bits``: every operand and every partial sum fits."""
    if detail.shift or any(abs(weight) != 1 for weight in detail.weights):
        return False
    ends = [Interval(weight, weight).times(proven[term.name]) for weight, term in zip(detail.weights, node.terms, strict=True)]
    ends.append(Interval(detail.bias, detail.bias))
    reach = Interval(sum(min(end.low, 0) for end in ends), sum(max(end.high, 0) for end in ends))
    return all(needed_bits(one) <= bits for one in (reach, *(proven[term.name] for term in node.terms)))


def _final_format(bare: Format, proven: Interval, node: Node, target: Target, remembered: bool) -> Format:
    low, high = int(proven.low), int(proven.high)
    if node.is_bool:
        return Format(bare.lsb, 1, 0, 1, "bool")
    if isinstance(node, Input):
        return Format(bare.lsb, bare.bits, low, high, node.ctype)
    least = target.memory_bits if remembered else target.signal_bits
    needed = max(needed_bits(proven), min(least, 32))
    bits = next(width for width in CONTAINERS if width >= needed)
    return Format(bare.lsb, bits, low, high, f"int{bits}_t")
