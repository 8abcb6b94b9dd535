"""Which word each signal gets before its scale is known: groups of one format, and copies short enough to multiply cheaply.

Takes a graph, its real ranges and a target's word rules, gives the graph with ``Shorten`` copies put in and the groups of signals
that must share one format.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction

from codegen.errors import FormatError
from codegen.formats.units import Units, choose_units
from codegen.graph import (
    Clamp,
    Compare,
    Delay,
    Graph,
    Input,
    Node,
    Product,
    Relation,
    Select,
    Shorten,
    SumOver,
    Table,
    Term,
    WeightedSum,
    WrappedDifference,
    check_graph,
)
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


@dataclass
class Thrift:
    """Where cycles are saved within the error budget.

    Attributes:
        coarser: Bits by which a signal's format group is coarser than its word would allow.
        direct: (consumer, operand) pairs that multiply the long operand in 32 bits instead of a shortened copy.
    """

    coarser: dict[str, int] = field(default_factory=dict)
    direct: set[tuple[str, str]] = field(default_factory=set)


@dataclass(frozen=True)
class Groups:
    """Signals that share one format.

    Attributes:
        root: Root signal of every number's group.
        members: Signals by root.
        lsb: Prescribed value of one count by root, where one is.
        bits: Word of each group by root.
        memory: Roots of groups that hold memory of their own (a sum that reads its own group back through a delay).
        long: Roots of groups that keep a long word because nothing multiplies what they add up.
        summed: Those of them whose word holds a sum over the slow period as well.
        carried: Sums that carry a memory on with weight exactly 1.
        units: In what unit each group counts.
    """

    root: Mapping[str, str]
    members: Mapping[str, tuple[str, ...]]
    lsb: Mapping[str, Fraction]
    bits: Mapping[str, int]
    memory: frozenset[str]
    long: frozenset[str]
    summed: frozenset[str]
    carried: frozenset[str]
    units: Units

    def free(self, node: Node, term: Term) -> bool:
        """Whether a term of a weighted sum needs no multiplication."""
        return self.units.free(self.root[node.name], self.root[term.name], Fraction(term.weight))


def is_power_of_two(value: Fraction) -> bool:
    """Whether |value| is an exact power of two."""
    size = abs(value)
    return size != 0 and all(part & (part - 1) == 0 for part in (size.numerator, size.denominator))


def group_signals(graph: Graph, target: Target, widened: Widened, units: Mapping[str, Fraction] | None = None) -> Groups:
    """Join signals that must share a format and give each group its word.

    Args:
        graph: The graph.
        target: Word rules.
        widened: Where the error budget asked for more.
        units: Unit of every number where that is settled already.

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
    carried = _carried(graph)
    for way in carried:
        for name in way:
            join(name, way[0])
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
        if any(isinstance(graph.nodes[name], WeightedSum) and not set(graph.nodes[name].operands()).isdisjoint(names) for name in names):
            memory.add(top)
    if units is not None:
        tied = Units({top: units[names[0]] for top, names in members.items()})
    else:
        tied = choose_units(graph, roots, lsb if target.accumulator_bits < 64 else dict.fromkeys(members, Fraction(1)) | lsb)
    plain = Groups(
        root=roots,
        members={top: tuple(names) for top, names in members.items()},
        lsb=lsb,
        bits={},
        memory=frozenset(memory),
        long=frozenset(),
        summed=frozenset(),
        carried=frozenset(name for way in carried for name in way[1:]),
        units=tied,
    )
    long, summed = _long_groups(graph, plain, widened) if target.operand_bits <= 16 else (frozenset[str](), frozenset[str]())
    for top, names in members.items():
        nodes = [graph.nodes[name] for name in names]
        inputs = [INPUT_BITS[node.ctype] for node in nodes if isinstance(node, Input)]
        narrow = target.operand_bits <= 16 and top not in memory and top not in long and not widened.groups & set(names)
        longest = target.accumulator_bits >= 64 and any(is_integrator(graph, plain, node) for node in nodes)
        bits[top] = max(inputs) if inputs else 16 if narrow else 64 if longest and top not in lsb else 32
    return replace(plain, bits=bits, long=long, summed=summed)


def _carried(graph: Graph) -> list[list[str]]:
    """Memory that sums carry on with weight exactly 1: each time the delay and the signals on the way to its source."""
    readers: dict[str, list[str]] = {name: [] for name in graph.nodes}
    for node in graph.nodes.values():
        match node:
            case WeightedSum():
                for term in node.terms:
                    if term.weight == 1.0 and (node.resolution is None or graph.nodes[term.name].resolution in (None, node.resolution)):
                        readers[term.name].append(node.name)
            case Select() if not node.is_bool:
                readers[node.if_true].append(node.name)
                readers[node.if_false].append(node.name)
            case Clamp():
                readers[node.operand].append(node.name)
    found: list[list[str]] = []
    for delay in graph.delays:
        if delay.is_bool:
            continue
        on_way: dict[str, bool] = {}

        def leads(name: str, end: str, on_way: dict[str, bool]) -> bool:
            if name not in on_way:
                # A cycle within the tick does not exist; a name under way is not on the way.
                on_way[name] = False
                on_way[name] = name == end or True in [leads(reader, end, on_way) for reader in readers[name]]
            return on_way[name]

        if leads(delay.name, delay.source, on_way):
            found.append([delay.name, *(name for name, holds in on_way.items() if holds and name != delay.name)])
    return found


def _long_groups(graph: Graph, groups: Groups, widened: Widened) -> tuple[frozenset[str], frozenset[str]]:
    """Groups that keep 32 bits where multiplications are narrow, and those of them that hold a sum over the slow period.

    A sum that takes a long operand without multiplying it would only lose bits in a short word, and pay for the rounding; so would one
    that nothing but long sums read, each without multiplying it.
    """
    long = {top for top, names in groups.members.items() if top in groups.memory or widened.groups & set(names)}
    free = {top for top in groups.members if top not in groups.lsb}
    sums = [node for node in graph.nodes.values() if isinstance(node, WeightedSum) and groups.root[node.name] in free]

    def spread(whole: bool) -> None:
        before = -1
        while before != len(long):
            before = len(long)
            for node in sums:
                for term in node.terms:
                    wide = groups.root[term.name] in long or (whole and isinstance(graph.nodes[term.name], SumOver))
                    if wide and groups.free(node, term):
                        long.add(groups.root[node.name])
            if whole:
                long.update(_only_added(graph, groups, long) & free)

    spread(whole=False)
    # What is summed up and does not fill a long word itself keeps its sum in that word.
    summed = {
        groups.root[node.name]
        for node in graph.sums
        if groups.root[node.name] in free - long and isinstance(graph.nodes[node.operand], WeightedSum)
    }
    long |= summed
    spread(whole=True)
    return frozenset(long), frozenset(summed)


def _only_added(graph: Graph, groups: Groups, long: set[str]) -> set[str]:
    """Groups of sums that nothing reads but long sums without multiplying them."""
    computed = {groups.root[node.name] for node in graph.nodes.values() if isinstance(node, WeightedSum)}
    shown = {groups.root[output.signal] for output in graph.outputs if not graph.nodes[output.signal].is_bool}
    read: set[str] = set()
    other: set[str] = set()
    for node in graph.nodes.values():
        for operand in node.operands():
            if graph.nodes[operand].is_bool or (not node.is_bool and groups.root[operand] == groups.root[node.name]):
                continue
            term = next((term for term in node.terms if term.name == operand), None) if isinstance(node, WeightedSum) else None
            added = term is not None and groups.root[node.name] in long and groups.free(node, term)
            (read if added else other).add(groups.root[operand])
    return (computed & read) - other - shown


def _compared(node: Node, copies: Mapping[tuple[str, bool], Shorten], widest: int, bits_of: Callable[[str], int]) -> Node:
    """A comparison of one long signal reads the shortened copy where there is one anyway."""
    if not isinstance(node, Compare) or len(node.terms) > 1 or node.relation is Relation.NOT_EQUAL:
        return node
    term = node.terms[0]
    copy = copies.get((term.name, False))
    return node if copy is None or bits_of(term.name) <= widest else replace(node, terms=(Term(term.weight, copy.name),))


def shorten_operands(
    graph: Graph, target: Target, widened: Widened, thrift: Thrift
) -> tuple[Graph, dict[str, Fraction]]:
    """Put a ``Shorten`` copy before every multiplication whose operand is wider than the target multiplies cheaply.

    Returns:
        The graph, and the unit in which each of its numbers counts.
    """
    groups = group_signals(graph, target, widened)
    widest = target.operand_bits
    copies: dict[tuple[str, bool], Shorten] = {}
    result: list[Node] = []

    def bits_of(name: str) -> int:
        word = groups.bits[groups.root[name]]
        if isinstance(graph.nodes[name], SumOver) and groups.root[name] not in groups.summed:
            word += (graph.slow_every - 1).bit_length()
        return word

    def multiplies(node: WeightedSum, term: Term) -> bool:
        if not groups.free(node, term):
            return True
        # A long operand of a short sum would ask for a long accumulator only to lose its low bits again.
        return groups.bits[groups.root[node.name]] <= widest and bits_of(term.name) >= 32

    def short(node: Node, operand: str) -> str:
        # Memory that feeds back into itself keeps its word: what a shortened copy drops would come round for ever.
        recursive = isinstance(node, WeightedSum) and groups.root[operand] == groups.root[node.name]
        if recursive or (node.name, operand) in widened.uses | thrift.direct or bits_of(operand) <= widest:
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
            case SumOver() if groups.root[node.name] not in groups.summed:
                replaced = replace(node, operand=short(node, node.operand))
        result.append(replaced)
    result = [_compared(node, copies, widest, bits_of) for node in result]
    units = {name: groups.units.of(top) for name, top in groups.root.items()}
    units |= {copy.name: units[copy.operand] for copy in copies.values()}
    return check_graph(graph.name, graph.title, graph.period_s, graph.slow_every, result, graph.outputs), units


def is_integrator(graph: Graph, groups: Groups, node: Node) -> bool:
    """Whether the sum adds to its own memory with weight exactly 1, at once or through other sums, so that its update must drop nothing."""
    if not isinstance(node, WeightedSum) or node.name not in groups.carried:
        return False
    # A second delayed value of its own makes it a section with memory of two ticks (y = y1 - y2/2), which has to be rounded.
    top = groups.root[node.name]
    return [term.weight for term in node.terms if groups.root[term.name] == top] == [1.0]


def is_recursive(groups: Groups, node: Node) -> bool:
    """Whether the sum multiplies its own memory: what is lost there comes round again, which no error of one tick shows."""
    own = groups.root.get(node.name)
    return isinstance(node, WeightedSum) and any(groups.root[term.name] == own and term.weight != 1.0 for term in node.terms)
