"""What is asked of the machine against what it can give, with the part to change where it falls short.

Takes a build, its plant, and the chosen gains with their figures; gives one :class:`Verdict` per goal.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import degrees, floor, inf
from typing import Literal

from scipy.optimize import brentq

from codegen.build import Build
from codegen.design.gains import Gains
from codegen.design.limits import (
    RING_FIGURE_WANTED,
    Limits,
    dead_time,
    effort_speed,
    full_effort_excursion,
    reachable_speed,
    recoverable_poke,
)
from codegen.design.margins import Margins
from codegen.design.rest import RestNoise
from codegen.plant import Plant

# Targets of the design procedure; common practice of the trade, no source, unless said otherwise.
PEAK_SENSITIVITY_TARGET = 1.4
CORNER_PEAK_TARGET = 1.7
DISK_MARGIN_TARGET = 0.8
DELAY_MARGIN_DEAD_TIMES = 3.0
GAIN_MARGIN_DOWN_TARGET = 0.5
GAIN_MARGIN_UP_TARGET = 4.0
TORQUE_NOISE_TARGET = 0.03
POKE_SHARE = 0.9
"""Share of the full-effort bound a design is trusted with; the rest pays for dead time and wrong numbers."""
DEAD_TIME_SHARE = 0.1
LEAST_TILT_DEG = 6.0
SETPOINT_SHARE = 0.1

_LARGEST_CHANGE = 4.0


@dataclass(frozen=True)
class Verdict:
    """One goal: ``reached`` must be ``relation`` ``wanted``; ``remedy`` is the change to make, if any."""

    goal: str
    wanted: float
    reached: float
    unit: str
    holds: bool
    remedy: str
    relation: Literal["at least", "at most"]


@dataclass(frozen=True)
class Unknowns:
    """Largest sizes of what only the running machine shows: true balance angle (rad), gyro bias (rad/s)."""

    offset_rad: float
    bias_rad_s: float


@dataclass(frozen=True)
class Achieved:
    """Gains with their figures: margins at the nominal machine and at labelled corners, wiggle at rest."""

    gains: Gains
    margins: Margins
    corners: tuple[tuple[str, Margins], ...]
    rest: RestNoise


def judge_goals(build: Build, limits: Limits, achieved: Achieved, unknowns: Unknowns) -> tuple[Verdict, ...]:
    """All verdicts: the build's goals first, then what the machine's parts and margins should be."""
    gains = achieved.gains
    return (
        _poke(build, gains),
        _arm_tilt(gains, limits, unknowns),
        _stop_tilt(gains, limits, unknowns),
        _calm_tilt(build, limits, achieved.rest),
        _standing(gains, unknowns),
        _latency(gains.plant, limits),
        _ring(gains.plant, limits),
        _recoverable_tilt(gains.plant, limits),
        _setpoint(gains),
        _overspeed(gains),
        _torque_noise(achieved),
        *_margins(achieved),
        _corner(achieved),
    )


def judge_parts(limits: Limits, gains: Gains, unknowns: Unknowns) -> tuple[Verdict, ...]:
    """The verdicts that do not depend on the law: what the machine's parts allow."""
    return (
        _arm_tilt(gains, limits, unknowns),
        _stop_tilt(gains, limits, unknowns),
        _latency(gains.plant, limits),
        _ring(gains.plant, limits),
        _recoverable_tilt(gains.plant, limits),
    )


def meets_targets(achieved: Achieved) -> bool:
    """Whether the targets on the nominal margins and on the torque's wiggle hold."""
    return all(verdict.holds for verdict in (_torque_noise(achieved), *_margins(achieved)))


def meets_corner_target(achieved: Achieved) -> bool:
    """Whether the target on the corners holds."""
    return _corner(achieved).holds


def at_least(goal: str, wanted: float, reached: float, unit: str, remedy: str) -> Verdict:
    """The verdict on a figure that must not be smaller than wanted."""
    holds = reached >= wanted
    return Verdict(goal, wanted, reached, unit, holds, "" if holds else remedy, "at least")


def at_most(goal: str, wanted: float, reached: float, unit: str, remedy: str) -> Verdict:
    """The verdict on a figure that must not be larger than wanted."""
    holds = reached <= wanted
    return Verdict(goal, wanted, reached, unit, holds, "" if holds else remedy, "at most")


def _poke(build: Build, gains: Gains) -> Verdict:
    wanted = build.goals.poke_n_m_s.value
    plant = gains.plant
    impulse = plant.body_inertia_kg_m2 * recoverable_poke(plant, gains.wheel_setpoint_rad_s)
    reached = POKE_SHARE * impulse
    remedy = "" if reached >= wanted else _poke_remedy(plant, gains.wheel_setpoint_rad_s, wanted / reached)
    return at_least("goals.poke_n_m_s", wanted, reached, "N m s", remedy)


def _poke_remedy(plant: Plant, wheel_rad_s: float, shortfall: float) -> str:
    """The parts that can raise the recoverable poke by ``shortfall`` > 1 times, smallest change first, in words."""
    needed = shortfall * full_effort_excursion(plant, wheel_rad_s)
    ways = []
    for attribute, key, unit in (
        ("current_limit_a", "drive.current_limit_a (the motor's torque)", "A"),
        ("supply_v", "drive.supply_v (the wheel's top speed)", "V"),
        ("wheel_inertia_kg_m2", "wheel.inertia_kg_m2 (a larger ring)", "kg m^2"),
    ):
        factor = _needed_factor(plant, attribute, wheel_rad_s, needed)
        if factor is not None:
            now = float(getattr(plant, attribute))
            ways.append((factor, f"raise {key} from {now:.3g} to at least {now * factor:.3g} {unit}"))
    if not ways:
        return (
            f"no single part reaches it within {_LARGEST_CHANGE:.0f} times its size: lower goals.poke_n_m_s "
            "by a factor of "
            f"{shortfall:.2f}, or take a stronger motor, a higher supply and a larger ring together"
        )
    return "; or ".join(way for _, way in sorted(ways))


def _needed_factor(plant: Plant, attribute: str, wheel_rad_s: float, needed_rad: float) -> float | None:
    """Factor on a number of the plant at which the recoverable excursion is ``needed_rad``; None beyond 4."""

    def shortage(factor: float) -> float:
        changed = replace(plant, **{attribute: getattr(plant, attribute) * factor})
        return needed_rad - full_effort_excursion(changed, wheel_rad_s)

    if shortage(_LARGEST_CHANGE) > 0.0:
        return None
    return float(brentq(shortage, 1.0, _LARGEST_CHANGE, rtol=1e-3))


def _arm_tilt(gains: Gains, limits: Limits, unknowns: Unknowns) -> Verdict:
    caught = degrees(limits.recoverable_tilt_rad + unknowns.offset_rad)
    return at_most(
        "goals.arm_tilt_deg",
        caught,
        degrees(gains.arm_tilt_rad),
        "deg",
        f"lower goals.arm_tilt_deg to at most {caught:.1f}: beyond it the body cannot be caught, whatever "
        "the true balance "
        "angle; or raise drive.current_limit_a, or lower the body's mass or height",
    )


def _stop_tilt(gains: Gains, limits: Limits, unknowns: Unknowns) -> Verdict:
    needed = degrees(limits.recoverable_tilt_rad + unknowns.offset_rad)
    return at_least(
        "goals.stop_tilt_deg",
        needed,
        degrees(gains.stop_tilt_rad),
        "deg",
        f"raise goals.stop_tilt_deg to {needed:.1f} or more, or the cut-off ends recoveries that would succeed",
    )


def _calm_tilt(build: Build, limits: Limits, rest: RestNoise) -> Verdict:
    wanted, reached = build.goals.calm_tilt_rms_deg.value, degrees(rest.tilt_rad)
    least = degrees(limits.sampled_floor_rad)
    if wanted < least:
        density = build.gyro.noise_dps_per_sqrt_hz.value * wanted / least
        remedy = (
            f"no estimator gets below {least:.2g} deg with these sensors: take a gyro with "
            "noise_dps_per_sqrt_hz of at most "
            f"{density:.2g}, or raise goals.calm_tilt_rms_deg"
        )
    else:
        remedy = (
            f"a quieter accelerometer (noise {build.accelerometer.noise_ug_per_sqrt_hz.value:g} ug per root "
            "hertz now), or "
            f"more wheel counts and command counts, or goals.calm_tilt_rms_deg of at least {reached:.2g}"
        )
    return at_most("goals.calm_tilt_rms_deg", wanted, reached, "deg", remedy)


def _standing(gains: Gains, unknowns: Unknowns) -> Verdict:
    needed = degrees(unknowns.offset_rad + gains.filter_time_s * unknowns.bias_rad_s)
    return at_least(
        "goals.standing_hours: trim range, without which the wheel creeps to top speed",
        needed,
        degrees(gains.trim_limit_rad),
        "deg",
        "measure the gyro's bias at rest and the balance angle, and give sensors.gyro.bias_dps and "
        "body.balance_offset_deg "
        "narrower intervals; or raise goals.stop_tilt_deg",
    )


def _latency(plant: Plant, limits: Limits) -> Verdict:
    wanted, reached = DEAD_TIME_SHARE / limits.divergence_rad_s, dead_time(plant)
    latency_us = 1e6 * (plant.latency_s - (reached - wanted))
    if latency_us > 0.0:
        remedy = f"bring loop.latency_us down to {floor(latency_us)}"
    else:
        remedy = "no latency is short enough: raise loop.inner_hz, low_pass_hz, or the current loop's speed"
    return at_most("dead time of the loop", 1e3 * wanted, 1e3 * reached, "ms", remedy)


def _ring(plant: Plant, limits: Limits) -> Verdict:
    supply = plant.supply_v * RING_FIGURE_WANTED / limits.ring_figure
    return at_least(
        "ring size (divergence x momentum at top speed / torque)",
        RING_FIGURE_WANTED,
        limits.ring_figure,
        "1",
        f"raise wheel.inertia_kg_m2 from {plant.wheel_inertia_kg_m2:.3g} to "
        f"{limits.smallest_ring_kg_m2:.3g}, or "
        f"drive.supply_v to {supply:.3g}",
    )


def _recoverable_tilt(plant: Plant, limits: Limits) -> Verdict:
    reached = degrees(limits.recoverable_tilt_rad)
    current = plant.current_limit_a * LEAST_TILT_DEG / max(reached, 1e-3)
    return at_least(
        "recoverable tilt",
        LEAST_TILT_DEG,
        reached,
        "deg",
        f"raise drive.current_limit_a towards {current:.2g}, or lower the body's mass or height",
    )


def _setpoint(gains: Gains) -> Verdict:
    most = SETPOINT_SHARE * reachable_speed(gains.plant)
    return at_most(
        "wheel set-point",
        most,
        gains.wheel_setpoint_rad_s,
        "rad/s",
        "it has to clear the wheel's friction and the shift by the gyro's bias: take a smoother motor or a "
        "larger ring, or measure the bias at rest and give sensors.gyro.bias_dps a narrower interval",
    )


def _overspeed(gains: Gains) -> Verdict:
    return at_least(
        f"over-speed trip against the speed of a poke of {POKE_SHARE:.1f} of the bound",
        effort_speed(gains.plant, POKE_SHARE, gains.wheel_setpoint_rad_s),
        gains.overspeed_rad_s,
        "rad/s",
        "raise wheel.inertia_kg_m2 or drive.supply_v, so that the wheel stays clear of its top speed",
    )


def _torque_noise(achieved: Achieved) -> Verdict:
    return at_most(
        "torque wiggle at rest",
        100.0 * TORQUE_NOISE_TARGET,
        100.0 * achieved.rest.torque_n_m / achieved.gains.plant.torque_limit_n_m,
        "% of the torque limit",
        "a quieter gyro, more wheel counts or more command counts",
    )


def _margins(achieved: Achieved) -> tuple[Verdict, ...]:
    """Verdicts on the nominal margins, of a stable loop."""
    plant, margins = achieved.gains.plant, achieved.margins
    remedy = _sooner(plant)
    delays_ms = 1e3 * DELAY_MARGIN_DEAD_TIMES * dead_time(plant)
    return (
        at_most("peak sensitivity", PEAK_SENSITIVITY_TARGET, margins.peak_sensitivity, "1", remedy),
        at_least("disk margin", DISK_MARGIN_TARGET, margins.disk_margin, "1", remedy),
        at_least("delay margin", delays_ms, 1e3 * margins.delay_margin_s, "ms", remedy),
        at_most("gain margin down", GAIN_MARGIN_DOWN_TARGET, margins.gain_margin_down, "1", remedy),
        at_least("gain margin up", GAIN_MARGIN_UP_TARGET, margins.gain_margin_up, "1", remedy),
    )


def _corner(achieved: Achieved) -> Verdict:
    """Verdict on the worst corner; an unstable one has an endless peak."""
    peak, label = max((_peak(margins), label) for label, margins in achieved.corners)
    goal = f"peak sensitivity at the worst corner ({label})"
    return at_most(goal, CORNER_PEAK_TARGET, peak, "1", _sooner(achieved.gains.plant))


def _sooner(plant: Plant) -> str:
    return (
        f"shorten the loop's dead time of {1e3 * dead_time(plant):.2f} ms (latency_us, low_pass_hz, "
        "inner_hz), "
        "or slow the body's fall (a taller or more extended body)"
    )


def _peak(margins: Margins) -> float:
    return margins.peak_sensitivity if margins.stable else inf
