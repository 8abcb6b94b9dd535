"""Test vectors: inputs and the outputs that the integer model gives, for a test bench of the user's own.

Takes a fixed graph and recorded readings, gives CSV text: raw counts, one tick a row, from the start state on.  What the recorded
and drawn readings leave untried of the controller's decisions is searched for: each condition of each decision shall be seen to
decide by itself, each choice to go both ways, each limit to act.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from codegen.graph import Clamp, Compare, Logic, Node, Product, Select, WeightedSum
from codegen.rules.fixed import ClampDetail, FixedGraph, ProductDetail, SumDetail
from codegen.rules.integer import read_integer
from codegen.rules.vector import read_integer_arrays
from codegen.rules.walk import Memory
from codegen.verify.draws import draw_class, spoil

FLIGHT_TICKS, TICKS_PER_CLASS = 800, 200
CLASSES = ("edges", "held", "white")
SEED = 7
SEARCH_TICKS, SEARCH_LANES, FUTILE_ROUNDS = 300, 48, 6
Counts = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class _Decision:
    """What one node shall be seen to do.

    Attributes:
        node: Its name.
        reads: The signals that tell.
        seen: From each signal's values (ticks, lanes) to which goals are reached, (goals, ticks, lanes).
    """

    node: str
    reads: tuple[str, ...]
    seen: Callable[[Sequence[Counts]], Flags]


def _logic(node: Logic) -> _Decision:
    def seen(values: Sequence[Counts]) -> Flags:
        # As C evaluates it: the first argument that settles the answer decides; the last goal is that none does.
        settles = [(value != 0) ^ inverted ^ (not node.any_of) for value, inverted in zip(values, node.inverted, strict=True)]
        open_still = np.ones_like(settles[0])
        goals = []
        for one in settles:
            goals.append(one & open_still)
            open_still = open_still & ~one
        return np.stack([*goals, open_still])

    return _Decision(node.name, node.arguments, seen)


def _both_ways(node: Node, condition: str) -> _Decision:
    return _Decision(node.name, (condition,), lambda values: np.stack([values[0] != 0, values[0] == 0]))


def _limit(node: Node, low: int, high: int) -> _Decision:
    def seen(values: Sequence[Counts]) -> Flags:
        return np.stack([values[0] <= low, (low < values[0]) & (values[0] < high), values[0] >= high])

    return _Decision(node.name, (node.name,), seen)


def _decisions(fixed: FixedGraph) -> list[_Decision]:
    found: list[_Decision] = []
    for node in fixed.graph.nodes.values():
        detail = fixed.details[node.name]
        match node:
            case Logic():
                found.append(_logic(node))
            case Select():
                found.append(_both_ways(node, node.condition))
            case Compare():
                found.append(_both_ways(node, node.name))
            case Clamp() | WeightedSum() | Product():
                assert isinstance(detail, ClampDetail | SumDetail | ProductDetail)
                if detail.low is not None and detail.high is not None:
                    found.append(_limit(node, detail.low, detail.high))
    return found


class _Search:
    """Runs many candidates from one memory, and knows what has been seen so far."""

    def __init__(self, fixed: FixedGraph) -> None:
        self._names = [node.name for node in fixed.graph.inputs]
        self._arrays = read_integer_arrays(fixed)
        self._decisions = _decisions(fixed)
        self._reads = sorted({name for one in self._decisions for name in one.reads})

    def run(self, memory: Memory, rows: Counts) -> Flags:
        """Goals reached by candidates (ticks, inputs, lanes) from a memory on: (goals, ticks, lanes)."""
        ticks, _, lanes = rows.shape
        memory = memory.copy()
        trace = np.zeros((len(self._reads), ticks, lanes), dtype=np.int64)
        computed = np.zeros((len(self._decisions), ticks), dtype=np.bool_)
        for tick in range(ticks):
            values = self._arrays.tick(memory, {name: rows[tick, place] for place, name in enumerate(self._names)})
            for place, name in enumerate(self._reads):
                if name in values:
                    trace[place, tick] = values[name]
            computed[:, tick] = [one.node in values for one in self._decisions]
        place_of = {name: place for place, name in enumerate(self._reads)}
        goals = [
            one.seen([trace[place_of[name]] for name in one.reads]) & computed[place][:, None]
            for place, one in enumerate(self._decisions)
        ]
        return np.concatenate(goals) if goals else np.zeros((0, ticks, lanes), dtype=np.bool_)


def _candidates(fixed: FixedGraph, traces: Sequence[Counts], rng: np.random.Generator) -> Counts:
    """Flights with one reading spoilt, where there are flights, and readings of every class, (ticks, inputs, lanes)."""
    parts = [draw_class(kind, fixed, rng, SEARCH_TICKS, SEARCH_LANES // 6) for kind in CLASSES]
    parts += [spoil(trace, fixed, rng, SEARCH_TICKS, max(1, SEARCH_LANES // (2 * len(traces)))) for trace in traces]
    return np.concatenate(parts, axis=2)


def draw_vectors(fixed: FixedGraph, traces: Sequence[Counts] = ()) -> str:
    """CSV with a header: tick, every input, every output.

    The start of each recorded flight, then edges, held levels and white noise, then what the search adds, without a new start between
    them.
    """
    rng = np.random.default_rng(SEED)
    reading = read_integer(fixed)
    memory = reading.start()
    names = [node.name for node in fixed.graph.inputs]
    lines = [",".join(["tick", *names, *(output.name for output in fixed.graph.outputs)])]

    def write(block: Counts) -> None:
        for row in block:
            values = reading.tick(memory, {name: int(value) for name, value in zip(names, row, strict=True)})
            shown = [values[output.signal] for output in fixed.graph.outputs]
            lines.append(",".join(str(int(number)) for number in [len(lines) - 1, *row, *shown]))

    search = _Search(fixed)
    blocks = [trace[:FLIGHT_TICKS] for trace in traces]
    blocks += [draw_class(kind, fixed, rng, TICKS_PER_CLASS, 1)[:, :, 0] for kind in CLASSES]
    start = np.concatenate(blocks)
    missing: Flags = np.logical_not(search.run(memory, start[:, :, None]).any(axis=(1, 2)))
    write(start)
    futile = 0
    while missing.any() and futile < FUTILE_ROUNDS:
        rows = _candidates(fixed, traces, rng)
        new: Flags = search.run(memory, rows) & missing[:, None, None]
        reached: Flags = np.any(new, axis=1)
        best = int(np.argmax(reached.sum(axis=0)))
        if not reached[:, best].any():
            futile += 1
            continue
        futile = 0
        missing &= ~reached[:, best]
        last = int(new[reached[:, best], :, best].argmax(axis=1).max())
        write(rows[: last + 1, :, best])
    return "\n".join(lines) + "\n"
