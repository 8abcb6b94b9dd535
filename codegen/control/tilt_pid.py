"""PID on the tilt alone as a graph: for teaching, the wheel creeps to its top speed and the body falls."""

from __future__ import annotations

from codegen.control.balance import begin, decide_arming, finish
from codegen.design import Design
from codegen.design.laws import TiltPidLaw
from codegen.graph import Graph


def trace_tilt_pid(design: Design, law: TiltPidLaw, name: str, title: str) -> Graph:
    """PID on the tilt; its integral is limited to what the motor gives and starts at zero when armed."""
    plant = design.plant
    frame = begin(design, name, title, 1, wheel_in_law=plant.voltage_drive)
    graph = frame.graph
    armed = decide_arming(frame, design)
    unit, full = ("V" if plant.voltage_drive else "A"), plant.command_full_scale
    resolution = full / plant.command_counts
    per_n_m = design.counts_per_n_m * resolution
    with graph.section("inner loop"):
        last = graph.delay("integral_last", unit, note="integral part a tick ago")
        grown = graph.weighted_sum(
            "integral_grown",
            [(1.0, last), (graph.period_s * law.integral_n_m_per_rad_s * per_n_m, frame.tilt)],
            unit,
            limits=(-full, full),
            note="integral part, limited to the command's range",
        )
        none = graph.constant("integral_none", 0.0, unit, note="integral while not balancing")
        integral = graph.select("integral", armed, grown, none, note="integral part")
        graph.connect(last, integral)
        terms = [
            (law.proportional_n_m_per_rad * per_n_m, frame.tilt),
            (law.derivative_n_m_s_per_rad * per_n_m, frame.rate),
            (1.0, integral),
        ]
        if design.wheel_gain_n_m_s:
            terms.append((design.wheel_gain_n_m_s * per_n_m, frame.wheel_held))
        wanted = graph.weighted_sum(
            "command_wanted", terms, unit, limits=(-full, full), resolution=resolution, note="command of the PID on the tilt"
        )
    return finish(frame, design, wanted, armed)
