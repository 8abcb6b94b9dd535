"""A graph as C that a good programmer would write by hand, in one of several number types: what the emitted fixed point is compared with.

Takes a graph, gives an ``Emission`` and the ``Shape`` that goes with it.  Common to all dialects: structs and control flow (only the
selected branch is computed, constants are folded, truth values are evaluated only as far as needed).  A dialect says how numbers are
held and what a sum, a clamp and a comparison look like.  Lanterns need no tables, products of signals and counters that wrap, so these
are refused.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from dataclasses import replace

from codegen.emit import Emission
from codegen.graph import Clamp, Compare, Constant, Delay, Graph, Input, Logic, Node, Relation, Select, SumOver, WeightedSum
from codegen.host.shape import Port, Shape, counter_type
from codegen.ranges import Ranges, find_ranges
from tests.benchmarks.structure import SLOW, Block, Converted, Structure, place_signals, with_conversions

INDENT = "    "
KINDS = (WeightedSum, Clamp, Select, Compare, Logic, SumOver)
# A quotient this close to a whole number is one: thresholds are given in real units, counted in whole ones.
WHOLE = 1e-6


def nearly_whole(value: float) -> bool:
    """Whether ``value`` is a whole number but for the rounding of float64."""
    return abs(value - round(value)) <= WHOLE


class Dialect(ABC):
    """One way to write numbers.

    Args:
        graph: The controller.

    Attributes:
        headers: What the source includes.
        support: Functions that it starts with.
        whole_numbers: Whether readings, and counts made of them, stay integers; else every number has the dialect's type.
    """

    headers: tuple[str, ...] = ()
    support: str = ""
    whole_numbers = True

    def __init__(self, graph: Graph) -> None:
        for node in graph.nodes.values():
            if not isinstance(node, (*KINDS, Input, Constant, Delay)):
                raise ValueError(f"{node.name}: no hand-written form for {type(node).__name__}")
        self.graph = graph
        self.ranges: Ranges = find_ranges(graph)
        self.scales = self._find_scales() if self.whole_numbers else {}
        """Real value of one count of each whole number."""

    # What a dialect decides.

    @abstractmethod
    def number_type(self) -> str:
        """C type of a fractional number."""

    @abstractmethod
    def number(self, value: float, like: str) -> str:
        """A real number as a constant in the scale of signal ``like``."""

    @abstractmethod
    def converted(self, name: str) -> str:
        """The whole number or reading ``name`` in the dialect's type."""

    @abstractmethod
    def sum_text(self, node: WeightedSum) -> str:
        """Expression of a fractional sum with its limits."""

    @abstractmethod
    def clamp_text(self, node: Clamp) -> str:
        """Expression of a fractional clamp."""

    @abstractmethod
    def compare_text(self, node: Compare) -> str:
        """Condition on fractional numbers."""

    @abstractmethod
    def output_text(self, name: str, ctype: str) -> str:
        """A fractional signal as the whole number that an output shows."""

    def magnitude_text(self, name: str, node: Compare) -> str | None:
        """Condition on the magnitude of a signal, ``node`` being one side of it; None where the dialect has no cheaper form."""
        return None

    def before_sum(self, node: WeightedSum) -> list[str]:
        """Statements that a sum needs before it."""
        return []

    # Whole numbers: readings in counts, and what is made of them by whole weights.

    def _find_scales(self) -> dict[str, float]:
        """Real value of one count of every signal that can stay a whole number; the greatest such set."""
        nodes = [node for node in self.graph.nodes.values() if not node.is_bool]
        scales: dict[str, float | None] = {node.name: None for node in nodes}
        banned: set[str] = set()
        while True:
            before = dict(scales), set(banned)
            for node in nodes:
                if node.name not in banned and not self._stays_whole(node, scales, banned):
                    banned.add(node.name)
                    scales[node.name] = None
            if (dict(scales), set(banned)) == before:
                return {name: scale for name, scale in scales.items() if name not in banned and scale is not None}

    def _stays_whole(self, node: Node, scales: dict[str, float | None], banned: set[str]) -> bool:
        if isinstance(node, SumOver):
            return False
        if isinstance(node, Input):
            scales[node.name] = node.per_count
            return True
        if isinstance(node, Constant):
            # Zero is a count of anything.
            return node.value == 0.0
        sources = (node.source,) if isinstance(node, Delay) else node.operands()
        sources = tuple(name for name in sources if not self.graph.nodes[name].is_bool)
        if any(name in banned for name in sources):
            return False
        known = {scale for scale in (node.resolution, *(scales[name] for name in sources)) if scale is not None}
        if len(known) > 1:
            return False
        if not known:
            return True
        scale = known.pop()
        numbers = [node.initial] if isinstance(node, Delay) else []
        if isinstance(node, Clamp | WeightedSum):
            if node.low is None or node.high is None:
                return False
            numbers += [node.low, node.high]
        if isinstance(node, WeightedSum):
            if not all(nearly_whole(term.weight) for term in node.terms):
                return False
            numbers.append(node.bias)
        scales[node.name] = scale
        return all(nearly_whole(number / scale) for number in numbers)

    def is_whole(self, name: str) -> bool:
        """Whether a signal is held as a whole number."""
        return name in self.scales

    def whole_type(self, name: str) -> str:
        """C type of a whole number: sums and limits of such are formed in ``int``, whatever its width."""
        low, high = (round(end / self.scales[name]) for end in self.ranges.intervals[name])
        if low < -(2**15) or high >= 2**15:
            raise ValueError(f"{name}: no hand-written form for counts beyond 16 bits")
        return "int16_t"

    def ctype(self, node: Node) -> str:
        """C type of a signal's variable."""
        if node.is_bool:
            return "bool"
        return self.whole_type(node.name) if self.is_whole(node.name) else self.number_type()

    def text(self, name: str, like: str = "") -> str:
        """How an operand is spelled; a constant in the scale of signal ``like``."""
        node = self.graph.nodes.get(name)
        match node:
            case Input():
                return f"inputs->{name}"
            case Delay():
                return f"state->{name}"
            case Constant() if node.is_bool:
                return "true" if node.value else "false"
            case Constant():
                if self.is_whole(like or name):
                    return str(round(node.value / self.scales[like or name]))
                return self.number(node.value, like or name)
        return name

    def counts(self, value: float, name: str) -> str:
        """A real number in counts of the whole number ``name``."""
        return str(round(value / self.scales[name]))

    def whole_text(self, node: Clamp | WeightedSum) -> str:
        """Expression of a limit or a sum of whole numbers."""
        assert node.low is not None and node.high is not None
        low, high = self.counts(node.low, node.name), self.counts(node.high, node.name)
        if isinstance(node, Clamp):
            text = self.text(node.operand)
        else:
            parts = []
            for term in node.terms:
                factor = round(term.weight)
                product = self.text(term.name) if abs(factor) == 1 else f"{abs(factor)} * {self.text(term.name)}"
                parts.append(("- " if factor < 0 else "+ ") + product)
            if node.bias:
                parts.append(f"{'-' if node.bias < 0 else '+'} {abs(round(node.bias / self.scales[node.name]))}")
            text = " ".join(parts).removeprefix("+ ")
        return f"({self.whole_type(node.name)})limit_whole({text}, {low}, {high})"

    def whole_compare(self, node: Compare) -> str:
        """A comparison of counts, its threshold a whole number too."""
        same = len({self.scales[term.name] for term in node.terms}) == 1
        if len(node.terms) == 2 and same and node.threshold == 0.0 and node.terms[0].weight == -node.terms[1].weight:
            first, second = (self.text(term.name) for term in node.terms)
            return f"{first} {node.relation.value} {second}" if node.terms[0].weight > 0 else f"{second} {node.relation.value} {first}"
        if len(node.terms) != 1:
            raise ValueError(f"{node.name}: no hand-written form for a comparison of several counts")
        (term,) = node.terms
        limit = node.threshold / (term.weight * self.scales[term.name])
        limit = float(round(limit)) if nearly_whole(limit) else limit
        text = self.text(term.name)
        match node.relation, term.weight > 0:
            case Relation.GREATER, True:
                return f"{text} > {math.floor(limit)}"
            case Relation.GREATER, False:
                return f"{text} < {math.ceil(limit)}"
            case Relation.GREATER_OR_EQUAL, True:
                return f"{text} >= {math.ceil(limit)}"
            case Relation.GREATER_OR_EQUAL, False:
                return f"{text} <= {math.floor(limit)}"
        return f"{text} != {round(limit)}" if nearly_whole(limit) else "true"

    # Text of the whole controller.

    def write(self) -> tuple[Emission, Shape]:
        """Header, source and shape."""
        whole = {node.name: self.is_whole(node.name) for node in self.graph.nodes.values() if not node.is_bool}
        if not self.whole_numbers:
            # Readings alone are whole, and converted wherever they are read.
            whole |= {node.name: True for node in self.graph.inputs if not node.is_bool}
        parts = with_conversions(self.graph, whole, compare_whole=self.whole_numbers)
        writer = _Writer(self, place_signals(self.graph, parts), parts)
        shape = self._shape()
        return Emission(self.graph.name, self._header(), writer.source()), shape

    def _members(self) -> list[tuple[str, str]]:
        members = [(self.ctype(delay), delay.name) for delay in self.graph.delays]
        members += [(self.number_type(), node.name) for node in self.graph.sums]
        if self.graph.slow_every > 1:
            members.append((counter_type(self.graph.slow_every), "slow_count"))
        return members

    def _header(self) -> str:
        name = self.graph.name
        output_types = {output.name: output.ctype for output in self.graph.outputs}
        structs = (
            ("inputs", [(node.ctype, node.name) for node in self.graph.inputs]),
            ("outputs", [(ctype, member) for member, ctype in output_types.items()]),
            ("state", self._members()),
        )
        lines = ["#include <stdbool.h>", "#include <stdint.h>"]
        for kind, members in structs:
            lines += ["typedef struct {", *(f"{INDENT}{ctype} {member};" for ctype, member in members), f"}} {name}_{kind};"]
        lines.append(f"void {name}_init({name}_state *state);")
        lines.append(f"void {name}_step({name}_state *state, const {name}_inputs *inputs, {name}_outputs *outputs);")
        return "\n".join(lines) + "\n"

    def _shape(self) -> Shape:
        """Members that are no integers stay out of the shape: nothing reads them from outside."""
        name, graph = self.graph.name, self.graph
        memory = []
        for ctype, member in self._members():
            if ctype == "bool" or "int" in ctype:
                bits = 1 if ctype == "bool" else int(ctype.strip("uint_"))
                low, high = (0, (1 << bits) - 1) if ctype[0] in "ub" else (-(1 << (bits - 1)), (1 << (bits - 1)) - 1)
                memory.append(Port(member, ctype, low, high))
        return Shape(
            name=name,
            header=f"{name}.h",
            state_type=f"{name}_state",
            inputs_type=f"{name}_inputs",
            outputs_type=f"{name}_outputs",
            init=f"{name}_init",
            step=f"{name}_step",
            inputs=tuple(Port(node.name, node.ctype, node.low, node.high) for node in graph.inputs),
            outputs=tuple(Port(output.name, output.ctype, -(2**15), 2**15 - 1) for output in graph.outputs),
            memory=tuple(memory),
            slow_every=graph.slow_every,
            period_s=graph.period_s,
        )


class _Writer:
    """The source text of one dialect and structure."""

    def __init__(self, dialect: Dialect, structure: Structure, parts: list[list[Node]]) -> None:
        self.dialect = dialect
        self.graph = dialect.graph
        self.structure = structure
        self.nodes: dict[str, Node] = {**self.graph.nodes, **{node.name: node for part in parts for node in part}}
        self.late = {node.name for node in parts[2]}

    def source(self) -> str:
        """The whole file."""
        dialect, name = self.dialect, self.graph.name
        lines = [f'#include "{name}.h"', *dialect.headers, "", WHOLE_SUPPORT, dialect.support]
        lines += [f"void {name}_init({name}_state *state)", "{"]
        for delay in self.graph.delays:
            lines.append(f"{INDENT}state->{delay.name} = {self._initial(delay)};")
        lines += [f"{INDENT}state->{node.name} = 0;" for node in self.graph.sums]
        lines += [f"{INDENT}state->slow_count = 0u;"] if self.graph.slow_every > 1 else []
        lines += ["}", ""]
        lines += [f"void {name}_step({name}_state *state, const {name}_inputs *inputs, {name}_outputs *outputs)", "{"]
        lines += self._block(self.structure.root, INDENT)
        lines += [f"{INDENT}outputs->{output.name} = {self._output(output.signal, output.ctype)};" for output in self.graph.outputs]
        lines += self._stores(slow=False, indent=INDENT)
        return "\n".join([*lines, "}", ""])

    def _initial(self, delay: Delay) -> str:
        if delay.is_bool:
            return "true" if delay.initial else "false"
        if self.dialect.is_whole(delay.name):
            return self.dialect.counts(delay.initial, delay.name)
        return self.dialect.number(delay.initial, delay.name)

    def _output(self, signal: str, ctype: str) -> str:
        node = self.nodes[signal]
        text = self.dialect.text(signal)
        if node.is_bool:
            return text
        return f"({ctype}){text}" if self.dialect.is_whole(signal) else self.dialect.output_text(signal, ctype)

    def _stores(self, *, slow: bool, indent: str) -> list[str]:
        delays = [delay for delay in self.graph.delays if delay.slow == slow]
        written = {delay.name for delay in delays}
        lines = []
        for delay in delays:
            if delay.source in written:
                raise ValueError(f"{delay.name}: no hand-written form for a delay of a delay")
            source = self.graph.nodes[delay.source]
            if isinstance(source, Input) and not delay.is_bool and not self.dialect.is_whole(delay.name):
                text = self.dialect.converted(delay.source)
            else:
                text = self.dialect.text(delay.source, delay.name)
            lines.append(f"{indent}state->{delay.name} = {text};")
        return lines

    def _block(self, block: Block, indent: str) -> list[str]:
        """Statements in an order in which all that they read is there."""
        pieces: list[tuple[set[str], set[str], list[str]]] = []
        merged = self._merged(block)
        for node in block.nodes:
            if node.name in {name for names in merged.values() for name in names}:
                continue
            needs = self._reads(node) | ({"the slow section"} if node.name in self.late else set())
            pieces.append((needs, {node.name}, self._statement(node, indent)))
        if block is self.structure.root and self.graph.slow_every > 1:
            pieces.append(self._slow_section(block, indent))
        for condition, selects in merged.items():
            pieces.append(self._branches(block, condition, selects, indent))
        made = {name for _, names, _ in pieces for name in names}
        lines: list[str] = []
        done: set[str] = set()
        while pieces:
            ready = next((place for place, (needs, _, _) in enumerate(pieces) if needs & made <= done), None)
            if ready is None:
                raise ValueError(f"no order for the statements under {block.path}")
            _, names, text = pieces.pop(ready)
            done |= names
            lines += text
        return lines

    def _merged(self, block: Block) -> dict[str, list[str]]:
        """Selects of a block that need an ``if`` because something is computed in a branch, by condition."""
        conditions = {condition for condition, _ in block.blocks if condition != SLOW[0]}
        found: dict[str, list[str]] = {}
        for node in block.nodes:
            if isinstance(node, Select) and node.condition in conditions:
                found.setdefault(node.condition, []).append(node.name)
        return found

    def _reads(self, node: Node) -> set[str]:
        """Signals that a statement reads, through what is written in place."""
        names: set[str] = set()
        for operand in node.operands():
            names |= self._reads(self.nodes[operand]) if operand in self.structure.inlined else {operand}
        return names

    def _reads_inside(self, block: Block) -> set[str]:
        names = {name for node in block.nodes for name in self._reads(node)}
        for inner in block.blocks.values():
            names |= self._reads_inside(inner)
        return names

    def _slow_section(self, block: Block, indent: str) -> tuple[set[str], set[str], list[str]]:
        inner = block.blocks.get(SLOW, Block((SLOW,)))
        deeper = indent + INDENT
        lines = [f"{indent}if (state->slow_count >= {self.graph.slow_every - 1}u) {{", *self._block(inner, deeper)]
        lines += self._stores(slow=True, indent=deeper)
        lines += [f"{deeper}state->{node.name} = 0;" for node in self.graph.sums]
        lines += [f"{deeper}state->slow_count = 0u;", f"{indent}}} else {{"]
        lines += [f"{deeper}state->{node.name} = {node.name};" for node in self.graph.sums]
        lines += [f"{deeper}state->slow_count++;", f"{indent}}}"]
        needs = self._reads_inside(inner) | {node.name for node in self.graph.sums}
        needs |= {delay.source for delay in self.graph.delays if delay.slow}
        return needs, {"the slow section"}, lines

    def _branches(self, block: Block, condition: str, selects: list[str], indent: str) -> tuple[set[str], set[str], list[str]]:
        deeper = indent + INDENT
        nodes = [self.nodes[name] for name in selects]
        lines = [f"{indent}{self.dialect.ctype(node)} {node.name};" for node in nodes]
        needs = {condition}
        for polarity, opening in ((True, f"if ({self._condition(condition)}) {{"), (False, "} else {")):
            inner = block.blocks.get((condition, polarity), Block(()))
            needs |= self._reads_inside(inner)
            lines.append(indent + opening)
            lines += self._block(inner, deeper)
            for node in nodes:
                assert isinstance(node, Select)
                branch = node.if_true if polarity else node.if_false
                needs.add(branch)
                lines.append(f"{deeper}{node.name} = {self.dialect.text(branch, node.name)};")
        if any(name in self.late for name in selects):
            needs.add("the slow section")
        return needs, set(selects), [*lines, f"{indent}}}"]

    def _statement(self, node: Node, indent: str) -> list[str]:
        before = self.dialect.before_sum(node) if isinstance(node, WeightedSum) and not self.dialect.is_whole(node.name) else []
        ctype = self.dialect.number_type() if isinstance(node, Converted) else self.dialect.ctype(node)
        return [*(f"{indent}{line}" for line in before), f"{indent}const {ctype} {node.name} = {self._text(node)};"]

    def _text(self, node: Node) -> str:
        dialect = self.dialect
        match node:
            case Converted():
                return dialect.converted(node.operand)
            case SumOver():
                return f"state->{node.name} + {dialect.text(node.operand, node.name)}"
            case WeightedSum() | Clamp() if dialect.is_whole(node.name):
                return dialect.whole_text(node)
            case WeightedSum():
                return dialect.sum_text(node)
            case Clamp():
                return dialect.clamp_text(node)
            case Select():
                branches = (dialect.text(name, node.name) for name in (node.if_true, node.if_false))
                text = f"{self._condition(node.condition)} ? " + " : ".join(branches)
                return f"({dialect.ctype(node)})({text})" if dialect.is_whole(node.name) else text
            case Compare():
                return dialect.whole_compare(node) if all(map(dialect.is_whole, node.operands())) else dialect.compare_text(node)
            case Logic():
                return self._logic(node)
        raise ValueError(f"{node.name}: no hand-written form for {type(node).__name__}")

    def _condition(self, name: str) -> str:
        if name in self.structure.inlined:
            return f"({self._text(self.nodes[name])})"
        return self.dialect.text(name)

    def _logic(self, node: Logic) -> str:
        parts: list[str] = []
        taken: set[str] = set()
        for name, inverted in zip(node.arguments, node.inverted, strict=True):
            if name in taken:
                continue
            text = self._condition(name)
            twin = self._twin(node, name, inverted)
            if twin is not None:
                compared = self.nodes[name]
                assert isinstance(compared, Compare)
                magnitude = self.dialect.magnitude_text(compared.terms[0].name, compared)
                if magnitude is not None:
                    text = f"({magnitude})"
                    taken.add(twin)
            parts.append(f"!{text}" if inverted else text)
        return (" || " if node.any_of else " && ").join(parts)

    def _twin(self, node: Logic, name: str, inverted: bool) -> str | None:
        """The comparison of the same signal with the opposite limit, where the two together say that a magnitude is too large."""
        first = self.nodes[name]
        if not isinstance(first, Compare) or inverted == node.any_of or len(first.terms) != 1 or name not in self.structure.inlined:
            return None
        if self.dialect.is_whole(first.terms[0].name):
            return None
        wanted = (replace(first.terms[0], weight=-first.terms[0].weight),)
        for other_name, other_inverted in zip(node.arguments, node.inverted, strict=True):
            other = self.nodes[other_name]
            if (
                isinstance(other, Compare)
                and other_name in self.structure.inlined
                and other_inverted == inverted
                and (other.terms, other.relation, other.threshold) == (wanted, first.relation, first.threshold)
            ):
                return other_name
        return None


WHOLE_SUPPORT = """static inline int limit_whole(int x, int low, int high)
{
    return x < low ? low : (x > high ? high : x);
}
"""
