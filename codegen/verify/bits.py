"""Bit-exactness: the compiled C against the integer model, output by output and memory by memory, tick by tick.

Takes an emission (or an edited source in its place) and its fixed graph, gives counts, the first difference, and what the
undefined-behaviour checks reported.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from codegen.emit import Emission
from codegen.host.controller import HostController
from codegen.native.compile import SanitizerReport
from codegen.rules.fixed import FixedGraph
from codegen.rules.vector import read_integer_arrays
from codegen.rules.walk import Memory, Reading
from codegen.verify.draws import checked_traces, draw_class, draw_memory, spoil

Counts = NDArray[np.int64]
CLASSES = ("held", "edges", "white", "constant", "opposite")
LANES = 500
TICKS = 400
Progress = Callable[[float], None]


@dataclass(frozen=True)
class Difference:
    """The first difference found: what, when, and the inputs that led to it.

    Attributes:
        signal: Output or state member.
        tick: Tick of the lane, counted from its start.
        expected: What the integer model says.
        got: What the compiled C says.
        draw: Class of inputs.
        from_start: Whether the lane started from initialisation (else from a random legal memory).
        inputs: (tick + 1, inputs), the lane's inputs up to the difference.
    """

    signal: str
    tick: int
    expected: int
    got: int
    draw: str
    from_start: bool
    inputs: Counts


@dataclass(frozen=True)
class BitCheck:
    """What the campaign found.

    Attributes:
        ticks: Controller ticks compared.
        by_class: Ticks per class of inputs.
        mismatches: Values that differ.
        first: The first difference, if any.
        sanitizer: What the undefined-behaviour checks reported.
        seed: Seed of all draws.
        seconds: Time it took.
        compiler: Version of the compiler.
        armed_share: Share of ticks per output that is a truth value, in which it was true.
    """

    ticks: int
    by_class: tuple[tuple[str, int], ...]
    mismatches: int
    first: Difference | None
    sanitizer: tuple[SanitizerReport, ...]
    seed: int
    seconds: float
    compiler: str
    true_share: tuple[tuple[str, float], ...]

    @property
    def holds(self) -> bool:
        """No value differs and no report came."""
        return self.mismatches == 0 and not self.sanitizer


def check_bits(
    emission: Emission,
    fixed: FixedGraph,
    ticks: int,
    *,
    seed: int = 1,
    traces: Sequence[Counts] = (),
    progress: Progress | None = None,
) -> BitCheck:
    """Compare compiled C and integer model over at least ``ticks`` controller ticks.

    Args:
        emission: Header and source to compile.
        fixed: The integer model.
        ticks: Ticks to compare.
        seed: Seed of all draws.
        traces: Recorded inputs, (ticks, inputs) each; they become two classes of their own.
        progress: Called with the share done.

    Raises:
        CompileError: The text does not compile.
    """
    begun = time.perf_counter()
    rng = np.random.default_rng(seed)
    recorded = checked_traces(traces, fixed)
    kinds = ["flight", *CLASSES, "flight"] if recorded else list(CLASSES)
    twin = read_integer_arrays(fixed)
    done: dict[str, int] = {}
    mismatches, first, total = 0, None, 0
    truths = {output.name: 0 for output in fixed.graph.outputs if output.ctype == "bool"}
    with HostController(emission, fixed, sanitize=True) as host:
        turn = 0
        while total < ticks:
            kind = kinds[turn % len(kinds)]
            from_start = (turn // len(kinds)) % 2 == 0
            if kind == "flight":
                inputs = spoil(recorded[turn % len(recorded)], fixed, rng, TICKS, LANES)
            else:
                inputs = draw_class(kind, fixed, rng, TICKS, LANES)
            memory = host.start(LANES) if from_start else draw_memory(fixed, rng, LANES)
            found, seen, true_ticks = _compare(host, twin, fixed, memory, inputs)
            mismatches += found
            for name, count in true_ticks.items():
                truths[name] += count
            if seen is not None and first is None:
                first = replace(seen, draw=kind, from_start=from_start)
            done[kind] = done.get(kind, 0) + TICKS * LANES
            total += TICKS * LANES
            turn += 1
            if progress is not None:
                progress(min(1.0, total / ticks))
        reports = tuple(host.library.sanitizer_reports())
        compiler = host.library.compiler
    return BitCheck(
        total,
        tuple(sorted(done.items())),
        mismatches,
        first,
        reports,
        seed,
        time.perf_counter() - begun,
        compiler,
        tuple((name, count / total) for name, count in truths.items()),
    )


def unpack_memory(fixed: FixedGraph, members: Sequence[str], memory: Counts) -> Memory:
    """State struct arrays as the memory of a reading."""
    delays = {
        name: memory[place] != 0 if fixed.graph.nodes[name].is_bool else memory[place].copy()
        for place, name in enumerate(members)
        if name in {delay.name for delay in fixed.graph.delays}
    }
    sums = {node.name: memory[members.index(node.name)].copy() for node in fixed.graph.sums}
    count = int(memory[members.index("slow_count")][0]) if "slow_count" in members else 0
    return Memory(delays, sums, count)


def member_value(memory: Memory, name: str) -> Any:
    """A member of the state struct as a reading's memory holds it."""
    if name == "slow_count":
        return memory.count
    return memory.delays[name] if name in memory.delays else memory.sums[name]


def _compare(
    host: HostController, twin: Reading, fixed: FixedGraph, start: Counts, inputs: Counts
) -> tuple[int, Difference | None, dict[str, int]]:
    """Run both over the same inputs; (values that differ, the first difference, true ticks per truth value)."""
    members = host.memory
    memory = unpack_memory(fixed, members, start)
    memory.gains = {name: np.int64(value) for name, value in twin.start().gains.items()}
    trace = host.run(start, inputs, trace_memory=True)
    assert trace.memory is not None
    mismatches = 0
    first: Difference | None = None
    for tick in range(inputs.shape[0]):
        values = twin.tick(memory, {name: inputs[tick, place] for place, name in enumerate(host.inputs)})
        pairs = [(output.name, values[output.signal], trace.outputs[tick, at]) for at, output in enumerate(fixed.graph.outputs)]
        for at, name in enumerate(members):
            expected = member_value(memory, name)
            pairs.append((name, expected, trace.memory[tick, at]))
        for name, expected, got in pairs:
            unequal = np.not_equal(expected, got)
            if unequal.any():
                mismatches += int(np.count_nonzero(unequal))
                if first is None:
                    lane = int(np.argmax(unequal))
                    wanted = int(np.broadcast_to(expected, got.shape)[lane])
                    first = Difference(name, tick, wanted, int(got[lane]), "", True, inputs[: tick + 1, :, lane].copy())
    names = [output.name for output in fixed.graph.outputs]
    truths = {
        output.name: int(np.count_nonzero(trace.outputs[:, names.index(output.name)]))
        for output in fixed.graph.outputs
        if output.ctype == "bool"
    }
    return mismatches, first, truths
