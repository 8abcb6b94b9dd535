"""Torque scale and friction of the drive, from the wheel's own momentum.

Takes readings and the plant as the build file has it, gives ``DriveEstimate``. From edge to edge of short blocks the wheel's absolute
momentum J (w + th') changes by the integral of torque less friction: J d(w + th') = s Int u - c Int sgn(w) - r Int sgn(w)/(1 + (w/w_s)^2)
- b Int w, which is linear in torque scale s, Coulomb friction c, rise at standstill r and drag b. J is the build file's: what is found is
relative to it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import lsq_linear

from codegen.errors import BenchError
from codegen.plant import Plant
from codegen.plant.scenario import split_latency
from codegen.telemetry.readings import Readings

RealArray = NDArray[np.float64]
BLOCK_S = 0.05
FEWEST_BLOCKS = 40
SIGN_ROUNDING_RAD_S = 0.3
"""As in the simulator: below this speed friction fades."""

SURE = 2.0
"""A rise at standstill is believed from so many standard errors on; else the build file's share of the friction is kept."""


@dataclass(frozen=True)
class Figure:
    """A number with its standard error."""

    value: float
    error: float

    def interval(self) -> tuple[float, float]:
        """95 % interval."""
        return self.value - 1.96 * self.error, self.value + 1.96 * self.error


@dataclass(frozen=True)
class DriveEstimate:
    """What the drive did.

    Attributes:
        torque_scale: Torque over what the command promised.
        coulomb_n_m: Friction of the turning wheel.
        stiction_n_m: Friction at standstill.
        blocks: How many stretches it was taken from.
    """

    torque_scale: Figure
    coulomb_n_m: Figure
    stiction_n_m: Figure
    blocks: int


def estimate_drive(
    readings: Readings, plant: Plant, torque_scale: Figure | None = None, orders: tuple[float, ...] = ()
) -> DriveEstimate:
    """Torque scale and friction, from all ticks of the readings.

    Args:
        readings: While the controller balances.
        plant: Inertias, timing and the shape of the friction curve.
        torque_scale: If known already: then friction alone is estimated.
        orders: Periods per turn of torques that turn with the wheel; the command answers them, so they must not be left out.

    Raises:
        BenchError: Too short, or the drive did nothing.
    """
    period = readings.period_s
    block = max(plant.wheel_window_ticks, round(BLOCK_S / period))
    edges = np.arange(plant.wheel_window_ticks, readings.ticks, block).astype(np.float64)
    if len(edges) <= FEWEST_BLOCKS or not np.any(readings.torque_n_m):
        raise BenchError(
            f"{readings.ticks * period:.3g} s of log are too short to see what the drive does", "", "log some ten seconds while it balances"
        )
    late, rest = split_latency(plant)
    # The counter shows the speed half a window ago, the gyro is late by whole ticks and its filter.
    wheel_age = 0.5 * plant.wheel_window_ticks
    gyro_age = late + (1.0 / (2.0 * np.pi * plant.gyro.low_pass_hz) / period if plant.gyro.low_pass_hz > 0.0 else 0.0)
    command_age = (rest + plant.current_lag_s) / period
    ticks = np.arange(readings.ticks, dtype=np.float64)

    def at(values: RealArray, when: RealArray) -> RealArray:
        return np.asarray(np.interp(when, ticks, values), dtype=np.float64)

    def gathered(values: RealArray, age: float) -> RealArray:
        """Integral over each block of what acted ``age`` ticks later than it stands in the log."""
        total = np.concatenate(([0.0], np.cumsum(values)))[:-1] * period
        return np.asarray(np.diff(at(total, np.asarray(edges - wheel_age - age, dtype=np.float64))))

    speed = readings.wheel_rad_s
    sign = speed / np.sqrt(speed**2 + SIGN_ROUNDING_RAD_S**2)
    momentum = plant.wheel_inertia_kg_m2 * (at(speed, edges) + at(readings.rate_rad_s, np.asarray(edges - wheel_age + gyro_age)))
    change = np.diff(momentum) + plant.wheel_viscous_n_m_s * gathered(speed, -wheel_age)
    causes = np.stack(
        [
            gathered(readings.torque_n_m, command_age),
            -gathered(sign, -wheel_age),
            -gathered(sign / (1.0 + (speed / plant.stribeck_rad_s) ** 2), -wheel_age),
        ],
        axis=1,
    )
    angle = np.cumsum(speed) * period
    turning = [gathered(wave(order * angle), -wheel_age) for order in orders for wave in (np.sin, np.cos)]
    causes = np.column_stack([*turning, causes])
    if torque_scale is not None:
        change = change - torque_scale.value * causes[:, -3]
        causes = np.delete(causes, -3, axis=1)
    fitted, errors = _fit(causes, change, 2)
    if fitted[-1] < SURE * errors[-1]:
        # The wheel was not slow and fast enough to tell the two apart: keep the build file's shape of the curve.
        rise = plant.wheel_stiction_n_m / plant.wheel_coulomb_n_m - 1.0 if plant.wheel_coulomb_n_m > 0.0 else 0.0
        joined = np.column_stack([causes[:, :-2], causes[:, -2] + rise * causes[:, -1]])
        fitted, errors = _fit(joined, change, 1)
        fitted, errors = np.append(fitted, rise * fitted[-1]), np.append(errors, rise * errors[-1])
    scale = torque_scale or Figure(float(fitted[-3]), float(errors[-3]))
    coulomb = Figure(float(fitted[-2]), float(errors[-2]))
    stiction = Figure(float(fitted[-2] + fitted[-1]), float(np.hypot(errors[-2], errors[-1])))
    return DriveEstimate(scale, coulomb, stiction, len(change))


def _fit(causes: RealArray, change: RealArray, frictions: int) -> tuple[RealArray, RealArray]:
    """Least squares with friction (the last two, or one) not below zero, and standard errors of the free problem."""
    scale = np.sqrt(np.mean(causes**2, axis=0))
    scale[scale == 0.0] = 1.0
    low = np.full(causes.shape[1], -np.inf)
    low[-frictions:] = 0.0
    solved = lsq_linear(causes / scale, change, bounds=(low, np.inf))
    spread = float(np.mean((change - causes / scale @ solved.x) ** 2)) * len(change) / (len(change) - causes.shape[1])
    covariance = spread * np.linalg.pinv((causes / scale).T @ (causes / scale))
    return solved.x / scale, np.sqrt(np.diag(covariance)) / scale
