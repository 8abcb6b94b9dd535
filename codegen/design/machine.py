"""The linear machine between two ticks: body, wheel, drive lag, command delay, and the sensors' readings.

Takes a :class:`~codegen.plant.Plant`; gives :class:`SampledMachine`. Coulomb friction, cogging and limits
are left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import floor

import numpy as np
from numpy.typing import NDArray

from codegen.plant import Plant, linearise, sample

Matrix = NDArray[np.float64]

GYRO, ANGLE, TURN = 0, 1, 2
"""Rows of the readings: tilt rate in rad/s, acceleration over g in rad, angle turned by the wheel in rad."""


@dataclass(frozen=True)
class SampledMachine:
    """Machine with lags and command delay over one tick: x' = transition x + command u + torque d.

    Whole ticks of latency are not in it: they make the two inertial readings late (``late_ticks``), as the
    wheel's counter makes its speed the mean over ``window_ticks``.

    Attributes:
        states: Names of the N states at the tick, before the controller runs: ``tilt`` (rad, true), ``rate``
            (rad/s), ``wheel`` (rad/s), then if present ``torque`` (N m, the motor's, lagging the command),
            ``gyro_filtered`` (rad/s), ``angle_filtered`` (rad); then ``wheel_turn`` (rad) and ``command_1``
            (N m, still in effect).
        transition: (N, N).
        command: (N,), per N m of the command computed at this tick.
        torque: (N,), per N m of torque added at the wheel from this tick to the next.
        readings: (3, N): rate, angle and turn as the sensors see them at the tick.
        process: (N, N), covariance added per tick by sensor noise that passes the low-passes.
        reading_variances: (3,), of noise and quantisation added to each reading after the low-passes.
        late_ticks: Whole ticks by which rate and angle reach the controller late.
        window_ticks: Ticks over which the wheel's turn is counted.
    """

    states: tuple[str, ...]
    transition: Matrix
    command: Matrix
    torque: Matrix
    readings: Matrix
    process: Matrix
    reading_variances: Matrix
    late_ticks: int
    window_ticks: int


@dataclass(frozen=True)
class _Continuous:
    """x' = motion x + command u + torque d, reading angle x + angle_command u, and the noise's densities."""

    states: tuple[str, ...]
    motion: Matrix
    command: Matrix
    torque: Matrix
    angle: Matrix
    angle_command: float
    noise: Matrix


def sample_machine(plant: Plant, torque_factor: float = 1.0) -> SampledMachine:
    """The machine over one tick, exactly; ``torque_factor`` scales the torque that a command yields.

    With a voltage drive it scales the voltage and not the back-EMF, as a full or a flat battery behind a plain bridge does.
    """
    machine = _continuous(plant, torque_factor)
    size, period = len(machine.states), plant.period_s
    late_ticks = floor(plant.latency_s / period + 1e-6)
    rest = max(0.0, plant.latency_s - late_ticks * period)
    transition, effect = sample(machine.motion, machine.command, period, rest)
    _, torque_effect = sample(machine.motion, machine.torque, period)
    if transition.shape[0] == size:
        # No fraction of a tick is left, so the last command has no effect after the tick, but it is still in
        # effect at it.
        transition = np.pad(transition, ((0, 1), (0, 1)))
        effect = np.vstack([effect, [[1.0]]])
    readings = np.zeros((3, size + 1))
    readings[TURN, machine.states.index("wheel_turn")] = 1.0
    variances = np.zeros(3)
    if plant.gyro.low_pass_hz > 0.0:
        readings[GYRO, machine.states.index("gyro_filtered")] = 1.0
    else:
        readings[GYRO, 1] = 1.0
        variances[GYRO] = plant.gyro.noise_rad_s_sqrt_hz**2 / (2.0 * period)
    if plant.accelerometer.low_pass_hz > 0.0:
        readings[ANGLE, machine.states.index("angle_filtered")] = 1.0
    else:
        readings[ANGLE, :size], readings[ANGLE, size] = machine.angle, machine.angle_command
        variances[ANGLE] = (plant.accelerometer.noise_m_s2_sqrt_hz / plant.gravity_m_s2) ** 2 / (2.0 * period)
    steps = np.array(
        [
            1.0 / plant.gyro.counts_per_rad_s,
            1.0 / (plant.accelerometer.counts_per_m_s2 * plant.gravity_m_s2),
            plant.wheel_window_ticks * period / plant.wheel_counts_per_rad_s,
        ]
    )
    process = np.zeros((size + 1, size + 1))
    # Within a tick the filtered noise moves nothing but its filter, since the command is held: the diagonal
    # is all.
    for at in np.flatnonzero(machine.noise):
        corner = -machine.motion[at, at]
        process[at, at] = machine.noise[at] * -np.expm1(-2.0 * corner * period) / (2.0 * corner)
    return SampledMachine(
        states=(*machine.states, "command_1"),
        transition=transition,
        command=effect[:, 0],
        torque=np.append(torque_effect[:, 0], 0.0),
        readings=readings,
        process=process,
        reading_variances=variances + steps**2 / 12.0,
        late_ticks=late_ticks,
        window_ticks=plant.wheel_window_ticks,
    )


def _continuous(plant: Plant, torque_factor: float) -> _Continuous:
    """The machine before sampling; noise is the two-sided covariance density of the filtered readings."""
    lag = plant.current_lag_s
    low_passes = {"gyro_filtered": plant.gyro.low_pass_hz, "angle_filtered": plant.accelerometer.low_pass_hz}
    filtered = [name for name, low_pass_hz in low_passes.items() if low_pass_hz > 0.0]
    states = ("tilt", "rate", "wheel", *(["torque"] if lag > 0.0 else []), *filtered, "wheel_turn")
    size = len(states)
    body, push = linearise(plant)
    motion = np.zeros((size, size))
    motion[:3, :3] = body
    motion[-1, 2] = 1.0
    command, torque, noise = np.zeros((size, 1)), np.zeros((size, 1)), np.zeros(size)
    torque[:3] = push
    back_emf = plant.torque_constant**2 / plant.resistance_ohm if plant.voltage_drive else 0.0
    if lag > 0.0:
        motion[:3, 3] = push[:, 0]
        motion[3, 2], motion[3, 3] = -back_emf / lag, -1.0 / lag
        command[3] = torque_factor / lag
    else:
        motion[:3, 2] -= back_emf * push[:, 0]
        command[:3] = torque_factor * push
    # The accelerometer shows (g tilt - h tilt'')/g.
    lever = plant.accelerometer.height_m / plant.gravity_m_s2
    angle = -lever * motion[1]
    angle[0] += 1.0
    angle_command = float(-lever * command[1, 0])
    rate = np.zeros(size)
    rate[1] = 1.0
    seen = {
        "gyro_filtered": (rate, 0.0, 0.0, plant.gyro.noise_rad_s_sqrt_hz),
        "angle_filtered": (
            angle,
            angle_command,
            float(-lever * torque[1, 0]),
            plant.accelerometer.noise_m_s2_sqrt_hz / plant.gravity_m_s2,
        ),
    }
    for name in filtered:
        at, corner = states.index(name), 2.0 * np.pi * low_passes[name]
        row, by_command, by_torque, density = seen[name]
        motion[at] = corner * row
        motion[at, at] -= corner
        command[at], torque[at] = corner * by_command, corner * by_torque
        noise[at] = corner**2 * density**2 / 2.0
    return _Continuous(states, motion, command, torque, angle, angle_command, noise)
