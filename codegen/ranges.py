"""Range of every signal: intervals run over memory to a fixed point, peak gains where intervals alone do not settle.

Takes a graph (or its integer realisation), gives an interval per signal that holds from the start for ever, for all inputs in
their ranges.  Memory that no clamp bounds but that is a stable linear section gets a limit at its proven peak
(``added_limits``), so that a flipped bit cannot leave the proven set either; memory that grows without bound is refused.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace

from codegen.errors import GraphError, RangeError
from codegen.graph import Clamp, Constant, Delay, Graph, Input, Node, Parameter, Product, Select, Shorten, SumOver, WeightedSum
from codegen.peak_gain import peak_gain
from codegen.rules.fixed import ClampDetail, FixedGraph, ProductDetail, RawDetail, SumDetail
from codegen.rules.interval import BOOL, INTEGER_INTERVALS, REAL_INTERVALS, Interval, Number

# A limit put at a peak-gain bound leaves this much room for the rounding errors that the real-valued bound does not see.
PEAK_ROOM = 1.01
SWEEPS_BEFORE_WIDENING = 4
SWEEPS_OF_NARROWING = 4


@dataclass(frozen=True)
class Ranges:
    """Real range of every signal and the graph with the limits that were added.

    Attributes:
        graph: The graph, unlimited memory now limited at its peak-gain bound.
        intervals: Range of every signal in its unit (float64, used to choose formats).
        added_limits: Signal and limits that were added, with the argument.
    """

    graph: Graph
    intervals: Mapping[str, Interval]
    added_limits: tuple[tuple[str, Interval, str], ...]


def _settle(
    graph: Graph,
    leaf: Callable[[Node], Interval],
    rule: Callable[[Node, dict[str, Interval]], Interval],
    steps: Iterable[Number] = (),
    held: Callable[[Interval], Interval] | None = None,
) -> dict[str, Interval]:
    """Least intervals found that one tick maps into themselves; infinite where the sweep does not settle.

    ``held`` gives the interval in which memory of a sum over the slow period is held, from that of its operand.
    Memory that keeps growing is widened to the next of ``steps``, beyond the last to infinity.
    """
    ends = sorted(steps)
    memory = {delay.name: leaf(delay) for delay in graph.delays}
    start = dict(memory)

    def sweep() -> dict[str, Interval]:
        values = {name: leaf(node) for name, node in graph.nodes.items() if isinstance(node, Input | Parameter | Constant)}
        values |= memory
        for part in (graph.before, graph.slow, graph.after):
            for node in part:
                if isinstance(node, SumOver):
                    operand = values[node.operand]
                    most = graph.slow_every - 1
                    before = held(operand) if held and operand.finite else Interval(most * operand.low, most * operand.high)
                    # Zero belongs to it: the same word holds the sum of the first few ticks.
                    before = before.hull(Interval(0, 0))
                    values[node.name] = Interval(before.low + operand.low, before.high + operand.high).hull(Interval(0, 0))
                else:
                    values[node.name] = rule(node, values)
        return values

    count = 0
    while True:
        values = sweep()
        grown = {delay.name: memory[delay.name].hull(values[delay.source]) for delay in graph.delays}
        if grown == memory:
            break
        if count >= SWEEPS_BEFORE_WIDENING:
            for name, interval in grown.items():
                low, high = interval
                if low < memory[name].low:
                    low = max((end for end in ends if end <= low), default=-math.inf)
                if high > memory[name].high:
                    high = min((end for end in ends if end >= high), default=math.inf)
                grown[name] = Interval(low, high)
        memory = grown
        count += 1
    # The fixed point of the widened sweep is sound; sweeping down from it stays sound because one tick is monotone.
    for _ in range(SWEEPS_OF_NARROWING):
        memory = {delay.name: start[delay.name].hull(values[delay.source]) for delay in graph.delays}
        values = sweep()
    return values


def _real_leaf(node: Node) -> Interval:
    match node:
        case Input():
            return BOOL if node.is_bool else Interval(node.low * node.per_count, node.high * node.per_count)
        case Parameter():
            return Interval(node.low, node.high)
        case Constant():
            return Interval(node.value, node.value)
        case Delay():
            return Interval(node.initial, node.initial)
        case _:
            raise TypeError(type(node).__name__)


def _real_limits(node: Node) -> tuple[float, ...]:
    """Limits that stand in a node."""
    ends = (getattr(node, "low", None), getattr(node, "high", None))
    return tuple(float(end) for end in ends if end is not None) if isinstance(node, WeightedSum | Clamp | Product) else ()


def _real_rule(graph: Graph) -> Callable[[Node, dict[str, Interval]], Interval]:
    return lambda node, values: REAL_INTERVALS[type(node)](node, graph, values)


def find_ranges(graph: Graph) -> Ranges:
    """Real range of every signal.

    Raises:
        RangeError: A memory grows without bound; the message names it and the smallest change that helps.
    """
    added: list[tuple[str, Interval, str]] = []
    while True:
        intervals = _settle(graph, _real_leaf, _real_rule(graph))
        growing = [delay for delay in graph.delays if not intervals[delay.name].finite]
        if not growing:
            for name, interval in intervals.items():
                if not interval.finite:
                    raise RangeError("the range is too large for float64", name, "use smaller weights or give the signal limits")
            return Ranges(graph, intervals, tuple(added))
        try:
            graph, new = _limit_section(graph, intervals, growing)
        except RangeError:
            # What a clamp bounds in a roundabout way (through a select that holds it, say) settles at one of the limits in the graph.
            steps = {end for node in graph.nodes.values() for end in _real_limits(node)}
            intervals = _settle(graph, _real_leaf, _real_rule(graph), steps)
            if not all(interval.finite for interval in intervals.values()):
                raise
            return Ranges(graph, intervals, tuple(added))
        added += new


def _limit_section(
    graph: Graph, intervals: Mapping[str, Interval], growing: list[Delay]
) -> tuple[Graph, list[tuple[str, Interval, str]]]:
    """Put limits on the sums that feed the growing memory, at the peak that bounded inputs can drive them to."""
    # Where both rates grow, the fast memory comes first: if it feeds on itself and on bounded signals only, the slow one follows later.
    # If it feeds on growing slow memory, ``_form`` refuses it.
    growing = [delay for delay in growing if not delay.slow] or growing
    names = [delay.name for delay in growing]
    first = names[0]
    remedy = "give the signal that feeds it limits, or make it leak"
    forms = {delay.name: _form(graph, intervals, delay.source, set(names)) for delay in growing}
    # Delayed copies of a bounded signal are one signal at several ticks, not several signals: they become states of the section.
    waiting = [symbol for form in forms.values() for symbol in form]
    while waiting:
        node = graph.nodes.get(waiting.pop())
        if isinstance(node, Delay) and node.name not in forms and node.slow == growing[0].slow and node.initial == 0.0:
            forms[node.name] = {node.source: 1.0}
            names.append(node.name)
            waiting.append(node.source)
    outside = sorted({symbol for form in forms.values() for symbol in form if symbol not in names and symbol != "1"})
    A = [[forms[row].get(column, 0.0) for column in names] for row in names]
    B = [[forms[row].get(column, 0.0) for column in outside] + [forms[row].get("1", 0.0)] for row in names]
    C = [[1.0 if row == column else 0.0 for column in names] for row in names]
    D = [[0.0] * len(B[0]) for _ in names]
    try:
        gains = peak_gain(A, B, C, D, tolerance=1e-9)
    except RangeError as error:
        raise RangeError(f"memory grows without bound: {error.what}", first, remedy) from None
    drives = [intervals[name] for name in outside] + [Interval(1.0, 1.0)]
    nodes = dict(graph.nodes)
    added: list[tuple[str, Interval, str]] = []
    for delay, row in zip(growing, gains, strict=False):
        if delay.source in names:
            # A delay of growing memory is bounded as soon as that memory is.
            continue
        if isinstance(graph.nodes[delay.source], Delay):
            continue  # a value of two ticks ago is bounded once the delay that it comes from is
        high = sum(max(u.high, 0.0) * g.positive - min(u.low, 0.0) * g.negative for u, g in zip(drives, row, strict=True))
        low = sum(min(u.low, 0.0) * g.positive - max(u.high, 0.0) * g.negative for u, g in zip(drives, row, strict=True))
        limits = Interval(min(low, delay.initial) * PEAK_ROOM, max(high, delay.initial) * PEAK_ROOM)
        source = _driving_sum(graph, delay.source)
        if source is None or source.low is not None:
            raise RangeError("memory grows without bound", delay.name, remedy)
        if any(source.name == limited for limited, _, _ in added):
            continue
        nodes[source.name] = replace(source, low=float(limits.low), high=float(limits.high))
        added.append((source.name, limits, "worst-case peak gain of the linear section from its bounded inputs"))
    return graph.with_nodes(nodes), added


def _driving_sum(graph: Graph, name: str) -> WeightedSum | None:
    node = graph.nodes[name]
    if isinstance(node, Shorten):
        return _driving_sum(graph, node.operand)
    return node if isinstance(node, WeightedSum) else None


def _form(graph: Graph, intervals: Mapping[str, Interval], name: str, states: set[str]) -> dict[str, float]:
    """``name`` as a weighted sum of ``states`` and of bounded signals."""
    node = graph.nodes[name]
    if name in states:
        return {name: 1.0}
    if intervals[name].finite:
        return {name: 1.0}
    match node:
        case WeightedSum():
            result = {"1": node.bias} if node.bias else {}
            for term in node.terms:
                for symbol, weight in _form(graph, intervals, term.name, states).items():
                    result[symbol] = result.get(symbol, 0.0) + term.weight * weight
            return result
        case Clamp() | Shorten():
            return _form(graph, intervals, node.operand, states)
        case Select():
            branches = [_form(graph, intervals, branch, states) for branch in (node.if_true, node.if_false)]
            if branches[0] == branches[1]:
                return branches[0]
    raise RangeError(
        "memory grows without bound and is not a linear section", name, "give the signal limits (a clamp) or make it leak"
    )


def prove_ranges(fixed: FixedGraph) -> dict[str, Interval]:
    """Proven raw range of every signal of the integer realisation, by exact integer intervals.

    Raises:
        RangeError: A memory does not settle (its limits were lost).
    """

    def leaf(node: Node) -> Interval:
        if isinstance(node, Input):
            return Interval(node.low, node.high)
        detail = fixed.details[node.name]
        if not isinstance(detail, RawDetail):
            raise GraphError("memory or constant without a raw number", node.name)
        if isinstance(node, Parameter):
            return Interval(detail.low, detail.high)
        return Interval(detail.value, detail.value)

    graph = fixed.graph
    # Any number will do as a step: the limits, where clamps settle, and powers of two, where what rounds settles.
    steps = {sign * 2**bits for bits in range(63) for sign in (1, -1)}
    for detail in fixed.details.values():
        if isinstance(detail, SumDetail | ProductDetail | ClampDetail):
            steps |= {end for end in (detail.low, detail.high) if end is not None}
    intervals = _settle(
        graph,
        leaf,
        lambda node, values: INTEGER_INTERVALS[type(node)](node, fixed, values),
        steps,
        lambda operand: Interval(*fixed.held_sum(int(operand.low), int(operand.high))),
    )
    for name, interval in intervals.items():
        if not interval.finite:
            raise RangeError("the integer realisation has no finite range", name, "give the signal limits")
    return intervals
