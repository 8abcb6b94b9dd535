"""Choose all numbers of the controller from the machine's: bounds, poles, limits, then judge what came out.

Takes a build and its plant; gives :class:`Design`. The order and the rules: bounds first; the inner pole
from lambda and the dead time; the outer loop on momentum at lambda/6 and the trim observer at 0.6 of it;
filter time, trim range and set-point from what is unknown; then margins at the nominal machine and its
corners, slowing the loop down while they miss their targets.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from math import degrees, exp, radians
from typing import Any

from codegen.build import Build, Choice, Quantity
from codegen.design.gains import Ceilings, Gains, Poles, friendly, place_gains, round_up
from codegen.design.goals import Achieved, Unknowns, Verdict, judge_goals, meets_corner_target, meets_targets
from codegen.design.laws import MOMENTUM, Law
from codegen.design.limits import (
    Limits,
    find_limits,
    net_torque,
    pole_delay_limit,
    reachable_speed,
)
from codegen.design.margins import Margins, corners, find_margins
from codegen.design.rest import RestNoise, friction_cycle, predict_rest
from codegen.errors import DesignError
from codegen.plant import Plant

# The rules of the procedure; common practice, no source, found good by simulation of three machines.
INNER_PER_DIVERGENCE = 6.0  # inner pole, as a multiple of the rate at which the body falls
INNER_DEAD_TIMES = 0.35  # but at most this over the dead time
SLOWER = 0.8  # next inner pole to try when targets are missed
OUTER_PARTS = (6.0, 10.0, 20.0)  # outer poles to try: the falling rate over these
TRIM_SHARE = 0.6  # of the outer pole
FILTER_TIMES_S = (2.0, 3.0, 5.0)
MEASURED_DRIFT_RAD = radians(0.25)  # a bias known so well that the longest filter time turns it into less than this
HOLD_FILTER_TIME_S = 0.05
LEAN_LIMIT_RAD = radians(3.0)
LEAN_SHARE = 0.25  # but at most this of the recoverable tilt
OVERSPEED_SHARE = 0.95  # of the speed that the motor reaches
WISHED = "as asked for in [design]"
CYCLES_CLEAR, STRIBECK_CLEAR = 3.0, 1.5  # set-point over friction cycle and Stribeck speed


@dataclass(frozen=True, kw_only=True)
class Design(Gains):
    """The controller's numbers, why they are what they are, and what they achieve.

    Attributes:
        limits: What physics allows.
        margins: At the nominal machine.
        corners: (label, margins) at machines that differ from it.
        rest: Predicted wiggle at rest.
        friction_cycle_rad_s: Predicted amplitude of the wheel's hunting about standstill, without a
            set-point.
        verdicts: Goals and targets against what is reached.
        reasons: (name of the number, sentence) for every choice.
        law: The structure, and what it adds to the common numbers.
    """

    limits: Limits
    margins: Margins
    corners: tuple[tuple[str, Margins], ...]
    rest: RestNoise
    friction_cycle_rad_s: float
    verdicts: tuple[Verdict, ...]
    reasons: tuple[tuple[str, str], ...]
    law: Law = MOMENTUM


def design_controller(build: Build, plant: Plant) -> Design:
    """The controller for ``plant``, with the unknowns and goals of ``build``.

    Raises:
        DesignError: No gains of this law can make the body stand.
    """
    if net_torque(plant, 0.0) <= 0.0:
        raise DesignError(
            f"the motor's {plant.torque_limit_n_m:.3g} N m do not overcome the wheel's own friction",
            "drive",
            "raise drive.current_limit_a or lower drive.stiction_n_m",
        )
    limits = find_limits(plant, build.wheel.axis_height_m.value)
    unknowns = find_unknowns(build)
    chosen = _choose(build, plant, limits, unknowns)
    cycle = friction_cycle(chosen.gains)
    setpoint, setpoint_reason = _wheel_setpoint(chosen.gains, cycle, unknowns)
    if build.design.wheel_setpoint_rad_s is not None:
        setpoint, setpoint_reason = build.design.wheel_setpoint_rad_s.value, WISHED
    gains = replace(chosen.gains, wheel_setpoint_rad_s=setpoint)
    achieved = replace(chosen, gains=gains)
    numbers: dict[str, Any] = {field.name: getattr(gains, field.name) for field in fields(gains)}
    return Design(
        **numbers,
        limits=limits,
        margins=chosen.margins,
        corners=chosen.corners,
        rest=chosen.rest,
        friction_cycle_rad_s=cycle,
        verdicts=judge_goals(build, limits, achieved, unknowns),
        reasons=(*_with_wishes(build, _reasons(gains, limits, unknowns)), ("wheel_setpoint_rad_s", setpoint_reason)),
    )


def find_unknowns(build: Build) -> Unknowns:
    """The largest sizes that the build's intervals leave open."""
    return Unknowns(
        offset_rad=radians(_largest_size(build.body.balance_offset_deg)),
        bias_rad_s=radians(_largest_size(build.gyro.bias_dps)),
    )


def _largest_size(quantity: Quantity) -> float:
    return max(abs(quantity.low), abs(quantity.high))


def _choose(build: Build, plant: Plant, limits: Limits, unknowns: Unknowns) -> Achieved:
    """The fastest candidate that meets all targets; failing that, the one that comes nearest.

    Nearest is the least peak sensitivity: at the worst corner among those that meet the nominal targets, if
    any do.
    """
    divergence, delay, wishes = limits.divergence_rad_s, limits.dead_time_s, build.design
    fastest = friendly(min(INNER_PER_DIVERGENCE * divergence, INNER_DEAD_TIMES / delay))
    if wishes.inner_pole_rad_s is not None:
        fastest = wishes.inner_pole_rad_s.value
    wished = wishes.filter_time_s
    filter_time = _filter_time(build, plant, limits, unknowns, fastest) if wished is None else wished.value
    stable: list[Achieved] = []
    nominal: list[Achieved] = []
    inner = fastest
    while inner >= min(divergence, fastest):
        for parts in OUTER_PARTS if wishes.outer_pole_rad_s is None else OUTER_PARTS[:1]:
            candidate = _try(build, plant, limits, unknowns, _poles(divergence, inner, parts, filter_time, wishes))
            if candidate is None:
                continue
            stable.append(candidate)
            if meets_targets(candidate):
                nominal.append(_with_corners(candidate))
                if meets_corner_target(nominal[-1]):
                    return nominal[-1]
        if wishes.inner_pole_rad_s is not None:
            break
        inner = friendly(SLOWER * inner)
    if nominal:
        return min(nominal, key=_worst_peak)
    if stable:
        return _with_corners(min(stable, key=lambda candidate: candidate.margins.peak_sensitivity))
    if any(wish is not None for wish in (wishes.inner_pole_rad_s, wishes.outer_pole_rad_s, wishes.trim_pole_rad_s, wishes.filter_time_s)):
        raise DesignError(
            "with the numbers that the build asks for no loop is stable",
            "design",
            f"leave them out, or bring inner_pole_rad_s towards {friendly(INNER_PER_DIVERGENCE * divergence):g}, "
            f"outer_pole_rad_s below {divergence / OUTER_PARTS[0]:.2g}, trim_pole_rad_s below the outer pole, "
            f"and filter_time_s above {5.0 / divergence:.2g}",
        )
    raise _unstable(plant, limits)


def _unstable(plant: Plant, limits: Limits) -> DesignError:
    """Why no gains are stable: too much dead time, or too slow an outer loop, or else the wheel's drag or the sensor's place."""
    divergence, delay = limits.divergence_rad_s, limits.dead_time_s
    outer_hz = 1.0 / (plant.outer_divider * plant.period_s)
    falls = f"no gains make the body stand: it falls away at {divergence:.3g} 1/s"
    excess = delay - pole_delay_limit(radians(45.0)) / divergence
    if excess > 0.0:
        most_us = 1e6 * (plant.latency_s - excess)
        remedy = "raise loop.inner_hz and low_pass_hz"
        if most_us > 0.0:
            remedy = f"bring loop.latency_us down from {1e6 * plant.latency_s:.0f} towards {most_us:.0f}"
        return DesignError(f"{falls}, and the loop answers after {1e3 * delay:.3g} ms only", "loop.latency_us", remedy)
    if outer_hz < divergence:
        remedy = f"raise loop.outer_hz towards {divergence:.2g} Hz"
        return DesignError(f"{falls}, and the outer loop runs at {outer_hz:.3g} Hz only", "loop.outer_hz", remedy)
    return DesignError(
        f"{falls}, and the wheel's drag carries its torque away ({plant.wheel_viscous_n_m_s:.3g} N m s, a run-down within "
        f"{plant.wheel_inertia_kg_m2 / max(plant.wheel_viscous_n_m_s, 1e-12):.3g} s), or the accelerometer sits too high",
        "drive.viscous_n_m_s",
        "lower drive.viscous_n_m_s, raise wheel.inertia_kg_m2, or lower sensors.accelerometer.height_m",
    )


def _worst_peak(candidate: Achieved) -> tuple[bool, float]:
    """Sorts candidates stable at all corners first, then by the peak sensitivity at the worst corner."""
    unstable = any(not margins.stable for _, margins in candidate.corners)
    return unstable, max(margins.peak_sensitivity for _, margins in candidate.corners)


def _poles(divergence: float, inner: float, parts: float, filter_time: float, wishes: Choice) -> Poles:
    """Poles by the rules, except for those that the build asks for."""
    outer, trim = friendly(divergence / parts), friendly(TRIM_SHARE * divergence / parts)
    if wishes.outer_pole_rad_s is not None:
        outer = wishes.outer_pole_rad_s.value
        trim = friendly(TRIM_SHARE * outer)
    if wishes.trim_pole_rad_s is not None:
        trim = wishes.trim_pole_rad_s.value
    return Poles(inner, outer, trim, filter_time)


def _with_wishes(build: Build, reasons: tuple[tuple[str, str], ...]) -> tuple[tuple[str, str], ...]:
    """The reasons, with the user's wish in the place of the rule for what the build asks for."""
    return tuple((name, WISHED if getattr(build.design, name, None) is not None else reason) for name, reason in reasons)


def _filter_time(build: Build, plant: Plant, limits: Limits, unknowns: Unknowns, inner: float) -> float:
    """The shortest filter time with which the predicted wiggle meets its goal, or the calmest; s.

    A filter time turns the gyro's bias into a tilt that the trim has to find first. Where the bias has been measured, that is next to
    nothing, and the longest, calmest one is taken. At least 5/lambda, so that even an accelerometer at the blind height does no harm.
    """
    least = 5.0 / limits.divergence_rad_s
    measured = FILTER_TIMES_S[-1] * unknowns.bias_rad_s <= MEASURED_DRIFT_RAD
    tried: list[tuple[float, float]] = []
    for wished in FILTER_TIMES_S[-1:] if measured else FILTER_TIMES_S:
        filter_time = wished if wished >= least else round_up(least, 0.5)
        poles = _poles(limits.divergence_rad_s, inner, OUTER_PARTS[0], filter_time, build.design)
        gains = place_gains(plant, poles, _ceilings(build, plant, limits, unknowns, filter_time), 0.0)
        if not find_margins(gains).stable:
            continue
        wiggle = degrees(predict_rest(gains).tilt_rad)
        if wiggle <= build.goals.calm_tilt_rms_deg.value:
            return filter_time
        tried.append((wiggle, filter_time))
    return min(tried)[1] if tried else max(FILTER_TIMES_S[0], round_up(least, 0.5))


def _try(build: Build, plant: Plant, limits: Limits, unknowns: Unknowns, poles: Poles) -> Achieved | None:
    """The candidate with these poles at the nominal machine, or None if it is not even stable there."""
    gains = place_gains(plant, poles, _ceilings(build, plant, limits, unknowns, poles.filter_time_s), 0.0)
    margins = find_margins(gains)
    if not margins.stable:
        return None
    return Achieved(gains, margins, (), predict_rest(gains))


def _with_corners(candidate: Achieved) -> Achieved:
    around = tuple((corner.label, find_margins(candidate.gains, corner)) for corner in corners())
    return replace(candidate, corners=around)


def _ceilings(build: Build, plant: Plant, limits: Limits, unknowns: Unknowns, filter_time: float) -> Ceilings:
    """Limits and thresholds: see the reasons given for each in :func:`_reasons`."""
    goals = build.goals
    stop = radians(goals.stop_tilt_deg.value)
    needed = unknowns.offset_rad + filter_time * unknowns.bias_rad_s
    trim = min(radians(max(1.0, round_up(degrees(2.0 * needed), 1.0))), stop)
    return Ceilings(
        lean_rad=min(LEAN_LIMIT_RAD, LEAN_SHARE * limits.recoverable_tilt_rad),
        trim_rad=trim,
        tilt_rad=radians(round_up(degrees(stop + trim), 5.0)),
        arm_tilt_rad=radians(goals.arm_tilt_deg.value),
        stop_tilt_rad=stop,
        overspeed_rad_s=friendly(OVERSPEED_SHARE * reachable_speed(plant)),
        sensor_timeout_ticks=max(1, round(1e-3 * goals.sensor_timeout_ms.value / plant.period_s)),
        hold_filter_time_s=max(HOLD_FILTER_TIME_S, 10.0 * plant.period_s),
    )


def _wheel_setpoint(gains: Gains, cycle_rad_s: float, unknowns: Unknowns) -> tuple[float, str]:
    """Wheel speed to hold in rad/s, and why: clear of standstill whatever friction and gyro bias do to it."""
    plant = gains.plant
    if max(plant.wheel_coulomb_n_m, plant.wheel_stiction_n_m) == 0.0:
        return 0.0, "the wheel has no Coulomb friction, so it may stand still"
    # A gyro bias b asks for the torque Kd b and adds (I + J) b to the momentum; the outer loop answers with
    # wheel speed.
    spin, inertia = plant.wheel_inertia_kg_m2, plant.body_inertia_kg_m2
    stiffness = gains.lean_gain_n_m_per_rad * gains.momentum_gain_rad_per_n_m_s * spin
    shift = unknowns.bias_rad_s * (gains.derivative_n_m_s_per_rad / stiffness + (inertia + spin) / spin)
    wanted = {
        f"{CYCLES_CLEAR:.0f} times the amplitude {cycle_rad_s:.2g} rad/s of its friction cycle": CYCLES_CLEAR * cycle_rad_s,
        f"{STRIBECK_CLEAR:.1f} times the Stribeck speed": STRIBECK_CLEAR * plant.stribeck_rad_s,
        f"the friction cycle and the {shift:.2g} rad/s that the largest gyro bias shifts it by": cycle_rad_s + shift,
    }
    cause, speed = max(wanted.items(), key=lambda item: item[1])
    chosen = round_up(speed, 1.0)
    return chosen, f"{chosen:.0f} rad/s keep the wheel away from the jump of friction at standstill: {cause}"


def _reasons(gains: Gains, limits: Limits, unknowns: Unknowns) -> tuple[tuple[str, str], ...]:
    """One sentence for each choice except the set-point's."""
    plant, divergence, delay = gains.plant, limits.divergence_rad_s, limits.dead_time_s
    inner, outer = gains.inner_pole_rad_s, gains.outer_pole_rad_s
    offset, bias = degrees(unknowns.offset_rad), degrees(unknowns.bias_rad_s)
    drift = gains.filter_time_s * bias
    grown = exp(divergence * gains.sensor_timeout_ticks * plant.period_s)
    return (
        (
            "inner_pole_rad_s",
            f"w = {inner:g} rad/s is {inner / divergence:.1f} times the rate {divergence:.3g} 1/s at which the body falls, "
            f"and {inner * delay:.2f} over the dead time of {1e3 * delay:.2f} ms (at most {INNER_DEAD_TIMES:g})",
        ),
        (
            "derivative_n_m_s_per_rad",
            "Kd = Kp/divergence feeds back exactly the direction that grows, which keeps the whole of the recoverable poke",
        ),
        (
            "filter_time_s",
            f"{gains.filter_time_s:g} s keep the accelerometer's noise out of the tilt; the {drift:.2g} deg that a gyro bias "
            f"of {bias:.2g} deg/s then leaves are found by the trim",
        ),
        (
            "hold_filter_time_s",
            "while the body is held the accelerometer is right, so the estimate follows it quickly and arms on the true tilt",
        ),
        (
            "outer_pole_rad_s",
            f"w_o = {outer:g} rad/s brings the momentum back {divergence / outer:.1f} times slower than the body falls; fed "
            "back is the momentum and not the wheel speed, which first answers the wrong way",
        ),
        (
            "trim_pole_rad_s",
            f"w_t = {gains.trim_pole_rad_s:g} rad/s: an observer of the balance angle does not wind up at the lean limit",
        ),
        (
            "trim_limit_rad",
            f"{degrees(gains.trim_limit_rad):.3g} deg are twice the unknown balance angle of {offset:.2g} deg and the "
            f"{drift:.2g} deg of the gyro's bias (at most the cut-off)",
        ),
        (
            "lean_limit_rad",
            f"{degrees(gains.lean_limit_rad):.2g} deg leave most of the {degrees(limits.recoverable_tilt_rad):.1f} deg "
            "recoverable tilt to pokes while the wheel is slowed down",
        ),
        (
            "tilt_limit_rad",
            "room for the cut-off and the largest trim, so that the estimate is never cut short before a trip",
        ),
        (
            "overspeed_rad_s",
            f"{gains.overspeed_rad_s:g} rad/s: nearly the {reachable_speed(plant):.0f} rad/s that the motor can reach "
            "against friction, beyond which no torque is left",
        ),
        (
            "sensor_timeout_ticks",
            f"{gains.sensor_timeout_ticks} ticks without news, in which a body let go grows its tilt {grown:.2f}-fold",
        ),
    )
