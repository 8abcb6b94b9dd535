"""The balancing controller as a signal graph.

Takes a ``Design``, gives a ``Graph``: complementary filter, outer loop on the momentum with a trim observer, inner loop on the
divergent coordinate, arming and trips.  Knows what each signal is for; knows no bits.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from codegen.control.arming import arm_body
from codegen.control.readings import WHEEL_RANGE, on_grid, power_of_two, read_sensor
from codegen.design import Design
from codegen.design.gains import TRIM_DAMPING
from codegen.graph import Graph, GraphBuilder, Signal
from codegen.plant import Plant
from codegen.plant.model import STANDARD_GRAVITY_M_S2

# Truth values while the machine balances: what the linear bounds assume.
ARMED_REGIME = {"armed": True, "armed_last": True, "started": True, "model_anew": False}
LARGEST_ERROR_RAD = 0.9999


@dataclass(frozen=True)
class Frame:
    """What every structure begins with: the readings and the tilt estimate, as signals of a graph under construction."""

    graph: GraphBuilder
    rate: Signal
    tangential: Signal
    radial: Signal
    wheel: Signal
    wheel_held: Signal
    arm: Signal
    fresh: Signal
    tilt: Signal
    armed_last: Signal


def begin(design: Design, name: str, title: str, slow_every: int, *, wheel_in_law: bool = True) -> Frame:
    """Sensors and the tilt estimate.

    Args:
        design: Limits and times.
        name: Prefix of every C identifier.
        title: One line for the header.
        slow_every: Ticks per slow period; 1 where the structure has no slow section.
        wheel_in_law: Whether the law reads the wheel's speed; arming does in any case.
    """
    plant = design.plant
    period = plant.period_s
    graph = GraphBuilder(name, period, slow_every, title)
    with graph.section("sensors"):
        rate = read_sensor(graph, "gyro_rate", plant.gyro.counts_max, 1.0 / plant.gyro.counts_per_rad_s, "rad/s", "tilt rate")
        most = plant.accelerometer.counts_max
        g_per_count = 1.0 / (plant.accelerometer.counts_per_m_s2 * STANDARD_GRAVITY_M_S2)
        tangential = read_sensor(
            graph, "accel_tangential", most, g_per_count, "g", "acceleration along the fall, +g sin(tilt) at rest"
        )
        radial = read_sensor(graph, "accel_radial", most, g_per_count, "g", "acceleration along the body, +g cos(tilt) at rest")
        wheel = read_sensor(
            graph,
            "wheel_speed",
            plant.wheel_counts_max,
            1.0 / plant.wheel_counts_per_rad_s,
            "rad/s",
            "wheel speed relative to the body",
        )
        arm = graph.input("arm", "bool", note="1 = asked to balance")
        fresh = graph.input("sensor_fresh", "bool", note="0 = this tick's readings are stale; trips at once")
        wheel_held = _hold_wheel(graph, plant, wheel) if wheel_in_law else wheel
    armed_last = graph.delay("armed_last", "bool", note="armed a tick ago")
    with graph.section("estimate"):
        yes = graph.constant("always", 1.0, "bool", note="true")
        started = graph.delay("started", "bool", source=yes, note="false on the first tick only")
        limit = on_grid(design.tilt_limit_rad)
        tilt_last = graph.delay("tilt_last", "rad", note="tilt estimate a tick ago")
        angle = graph.weighted_sum(
            "accel_angle", [(1.0, tangential)], "rad", limits=(-limit, limit), note="tilt as the accelerometer has it"
        )
        innovation = graph.weighted_sum(
            "innovation", [(1.0, angle), (-1.0, tilt_last)], "rad", note="what the accelerometer says beyond the estimate"
        )
        predicted = graph.weighted_sum(
            "tilt_predicted", [(1.0, tilt_last), (period, rate)], "rad", note="tilt estimate carried on by the gyro"
        )
        balancing = graph.weighted_sum(
            "tilt_balancing",
            [(1.0, predicted), (period / design.filter_time_s, innovation)],
            "rad",
            note=f"complementary filter, {design.filter_time_s:g} s, while balancing",
        )
        waiting = graph.weighted_sum(
            "tilt_waiting",
            [(1.0, predicted), (period / design.hold_filter_time_s, innovation)],
            "rad",
            note=f"the same, {design.hold_filter_time_s:g} s, while held in the hand",
        )
        first = graph.weighted_sum("tilt_first", [(1.0, angle)], "rad", note="estimate on the first tick")
        idle = graph.select("tilt_idle", started, waiting, first, note="estimate while not balancing")
        filtered = graph.select("tilt_filtered", armed_last, balancing, idle, note="estimate for the present state")
        tilt = graph.clamp("tilt", filtered, -limit, limit, note="tilt estimate")
        graph.connect(tilt_last, tilt)
    return Frame(graph, rate, tangential, radial, wheel, wheel_held, arm, fresh, tilt, armed_last)


def _hold_wheel(graph: GraphBuilder, plant: Plant, wheel: Signal) -> Signal:
    # Whole counts, so that the limit is the same number for integers and float64, and a signed word, which some cores hold a number
    # inside by one instruction.
    fastest = power_of_two(WHEEL_RANGE * plant.top_speed_rad_s * plant.wheel_counts_per_rad_s)
    return graph.clamp(
        "wheel_speed_held",
        wheel,
        -fastest / plant.wheel_counts_per_rad_s,
        (fastest - 1.0) / plant.wheel_counts_per_rad_s,
        note="wheel speed, not trusted far beyond the motor's top speed",
    )


def body_momentum(frame: Frame, design: Design) -> Signal:
    """Angular momentum about the pivot from the wheel's speed and the gyro."""
    inertia, wheel_inertia = design.plant.body_inertia_kg_m2, design.plant.wheel_inertia_kg_m2
    with frame.graph.section("estimate"):
        return frame.graph.weighted_sum(
            "momentum",
            [(wheel_inertia, frame.wheel_held), (inertia + wheel_inertia, frame.rate)],
            "N m s",
            note="angular momentum about the pivot",
        )


def decide_arming(frame: Frame, design: Design) -> Signal:
    """Whether the controller balances in this tick."""
    graph = frame.graph
    with graph.section("arming"):
        armed = arm_body(
            graph,
            design,
            frame.arm,
            frame.fresh,
            frame.rate,
            frame.tangential,
            frame.radial,
            frame.wheel,
            frame.tilt,
            frame.armed_last,
        )
        graph.connect(frame.armed_last, armed)
    return armed


def finish(frame: Frame, design: Design, wanted: Signal, armed: Signal) -> Graph:
    """The command where armed, and the outputs."""
    graph, plant = frame.graph, design.plant
    with graph.section("limits"):
        none = graph.constant("command_none", 0.0, "V" if plant.voltage_drive else "A", note="no command")
        command = graph.select("drive_command", armed, wanted, none, note="drive command, 0 unless armed")
    graph.output("drive_command", command, "int16_t" if plant.command_counts < 2**15 else "int32_t")
    graph.output("armed", armed, "bool")
    graph.output("tripped", Signal("tripped"), "bool")
    return graph.finish()


def _error_limits(design: Design) -> tuple[float, float] | None:
    """Limits of the tilt error just below a radian, where the command is at its limit whatever rate and wheel say; else none.

    They change nothing, but leave the error a bit more in a short word.
    """
    plant = design.plant
    rate = plant.gyro.counts_max / plant.gyro.counts_per_rad_s
    wheel = plant.wheel_counts_max / plant.wheel_counts_per_rad_s
    full = plant.command_counts / design.counts_per_n_m
    needed = full + design.derivative_n_m_s_per_rad * rate + abs(design.wheel_gain_n_m_s) * wheel
    limit = on_grid(LARGEST_ERROR_RAD)
    return (-limit, limit) if design.proportional_n_m_per_rad * limit >= needed else None


def trace_momentum(design: Design, name: str, title: str) -> Graph:
    """Divergent-mode inner loop with an outer loop on the momentum, as a graph.

    Args:
        design: Gains, limits and times.
        name: Prefix of every C identifier.
        title: One line for the header.
    """
    plant = design.plant
    frame = begin(design, name, title, plant.outer_divider)
    graph, rate, wheel_held, tilt = frame.graph, frame.rate, frame.wheel_held, frame.tilt
    momentum = body_momentum(frame, design)
    armed = decide_arming(frame, design)
    with graph.section("outer loop", slow=True):
        trim, lean = outer_loop(graph, design, tilt, momentum, armed)
    with graph.section("inner loop"):
        unit, full = ("V" if plant.voltage_drive else "A"), plant.command_full_scale
        resolution = full / plant.command_counts
        per_n_m = design.counts_per_n_m * resolution
        kp, kd, kl = design.proportional_n_m_per_rad, design.derivative_n_m_s_per_rad, design.lean_gain_n_m_per_rad
        # Kp (tilt - trim) - Kl lean with one multiplication.
        error = graph.weighted_sum(
            "tilt_error",
            [(1.0, tilt), (-1.0, trim), (-kl / kp, lean)],
            "rad",
            limits=_error_limits(design),
            note="tilt beyond what trim and lean ask for",
        )
        terms = [(kp * per_n_m, error), (kd * per_n_m, rate)]
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
    return finish(frame, design, wanted, armed)


Steer = Callable[[GraphBuilder, Design, Signal], Signal]


def outer_loop(
    graph: GraphBuilder, design: Design, tilt: Signal, momentum: Signal, armed: Signal, steer: Steer | None = None
) -> tuple[Signal, Signal]:
    """Trim observer and proportional loop on means over the slow period; returns (trim, lean).

    ``steer`` gives the lean while balancing from the sum of the momentum; the rule of the momentum law unless told otherwise.
    """
    plant = design.plant
    n, slow_period = plant.outer_divider, plant.outer_divider * plant.period_s
    gravity = plant.gravity_torque_n_m
    most = WHEEL_RANGE * plant.top_speed_rad_s * plant.wheel_inertia_kg_m2
    trim_limit = on_grid(design.trim_limit_rad)
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
    # Both sides of the difference in one gain: what a rounded gain makes of them alike cannot look like a lean.
    drift = graph.weighted_sum(
        "tilt_drift", [(1.0, tilt_sum), (-float(n), trim)], "rad", note="tilt beyond the trim, summed over the slow period"
    )
    explained = graph.weighted_sum(
        "momentum_explained",
        [
            (1.0, estimate),
            (plant.period_s * gravity, drift),
            (TRIM_DAMPING * slow_period * design.trim_pole_rad_s, excess),
        ],
        "N m s",
        note="momentum after this period's gravity torque",
    )
    mean = graph.weighted_sum("momentum_mean", [(1.0 / n, momentum_sum)], "N m s", note="mean momentum over the slow period")
    followed = graph.select("momentum_followed", armed, explained, mean, note="momentum estimate before its limits")
    graph.connect(estimate, graph.clamp("momentum_next", followed, -most, most, note="momentum estimate from here on"))
    steered = (steer or steer_momentum)(graph, design, momentum_sum)
    upright = graph.constant("lean_none", 0.0, "rad", note="lean while not balancing")
    graph.connect(lean, graph.select("lean_next", armed, steered, upright, note="lean from here on"))
    return trim, lean


def steer_momentum(graph: GraphBuilder, design: Design, momentum_sum: Signal) -> Signal:
    """Lean against the momentum beyond what the wheel's set-point has."""
    plant = design.plant
    n, lean_limit = plant.outer_divider, on_grid(design.lean_limit_rad)
    gain = design.momentum_gain_rad_per_n_m_s
    wanted_sum = n * plant.wheel_inertia_kg_m2 * design.wheel_setpoint_rad_s
    # Held where the lean is at its limit: what is left is a small range, in which a short word is fine enough.
    enough = n * lean_limit / gain
    surplus = graph.weighted_sum(
        "momentum_surplus",
        [(1.0, momentum_sum)],
        "N m s",
        bias=-wanted_sum,
        limits=(-enough, enough),
        note="sum of the momentum beyond what the wheel's set-point has",
    )
    return graph.weighted_sum("lean_steered", [(-gain / n, surplus)], "rad", note="lean against the surplus momentum")
