"""Readings and memories at which a decision turns or a limit begins to act: what random draws almost never hit.

Takes a fixed graph, gives legal memories and inputs of single ticks.  For every comparison and every limit one coordinate per lane is
halved until two neighbours lie on either side; everything that has no influence on it is drawn anew, so that the turn shows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from codegen.graph import Clamp, Compare, Delay, Input, Node, Parameter, Product, Shorten, SumOver, WeightedSum
from codegen.host.controller import memory_names
from codegen.rules.fixed import ClampDetail, CompareDetail, FixedGraph, ProductDetail, RawDetail, ShortenDetail, SumDetail
from codegen.rules.vector import read_integer_arrays
from codegen.rules.walk import Values
from codegen.verify.bits import member_value, unpack_memory
from codegen.verify.draws import draw_memory, edge_values, make_legal, memory_ranges

Counts = NDArray[np.int64]
Generator = np.random.Generator
CANDIDATES, CHOSEN, COPIES = 6000, 32, 32
ROUNDED = 1 << 17
FLOWN = 3000
EASY_SHIFT, HARD_ROUNDS = 16, 6
SUM_ROUNDS, EDGE_ROUNDS = 8, 4
BEYOND = 1 << 62


@dataclass(frozen=True)
class Aim:
    """A point at which something turns.

    Attributes:
        node: The node that turns.
        turned: From the values of a tick, whether it has.
        distance: From the values of a tick, how far it is from turning; None where that is not known.
    """

    node: Node
    turned: Callable[[Values], Any]
    distance: Callable[[Values], Any] | None


def _holds(name: str, values: Values) -> Any:
    return values[name] != 0


def _at_least(name: str, high: int, values: Values) -> Any:
    return values[name] >= high


def _at_most(name: str, low: int, values: Values) -> Any:
    return values[name] <= low


def _aims(fixed: FixedGraph) -> Iterator[Aim]:
    for node in fixed.graph.nodes.values():
        detail = fixed.details[node.name]
        if isinstance(node, Compare) and isinstance(detail, CompareDetail):
            weights = list(zip(detail.weights, (term.name for term in node.terms), strict=True))

            def away(values: Values, weights: list[tuple[int, str]] = weights, threshold: int = detail.threshold) -> Any:
                return sum((values[name] * np.int64(weight) for weight, name in weights), np.int64(-threshold))

            yield Aim(node, partial(_holds, node.name), away)
        if isinstance(detail, ClampDetail | SumDetail | ProductDetail) and detail.low is not None and detail.high is not None:
            assert isinstance(node, Clamp | WeightedSum | Product)
            yield Aim(node, partial(_at_least, node.name, detail.high), None)
            yield Aim(node, partial(_at_most, node.name, detail.low), None)


def _sources(fixed: FixedGraph, node: Node) -> set[str]:
    """Inputs and members that reach a node within the tick."""
    graph = fixed.graph
    members = set(memory_names(fixed))
    seen: set[str] = set()
    rest = [node.name]
    while rest:
        name = rest.pop()
        if name in seen:
            continue
        seen.add(name)
        rest += graph.nodes[name].operands()
    return {name for name in seen if name in members or isinstance(graph.nodes[name], Input | Parameter)}


def draw_slow_memory(fixed: FixedGraph, rng: Generator, lanes: int) -> Counts:
    """Random legal memories (members, lanes) of a tick in which the slow section runs, sums up to what a whole period can add."""
    memory = draw_memory(fixed, rng, lanes)
    if fixed.graph.slow_every > 1:
        memory[-1] = fixed.graph.slow_every - 1
        for place, name in enumerate(memory_names(fixed)):
            node = fixed.graph.nodes.get(name)
            if isinstance(node, SumOver):
                low, high = fixed.partial_sum_range(node)
                ends = rng.choice(np.array([low, high]), lanes)
                memory[place] = np.where(rng.random(lanes) < 0.4, ends, rng.integers(low, high, lanes, endpoint=True))
    return memory


class _Marksman:
    """Draws, evaluates and halves."""

    def __init__(self, fixed: FixedGraph, rng: Generator, traces: Sequence[Counts]) -> None:
        self.fixed, self.rng = fixed, rng
        self.members, self.inputs = memory_names(fixed), fixed.graph.inputs
        self.twin = read_integer_arrays(fixed)
        lows, highs = memory_ranges(fixed)
        gains = [fixed.details[parameter.name] for parameter in fixed.graph.parameters]
        ends = [(detail.low, detail.high) for detail in gains if isinstance(detail, RawDetail)]
        self.lows = np.concatenate([lows, [node.low for node in self.inputs], [low for low, _ in ends]]).astype(np.int64)
        self.highs = np.concatenate([highs, [node.high for node in self.inputs], [high for _, high in ends]]).astype(np.int64)
        self.gains = [parameter.name for parameter in fixed.graph.parameters]
        self.names = [*self.members, *(node.name for node in self.inputs), *self.gains]
        self.count = len(self.members) + len(self.inputs)
        self.truths = [at for at, name in enumerate(self.names) if name != "slow_count" and fixed.graph.nodes[name].is_bool]
        self.flown = {slow: self._fly(traces, slow) for slow in (False, True)}

    def _fly(self, traces: Sequence[Counts], slow: bool) -> Counts | None:
        """Memories and inputs, (members and inputs, ticks), that recorded flights meet; in ticks of the slow section only, or any."""
        columns: list[Counts] = []
        for trace in traces:
            memory = self.twin.start()
            for tick, row in enumerate(trace[: 2 * FLOWN]):
                chosen = memory.count == self.fixed.graph.slow_every - 1 if slow else tick % 3 == 0
                if chosen:
                    column = [int(member_value(memory, name)) for name in self.members]
                    columns.append(np.array([*column, *row, *(int(memory.gains[name]) for name in self.gains)], dtype=np.int64))
                self.twin.tick(memory, {node.name: row[at] for at, node in enumerate(self.inputs)})
        return np.array(columns, dtype=np.int64).T if columns else None

    def draw(self, lanes: int, slow: bool) -> Counts:
        """Memory and inputs of ``lanes`` controllers, one above the other; half of the numbers of any smaller magnitude."""
        memory = draw_slow_memory(self.fixed, self.rng, lanes) if slow else draw_memory(self.fixed, self.rng, lanes)
        rows = []
        for node in self.inputs:
            anywhere = self.rng.integers(node.low, node.high, lanes, endpoint=True)
            rows.append(np.where(self.rng.random(lanes) < 0.3, self.rng.choice(edge_values(self.fixed, node), lanes), anywhere))
        for low, high in zip(self.lows[self.count :], self.highs[self.count :], strict=True):
            rows.append(self.rng.integers(low, high, lanes, endpoint=True))
        both = np.concatenate([memory[: len(self.members)], np.array(rows, dtype=np.int64).reshape(len(rows), lanes)])
        quiet = (self.rng.random(both.shape) < 0.5) & (self.highs - self.lows > 8)[:, None]
        if self.fixed.graph.slow_every > 1:
            quiet[len(self.members) - 1] = False
        smaller = both >> self.rng.integers(0, np.ceil(np.log2(self.highs - self.lows + 2.0)).astype(np.int64)[:, None], both.shape)
        both = np.where(quiet, np.clip(smaller, self.lows[:, None], self.highs[:, None]), both)
        flown = self.flown[slow]
        if flown is not None:
            over = np.ones(len(both), dtype=bool)
            over[self.truths] = self.rng.random() < 0.5
            if self.fixed.graph.slow_every > 1:
                over[len(self.members) - 1] = False
            taken = flown[:, self.rng.integers(0, flown.shape[1], lanes)]
            both = np.where(over[:, None] & (self.rng.random(lanes) < 0.6), taken, both)
        return self.legal(both)

    def values(self, both: Counts) -> Values:
        """Every signal of the tick."""
        memory = unpack_memory(self.fixed, self.members, both[: len(self.members)])
        memory.gains = dict(zip(self.gains, both[self.count :], strict=True))
        return self.twin.tick(memory, {node.name: both[len(self.members) + at] for at, node in enumerate(self.inputs)})

    def legal(self, both: Counts) -> Counts:
        """Sums held to what the ticks counted so far can have added up to; in place."""
        both[: len(self.members)] = make_legal(self.fixed, both[: len(self.members)].copy())
        return both

    def at_turn(self, aim: Aim) -> Counts | None:
        """Memories and inputs, (members and inputs, lanes), around the turn; None where no single coordinate turns it."""
        sources = _sources(self.fixed, aim.node)
        places = [at for at, name in enumerate(self.names) if name in sources and self.highs[at] - self.lows[at] > 1]
        if not places:
            return None
        slow = aim.node.slow or any(isinstance(self.fixed.graph.nodes.get(name), SumOver) for name in sources)
        both = self.draw(CANDIDATES, slow)
        lanes = np.arange(CANDIDATES)
        place = self.rng.choice(np.array(places), CANDIDATES)
        low, high = self.lows[place].copy(), self.highs[place].copy()

        def turned(value: Counts) -> NDArray[np.bool_]:
            both[place, lanes] = value
            return np.broadcast_to(aim.turned(self.values(both)), CANDIDATES).astype(bool)

        if aim.node.name not in self.values(both):
            return None
        first = turned(low)
        crossing = first != turned(high)
        while np.any(high - low > 1):
            middle = low + (high - low) // 2
            same = turned(middle) == first
            low, high = np.where(same, middle, low), np.where(same, high, middle)
        both[place, lanes] = np.where(self.rng.random(CANDIDATES) < 0.5, low, high)
        found = np.flatnonzero(crossing)
        if not len(found):
            return None
        if aim.distance is not None:
            away = np.abs(np.broadcast_to(aim.distance(self.values(both)), CANDIDATES)[found])
            found = found[np.argsort(away, kind="stable")]
        result, kept = self.copies(both, found[:CHOSEN], sources, slow)
        steps = self.rng.integers(-2, 2, len(kept), endpoint=True) * (self.rng.random(len(kept)) < 0.4)
        moved = place[kept], np.arange(len(kept))
        result[moved] = np.clip(result[moved] + steps, self.lows[moved[0]], self.highs[moved[0]])
        return self.legal(result)

    def copies(self, both: Counts, lanes: Counts, sources: set[str], slow: bool) -> tuple[Counts, Counts]:
        """Copies of some lanes in which all that is no source is drawn anew, and the lane each came from."""
        kept = np.repeat(lanes, COPIES)
        result = both[:, kept]
        fresh = self.draw(len(kept), slow)
        others = [at for at, name in enumerate(self.names) if name not in sources and name != "slow_count"]
        result[others] = fresh[others]
        return result, kept

    def near_half(self, slow: bool) -> Iterator[Counts]:
        """Memories and inputs at which a sum that is rounded lies just below half a count: where rounding twice shows."""
        both = self.draw(ROUNDED, slow)
        values = self.values(both)
        for node in self.fixed.graph.nodes.values():
            if node.slow != slow or node.name not in values:
                continue
            short = self._short_of_half(node, self._as_read(node, both, values))
            if short is None:
                continue
            sources = _sources(self.fixed, node)
            tries = [(both, short)]
            if short[1] > EASY_SHIFT:
                tries += [self._around(node, both, short[0], sources) for _ in range(HARD_ROUNDS)]
            for tried, (away, _) in tries:
                found = np.argsort(away, kind="stable")[: CHOSEN // 4]
                if np.all(away[found] < BEYOND):
                    yield self.legal(self.copies(tried, found, sources, slow)[0])

    def _as_read(self, node: Node, both: Counts, values: Values) -> Values:
        """The values of a tick as a node reads them: the slow section reads its memory before it writes it."""
        if not node.slow:
            return values
        nodes = self.fixed.graph.nodes
        return values | {name: both[at] for at, name in enumerate(self.members) if isinstance(nodes.get(name), Delay)}

    def _short_of_half(self, node: Node, values: Values) -> tuple[Counts, int] | None:
        """(what is missing to half a count per lane, bits dropped); None where nothing is rounded, ``BEYOND`` where a limit acts."""
        detail = self.fixed.details[node.name]
        if not isinstance(detail, SumDetail | ProductDetail | ShortenDetail) or detail.shift < 2:
            return None
        total = self._total(node, values)
        short = -(np.broadcast_to(total, ROUNDED) + (1 << (detail.shift - 1))) % (1 << detail.shift)
        value = np.broadcast_to(values[node.name], ROUNDED)
        low, high = (None, None) if isinstance(detail, ShortenDetail) else (detail.low, detail.high)
        limited = low is not None and high is not None and ((value <= low) | (value >= high))
        return np.where((short == 0) | limited, BEYOND, short), detail.shift

    def _total(self, node: Node, values: Values) -> Any:
        """What a node rounds, before it does."""
        detail = self.fixed.details[node.name]
        if isinstance(node, WeightedSum) and isinstance(detail, SumDetail):
            pairs = zip(detail.weights, (term.name for term in node.terms), strict=True)
            return sum((values[name] * np.int64(weight) for weight, name in pairs), np.int64(detail.bias))
        if isinstance(node, Shorten):
            return values[node.operand]
        assert isinstance(node, Product)
        return np.multiply(values[node.left], values[node.right], dtype=np.int64)

    def _around(self, node: Node, both: Counts, short: Counts, sources: set[str]) -> tuple[Counts, tuple[Counts, int]]:
        """Many neighbours of a few lanes in which no limit acts, along one coordinate each: long shifts are rarely hit otherwise."""
        base = self.rng.choice(np.flatnonzero(short < BEYOND), CHOSEN) if np.any(short < BEYOND) else np.arange(CHOSEN)
        near = both[:, np.repeat(base, ROUNDED // CHOSEN)]
        places = np.array([at for at, name in enumerate(self.names) if name in sources and self.highs[at] - self.lows[at] > 1])
        place, lanes = np.repeat(self.rng.choice(places, CHOSEN), ROUNDED // CHOSEN), np.arange(ROUNDED)
        reach = np.maximum(1, (self.highs - self.lows)[place] // 64)
        moved = near[place, lanes] + self.rng.integers(-reach, reach, ROUNDED, endpoint=True)
        near[place, lanes] = np.clip(moved, self.lows[place], self.highs[place])
        found = self._short_of_half(node, self._as_read(node, near, self.values(near)))
        assert found is not None
        return near, found

    def at_memory_ends(self) -> Iterator[Counts]:
        """Flown or drawn memories in which one member stands at an end of its range, in ticks of the slow section.

        A sum gets more of them: one count at its end shows only where it turns a rounding further down.
        """
        nodes = self.fixed.graph.nodes
        for at, name in enumerate(self.members):
            for _ in range(0 if name == "slow_count" else SUM_ROUNDS if isinstance(nodes[name], SumOver) else 1):
                both = self.draw(CHOSEN * COPIES, True)
                ends = self.rng.choice(np.array([self.lows[at], self.highs[at]]), both.shape[1])
                both[at] = np.clip(ends + self.rng.integers(-1, 1, len(ends), endpoint=True), self.lows[at], self.highs[at])
                yield self.legal(both)

    def sums_at_edges(self) -> Iterator[Counts]:
        """Slow ticks in which a sum stands at an end of its range and what is rounded of it at the edge of a count."""
        nodes = self.fixed.graph.nodes
        for at, name in enumerate(self.members):
            if not isinstance(nodes.get(name), SumOver):
                continue
            for node in nodes.values():
                detail = self.fixed.details[node.name]
                sources = _sources(self.fixed, node)
                if not isinstance(detail, SumDetail | ShortenDetail) or detail.shift < 2 or name not in sources:
                    continue
                for _ in range(EDGE_ROUNDS):
                    both = self.draw(ROUNDED, True)
                    both[at] = self.rng.choice(np.array([self.lows[at], self.highs[at]]), ROUNDED)
                    both = self.legal(both)
                    total = self._total(node, self._as_read(node, both, self.values(both)))
                    over = (np.broadcast_to(total, ROUNDED) + (1 << (detail.shift - 1))) % (1 << detail.shift)
                    found = np.argsort(over, kind="stable")[: CHOSEN // 4]
                    yield self.legal(self.copies(both, found, sources, True)[0])


def aim_at_turns(
    fixed: FixedGraph, rng: Generator, traces: Sequence[Counts] = ()
) -> Iterator[tuple[Counts, Counts, Counts | None]]:
    """(memory, inputs, gains) of single ticks around every decision, limit and rounding, and at the ends of memory.

    Args:
        fixed: The integers.
        rng: Source of all draws.
        traces: Recorded inputs of flights, (ticks, inputs) each.
    """
    marksman = _Marksman(fixed, rng, traces)
    count = len(marksman.members)
    found = [both for aim in _aims(fixed) if (both := marksman.at_turn(aim)) is not None]
    for slow in (False, True) if fixed.graph.slow_every > 1 else (False,):
        found += marksman.near_half(slow)
    for both in [*found, *marksman.at_memory_ends(), *marksman.sums_at_edges()]:
        memory, inputs, gains = np.split(both, [count, marksman.count])
        yield np.ascontiguousarray(memory), np.ascontiguousarray(inputs), np.ascontiguousarray(gains) if marksman.gains else None
