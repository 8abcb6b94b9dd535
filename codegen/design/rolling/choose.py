"""Choose all numbers of a rolling balancer's controller from the machine's: bounds, poles, limits, then judge what came out.

Takes a build and its plant; gives :class:`RollingDesign`. The order and the rules are those of ``codegen.design.design``: bounds first;
the inner pole from lambda and the dead time; momentum, place and trim slower; filter times from what is unknown; then margins at the
nominal machine and its corners, slowing the loop down while they miss their targets.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from math import degrees, isfinite, radians
from typing import Any

from codegen.build import CartBuild, RollingBuild
from codegen.design.design import (
    FILTER_TIMES_S,
    HOLD_FILTER_TIME_S,
    INNER_DEAD_TIMES,
    INNER_PER_DIVERGENCE,
    LEAN_LIMIT_RAD,
    LEAN_SHARE,
    OVERSPEED_SHARE,
    SLOWER,
    TRIM_SHARE,
)
from codegen.design.gains import friendly, round_up
from codegen.design.goals import Unknowns, Verdict
from codegen.design.margins import Margins
from codegen.design.rolling.gains import (
    RollingCeilings,
    RollingGains,
    RollingPoles,
    place_rolling_gains,
)
from codegen.design.rolling.goals import (
    RollingAchieved,
    judge_rolling_goals,
    limited_by_track,
    meets_rolling_corner_target,
    meets_rolling_targets,
)
from codegen.design.rolling.limits import RollingLimits, find_rolling_limits, net_force
from codegen.design.rolling.loop import (
    RollingRest,
    find_rolling_margins,
    predict_rolling_rest,
    rolling_corners,
)
from codegen.errors import DesignError
from codegen.plant.rolling import Encoders, RollingPlant

# Common practice, no source, found good by simulation of the example machines.
OUTER_PARTS = (2.0, 2.5, 3.0, 4.0, 6.0, 10.0)  # outer poles to try: the falling rate over these
DIFFERENCE_SHARE = 0.2  # of 1/w: difference filter of encoders
PLACE_LIMIT_M = 4.0  # beyond it a machine on a floor only knows on which side its place lies
TRACK_LEAN_SHARE = 0.65  # of the recoverable tilt, where the track and not the drive limits: there stopping soon is worth more
STOP_PLACE_SHARE = 0.95  # of the track's half


@dataclass(frozen=True, kw_only=True)
class RollingDesign(RollingGains):
    """The controller's numbers, why they are what they are, and what they achieve.

    Attributes:
        limits: What physics allows.
        margins: At the nominal machine.
        corners: (label, margins) at machines that differ from it.
        rest: Predicted wiggle at rest.
        verdicts: Goals and targets against what is reached.
        reasons: (name of the number, sentence) for every choice.
    """

    limits: RollingLimits
    margins: Margins
    corners: tuple[tuple[str, Margins], ...]
    rest: RollingRest
    verdicts: tuple[Verdict, ...]
    reasons: tuple[tuple[str, str], ...]


def design_rolling(build: RollingBuild, plant: RollingPlant) -> RollingDesign:
    """The controller for ``plant``, with the unknowns and goals of ``build``.

    Raises:
        DesignError: No gains of this law can make the body stand.
    """
    limits = find_rolling_limits(plant)
    unknowns = find_unknowns(build)
    chosen = _choose(build, plant, limits, unknowns)
    numbers: dict[str, Any] = {field.name: getattr(chosen.gains, field.name) for field in fields(chosen.gains)}
    return RollingDesign(
        **numbers,
        limits=limits,
        margins=chosen.margins,
        corners=chosen.corners,
        rest=chosen.rest,
        verdicts=judge_rolling_goals(build, limits, chosen, unknowns),
        reasons=_reasons(chosen.gains, limits, unknowns),
    )


def find_unknowns(build: RollingBuild) -> Unknowns:
    """Largest sizes of what only the running machine shows."""
    if isinstance(build, CartBuild):
        offset, bias = build.pendulum.balance_offset_deg, None
    else:
        offset, bias = build.body.balance_offset_deg, build.gyro.bias_dps
    return Unknowns(
        offset_rad=radians(max(abs(offset.low), abs(offset.high))),
        bias_rad_s=0.0 if bias is None else radians(max(abs(bias.low), abs(bias.high))),
    )


def _choose(build: RollingBuild, plant: RollingPlant, limits: RollingLimits, unknowns: Unknowns) -> RollingAchieved:
    """The fastest candidate that meets all targets; failing that, the one with the least peak sensitivity."""
    divergence = limits.divergence_rad_s
    fastest = friendly(min(INNER_PER_DIVERGENCE * divergence, INNER_DEAD_TIMES / limits.dead_time_s))
    stable: list[RollingAchieved] = []
    inner = fastest
    while inner >= min(divergence, fastest):
        for parts in OUTER_PARTS:
            candidate = _try(build, plant, limits, unknowns, inner, friendly(divergence / parts))
            if candidate is None:
                continue
            stable.append(candidate)
            if meets_rolling_targets(candidate, limits):
                full = _with_corners(candidate)
                if meets_rolling_corner_target(full):
                    return full
        inner = friendly(SLOWER * inner)
    if stable:
        return _with_corners(min(stable, key=lambda candidate: candidate.margins.peak_sensitivity))
    raise DesignError(
        f"no gains make the body stand: it falls away at {divergence:.3g} 1/s, and the loop answers after "
        f"{1e3 * limits.dead_time_s:.3g} ms",
        "loop.latency_us",
        "shorten the latency, raise loop.hz, or take finer encoders",
    )


def _try(
    build: RollingBuild, plant: RollingPlant, limits: RollingLimits, unknowns: Unknowns, inner: float, outer: float
) -> RollingAchieved | None:
    """The candidate with these poles and the shortest filter that is calm enough; None if none is stable."""
    best: RollingAchieved | None = None
    for filter_time in (0.0,) if isinstance(plant.senses, Encoders) else FILTER_TIMES_S:
        difference = round_up(max(2.0 * plant.period_s, DIFFERENCE_SHARE / inner), 1e-3) if filter_time == 0.0 else 0.0
        poles = RollingPoles(inner, outer, friendly(TRIM_SHARE * outer), filter_time, difference)
        gains = place_rolling_gains(plant, poles, _ceilings(build, plant, limits, unknowns, filter_time))
        margins = find_rolling_margins(gains)
        if not margins.stable:
            continue
        candidate = RollingAchieved(gains, margins, (), predict_rolling_rest(gains))
        if degrees(candidate.rest.tilt_rad) <= build.goals.calm_tilt_rms_deg.value:
            return candidate
        best = candidate
    return best


def _with_corners(candidate: RollingAchieved) -> RollingAchieved:
    around = tuple((corner.label, find_rolling_margins(candidate.gains, corner)) for corner in rolling_corners())
    return replace(candidate, corners=around)


def _ceilings(
    build: RollingBuild, plant: RollingPlant, limits: RollingLimits, unknowns: Unknowns, filter_time: float
) -> RollingCeilings:
    """Limits and thresholds: see the reasons given for each in :func:`_reasons`."""
    goals = build.goals
    stop = radians(goals.stop_tilt_deg.value)
    needed = unknowns.offset_rad + filter_time * unknowns.bias_rad_s
    trim = min(radians(max(1.0, round_up(degrees(2.0 * needed), 1.0))), stop)
    track = isfinite(plant.half_track_m)
    timeout = 0 if isinstance(plant.senses, Encoders) else max(1, round(1e-3 * goals.sensor_timeout_ms.value / plant.period_s))
    return RollingCeilings(
        lean_rad=TRACK_LEAN_SHARE * limits.recoverable_tilt_rad
        if limited_by_track(limits)
        else min(LEAN_LIMIT_RAD, LEAN_SHARE * limits.recoverable_tilt_rad),
        trim_rad=trim,
        tilt_rad=radians(round_up(degrees(stop + trim), 5.0)),
        place_m=plant.half_track_m if track else PLACE_LIMIT_M,
        arm_tilt_rad=radians(goals.arm_tilt_deg.value),
        stop_tilt_rad=stop,
        stop_place_m=STOP_PLACE_SHARE * plant.half_track_m,
        overspeed_rad_s=friendly(OVERSPEED_SHARE * reachable_drive_speed(plant)),
        sensor_timeout_ticks=timeout,
        hold_filter_time_s=max(HOLD_FILTER_TIME_S, 10.0 * plant.period_s),
    )


def reachable_drive_speed(plant: RollingPlant) -> float:
    """Speed of the drive in rad/s at which the supply no longer overcomes friction, by bisection to a thousandth."""
    low, high = 0.0, plant.top_speed_rad_s
    while high - low > 1e-3 * plant.top_speed_rad_s:
        middle = 0.5 * (low + high)
        rail = plant.rail_viscous_n_s_m * middle * plant.radius_m
        low, high = (middle, high) if net_force(plant, middle) > rail else (low, middle)
    return low


def _reasons(gains: RollingGains, limits: RollingLimits, unknowns: Unknowns) -> tuple[tuple[str, str], ...]:
    """One sentence for each choice."""
    divergence, delay, inner, outer = limits.divergence_rad_s, limits.dead_time_s, gains.inner_pole_rad_s, gains.outer_pole_rad_s
    offset, bias = degrees(unknowns.offset_rad), degrees(unknowns.bias_rad_s)
    reasons = [
        (
            "inner_pole_rad_s",
            f"w = {inner:g} rad/s is {inner / divergence:.1f} times the rate {divergence:.3g} 1/s at which the body falls, and "
            f"{inner * delay:.2f} over the dead time of {1e3 * delay:.2f} ms (at most {INNER_DEAD_TIMES:g})",
        ),
        (
            "derivative_n_m_s_per_rad",
            "Kd = Kp/divergence feeds back exactly the direction that grows, which keeps the whole of the recoverable poke",
        ),
        (
            "outer_pole_rad_s",
            f"w_o = {outer:g} rad/s brings momentum and place back {divergence / outer:.1f} times slower than the body falls; fed back is "
            "the momentum that only gravity changes, and not the speed, which first answers the wrong way",
        ),
        ("place_pole_rad_s", "a quarter of the outer pole, so that the carriage comes back to its place without overshoot"),
        (
            "lean_limit_rad",
            f"{degrees(gains.lean_limit_rad):.2g} deg of the {degrees(limits.recoverable_tilt_rad):.1f} deg recoverable tilt "
            + (
                "bring the cart to a stop within what is left of the track"
                if limited_by_track(limits)
                else "leave most of it to pokes while the carriage comes back"
            ),
        ),
        ("trim_pole_rad_s", f"w_t = {gains.trim_pole_rad_s:g} rad/s: an observer of the balance angle does not wind up at the lean limit"),
        (
            "trim_limit_rad",
            f"{degrees(gains.trim_limit_rad):.3g} deg are twice the unknown balance angle of {offset:.2g} deg and the "
            f"{gains.filter_time_s * bias:.2g} deg of the gyro's bias (at most the cut-off)",
        ),
        ("tilt_limit_rad", "room for the cut-off and the largest trim, so that the estimate is never cut short before a trip"),
        ("overspeed_rad_s", f"{gains.overspeed_rad_s:g} rad/s: nearly what the drive can reach, beyond which no torque is left"),
    ]
    if isinstance(gains.plant.senses, Encoders):
        reasons += [
            ("difference_filter_s", f"{1e3 * gains.difference_filter_s:g} ms smooth the steps of the encoders' counts"),
            ("stop_place_m", f"{gains.stop_place_m:.3g} m: off before the cart runs into its stop"),
        ]
    else:
        reasons += [
            (
                "filter_time_s",
                f"{gains.filter_time_s:g} s keep the accelerometer's noise, and what driving off adds to it, out of the tilt",
            ),
            ("hold_filter_time_s", "while the body is held the accelerometer is right, so the estimate follows it quickly"),
            ("place_limit_m", "beyond it only the side on which the place lies is known; the way back begins at the lean limit anyway"),
            ("sensor_timeout_ticks", f"{gains.sensor_timeout_ticks} ticks without news"),
        ]
    return tuple(reasons)
