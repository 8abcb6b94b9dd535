"""Linear quadratic feedback of a Kalman estimate, made robust: the numbers of the structure ``lqg``.

Takes a machine and the rate at which friction is followed; gives :class:`RobustFilter`.

LQG that knows only its sensors' noise is the calmest law on paper and brittle on a machine: two milliseconds more and it rings. Two
changes make it robust (common practice, no source; sizes by simulation of three machines): pokes count as process noise, so that the
estimate believes its readings, and one more tick of dead time is designed in. The estimate has six states: tilt, rate, the wheel's
momentum h = J (wheel + rate), and three that the machine hides: the accelerometer's offset, the gyro's bias, and the torque that acts
on the wheel unasked. All lags count as dead time of the command.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import radians

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_discrete_are

from codegen.design.closed_form import closed_form_poke
from codegen.design.limits import dead_time, steady_state_kalman
from codegen.plant import Plant, sample

Matrix = NDArray[np.float64]

TILT_SCALE_RAD = radians(0.1)
TORQUE_SCALE_SHARE = 0.02
OUTER_PARTS = 6.0
COMMAND_WEIGHT = 1.2
EXTRA_TICKS = 1.0
POKES_HZ, POKE_SHARE = 0.1, 0.1
UNKNOWN_PER_DIVERGENCE = 0.1
"""Rate at which offset and gyro bias are followed, over lambda."""

TILT, RATE, WHEEL, OFFSET, BIAS, FRICTION = range(6)
STATES = ("tilt", "rate", "wheel_momentum", "offset", "bias", "friction")
UNITS = ("rad", "rad/s", "N m s", "rad", "rad/s", "N m")
READINGS = ("gyro", "angle", "wheel")


@dataclass(frozen=True)
class RobustFilter:
    """Estimator and feedback; SI units, states in the order of ``STATES``, readings in that of ``READINGS``.

    Attributes:
        transition: (6, 6) over a tick.
        command: (6, d), per N m of the commands of d, ..., 1 ticks ago and of this one: oldest first, d = ``delay_ticks`` + 1 columns.
        readings: (3, 6).
        reading_command: (3,), per N m of the oldest command.
        correction: (6, 3), gain of the estimate with this tick's readings.
        tilt_n_m_per_rad, rate_n_m_s_per_rad: Feedback of tilt and rate with the momentum H = h + I rate taken out.
        momentum_per_s: Feedback of H beyond the set-point, N m per N m s.
        past: (d - 1,), feedback of the commands still under way, oldest first.
        delay_ticks: Commands still under way, in ticks.
    """

    transition: Matrix
    command: Matrix
    readings: Matrix
    reading_command: Matrix
    correction: Matrix
    tilt_n_m_per_rad: float
    rate_n_m_s_per_rad: float
    momentum_per_s: float
    past: Matrix
    delay_ticks: int


def robust_filter(plant: Plant, friction_pole_rad_s: float) -> RobustFilter:
    """Estimator and feedback for ``plant``; the torque on the wheel is followed at ``friction_pole_rad_s``.

    Source: Astrom, Wittenmark, *Computer-Controlled Systems*, 3rd ed. (1997), ch. 11 (sampled LQ and Kalman; from memory).
    """
    period, spin, inertia = plant.period_s, plant.wheel_inertia_kg_m2, plant.body_inertia_kg_m2
    drag, pivot = plant.wheel_viscous_n_m_s, plant.pivot_damping_n_m_s
    back_emf = plant.torque_constant**2 / plant.resistance_ohm if plant.voltage_drive else 0.0
    # Torque on the wheel: command + friction - (drag + back-EMF) (h/J - rate).
    slip = drag + back_emf
    motion = np.zeros((6, 6))
    motion[TILT, RATE] = 1.0
    motion[RATE] = np.array([plant.gravity_torque_n_m, -pivot - slip, slip / spin, 0.0, 0.0, -1.0]) / inertia
    motion[WHEEL] = [0.0, slip, -slip / spin, 0.0, 0.0, 1.0]
    push = np.array([[0.0], [-1.0 / inertia], [1.0], [0.0], [0.0], [0.0]])
    delay = dead_time(plant) - 0.5 * period + EXTRA_TICKS * period
    whole, effect = sample(motion, push, period, delay)
    under_way = whole.shape[0] - 6
    transition = whole[:6, :6]
    command = np.hstack([whole[:6, 6:], effect[:6]])
    lever = plant.accelerometer.height_m / plant.gravity_m_s2
    readings = np.zeros((3, 6))
    readings[0, [RATE, BIAS]] = 1.0
    readings[1] = -lever * motion[RATE]
    readings[1, [TILT, OFFSET]] += 1.0
    readings[2] = [0.0, -1.0, 1.0 / spin, 0.0, 0.0, 0.0]
    reading_command = np.array([0.0, lever / inertia, 0.0])
    return _solve(plant, transition, command, readings, reading_command, under_way, friction_pole_rad_s)


def _solve(
    plant: Plant,
    transition: Matrix,
    command: Matrix,
    readings: Matrix,
    reading_command: Matrix,
    under_way: int,
    friction_pole_rad_s: float,
) -> RobustFilter:
    period, spin, inertia = plant.period_s, plant.wheel_inertia_kg_m2, plant.body_inertia_kg_m2
    rate = plant.divergence_rad_s
    densities = reading_densities(plant)
    unknown = (UNKNOWN_PER_DIVERGENCE * rate) ** 2
    blow = POKE_SHARE * closed_form_poke(plant)
    process = np.diag(
        [
            0.0,
            POKES_HZ * blow**2,
            0.0,
            unknown * densities[1],
            unknown * densities[0],
            friction_pole_rad_s**4 * densities[2] * spin**2,
        ]
    )
    spread = np.diag([density / period for density in densities])
    # In units of like size: a Riccati equation over mN m s and radians at once is too ill-conditioned to solve.
    units = np.array([1e-3, 1e-2, spin, 1e-3, 1e-3, 1e-2 * plant.torque_limit_n_m])
    _, correction = steady_state_kalman(
        transition * units / units[:, None], readings * units, process * period / np.outer(units, units), spread
    )
    correction = correction * units[:, None]
    size = 3 + under_way
    moving = np.zeros((size, size))
    moving[:3, :3] = transition[:3, :3]
    moving[:3, 3:] = command[:3, :-1]
    moving[3:-1, 4:] = np.eye(under_way - 1)
    entry = np.zeros((size, 1))
    entry[:3, 0] = command[:3, -1]
    entry[-1, 0] = 1.0
    outer = rate / OUTER_PARTS
    wheel = np.zeros(size)
    wheel[[RATE, WHEEL]] = -1.0, 1.0 / spin
    wheel *= spin * outer / (plant.gravity_torque_n_m * TILT_SCALE_RAD)
    weights = np.outer(wheel, wheel)
    weights[TILT, TILT] += TILT_SCALE_RAD**-2
    cost = np.array([[COMMAND_WEIGHT * (TORQUE_SCALE_SHARE * plant.torque_limit_n_m) ** -2]])
    scales = np.concatenate([units[:3], np.full(under_way, 1e-2 * plant.torque_limit_n_m)])
    one = 1e-2 * plant.torque_limit_n_m
    moving, entry = moving * scales / scales[:, None], entry * one / scales[:, None]
    weights, cost = weights * np.outer(scales, scales), cost * one**2
    ahead = np.asarray(solve_discrete_are(moving, entry, weights, cost), dtype=np.float64)
    feedback = -np.linalg.solve(cost + entry.T @ ahead @ entry, entry.T @ ahead @ moving)[0] * one / scales
    # tilt, rate, h to tilt, rate, H = h + I rate.
    return RobustFilter(
        transition=transition,
        command=command,
        readings=readings,
        reading_command=reading_command,
        correction=correction,
        tilt_n_m_per_rad=float(feedback[TILT]),
        rate_n_m_s_per_rad=float(feedback[RATE] - inertia * feedback[WHEEL]),
        momentum_per_s=float(feedback[WHEEL]),
        past=feedback[3:],
        delay_ticks=under_way,
    )


def reading_densities(plant: Plant) -> tuple[float, float, float]:
    """Two-sided noise densities of rate, angle and wheel speed: (rad/s)^2 s, rad^2 s, (rad/s)^2 s.

    White noise of the stated density, and step^2/12 for each quantiser at each tick. The counter's error leaves its window as it came
    in, which makes it small at low frequency; counted as white it is that of one count per window.
    """
    period = plant.period_s
    gyro, accelerometer = plant.gyro, plant.accelerometer
    window_s = plant.wheel_window_ticks * period
    return (
        0.5 * gyro.noise_rad_s_sqrt_hz**2 + period * gyro.counts_per_rad_s**-2 / 12.0,
        (0.5 * accelerometer.noise_m_s2_sqrt_hz**2 + period * accelerometer.counts_per_m_s2**-2 / 12.0) / plant.gravity_m_s2**2,
        window_s * plant.wheel_counts_per_rad_s**-2 / 12.0,
    )
