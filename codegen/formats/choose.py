"""The choice of formats: cheapest words first, widened where the error budget asks for it, until the proof closes.

Takes real ranges, a target's word rules and an error budget, gives a ``FixedGraph`` whose every range is proven by exact integer
intervals, or refuses naming the signal and the smallest change that helps.
"""

from __future__ import annotations

import copy
from dataclasses import replace
from fractions import Fraction

from codegen.errors import FormatError
from codegen.formats.scales import Corrections, Scales, choose_scales, realise
from codegen.formats.words import Widened, group_signals, shorten_operands
from codegen.graph import Compare, Graph, Input, Node, Product, Relation, Shorten, SumOver, Table, WeightedSum
from codegen.graph.graph import INPUT_RANGES
from codegen.ranges import Ranges, prove_ranges
from codegen.rules.fixed import (
    CompareDetail,
    Detail,
    FixedGraph,
    Format,
    ProductDetail,
    SumDetail,
    TableDetail,
)
from codegen.rules.interval import Interval, shifted, sum_before_rounding
from codegen.rules.rounding import trace_errors
from codegen.targets import Target

ATTEMPTS = 60
CONTAINERS = (16, 32, 64)


def choose_formats(ranges: Ranges, target: Target, error_budget_counts: float = 3.0) -> FixedGraph:
    """Choose word and scale of every signal.

    Args:
        ranges: Real ranges of the graph.
        target: Word rules.
        error_budget_counts: Largest error of one tick that an output may have, in its counts (0.5 is rounding alone).

    Raises:
        FormatError: A weight is lost, a sum fits no accumulator, or the budget cannot be met; with the signal and a remedy.
    """
    widened = Widened()
    decisions: list[str] = []
    fixed = _fit(ranges, target, widened)
    for _ in range(ATTEMPTS):
        excess = _worst_output(fixed, error_budget_counts)
        if excess is None:
            return replace(fixed, decisions=tuple(decisions))
        output, bound, contributors = excess
        for label in contributors:
            candidate = copy.deepcopy(widened)
            step = _widen(fixed, label, candidate)
            if step is None:
                continue
            try:
                fixed, widened = _fit(ranges, target, candidate), candidate
            except FormatError:
                # This signal cannot be had any longer (a weight would vanish beside it, say): try the next largest.
                continue
            decisions.append(f"{step} (error of {output} was {bound:.3g} counts, budget {error_budget_counts:g})")
            break
        else:
            raise FormatError(
                f"error of one tick is {bound:.3g} counts, the budget {error_budget_counts:g}; largest contributor: {contributors[0]}",
                output,
                "raise the error budget, use a finer output, or tighten the range of the contributor",
            )
    raise FormatError("the choice of formats does not end", ranges.graph.name, "raise the error budget")


def _worst_output(fixed: FixedGraph, budget: float) -> tuple[str, float, list[str]] | None:
    errors = trace_errors(fixed)
    for output in fixed.graph.outputs:
        if output.ctype == "bool":
            continue
        low, high = errors.bound(errors.forms[output.signal])
        bound = float(max(-low, high) / fixed.formats[output.signal].lsb)
        if bound > budget:
            return output.name, bound, [label for label, _ in errors.contributions(errors.forms[output.signal])]
    return None


def _widen(fixed: FixedGraph, label: str, widened: Widened) -> str | None:
    """Widen at one contributor; say what was done, None if nothing can be."""
    graph = fixed.graph
    source, _, name = label.rpartition(" ")
    node = graph.nodes.get(name)
    if node is None:
        return None
    if source == "shortening of":
        uses = {
            (consumer.name, name)
            for consumer in graph.nodes.values()
            for operand in consumer.operands()
            if isinstance(graph.nodes[operand], Shorten) and name in graph.nodes[operand].operands()
        } - widened.uses
        if uses:
            widened.uses |= uses
            widened.sums |= {consumer for consumer, _ in uses}
            return f"{name} multiplies in its full word"
    elif source in ("rounding of", "limits of", "bias of", "knots of", "constant"):
        # What fits 16 bits was given 16, even where a core keeps it in a wider local variable.
        narrow = _needed_bits(Interval(fixed.formats[name].low, fixed.formats[name].high)) <= 16
        if name not in widened.groups and narrow and node.resolution is None:
            widened.groups.add(name)
            return f"{name} gets a longer word"
    elif source == "coefficients on":
        sums = {
            consumer.name
            for consumer in graph.nodes.values()
            if isinstance(consumer, WeightedSum) and any(term.name == name for term in consumer.terms)
        } - widened.sums
        if sums:
            widened.sums |= sums
            return f"sums over {name} get longer weights and a 64-bit accumulator"
    return None


def _fit(ranges: Ranges, target: Target, widened: Widened) -> FixedGraph:
    """Words, scales, integers and proven ranges that agree with each other."""
    graph = shorten_operands(ranges.graph, ranges.intervals, target, widened)
    intervals = dict(ranges.intervals)
    for node in graph.nodes.values():
        if isinstance(node, Shorten):
            intervals[node.name] = intervals[node.operand]
    groups = group_signals(graph, target, widened)
    corrections = Corrections()
    for _ in range(ATTEMPTS):
        scales = choose_scales(graph, groups, intervals, target, widened, corrections)
        details = realise(scales)
        formats = {name: _bare_format(scales, node) for name, node in graph.nodes.items()}
        draft = FixedGraph(graph, formats, details, target.name)
        proven = prove_ranges(draft)
        if not _correct(draft, proven, scales, corrections):
            _check_outputs(graph, proven)
            _check_comparisons(draft, proven)
            details, proven = _drop_idle_limits(draft, proven)
            final = {name: _final_format(formats[name], proven[name], graph.nodes[name], target) for name in formats}
            return FixedGraph(graph, final, details, target.name)
    raise FormatError("no scales fit the words of this target", graph.name, "give the signals tighter limits")


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
    return Format(scales.of(node.name), scales.bits[scales.groups.root[node.name]], 0, 0, "")


def _needed_bits(interval: Interval) -> int:
    return max(int(interval.high).bit_length(), int(-interval.low - 1).bit_length() if interval.low < 0 else 0) + 1


def _correct(draft: FixedGraph, proven: dict[str, Interval], scales: Scales, corrections: Corrections) -> bool:
    """Note what does not fit (a word, an accumulator); True if anything had to be noted."""
    noted = False
    for name, node in draft.graph.nodes.items():
        if node.is_bool:
            continue
        root = scales.groups.root[name]
        word = 64 if isinstance(node, SumOver) else max(scales.bits[root], 16 if not isinstance(node, Input) else 0)
        if _needed_bits(proven[name]) > word and not isinstance(node, Input):
            if root in scales.groups.lsb:
                # A prescribed scale cannot be coarsened; the word grows instead, as far as the target's words go.
                if _needed_bits(proven[name]) > 32:
                    raise FormatError("the range does not fit 32 bits at the prescribed resolution", name, "give it limits")
                scales.bits[root] = 32
                continue
            corrections.headroom[root] = corrections.headroom.get(root, 0) + 1
            noted = True
        noted |= _correct_accumulator(draft, node, proven, corrections)
    return noted


def _correct_accumulator(draft: FixedGraph, node: Node, proven: dict[str, Interval], corrections: Corrections) -> bool:
    detail = draft.details[node.name]
    match node, detail:
        case WeightedSum(), SumDetail():
            # Every partial sum must fit, whatever the order of the terms: the sum of magnitudes bounds them all.
            terms = zip(detail.weights, node.terms, strict=True)
            reach = sum(abs(weight) * proven[term.name].magnitude for weight, term in terms) + abs(detail.bias) + 2**detail.shift
            if reach >= 2 ** (detail.accumulator_bits - 1):
                if detail.shift == 0:
                    raise FormatError("the sum does not fit its accumulator", node.name, "give its operands tighter limits")
                corrections.shift[node.name] = detail.shift - 1
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


def _drop_idle_limits(draft: FixedGraph, proven: dict[str, Interval]) -> tuple[dict[str, Detail], dict[str, Interval]]:
    """Leave out limits that cannot act on any proven operand: a clamp that never acts is dead code."""
    details = dict(draft.details)
    for node in draft.graph.nodes.values():
        detail = details[node.name]
        if isinstance(node, WeightedSum) and isinstance(detail, SumDetail) and detail.low is not None and detail.high is not None:
            free = shifted(sum_before_rounding(node, detail, proven), detail.shift)
            if detail.low <= free.low and free.high <= detail.high:
                details[node.name] = replace(detail, low=None, high=None)
    return details, proven


def _final_format(bare: Format, proven: Interval, node: Node, target: Target) -> Format:
    low, high = int(proven.low), int(proven.high)
    if node.is_bool:
        return Format(bare.lsb, 1, 0, 1, "bool")
    if isinstance(node, Input):
        return Format(bare.lsb, bare.bits, low, high, node.ctype)
    needed = max(_needed_bits(proven), min(target.signal_bits, 32))
    bits = next(width for width in CONTAINERS if width >= needed)
    return Format(bare.lsb, bits, low, high, f"int{bits}_t")

