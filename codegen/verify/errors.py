"""Error bounds against observation: the worst that can be found must stay below the bound, and near it.

Takes a fixed graph and its one-tick bounds, gives per signal the largest error seen by random draws and by a climb from the worst of
them.  Integers and float64 start from the same memory and inputs; comparisons decide alike, and where float64 alone would have decided
otherwise its distance from the threshold must lie within the proven margin.
"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from codegen.bounds import SignalBound
from codegen.graph import Compare, Input
from codegen.host.controller import memory_names
from codegen.rules.fixed import FixedGraph
from codegen.rules.rounding import FLOAT_LABEL
from codegen.rules.vector import decided, distance, read_integer_arrays, read_real_arrays
from codegen.rules.walk import Memory, Values
from codegen.verify.bits import member_value, unpack_memory
from codegen.verify.draws import checked_traces, draw_memory, make_legal, memory_ranges, spoil

Counts = NDArray[np.int64]
LANES = 2048
ROUNDS = 24
CLIMB = 14
# Signals whose bound is float64's own evaluation, or a millionth of a count, are not searched.
LEAST_COUNTS = 1e-6
FLIGHT_TICKS, FLIGHT_LANES, FLIGHT_STRIDE = 400, 512, 13


@dataclass(frozen=True)
class SeenError:
    """Largest error of one signal found, against its bound (both in the signal's unit)."""

    name: str
    bound: float
    seen: float

    @property
    def ratio(self) -> float:
        """Bound over largest observation; 1 is a perfectly tight bound."""
        return self.bound / self.seen if self.seen > 0 else float("inf")


@dataclass(frozen=True)
class ErrorCheck:
    """What the search found.

    Attributes:
        signals: Per signal with a bound above float64's own evaluation.
        ticks: Single ticks tried.
        violations: Errors outside their interval, and differing decisions outside their margin.
        first: The first violation in words, or "".
        seed: Seed of all draws.
        seconds: Time it took.
    """

    signals: tuple[SeenError, ...]
    ticks: int
    violations: int
    first: str
    seed: int
    seconds: float

    @property
    def holds(self) -> bool:
        """Nothing beat its bound."""
        return self.violations == 0

    @property
    def loosest(self) -> SeenError | None:
        """The signal whose bound is least tight."""
        return max(self.signals, key=lambda seen: seen.ratio, default=None)


class _Search:
    """Both readings side by side over one tick."""

    def __init__(self, fixed: FixedGraph, bounds: Mapping[str, SignalBound], margins: Mapping[str, tuple[float, float]]) -> None:
        self.fixed = fixed
        self.bounds = bounds
        self.margins = margins
        self.integer, self.real = read_integer_arrays(fixed), read_real_arrays(fixed.graph)
        self.members = memory_names(fixed)
        self.inputs = fixed.graph.inputs
        self.lows, self.highs = memory_ranges(fixed)
        self.lsb = {name: float(proven.lsb) for name, proven in fixed.formats.items()}
        self.compares = [node.name for node in fixed.graph.nodes.values() if isinstance(node, Compare)]
        self.worst = dict.fromkeys(bounds, 0.0)
        self.at: dict[str, tuple[Counts, Counts]] = {}
        self.violations, self.first, self.ticks = 0, "", 0

    def draw_inputs(self, rng: np.random.Generator, lanes: int) -> Counts:
        lows = np.array([node.low for node in self.inputs])[:, None]
        highs = np.array([node.high for node in self.inputs])[:, None]
        anywhere = rng.integers(lows, highs, (len(self.inputs), lanes), endpoint=True)
        near = rng.integers(0, 1 + (highs - lows) // 64, anywhere.shape, endpoint=True)
        ends = np.where(rng.random(anywhere.shape) < 0.5, lows + near, highs - near)
        return np.where(rng.random(anywhere.shape) < 0.5, ends, anywhere)

    def try_lanes(self, memory: Counts, inputs: Counts) -> None:
        """One tick of every lane; note the largest errors and what beats a bound."""
        self.ticks += memory.shape[1]
        fixed_values, real_values = self._both(memory, inputs)
        for name, bound in self.bounds.items():
            if name not in fixed_values or name not in real_values:
                continue
            error = np.asarray(fixed_values[name] * self.lsb[name] - real_values[name])
            if error.ndim == 0:
                continue
            outside = (error < bound.low) | (error > bound.high)
            if outside.any():
                self._violated(f"{name}: error {error[np.argmax(outside)]:.6g} outside [{bound.low:.6g}, {bound.high:.6g}]", outside)
            lane = int(np.argmax(np.abs(error)))
            if abs(error[lane]) > self.worst[name]:
                self.worst[name] = float(abs(error[lane]))
                self.at[name] = (memory[:, lane].copy(), inputs[:, lane].copy())
        for name in self.compares:
            if name not in fixed_values or distance(name) not in real_values:
                continue
            low, high = self.margins[name]
            away = real_values[distance(name)]
            node = self.fixed.graph.nodes[name]
            assert isinstance(node, Compare)
            alone = {">": away > 0, ">=": away >= 0, "!=": away != 0}[node.relation.value]
            # fixed quantity = float64 quantity + error with error in [low, high]; decisions can differ only that near to 0.
            outside = (alone != fixed_values[name]) & ((away < -high) | (away > -low))
            if np.any(outside):
                self._violated(f"{name}: decisions differ although the quantity is beyond its margin", outside)

    def _violated(self, text: str, outside: NDArray[np.bool_]) -> None:
        self.violations += int(np.count_nonzero(outside))
        self.first = self.first or text

    def _both(self, memory: Counts, inputs: Counts) -> tuple[Values, Values]:
        raw = unpack_memory(self.fixed, self.members, memory)
        gains = self.integer.start().gains
        scaled = Memory(
            {name: value if self.fixed.graph.nodes[name].is_bool else value * self.lsb[name] for name, value in raw.delays.items()},
            {name: value * self.lsb[name] for name, value in raw.sums.items()},
            raw.count,
            {name: value * self.lsb[name] for name, value in gains.items()},
        )
        raw.gains = dict(gains)
        counts = {node.name: inputs[at] for at, node in enumerate(self.inputs)}
        fixed_values = self.integer.tick(raw, counts)
        reals: Values = {
            node.name: inputs[at] != 0 if node.is_bool else inputs[at] * node.per_count for at, node in enumerate(self.inputs)
        }
        reals |= {decided(name): fixed_values[name] for name in self.compares if name in fixed_values}
        return fixed_values, self.real.tick(scaled, reals)

    def along(self, inputs: Counts) -> None:
        """Memories that a run from the start over ``inputs`` (ticks, inputs, lanes) meets."""
        memory = self.integer.start()
        lanes = inputs.shape[2]
        for tick in range(inputs.shape[0]):
            if memory.count == self.fixed.graph.slow_every - 1 or tick % FLIGHT_STRIDE == 0:
                rows = [np.broadcast_to(member_value(memory, name), lanes) for name in self.members]
                self.try_lanes(np.array(rows, dtype=np.int64), inputs[tick])
            self.integer.tick(memory, {node.name: inputs[tick, at] for at, node in enumerate(self.inputs)})

    def climb(self, name: str, rng: np.random.Generator) -> None:
        """From the worst case so far, change a few coordinates at a time and keep what is worse."""
        for _ in range(CLIMB):
            memory, inputs = (np.repeat(part[:, None], LANES, axis=1) for part in self.at[name])
            for values, lows, highs in (
                (memory, self.lows, self.highs),
                (inputs, np.array([n.low for n in self.inputs]), np.array([n.high for n in self.inputs])),
            ):
                if not len(values):
                    continue
                touched = rng.random(values.shape) < 1.5 / max(1, len(values))
                fresh = rng.integers(lows[:, None], highs[:, None], values.shape, endpoint=True)
                ends = np.where(rng.random(values.shape) < 0.5, lows[:, None], highs[:, None])
                width = np.minimum(highs - lows, np.int64(2) ** rng.integers(1, 24))[:, None]
                near = np.clip(values + rng.integers(-width, width, values.shape, endpoint=True), lows[:, None], highs[:, None])
                choice = rng.integers(0, 3, values.shape)
                values[:] = np.where(touched, np.choose(choice, [fresh, ends, near]), values)
            if self.fixed.graph.slow_every > 1:
                memory[-1] = self.at[name][0][-1]
            self.try_lanes(make_legal(self.fixed, memory), inputs)


def check_errors(
    fixed: FixedGraph,
    bounds: Mapping[str, SignalBound],
    margins: Mapping[str, tuple[float, float]],
    *,
    seed: int = 1,
    traces: Sequence[Counts] = (),
) -> ErrorCheck:
    """Search the largest one-tick error of every signal.

    Args:
        fixed: The integers; its graph is the float64 reference.
        bounds: One-tick bounds.
        margins: Margins of the comparisons.
        seed: Seed of all draws.
        traces: Recorded inputs, (ticks, inputs) each; memories that occur along them (spoilt) are searched as well.
    """
    begun = time.perf_counter()
    rng = np.random.default_rng(seed)
    searched = {
        name: bound
        for name, bound in bounds.items()
        if not isinstance(fixed.graph.nodes[name], Input)
        and bound.counts > LEAST_COUNTS
        and any(label != FLOAT_LABEL for label, _ in bound.contributors)
    }
    search = _Search(fixed, {name: bound for name, bound in bounds.items() if bound.magnitude > 0 or name in searched}, margins)
    for turn in range(ROUNDS):
        memory = draw_memory(fixed, rng, LANES)
        if fixed.graph.slow_every > 1 and turn % 3:
            memory[-1] = fixed.graph.slow_every - 1
        search.try_lanes(memory, search.draw_inputs(rng, LANES))
    for trace in checked_traces(traces, fixed):
        search.along(spoil(trace, fixed, rng, FLIGHT_TICKS, FLIGHT_LANES))
    for name in searched:
        if name in search.at:
            search.climb(name, rng)
    seen = tuple(SeenError(name, bound.magnitude, search.worst[name]) for name, bound in searched.items())
    return ErrorCheck(seen, search.ticks, search.violations, search.first, seed, time.perf_counter() - begun)
