"""One realisation in all its readings, tick by tick: scalar and array integers, compiled C, and float64 from common memory.

Gives counts of what was compared; raises ``AssertionError`` naming the signal at the first disagreement or beaten bound.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

import numpy as np

from codegen.emit import emit_controller
from codegen.graph import Compare, Delay, Relation, SumOver
from codegen.host.controller import HostController
from codegen.rules.fixed import FixedGraph
from codegen.rules.integer import read_integer
from codegen.rules.real import read_real, real_inputs
from codegen.rules.rounding import Errors, trace_errors
from codegen.rules.vector import decided, distance, read_integer_arrays, read_real_arrays
from codegen.rules.walk import Memory, Values
from tests.strategies import Counts, draw_gains, draw_inputs, draw_memory, held_gains

# The common memory and inputs are handed to float64 as the nearest doubles, 2**-53 relative, once per operand: this much of a
# signal's own magnitude is the comparison's doing and no part of the bound.
REPRESENTATION = 2.0**-51


@dataclass
class Readings:
    """A fixed graph with its array readings and its error bounds.

    Attributes:
        fixed: The realisation.
        tightest: Largest share of its bound that the error of a signal has reached, by signal.
        done: How many of what was compared.
    """

    fixed: FixedGraph
    tightest: dict[str, float] = field(default_factory=dict)
    done: Counter[str] = field(default_factory=Counter)

    def __post_init__(self) -> None:
        self.integers = read_integer_arrays(self.fixed)
        self.reals = read_real_arrays(self.fixed.graph)
        self.errors: Errors = trace_errors(self.fixed)
        self.bounds: dict[str, tuple[Fraction, Fraction]] = {
            name: self.errors.bound(form) for name, form in self.errors.forms.items() if not self.fixed.graph.nodes[name].is_bool
        }

    def start(self, lanes: int, gains: Counts | None = None) -> Memory:
        """Array memory after initialisation, with the gains set."""
        memory = self.integers.start()
        memory.delays = {
            name: np.full(lanes, value, dtype=bool if self.fixed.graph.nodes[name].is_bool else np.int64)
            for name, value in memory.delays.items()
        }
        memory.sums = {name: np.zeros(lanes, dtype=np.int64) for name in memory.sums}
        if gains is not None:
            memory.gains = dict(held_gains(self.fixed, gains))
        return memory

    def counts(self, row: Counts) -> Values:
        """One tick's raw inputs by name."""
        return {node.name: row[place].astype(bool) if node.is_bool else row[place] for place, node in enumerate(self.fixed.graph.inputs)}

    def as_reals(self, values: Mapping[str, Any]) -> Values:
        """Raw values by name as real ones."""
        nodes, formats = self.fixed.graph.nodes, self.fixed.formats
        return {
            name: value if nodes[name].is_bool else np.asarray(value, dtype=np.float64) * float(formats[name].lsb)
            for name, value in values.items()
        }

    def tick(self, memory: Memory, counts: Values) -> tuple[Values, Values]:
        """Advance ``memory`` by one tick of integers and compare with float64 from the same memory; both readings' values."""
        common = Memory(self.as_reals(memory.delays), self.as_reals(memory.sums), memory.count, self.as_reals(memory.gains))
        raw = self.integers.tick(memory, counts)
        decisions = {decided(node.name): raw[node.name] for node in self.comparisons() if node.name in raw}
        real = self.reals.tick(common, self.as_reals(counts) | decisions)
        self.check_ranges(raw, memory)
        self.check_errors(raw, real)
        self.check_margins(raw, real)
        return raw, real

    def comparisons(self) -> list[Compare]:
        """All comparisons of the graph."""
        return [node for node in self.fixed.graph.nodes.values() if isinstance(node, Compare)]

    def check_ranges(self, raw: Values, memory: Memory) -> None:
        """Every integer, memory included, stands in its proven range."""
        for name, value in [*raw.items(), *memory.delays.items(), *memory.sums.items()]:
            proven = self.fixed.formats[name]
            low, high = int(np.min(value)), int(np.max(value))
            assert proven.low <= low and high <= proven.high, f"{name}: {low}..{high} outside {proven.low}..{proven.high}"
            self.done["ranges"] += np.size(value)

    def check_errors(self, raw: Values, real: Values) -> None:
        """Every number's error stands in its bound."""
        for name, (low, high) in self.bounds.items():
            if name not in raw:
                continue
            exact = np.asarray(raw[name], dtype=np.float64) * float(self.fixed.formats[name].lsb)
            error = exact - real[name]
            room = REPRESENTATION * np.maximum(np.abs(exact), np.abs(real[name]))
            below, above = np.min(error + room) - float(low), np.max(error - room) - float(high)
            assert below >= 0.0 and above <= 0.0, (
                f"{name}: error {np.min(error):.9g}..{np.max(error):.9g} outside its bound {float(low):.9g}..{float(high):.9g}"
            )
            self.done["errors"] += np.size(error)
            widest = float(max(-low, high))
            if widest > 0.0:
                share = float(np.max(np.abs(error))) / widest
                self.tightest[name] = max(self.tightest.get(name, 0.0), share)

    def check_margins(self, raw: Values, real: Values) -> None:
        """Where float64 would have decided otherwise, its quantity is as near to the threshold as the margin says."""
        for node in self.comparisons():
            if node.name not in raw:
                continue
            quantity = np.asarray(real[distance(node.name)])
            match node.relation:
                case Relation.GREATER:
                    own = quantity > 0.0
                case Relation.GREATER_OR_EQUAL:
                    own = quantity >= 0.0
                case Relation.NOT_EQUAL:
                    own = quantity != 0.0
            differs = own != raw[node.name]
            low, high = self.errors.margins[node.name]
            self.done["decisions"] += np.size(own)
            if np.any(differs):
                self.done["decisions that differ"] += int(np.sum(differs))
                apart = np.broadcast_to(quantity, np.shape(differs))[differs]
                # margin: fixed minus float64 quantity; zero belongs to it (an exact tie decided the other way).
                least, most = min(float(-high), 0.0), max(float(-low), 0.0)
                assert least <= np.min(apart) and np.max(apart) <= most, f"{node.name}: {apart} outside {least}..{most}"


def memory_rows(fixed: FixedGraph, memory: Memory, lanes: int) -> Counts:
    """Array memory in the order of the compiled controller's batch arrays."""
    rows = [np.broadcast_to(memory.delays[delay.name], lanes) for delay in fixed.graph.delays]
    rows += [np.broadcast_to(memory.sums[node.name], lanes) for node in fixed.graph.sums]
    if fixed.graph.slow_every > 1:
        rows.append(np.full(lanes, memory.count))
    return np.ascontiguousarray(np.array(rows or [np.zeros(lanes)], dtype=np.int64))


def compare_array_with_scalar(readings: Readings, inputs: Counts, gains: Counts | None, lane: int) -> None:
    """The plain Python readings give what the array twins give: integers and float64, from the start, free running."""
    fixed = readings.fixed
    lanes = inputs.shape[2]
    scalar, memory_scalar = read_integer(fixed), read_integer(fixed).start()
    plain = read_real(fixed.graph)
    memory_plain = plain.start()
    memory_arrays = readings.start(lanes, gains)
    memory_reals = readings.reals.start()
    if gains is not None:
        memory_scalar.gains = {name: int(value[lane]) for name, value in memory_arrays.gains.items()}
        memory_reals.gains = readings.as_reals(memory_arrays.gains)
        memory_plain.gains = {name: float(value[lane]) for name, value in memory_reals.gains.items()}
    for row in inputs:
        counts = {node.name: int(row[place, lane]) for place, node in enumerate(fixed.graph.inputs)}
        one = scalar.tick(memory_scalar, counts)
        many = readings.integers.tick(memory_arrays, readings.counts(row))
        for name, value in one.items():
            assert value == np.broadcast_to(many[name], lanes)[lane], f"{name}: scalar {value}, array {many[name]}"
        single = plain.tick(memory_plain, real_inputs(fixed.graph, counts))
        wide = readings.reals.tick(memory_reals, readings.as_reals(readings.counts(row)))
        for name, number in single.items():
            assert number == np.broadcast_to(wide[name], lanes)[lane], f"{name}: float64 {number!r}, array {wide[name]!r}"
        readings.done["scalar values"] += 2 * len(one)


def compare_c_with_array(host: HostController, readings: Readings, memory: Memory, inputs: Counts, gains: Counts | None) -> None:
    """The compiled controller gives the integers' outputs and memory on every tick, from ``memory`` (left as it was)."""
    fixed = readings.fixed
    lanes = inputs.shape[2]
    memory = memory.copy()
    trace = host.run(memory_rows(fixed, memory, lanes), inputs, gains, trace_memory=True)
    host.library.raise_sanitizer_reports()
    assert trace.memory is not None
    memory.gains = dict(held_gains(fixed, gains)) if gains is not None else memory.gains
    for tick, row in enumerate(inputs):
        values = readings.integers.tick(memory, readings.counts(row))
        for place, output in enumerate(fixed.graph.outputs):
            wanted = np.broadcast_to(values[output.signal], lanes)
            assert np.array_equal(trace.outputs[tick, place], wanted), f"output {output.name} on tick {tick}"
        rows = memory_rows(fixed, memory, lanes)
        for place, name in enumerate(host.memory):
            assert np.array_equal(trace.memory[tick, place], rows[place]), f"memory {name} on tick {tick}"
        readings.done["C values"] += lanes * (len(fixed.graph.outputs) + len(host.memory))


def check_realisation(fixed: FixedGraph, seed: int, *, ticks: int = 40, lanes: int = 24, compiled: bool = True) -> Readings:
    """Every comparison of this module on one realisation; what was compared is counted in the result."""
    random = np.random.default_rng(seed)
    readings = Readings(fixed)
    n = fixed.graph.slow_every
    ticks = max(ticks, 2 * n + 5)
    inputs = draw_inputs(fixed, random, ticks, lanes)
    gains = draw_gains(fixed, random, lanes)
    compare_array_with_scalar(readings, inputs[:25], gains, int(random.integers(lanes)))
    start = readings.start(lanes, gains)
    memory = start.copy()
    for row in inputs:
        readings.tick(memory, readings.counts(row))
    legal = []
    for count in sorted({0, n - 1, n // 2}):
        for _ in range(4):
            legal.append(draw_memory(fixed, random, lanes, count))
            legal[-1].gains = start.gains
            memory = legal[-1].copy()
            for row in inputs[int(random.integers(ticks - n - 1)) :][: n + 1]:
                readings.tick(memory, readings.counts(row))
    if compiled:
        with HostController(emit_controller(fixed), fixed, sanitize=True) as host:
            rows = memory_rows(fixed, readings.start(lanes), lanes)
            assert np.array_equal(host.start(lanes), rows), "memory after initialisation"
            compare_c_with_array(host, readings, readings.start(lanes), inputs, gains)
            for memory in legal[::3]:
                compare_c_with_array(host, readings, memory, inputs[:9], gains)
    return readings


def kinds_of(fixed: FixedGraph) -> Counter[str]:
    """How many nodes of each kind."""
    kinds = Counter(type(node).__name__ for node in fixed.graph.nodes.values())
    kinds["slow delay"] = sum(isinstance(node, Delay) and node.slow for node in fixed.graph.nodes.values())
    kinds["slow sum"] = sum(isinstance(node, SumOver) for node in fixed.graph.nodes.values())
    return kinds
