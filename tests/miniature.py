"""The chain in miniature: small graphs whose C is kept, read and broken on purpose."""

from __future__ import annotations

from codegen.formats import choose_formats
from codegen.graph import GraphBuilder
from codegen.graph.blocks import PidGains, pid
from codegen.ranges import find_ranges
from codegen.rules.fixed import FixedGraph
from codegen.targets import read_target


def miniature(target: str = "cortex-m4") -> FixedGraph:
    """Three nodes that compute: a leaking average with limits, its memory, and what is shown of it."""
    graph = GraphBuilder("mini", 0.001, title="Miniature: a leaking average, an example of our own")
    with graph.section("sensors"):
        level = graph.input("level", "int16_t", 0.01, "V", note="raw level")
    with graph.section("estimate"):
        last = graph.delay("mean_last", "V", note="average a tick ago")
        mean = graph.weighted_sum(
            "mean", [(0.75, last), (-0.23, level)], "V", bias=0.3, limits=(-60.0, 55.0), note="leaking average, turned over"
        )
        graph.connect(last, mean)
    with graph.section("limits"):
        shown = graph.weighted_sum("shown", [(1.0, mean)], "V", resolution=0.02, note="average in output counts")
    graph.output("average", shown, "int16_t")
    return choose_formats(find_ranges(graph.finish()), read_target(target), 10.0)


def pid_loop(target: str = "cortex-m4") -> FixedGraph:
    """A PID with every part, and a trip that compares and remembers."""
    graph = GraphBuilder("vent", 0.01, title="PID of a greenhouse vent, an example of our own")
    measured = graph.input("measured", "int16_t", 0.01, "K")
    wanted = graph.input("wanted", "int16_t", 0.01, "K")
    error = graph.weighted_sum("error", [(1.0, wanted), (-1.0, measured)], "K", limits=(-40.0, 40.0))
    gains = PidGains(0.8, 0.5, 0.06, 0.05, 1.0)
    drive = pid(graph, "drive", error, measured, gains, (-10.0, 10.0), 40.0, "V", resolution=0.005)
    graph.output("drive", drive, "int16_t")
    hot = graph.compare("hot", [(1.0, measured), (-0.5, wanted)], ">", 25.0)
    hot_last = graph.delay("hot_last", "bool", source=hot)
    graph.output("alarm", graph.all_of("alarm", hot, f"not {hot_last}"), "bool")
    return choose_formats(find_ranges(graph.finish()), read_target(target), 10.0)
