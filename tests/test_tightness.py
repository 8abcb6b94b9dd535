"""How tight the one-tick bounds are: linear blocks driven to their worst tick come near them and never beyond."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy import signal

from codegen.formats import choose_formats
from codegen.graph import GraphBuilder
from codegen.graph.blocks import low_pass, second_order_section
from codegen.ranges import find_ranges
from codegen.rules.walk import Memory
from codegen.targets import read_target
from tests.one_tick import Readings
from tests.strategies import Counts

LANES, ROUNDS, KEPT = 20_000, 14, 200
LOOSEST = 1.35


def _butterworth(cutoff: float) -> Callable[[GraphBuilder, str], str]:
    b, a = signal.butter(2, cutoff)
    taps, poles = (float(b[0]), float(b[1]), float(b[2])), (float(a[0]), float(a[1]), float(a[2]))
    return lambda graph, x: second_order_section(graph, "watched", x, taps, poles)


def _smooth(time_constant_s: float) -> Callable[[GraphBuilder, str], str]:
    return lambda graph, x: low_pass(graph, "watched", x, time_constant_s)


def _sum(*weights: float) -> Callable[[GraphBuilder, str], str]:
    def write(graph: GraphBuilder, x: str) -> str:
        terms = [(weights[0], x)]
        terms += [(weight, graph.input(f"x{place}", "int16_t", 0.037)) for place, weight in enumerate(weights[1:])]
        return graph.weighted_sum("watched", terms)

    return write


BLOCKS: dict[str, Callable[[GraphBuilder, str], str]] = {
    "Butterworth 0.2": _butterworth(0.2),
    "Butterworth 0.1": _butterworth(0.1),
    "Butterworth 0.05": _butterworth(0.05),
    "Butterworth 0.02": _butterworth(0.02),
    "low-pass 0.01 s": _smooth(0.01),
    "low-pass 1 s": _smooth(1.0),
    "sum of two": _sum(0.7, -0.31),
    "sum of five": _sum(1.1, -0.9, 0.313, 0.77, -2.3),
}


def _near_ends(random: np.random.Generator, low: int, high: int) -> Counts:
    """Values in the outermost hundredth at either end, where weight errors are largest, with free low bits for the rounding."""
    depth = random.integers(0, max(1, (high - low) // 100), LANES)
    ends = np.where(random.random(LANES) < 0.5, low + depth, high - depth)
    return np.where(random.random(LANES) < 0.8, ends, random.integers(low, high, LANES, endpoint=True))


def _beside(random: np.random.Generator, best: Counts, low: int, high: int, share: float) -> Counts:
    """Values near the best ones so far, within ``share`` of the range."""
    reach = max(2, int((high - low) * share))
    near: Counts = np.clip(np.resize(best, LANES) + random.integers(-reach, reach, LANES, endpoint=True), low, high)
    return near


@pytest.mark.parametrize("target", ["cortex-m4", "cortex-m0plus", "atmega328p"])
@pytest.mark.parametrize("case", sorted(BLOCKS))
def test_one_tick_bound_is_nearly_reached(case: str, target: str) -> None:
    """A search over memory and inputs for the worst tick comes to at least three quarters of the bound, never beyond.

    A section's limit caps what its error can be where the corners of memory would exceed it, so the search goes on from the best
    ticks of a first draw.
    """
    graph = GraphBuilder("tight", 0.001)
    name = BLOCKS[case](graph, graph.input("x", "int16_t", 0.01))
    graph.output("out", graph.weighted_sum("shown", [(1.0, name)], resolution=0.05), "int32_t")
    fixed = choose_formats(find_ranges(graph.finish()), read_target(target), 1e6)
    readings = Readings(fixed)
    random = np.random.default_rng(11)
    spans = {node.name: (node.low, node.high) for node in fixed.graph.inputs}
    spans |= {delay.name: (fixed.formats[delay.name].low, fixed.formats[delay.name].high) for delay in fixed.graph.delays}
    lsb = float(fixed.formats[name].lsb)
    drawn = {signal_name: _near_ends(random, *span) for signal_name, span in spans.items()}
    for step in range(ROUNDS):
        counts = {node.name: drawn[node.name] for node in fixed.graph.inputs}
        delays = {delay.name: drawn[delay.name] for delay in fixed.graph.delays}
        raw, real = readings.tick(Memory(dict(delays), {}), counts)
        best = np.argsort(-np.abs(raw[name] * lsb - real[name]))[:KEPT]
        drawn = {signal_name: _beside(random, values[best], *spans[signal_name], 0.3 / 2.0**step) for signal_name, values in drawn.items()}
    ratio = 1.0 / readings.tightest[name]
    print(f"{case}, {target}: bound / observed = {ratio:.3f}")
    assert ratio >= 1.0 - 1e-9
    assert ratio <= LOOSEST
