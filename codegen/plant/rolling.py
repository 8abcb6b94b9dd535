"""Rolling balancers as nominal physical numbers: a pendulum on a cart, and a body on two driven wheels; their linear model.

Takes: a build. Gives: a ``RollingPlant`` in SI units and its matrices. Does not: know intervals, bits beyond the sensors' ranges,
or C.

Both are one mechanism. Let x be the carriage's place, th the body's tilt (positive towards +x), M everything that moves along x with
spinning parts as inertia/radius^2, P the body's mass times the height of its centre of mass above the pivot or axle, I its inertia
about that, tau the torque of all motors on wheel or pulley of radius r, and s = 1 if the motors sit on the body (which they then push
back), 0 if they sit on the rail. Lagrange's equations with kinetic energy M x'^2/2 + P cos(th) x' th' + I th'^2/2 and potential energy
P g cos(th) are::

    M x'' + P cos(th) th'' = tau/r + P sin(th) th'^2 - friction
    P cos(th) x'' + I th'' = P g sin(th) - s tau - friction

With s = 0 this is the balance system of Astrom, Murray, *Feedback Systems* (2008), example 2.1 (from memory; there the tilt has the
other sign). About upright and without friction, D = M I - P^2, c = s r, the tilt alone obeys ``Ie th'' = G th - N tau/r`` with
Ie = D/M, G = P g, N = P/M + c, so lambda = sqrt(G/Ie); and the momentum H = (I + c P) th' + (P + c M) x' obeys H' = G sin(th)
exactly but for friction with the ground: only gravity changes it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from codegen.build.rolling import CartBuild, RollingDrive, TrolleyBuild
from codegen.errors import LoopwrightError
from codegen.plant.model import GRAVITY_M_S2, STANDARD_GRAVITY_M_S2, Accelerometer, Gyro, Matrix


@dataclass(frozen=True)
class Inertial:
    """Sensors on the body: rate, acceleration, and the wheel's speed against the body.

    Attributes:
        gyro, accelerometer: As for every machine; the accelerometer's height is above the axle.
        wheel_counts_per_rad_s, wheel_counts_max: Scale and range of the wheel speed reading.
        wheel_window_ticks: Ticks over which it counts.
    """

    gyro: Gyro
    accelerometer: Accelerometer
    wheel_counts_per_rad_s: float
    wheel_counts_max: int
    wheel_window_ticks: int


@dataclass(frozen=True)
class Encoders:
    """Encoders of the carriage's place and of the body's tilt.

    Attributes:
        position_counts_per_m, position_counts_max: Scale and range, zero in the middle of the track.
        angle_counts_per_rad, angle_counts_max: Scale and range, zero where the builder took upright to be.
    """

    position_counts_per_m: float
    position_counts_max: int
    angle_counts_per_rad: float
    angle_counts_max: int


@dataclass(frozen=True, kw_only=True)
class RollingPlant:
    """Nominal numbers of one machine, SI units, angles in rad; symbols as in the module's text.

    Attributes:
        mass_kg: M.
        moment_kg_m: P.
        inertia_kg_m2: I.
        body_mass_kg: Mass of the body alone, part of M.
        radius_m: r of the driven wheel or pulley.
        stator_on_body: Whether the motors push the body back.
        pivot_damping_n_m_s, pivot_coulomb_n_m: Friction of a pendulum's pivot.
        rail_viscous_n_s_m, rail_coulomb_n: Friction of the carriage with the rail, or the floor's rolling resistance.
        half_track_m: Free travel to either side; infinite on a floor.
        push_height_m: Height of a finger above the pivot or axle.
        balance_offset_rad: Reading of an ideal tilt sensor at the true balance angle.
        motors: Number of equal motors that get the same command.
        torque_constant: K_t in N m/A of one motor, equal to K_e in V s/rad.
        resistance_ohm, supply_v, current_limit_a: Electrical numbers of one motor's drive.
        drive_viscous_n_m_s, drive_coulomb_n_m: Friction of all motors together.
        current_lag_s: Time constant of the current loop (or of the winding).
        command_counts: Counts of the command at full scale.
        command_full_scale: Current (A) or voltage (V) at full scale.
        voltage_drive: Whether the command asks for a voltage instead of a current.
        senses: What the controller reads.
        period_s: T, loop period.
        latency_s: From the instant a reading belongs to until the command computed from it takes effect.
        gravity_m_s2: Acceleration of free fall.
    """

    mass_kg: float
    moment_kg_m: float
    inertia_kg_m2: float
    body_mass_kg: float
    radius_m: float
    stator_on_body: bool
    pivot_damping_n_m_s: float
    pivot_coulomb_n_m: float
    rail_viscous_n_s_m: float
    rail_coulomb_n: float
    half_track_m: float
    push_height_m: float
    balance_offset_rad: float
    motors: int
    torque_constant: float
    resistance_ohm: float
    supply_v: float
    current_limit_a: float
    drive_viscous_n_m_s: float
    drive_coulomb_n_m: float
    current_lag_s: float
    command_counts: int
    command_full_scale: float
    voltage_drive: bool
    senses: Inertial | Encoders
    period_s: float
    latency_s: float
    gravity_m_s2: float = GRAVITY_M_S2

    def __post_init__(self) -> None:
        """Refuse numbers no machine can have: they would come back as a division by zero elsewhere."""
        for name in ("mass_kg", "moment_kg_m", "inertia_kg_m2", "radius_m", "resistance_ohm", "torque_constant", "period_s"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0):
                raise LoopwrightError(f"{value!r} is not a positive number", f"plant, {name}")
        if self.determinant <= 0:
            raise LoopwrightError("the body's inertia is less than its mass and height allow", "plant, inertia_kg_m2")

    @property
    def determinant(self) -> float:
        """D = M I - P^2 in kg^2 m^2."""
        return self.mass_kg * self.inertia_kg_m2 - self.moment_kg_m**2

    @property
    def stator_arm_m(self) -> float:
        """C = s r: how far the motors' force reaches around the body, m."""
        return self.radius_m if self.stator_on_body else 0.0

    @property
    def gravity_torque_n_m(self) -> float:
        """G = P g."""
        return self.moment_kg_m * self.gravity_m_s2

    @property
    def effective_inertia_kg_m2(self) -> float:
        """Ie = D/M: what the tilt's acceleration costs while the carriage is free."""
        return self.determinant / self.mass_kg

    @property
    def arm_m(self) -> float:
        """N = P/M + c: torque on the tilt per newton of driving force."""
        return self.moment_kg_m / self.mass_kg + self.stator_arm_m

    @property
    def divergence_rad_s(self) -> float:
        """Lambda = sqrt(G/Ie): rate at which the frictionless body falls away from upright, rad/s."""
        return math.sqrt(self.gravity_torque_n_m / self.effective_inertia_kg_m2)

    @property
    def momentum_per_rate(self) -> float:
        """I + c P: momentum per rad/s of tilt rate at fixed speed, kg m^2."""
        return self.inertia_kg_m2 + self.stator_arm_m * self.moment_kg_m

    @property
    def momentum_per_speed(self) -> float:
        """P + c M: momentum per m/s of the carriage, kg m."""
        return self.moment_kg_m + self.stator_arm_m * self.mass_kg

    @property
    def torque_limit_n_m(self) -> float:
        """Largest torque of all motors: by the current limit, or by what the supply drives at standstill."""
        return self.motors * self.torque_constant * min(self.current_limit_a, self.supply_v / self.resistance_ohm)

    @property
    def holding_torque_n_m(self) -> float:
        """Largest torque of a finger about the pivot or axle that the drive can hold against.

        A finger's torque d at the push height h tips with d (1 - P/(M h)) only, since it moves the carriage along; held is N F.
        """
        held = self.arm_m * self.torque_limit_n_m / self.radius_m
        return held / (1.0 - self.moment_kg_m / (self.mass_kg * self.push_height_m))

    @property
    def top_speed_rad_s(self) -> float:
        """Speed of the drive's output at which the back voltage equals the supply."""
        return self.supply_v / self.torque_constant

    @property
    def knee_speed_rad_s(self) -> float:
        """Largest speed at which the supply still drives the full current (0 if it never does)."""
        return max(0.0, (self.supply_v - self.resistance_ohm * self.current_limit_a) / self.torque_constant)


def model_cart(build: CartBuild, gravity_m_s2: float = GRAVITY_M_S2) -> RollingPlant:
    """The nominal cart-pendulum of a build file.

    Raises:
        LoopwrightError: A number is impossible for a machine.
    """
    cart, pendulum, drive = build.cart, build.pendulum, build.drive
    radius = cart.pulley_radius_m.value
    rotors = drive.motors.value * cart.rotor_inertia_kg_m2.value
    return RollingPlant(
        mass_kg=cart.mass_kg.value + pendulum.mass_kg.value + rotors / radius**2,
        moment_kg_m=pendulum.mass_kg.value * pendulum.com_height_m.value,
        inertia_kg_m2=pendulum.inertia_kg_m2.value,
        body_mass_kg=pendulum.mass_kg.value,
        radius_m=radius,
        stator_on_body=False,
        pivot_damping_n_m_s=pendulum.pivot_damping_n_m_s.value,
        pivot_coulomb_n_m=pendulum.pivot_coulomb_n_m.value,
        rail_viscous_n_s_m=cart.viscous_n_s_m.value,
        rail_coulomb_n=cart.coulomb_n.value,
        half_track_m=0.5 * cart.track_m.value,
        push_height_m=build.goals.poke_height_m.value,
        balance_offset_rad=math.radians(pendulum.balance_offset_deg.value),
        senses=Encoders(
            position_counts_per_m=build.position.counts_per_m.value,
            position_counts_max=_largest(build.position.bits.value),
            angle_counts_per_rad=build.angle.counts_per_rev.value / (2.0 * math.pi),
            angle_counts_max=_largest(build.angle.bits.value),
        ),
        period_s=1.0 / build.loop.hz.value,
        latency_s=build.loop.latency_us.value * 1e-6,
        gravity_m_s2=gravity_m_s2,
        **_drive(drive),
    )


def model_trolley(build: TrolleyBuild, gravity_m_s2: float = GRAVITY_M_S2) -> RollingPlant:
    """The nominal trolley of a build file.

    Raises:
        LoopwrightError: A number is impossible for a machine.
    """
    body, wheels, drive = build.body, build.wheels, build.drive
    gyro, accelerometer, speed = build.gyro, build.accelerometer, build.wheel_speed
    radius = wheels.radius_m.value
    period_s = 1.0 / build.loop.hz.value
    return RollingPlant(
        mass_kg=body.mass_kg.value + wheels.mass_kg.value + wheels.inertia_kg_m2.value / radius**2,
        moment_kg_m=body.mass_kg.value * body.com_height_m.value,
        inertia_kg_m2=body.inertia_kg_m2.value,
        body_mass_kg=body.mass_kg.value,
        radius_m=radius,
        stator_on_body=True,
        pivot_damping_n_m_s=0.0,
        pivot_coulomb_n_m=0.0,
        rail_viscous_n_s_m=wheels.rolling_viscous_n_s_m.value,
        rail_coulomb_n=wheels.rolling_coulomb_n.value,
        half_track_m=math.inf,
        push_height_m=build.goals.poke_height_m.value,
        balance_offset_rad=math.radians(body.balance_offset_deg.value),
        senses=Inertial(
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
            wheel_window_ticks=max(1, round(speed.window_ms.value * 1e-3 / period_s)),
        ),
        period_s=period_s,
        latency_s=build.loop.latency_us.value * 1e-6,
        gravity_m_s2=gravity_m_s2,
        **_drive(drive),
    )


def _drive(drive: RollingDrive) -> dict[str, Any]:
    """The members that come from the drive's table."""
    voltage = drive.command == "voltage"
    motors = round(drive.motors.value)
    return {
        "motors": motors,
        "torque_constant": drive.torque_constant_n_m_per_a.value,
        "resistance_ohm": drive.resistance_ohm.value,
        "supply_v": drive.supply_v.value,
        "current_limit_a": drive.current_limit_a.value,
        "drive_viscous_n_m_s": motors * drive.viscous_n_m_s.value,
        "drive_coulomb_n_m": motors * drive.coulomb_n_m.value,
        "current_lag_s": drive.current_lag_us.value * 1e-6,
        "command_counts": round(drive.command_counts.value),
        "command_full_scale": drive.supply_v.value if voltage else drive.current_limit_a.value,
        "voltage_drive": voltage,
    }


def linearise_rolling(plant: RollingPlant) -> tuple[Matrix, Matrix]:
    """Matrices A (4, 4) and B (4, 1) of z' = A z + B u about upright, Coulomb friction and limits left out.

    States: place (m), speed (m/s), tilt (rad), tilt rate (rad/s). Input: torque of all motors (N m). See the module's text.
    """
    arm, drag = float(plant.stator_on_body), plant.drive_viscous_n_m_s
    # The drive turns by x'/r - s th'; its friction pulls on the carriage and pushes the body back, as its torque does.
    turning = np.array([0.0, 1.0 / plant.radius_m, 0.0, -arm])
    force = -drag / plant.radius_m * turning - np.array([0.0, plant.rail_viscous_n_s_m, 0.0, 0.0])
    moment = drag * arm * turning + np.array([0.0, 0.0, plant.gravity_torque_n_m, -plant.pivot_damping_n_m_s])
    masses = np.array([[plant.mass_kg, plant.moment_kg_m], [plant.moment_kg_m, plant.inertia_kg_m2]])
    slide, turn = np.linalg.solve(masses, np.stack([force, moment]))
    push = np.linalg.solve(masses, np.array([1.0 / plant.radius_m, -arm]))
    state = np.stack([np.array([0.0, 1.0, 0.0, 0.0]), slide, np.array([0.0, 0.0, 0.0, 1.0]), turn])
    drive = np.array([[0.0], [push[0]], [0.0], [push[1]]])
    return state, drive


def _largest(bits: float) -> int:
    """Largest value of a signed word."""
    return int(2 ** (round(bits) - 1)) - 1
