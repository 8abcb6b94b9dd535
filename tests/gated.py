"""Controllers for the tests of the gate: a small one with every kind of memory, lanterns with recorded flights, edited texts."""

from __future__ import annotations

import functools
import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from codegen.bounds import SignalBound, bound_one_tick
from codegen.control import trace_controller
from codegen.design import design_controller
from codegen.emit import Emission, emit_controller
from codegen.formats import choose_formats
from codegen.graph import Graph, GraphBuilder
from codegen.graph.blocks import low_pass
from codegen.host.controller import HostController
from codegen.native.compile import find_compiler
from codegen.plant import Scenario, StepFunction, fly, model_plant
from codegen.ranges import find_ranges
from codegen.rules.fixed import FixedGraph
from codegen.targets import read_target
from codegen.verify import Subject, emitted_subject
from tests.flown import lantern_build

Counts = NDArray[np.int64]


@dataclass(frozen=True)
class Made:
    """A controller with its integers, bounds and recorded flights."""

    fixed: FixedGraph
    emission: Emission
    bounds: dict[str, SignalBound]
    traces: tuple[Counts, ...]

    def subject(self, *changes: tuple[str, str]) -> Subject:
        """The controller, with some texts replaced by others in its C."""
        source = self.emission.source
        for old, new in changes:
            assert source.count(old) >= 1, old
            source = source.replace(old, new, 1)
        edited = Emission(self.emission.name, self.emission.header, source)
        return emitted_subject(edited, self.fixed, self.bounds, self.traces)


def trolley() -> Graph:
    """Speed hold of an invented hall trolley: wrapped odometer, low-pass, live gain, integral, slow mean."""
    graph = GraphBuilder("trolley", 0.01, 5, "Hall trolley (invented)")
    with graph.section("sensors"):
        odometer = graph.input("odometer", "uint16_t", 0.001, "m")
        last = graph.delay("odometer_last", "m", source=odometer)
        step = graph.wrapped_difference("step", odometer, last, 16, "m")
        wish = graph.input("wish", "int16_t", 0.0001, "m")
    with graph.section("control"):
        smooth = low_pass(graph, "smooth", graph.clamp("wish_held", wish, -0.1, 0.1), 0.1, "m")
        lack = graph.weighted_sum("lack", [(1.0, smooth), (-1.0, graph.clamp("step_held", step, -0.1, 0.1))], "m")
        gain = graph.parameter("gain", 2.0, 0.5, 4.0, "V/m")
        push = graph.product("push_wide", gain, lack, "V", limits=(-1.0, 1.0))
        kept = graph.delay("kept_last", "V")
        total = graph.weighted_sum("kept", [(1.0, kept), (0.05, lack)], "V", limits=(-1.0, 1.0))
        graph.connect(kept, total)
        drive = graph.weighted_sum("drive", [(1.0, push), (1.0, total)], "V", limits=(-1.5, 1.5), resolution=0.001)
    with graph.section("means", slow=True):
        summed = graph.sum_over("smooth_sum", smooth)
        mean = graph.delay("mean", "m")
        graph.connect(mean, graph.weighted_sum("mean_next", [(0.2, summed)], "m"))
    with graph.section("outputs"):
        seen = graph.weighted_sum("seen", [(1.0, mean)], "m", limits=(-0.1, 0.1), resolution=0.0001)
    graph.output("drive", drive, "int16_t")
    graph.output("seen", seen, "int16_t")
    return graph.finish()


def make(graph: Graph, target: str, budget: float, traces: tuple[Counts, ...] = ()) -> Made:
    """A graph with bits, bounds and C."""
    fixed = choose_formats(find_ranges(graph), read_target(target), budget)
    bounds, _ = bound_one_tick(fixed)
    return Made(fixed, emit_controller(fixed), bounds, traces)


@functools.cache
def made_trolley() -> Made:
    """The hall trolley."""
    return make(trolley(), "atmega328p", 3.0)


@functools.cache
def made_lantern(lantern: str) -> Made:
    """A museum lantern (invented) with two recorded flights."""
    build = lantern_build(lantern)
    plant = model_plant(build)
    graph = trace_controller(design_controller(build, plant), build.name, build.title)
    made = make(graph, build.target.mcu, build.target.error_budget_counts.value)
    with HostController(made.emission, made.fixed) as host:
        traces = []
        for scenario in (
            Scenario(12.0, hold_s=0.3, arm_s=0.3, balance_offset_rad=0.03, gyro_bias_rad_s=0.01, record_counts=True),
            Scenario(12.0, seed=2, hold_s=0.3, arm_s=0.3, wheel_rad_s=0.3 * plant.top_speed_rad_s, record_counts=True),
        ):
            counts = fly(plant, StepFunction(*host.flight_step()), scenario).counts
            assert counts is not None
            traces.append(counts[:, : len(host.inputs)].astype(np.int64))
    return Made(made.fixed, made.emission, made.bounds, tuple(traces))


def run_program(folder: Path, made: Made, program: str, *changes: tuple[str, str]) -> int:
    """Exit status of a C program that includes the controller, some texts of it replaced."""
    source = made.emission.source
    for old, new in changes:
        source = source.replace(old, new, 1)
    name = made.emission.name
    for file, text in ((f"{name}.h", made.emission.header), (f"{name}.c", source), ("check.c", program)):
        (folder / file).write_text(text, encoding="utf-8")
    compiler = find_compiler().command
    subprocess.run([*compiler, "-std=c99", "-Wall", "-Werror", "-O1", "-o", "check", "check.c"], cwd=folder, check=True)
    return subprocess.run([str(folder / "check")], cwd=folder, capture_output=True, check=False).returncode
