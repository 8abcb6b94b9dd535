"""The choice of formats: cheapest words first, widened where the error budget asks for it, until the proof closes.

Takes real ranges, a target's word rules and an error budget, gives a ``FixedGraph`` with what was chosen and why.
"""

from __future__ import annotations

import copy
from dataclasses import replace

from codegen.errors import FormatError
from codegen.formats.branches import choose_branches
from codegen.formats.fit import ATTEMPTS, fit_formats, needed_bits
from codegen.formats.savings import save_cycles, worst_output
from codegen.formats.words import Thrift, Widened, group_signals, is_recursive
from codegen.graph import Shorten, WeightedSum
from codegen.ranges import Ranges
from codegen.rules.cost import price_signals
from codegen.rules.fixed import Choice, FixedGraph, SumDetail
from codegen.rules.interval import Interval
from codegen.rules.rounding import trace_errors
from codegen.targets import Target, WordBits

# The words of every core: 16-bit operands, 32-bit sums of products.
SHORT_OPERAND: WordBits = 16
SHORT_ACCUMULATOR: WordBits = 32


def choose_formats(ranges: Ranges, target: Target, error_budget_counts: float = 3.0) -> FixedGraph:
    """Choose word and scale of every signal.

    A core with long words is given short ones first; the cheaper of both, by the target's table of costs, is taken.

    Args:
        ranges: Real ranges of the graph.
        target: Word rules and costs.
        error_budget_counts: Largest error of one tick that an output may have, in its counts (0.5 is rounding alone).

    Raises:
        FormatError: A weight is lost, a sum fits no accumulator, or the budget cannot be met; with the signal and a remedy.
    """
    fixed = _cheaper_words(ranges, target, error_budget_counts)
    return replace(fixed, branched=choose_branches(fixed, target.costs))


def _cheaper_words(ranges: Ranges, target: Target, error_budget_counts: float) -> FixedGraph:
    """Formats in short words, or in long ones where the core has them and they are cheaper or nothing else will do."""
    if target.operand_bits <= SHORT_OPERAND:
        return _within_budget(ranges, target, error_budget_counts, Widened())
    weight_bits: WordBits = SHORT_OPERAND if target.weight_bits > SHORT_OPERAND else target.weight_bits
    words = replace(target, operand_bits=SHORT_OPERAND, accumulator_bits=SHORT_ACCUMULATOR, weight_bits=weight_bits)
    try:
        short = _within_budget(ranges, words, error_budget_counts, _recursive(ranges, words))
    except FormatError:
        # What short words cannot hold, or not within the budget, long ones may.
        return _within_budget(ranges, target, error_budget_counts, Widened())
    try:
        long = _within_budget(ranges, target, error_budget_counts, Widened())
    except FormatError:
        return short
    first, second = (sum(price_signals(fixed, target.costs).values()) for fixed in (short, long))
    chosen, other = (short, long) if first <= second else (long, short)
    return replace(chosen, choices=_compare(chosen, other, target))


def _recursive(ranges: Ranges, words: Target) -> Widened:
    """Long words for the sums that multiply their own memory."""
    graph = ranges.graph
    groups = group_signals(graph, words, Widened())
    sums = [node for node in graph.nodes.values() if is_recursive(groups, node)]
    return Widened(uses={(node.name, name) for node in sums for name in node.operands()}, sums={node.name for node in sums})


def _compare(chosen: FixedGraph, other: FixedGraph, target: Target) -> tuple[Choice, ...]:
    """Signal by signal, what the words chosen cost and err against the other ones."""
    rows: list[Choice] = []
    prices, other_prices = price_signals(chosen, target.costs), price_signals(other, target.costs)
    errors, other_errors = _errors(chosen), _errors(other)
    for name, price in prices.items():
        if chosen.graph.nodes[name].is_bool:
            continue
        mine, theirs = _words(chosen, name), _words(other, name) if name in other_prices else "not needed"
        rows.append(Choice(name, mine, theirs, price, other_prices.get(name, 0), errors[name], other_errors.get(name, 0.0)))
    return tuple(rows)


def _errors(fixed: FixedGraph) -> dict[str, float]:
    traced = trace_errors(fixed)
    return {name: float(max(map(abs, traced.bound(form)))) for name, form in traced.forms.items()}


def _words(fixed: FixedGraph, name: str) -> str:
    detail = fixed.details[name]
    bits = fixed.formats[name].bits
    wide = getattr(detail, "accumulator_bits", 0) if isinstance(detail, SumDetail) else 0
    return f"{bits} bits" + (f", summed in {wide}" if wide else "")


def _within_budget(ranges: Ranges, target: Target, error_budget_counts: float, widened: Widened) -> FixedGraph:
    """The cheapest words whose error keeps the budget, from those that are long already."""
    decisions: list[str] = []
    fixed = fit_formats(ranges, target, widened, Thrift())
    for _ in range(ATTEMPTS):
        excess = worst_output(fixed, error_budget_counts)
        if excess is None:
            fixed, saved = save_cycles(ranges, target, widened, fixed, error_budget_counts)
            return replace(fixed, decisions=(*decisions, *saved))
        output, bound, contributors = excess
        for label in contributors:
            candidate = copy.deepcopy(widened)
            step = _widen(fixed, label, candidate)
            if step is None:
                continue
            try:
                fixed, widened = fit_formats(ranges, target, candidate, Thrift()), candidate
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
        narrow = needed_bits(Interval(fixed.formats[name].low, fixed.formats[name].high)) <= 16
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
