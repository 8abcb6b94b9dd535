"""From a log to the machine as flown: every number that a cause of trembling hangs on, so that the twin trembles as the robot does.

Takes a trace and the twin, gives ``Estimated``. What shows directly is read off (balance angle, bias, friction, latency, time stamps); a
line or a noise floor is compared with what the twin shows of it, and the twin's number is moved until both agree.

Source of the second way: C. Gourieroux, A. Monfort, E. Renault, "Indirect inference", J. Applied Econometrics 8 (1993) (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.signal import welch

from codegen.diagnosis.twin import SETTLED_S, Flown, Twin
from codegen.plant import Plant
from codegen.plant.scenario import split_latency
from codegen.telemetry import AsFlown, Readings, Trace, find_as_flown, read_physical
from codegen.telemetry.asflown import friction_plant, settled
from codegen.telemetry.order import Line, find_line, step_angle

RealArray = NDArray[np.float64]

COGGING_START, UNBALANCE_START = 2e-2, 2e-5
"""First tries: share of the largest torque, kg m."""

ROUNDS = 3
FLOOR_BAND = (0.1, 0.3)
"""Of half the sampling rate: where sensors show their noise and little else."""

LEAST_DEVIATION = 0.1
"""A loop near its edge makes much of a few per cent of gain, but a few per cent are not what brought it there."""

REAL_JITTER = 0.05
"""Standard deviation of the ticks' lengths, in periods, from which it is taken for more than the stamps' rounding."""


@dataclass(frozen=True)
class Estimated:
    """The machine as flown, and what it was read from.

    Attributes:
        flown: For the twin.
        found: From the telemetry.
        calm: Readings of the stretch that was looked at.
        gyro_noise, accelerometer_noise: Over the build file's.
    """

    flown: Flown
    found: AsFlown
    calm: Readings
    gyro_noise: float
    accelerometer_noise: float


def estimate_flown(trace: Trace, twin: Twin) -> Estimated:
    """The machine that the log is of.

    Raises:
        BenchError: The log is too short.
        GraphError: The law is linear nowhere.
    """
    built = twin.designed.plant
    found = find_as_flown(trace, built, twin.graph)
    readings = read_physical(trace, built)
    calm = readings.part(settled(found.first, found.end, readings.period_s), found.end)
    lengths = _tick_lengths(trace, found, built)
    plant = friction_plant(built, found.drive)
    plant = replace(
        plant,
        balance_offset_rad=found.balance_offset_rad.value,
        gyro=replace(plant.gyro, bias_rad_s=found.gyro_bias_rad_s.value),
        torque_constant=plant.torque_constant * _sure(found.drive.torque_scale.value, found.drive.torque_scale.error),
        cogging_n_m=0.0,
        wheel_unbalance_kg_m=0.0,
    )
    if not lengths and abs(found.loop.latency_s - built.latency_s) > 2.0 * built.period_s:
        # Uneven ticks colour the spectrum as a latency would; with them the latency is left as built.
        plant = replace(plant, latency_s=found.loop.latency_s)
    flown, noise = _matched(twin, Flown(plant, _long_enough(lengths, plant)), calm, found)
    if plant.latency_s != built.latency_s:
        # Coarse readings colour the spectrum, too. Of the two latencies the one whose twin shakes as the robot does is the right one.
        other = replace(plant, latency_s=built.latency_s)
        as_built, its_noise = _matched(twin, Flown(other, _long_enough(lengths, other)), calm, found)
        if _distance(twin, as_built, calm) < _distance(twin, flown, calm):
            flown, noise = as_built, its_noise
    return Estimated(flown, found, calm, *noise)


def _matched(twin: Twin, flown: Flown, calm: Readings, found: AsFlown) -> tuple[Flown, tuple[float, float]]:
    """The machine with noise and lines moved until the twin shows the log's, and the noise over the build file's."""
    noise = (1.0, 1.0)
    for _ in range(ROUNDS):
        flown, noise = _match_noise(twin, flown, calm, noise)
        for cause, line in (("cogging", found.cogging), ("unbalance", found.unbalance)):
            flown = flown if line is None else _match_line(twin, flown, line, cause)
    return flown, noise


def _distance(twin: Twin, flown: Flown, calm: Readings) -> float:
    """By how much the twin shakes more or less than the log, as a logarithm."""
    shown = twin_readings(twin, flown)
    if not shown.ticks:
        return np.inf
    return abs(float(np.log(np.std(shown.rate_rad_s) / np.std(calm.rate_rad_s))))


def _sure(value: float, error: float) -> float:
    """A factor, or 1 where it is within two standard errors of it or too close to it to matter."""
    return value if abs(value - 1.0) > max(2.0 * error, LEAST_DEVIATION) else 1.0


def _tick_lengths(trace: Trace, found: AsFlown, plant: Plant) -> tuple[float, ...]:
    """Lengths of the ticks where they are uneven, else none."""
    if trace.time_s is None or found.jitter_s is None or found.jitter_s < REAL_JITTER * plant.period_s:
        return ()
    return tuple(np.diff(trace.time_s[found.first : found.end]).tolist())


def _long_enough(lengths: tuple[float, ...], plant: Plant) -> tuple[float, ...]:
    """No tick ends before its own command takes effect."""
    least = split_latency(plant)[1] + 1e-3 * plant.period_s
    return tuple(max(length, least) for length in lengths)


def twin_readings(twin: Twin, flown: Flown) -> Readings:
    """What the twin's own log would show, at rest."""
    flight = twin.fly(flown, counts=True)
    built = twin.designed.plant
    if flight.counts is None:
        raise AssertionError("the flight was asked for its counts")
    counts = flight.counts.astype(np.int64)
    inputs = len(twin.shape.inputs)
    shown = np.ones(len(twin.shape.outputs), dtype=np.bool_)
    trace = Trace("twin", twin.shape, counts[:, :inputs], counts[:, inputs:], shown, None, None)
    first = round(SETTLED_S / built.period_s)
    return read_physical(trace, built).part(min(first, len(counts)), len(counts))


def _match_noise(twin: Twin, flown: Flown, calm: Readings, noise: tuple[float, float]) -> tuple[Flown, tuple[float, float]]:
    """Move the noise of both sensors until the twin's floors are the log's."""
    shown, built = twin_readings(twin, flown), twin.designed.plant
    if shown.ticks * shown.period_s < 0.5 * SETTLED_S:
        return flown, noise
    gyro = noise[0] * _floor_ratio(calm.rate_rad_s, shown.rate_rad_s, calm.period_s, 1.0 / built.gyro.counts_per_rad_s)
    per_count = 1.0 / (built.accelerometer.counts_per_m_s2 * built.gravity_m_s2)
    accelerometer = noise[1] * _floor_ratio(calm.angle_rad, shown.angle_rad, calm.period_s, per_count)
    plant = replace(
        flown.plant,
        gyro=replace(flown.plant.gyro, noise_rad_s_sqrt_hz=gyro * built.gyro.noise_rad_s_sqrt_hz),
        accelerometer=replace(flown.plant.accelerometer, noise_m_s2_sqrt_hz=accelerometer * built.accelerometer.noise_m_s2_sqrt_hz),
    )
    return replace(flown, plant=plant), (gyro, accelerometer)


def _floor_ratio(logged: RealArray, shown: RealArray, period_s: float, step: float) -> float:
    """Root of the ratio of two noise floors, rounding taken off: medians over a band, so that lines count little."""
    floors = []
    for values in (logged, shown):
        frequency, density = welch(values, fs=1.0 / period_s, nperseg=min(len(values), 1024), average="median")
        band = (frequency >= FLOOR_BAND[0] * frequency[-1]) & (frequency <= FLOOR_BAND[1] * frequency[-1])
        floors.append(max(float(np.median(density[band])) - 2.0 * period_s * step**2 / 12.0, 1e-3 * step**2 * period_s))
    return float(np.sqrt(floors[0] / floors[1]))


def _match_line(twin: Twin, flown: Flown, line: Line, cause: str) -> Flown:
    """Move cogging or unbalance until the twin's line is as strong as the log's; the secant of one try, since lines are linear in it."""
    plant = flown.plant
    if cause == "cogging":
        size = plant.cogging_n_m if plant.cogging_n_m > 0.0 else COGGING_START * plant.torque_limit_n_m
        tried = replace(plant, cogging_n_m=size, cogging_per_rev=line.order)
    else:
        size = plant.wheel_unbalance_kg_m if plant.wheel_unbalance_kg_m > 0.0 else UNBALANCE_START
        tried = replace(plant, wheel_unbalance_kg_m=size)
    shown, step = twin_readings(twin, replace(flown, plant=tried)), step_angle(twin.designed.plant)
    seen = find_line(shown.rate_rad_s, shown.wheel_rad_s, shown.period_s, line.order, step) if shown.ticks else None
    if seen is None or seen.amplitude == 0.0:
        return flown
    # At another wheel speed the same torque shakes less or more: by its frequency, as an inertia does.
    share = float(np.clip(line.amplitude * line.frequency_hz / (seen.amplitude * seen.frequency_hz), 0.1, 10.0))
    if cause == "cogging":
        return replace(flown, plant=replace(tried, cogging_n_m=share * size))
    return replace(flown, plant=replace(tried, wheel_unbalance_kg_m=share * size))
