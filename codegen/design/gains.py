"""The control law's numbers, and how they follow from the machine.

Takes a :class:`~codegen.plant.Plant` and the poles wanted; gives :class:`Gains`. Judges nothing.

The law (T the period, n = ``plant.outer_divider``, c = T/filter time, g gravity; I, J, G, lambda of the
machine)::

    angle = a_tangential/g
    tilt  = tilt + T rate + c (angle - tilt)                        clamped to the tilt limit
    H     = J wheel + (I + J) rate                                  momentum
    every n ticks, with means over those n ticks:
        E    = H_mean - H_estimate
        H_estimate += n T (G (tilt_mean - trim) + 1.4 w_t E)        with the trim before its update
        trim -= n T (w_t^2/G) E                                     clamped to the trim limit
        lean  = -k_H (H_mean - J wheel_setpoint)                    clamped to the lean limit
    torque = Kp (tilt - trim) + Kd rate - I lambda w lean + wheel gain * wheel

With xi = tilt + rate/lambda this is torque = G xi + I lambda w (xi - lean): the first term cancels gravity
along the one direction that grows, the second moves that direction's pole to -w; the other pole stays at
-lambda.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

from codegen.plant import Plant

TRIM_DAMPING = 1.4
"""2 zeta of the trim observer's two poles; zeta = 0.7, common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class Gains:
    """All numbers of the control law; SI units, angles in rad.

    Attributes:
        plant: The nominal machine they were made for.
        inner_pole_rad_s: w, closed-loop pole of the direction that would grow.
        proportional_n_m_per_rad: Kp = G + I lambda w.
        derivative_n_m_s_per_rad: Kd = Kp/lambda.
        lean_gain_n_m_per_rad: I lambda w, torque per rad of wanted lean.
        filter_time_s: Time constant of the complementary filter while armed.
        hold_filter_time_s: The same while disarmed and held, when the accelerometer can be believed at once.
        outer_pole_rad_s: w_o, rate at which the wheel's momentum is brought back.
        momentum_gain_rad_per_n_m_s: k_H = w_o/G.
        lean_limit_rad: Largest lean the outer loop may ask for.
        trim_pole_rad_s: w_t, natural frequency of the trim observer.
        trim_limit_rad: Largest trim.
        wheel_setpoint_rad_s: Wheel speed to hold, away from the friction's jump at standstill.
        tilt_limit_rad: Clamp of the tilt estimate.
        arm_tilt_rad: Arms only within this estimated tilt.
        stop_tilt_rad: Trips beyond this estimated tilt.
        overspeed_rad_s: Trips beyond this wheel speed.
        sensor_timeout_ticks: Trips after so many ticks without a fresh or changing sensor.
        wheel_gain_n_m_s: Torque command per rad/s of wheel speed: K_t^2/R for a voltage drive, where it
            makes up for the back-EMF, and 0 for a current drive.
    """

    plant: Plant
    inner_pole_rad_s: float
    proportional_n_m_per_rad: float
    derivative_n_m_s_per_rad: float
    lean_gain_n_m_per_rad: float
    filter_time_s: float
    hold_filter_time_s: float
    outer_pole_rad_s: float
    momentum_gain_rad_per_n_m_s: float
    lean_limit_rad: float
    trim_pole_rad_s: float
    trim_limit_rad: float
    wheel_setpoint_rad_s: float
    tilt_limit_rad: float
    arm_tilt_rad: float
    stop_tilt_rad: float
    overspeed_rad_s: float
    sensor_timeout_ticks: int
    wheel_gain_n_m_s: float

    @property
    def counts_per_n_m(self) -> float:
        """Drive command in counts per N m of wanted torque, for a current or a voltage drive."""
        per_n_m = 1.0 / self.plant.torque_constant
        if self.plant.voltage_drive:
            per_n_m *= self.plant.resistance_ohm
        return per_n_m * self.plant.command_counts / self.plant.command_full_scale


@dataclass(frozen=True)
class Poles:
    """The free choices of the linear law: w, w_o, w_t in rad/s, and the complementary filter's time in s."""

    inner_rad_s: float
    outer_rad_s: float
    trim_rad_s: float
    filter_time_s: float


@dataclass(frozen=True)
class Ceilings:
    """Limits and thresholds of the law, as in :class:`Gains`; they do not touch the linear loop."""

    lean_rad: float
    trim_rad: float
    tilt_rad: float
    arm_tilt_rad: float
    stop_tilt_rad: float
    overspeed_rad_s: float
    sensor_timeout_ticks: int
    hold_filter_time_s: float


def place_gains(plant: Plant, poles: Poles, ceilings: Ceilings, wheel_setpoint_rad_s: float) -> Gains:
    """Gains that put the inner and outer poles of the ideal (undelayed, frictionless) machine at ``poles``.

    Source: pole placement on xi' = lambda xi - torque/(I lambda) and H' = G tilt, derived here.
    """
    divergence, gravity = plant.divergence_rad_s, plant.gravity_torque_n_m
    lean_gain = plant.body_inertia_kg_m2 * divergence * poles.inner_rad_s
    back_emf = plant.torque_constant**2 / plant.resistance_ohm
    return Gains(
        plant=plant,
        inner_pole_rad_s=poles.inner_rad_s,
        proportional_n_m_per_rad=gravity + lean_gain,
        derivative_n_m_s_per_rad=(gravity + lean_gain) / divergence,
        lean_gain_n_m_per_rad=lean_gain,
        filter_time_s=poles.filter_time_s,
        hold_filter_time_s=ceilings.hold_filter_time_s,
        outer_pole_rad_s=poles.outer_rad_s,
        momentum_gain_rad_per_n_m_s=poles.outer_rad_s / gravity,
        lean_limit_rad=ceilings.lean_rad,
        trim_pole_rad_s=poles.trim_rad_s,
        trim_limit_rad=ceilings.trim_rad,
        wheel_setpoint_rad_s=wheel_setpoint_rad_s,
        tilt_limit_rad=ceilings.tilt_rad,
        arm_tilt_rad=ceilings.arm_tilt_rad,
        stop_tilt_rad=ceilings.stop_tilt_rad,
        overspeed_rad_s=ceilings.overspeed_rad_s,
        sensor_timeout_ticks=ceilings.sensor_timeout_ticks,
        wheel_gain_n_m_s=back_emf if plant.voltage_drive else 0.0,
    )


def friendly(value: float) -> float:
    """``value`` > 0 rounded to two significant digits."""
    return float(f"{value:.2g}")


def round_up(value: float, step: float) -> float:
    """The least multiple of ``step`` > 0 that is not below ``value`` (a part in 1e9 is forgiven)."""
    return step * ceil(value / step - 1e-9)
