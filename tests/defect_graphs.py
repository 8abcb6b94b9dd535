"""Controllers that have what a lantern has not: counters that wrap, tables, products, live gains, a PID with derivative and trim.

All invented; each exists so that some kinds of defects have a place.
"""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from codegen.emit import Emission, emit_controller
from codegen.formats import choose_formats
from codegen.graph import Graph, GraphBuilder
from codegen.graph.blocks import PidGains, low_pass, pid, second_order_section
from codegen.ranges import find_ranges
from codegen.rules.fixed import FixedGraph
from codegen.targets import read_target

EXAMPLES = Path(__file__).resolve().parent / "examples"
Counts = NDArray[np.int64]


# The lamp's budget asks for long words, in which its unsigned readings are multiplied as they are.
BUDGETS = {"lamp": 1.0}


def realise(graph: Graph, target: str) -> tuple[Emission, FixedGraph]:
    """A graph with bits and text."""
    fixed = choose_formats(find_ranges(graph), read_target(target), BUDGETS.get(graph.name, 8.0))
    return emit_controller(fixed), fixed


def turntable() -> Graph:
    """Speed of a turntable from an encoder and two clocks, all of which wrap."""
    graph = GraphBuilder("turntable", period_s=0.01, title="Turntable (invented)")
    with graph.section("sensors"):
        angle = graph.input("angle", "uint16_t", 1.0, "counts", note="encoder")
        heading = graph.input("heading", "int16_t", 1.0, "counts", note="angle that wraps with sign")
        clock = graph.input("clock", "int32_t", 1.0, "us", note="free-running timer")
    with graph.section("speed"):
        turned = graph.wrapped_difference("turned", angle, graph.delay("angle_last", "counts", source=angle), 16, "counts")
        swung = graph.wrapped_difference("swung", heading, graph.delay("heading_last", "counts", source=heading), 16, "counts")
        passed = graph.wrapped_difference("passed", clock, graph.delay("clock_last", "us", source=clock), 32, "us")
        late = graph.compare("late", [(1.0, passed)], ">", 12000.0, note="a tick was missed")
        smooth = low_pass(graph, "smooth", turned, 0.05, "counts")
        speed = graph.weighted_sum("speed", [(1.0, smooth), (0.5, swung)], "counts", limits=(-20000.0, 20000.0), resolution=1.0)
    graph.output("speed", speed, "int16_t")
    graph.output("late", late, "bool")
    return graph.finish()


def heater() -> Graph:
    """A heater with PID, trim and a live gain: derivative on the measurement, anti-windup at the final limits."""
    graph = GraphBuilder("heater", period_s=0.1, title="Heater (invented)")
    with graph.section("sensors"):
        water = graph.input("water", "int16_t", 0.01, "degC", note="water temperature")
        wish = graph.input("wish", "int16_t", 0.01, "degC", note="wanted temperature")
        trim = graph.input("trim", "int16_t", 0.0001, "", note="added by hand")
        gain = graph.parameter("gain", 1.0, 0.25, 2.0, note="live gain")
    with graph.section("control"):
        warm = graph.clamp("warm", water, 0.0, 100.0)
        aim = graph.clamp("aim", wish, 0.0, 100.0)
        cold = graph.weighted_sum("cold", [(1.0, aim), (-1.0, warm)], "degC", note="too cold by")
        pushed = graph.product("pushed", cold, gain, "degC", limits=(-150.0, 150.0))
        gains = PidGains(proportional=0.05, integral_per_s=0.002, derivative_s=0.1, derivative_filter_s=0.5, tracking_time_s=5.0)
        law = pid(graph, "law", pushed, warm, gains, limits=(0.0, 1.0), error_limit=150.0)
        power = graph.weighted_sum("power", [(1.0, law), (0.1, trim)], limits=(0.0, 1.0), resolution=0.001, note="share of full power")
    graph.output("power", power, "int16_t")
    return graph.finish()


def lamp() -> Graph:
    """A lamp that follows daylight: product of unsigned readings, table, resonant section, slow mean."""
    graph = GraphBuilder("lamp", period_s=0.002, slow_every=8, title="Lamp (invented)")
    with graph.section("sensors"):
        day = graph.input("day", "uint16_t", 0.001, "klx", note="daylight")
        dust = graph.input("dust", "uint16_t", 0.0001, "", note="how clean the pane is")
        shake = graph.input("shake", "int16_t", 0.001, "", note="vibration")
    with graph.section("light"):
        light = graph.product("light", day, dust, "klx", note="light behind the pane")
        calm = second_order_section(graph, "calm", shake, (0.06745527, 0.13491055, 0.06745527), (1.0, -1.1429805, 0.4128016))
    with graph.section("mean", slow=True):
        total = graph.sum_over("light_sum", light)
        mean = graph.weighted_sum("mean", [(0.125, total)], "klx")
        held = graph.delay("held", "klx")
        graph.connect(held, mean)
    with graph.section("lamp"):
        wanted = graph.table("wanted", held, 0.0, 2.0, [1.0 / (1.0 + 0.02 * knot) for knot in range(140)], note="brightness wanted")
        shown = graph.weighted_sum("shown", [(1.0, wanted), (0.01, calm)], limits=(0.0, 1.0), resolution=1 / 4096)
    graph.output("brightness", shown, "int16_t")
    return graph.finish()


def vent() -> Graph:
    """The example that ships with the project."""
    spec = importlib.util.spec_from_file_location("greenhouse_vent", EXAMPLES / "greenhouse_vent.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    graph: Graph = module.vent_controller()
    return graph


SMALL = {"turntable": (turntable, "cortex-m4"), "heater": (heater, "cortex-m4"), "lamp": (lamp, "cortex-m4"), "vent": (vent, "atmega328p")}
