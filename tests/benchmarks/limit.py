"""What the data flow of a controller costs at least: its operations on the most expensive tick, at a target's cheapest prices.

Counted are the operations that the law itself asks for, on a tick that runs the slow section and takes the dearer branch of every
choice: each reading used is loaded once, each memory loaded and stored once, each output stored; each gain is one product with its
constant brought into a register; sums, limits, comparisons and decisions as the graph has them.  Not counted is whatever better
scales, registers or order could do away with: roundings (half a count lies in the accumulator's start), conversions, spilled
registers, jumps around branches.  Prices are those of the cycle table by which traces are priced, for the cheapest instructions that do the
operation on words of 16 bits with 32-bit sums.  It is an estimate by counting, not a proof that no program is faster.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

from codegen.graph import Clamp, Compare, Delay, Graph, Input, Logic, Node, Select, SumOver, WeightedSum
from codegen.ranges import Ranges
from codegen.targets import CycleFact, Target
from tests.benchmarks.dialects import Floating, shared_factors
from tests.benchmarks.structure import SLOW, Block, Structure, place_signals

Counts = Counter[str]
Instructions = tuple[str, ...]

# Per family: operation -> instructions; "X/case" takes that row, "X*n" moves n registers.
_ARM_ENDS = ("PUSH*5", "POP/to pc*5")
IDIOMS: Mapping[str, Mapping[str, Instructions]] = {
    "armv6": {
        "product": ("MUL",),
        "product and addition": ("MUL", "ADD"),
        "gain": ("LDR/from code",),
        "addition": ("ADD",),
        "wide addition": ("ADD",),
        "rescaling": ("ASR",),
        "limits": ("SXTH", "CMP", "Bcc/taken"),
        "one limit": ("CMP", "Bcc"),
        "comparison": ("CMP",),
        "decision": ("Bcc",),
        "load": ("LDR",),
        "store": ("STR",),
        "call": _ARM_ENDS,
    },
    "armv7": {
        "product": ("MUL",),
        "product and addition": ("MLA",),
        "gain": ("MOVW",),
        "addition": ("ADD",),
        "wide addition": ("ADD",),
        "rescaling": (),
        "limits": ("SSAT",),
        "one limit": ("CMP", "IT"),
        "comparison": ("CMP",),
        "decision": ("IT",),
        "load": ("LDR",),
        "store": ("STR",),
        "call": _ARM_ENDS,
    },
    "riscv": {
        "product": ("MUL",),
        "product and addition": ("MUL", "ADD"),
        "gain": ("ADDI",),
        "addition": ("ADD",),
        "wide addition": ("ADD",),
        "rescaling": ("SRAI",),
        "limits": ("ADDI", "BLT", "ADDI", "BLT"),
        "one limit": ("ADDI", "BLT"),
        "comparison": ("SLTI",),
        "decision": ("BNE",),
        "load": ("LW",),
        "store": ("SW",),
        "call": ("JALR",),
    },
    "avr": {
        "product": ("MUL",) * 4 + ("MOVW",) * 2 + ("ADD",) * 8,
        "product and addition": ("MUL",) * 4 + ("ADD",) * 14,
        "gain": ("LDI",) * 2,
        "addition": ("ADD",) * 2,
        "wide addition": ("ADD",) * 4,
        "rescaling": (),
        "limits": ("CPI", "LDI", "CPC", "BRxx") * 2,
        "one limit": ("CPI", "BRxx"),
        "comparison": ("CPI", "LDI", "CPC"),
        "decision": ("BRxx",),
        "load": ("LDD",),
        "store": ("STD",),
        "call": ("PUSH",) * 4 + ("POP",) * 4 + ("RET",),
    },
}
IDIOMS = {**IDIOMS, "armv7e": {**IDIOMS["armv7"], "product": ("SMULBB",), "product and addition": ("SMLABB",)}}

WHY: Mapping[str, str] = {
    "product": "a gain times a signal that starts a sum",
    "product and addition": "a gain times a signal, added to a sum; on AVR four byte products and their carries",
    "gain": "the gain's constant brought into a register",
    "addition": "a signal added with weight one",
    "wide addition": "the same into a sum of 32 bits",
    "rescaling": "a sum of products brought back to 16 bits; free where whole bytes are dropped or the next operand is shifted on its way",
    "limits": "both limits, at a power of two or on the upper half alone, neither acting",
    "one limit": "a limit that only one side can reach",
    "comparison": "a signal against a constant",
    "decision": "a truth value taken into a decision, the branch not taken",
    "load": "a reading or a memory; by the byte on AVR",
    "store": "a memory or an output; by the byte on AVR",
    "call": "four registers saved and restored where the convention leaves too few, and the return",
}


@dataclass(frozen=True)
class Limit:
    """The count for one target.

    Attributes:
        cycles: In all.
        operations: Operation to (how many, cycles of each, instructions).
    """

    cycles: int
    operations: Mapping[str, tuple[int, int, str]]


def count_limit(graph: Graph, target: Target) -> Limit:
    """Count the operations of a graph's most expensive tick and price them.

    Raises:
        LookupError: The cycle table has no row for an instruction.
    """
    idioms = IDIOMS[_family(target)]
    prices = {operation: sum(_price(target, name) for name in names) for operation, names in idioms.items()}
    counts = _Counter(graph, prices, by_bytes=target.chip.family == "avr").whole_tick()
    operations = {
        operation: (count, prices[operation], " ".join(idioms[operation]) or "free") for operation, count in sorted(counts.items()) if count
    }
    return Limit(sum(count * price for count, price, _ in operations.values()), operations)


def _family(target: Target) -> str:
    if target.chip.family != "arm":
        return target.chip.family
    names = {name for fact in target.cycles for name in fact.instruction.split()}
    return "armv7e" if "SMLABB" in names else "armv7" if "MLA" in names else "armv6"


def _price(target: Target, instruction: str) -> int:
    """Most cycles of an instruction by the table, its dependence on the one before aside."""
    name, _, rest = instruction.partition("/")
    name, _, moved = name.partition("*")
    case, _, more = rest.partition("*")
    fact = _find(target.cycles, name, case)
    return fact.most + fact.per_register * int(moved or more or 0)


def _find(facts: tuple[CycleFact, ...], name: str, case: str) -> CycleFact:
    for fact in facts:
        if name in fact.instruction.split() and fact.case == case and not fact.variant:
            return fact
    raise LookupError(f"the cycle table has no row for {name} {case}")


class _Counter:
    """Operations of the dearest tick of one graph."""

    def __init__(self, graph: Graph, prices: Mapping[str, int], *, by_bytes: bool) -> None:
        self.graph = graph
        self.prices = prices
        self.by_bytes = by_bytes
        floating = Floating(graph)
        self.ranges: Ranges = floating.ranges
        self.scales = floating.scales
        self.structure: Structure = place_signals(graph, (graph.before, graph.slow, graph.after))

    def whole_tick(self) -> Counts:
        """All of it."""
        counts, read = self._block(self.structure.root)
        for name in read:
            if isinstance(self.graph.nodes[name], Input | Delay):
                counts["load"] += self._moves(name)
        for delay in self.graph.delays:
            counts["store"] += self._moves(delay.name)
        for output in self.graph.outputs:
            counts["store"] += self._moves(output.signal)
        for node in self.graph.sums:
            counts["load"] += self._moves(node.name)
            counts["store"] += self._moves(node.name)
        if self.graph.slow_every > 1:
            counts.update({"load": 1, "store": 1, "comparison": 1, "decision": 1})
        counts["call"] = 1
        return counts

    def _moves(self, name: str) -> int:
        """Loads or stores of a signal: one, or one per byte."""
        node = self.graph.nodes[name]
        if not self.by_bytes or node.is_bool:
            return 1
        if name in self.scales:
            return 1 if self.ranges.intervals[name].magnitude / self.scales[name] < 2**7 else 2
        if isinstance(node, SumOver):
            return 3 if self.graph.slow_every <= 2**8 else 4
        return 4 if isinstance(node, Delay) and self._integrates(node) else 2

    def _integrates(self, delay: Delay) -> bool:
        """Whether a memory is a sum of what came before it, so that what is added to it is small."""
        waiting, seen = [delay.source], set()
        while waiting:
            node = self.graph.nodes[waiting.pop()]
            if node.name in seen:
                continue
            seen.add(node.name)
            if isinstance(node, WeightedSum) and any(term.name == delay.name for term in node.terms):
                return True
            if isinstance(node, Select | Clamp):
                waiting += [name for name in node.operands() if not self.graph.nodes[name].is_bool]
        return False

    def _block(self, block: Block) -> tuple[Counts, set[str]]:
        counts: Counts = Counter()
        read: set[str] = set()
        for node in block.nodes:
            self._take(node, counts, read)
        inner = {key: self._block(part) for key, part in block.blocks.items()}
        for condition in {condition for condition, _ in inner}:
            branches = [inner[key] for key in inner if key[0] == condition]
            dearest = max(branches, key=lambda branch: self._cost(branch[0]))
            counts += dearest[0]
            read |= dearest[1]
            # One decision for all selects on the same truth value.
            selects = sum(isinstance(node, Select) and node.condition == condition for node in block.nodes)
            counts["decision"] -= max(0, selects - 1) if condition != SLOW[0] else 0
        return counts, read

    def _cost(self, counts: Counts) -> int:
        return sum(count * self.prices[operation] for operation, count in counts.items())

    def _take(self, node: Node, counts: Counts, read: set[str]) -> None:
        read.update(name for name in node.operands() if not isinstance(node, Select) or name == node.condition)
        match node:
            case WeightedSum():
                self._take_sum(node, counts)
            case Clamp():
                counts["limits"] += 1
            case Compare():
                counts["comparison"] += 1
                # Both operands of a difference are there; nothing is subtracted to compare them.
            case Logic():
                counts["decision"] += len(node.arguments)
                for name in node.arguments:
                    if name in self.structure.inlined:
                        self._take(self.graph.nodes[name], counts, read)
            case Select():
                counts["decision"] += 1
                read.update(name for name in (node.if_true, node.if_false))
            case SumOver():
                counts["wide addition" if self.by_bytes else "addition"] += 1

    def _take_sum(self, node: WeightedSum, counts: Counts) -> None:
        whole = node.name in self.scales
        groups = shared_factors([(term.weight, term.name) for term in node.terms])
        products = 0 if whole else sum(size != 1.0 for size, _ in groups)
        kept = len(groups) - products + sum(len(group) - 1 for size, group in groups if size == 1.0)
        inner = sum(len(group) - 1 for size, group in groups if size != 1.0)
        alone = products > 0 and kept == 0 and node.bias == 0.0
        wide = self.by_bytes and products > 0
        counts["product"] += alone
        counts["product and addition"] += products - alone
        counts["gain"] += products
        counts["rescaling"] += products > 0
        counts["addition"] += inner
        counts["wide addition" if wide else "addition"] += max(0, kept - 1) + (kept > 0 and node.bias != 0.0)
        if node.low is not None and node.high is not None:
            low, high = self._unlimited(node)
            sides = (low < node.low) + (high > node.high)
            counts["limits" if sides == 2 else "one limit"] += sides > 0

    def _unlimited(self, node: WeightedSum) -> tuple[float, float]:
        """What a sum can be without its limits."""
        low = high = node.bias
        for term in node.terms:
            ends = [term.weight * float(end) for end in self.ranges.intervals[term.name]]
            low, high = low + min(ends), high + max(ends)
        return low, high
