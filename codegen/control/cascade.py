"""Cascade as a graph: a PD loop on the tilt inside a slower loop on the wheel's speed."""

from __future__ import annotations

from codegen.control.balance import begin, body_momentum, decide_arming, finish, outer_loop
from codegen.control.readings import on_grid
from codegen.design import Design
from codegen.design.laws import CascadeLaw
from codegen.graph import Graph, GraphBuilder, Signal


def trace_cascade(design: Design, law: CascadeLaw, name: str, title: str) -> Graph:
    """The law as a graph; the trim observer, which finds the balance angle, takes the place of the integral part.

    An integral of the wheel's speed behind the lean's limit would either stick there or wind up.
    """
    plant = design.plant
    frame = begin(design, name, title, plant.outer_divider)
    graph = frame.graph
    momentum = body_momentum(frame, design)
    armed = decide_arming(frame, design)
    n, limit = plant.outer_divider, on_grid(design.lean_limit_rad)

    def steer(graph: GraphBuilder, design: Design, _: Signal) -> Signal:
        wheel_sum = graph.sum_over("wheel_sum", frame.wheel_held, note="sum of the wheel's speed over the slow period")
        return graph.weighted_sum(
            "lean_steered",
            [(-law.wheel_gain_s / n, wheel_sum)],
            "rad",
            bias=law.wheel_gain_s * design.wheel_setpoint_rad_s,
            limits=(-limit, limit),
            note="lean against the wheel's surplus speed",
        )

    with graph.section("outer loop", slow=True):
        trim, lean = outer_loop(graph, design, frame.tilt, momentum, armed, steer)
    with graph.section("inner loop"):
        unit, full = ("V" if plant.voltage_drive else "A"), plant.command_full_scale
        resolution = full / plant.command_counts
        per_n_m = design.counts_per_n_m * resolution
        kp, kd = law.proportional_n_m_per_rad * per_n_m, law.derivative_n_m_s_per_rad * per_n_m
        terms = [(kp, frame.tilt), (-kp, trim), (-kp, lean), (kd, frame.rate)]
        if design.wheel_gain_n_m_s:
            terms.append((design.wheel_gain_n_m_s * per_n_m, frame.wheel_held))
        wanted = graph.weighted_sum(
            "command_wanted", terms, unit, limits=(-full, full), resolution=resolution, note="command of the PD on the tilt"
        )
    return finish(frame, design, wanted, armed)
