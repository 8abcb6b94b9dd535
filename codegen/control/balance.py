"""The balancing controller as a signal graph.

Takes a ``Design``, gives a ``Graph``: complementary filter, outer loop on the momentum with a trim observer, inner loop on the
divergent coordinate, arming and trips.  Knows what each signal is for; knows no bits.
"""

from __future__ import annotations

import math

from codegen.design import Design
from codegen.design.gains import TRIM_DAMPING
from codegen.graph import Graph, GraphBuilder, Signal
from codegen.graph.blocks import latch, unchanged_for
from codegen.graph.graph import INPUT_RANGES
from codegen.plant.model import STANDARD_GRAVITY_M_S2

# Truth values while the machine balances: what the linear bounds assume.
ARMED_REGIME = {"armed": True, "armed_last": True, "started": True}
# The wheel reading is trusted up to this multiple of the top speed; beyond, it is held.
WHEEL_RANGE = 1.5
SIGNED_TYPES = {ctype: ends for ctype, ends in INPUT_RANGES.items() if ends[0] < 0}
# The surplus momentum is held a little beyond the point where the lean is at its limit.
SURPLUS_ROOM = 1.02
# Below this share of gravity along the body's axis the accelerometer says nothing about being upright.
UPRIGHT_LEAST_G = 0.5


def _reading(graph: GraphBuilder, name: str, counts_max: int, per_count: float, unit: str, note: str) -> Signal:
    """An input with readings up to ``counts_max``, held inside them where its C type is wider."""
    ctype, largest = next((ctype, largest) for ctype, (_, largest) in SIGNED_TYPES.items() if largest >= counts_max)
    raw = graph.input(name, ctype, per_count, unit, note=note)
    if counts_max == largest:
        return raw
    most = counts_max * per_count
    return graph.clamp(f"{name}_in_range", raw, -most - per_count, most, note=f"{name} inside the sensor's range")


def _on_grid(angle_rad: float) -> float:
    """An angle limit as a multiple of 2**-12 rad (0.014 degrees), so that integers hold the very same limit."""
    return math.floor(angle_rad * 4096.0) / 4096.0


def trace_controller(design: Design, name: str, title: str) -> Graph:
    """Write the design's control law down as a graph.

    Args:
        design: Gains, limits and times.
        name: Prefix of every C identifier.
        title: One line for the header.
    """
    plant = design.plant
    period, n = plant.period_s, plant.outer_divider
    inertia, wheel_inertia = plant.body_inertia_kg_m2, plant.wheel_inertia_kg_m2
    graph = GraphBuilder(name, period, n, title)
    with graph.section("sensors"):
        rate = _reading(graph, "gyro_rate", plant.gyro.counts_max, 1.0 / plant.gyro.counts_per_rad_s, "rad/s", "tilt rate")
        most = plant.accelerometer.counts_max
        g_per_count = 1.0 / (plant.accelerometer.counts_per_m_s2 * STANDARD_GRAVITY_M_S2)
        tangential = _reading(
            graph, "accel_tangential", most, g_per_count, "g", "acceleration along the fall, +g sin(tilt) at rest"
        )
        radial = _reading(graph, "accel_radial", most, g_per_count, "g", "acceleration along the body, +g cos(tilt) at rest")
        wheel = _reading(
            graph,
            "wheel_speed",
            plant.wheel_counts_max,
            1.0 / plant.wheel_counts_per_rad_s,
            "rad/s",
            "wheel speed relative to the body",
        )
        arm = graph.input("arm", "bool", note="1 = asked to balance")
        fresh = graph.input("sensor_fresh", "bool", note="0 = this tick's readings are stale; trips at once")
        # Whole counts, so that the limit is the same number for integers and float64.
        fastest = math.floor(WHEEL_RANGE * plant.top_speed_rad_s * plant.wheel_counts_per_rad_s) / plant.wheel_counts_per_rad_s
        wheel_held = graph.clamp(
            "wheel_speed_held",
            wheel,
            -fastest,
            fastest,
            note="wheel speed, not trusted far beyond the motor's top speed",
        )
    armed_last = graph.delay("armed_last", "bool", note="armed a tick ago")
    with graph.section("estimate"):
        yes = graph.constant("always", 1.0, "bool", note="true")
        started = graph.delay("started", "bool", source=yes, note="false on the first tick only")
        limit = _on_grid(design.tilt_limit_rad)
        tilt_last = graph.delay("tilt_last", "rad", note="tilt estimate a tick ago")
        angle = graph.weighted_sum(
            "accel_angle", [(1.0, tangential)], "rad", limits=(-limit, limit), note="tilt as the accelerometer has it"
        )
        innovation = graph.weighted_sum(
            "innovation", [(1.0, angle), (-1.0, tilt_last)], "rad", note="what the accelerometer says beyond the estimate"
        )
        balancing = graph.weighted_sum(
            "tilt_balancing",
            [(1.0, tilt_last), (period, rate), (period / design.filter_time_s, innovation)],
            "rad",
            limits=(-limit, limit),
            note=f"complementary filter, {design.filter_time_s:g} s, while balancing",
        )
        waiting = graph.weighted_sum(
            "tilt_waiting",
            [(1.0, tilt_last), (period, rate), (period / design.hold_filter_time_s, innovation)],
            "rad",
            limits=(-limit, limit),
            note=f"the same, {design.hold_filter_time_s:g} s, while held in the hand",
        )
        first = graph.weighted_sum("tilt_first", [(1.0, angle)], "rad", limits=(-limit, limit), note="estimate on the first tick")
        filtered = graph.select("tilt_filtered", armed_last, balancing, waiting, note="filter for the present state")
        tilt = graph.select("tilt", started, filtered, first, note="tilt estimate")
        graph.connect(tilt_last, tilt)
        momentum = graph.weighted_sum(
            "momentum",
            [(wheel_inertia, wheel_held), (inertia + wheel_inertia, rate)],
            "N m s",
            note="angular momentum about the pivot",
        )
    with graph.section("arming"):
        armed = _arming(graph, design, arm, fresh, rate, tangential, radial, wheel, tilt, armed_last)
        graph.connect(armed_last, armed)
    with graph.section("outer loop", slow=True):
        trim, lean = _outer_loop(graph, design, tilt, momentum, armed)
    with graph.section("inner loop"):
        unit, full = ("V" if plant.voltage_drive else "A"), plant.command_full_scale
        resolution = full / plant.command_counts
        per_n_m = design.counts_per_n_m * resolution
        kp, kd, kl = design.proportional_n_m_per_rad, design.derivative_n_m_s_per_rad, design.lean_gain_n_m_per_rad
        terms = [(kp * per_n_m, tilt), (-kp * per_n_m, trim), (kd * per_n_m, rate), (-kl * per_n_m, lean)]
        if design.wheel_gain_n_m_s:
            terms.append((design.wheel_gain_n_m_s * per_n_m, wheel_held))
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
        command = graph.select("drive_command", armed, wanted, none, note="drive command, 0 unless armed")
    graph.output("drive_command", command, "int16_t" if plant.command_counts < 2**15 else "int32_t")
    graph.output("armed", armed, "bool")
    graph.output("tripped", Signal("tripped"), "bool")
    return graph.finish()


def _arming(
    graph: GraphBuilder,
    design: Design,
    arm: Signal,
    fresh: Signal,
    rate: Signal,
    tangential: Signal,
    radial: Signal,
    wheel: Signal,
    tilt: Signal,
    armed_last: Signal,
) -> Signal:
    """Arms when told to and upright; trips on tilt, wheel speed, a frozen or stale sensor; stays tripped until disarmed."""
    # The estimate follows g sin(tilt)/g while the body is held, and its filter keeps the accelerometer's noise out of the decision.
    steepest = math.sin(design.arm_tilt_rad)
    forward = graph.compare("leans_forward", [(1.0, tilt)], ">", steepest, note="leans forward beyond the arming tilt")
    backward = graph.compare("leans_backward", [(-1.0, tilt)], ">", steepest, note="leans backward beyond the arming tilt")
    standing = graph.compare("stands_up", [(1.0, radial)], ">=", UPRIGHT_LEAST_G, note="gravity points down the body")
    upright = graph.all_of("upright", standing, f"not {forward}", f"not {backward}", note="within the arming tilt")
    stop, fast = design.stop_tilt_rad, design.overspeed_rad_s
    causes = [
        graph.compare("tilt_too_far_forward", [(1.0, tilt)], ">", stop, note="beyond the cut-off tilt"),
        graph.compare("tilt_too_far_backward", [(-1.0, tilt)], ">", stop, note="beyond the cut-off tilt"),
        graph.compare("wheel_too_fast_forward", [(1.0, wheel)], ">", fast, note="wheel over-speed"),
        graph.compare("wheel_too_fast_backward", [(-1.0, wheel)], ">", fast, note="wheel over-speed"),
        unchanged_for(graph, "gyro_frozen", rate, design.sensor_timeout_ticks, note="gyro reading does not change"),
        unchanged_for(graph, "accel_frozen", tangential, design.sensor_timeout_ticks, note="accelerometer reading does not change"),
    ]
    fault = graph.any_of("fault", *causes, f"not {fresh}", note="a reason not to balance")
    trip = graph.all_of("trip", armed_last, fault, note="a fault while balancing")
    disarmed = graph.all_of("disarmed", f"not {arm}", note="not asked to balance")
    tripped = latch(graph, "tripped", trip, disarmed, note="cut off; stays so until disarmed")
    ready = graph.all_of("ready", upright, f"not {fault}", note="may start to balance")
    may = graph.any_of("may_balance", armed_last, ready, note="balancing already, or ready to")
    return graph.all_of("armed", arm, may, f"not {tripped}", note="balancing")


def _outer_loop(
    graph: GraphBuilder, design: Design, tilt: Signal, momentum: Signal, armed: Signal
) -> tuple[Signal, Signal]:
    """Trim observer and proportional momentum loop on means over the slow period; returns (trim, lean)."""
    plant = design.plant
    n, slow_period = plant.outer_divider, plant.outer_divider * plant.period_s
    gravity = plant.gravity_torque_n_m
    most = WHEEL_RANGE * plant.top_speed_rad_s * plant.wheel_inertia_kg_m2
    trim_limit, lean_limit = _on_grid(design.trim_limit_rad), _on_grid(design.lean_limit_rad)
    tilt_sum = graph.sum_over("tilt_sum", tilt, note="sum of the tilt over the slow period")
    momentum_sum = graph.sum_over("momentum_sum", momentum, note="sum of the momentum over the slow period")
    trim = graph.delay("trim", "rad", note="where the true balance angle is, as far as known")
    estimate = graph.delay("momentum_estimate", "N m s", note="momentum that gravity should have given")
    lean = graph.delay("lean", "rad", note="lean that brings the wheel back to its set-point")
    excess = graph.weighted_sum(
        "momentum_excess", [(1.0 / n, momentum_sum), (-1.0, estimate)], "N m s", note="momentum that gravity did not explain"
    )
    none = graph.constant("trim_none", 0.0, "rad", note="trim while not balancing")
    trim_next = graph.weighted_sum(
        "trim_learned",
        [(1.0, trim), (-slow_period * design.trim_pole_rad_s**2 / gravity, excess)],
        "rad",
        limits=(-trim_limit, trim_limit),
        note="trim, corrected by the unexplained momentum",
    )
    graph.connect(trim, graph.select("trim_next", armed, trim_next, none, note="trim from here on"))
    explained = graph.weighted_sum(
        "momentum_explained",
        [
            (1.0, estimate),
            (plant.period_s * gravity, tilt_sum),
            (-slow_period * gravity, trim),
            (TRIM_DAMPING * slow_period * design.trim_pole_rad_s, excess),
        ],
        "N m s",
        limits=(-most, most),
        note="momentum after this period's gravity torque",
    )
    mean = graph.weighted_sum(
        "momentum_mean", [(1.0 / n, momentum_sum)], "N m s", limits=(-most, most), note="mean momentum over the slow period"
    )
    graph.connect(
        estimate, graph.select("momentum_next", armed, explained, mean, note="momentum estimate from here on")
    )
    gain = design.momentum_gain_rad_per_n_m_s
    wanted_sum = n * plant.wheel_inertia_kg_m2 * design.wheel_setpoint_rad_s
    # Held where the lean is at its limit anyway: what is left is a small range, in which a short word is fine enough.
    enough = n * SURPLUS_ROOM * lean_limit / gain
    surplus = graph.weighted_sum(
        "momentum_surplus",
        [(1.0, momentum_sum)],
        "N m s",
        bias=-wanted_sum,
        limits=(-enough, enough),
        note="sum of the momentum beyond what the wheel's set-point has",
    )
    steered = graph.weighted_sum(
        "lean_steered",
        [(-gain / n, surplus)],
        "rad",
        limits=(-lean_limit, lean_limit),
        note="lean against the surplus momentum",
    )
    upright = graph.constant("lean_none", 0.0, "rad", note="lean while not balancing")
    graph.connect(lean, graph.select("lean_next", armed, steered, upright, note="lean from here on"))
    return trim, lean
