"""From a build file to a design, and from a graph to bits, bounds and C text."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from codegen.bounds import bound_closed_loop, bound_many_ticks, bound_one_tick
from codegen.build import Build, read_build
from codegen.control import ARMED_REGIME, surround, trace_controller
from codegen.design import Design, design_controller
from codegen.emit import emit_controller
from codegen.formats import choose_formats
from codegen.graph import Graph
from codegen.plant import Plant, model_plant
from codegen.ranges import find_ranges
from codegen.shipment import Realisation
from codegen.targets import Target


@dataclass(frozen=True)
class Designed:
    """A build with its plant and its design."""

    build: Build
    plant: Plant
    design: Design

    def graph(self) -> Graph:
        """The controller as a graph."""
        return trace_controller(self.design, self.build.name, self.build.title)


def design_build(path: Path) -> Designed:
    """Read, model, design.

    Raises:
        LoopwrightError: The build file is wrong, or no controller stands.
    """
    build = read_build(path)
    plant = model_plant(build)
    return Designed(build, plant, design_controller(build, plant))


def realise(graph: Graph, target: Target, error_budget_counts: float, plant: Plant | None = None) -> Realisation:
    """Give a graph bits, bounds and C text.

    Raises:
        LoopwrightError: No range, no format or no name; with signal and remedy.
    """
    ranges = find_ranges(graph)
    fixed = choose_formats(ranges, target, error_budget_counts)
    one_tick, margins = bound_one_tick(fixed)
    shown = [output.signal for output in graph.outputs if output.ctype != "bool"]
    regime = ARMED_REGIME if plant is not None else {}
    memory = [delay.source for delay in fixed.graph.delays if not delay.is_bool and delay.name in ("tilt_last", "trim", "lean")]
    many, reason = bound_many_ticks(fixed, regime, tuple(dict.fromkeys([*memory, *shown])))
    loop = bound_closed_loop(fixed, regime, surround(plant), "command_wanted") if plant is not None else None
    emission = emit_controller(fixed, {name: bound.counts for name, bound in one_tick.items()})
    return Realisation(ranges, target, error_budget_counts, fixed, emission, one_tick, margins, many, reason, loop)
