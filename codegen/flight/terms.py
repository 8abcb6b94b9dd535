"""What a flight is judged against: the machine's bounds, the controller's own thresholds, and the figures wanted.

Takes: a build and its design. Gives: ``FlightTerms``, plain numbers. Does not: fly anything.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from codegen.build import Build, Quantity
from codegen.design import Design

# Room above the set-point for the mean wheel speed: gyro bias and friction shift it by a few rad/s.
WHEEL_MEAN_ROOM_RAD_S = 3.0
# Torque RMS at rest: sensor noise may use 3 % of the maximum (common practice, no source); friction and cogging come on top.
TORQUE_NOISE_SHARE = 0.03
# The slow loops forget their start with time constants 1/w_o and 1/w_t; after ten of the slower one nothing is left of it.
SETTLING_TIME_CONSTANTS = 10.0
# A poke of 30 % upsets the slow loops a little: so many of their time constants, after the inner loop's own second.
RECOVERY_TIME_CONSTANTS = 1.5
RECOVERY_LEAST_S = 1.0


@dataclass(frozen=True, kw_only=True)
class Terms:
    """Bounds, thresholds and wanted figures that every machine has; SI units, rad.

    Attributes:
        recoverable_tilt_rad: Largest tilt released at rest from which full effort returns.
        poke_n_m_s: Largest angular impulse at rest from which full effort returns.
        arm_tilt_rad, stop_tilt_rad: The controller arms within the one and cuts off beyond the other.
        overspeed_rad_s: Cut-off speed of the wheel or drive.
        sensor_timeout_ticks: Ticks after which an unchanging sensor trips; 0 where a reading may rest.
        lean_limit_rad: Largest lean that the outer loop asks for.
        settling_s: Flight time after which the slow loops have settled.
        standing_hours: How long the machine has to stand.
        offset_rad: Unknown balance angle where it is not swept: half of the largest that the build allows.
        gyro_bias_rad_s: Gyro bias while standing: half of the largest that the build allows.
        tilt_rms_rad, torque_rms_share: Largest figures at rest; torque as share of the motor's maximum.
        tilt_share, poke_share: Least shares of the two bounds.
        recovery_s: Longest time to come to rest after a poke of 30 % of the bound.
        poke_goal_n_m_s: Poke that the build's goals ask for.
    """

    recoverable_tilt_rad: float
    poke_n_m_s: float
    arm_tilt_rad: float
    stop_tilt_rad: float
    overspeed_rad_s: float
    sensor_timeout_ticks: int
    lean_limit_rad: float
    settling_s: float
    standing_hours: float
    tilt_rms_rad: float
    torque_rms_share: float
    recovery_s: float
    poke_goal_n_m_s: float
    offset_rad: float
    gyro_bias_rad_s: float
    tilt_share: float = 0.9
    poke_share: float = 0.9

    @property
    def sweep_rad(self) -> tuple[float, ...]:
        """Balance angles that standing is tried from: both signs of the usual one and of twice it, the largest last."""
        return (self.offset_rad, -self.offset_rad, 2.0 * self.offset_rad, -2.0 * self.offset_rad)


@dataclass(frozen=True, kw_only=True)
class FlightTerms(Terms):
    """The terms of a body with a reaction wheel.

    Attributes:
        wheel_setpoint_rad_s: Wheel speed held at rest.
        wheel_mean_rad_s: Largest mean wheel speed at rest.
    """

    wheel_setpoint_rad_s: float
    wheel_mean_rad_s: float


def set_terms(build: Build, design: Design) -> FlightTerms:
    """The terms that follow from a build's goals and its design."""
    plant, limits = design.plant, design.limits
    friction = plant.wheel_coulomb_n_m + plant.wheel_viscous_n_m_s * design.wheel_setpoint_rad_s
    restless = math.hypot(friction, plant.cogging_n_m / math.sqrt(2.0)) / plant.torque_limit_n_m
    slowest = min(design.outer_pole_rad_s, design.trim_pole_rad_s)
    return FlightTerms(
        recoverable_tilt_rad=limits.recoverable_tilt_rad,
        poke_n_m_s=limits.poke_n_m_s,
        arm_tilt_rad=design.arm_tilt_rad,
        stop_tilt_rad=design.stop_tilt_rad,
        overspeed_rad_s=design.overspeed_rad_s,
        sensor_timeout_ticks=design.sensor_timeout_ticks,
        lean_limit_rad=design.lean_limit_rad,
        wheel_setpoint_rad_s=design.wheel_setpoint_rad_s,
        settling_s=SETTLING_TIME_CONSTANTS / slowest,
        standing_hours=build.goals.standing_hours.value,
        tilt_rms_rad=math.radians(build.goals.calm_tilt_rms_deg.value),
        wheel_mean_rad_s=design.wheel_setpoint_rad_s + WHEEL_MEAN_ROOM_RAD_S,
        torque_rms_share=TORQUE_NOISE_SHARE + restless,
        recovery_s=RECOVERY_TIME_CONSTANTS / slowest + RECOVERY_LEAST_S,
        poke_goal_n_m_s=build.goals.poke_n_m_s.value,
        offset_rad=math.radians(0.5 * _largest_size(build.body.balance_offset_deg)),
        gyro_bias_rad_s=math.radians(0.5 * _largest_size(build.gyro.bias_dps)),
    )


def _largest_size(quantity: Quantity) -> float:
    return max(abs(quantity.low), abs(quantity.high))
