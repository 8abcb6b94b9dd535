"""Feedforward by a model body as a graph: the physics' own torque answers pokes, a small PD what the body does beyond the model."""

from __future__ import annotations

from codegen.control.balance import begin, body_momentum, decide_arming, finish, outer_loop
from codegen.control.readings import power_of_two
from codegen.design import Design
from codegen.design.laws import FeedforwardLaw
from codegen.graph import Graph

FASTEST_RAD_S = 20.0
"""The model's rate is held here; no body that can be brought back moves so fast."""


def trace_feedforward(design: Design, law: FeedforwardLaw, name: str, title: str) -> Graph:
    """The law as a graph.

    Model body: I rate' = G tilt - u, u = G xi + I lambda w (xi - lean) with xi = tilt + rate/lambda, limited to the motor's torque.
    Command: u + Kp (measured tilt - model's) + Kd (measured rate - model's). Where the measured xi leaves the model's by more than
    the event's size, the model takes over the measured body.
    """
    plant = design.plant
    frame = begin(design, name, title, plant.outer_divider)
    graph = frame.graph
    period, inertia, gravity = plant.period_s, plant.body_inertia_kg_m2, plant.gravity_torque_n_m
    lag, most = 1.0 / plant.divergence_rad_s, plant.torque_limit_n_m
    momentum = body_momentum(frame, design)
    armed = decide_arming(frame, design)
    with graph.section("outer loop", slow=True):
        trim, lean = outer_loop(graph, design, frame.tilt, momentum, armed)
    with graph.section("model"):
        limit = power_of_two(design.tilt_limit_rad)
        upright = graph.weighted_sum("tilt_true", [(1.0, frame.tilt), (-1.0, trim)], "rad", note="tilt from the balance angle")
        model_tilt_last = graph.delay("model_tilt_last", "rad", note="tilt that the model expects in this tick")
        model_rate_last = graph.delay("model_rate_last", "rad/s", note="rate that the model expects in this tick")
        terms = [(1.0, upright), (-1.0, model_tilt_last), (lag, frame.rate), (-lag, model_rate_last)]
        ahead = graph.compare("poked_forward", terms, ">", law.event_rad, note="the body is ahead of the model")
        behind = graph.compare(
            "poked_backward", [(-weight, signal) for weight, signal in terms], ">", law.event_rad, note="the body is behind the model"
        )
        anew = graph.any_of("model_anew", ahead, behind, f"not {armed}", note="the model takes over the measured body")
        # A copy of its own: a choice between it and the raw reading would take on the reading's coarse counts.
        seen = graph.weighted_sum("rate_seen", [(1.0, frame.rate)], "rad/s", note="tilt rate as it is read")
        tilt = graph.select("model_tilt", anew, upright, model_tilt_last, note="tilt of the model")
        rate = graph.select("model_rate", anew, seen, model_rate_last, note="tilt rate of the model")
        torque = graph.weighted_sum(
            "feedforward",
            [
                (design.proportional_n_m_per_rad, tilt),
                (design.derivative_n_m_s_per_rad, rate),
                (-design.lean_gain_n_m_per_rad, lean),
            ],
            "N m",
            limits=(-most, most),
            note="torque that the model's physics asks for",
        )
        graph.connect(
            model_tilt_last,
            graph.weighted_sum(
                "model_tilt_next",
                [
                    (1.0 + 0.5 * period**2 * gravity / inertia, tilt),
                    (period, rate),
                    (-0.5 * period**2 / inertia, torque),
                ],
                "rad",
                limits=(-limit, limit),
                note="tilt of the model a tick on",
            ),
        )
        graph.connect(
            model_rate_last,
            graph.weighted_sum(
                "model_rate_next",
                [(1.0, rate), (period * gravity / inertia, tilt), (-period / inertia, torque)],
                "rad/s",
                limits=(-FASTEST_RAD_S, FASTEST_RAD_S),
                note="tilt rate of the model a tick on",
            ),
        )
    with graph.section("inner loop"):
        unit, full = ("V" if plant.voltage_drive else "A"), plant.command_full_scale
        resolution = full / plant.command_counts
        per_n_m = design.counts_per_n_m * resolution
        kp, kd = law.proportional_n_m_per_rad * per_n_m, law.derivative_n_m_s_per_rad * per_n_m
        terms = [(per_n_m, torque), (kp, upright), (-kp, tilt), (kd, frame.rate), (-kd, rate)]
        if design.wheel_gain_n_m_s:
            terms.append((design.wheel_gain_n_m_s * per_n_m, frame.wheel_held))
        wanted = graph.weighted_sum(
            "command_wanted",
            terms,
            unit,
            limits=(-full, full),
            resolution=resolution,
            note="feedforward, and a small PD on the rest",
        )
    return finish(frame, design, wanted, armed)
