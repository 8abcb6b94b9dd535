"""On-off control of the tilt as a graph: for teaching, it flops over within seconds."""

from __future__ import annotations

from codegen.control.balance import begin, decide_arming, finish
from codegen.design import Design
from codegen.design.laws import OnOffLaw
from codegen.graph import Graph


def trace_on_off(design: Design, law: OnOffLaw, name: str, title: str) -> Graph:
    """Full torque on the sign of the tilt, none within the dead band."""
    plant = design.plant
    frame = begin(design, name, title, 1, wheel_in_law=False)
    graph = frame.graph
    armed = decide_arming(frame, design)
    unit, full = ("V" if plant.voltage_drive else "A"), plant.command_full_scale
    with graph.section("inner loop"):
        forward = graph.compare("falls_forward", [(1.0, frame.tilt)], ">", law.band_rad, note="leans forward beyond the dead band")
        backward = graph.compare("falls_backward", [(-1.0, frame.tilt)], ">", law.band_rad, note="leans backward beyond the dead band")
        plus = graph.constant("push_forward", full, unit, note="full command")
        minus = graph.constant("push_backward", -full, unit, note="full command the other way")
        rest = graph.constant("push_none", 0.0, unit, note="no push")
        pushed = graph.select("pushed_back", backward, minus, rest, note="push against a lean backward")
        switched = graph.select("switched", forward, plus, pushed, note="push against the lean")
        wanted = graph.weighted_sum(
            "command_wanted",
            [(1.0, switched)],
            unit,
            limits=(-full, full),
            resolution=full / plant.command_counts,
            note="command, all or nothing",
        )
    return finish(frame, design, wanted, armed)
