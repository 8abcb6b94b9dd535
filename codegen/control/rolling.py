"""The controller of a rolling balancer as a signal graph, and its linear plant as that controller sees it.

Takes a ``RollingDesign``, gives a ``Graph``: estimate from the body's sensors or from encoders, momentum and place, trim observer, inner
loop on the divergent coordinate, arming and trips. Takes a ``RollingPlant``, gives a ``PlantLoop`` for the closed-loop error bounds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from codegen.bounds import PlantLoop
from codegen.control.arming import arm_body, decide, excess, lean_too_far
from codegen.control.readings import WHEEL_RANGE, on_grid, read_sensor
from codegen.design.gains import TRIM_DAMPING
from codegen.design.rolling import RollingDesign, sample_rolling
from codegen.graph import Graph, GraphBuilder, Signal
from codegen.plant.model import STANDARD_GRAVITY_M_S2
from codegen.plant.rolling import Encoders, Inertial, RollingPlant

# What momentum and place ask for is held a little beyond the point where the lean is at its limit.
SURPLUS_ROOM = 1.02
# A rate from differences is trusted up to this multiple of the rate of a fall at the cut-off, a speed up to this multiple of over-speed.
RATE_RANGE, SPEED_RANGE = 1.25, 1.1
# A blow changes the tilt rate at once, the speed of a carriage only by a part of what it can reach.
SPEED_JUMP = 0.25


@dataclass(frozen=True)
class _Estimate:
    """Signals of what the machine does: rad, rad/s, m, N m s; the drive's speed in rad/s; and whether the controller runs."""

    tilt: Signal
    rate: Signal
    place: Signal
    momentum: Signal
    drive: Signal
    armed: Signal


def trace_rolling(design: RollingDesign, name: str, title: str) -> Graph:
    """Write the design's control law down as a graph.

    Args:
        design: Gains, limits and times.
        name: Prefix of every C identifier.
        title: One line for the header.
    """
    plant = design.plant
    graph = GraphBuilder(name, plant.period_s, 1, title)
    seen = _from_body(graph, design, plant.senses) if isinstance(plant.senses, Inertial) else _from_encoders(graph, design, plant.senses)
    with graph.section("outer loop"):
        trim, lean = _outer_loop(graph, design, seen)
    with graph.section("inner loop"):
        unit, full = ("V" if plant.voltage_drive else "A"), plant.command_full_scale
        resolution = full / plant.command_counts
        per_n_m = design.counts_per_n_m * resolution
        kp, kd, kl = design.proportional_n_m_per_rad, design.derivative_n_m_s_per_rad, design.lean_gain_n_m_per_rad
        scale = design.torque_share * per_n_m
        terms = [(kp * scale, seen.tilt), (-kp * scale, trim), (kd * scale, seen.rate), (-kl * scale, lean)]
        if design.wheel_gain_n_m_s:
            terms.append((design.wheel_gain_n_m_s * per_n_m, seen.drive))
        wanted = graph.weighted_sum(
            "command_wanted",
            terms,
            unit,
            limits=(-full, full),
            resolution=resolution,
            note="command that the divergent coordinate asks for",
        )
    with graph.section("limits"):
        none = graph.constant("command_none", 0.0, unit, note="no command")
        command = graph.select("drive_command", seen.armed, wanted, none, note="drive command, 0 unless armed")
    graph.output("drive_command", command, "int16_t" if plant.command_counts < 2**15 else "int32_t")
    graph.output("armed", seen.armed, "bool")
    graph.output("tripped", Signal("tripped"), "bool")
    return graph.finish()


def _from_body(graph: GraphBuilder, design: RollingDesign, senses: Inertial) -> _Estimate:
    """Tilt by a complementary filter of gyro and accelerometer; place by adding up the wheel's turn since arming."""
    plant = design.plant
    period, radius = plant.period_s, plant.radius_m
    with graph.section("sensors"):
        rate = read_sensor(graph, "gyro_rate", senses.gyro.counts_max, 1.0 / senses.gyro.counts_per_rad_s, "rad/s", "tilt rate")
        most = senses.accelerometer.counts_max
        g_per_count = 1.0 / (senses.accelerometer.counts_per_m_s2 * STANDARD_GRAVITY_M_S2)
        tangential = read_sensor(
            graph, "accel_tangential", most, g_per_count, "g", "acceleration along the fall, +g sin(tilt) at rest"
        )
        radial = read_sensor(graph, "accel_radial", most, g_per_count, "g", "acceleration along the body, +g cos(tilt) at rest")
        wheel = read_sensor(
            graph,
            "wheel_speed",
            senses.wheel_counts_max,
            1.0 / senses.wheel_counts_per_rad_s,
            "rad/s",
            "wheel speed relative to the body",
        )
        arm = graph.input("arm", "bool", note="1 = asked to balance")
        fresh = graph.input("sensor_fresh", "bool", note="0 = this tick's readings are stale; trips at once")
        # Whole counts, so that the limit is the same number for integers and float64.
        fastest = math.floor(WHEEL_RANGE * plant.top_speed_rad_s * senses.wheel_counts_per_rad_s) / senses.wheel_counts_per_rad_s
        held = graph.clamp(
            "wheel_speed_held", wheel, -fastest, fastest, note="wheel speed, not trusted far beyond the motor's top speed"
        )
    armed_last = graph.delay("armed_last", "bool", note="armed a tick ago")
    with graph.section("estimate"):
        tilt = _filter_tilt(graph, design, rate, tangential, armed_last)
        furthest = math.floor(design.place_limit_m / radius * 64.0) / 64.0
        path_last = graph.delay("path_last", "rad", note="turn of the wheel since arming, a tick ago")
        rolled = graph.weighted_sum(
            "path_rolled",
            [(1.0, path_last), (period, held)],
            "rad",
            limits=(-furthest, furthest),
            note="turn of the wheel since arming",
        )
        start = graph.constant("path_none", 0.0, "rad", note="no turn before arming")
        path = graph.select("path", armed_last, rolled, start, note="turn of the wheel against the body")
        graph.connect(path_last, path)
        place = graph.weighted_sum("place", [(radius, path), (radius, tilt)], "m", note="place, from where it was armed")
        by_wheel = plant.momentum_per_speed * radius
        momentum = graph.weighted_sum(
            "momentum",
            [(by_wheel, held), (plant.momentum_per_rate + by_wheel, rate)],
            "N m s",
            note="the momentum that only gravity changes",
        )
    with graph.section("arming"):
        armed = arm_body(graph, design, arm, fresh, rate, tangential, radial, wheel, tilt, armed_last)
        graph.connect(armed_last, armed)
    return _Estimate(tilt, rate, place, momentum, held, armed)


def _filter_tilt(graph: GraphBuilder, design: RollingDesign, rate: Signal, tangential: Signal, armed_last: Signal) -> Signal:
    """Complementary filter, quick while held; the accelerometer's word on the first tick."""
    period, limit = design.plant.period_s, on_grid(design.tilt_limit_rad)
    yes = graph.constant("always", 1.0, "bool", note="true")
    started = graph.delay("started", "bool", source=yes, note="false on the first tick only")
    tilt_last = graph.delay("tilt_last", "rad", note="tilt estimate a tick ago")
    angle = graph.weighted_sum(
        "accel_angle", [(1.0, tangential)], "rad", limits=(-limit, limit), note="tilt as the accelerometer has it"
    )
    innovation = graph.weighted_sum(
        "innovation", [(1.0, angle), (-1.0, tilt_last)], "rad", note="what the accelerometer says beyond the estimate"
    )
    filters = []
    for state, time_s, words in (
        ("balancing", design.filter_time_s, f"complementary filter, {design.filter_time_s:g} s, while balancing"),
        ("waiting", design.hold_filter_time_s, f"the same, {design.hold_filter_time_s:g} s, while held in the hand"),
    ):
        terms = [(1.0, tilt_last), (period, rate), (period / time_s, innovation)]
        filters.append(graph.weighted_sum(f"tilt_{state}", terms, "rad", limits=(-limit, limit), note=words))
    first = graph.weighted_sum("tilt_first", [(1.0, angle)], "rad", limits=(-limit, limit), note="estimate on the first tick")
    filtered = graph.select("tilt_filtered", armed_last, *filters, note="filter for the present state")
    tilt = graph.select("tilt", started, filtered, first, note="tilt estimate")
    graph.connect(tilt_last, tilt)
    return tilt


def _from_encoders(graph: GraphBuilder, design: RollingDesign, senses: Encoders) -> _Estimate:
    """Tilt and place as read; rate and speed as filtered differences."""
    plant = design.plant
    with graph.section("sensors"):
        position = read_sensor(
            graph, "cart_position", senses.position_counts_max, 1.0 / senses.position_counts_per_m, "m", "place on the track"
        )
        angle = read_sensor(
            graph, "pendulum_angle", senses.angle_counts_max, 1.0 / senses.angle_counts_per_rad, "rad", "tilt as the encoder has it"
        )
        arm = graph.input("arm", "bool", note="1 = asked to balance")
        fresh = graph.input("sensor_fresh", "bool", note="0 = this tick's readings are stale; trips at once")
        tilt = _held(graph, "tilt", angle, design.tilt_limit_rad, senses.angle_counts_per_rad, "tilt, not trusted beyond the cut-off")
        place = _held(graph, "place", position, design.place_limit_m, senses.position_counts_per_m, "place, not beyond the track's end")
    armed_last = graph.delay("armed_last", "bool", note="armed a tick ago")
    with graph.section("estimate"):
        yes = graph.constant("always", 1.0, "bool", note="true")
        started = graph.delay("started", "bool", source=yes, note="false on the first tick only")
        fall = RATE_RANGE * 2.0 * plant.divergence_rad_s * math.sin(0.5 * design.stop_tilt_rad)
        rate = _difference(graph, design, "tilt_rate", tilt, started, "rad/s", math.ceil(fall * 64.0) / 64.0, 1.0)
        fastest = SPEED_RANGE * design.overspeed_rad_s * plant.radius_m
        speed = _difference(graph, design, "cart_speed", place, started, "m/s", math.ceil(fastest * 64.0) / 64.0, SPEED_JUMP)
        momentum = graph.weighted_sum(
            "momentum",
            [(plant.momentum_per_rate, rate), (plant.momentum_per_speed, speed)],
            "N m s",
            note="the momentum that only gravity changes",
        )
        drive = graph.weighted_sum("drive_speed", [(1.0 / plant.radius_m, speed)], "rad/s", note="speed of the motor's shaft")
    with graph.section("arming"):
        forward, backward = lean_too_far(graph, angle, design.arm_tilt_rad)
        stop = design.stop_place_m
        right = graph.compare("place_too_far_right", [(1.0, position)], ">", stop, note="near the end of the track")
        left = graph.compare("place_too_far_left", [(-1.0, position)], ">", stop, note="near the end of the track")
        upright = graph.all_of("upright", f"not {forward}", f"not {backward}", note="within the arming tilt")
        armed = decide(graph, arm, fresh, upright, [*excess(graph, design, angle, drive), right, left], armed_last)
        graph.connect(armed_last, armed)
    return _Estimate(tilt, rate, place, momentum, drive, armed)


def _held(graph: GraphBuilder, name: str, reading: Signal, limit: float, counts_per_unit: float, note: str) -> Signal:
    """A reading held inside a limit of whole counts, so that the limit is the same number for integers and float64."""
    most = math.floor(limit * counts_per_unit) / counts_per_unit
    return graph.clamp(name, reading, -most, most, note=note)


def _difference(
    graph: GraphBuilder, design: RollingDesign, name: str, reading: Signal, started: Signal, unit: str, limit: float, jump: float
) -> Signal:
    """Filtered difference of a reading per second, followed by jumps of at most that share of its limit; none on the first tick."""
    period = design.plant.period_s
    keep = math.exp(-period / design.difference_filter_s)
    last = graph.delay(f"{reading}_last", graph.unit_of(reading), source=reading, note=f"{reading} a tick ago")
    before = graph.select(f"{reading}_before", started, last, reading, note=f"{reading} a tick ago, as far as there was one")
    name_last = graph.delay(f"{name}_last", unit, note=f"{name} a tick ago")
    # The difference first and its share then: memory keeps its weight of exactly 1, so that a short word forgets nothing.
    apart = graph.weighted_sum(
        f"{name}_apart",
        [(1.0 / period, reading), (-1.0 / period, before), (-1.0, name_last)],
        unit,
        limits=(-jump * limit, jump * limit),
        note=f"change of {reading} per second, beyond the filtered one",
    )
    result = graph.weighted_sum(
        name,
        [(1.0, name_last), (1.0 - keep, apart)],
        unit,
        limits=(-limit, limit),
        note=f"change of {reading} per second, filtered over {1e3 * design.difference_filter_s:g} ms",
    )
    graph.connect(name_last, result)
    return result


def _outer_loop(graph: GraphBuilder, design: RollingDesign, seen: _Estimate) -> tuple[Signal, Signal]:
    """Trim observer and lean against momentum and place; returns (trim, lean)."""
    plant, armed = design.plant, seen.armed
    period, gravity = plant.period_s, plant.gravity_torque_n_m
    most = WHEEL_RANGE * plant.top_speed_rad_s * plant.radius_m * plant.momentum_per_speed
    trim_limit, lean_limit = on_grid(design.trim_limit_rad), on_grid(design.lean_limit_rad)
    trim = graph.delay("trim", "rad", note="where the true balance angle is, as far as known")
    estimate = graph.delay("momentum_estimate", "N m s", note="momentum that gravity should have given")
    excess_momentum = graph.weighted_sum(
        "momentum_excess", [(1.0, seen.momentum), (-1.0, estimate)], "N m s", note="momentum that gravity did not explain"
    )
    none = graph.constant("trim_none", 0.0, "rad", note="trim while not balancing")
    learned = graph.weighted_sum(
        "trim_learned",
        [(1.0, trim), (-period * design.trim_pole_rad_s**2 / gravity, excess_momentum)],
        "rad",
        limits=(-trim_limit, trim_limit),
        note="trim, corrected by the unexplained momentum",
    )
    graph.connect(trim, graph.select("trim_next", armed, learned, none, note="trim from here on"))
    explained = graph.weighted_sum(
        "momentum_explained",
        [
            (1.0, estimate),
            (period * gravity, seen.tilt),
            (-period * gravity, trim),
            (TRIM_DAMPING * period * design.trim_pole_rad_s, excess_momentum),
        ],
        "N m s",
        limits=(-most, most),
        note="momentum after this tick's gravity torque",
    )
    begin = graph.clamp("momentum_begin", seen.momentum, -most, most, note="momentum while not balancing")
    graph.connect(estimate, graph.select("momentum_next", armed, explained, begin, note="momentum estimate from here on"))
    gain = design.momentum_gain_rad_per_n_m_s
    enough = SURPLUS_ROOM * lean_limit / gain
    surplus = graph.weighted_sum(
        "momentum_surplus",
        [(1.0, seen.momentum), (plant.momentum_per_speed * design.place_pole_rad_s, seen.place)],
        "N m s",
        limits=(-enough, enough),
        note="momentum beyond what brings the carriage back to its place",
    )
    lean = graph.weighted_sum(
        "lean", [(-gain, surplus)], "rad", limits=(-lean_limit, lean_limit), note="lean against the surplus momentum"
    )
    return trim, lean


def surround_rolling(plant: RollingPlant) -> PlantLoop:
    """The plant over one tick, readings in the units of the controller's inputs, command in the unit of its output."""
    machine = sample_rolling(plant)
    readings = machine.readings
    unit = np.eye(len(machine.states))
    if isinstance(plant.senses, Inertial):
        gravity = plant.gravity_m_s2 / STANDARD_GRAVITY_M_S2
        seen = {"gyro_rate": readings["gyro"], "accel_tangential": readings["angle"] * gravity, "wheel_speed": readings["wheel"]}
    else:
        seen = {"cart_position": readings["place"], "pendulum_angle": readings["angle"]}
    # The machine's command is in N m; the controller's output is a current or, at standstill, the voltage that drives it.
    per_unit = plant.motors * plant.torque_constant / (plant.resistance_ohm if plant.voltage_drive else 1.0)
    observed = {
        f"true_{name}": (unit[machine.states.index(name)], shown)
        for name, shown in (("tilt", "rad"), ("speed", "m/s"), ("place", "m"))
        if name in machine.states
    }
    return PlantLoop(machine.states, machine.transition, machine.command * per_unit, seen, observed)
