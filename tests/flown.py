"""Controllers for flight tests: the lanterns' own, and small graphs, each as emitted C compiled on this machine."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from codegen.build import Build, read_build
from codegen.control import trace_controller
from codegen.design import Design, design_controller
from codegen.emit import emit_controller
from codegen.flight import FlightTerms, set_terms
from codegen.formats import choose_formats
from codegen.graph import Graph
from codegen.host.controller import HostController
from codegen.plant import Plant, StepFunction, model_plant
from codegen.ranges import find_ranges
from codegen.targets import read_target

EXAMPLES = Path(__file__).resolve().parent / "examples"
LANTERNS = ("calm", "heavy", "lively")
TARGETS = ("cortex-m4", "cortex-m0plus", "atmega328p")


@dataclass(frozen=True)
class Shipped:
    """A machine with its compiled controller."""

    build: Build
    plant: Plant
    design: Design
    terms: FlightTerms
    graph: Graph
    controller: HostController

    @property
    def make_step(self) -> Callable[[], StepFunction]:
        """Factory of fresh controllers."""
        return steps_of(self.controller)


def steps_of(controller: HostController) -> Callable[[], StepFunction]:
    """Factory of fresh controllers from one compiled library."""
    return lambda: StepFunction(*controller.flight_step())


def compile_graph(graph: Graph, target: str = "cortex-m4") -> HostController:
    """The graph as emitted C."""
    fixed = choose_formats(find_ranges(graph), read_target(target))
    return HostController(emit_controller(fixed), fixed)


def ship(build: Build, target: str) -> Shipped:
    """Build to compiled controller."""
    plant = model_plant(build)
    design = design_controller(build, plant)
    graph = trace_controller(design, build.name, build.title)
    return Shipped(build, plant, design, set_terms(build, design), graph, compile_graph(graph, target))


def lantern_build(lantern: str) -> Build:
    """One of the three lanterns (invented)."""
    return read_build(EXAMPLES / f"lantern_{lantern}.toml")


@functools.cache
def ship_lantern(lantern: str, target: str) -> Shipped:
    """One lantern's controller, made once per process."""
    return ship(lantern_build(lantern), target)
