"""What is asked of a rolling balancer against what it can give, with the part to change where it falls short.

Takes a build, the chosen gains with their figures, and the limits; gives one :class:`~codegen.design.goals.Verdict` per goal.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import degrees, inf

from codegen.build import RollingBuild
from codegen.design.goals import (
    CORNER_PEAK_TARGET,
    DEAD_TIME_SHARE,
    DELAY_MARGIN_DEAD_TIMES,
    DISK_MARGIN_TARGET,
    GAIN_MARGIN_DOWN_TARGET,
    GAIN_MARGIN_UP_TARGET,
    LEAST_TILT_DEG,
    PEAK_SENSITIVITY_TARGET,
    POKE_SHARE,
    TORQUE_NOISE_TARGET,
    Unknowns,
    Verdict,
    at_least,
    at_most,
)
from codegen.design.margins import Margins
from codegen.design.rolling.gains import RollingGains
from codegen.design.rolling.limits import RollingLimits
from codegen.design.rolling.loop import RollingRest
from codegen.plant.rolling import Encoders

# An encoder's counts make the command hop at rest, and a quiet carriage is worth less than a quiet tilt: common practice, no source.
ENCODER_TORQUE_TARGET = 0.06


# On a track the way back costs travel that the bound does not know of, which is found with the future known: found by simulation.
TRACK_SHARE = 0.8


@dataclass(frozen=True)
class RollingAchieved:
    """Gains with their figures: margins at the nominal machine and at labelled corners, wiggle at rest."""

    gains: RollingGains
    margins: Margins
    corners: tuple[tuple[str, Margins], ...]
    rest: RollingRest


def judge_rolling_goals(
    build: RollingBuild, limits: RollingLimits, achieved: RollingAchieved, unknowns: Unknowns
) -> tuple[Verdict, ...]:
    """All verdicts: the build's goals first, then what the machine's parts and margins should be."""
    gains, goals, rest = achieved.gains, build.goals, achieved.rest
    offset_deg = degrees(unknowns.offset_rad)
    caught = degrees((TRACK_SHARE if limited_by_track(limits) else 1.0) * limits.recoverable_tilt_rad) + offset_deg
    needed = offset_deg + gains.filter_time_s * degrees(unknowns.bias_rad_s)
    stronger = "raise drive.current_limit_a, or lower the body's mass or height"
    on_track = limited_by_track(limits)
    poke = (TRACK_SHARE if on_track else POKE_SHARE) * limits.poke_n_m_s
    verdicts = [
        at_least("goals.poke_n_m_s", goals.poke_n_m_s.value, poke, "N m s", f"ask for at most {poke:.3g}, or {stronger}{_longer(limits)}"),
        at_most(
            "goals.arm_tilt_deg",
            caught,
            goals.arm_tilt_deg.value,
            "deg",
            f"lower goals.arm_tilt_deg to at most {caught:.1f}: beyond it the body cannot be caught; or {stronger}{_longer(limits)}",
        ),
        at_least(
            "goals.stop_tilt_deg",
            caught,
            goals.stop_tilt_deg.value,
            "deg",
            f"raise goals.stop_tilt_deg to {caught:.1f} or more, or the cut-off ends recoveries that would succeed",
        ),
        at_most(
            "goals.calm_tilt_rms_deg",
            goals.calm_tilt_rms_deg.value,
            degrees(rest.tilt_rad),
            "deg",
            f"take quieter or finer sensors, or allow at least {degrees(rest.tilt_rad):.2g}",
        ),
        at_most(
            "goals.stay_within_m",
            goals.stay_within_m.value,
            3.0 * rest.place_m,
            "m",
            f"take quieter or finer sensors, or allow at least {3.0 * rest.place_m:.2g}",
        ),
        at_least(
            "goals.standing_hours: trim range, without which the carriage creeps away",
            needed,
            degrees(gains.trim_limit_rad),
            "deg",
            "measure the balance angle and the sensors' bias and give narrower intervals, or raise goals.stop_tilt_deg",
        ),
        at_most(
            "dead time of the loop",
            1e3 * DEAD_TIME_SHARE / limits.divergence_rad_s,
            1e3 * limits.dead_time_s,
            "ms",
            "shorten loop.latency_us, raise loop.hz, or speed up the sensors' filters and the current loop",
        ),
        at_least("recoverable tilt", LEAST_TILT_DEG, degrees(limits.recoverable_tilt_rad), "deg", f"{stronger}{_longer(limits)}"),
        _torque_noise(achieved),
        *_margins(achieved, limits),
        _corner(achieved),
    ]
    return tuple(verdicts)


def meets_rolling_targets(achieved: RollingAchieved, limits: RollingLimits) -> bool:
    """Whether the targets on the nominal margins and on the torque's wiggle hold."""
    return all(verdict.holds for verdict in (_torque_noise(achieved), *_margins(achieved, limits)))


def meets_rolling_corner_target(achieved: RollingAchieved) -> bool:
    """Whether the target on the corners holds."""
    return _corner(achieved).holds


def limited_by_track(limits: RollingLimits) -> bool:
    """Whether the track ends before the drive's force does."""
    return limits.track_poke_n_m_s < limits.full_effort_poke_n_m_s


def _longer(limits: RollingLimits) -> str:
    """The track as a remedy, where it is what limits."""
    return ", or lengthen cart.track_m" if limited_by_track(limits) else ""


def _torque_noise(achieved: RollingAchieved) -> Verdict:
    plant = achieved.gains.plant
    target = ENCODER_TORQUE_TARGET if isinstance(plant.senses, Encoders) else TORQUE_NOISE_TARGET
    share = achieved.rest.torque_n_m / plant.torque_limit_n_m
    return at_most("torque wiggle at rest", 100.0 * target, 100.0 * share, "% of the torque limit", "take quieter or finer sensors")


def _margins(achieved: RollingAchieved, limits: RollingLimits) -> tuple[Verdict, ...]:
    """Verdicts on the nominal margins, of a stable loop."""
    margins = achieved.margins
    remedy = f"shorten the loop's dead time of {1e3 * limits.dead_time_s:.2f} ms, or slow the body's fall (a taller body)"
    return (
        at_most("peak sensitivity", PEAK_SENSITIVITY_TARGET, margins.peak_sensitivity, "1", remedy),
        at_least("disk margin", DISK_MARGIN_TARGET, margins.disk_margin, "1", remedy),
        at_least("delay margin", 1e3 * DELAY_MARGIN_DEAD_TIMES * limits.dead_time_s, 1e3 * margins.delay_margin_s, "ms", remedy),
        at_most("gain margin down", GAIN_MARGIN_DOWN_TARGET, margins.gain_margin_down, "1", remedy),
        at_least("gain margin up", GAIN_MARGIN_UP_TARGET, margins.gain_margin_up, "1", remedy),
    )


def _corner(achieved: RollingAchieved) -> Verdict:
    """Verdict on the worst corner; an unstable one has an endless peak."""
    peak, label = max((margins.peak_sensitivity if margins.stable else inf, label) for label, margins in achieved.corners)
    remedy = "shorten the loop's dead time, or slow the body's fall (a taller body)"
    return at_most(f"peak sensitivity at the worst corner ({label})", CORNER_PEAK_TARGET, peak, "1", remedy)
