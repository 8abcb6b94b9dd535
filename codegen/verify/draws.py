"""Inputs and memories that reach the edges: what the checks feed to a controller.

Takes a fixed graph and a seeded generator, gives arrays of raw counts.  White noise alone reaches a quarter of most bounds, so most
draws are held levels, edges of types and limits, opposite extremes and the smallest constants; recorded flights, spoilt one reading at
a time, keep a controller in its armed regime meanwhile.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from codegen.graph import Clamp, Compare, Input, SumOver
from codegen.host.controller import memory_names
from codegen.rules.fixed import ClampDetail, CompareDetail, FixedGraph

Counts = NDArray[np.int64]
Generator = np.random.Generator
LONGEST_HOLD = 400


def edge_values(fixed: FixedGraph, node: Input) -> Counts:
    """Edges of an input: its type's ends, the counts around zero, and the counts around every limit it is held against."""
    edges = {node.low, node.low + 1, -1, 0, 1, node.high - 1, node.high}
    for other in fixed.graph.nodes.values():
        detail = fixed.details[other.name]
        limits: list[int] = []
        if isinstance(other, Clamp) and other.operand == node.name and isinstance(detail, ClampDetail):
            limits = [detail.low, detail.high]
        if isinstance(other, Compare) and other.operands() == (node.name,) and isinstance(detail, CompareDetail):
            limits = [detail.threshold, -detail.threshold]
        edges |= {limit + step for limit in limits for step in (-2, -1, 0, 1, 2)}
    return np.array(sorted(edge for edge in edges if node.low <= edge <= node.high), dtype=np.int64)


def _held(values: Counts, rng: Generator, ticks: int) -> Counts:
    """Levels (levels, lanes) held for random times, lane by lane, over ``ticks``."""
    levels, lanes = values.shape
    holds = rng.integers(1, LONGEST_HOLD, (levels, lanes))
    ends = np.cumsum(holds, axis=0)
    result = np.empty((ticks, lanes), dtype=np.int64)
    level = np.zeros(lanes, dtype=np.int64)
    columns = np.arange(lanes)
    for tick in range(ticks):
        level += ends[level, columns] <= tick
        result[tick] = values[level, columns]
    return result


def _levels(ticks: int) -> int:
    """More levels than holds of the shortest kind are ever used up."""
    return ticks + 1 if ticks < LONGEST_HOLD else max(64, ticks // 8)


@dataclass(frozen=True)
class Drawn:
    """An input as the draws see it: its least and greatest count, its edges, and whether it is a truth value."""

    low: int
    high: int
    edges: Counts
    is_bool: bool


def draw_class(kind: str, fixed: FixedGraph, rng: Generator, ticks: int, lanes: int) -> Counts:
    """Inputs (ticks, inputs, lanes) of one class: ``held``, ``edges``, ``white``, ``constant`` or ``opposite``."""
    drawn = [Drawn(node.low, node.high, edge_values(fixed, node), node.is_bool) for node in fixed.graph.inputs]
    return draw_inputs(kind, drawn, rng, ticks, lanes)


def draw_inputs(kind: str, inputs: Sequence[Drawn], rng: Generator, ticks: int, lanes: int) -> Counts:
    """The same for inputs of any origin."""
    result = np.empty((ticks, len(inputs), lanes), dtype=np.int64)
    for place, node in enumerate(inputs):
        if node.is_bool:
            result[:, place] = _held((rng.random((_levels(ticks), lanes)) < 0.8).astype(np.int64), rng, ticks)
            continue
        shape = (_levels(ticks), lanes)
        if kind == "held":
            result[:, place] = _held(rng.integers(node.low, node.high, shape, endpoint=True), rng, ticks)
        elif kind == "edges":
            result[:, place] = _held(rng.choice(node.edges, shape), rng, ticks)
        elif kind == "white":
            result[:, place] = rng.integers(node.low, node.high, (ticks, lanes), endpoint=True)
        elif kind == "constant":
            small = node.edges[(node.edges >= -1) & (node.edges <= 1)]
            result[:, place] = rng.choice(small if len(small) else node.edges, lanes)
        else:
            result[:, place] = _held(rng.choice(np.array([node.low, node.high]), shape), rng, ticks)
    return result


def spoil(trace: Counts, fixed: FixedGraph, rng: Generator, ticks: int, lanes: int) -> Counts:
    """A recorded flight (ticks, inputs) from random starts on; in three lanes of four one reading is overwritten for a while."""
    result = np.empty((ticks, trace.shape[1], lanes), dtype=np.int64)
    for lane in range(lanes):
        start = int(rng.integers(0, max(1, trace.shape[0] - ticks)))
        piece = trace[start : start + ticks]
        result[:, :, lane] = np.resize(piece, (ticks, trace.shape[1]))
        if lane % 4:
            place = int(rng.integers(0, trace.shape[1]))
            node = fixed.graph.inputs[place]
            begin = int(rng.integers(0, ticks))
            end = begin + int(rng.integers(1, LONGEST_HOLD))
            if lane % 4 == 1 and not node.is_bool:
                # A small constant offset keeps the reading plausible but moves it to the limits of the estimate.
                moved = result[begin:end, place, lane] + int(rng.integers(-2000, 2000, endpoint=True))
                result[begin:end, place, lane] = np.clip(moved, node.low, node.high)
            else:
                result[begin:end, place, lane] = rng.choice(edge_values(fixed, node))
    return result


def memory_ranges(fixed: FixedGraph) -> tuple[Counts, Counts]:
    """Least and greatest legal raw value of every member of the state struct."""
    lows: list[int] = []
    highs: list[int] = []
    for name in memory_names(fixed):
        node = fixed.graph.nodes.get(name)
        if node is None:
            low, high = 0, fixed.graph.slow_every - 1
        elif isinstance(node, SumOver):
            low, high = fixed.partial_sum_range(node)
        else:
            low, high = fixed.formats[name].low, fixed.formats[name].high
        lows, highs = [*lows, low], [*highs, high]
    return np.array(lows, dtype=np.int64), np.array(highs, dtype=np.int64)


def make_legal(fixed: FixedGraph, memory: Counts) -> Counts:
    """Memories (members, lanes) with every sum held to what the ticks counted so far can have added up to; in place."""
    names = memory_names(fixed)
    for place, name in enumerate(names):
        node = fixed.graph.nodes.get(name)
        if isinstance(node, SumOver):
            operand, count = fixed.formats[node.operand], memory[names.index("slow_count")]
            memory[place] = np.clip(memory[place], count * operand.low, count * operand.high)
    return memory


def draw_memory(fixed: FixedGraph, rng: Generator, lanes: int) -> Counts:
    """Random legal memories (members, lanes): a third of the values at an end of their range, the rest anywhere."""
    lows, highs = memory_ranges(fixed)
    anywhere = rng.integers(lows[:, None], highs[:, None], (len(lows), lanes), endpoint=True)
    ends = np.where(rng.random(anywhere.shape) < 0.5, lows[:, None], highs[:, None])
    memory = np.where(rng.random(anywhere.shape) < 1 / 3, ends, anywhere)
    if fixed.graph.slow_every > 1:
        # The counter is common to all lanes, because the vectorised twin runs them in step.
        memory[-1] = rng.integers(0, fixed.graph.slow_every)
    return make_legal(fixed, np.ascontiguousarray(memory))


def checked_traces(traces: Sequence[Counts], fixed: FixedGraph) -> list[Counts]:
    """Recorded input traces with the columns of this controller; others are refused.

    Raises:
        ValueError: A trace has another number of columns.
    """
    for trace in traces:
        if trace.ndim != 2 or trace.shape[1] != len(fixed.graph.inputs):
            raise ValueError(f"a trace needs {len(fixed.graph.inputs)} columns, one per input")
    return [np.asarray(trace, dtype=np.int64) for trace in traces]

