"""What every mutant is put through: inputs and memories with the answers that are right, computed once.

Takes a fixed graph, its one-tick bounds and recorded flights; gives exercises: whole runs with the integer model's answer (zero
tolerance), and single ticks with the interval that the float64 reference and the proven bound leave.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from codegen.bounds import SignalBound, bound_one_tick
from codegen.defects.aims import aim_at_turns, draw_slow_memory
from codegen.graph import Compare, Delay
from codegen.host.controller import memory_names
from codegen.rules.fixed import FixedGraph, RawDetail
from codegen.rules.vector import decided, distance, read_integer_arrays, read_real_arrays
from codegen.rules.walk import Memory, Reading, Values
from codegen.verify.bits import member_value, unpack_memory
from codegen.verify.draws import checked_traces, draw_class, draw_memory, memory_ranges, spoil

Counts = NDArray[np.int64]
RUNS = ("held", "edges", "opposite", "white", "constant")
LANES, TICKS, FLIGHTS = 48, 320, 5
TICK_LANES, TICK_ROUNDS = 1500, 8
# Float64's own evaluation of the reference, relative to a count: far below every bound that is searched.
FLOAT_COUNTS = 1e-6


@dataclass(frozen=True)
class Exercise:
    """Inputs and right answers.

    Attributes:
        name: Class of inputs.
        memory: (members, lanes) at the start; None for a start from initialisation.
        inputs: (ticks, inputs, lanes).
        gains: (gains, lanes) set before the first tick, None to leave the initial ones.
        low: (ticks, outputs and members, lanes), least right value.
        high: Greatest right value; the same array as ``low`` where only one value is right.
    """

    name: str
    memory: Counts | None
    inputs: Counts
    gains: Counts | None
    low: Counts
    high: Counts

    @property
    def exact(self) -> bool:
        """Whether only one value is right."""
        return self.high is self.low


def prepare_exercises(fixed: FixedGraph, *, seed: int = 1, traces: Sequence[Counts] = ()) -> tuple[Exercise, ...]:
    """Runs of every class of inputs from start and from legal memory, spoilt flights, and single ticks.

    Args:
        fixed: The integers.
        seed: Seed of all draws.
        traces: Recorded inputs of flights, (ticks, inputs) each.
    """
    rng = np.random.default_rng(seed)
    recorded = checked_traces(traces, fixed)
    runs: list[Exercise] = []
    for place, kind in enumerate([*RUNS, *(["flight"] * FLIGHTS if recorded else [])]):
        for from_start in (True, False):
            if kind == "flight":
                inputs = spoil(recorded[place % len(recorded)], fixed, rng, TICKS, LANES)
            else:
                inputs = draw_class(kind, fixed, rng, TICKS, LANES)
            memory = None if from_start else draw_slow_memory(fixed, rng, LANES) if place % 2 else draw_memory(fixed, rng, LANES)
            runs.append(_run(kind, fixed, memory, inputs, None if place % 2 else _draw_gains(fixed, rng, LANES)))
    for start, given, gains in aim_at_turns(fixed, rng, recorded):
        runs.append(_run("turn", fixed, start, given[None], gains))
    return (*runs, *_single_ticks(fixed, rng, recorded))


def _draw_gains(fixed: FixedGraph, rng: np.random.Generator, lanes: int) -> Counts | None:
    """Gains (gains, lanes) anywhere in their C types, often at the ends of their intervals."""
    if not fixed.graph.parameters:
        return None
    rows = []
    for parameter in fixed.graph.parameters:
        detail, half = fixed.details[parameter.name], 1 << (fixed.formats[parameter.name].bits - 1)
        assert isinstance(detail, RawDetail)
        near = np.clip([detail.low - 1, detail.low, detail.value, detail.high, detail.high + 1], -half, half - 1)
        rows.append(np.where(rng.random(lanes) < 0.5, rng.choice(near, lanes), rng.integers(-half, half - 1, lanes, endpoint=True)))
    return np.array(rows, dtype=np.int64)


def _held_gains(fixed: FixedGraph, gains: Counts | None, twin: Reading) -> Values:
    if gains is None:
        return dict(twin.start().gains)
    result: Values = {}
    for row, parameter in zip(gains, fixed.graph.parameters, strict=True):
        detail = fixed.details[parameter.name]
        assert isinstance(detail, RawDetail)
        result[parameter.name] = np.clip(row, detail.low, detail.high)
    return result


def _run(name: str, fixed: FixedGraph, start: Counts | None, inputs: Counts, gains: Counts | None) -> Exercise:
    """The integer model's answer to a run."""
    twin, members = read_integer_arrays(fixed), memory_names(fixed)
    memory = twin.start() if start is None else unpack_memory(fixed, members, start)
    memory.gains = _held_gains(fixed, gains, twin)
    outputs = [output.signal for output in fixed.graph.outputs]
    right = np.empty((inputs.shape[0], len(outputs) + len(members), inputs.shape[2]), dtype=np.int64)
    for tick in range(inputs.shape[0]):
        values = twin.tick(memory, {node.name: inputs[tick, place] for place, node in enumerate(fixed.graph.inputs)})
        for place, signal in enumerate(outputs):
            right[tick, place] = values[signal]
        for place, member in enumerate(members):
            right[tick, len(outputs) + place] = member_value(memory, member)
    return Exercise(name, start, inputs, gains, right, right)


# --- single ticks against float64 ------------------------------------------------------------------------------------------


def _single_ticks(fixed: FixedGraph, rng: np.random.Generator, recorded: Sequence[Counts]) -> list[Exercise]:
    bounds, margins = bound_one_tick(fixed)
    inputs = fixed.graph.inputs
    lows, highs = (np.array([getattr(node, end) for node in inputs])[:, None] for end in ("low", "high"))
    result = []
    for turn in range(TICK_ROUNDS):
        memory = draw_slow_memory(fixed, rng, TICK_LANES) if turn % 3 else draw_memory(fixed, rng, TICK_LANES)
        if turn % 2:
            _quieten(fixed, memory, rng)
        anywhere = rng.integers(lows, highs, (len(inputs), TICK_LANES), endpoint=True)
        if recorded:
            trace = recorded[turn % len(recorded)]
            flown = trace[rng.integers(0, len(trace), TICK_LANES)].T
            anywhere = np.where(rng.random(TICK_LANES) < 0.5, anywhere, flown)
        result += _tick(fixed, bounds, margins, memory, anywhere)
    return result


def _quieten(fixed: FixedGraph, memory: Counts, rng: np.random.Generator) -> None:
    """Half of the lanes get numbers of a sixteenth of their range, so that fewer limits act; in place."""
    lows, highs = memory_ranges(fixed)
    for place, name in enumerate(memory_names(fixed)):
        node = fixed.graph.nodes.get(name)
        if node is not None and not node.is_bool and lows[place] <= 0 <= highs[place]:
            small = np.sign(memory[place]) * (np.abs(memory[place]) // 16)
            memory[place] = np.where(rng.random(memory.shape[1]) < 0.5, memory[place], np.clip(small, lows[place], highs[place]))


def _tick(
    fixed: FixedGraph,
    bounds: Mapping[str, SignalBound],
    margins: Mapping[str, tuple[float, float]],
    start: Counts,
    inputs: Counts,
) -> list[Exercise]:
    """Intervals that float64 and the bounds leave; lanes in which float64 would decide otherwise are left out."""
    graph, members = fixed.graph, memory_names(fixed)
    integer, real = read_integer_arrays(fixed), read_real_arrays(graph)
    lsb = {name: float(proven.lsb) for name, proven in fixed.formats.items()}
    raw = unpack_memory(fixed, members, start)
    raw.gains = dict(integer.start().gains)
    scaled = Memory(
        {name: value if graph.nodes[name].is_bool else value * lsb[name] for name, value in raw.delays.items()},
        {name: value * lsb[name] for name, value in raw.sums.items()},
        raw.count,
        {name: value * lsb[name] for name, value in raw.gains.items()},
    )
    counts = {node.name: inputs[place] for place, node in enumerate(graph.inputs)}
    values = integer.tick(raw, counts)
    reals: Values = {n.name: inputs[at] != 0 if n.is_bool else inputs[at] * n.per_count for at, n in enumerate(graph.inputs)}
    compares = [node for node in graph.nodes.values() if isinstance(node, Compare) and node.name in values]
    reals |= {decided(node.name): values[node.name] for node in compares}
    answer = real.tick(scaled, reals)
    agreed = np.ones(start.shape[1], dtype=bool)
    for node in compares:
        away = answer[distance(node.name)]
        alone = {">": away > 0, ">=": away >= 0, "!=": away != 0}[node.relation.value]
        agreed &= np.broadcast_to(alone == values[node.name], agreed.shape)
    low = np.empty((1, len(graph.outputs) + len(members), start.shape[1]), dtype=np.int64)
    high = np.empty_like(low)
    rows = [(output.signal, values[output.signal], answer[output.signal], output.signal) for output in graph.outputs]
    rows += [(name, member_value(raw, name), member_value(scaled, name), _source(fixed, name)) for name in members]
    for place, (name, right, wanted, source) in enumerate(rows):
        bound = bounds.get(source)
        if name == "slow_count" or graph.nodes[name].is_bool or bound is None:
            low[0, place] = high[0, place] = right
            continue
        low[0, place] = np.ceil((wanted + bound.low) / lsb[name] - FLOAT_COUNTS)
        high[0, place] = np.floor((wanted + bound.high) / lsb[name] + FLOAT_COUNTS)
        # Memory that this tick does not write stays as it is; a bound of a slow signal says nothing then.
        if source not in values:
            low[0, place] = high[0, place] = right
    kept = np.flatnonzero(agreed)
    if not len(kept):
        return []
    chosen = (np.ascontiguousarray(part[..., kept]) for part in (start, inputs[None], low, high))
    memory, given, least, most = chosen
    return [Exercise("single tick", memory, given, None, least, most)]


def _source(fixed: FixedGraph, name: str) -> str:
    node = fixed.graph.nodes.get(name)
    return node.source if isinstance(node, Delay) else name
