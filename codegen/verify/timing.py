"""Laws about time: the slow section's count and phase, and counters that wrap.

Takes a subject, gives what was found.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from codegen.graph import Delay, Input, WrappedDifference
from codegen.rules.fixed import FixedGraph
from codegen.verify.law import Found, Generator, Law, earliest, emitted_only
from codegen.verify.shrink import shrink
from codegen.verify.subject import Subject
from codegen.verify.trial import Failure, Run, Watched, watch

Counts = NDArray[np.int64]
LANES = 40
PERIODS = 4
MOST_COUNTS = 70_000


def _why_no_slow(subject: Subject) -> str:
    has_counter = any(port.role == "slow_count" for port in subject.shape.memory)
    return "" if subject.shape.slow_every > 1 and has_counter else "it has no slow section"


def _counter(subject: Subject) -> int:
    return next(at for at, port in enumerate(subject.shape.memory) if port.role == "slow_count")


def _slow_members(subject: Subject) -> list[int]:
    """Members that only the slow section writes."""
    if subject.fixed is None:
        return []
    names = {delay.name for delay in subject.fixed.graph.delays if delay.slow}
    return [at for at, port in enumerate(subject.shape.memory) if port.name in names]


def _sum_members(subject: Subject) -> list[int]:
    if subject.fixed is None:
        return []
    names = {node.name for node in subject.fixed.graph.sums}
    return [at for at, port in enumerate(subject.shape.memory) if port.name in names]


def _phase_failure(subject: Subject, inputs: Counts) -> Failure | None:
    """Earliest tick from the start at which count, slow memory or sums are not what the phase says; inputs (ticks, inputs, lanes)."""
    host, n = subject.host(), subject.shape.slow_every
    ticks, _, lanes = inputs.shape
    memory = host.run(host.start(lanes), inputs, trace_memory=True).memory
    assert memory is not None
    at = _counter(subject)
    phase = (np.arange(ticks) + 1) % n
    before = np.concatenate([host.start(lanes)[None], memory[:-1]])
    wanted = before.copy()
    wanted[:, at] = phase[:, None]
    broken = np.zeros_like(memory, dtype=bool)
    broken[:, at] = memory[:, at] != phase[:, None]
    for member in _slow_members(subject):
        broken[:, member] = (memory[:, member] != before[:, member]) & (phase != 0)[:, None]
    for member in _sum_members(subject):
        broken[:, member] = (memory[:, member] != 0) & (phase == 0)[:, None]
        wanted[:, member] = 0
    place = earliest(broken)
    if place is None:
        return None
    tick, member, lane = place
    name = subject.shape.memory[member].name
    claims = {at: f"the slow section runs on every {n}th tick, counted from the start"}
    claim = claims.get(member, f"state.{name} changes on every {n}th tick only, and sums start anew then")
    runs, watched = (Run(inputs[: tick + 1, :, lane].copy()),), (Watched(f"state.{name}"),)
    value = int(wanted[tick, member, lane])
    return Failure(claim, runs, watched, value, value, tuple(int(v) for v in watch(host, runs, watched)))


def _wrap_failure(subject: Subject, rng: Generator) -> tuple[Failure | None, int]:
    """One tick from every value that the counter's type can hold."""
    host, n, at = subject.host(), subject.shape.slow_every, _counter(subject)
    port = subject.shape.memory[at]
    values = np.arange(port.type_low, min(port.type_high, MOST_COUNTS) + 1, dtype=np.int64)
    if port.type_high > MOST_COUNTS:
        values = np.concatenate([values, np.array([port.type_high - 1, port.type_high], dtype=np.int64)])
    lanes = len(values)
    memory = np.repeat(host.start(1), lanes, axis=1)
    memory[at] = values
    inputs = subject.draw("held", rng, 1, lanes)
    host.run(memory, inputs)
    wanted = np.where(values >= n - 1, 0, values + 1)
    broken = memory[at] != wanted
    if not broken.any():
        return None, lanes
    lane = int(np.argmax(broken))
    named = {port.name: int(values[lane])}
    runs, watched = (Run(inputs[:, :, lane].copy(), named),), (Watched(f"state.{port.name}"),)
    got = watch(host, runs, watched)
    claim = f"the slow section's count goes on by one and starts anew at {n}, also from a count beyond its end"
    return Failure(claim, runs, watched, int(wanted[lane]), int(wanted[lane]), tuple(int(v) for v in got)), lanes


def _check_phase(subject: Subject, rng: Generator) -> Found:
    ticks = PERIODS * subject.shape.slow_every + 3
    count = 0
    for kind in subject.kinds:
        inputs = subject.draw(kind, rng, ticks, LANES)
        count += ticks * LANES
        failure = _phase_failure(subject, inputs)
        if failure is not None:
            short = shrink(failure, lambda runs: _phase_failure(subject, runs[0].inputs[:, :, None]))
            return Found(count, short)
    wrapped, tried = _wrap_failure(subject, rng)
    return Found(count + tried, wrapped)


# --- counters that wrap -----------------------------------------------------------------------------------------------------


def wrapped_inputs(fixed: FixedGraph) -> dict[str, int]:
    """Counter inputs that are read through wrapped differences only, to the bits at which they wrap."""
    graph = fixed.graph

    def origin(name: str) -> str:
        node = graph.nodes[name]
        return origin(node.source) if isinstance(node, Delay) else name

    bits: dict[str, int] = {}
    for node in graph.nodes.values():
        if isinstance(node, WrappedDifference):
            bits[origin(node.newer)] = node.bits
    for name in list(bits):
        copies = {name, *(delay.name for delay in graph.delays if origin(delay.name) == name)}
        others = [node for node in graph.nodes.values() if not isinstance(node, WrappedDifference) and copies & set(node.operands())]
        counter = graph.nodes[name]
        whole = isinstance(counter, Input) and counter.high - counter.low + 1 == 1 << bits[name]
        if others or not whole or any(output.signal in copies for output in graph.outputs):
            del bits[name]
    return bits


def _why_no_counter(subject: Subject) -> str:
    if subject.fixed is None:
        return emitted_only(subject)
    return "" if wrapped_inputs(subject.fixed) else "no counter is read through wrapped differences only"


def _copies(fixed: FixedGraph, counter: str) -> set[str]:
    found = {counter}
    for _ in fixed.graph.delays:
        found |= {delay.name for delay in fixed.graph.delays if delay.source in found}
    return found - {counter}


def _shifted(values: Counts, offset: int, low: int, bits: int) -> Counts:
    return np.asarray((values - low + offset) % (1 << bits) + low)


def _offset_failure(subject: Subject, counter: str, offset: int, memory: Counts, inputs: Counts) -> Failure | None:
    """Run (ticks, inputs, lanes) with the counter as it is and with an offset; the earliest difference."""
    assert subject.fixed is not None
    host, shape = subject.host(), subject.shape
    place = host.inputs.index(counter)
    low, bits = shape.inputs[place].low, wrapped_inputs(subject.fixed)[counter]
    copies = _copies(subject.fixed, counter)
    moved_inputs, moved_memory = inputs.copy(), memory.copy()
    moved_inputs[:, place] = _shifted(inputs[:, place], offset, low, bits)
    for at, port in enumerate(shape.memory):
        if port.name in copies:
            moved_memory[at] = _shifted(memory[at], offset, low, bits)
    first = host.run(np.array(memory, order="C"), inputs, trace_memory=True)
    second = host.run(np.array(moved_memory, order="C"), moved_inputs, trace_memory=True)
    assert first.memory is not None and second.memory is not None
    kept = [at for at, port in enumerate(shape.memory) if port.name not in copies]
    names = [port.name for port in shape.outputs] + [f"state.{shape.memory[at].name}" for at in kept]
    ones = np.concatenate([first.outputs, first.memory[:, kept]], axis=1)
    others = np.concatenate([second.outputs, second.memory[:, kept]], axis=1)
    found = earliest(ones != others)
    if found is None:
        return None
    tick, column, lane = found
    runs = (
        Run(inputs[: tick + 1, :, lane].copy(), subject.named_memory(memory[:, lane])),
        Run(moved_inputs[: tick + 1, :, lane].copy(), subject.named_memory(moved_memory[:, lane])),
    )
    watched = (Watched(names[column], 1), Watched(names[column], 0, -1))
    claim = f"{names[column]} does not care where the counter {counter} stands, only how it moves"
    return Failure(claim, runs, watched, 0, 0, tuple(int(v) for v in watch(host, runs, watched)))


def _check_offset(subject: Subject, rng: Generator) -> Found:
    assert subject.fixed is not None
    count, ticks, lanes = 0, 60, 100
    for counter, bits in wrapped_inputs(subject.fixed).items():
        for offset in (1, (1 << (bits - 1)) - 1, 1 << (bits - 1), (1 << bits) - 3, int(rng.integers(1, 1 << bits))):
            memory, inputs = subject.legal_memory(rng, lanes), subject.draw("held", rng, ticks, lanes)
            count += 2 * ticks * lanes
            failure = _offset_failure(subject, counter, offset, memory, inputs)
            if failure is None:
                continue

            def judge(runs: tuple[Run, ...], counter: str = counter, offset: int = offset) -> Failure | None:
                held = subject.host().start(1)
                for name, value in (runs[0].memory or {}).items():
                    held[subject.host().memory.index(name), 0] = value
                return _offset_failure(subject, counter, offset, held, runs[0].inputs[:, :, None])

            return Found(count, shrink(failure, judge))
    return Found(count)


LAWS = (
    Law("slow section", "it runs on every n-th tick from the start, and its memory changes then only", _why_no_slow, _check_phase),
    Law("offset of counters", "an offset on a counter that wraps changes nothing", _why_no_counter, _check_offset),
)
