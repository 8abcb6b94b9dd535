"""The machine as it flew, from its own log: what the build file says beside what the log shows.

Takes a trace, the build's plant, and the controller's graph; gives ``AsFlown``. Believed are the build file's inertias, heights and
sensor scales; estimated are balance angle, gyro bias, torque scale, friction, latency, noise, and the margins that follow.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from codegen.control import ARMED_REGIME
from codegen.control.examine import LinearLoop
from codegen.design import Margins
from codegen.design.margins import Corner
from codegen.errors import BenchError
from codegen.graph import Graph
from codegen.plant import Plant
from codegen.telemetry.drive import DriveEstimate, Figure, estimate_drive
from codegen.telemetry.loop import LOOP_GAIN_SPREAD, LoopEstimate, estimate_loop
from codegen.telemetry.order import Line, find_cogging, find_unbalance
from codegen.telemetry.readings import Readings, read_physical
from codegen.telemetry.trace import Trace

RealArray = NDArray[np.float64]

FEWEST_S = 8.0
"""Armed flight below which nothing is estimated."""

SETTLING_S = 10.0
"""Left out after arming where the steady state is meant; a third of the armed time if that is less."""


@dataclass(frozen=True)
class AsFlown:
    """A machine as flown; SI units, rad.

    Attributes:
        first, end: Ticks of the armed stretch that was looked at.
        balance_offset_rad: Reading of the accelerometer at the true balance angle.
        gyro_bias_rad_s: Mean of the gyro.
        drive: Torque scale and friction.
        loop: Latency, loop gain, noise.
        margins: As flown, with the latency and gain found.
        wheel_rad_s: (mean, standard deviation) of the wheel speed.
        torque_rms_n_m: Of the commanded torque about its mean.
        cogging, unbalance: Their lines in the tilt rate; None where none is seen.
        jitter_s: Standard deviation of the ticks' lengths; None without stamps.
    """

    first: int
    end: int
    balance_offset_rad: Figure
    gyro_bias_rad_s: Figure
    drive: DriveEstimate
    loop: LoopEstimate
    margins: Margins
    wheel_rad_s: tuple[float, float]
    torque_rms_n_m: float
    cogging: Line | None
    unbalance: Line | None
    jitter_s: float | None


def armed_stretch(readings: Readings) -> tuple[int, int]:
    """(first, end) of the longest stretch in which the controller balanced.

    Raises:
        BenchError: It is too short.
    """
    change = np.flatnonzero(np.diff(np.concatenate(([0], readings.armed.astype(np.int8), [0]))))
    starts, ends = change[::2], change[1::2]
    if not len(starts) or (ends - starts).max() * readings.period_s < FEWEST_S:
        longest = 0.0 if not len(starts) else float((ends - starts).max()) * readings.period_s
        raise BenchError(
            f"the controller balances for {longest:.3g} s only", "", f"log at least {FEWEST_S:g} s of balancing, or see why it stopped"
        )
    place = int(np.argmax(ends - starts))
    return int(starts[place]), int(ends[place])


def settled(first: int, end: int, period_s: float) -> int:
    """Tick from which the start is forgotten."""
    return first + min(round(SETTLING_S / period_s), (end - first) // 3)


def find_as_flown(trace: Trace, plant: Plant, graph: Graph) -> AsFlown:
    """The machine as it flew.

    Raises:
        BenchError: The log is too short, or not of a body with a wheel.
        GraphError: The controller's law is linear nowhere.
    """
    readings = read_physical(trace, plant)
    try:
        first, end = armed_stretch(readings)
        armed, calm = readings.part(first, end), readings.part(settled(first, end, readings.period_s), end)
        cogging, unbalance = find_cogging(calm, plant), find_unbalance(calm, plant)
        orders = tuple(line.order for line in (unbalance, cogging) if line is not None)
        drive = estimate_drive(armed, plant, None, orders)
    except BenchError as error:
        raise BenchError(error.what, trace.file_name, error.remedy) from None
    linear = LinearLoop(graph, plant, ARMED_REGIME)
    flown = friction_plant(plant, drive)
    loop = estimate_loop(calm, linear, flown, drive.torque_scale)
    if drive.torque_scale.error >= LOOP_GAIN_SPREAD * abs(drive.torque_scale.value):
        drive = estimate_drive(armed, plant, loop.loop_gain, orders)
    as_flown = replace(friction_plant(plant, drive), latency_s=loop.latency_s)
    offset = _balance_offset(calm, plant)
    return AsFlown(
        first=first,
        end=end,
        balance_offset_rad=offset,
        gyro_bias_rad_s=_gyro_bias(calm),
        drive=drive,
        loop=loop,
        margins=_margins(linear, as_flown, loop.loop_gain.value),
        wheel_rad_s=(float(np.mean(calm.wheel_rad_s)), float(np.std(calm.wheel_rad_s))),
        torque_rms_n_m=float(np.std(calm.torque_n_m)),
        cogging=cogging,
        unbalance=unbalance,
        jitter_s=None if trace.time_s is None else float(np.std(np.diff(trace.time_s[first:end]))),
    )


def friction_plant(plant: Plant, drive: DriveEstimate) -> Plant:
    """The plant with the friction that was found."""
    coulomb, stiction = max(0.0, drive.coulomb_n_m.value), max(0.0, drive.stiction_n_m.value)
    return replace(plant, wheel_coulomb_n_m=coulomb, wheel_stiction_n_m=max(coulomb, stiction))


def _margins(linear: LinearLoop, plant: Plant, gain: float) -> Margins:
    return linear.margins(Corner(torque=gain), plant)


def _balance_offset(calm: Readings, plant: Plant) -> Figure:
    """Mean of the accelerometer's angle, less the mean true tilt, which the change of the momentum H gives: H' = G tilt."""
    spin, inertia = plant.wheel_inertia_kg_m2, plant.body_inertia_kg_m2
    seconds = calm.ticks * calm.period_s
    edge = max(1, min(calm.ticks // 10, round(0.2 / calm.period_s)))
    momentum = spin * calm.wheel_rad_s + (inertia + spin) * calm.rate_rad_s
    gained = float(np.mean(momentum[-edge:]) - np.mean(momentum[:edge]))
    tilt = gained / (plant.gravity_torque_n_m * seconds)
    angle = np.arcsin(np.clip(calm.angle_rad, -1.0, 1.0))
    noise = plant.accelerometer.noise_m_s2_sqrt_hz / plant.gravity_m_s2 / math.sqrt(2.0 * seconds)
    coarse = spin / plant.wheel_counts_per_rad_s / math.sqrt(6.0 * edge) / (plant.gravity_torque_n_m * seconds)
    return Figure(float(np.mean(angle)) - tilt, math.hypot(noise, coarse, float(np.std(angle)) / math.sqrt(calm.ticks)))


def _gyro_bias(calm: Readings) -> Figure:
    """Mean rate; the body turns by no more than its own wiggle while it is taken."""
    seconds = calm.ticks * calm.period_s
    error = float(np.std(calm.angle_rad)) / seconds + float(np.std(calm.rate_rad_s)) / math.sqrt(calm.ticks)
    return Figure(float(np.mean(calm.rate_rad_s)), error)
