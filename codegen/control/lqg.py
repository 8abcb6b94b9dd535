"""Robust LQG as a graph: a Kalman estimate of six states, and feedback of it and of the commands still under way."""

from __future__ import annotations

import numpy as np

from codegen.control.balance import Frame, begin, decide_arming, finish
from codegen.control.readings import WHEEL_RANGE, power_of_two
from codegen.design import Design
from codegen.design.laws import LqgLaw
from codegen.design.lqg import FRICTION, OFFSET, RATE, STATES, TILT, UNITS, WHEEL, RobustFilter
from codegen.graph import Graph, Signal

ROOM = 2.0
"""Estimates are held at this multiple of what they can reach: so far beyond, nothing is linear any more."""

FAST_RAD_S = 16.0
LEAST_SHARE = 1e-5
"""A coupling that moves a state by less of its range in a tick is left out; what it does, the unknowns take up."""

Terms = list[tuple[float, str]]


def trace_lqg(design: Design, law: LqgLaw, name: str, title: str) -> Graph:
    """The law as a graph; see ``codegen.design.lqg``."""
    plant, found = design.plant, law.filter
    frame = begin(design, name, title, 1)
    graph = frame.graph
    armed = decide_arming(frame, design)
    unit, full = ("V" if plant.voltage_drive else "A"), plant.command_full_scale
    per_unit = plant.torque_constant / (plant.resistance_ohm if plant.voltage_drive else 1.0)
    resolution = full / plant.command_counts
    with graph.section("estimate"):
        # Commands under way, newest first: command_1 is the last one.
        under_way: list[Signal] = []
        source = "drive_command"
        for age in range(1, found.delay_ticks + 1):
            under_way.append(graph.delay(f"command_{age}", unit, source=source, note=f"command of {age} ticks ago"))
            source = under_way[-1]
        estimate = _estimate(frame, design, found, armed, under_way, per_unit)
    with graph.section("outer loop"):
        inertia, spin = plant.body_inertia_kg_m2, plant.wheel_inertia_kg_m2
        most = (found.tilt_n_m_per_rad - plant.gravity_torque_n_m) * design.lean_limit_rad
        returned = graph.weighted_sum(
            "momentum_returned",
            [(found.momentum_per_s, estimate[WHEEL]), (found.momentum_per_s * inertia, estimate[RATE])],
            "N m",
            bias=-found.momentum_per_s * spin * design.wheel_setpoint_rad_s,
            limits=(-most, most),
            note="torque that brings the momentum back, limited like a lean",
        )
    with graph.section("inner loop"):
        per_n_m = 1.0 / per_unit
        terms: Terms = [
            (found.tilt_n_m_per_rad * per_n_m, estimate[TILT]),
            (found.rate_n_m_s_per_rad * per_n_m, estimate[RATE]),
            (per_n_m, returned),
            (-per_n_m, estimate[FRICTION]),
        ]
        terms += [(float(weight), signal) for weight, signal in zip(found.past[::-1], under_way, strict=True)]
        wanted = graph.weighted_sum(
            "command_wanted",
            terms,
            unit,
            limits=(-full, full),
            resolution=resolution,
            note="command by linear quadratic feedback, friction made up for",
        )
    return finish(frame, design, wanted, armed)


def _estimate(
    frame: Frame, design: Design, found: RobustFilter, armed: Signal, under_way: list[Signal], per_unit: float
) -> list[Signal]:
    """The six states with this tick's readings; what they will be next is put into memory."""
    graph, plant = frame.graph, design.plant
    spin = plant.wheel_inertia_kg_m2
    reaches = (
        design.tilt_limit_rad,
        FAST_RAD_S,
        WHEEL_RANGE * plant.top_speed_rad_s * spin,
        design.trim_limit_rad + design.tilt_limit_rad,
        ROOM * design.trim_limit_rad,
        plant.torque_limit_n_m,
    )
    limits = tuple(map(power_of_two, reaches))
    named = tuple(zip(STATES, UNITS, strict=True))
    expected = [graph.delay(f"{name}_expected", unit, note=f"{name} as expected a tick ago") for name, unit in named]
    oldest = under_way[-1]
    angle = graph.weighted_sum(
        "angle_seen", [(1.0, frame.tangential)], "rad", limits=(-limits[OFFSET], limits[OFFSET]), note="tilt as the accelerometer has it"
    )
    surprises = []
    seen = ((frame.rate, "rate", "rad/s"), (angle, "angle", "rad"), (frame.wheel_held, "wheel", "rad/s"))
    for row, (reading, name, unit) in enumerate(seen):
        terms: Terms = [(1.0, reading)]
        terms += [(-float(weight), signal) for weight, signal in zip(found.readings[row], expected, strict=True) if weight != 0.0]
        if found.reading_command[row] != 0.0:
            terms.append((-float(found.reading_command[row]) * per_unit, oldest))
        surprises.append(graph.weighted_sum(f"{name}_surprise", terms, unit, note=f"{name} beyond what was expected"))
    # Copies of their own: a choice between an estimate and what is read would take on the reading's coarse counts or long word.
    held = {
        TILT: graph.weighted_sum("tilt_seen", [(1.0, frame.tilt)], "rad", note="tilt by the complementary filter"),
        RATE: graph.weighted_sum("rate_seen", [(1.0, frame.rate)], "rad/s", note="tilt rate as it is read"),
        WHEEL: graph.weighted_sum(
            "wheel_momentum_seen",
            [(spin, frame.wheel_held), (spin, frame.rate)],
            "N m s",
            note="momentum of the wheel as it is read",
        ),
    }
    estimate = []
    for state, (name, unit) in enumerate(named):
        corrected = graph.weighted_sum(
            f"{name}_corrected",
            [(1.0, expected[state]), *((float(gain), signal) for gain, signal in zip(found.correction[state], surprises, strict=True))],
            unit,
            limits=(-limits[state], limits[state]),
            note=f"{name} with this tick's readings",
        )
        idle = held[state] if state in held else graph.constant(f"{name}_none", 0.0, unit, note=f"{name} while not balancing")
        estimate.append(graph.select(f"{name}_estimate", armed, corrected, idle, note=name))
    commands = ["drive_command", *under_way]
    for state, (name, unit) in enumerate(named):
        least = LEAST_SHARE * reaches[state]
        changes = found.transition[state] - np.eye(len(STATES))[state]
        terms = [
            (float(weight), signal)
            for weight, signal, reach in zip(changes, estimate, reaches, strict=True)
            if abs(weight) * reach > least
        ]
        terms += [
            (float(weight) * per_unit, signal)
            for weight, signal in zip(found.command[state][::-1], commands, strict=True)
            if abs(weight) * plant.torque_limit_n_m > least
        ]
        # The state itself is carried on whole; only its change is multiplied.
        change = [(1.0, graph.weighted_sum(f"{name}_change", terms, unit, note=f"change of {name} until then"))] if terms else []
        following = graph.weighted_sum(
            f"{name}_next",
            [(1.0, estimate[state]), *change],
            unit,
            limits=(-limits[state], limits[state]),
            note=f"{name} to be expected next",
        )
        graph.connect(expected[state], following)
    return estimate
