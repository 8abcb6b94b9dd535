"""The graph itself: nodes in an order that can be computed, and the check that it means something.

Takes nodes in any order, gives a frozen ``Graph`` split into three parts: what runs before the slow section, the slow
section, and what runs after it.  Does no arithmetic.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from graphlib import CycleError, TopologicalSorter

from codegen.errors import GraphError
from codegen.graph.nodes import (
    NODE_KINDS,
    Clamp,
    Compare,
    Constant,
    Delay,
    Input,
    Logic,
    Node,
    Parameter,
    Product,
    Select,
    Shorten,
    SumOver,
    Table,
    WeightedSum,
    WrappedDifference,
)

NAME = re.compile(r"[a-z][a-z0-9_]{0,47}")
UNIT = re.compile(r"[A-Za-z0-9 /^.%*()-]{0,24}")
# Numbers beyond these are slips, and their products would leave float64.
LEAST_NUMBER, LARGEST_NUMBER = 1e-30, 1e30
INPUT_RANGES = {
    "bool": (0, 1),
    "int8_t": (-(2**7), 2**7 - 1),
    "uint8_t": (0, 2**8 - 1),
    "int16_t": (-(2**15), 2**15 - 1),
    "uint16_t": (0, 2**16 - 1),
    "int32_t": (-(2**31), 2**31 - 1),
}


@dataclass(frozen=True)
class Output:
    """One output: the C member ``name``, the signal it shows, its trade name and C type."""

    name: str
    signal: str
    quantity: str
    ctype: str


@dataclass(frozen=True)
class Graph:
    """A checked controller.

    Attributes:
        name: Prefix of every C identifier.
        title: One line for headers and reports.
        period_s: Tick period in seconds.
        slow_every: The slow section runs on every ``slow_every``-th tick; 1 if there is none.
        nodes: All nodes by name, in an order in which they can be computed.
        outputs: What the controller shows, in the order of the C struct.
    """

    name: str
    title: str
    period_s: float
    slow_every: int
    nodes: Mapping[str, Node]
    outputs: tuple[Output, ...]
    _parts: tuple[tuple[Node, ...], tuple[Node, ...], tuple[Node, ...]] = field(repr=False, compare=False)

    @property
    def before(self) -> tuple[Node, ...]:
        """Fast nodes computed before the slow section."""
        return self._parts[0]

    @property
    def slow(self) -> tuple[Node, ...]:
        """Nodes of the slow section (sums over the period, then the rest; without the slow delays)."""
        return self._parts[1]

    @property
    def after(self) -> tuple[Node, ...]:
        """Fast nodes that read results of the slow section."""
        return self._parts[2]

    def with_nodes(self, nodes: Mapping[str, Node]) -> Graph:
        """The same graph with some nodes exchanged for others of the same name and operands."""
        before, slow, after = (tuple(nodes[node.name] for node in part) for part in self._parts)
        return replace(self, nodes=nodes, _parts=(before, slow, after))

    @cached_property
    def inputs(self) -> tuple[Input, ...]:
        """Inputs in the order of the C struct."""
        return tuple(node for node in self.nodes.values() if isinstance(node, Input))

    @cached_property
    def parameters(self) -> tuple[Parameter, ...]:
        """Live gains in the order of the C struct."""
        return tuple(node for node in self.nodes.values() if isinstance(node, Parameter))

    @cached_property
    def delays(self) -> tuple[Delay, ...]:
        """All memory, fast and slow."""
        return tuple(node for node in self.nodes.values() if isinstance(node, Delay))

    @cached_property
    def sums(self) -> tuple[SumOver, ...]:
        """Accumulators of the slow section."""
        return tuple(node for node in self.nodes.values() if isinstance(node, SumOver))


def check_graph(
    name: str, title: str, period_s: float, slow_every: int, nodes: Iterable[Node], outputs: Iterable[Output]
) -> Graph:
    """Check and order the nodes.

    Returns:
        The frozen graph.

    Raises:
        GraphError: A name is unknown, used twice or no C identifier; an operand is of the wrong kind; a number is not finite;
            limits are crossed; signals form a cycle without a delay; the slow section is misused.
    """
    by_name: dict[str, Node] = {}
    for node in nodes:
        if type(node) not in NODE_KINDS:
            raise GraphError(f"{type(node).__name__} is no node kind", node.name, "add it to NODE_KINDS and to every rule table")
        if not NAME.fullmatch(node.name):
            raise GraphError("a signal name must match [a-z][a-z0-9_]{0,47}", repr(node.name), "rename the signal")
        if node.name in by_name:
            raise GraphError("two signals have the same name", node.name, "rename one of them")
        if not UNIT.fullmatch(node.unit) or "*/" in node.unit or "/*" in node.unit or "*/" in node.note or "\n" in node.note:
            raise GraphError("unit or note cannot stand in a C comment", node.name, "use plain units such as rad/s")
        by_name[node.name] = node
    if not NAME.fullmatch(name) or not math.isfinite(period_s) or period_s <= 0 or slow_every < 1:
        raise GraphError("the graph needs a name, a positive period and slow_every >= 1", name)
    for node in by_name.values():
        _check_node(node, by_name, slow_every)
    kept = tuple(outputs)
    if not kept:
        raise GraphError("the graph has no output", name, "declare at least one output")
    for output in kept:
        if output.signal not in by_name:
            raise GraphError(f"output shows unknown signal {output.signal}", output.name)
        shown = by_name[output.signal]
        if shown.slow and not isinstance(shown, Delay):
            raise GraphError("an output shows a slow signal, which exists on slow ticks only", output.name, "show a slow delay of it")
        if not NAME.fullmatch(output.name) or output.ctype not in INPUT_RANGES or (output.ctype == "bool") != shown.is_bool:
            raise GraphError(f"output type {output.ctype} does not fit the signal", output.name, f"use one of {', '.join(INPUT_RANGES)}")
        if not shown.is_bool and shown.resolution is None and not isinstance(shown, Delay | Clamp | Select | Input):
            raise GraphError("an output needs a resolution (real value of one count)", shown.name, "give the signal a resolution")
    if len({output.name for output in kept}) != len(kept):
        raise GraphError("two outputs have the same name", name)
    _check_use(name, slow_every, by_name, kept)
    before, slow, after = _order(by_name)
    ordered: dict[str, Node] = {node.name: node for node in by_name.values() if isinstance(node, Input | Parameter | Constant)}
    ordered |= {node.name: node for node in by_name.values() if isinstance(node, Delay)}
    ordered |= {node.name: node for part in (before, slow, after) for node in part}
    return Graph(name, title, period_s, slow_every, ordered, kept, (before, slow, after))


def _check_use(name: str, slow_every: int, by_name: Mapping[str, Node], outputs: tuple[Output, ...]) -> None:
    """Refuse what would stand in the C without a use, and a slow section that leaves nothing behind."""
    nodes = by_name.values()
    if not any(isinstance(node, Input) for node in nodes):
        raise GraphError("the graph has no input", name, "declare at least one input")
    if slow_every > 1 and not any(isinstance(node, Delay) and node.slow for node in nodes):
        raise GraphError("the slow section has no slow delay that keeps its results", name, "add one, or give slow_every = 1")
    read = {operand for node in nodes for operand in node.operands()} | {output.signal for output in outputs}
    read |= {node.source for node in nodes if isinstance(node, Delay)}
    for node in nodes:
        if node.name not in read and not isinstance(node, Input | Parameter | Constant | Delay):
            raise GraphError("nothing reads this signal", node.name, "leave it out or show it as an output")


def _numbers(node: Node) -> list[float]:
    """Every real number that a node carries."""
    match node:
        case Input():
            return [node.per_count, float(node.low), float(node.high)]
        case Parameter():
            return [node.value, node.low, node.high]
        case Constant():
            return [node.value]
        case WeightedSum():
            return [term.weight for term in node.terms] + [node.bias] + [x for x in (node.low, node.high) if x is not None]
        case Clamp():
            return [node.low, node.high]
        case Delay():
            return [node.initial]
        case Product():
            return [node.scale] + [x for x in (node.low, node.high) if x is not None]
        case Compare():
            return [term.weight for term in node.terms] + [node.threshold]
        case Table():
            return [node.start, node.step, *node.values]
        case _:
            return []


def _check_node(node: Node, by_name: Mapping[str, Node], slow_every: int) -> None:
    def refuse(what: str, remedy: str = "") -> None:
        raise GraphError(what, node.name, remedy)

    if not all(number == 0.0 or LEAST_NUMBER <= abs(number) <= LARGEST_NUMBER for number in _numbers(node)):
        refuse(f"a number is not finite, or beyond {LEAST_NUMBER:g} to {LARGEST_NUMBER:g}", "use a unit in which it is of ordinary size")
    if node.resolution is not None and not (math.isfinite(node.resolution) and node.resolution > 0):
        refuse("resolution must be positive")
    for operand in node.operands():
        if operand not in by_name:
            refuse(f"operand {operand} does not exist", "declare it first or correct the name")
    kinds = {operand: by_name[operand].is_bool for operand in node.operands()}
    match node:
        case Input():
            low, high = INPUT_RANGES.get(node.ctype, (1, 0))
            if not low <= node.low <= node.high <= high or node.per_count <= 0 or (node.ctype == "bool") != node.is_bool:
                refuse("input type, range and value per count do not fit", f"use one of {', '.join(INPUT_RANGES)}")
        case Parameter():
            if not node.low <= node.value <= node.high:
                refuse("a live gain needs low <= value <= high")
        case WeightedSum() | Compare():
            if any(kinds.values()):
                refuse("a weighted sum cannot take a truth value", "use select")
            if len({term.name for term in node.terms}) != len(node.terms):
                refuse("a signal stands twice in one sum", "add its weights up")
            if not node.terms:
                refuse("a sum needs at least one operand", "use constant")
            if any(term.weight == 0.0 for term in node.terms):
                refuse("a weight of zero does nothing", "leave the term out")
        case Product():
            if any(kinds.values()) or node.scale <= 0:
                refuse("a product takes two numbers and a positive scale")
        case Clamp() | Table() | SumOver() | Shorten() | WrappedDifference():
            if any(kinds.values()):
                refuse("the operand must be a number, not a truth value")
        case Select():
            if not by_name[node.condition].is_bool:
                refuse("the condition of a select must be a truth value", "use compare")
            if by_name[node.if_true].is_bool != node.is_bool or by_name[node.if_false].is_bool != node.is_bool:
                refuse("both branches of a select must be of the select's own kind")
        case Logic():
            if not all(kinds.values()) or len(node.inverted) != len(node.arguments) or not node.arguments or not node.is_bool:
                refuse("logic takes truth values")
        case Delay():
            if node.source not in by_name:
                refuse(f"the delay's source {node.source or '(none)'} does not exist", "connect the delay")
            source = by_name[node.source]
            if source.is_bool != node.is_bool:
                refuse("a delay and its source must be of the same kind")
            if source.slow and not node.slow and not isinstance(source, Delay):
                refuse("a fast delay cannot be written by a slow signal", "make the delay slow")
    if isinstance(node, Compare) and not node.is_bool:
        refuse("a comparison is a truth value")
    least, most = getattr(node, "low", None), getattr(node, "high", None)
    if (least is None) != (most is None) or (least is not None and most is not None and not least <= most):
        refuse("limits are crossed, or only one is given", "give low <= high")
    if isinstance(node, Table) and (node.step <= 0 or len(node.values) < 2):
        refuse("a table needs a positive step and at least two values")
    if isinstance(node, WrappedDifference):
        pair = [_counter_input(by_name[name], by_name) for name in (node.newer, node.older)]
        if pair[0] is None or pair[0] != pair[1] or not 2 <= node.bits <= 32:
            refuse("a wrapped difference takes one raw counter input and a delay of it", "read the counter directly")
    if node.slow and slow_every == 1:
        refuse("a slow signal in a graph without a slow section", "give slow_every > 1")
    for operand in node.operands():
        other = by_name[operand]
        if isinstance(node, SumOver):
            if other.slow or not node.slow:
                refuse("a sum over the slow period takes a fast signal and is itself slow")
        elif other.slow and not node.slow and not isinstance(other, Delay):
            refuse(f"a fast signal reads the slow signal {operand}", "read it through a slow delay")


def _counter_input(node: Node, by_name: Mapping[str, Node]) -> str | None:
    if isinstance(node, Delay):
        source = by_name.get(node.source)
        return _counter_input(source, by_name) if source is not None and not isinstance(source, Delay) else None
    return node.name if isinstance(node, Input) else None


def _order(by_name: Mapping[str, Node]) -> tuple[tuple[Node, ...], tuple[Node, ...], tuple[Node, ...]]:
    """Split into before / slow / after and sort each part so that operands come first."""
    leaves = (Input, Parameter, Constant, Delay)
    depends: dict[str, set[str]] = {}
    section = "(slow section)"
    slow_names = {node.name for node in by_name.values() if node.slow and not isinstance(node, leaves)}
    for node in by_name.values():
        if isinstance(node, leaves):
            continue
        needed = {operand for operand in node.operands() if not isinstance(by_name[operand], leaves)}
        if not node.slow and any(by_name[operand].slow for operand in node.operands()):
            needed.add(section)
        depends[node.name] = needed
    depends[section] = set(slow_names)
    # What a slow delay takes over must be known when the slow section writes it.
    depends[section] |= {
        node.source
        for node in by_name.values()
        if isinstance(node, Delay) and node.slow and not isinstance(by_name[node.source], leaves)
    }
    try:
        order = list(TopologicalSorter(depends).static_order())
    except CycleError as error:
        cycle = " -> ".join(str(name) for name in error.args[1])
        raise GraphError(f"signals depend on each other within one tick: {cycle}", remedy="put a delay into the cycle") from None
    position = {name: place for place, name in enumerate(by_name)}
    late: set[str] = set()
    for name in order:
        if name != section and (section in depends[name] or depends[name] & late) and name not in slow_names:
            late.add(name)
    # Within a part keep the designer's order as far as dependencies allow, so that the C reads as it was written.
    def part(names: set[str]) -> tuple[Node, ...]:
        sorter = TopologicalSorter({name: depends[name] & names for name in names})
        sorter.prepare()
        result: list[Node] = []
        ready: list[str] = []
        while sorter.is_active():
            ready = sorted([*ready, *sorter.get_ready()], key=position.__getitem__)
            chosen = ready.pop(0)
            result.append(by_name[chosen])
            sorter.done(chosen)
        return tuple(result)

    early = {name for name in depends if name != section} - slow_names - late
    return part(early), part(slow_names), part(late)
