"""A graph as the product realises it, read twice: bit-true integers and compiled emitted C, which must agree exactly."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Self

import numpy as np

from codegen.emit import emit_controller
from codegen.formats import choose_formats
from codegen.graph import Graph, check_graph
from codegen.host.controller import Counts, HostController
from codegen.ranges import find_ranges
from codegen.rules.fixed import FixedGraph
from codegen.rules.integer import read_integer
from codegen.targets import read_target


def realise(graph: Graph, target: str = "cortex-m4", error_budget_counts: float = 2.0) -> FixedGraph:
    """Find ranges and choose formats."""
    return choose_formats(find_ranges(graph), read_target(target), error_budget_counts)


def prescribe(graph: Graph, resolutions: Mapping[str, float]) -> Graph:
    """The graph with the real value of one count prescribed for some of its signals."""
    nodes = [replace(node, resolution=resolutions.get(name, node.resolution)) for name, node in graph.nodes.items()]
    return check_graph(graph.name, graph.title, graph.period_s, graph.slow_every, nodes, graph.outputs)


class TwoReadings:
    """Integer model and compiled C (with undefined-behaviour checks) of one realisation."""

    def __init__(self, fixed: FixedGraph) -> None:
        self.fixed = fixed
        self.host = HostController(emit_controller(fixed), fixed, sanitize=True)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.host.close()

    def run(self, ticks: Sequence[Mapping[str, int]]) -> list[dict[str, int]]:
        """Raw outputs of every tick from the start, after checking that both readings give the same."""
        reading = read_integer(self.fixed)
        memory = reading.start()
        outputs = self.fixed.graph.outputs
        modelled = []
        for counts in ticks:
            values = reading.tick(memory, counts)
            modelled.append({output.name: int(values[output.signal]) for output in outputs})
        inputs = np.array([[[counts[name]] for name in self.host.inputs] for counts in ticks], dtype=np.int64)
        trace = self.run_lanes(self.host.start(1), inputs)[:, :, 0]
        emitted = [{output.name: int(value) for output, value in zip(outputs, row, strict=True)} for row in trace]
        assert emitted == modelled
        return emitted

    def run_lanes(self, memory: Counts, inputs: Counts, gains: Counts | None = None) -> Counts:
        """Raw outputs (ticks, outputs, lanes) of the C alone; ``memory`` (members, lanes) is advanced in place."""
        outputs = self.host.run(memory, inputs, gains).outputs
        self.host.library.raise_sanitizer_reports()
        return outputs
