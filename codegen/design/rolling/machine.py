"""The linear rolling balancer between two ticks: body, carriage, drive lag, command delay, late and filtered readings.

Takes a :class:`~codegen.plant.rolling.RollingPlant`; gives :class:`SampledRolling`. Coulomb friction and limits are left out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from math import floor

import numpy as np
from numpy.typing import NDArray

from codegen.plant import sample
from codegen.plant.rolling import Inertial, RollingPlant, linearise_rolling

Matrix = NDArray[np.float64]


@dataclass(frozen=True)
class SampledRolling:
    """The machine over one tick: z' = transition z + command u.

    Attributes:
        states: Names of the N states at the tick, before the controller runs: ``place`` (m; only where it is read), ``speed`` (m/s),
            ``tilt`` (rad, true), ``rate`` (rad/s), then if present ``torque`` (N m of all motors, lagging the command),
            ``gyro_filtered`` (rad/s), ``angle_filtered`` (rad), then ``command_1`` (N m, still in effect) and the readings under way.
            A wheel's turn, a sum without end of which only differences are read, is counted from the present one (``turned_1`` ...,
            rad), and so is the place of a machine that has no other sight of it.
        transition: (N, N).
        command: (N,), per N m of the command computed at this tick.
        readings: Per reading, (N,): what the controller gets at this tick. ``gyro`` (rad/s), ``angle`` (rad) and ``wheel`` (rad/s), or
            ``angle`` (rad) and ``place`` (m).
        process: (N, N), covariance added per tick by sensor noise that passes the low-passes.
        reading_variances: Per reading, of noise and quantisation added after the low-passes.
    """

    states: tuple[str, ...]
    transition: Matrix
    command: Matrix
    readings: Mapping[str, Matrix]
    process: Matrix
    reading_variances: Mapping[str, float]


@lru_cache(maxsize=64)
def sample_rolling(plant: RollingPlant, torque_factor: float = 1.0) -> SampledRolling:
    """The machine over one tick, exactly; ``torque_factor`` scales the torque that a command yields (not the back-EMF).

    Kept, because every candidate for the gains meets the same machines: do not write into the result's arrays.
    """
    names, motion, command, seen, noise = _continuous(plant, torque_factor)
    period, size = plant.period_s, len(names)
    late = floor(plant.latency_s / period + 1e-6)
    transition, effect = sample(motion, command, period, max(0.0, plant.latency_s - late * period))
    if transition.shape[0] == size:
        # No fraction of a tick is left, so the last command has no effect after the tick, but it is still in effect at it.
        transition = np.pad(transition, ((0, 1), (0, 1)))
        effect = np.vstack([effect, [[1.0]]])
    base = size + 1
    ages = dict.fromkeys(seen, late)
    if isinstance(plant.senses, Inertial):
        ages["turn"] = plant.senses.wheel_window_ticks
    states = [*names, "command_1", *(f"{name}_{age}" for name, count in ages.items() for age in range(1, count + 1))]
    total = len(states)
    A, B = np.zeros((total, total)), np.zeros(total)
    A[:base, :base], B[:base] = transition, effect[:, 0]
    rows = {name: np.pad(row, (0, total - base)) for name, row in seen.items()}
    for name, count in ages.items():
        for age in range(1, count + 1):
            A[states.index(f"{name}_{age}")] = rows[name] if age == 1 else np.eye(total)[states.index(f"{name}_{age - 1}")]
    unit = np.eye(total)
    readings = {name: unit[states.index(f"{name}_{late}")] if late else rows[name] for name in seen if name != "turn"}
    process = np.zeros((total, total))
    for filtered in np.flatnonzero(noise):
        corner = -motion[filtered, filtered]
        process[filtered, filtered] = noise[filtered] * -np.expm1(-2.0 * corner * period) / (2.0 * corner)
    if not isinstance(plant.senses, Inertial):
        return SampledRolling(tuple(states), A, B, readings, process, _variances(plant))
    window = plant.senses.wheel_window_ticks
    # Count every turn from the present one; the change of states is its own inverse. Then nothing depends on the place any more.
    change = np.eye(total)
    for at, name in enumerate(states):
        if name.startswith("turn_"):
            change[at] = rows["turn"] - unit[at]
    kept = [at for at, name in enumerate(states) if name != "place"]
    square = np.ix_(kept, kept)
    readings = {name: (row @ change)[kept] for name, row in readings.items()}
    states = [states[at].replace("turn_", "turned_") for at in kept]
    readings["wheel"] = np.eye(len(states))[states.index(f"turned_{window}")] / (window * period)
    return SampledRolling(
        tuple(states), (change @ A @ change)[square], (change @ B)[kept], readings, process[square], _variances(plant)
    )


def _continuous(plant: RollingPlant, torque_factor: float) -> tuple[tuple[str, ...], Matrix, Matrix, dict[str, Matrix], Matrix]:
    """States, x' = motion x + command u, rows of what sensors see over [states, command], noise densities of filtered readings."""
    lag, senses = plant.current_lag_s, plant.senses
    low_passes = {}
    if isinstance(senses, Inertial):
        low_passes = {"gyro_filtered": senses.gyro.low_pass_hz, "angle_filtered": senses.accelerometer.low_pass_hz}
    filtered = [name for name, low_pass_hz in low_passes.items() if low_pass_hz > 0.0]
    states = ("place", "speed", "tilt", "rate", *(["torque"] if lag > 0.0 else []), *filtered)
    size = len(states)
    body, push = linearise_rolling(plant)
    motion, command, noise = np.zeros((size, size)), np.zeros((size, 1)), np.zeros(size)
    motion[:4, :4] = body
    turning = np.zeros(size)
    turning[1], turning[3] = 1.0 / plant.radius_m, -float(plant.stator_on_body)
    back = plant.motors * plant.torque_constant**2 / plant.resistance_ohm if plant.voltage_drive else 0.0
    if lag > 0.0:
        motion[:4, 4] = push[:, 0]
        motion[4] -= back / lag * turning
        motion[4, 4] = -1.0 / lag
        command[4] = torque_factor / lag
    else:
        motion[:4] -= back * np.outer(push[:, 0], turning)
        command[:4] = torque_factor * push
    unit = np.eye(size + 1)
    if not isinstance(senses, Inertial):
        return states, motion, command, {"angle": unit[2], "place": unit[0]}, noise
    # The accelerometer shows (g tilt - h tilt'' - place'')/g.
    accelerations = np.hstack([motion[[1, 3]], command[[1, 3]]])
    angle = unit[2] - (accelerations[0] + senses.accelerometer.height_m * accelerations[1]) / plant.gravity_m_s2
    seen = {"gyro": unit[3], "angle": angle}
    densities = {
        "gyro_filtered": ("gyro", senses.gyro.noise_rad_s_sqrt_hz),
        "angle_filtered": ("angle", senses.accelerometer.noise_m_s2_sqrt_hz / plant.gravity_m_s2),
    }
    for name in filtered:
        at, corner = states.index(name), 2.0 * np.pi * low_passes[name]
        reading, density = densities[name]
        motion[at] = corner * seen[reading][:size]
        motion[at, at] -= corner
        command[at] = corner * seen[reading][size]
        noise[at] = corner**2 * density**2 / 2.0
        seen[reading] = unit[at]
    seen["turn"] = unit[0] / plant.radius_m - unit[2]
    return states, motion, command, seen, noise


def _variances(plant: RollingPlant) -> dict[str, float]:
    """Per reading: white noise that passes no low-pass, and step^2/12 of the quantiser."""
    senses, period = plant.senses, plant.period_s
    if not isinstance(senses, Inertial):
        return {"angle": senses.angle_counts_per_rad**-2 / 12.0, "place": senses.position_counts_per_m**-2 / 12.0}
    gyro, accelerometer = senses.gyro, senses.accelerometer
    per_rad = accelerometer.counts_per_m_s2 * plant.gravity_m_s2
    return {
        "gyro": gyro.counts_per_rad_s**-2 / 12.0
        + (gyro.noise_rad_s_sqrt_hz**2 / (2.0 * period) if gyro.low_pass_hz == 0.0 else 0.0),
        "angle": per_rad**-2 / 12.0
        + ((accelerometer.noise_m_s2_sqrt_hz / plant.gravity_m_s2) ** 2 / (2.0 * period) if accelerometer.low_pass_hz == 0.0 else 0.0),
        "wheel": senses.wheel_counts_per_rad_s**-2 / 6.0,
    }
