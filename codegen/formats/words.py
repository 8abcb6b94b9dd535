"""Which word each signal gets before its scale is known: groups of one format, and copies short enough to multiply cheaply.

Takes a graph, its real ranges and a target's word rules, gives the graph with ``Shorten`` copies put in and the groups of signals
that must share one format.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction

from codegen.errors import FormatError
from codegen.graph import (
    Clamp,
    Compare,
    Delay,
    Graph,
    Input,
    Node,
    Product,
    Select,
    Shorten,
    SumOver,
    Table,
    Term,
    WeightedSum,
    WrappedDifference,
    check_graph,
)
from codegen.rules.interval import Interval
from codegen.targets import Target

INPUT_BITS = {"bool": 1, "int8_t": 8, "uint8_t": 9, "int16_t": 16, "uint16_t": 17, "int32_t": 32}


@dataclass
class Widened:
    """Where the error budget asked for more than the target's cheapest words.

    Attributes:
        groups: Signals whose format group got a longer word.
        uses: (consumer, operand) pairs that read the long operand instead of a shortened copy.
        sums: Sums that accumulate in 64 bits although that is dear.
    """

    groups: set[str] = field(default_factory=set)
    uses: set[tuple[str, str]] = field(default_factory=set)
    sums: set[str] = field(default_factory=set)


@dataclass(frozen=True)
class Groups:
    """Signals that share one format.

    Attributes:
        root: Root signal of every number's group.
        members: Signals by root.
        lsb: Prescribed value of one count by root, where one is.
        bits: Word of each group by root.
        memory: Roots of groups that hold memory of their own (a sum that reads its own group back through a delay).
    """

    root: Mapping[str, str]
    members: Mapping[str, tuple[str, ...]]
    lsb: Mapping[str, Fraction]
    bits: Mapping[str, int]
    memory: frozenset[str]


def is_power_of_two(value: Fraction) -> bool:
    """Whether |value| is an exact power of two."""
    size = abs(value)
    return size != 0 and all(part & (part - 1) == 0 for part in (size.numerator, size.denominator))


def group_signals(graph: Graph, target: Target, widened: Widened) -> Groups:
    """Join signals that must share a format and give each group its word.

    Raises:
        FormatError: Two prescribed resolutions meet in one group.
    """
    root: dict[str, str] = {name: name for name, node in graph.nodes.items() if not node.is_bool}

    def find(name: str) -> str:
        while root[name] != name:
            name = root[name]
        return name

    def join(a: str, b: str) -> None:
        first, second = find(a), find(b)
        # The root is the earliest declared signal, so that it does not depend on the order of joining.
        keep, drop = sorted((first, second), key=list(root).index)
        root[drop] = keep

    for node in graph.nodes.values():
        if node.is_bool:
            continue
        match node:
            case Delay():
                join(node.name, node.source)
            case Select():
                join(node.name, node.if_true)
                join(node.name, node.if_false)
            case Clamp() | SumOver():
                join(node.name, node.operand)
            case WrappedDifference():
                join(node.name, node.newer)
    roots = {name: find(name) for name in root}
    members: dict[str, list[str]] = {}
    for name, top in roots.items():
        members.setdefault(top, []).append(name)
    lsb: dict[str, Fraction] = {}
    bits: dict[str, int] = {}
    memory: set[str] = set()
    for top, names in members.items():
        for name in names:
            node = graph.nodes[name]
            prescribed = Fraction(node.per_count) if isinstance(node, Input) else None
            if node.resolution is not None:
                prescribed = Fraction(node.resolution)
            if prescribed is None:
                continue
            if lsb.setdefault(top, prescribed) != prescribed:
                raise FormatError(
                    f"one count is {float(lsb[top]):g} here and {float(prescribed):g} there, but both share one format",
                    name,
                    "put a weighted_sum between the two",
                )
        nodes = [graph.nodes[name] for name in names]
        if any(isinstance(node, WeightedSum) and not set(node.operands()).isdisjoint(names) for node in nodes):
            memory.add(top)
        inputs = [INPUT_BITS[node.ctype] for node in nodes if isinstance(node, Input)]
        narrow = target.operand_bits <= 16 and top not in memory and not widened.groups & set(names)
        long = target.accumulator_bits >= 64 and any(_adds_to_itself(graph, node, set(names)) for node in nodes)
        bits[top] = max(inputs) if inputs else 16 if narrow else 64 if long and top not in lsb else 32
    return Groups(roots, {top: tuple(names) for top, names in members.items()}, lsb, bits, frozenset(memory))


def shorten_operands(graph: Graph, ranges: Mapping[str, Interval], target: Target, widened: Widened) -> Graph:
    """Put a ``Shorten`` copy before every multiplication whose operand is wider than the target multiplies cheaply."""
    groups = group_signals(graph, target, widened)
    widest = target.operand_bits
    copies: dict[tuple[str, bool], Shorten] = {}
    result: list[Node] = []

    def bits_of(name: str) -> int:
        word = groups.bits[groups.root[name]]
        if isinstance(graph.nodes[name], SumOver):
            word += (graph.slow_every - 1).bit_length()
        return word

    def multiplies(node: Node, term: Term) -> bool:
        top, own = groups.root[term.name], groups.root.get(node.name)
        if not is_power_of_two(Fraction(term.weight)):
            return True
        if own is not None and groups.bits[own] <= widest and bits_of(term.name) >= 32:
            # A long operand of a short sum would ask for a long accumulator only to lose its low bits again.
            return True
        scales = [groups.lsb.get(name) for name in (top, own) if name is not None]
        return top != own and any(scale is not None and not is_power_of_two(scale) for scale in scales)

    def short(node: Node, operand: str) -> str:
        # Memory that feeds back into itself keeps its word: what a shortened copy drops would come round for ever.
        recursive = isinstance(node, WeightedSum) and groups.root[operand] == groups.root[node.name]
        if recursive or (node.name, operand) in widened.uses or bits_of(operand) <= widest:
            return operand
        source = graph.nodes[operand]
        slow = node.slow and not isinstance(node, SumOver) and (source.slow or (operand, False) not in copies)
        key = (operand, slow)
        if key not in copies:
            taken = {copy.name for copy in copies.values()} | set(graph.nodes)
            name = f"{operand}_short"
            name = name if name not in taken else f"{operand}_short_slow" if slow else f"{operand}_short_fast"
            section = node.section if isinstance(source, Delay) else source.section
            copies[key] = Shorten(
                name=name, unit=source.unit, section=section, note=f"{operand} in a shorter word", slow=slow, operand=operand
            )
            result.append(copies[key])
        return copies[key].name

    for node in graph.nodes.values():
        replaced: Node = node
        match node:
            case WeightedSum():
                terms = tuple(Term(t.weight, short(node, t.name)) if multiplies(node, t) else t for t in node.terms)
                replaced = replace(node, terms=terms)
            case Compare() if len(node.terms) > 1:
                terms = tuple(Term(t.weight, short(node, t.name)) for t in node.terms)
                replaced = replace(node, terms=terms)
            case Product():
                replaced = replace(node, left=short(node, node.left), right=short(node, node.right))
            case Table():
                replaced = replace(node, operand=short(node, node.operand))
            case SumOver():
                replaced = replace(node, operand=short(node, node.operand))
        result.append(replaced)
    return check_graph(graph.name, graph.title, graph.period_s, graph.slow_every, result, graph.outputs)


def is_integrator(graph: Graph, groups: Groups, node: WeightedSum) -> bool:
    """Whether the sum adds to its own delayed value with weight exactly 1, so that its update must drop nothing."""
    return _adds_to_itself(graph, node, set(groups.members[groups.root[node.name]]))


def _adds_to_itself(graph: Graph, node: Node, group: set[str]) -> bool:
    if not isinstance(node, WeightedSum):
        return False
    # A second delayed value of its own makes it a section with memory of two ticks (y = y1 - y2/2), which has to be rounded.
    return [term.weight for term in node.terms if term.name in group and isinstance(graph.nodes[term.name], Delay)] == [1.0]
