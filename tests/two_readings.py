"""A graph as the product realises it, read twice: bit-true integers and compiled emitted C, which must agree exactly."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Self

import numpy as np

from codegen.emit import emit_controller
from codegen.formats import choose_formats
from codegen.graph import GraphBuilder
from codegen.host.controller import Counts, HostController
from codegen.ranges import find_ranges
from codegen.rules.fixed import FixedGraph
from codegen.rules.integer import read_integer
from codegen.targets import read_target


def realise(builder: GraphBuilder, target: str = "cortex-m4", error_budget_counts: float = 2.0) -> FixedGraph:
    """Choose formats for what ``builder`` holds."""
    return choose_formats(find_ranges(builder.finish()), read_target(target), error_budget_counts)


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
        trace = self.host.run(self.host.start(1), inputs).outputs[:, :, 0]
        self.host.library.raise_sanitizer_reports()
        emitted = [{output.name: int(value) for output, value in zip(outputs, row, strict=True)} for row in trace]
        assert emitted == modelled
        return emitted

    def run_lanes(self, memory: Counts, inputs: Counts) -> Counts:
        """Raw outputs (ticks, outputs, lanes) of the C alone; ``memory`` (members, lanes) is advanced in place."""
        outputs = self.host.run(memory, inputs).outputs
        self.host.library.raise_sanitizer_reports()
        return outputs
