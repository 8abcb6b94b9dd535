"""Divergent-mode law with a momentum outer loop and an observer of the torque that acts on the wheel unasked, as a graph."""

from __future__ import annotations

from codegen.control.balance import Frame, begin, decide_arming, finish, outer_loop
from codegen.control.readings import WHEEL_RANGE, power_of_two
from codegen.design import Design
from codegen.design.laws import OBSERVER_DAMPING, FrictionObserverLaw
from codegen.graph import Graph, Signal

SUM_BITS = 29
"""Bits that the sum of the momentum over a slow period may take, its sign left aside."""

FRICTION_BITS = 30
SURPRISE_SHARE = 0.1
"""No friction moves the wheel by more of its top speed than this before the observer has seen it."""


def trace_friction_observer(design: Design, law: FrictionObserverLaw, name: str, title: str) -> Graph:
    """The law as a graph; see ``codegen.design.laws.FrictionObserverLaw``."""
    plant = design.plant
    frame = begin(design, name, title, plant.outer_divider)
    graph = frame.graph
    armed = decide_arming(frame, design)
    momentum, friction = observe_wheel(frame, design, law, armed)
    with graph.section("outer loop", slow=True):
        trim, lean = outer_loop(graph, design, frame.tilt, momentum, armed)
    with graph.section("inner loop"):
        unit, full = ("V" if plant.voltage_drive else "A"), plant.command_full_scale
        resolution = full / plant.command_counts
        per_n_m = design.counts_per_n_m * resolution
        kp, kd, kl = design.proportional_n_m_per_rad, design.derivative_n_m_s_per_rad, design.lean_gain_n_m_per_rad
        terms = [
            (kp * per_n_m, frame.tilt),
            (-kp * per_n_m, trim),
            (kd * per_n_m, frame.rate),
            (-kl * per_n_m, lean),
            (-per_n_m, friction),
        ]
        if design.wheel_gain_n_m_s:
            terms.append((design.wheel_gain_n_m_s * per_n_m, frame.wheel_held))
        wanted = graph.weighted_sum(
            "command_wanted",
            terms,
            unit,
            limits=(-full, full),
            resolution=resolution,
            note="command that the divergent coordinate asks for, friction made up for",
        )
    return finish(frame, design, wanted, armed)


def observe_wheel(frame: Frame, design: Design, law: FrictionObserverLaw, armed: Signal) -> tuple[Signal, Signal]:
    """Momentum about the pivot with the wheel's part observed, and the torque that acts on the wheel unasked."""
    graph, plant = frame.graph, design.plant
    period, spin, pole = plant.period_s, plant.wheel_inertia_kg_m2, law.observer_pole_rad_s
    most = power_of_two(WHEEL_RANGE * plant.top_speed_rad_s * spin)
    largest = SURPRISE_SHARE * plant.top_speed_rad_s * spin
    per_unit = plant.torque_constant / (plant.resistance_ohm if plant.voltage_drive else 1.0)
    with graph.section("wheel observer"):
        expected = graph.delay("wheel_momentum_expected", "N m s", note="momentum of the wheel that the command should have given")
        friction_last = graph.delay("friction_last", "N m", note="torque on the wheel beyond the command, a tick ago")
        limit = power_of_two(law.limit_n_m)
        seen = graph.weighted_sum(
            "wheel_momentum_seen",
            [(spin, frame.wheel_held), (spin, frame.rate)],
            "N m s",
            note="momentum of the wheel as it is read",
        )
        surprise = graph.weighted_sum(
            "wheel_surprise",
            [(1.0, seen), (-1.0, expected)],
            "N m s",
            limits=(-largest, largest),
            note="momentum that the command does not explain",
        )
        learned = graph.weighted_sum(
            "friction_learned",
            [(1.0, friction_last), (period * pole**2, surprise)],
            "N m",
            limits=(-limit, limit),
            # A power of two like the limit, so that integers hold the very same one.
            resolution=limit / 2.0**FRICTION_BITS,
            note="torque on the wheel beyond the command, corrected",
        )
        none = graph.constant("friction_none", 0.0, "N m", note="while not balancing")
        friction = graph.select("friction", armed, learned, none, note="torque that friction and cogging give the wheel")
        graph.connect(friction_last, friction)
        filtered = graph.weighted_sum(
            "wheel_momentum_observed",
            [(1.0, expected), (2.0 * OBSERVER_DAMPING * period * pole, surprise)],
            "N m s",
            note="momentum of the wheel, observed",
        )
        wheel_momentum = graph.select("wheel_momentum", armed, filtered, seen, note="momentum of the wheel")
        # A signal of its own, so that the command gets the torque in counts as fine as its word allows.
        given = graph.weighted_sum("friction_momentum", [(period, friction)], "N m s", note="momentum that it gives in a tick")
        terms = [(1.0, wheel_momentum), (period * per_unit, "drive_command"), (1.0, given)]
        if plant.voltage_drive:
            terms.append((-period * per_unit * plant.torque_constant, frame.wheel_held))
        graph.connect(
            expected,
            graph.weighted_sum(
                "wheel_momentum_next",
                terms,
                "N m s",
                limits=(-most, most),
                    note="momentum of the wheel to be expected next",
            ),
        )
        momentum = graph.weighted_sum(
            "momentum",
            [(1.0, wheel_momentum), (plant.body_inertia_kg_m2, frame.rate)],
            "N m s",
            # The observed momentum is smooth: rounded as coarsely as a noisy reading may be, it would stick at its steps.
            resolution=power_of_two(plant.outer_divider * most) / 2.0**SUM_BITS,
            note="angular momentum about the pivot",
        )
    return momentum, friction
