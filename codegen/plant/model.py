"""The machine as nominal physical numbers, and its linear model about upright.

Takes: a build. Gives: a ``Plant`` in SI units and its matrices. Does not: know intervals, bits beyond the
sensors' ranges, or C.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from codegen.errors import LoopwrightError

if TYPE_CHECKING:
    from codegen.build import Build

GRAVITY_M_S2 = 9.81
"""Acceleration of free fall used unless told otherwise."""

STANDARD_GRAVITY_M_S2 = 9.80665
"""The unit "g" of accelerometer data sheets.

Source: 3rd General Conference on Weights and Measures, 1901 (BIPM, "The SI Brochure", 9th ed. 2019).
"""

_DEFAULT_WHEEL_WINDOW_S = 0.004

Matrix = NDArray[np.float64]


@dataclass(frozen=True)
class Gyro:
    """Rate sensor about the pivot axis.

    Attributes:
        counts_per_rad_s: Scale.
        noise_rad_s_sqrt_hz: One-sided noise density, (rad/s)/sqrt(Hz).
        bias_rad_s: Reading of the resting sensor.
        low_pass_hz: Corner of its first-order low-pass; 0 = none.
        counts_max: Largest reading; the smallest is ``-counts_max - 1``.
    """

    counts_per_rad_s: float
    noise_rad_s_sqrt_hz: float
    bias_rad_s: float
    low_pass_hz: float
    counts_max: int


@dataclass(frozen=True)
class Accelerometer:
    """Two-axis acceleration sensor on the body.

    Attributes:
        counts_per_m_s2: Scale.
        noise_m_s2_sqrt_hz: One-sided noise density, (m/s^2)/sqrt(Hz).
        height_m: Distance from the pivot edge.
        low_pass_hz: Corner of its first-order low-pass; 0 = none.
        counts_max: Largest reading; the smallest is ``-counts_max - 1``.
        bias_m_s2: Reading of the tangential axis where it should be zero.
    """

    counts_per_m_s2: float
    noise_m_s2_sqrt_hz: float
    height_m: float
    low_pass_hz: float
    counts_max: int
    bias_m_s2: float = 0.0


@dataclass(frozen=True)
class Plant:
    """Nominal numbers of one machine, SI units, angles in rad.

    Signs: tilt and wheel speed (relative to the body) about the same axis; positive motor torque speeds the
    wheel up and pushes the body the other way.

    Attributes:
        gravity_torque_n_m: G = (m_body l_body + m_wheel h_wheel) g, torque of gravity per sine of tilt.
        body_inertia_kg_m2: I = J_body + m_wheel h_wheel^2 about the pivot, without the wheel's spin inertia.
        wheel_inertia_kg_m2: J, about the axle.
        pivot_damping_n_m_s, pivot_coulomb_n_m: Viscous and Coulomb friction of the pivot.
        balance_offset_rad: Reading of an ideal tilt sensor at the true balance angle.
        torque_constant: K_t in N m/A, equal to K_e in V s/rad.
        resistance_ohm, supply_v, current_limit_a: Electrical numbers of the drive.
        wheel_viscous_n_m_s, wheel_coulomb_n_m, wheel_stiction_n_m, stribeck_rad_s: Friction of the wheel's
            bearing and motor.
        cogging_n_m, cogging_per_rev: Amplitude and periods per turn of the motor's cogging torque.
        current_lag_s: Time constant of the current loop (or of the winding).
        command_counts: Counts of the command at full scale.
        command_full_scale: Current (A) or voltage (V) at full scale.
        voltage_drive: Whether the command asks for a voltage instead of a current.
        gyro, accelerometer: The inertial sensors.
        wheel_counts_per_rad_s, wheel_counts_max: Scale and range of the wheel speed reading.
        period_s: T, inner loop period.
        outer_divider: n, inner ticks per outer tick.
        latency_s: From the instant a sensor reading belongs to until the command computed from it takes
            effect.
        wheel_window_ticks: Ticks over which the wheel speed sensor counts.
        gravity_m_s2: Acceleration of free fall.
        wheel_unbalance_kg_m: Eccentric mass of the wheel times its distance from the axle.
        axle_height_m: Height of the axle above the pivot edge; matters to an unbalanced wheel only.
    """

    gravity_torque_n_m: float
    body_inertia_kg_m2: float
    wheel_inertia_kg_m2: float
    pivot_damping_n_m_s: float
    pivot_coulomb_n_m: float
    balance_offset_rad: float
    torque_constant: float
    resistance_ohm: float
    supply_v: float
    current_limit_a: float
    wheel_viscous_n_m_s: float
    wheel_coulomb_n_m: float
    wheel_stiction_n_m: float
    stribeck_rad_s: float
    cogging_n_m: float
    cogging_per_rev: float
    current_lag_s: float
    command_counts: int
    command_full_scale: float
    voltage_drive: bool
    gyro: Gyro
    accelerometer: Accelerometer
    wheel_counts_per_rad_s: float
    wheel_counts_max: int
    period_s: float
    outer_divider: int
    latency_s: float
    wheel_window_ticks: int
    gravity_m_s2: float = GRAVITY_M_S2
    wheel_unbalance_kg_m: float = 0.0
    axle_height_m: float = 0.0

    def __post_init__(self) -> None:
        """Refuse numbers no machine can have: they would come back as a division by zero elsewhere."""
        for name in _POSITIVE:
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0):
                raise LoopwrightError(f"{value!r} is not a positive number", f"plant, {name}")
        for name in _NOT_NEGATIVE:
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0):
                raise LoopwrightError(f"{value!r} is not zero or a positive number", f"plant, {name}")

    @property
    def divergence_rad_s(self) -> float:
        """Lambda = sqrt(G/I): rate at which a frictionless body falls away from upright, rad/s."""
        return math.sqrt(self.gravity_torque_n_m / self.body_inertia_kg_m2)

    @property
    def torque_limit_n_m(self) -> float:
        """Largest motor torque: K_t times the current limit, or times what the supply drives at standstill if that is less."""
        return self.torque_constant * min(self.current_limit_a, self.supply_v / self.resistance_ohm)

    @property
    def holding_torque_n_m(self) -> float:
        """Largest torque on the tilt that the drive can hold against."""
        return self.torque_limit_n_m

    @property
    def top_speed_rad_s(self) -> float:
        """Wheel speed at which the back voltage equals the supply."""
        return self.supply_v / self.torque_constant

    @property
    def knee_speed_rad_s(self) -> float:
        """Largest wheel speed at which the supply still drives the full current (0 if it never does)."""
        return max(0.0, (self.supply_v - self.resistance_ohm * self.current_limit_a) / self.torque_constant)


_POSITIVE = (
    "gravity_torque_n_m",
    "body_inertia_kg_m2",
    "wheel_inertia_kg_m2",
    "torque_constant",
    "resistance_ohm",
    "supply_v",
    "current_limit_a",
    "stribeck_rad_s",
    "command_counts",
    "command_full_scale",
    "wheel_counts_per_rad_s",
    "wheel_counts_max",
    "period_s",
    "outer_divider",
    "wheel_window_ticks",
    "gravity_m_s2",
)
_NOT_NEGATIVE = (
    "pivot_damping_n_m_s",
    "pivot_coulomb_n_m",
    "wheel_viscous_n_m_s",
    "wheel_coulomb_n_m",
    "wheel_stiction_n_m",
    "cogging_n_m",
    "cogging_per_rev",
    "current_lag_s",
    "latency_s",
    "wheel_unbalance_kg_m",
    "axle_height_m",
)


def model_plant(build: Build, gravity_m_s2: float = GRAVITY_M_S2) -> Plant:
    """Return the nominal machine of a build file.

    Args:
        build: The validated build.
        gravity_m_s2: Acceleration of free fall at the place.

    Raises:
        LoopwrightError: A number is impossible for a machine.
    """
    body, wheel, drive = build.body, build.wheel, build.drive
    gyro, accelerometer, speed = build.gyro, build.accelerometer, build.wheel_speed
    arm_kg_m = body.mass_kg.value * body.com_height_m.value + wheel.mass_kg.value * wheel.axis_height_m.value
    voltage = drive.command == "voltage"
    period_s = 1.0 / build.loop.inner_hz.value
    window_ms = getattr(speed, "window_ms", None)
    window_s = _DEFAULT_WHEEL_WINDOW_S if window_ms is None else window_ms.value * 1e-3
    return Plant(
        gravity_torque_n_m=arm_kg_m * gravity_m_s2,
        body_inertia_kg_m2=body.inertia_kg_m2.value + wheel.mass_kg.value * wheel.axis_height_m.value**2,
        wheel_inertia_kg_m2=wheel.inertia_kg_m2.value,
        pivot_damping_n_m_s=body.pivot_damping_n_m_s.value,
        pivot_coulomb_n_m=body.pivot_coulomb_n_m.value,
        balance_offset_rad=math.radians(body.balance_offset_deg.value),
        torque_constant=drive.torque_constant_n_m_per_a.value,
        resistance_ohm=drive.resistance_ohm.value,
        supply_v=drive.supply_v.value,
        current_limit_a=drive.current_limit_a.value,
        wheel_viscous_n_m_s=drive.viscous_n_m_s.value,
        wheel_coulomb_n_m=drive.coulomb_n_m.value,
        wheel_stiction_n_m=drive.stiction_n_m.value,
        stribeck_rad_s=drive.stribeck_rad_s.value,
        cogging_n_m=drive.cogging_n_m.value,
        cogging_per_rev=drive.cogging_per_rev.value,
        current_lag_s=drive.current_lag_us.value * 1e-6,
        command_counts=round(drive.command_counts.value),
        command_full_scale=drive.supply_v.value if voltage else drive.current_limit_a.value,
        voltage_drive=voltage,
        gyro=Gyro(
            counts_per_rad_s=math.degrees(gyro.counts_per_dps.value),
            noise_rad_s_sqrt_hz=math.radians(gyro.noise_dps_per_sqrt_hz.value),
            bias_rad_s=math.radians(gyro.bias_dps.value),
            low_pass_hz=0.0 if gyro.low_pass_hz is None else gyro.low_pass_hz.value,
            counts_max=_largest(gyro.bits.value),
        ),
        accelerometer=Accelerometer(
            counts_per_m_s2=accelerometer.counts_per_g.value / STANDARD_GRAVITY_M_S2,
            noise_m_s2_sqrt_hz=accelerometer.noise_ug_per_sqrt_hz.value * 1e-6 * STANDARD_GRAVITY_M_S2,
            height_m=accelerometer.height_m.value,
            low_pass_hz=0.0 if accelerometer.low_pass_hz is None else accelerometer.low_pass_hz.value,
            counts_max=_largest(accelerometer.bits.value),
            bias_m_s2=accelerometer.bias_mg.value * 1e-3 * STANDARD_GRAVITY_M_S2,
        ),
        wheel_counts_per_rad_s=speed.counts_per_rad_s.value,
        wheel_counts_max=_largest(speed.bits.value),
        period_s=period_s,
        outer_divider=round(build.loop.inner_hz.value / build.loop.outer_hz.value),
        latency_s=build.loop.latency_us.value * 1e-6,
        wheel_window_ticks=max(1, round(window_s / period_s)),
        gravity_m_s2=gravity_m_s2,
        wheel_unbalance_kg_m=wheel.unbalance_g_mm.value * 1e-6,
        axle_height_m=wheel.axis_height_m.value,
    )


def linearise(plant: Plant) -> tuple[Matrix, Matrix]:
    """Matrices A (3, 3) and B (3, 1) of x' = A x + B u about upright.

    Coulomb friction, cogging and limits are left out.

    States: tilt (rad), tilt rate (rad/s), wheel rate relative to the body (rad/s). Input: motor torque (N m).

    Source: Kitz, Brehin, Sander, Vestergaard, Villarmarzo Arrunada, "Cubli: Dynamic Control of a Reaction
    Wheel Inverted Pendulum", Aalborg University, 2016, chapter 9 (with the sign of A(3,3) as in its numbers).
    """
    inertia, wheel = plant.body_inertia_kg_m2, plant.wheel_inertia_kg_m2
    gravity, pivot, bearing = plant.gravity_torque_n_m, plant.pivot_damping_n_m_s, plant.wheel_viscous_n_m_s
    ratio = (inertia + wheel) / (wheel * inertia)
    state = np.array(
        [
            [0.0, 1.0, 0.0],
            [gravity / inertia, -pivot / inertia, bearing / inertia],
            [-gravity / inertia, pivot / inertia, -ratio * bearing],
        ]
    )
    drive = np.array([[0.0], [-1.0 / inertia], [ratio]])
    return state, drive


def _largest(bits: float) -> int:
    """Largest value of a signed word."""
    return int(2 ** (round(bits) - 1)) - 1
