"""The simulated machine a second time, in Python, integrated by scipy's DOP853 with a tight tolerance.

Shares nothing with the compiled simulator but the plant's numbers and the controller.
"""

from __future__ import annotations

import math
from collections import deque

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from codegen.plant import Plant, StepFunction
from tests.bench_controllers import controllers

FRICTION_ROUNDING_RAD_S = 0.3


def soft_sign(x: float) -> float:
    """Sign function, rounded at the origin."""
    return x / math.hypot(x, FRICTION_ROUNDING_RAD_S)


class LowPass:
    """First-order low-pass, solved for an input that runs straight from sample to sample."""

    def __init__(self, corner_hz: float, period_s: float, value: float) -> None:
        self.time_s = 1 / (2 * math.pi * corner_hz)
        self.period_s = period_s
        self.input = self.output = value

    def __call__(self, value: float) -> float:
        """Particular solution of t y' + y = x for a ramp (x delayed by t), plus the decaying rest."""
        slope = (value - self.input) / self.period_s
        rest = self.output - (self.input - self.time_s * slope)
        self.input = value
        self.output = value - self.time_s * slope + rest * math.exp(-self.period_s / self.time_s)
        return self.output


def nearest(value: float, largest: int) -> int:
    """Nearest whole number, halves away from zero, within the word."""
    return max(-largest - 1, min(largest, int(math.copysign(math.floor(abs(value) + 0.5), value))))


def fly_slowly(
    plant: Plant, controller: StepFunction, seconds: float, tilt_rad: float, poke_tick: int, poke_n_m_s: float
) -> NDArray[np.float64]:
    """Return rows (ticks, 7) of a noise-free armed flight: tilt, tilt rate, wheel rate; four raw readings."""
    period, gravity = plant.period_s, plant.gravity_m_s2
    inertia, wheel_inertia = plant.body_inertia_kg_m2, plant.wheel_inertia_kg_m2
    torque_constant = plant.torque_constant
    late_ticks = math.floor(plant.latency_s / period + 1e-6)
    compute_delay = plant.latency_s - late_ticks * period
    per_count = plant.command_full_scale / plant.command_counts
    step = controllers().ffi.cast("void (*)(void *, const int32_t *, int32_t *)", controller.address)
    context = controllers().ffi.cast("void *", controller.context)

    def rates(_: float, x: NDArray[np.float64], command: float) -> list[float]:
        tilt, rate, wheel, angle, current = map(float, x)
        wanted = max(-plant.current_limit_a, min(plant.current_limit_a, command))
        back = torque_constant * wheel
        lowest, highest = ((sign * plant.supply_v - back) / plant.resistance_ohm for sign in (-1, 1))
        wanted = max(lowest, min(highest, wanted))
        stribeck = (plant.wheel_stiction_n_m - plant.wheel_coulomb_n_m) / (1 + (wheel / plant.stribeck_rad_s) ** 2)
        torque = (
            torque_constant * current
            - (plant.wheel_coulomb_n_m + stribeck) * soft_sign(wheel)
            - plant.wheel_viscous_n_m_s * wheel
            + plant.cogging_n_m * math.sin(plant.cogging_per_rev * angle)
        )
        friction = plant.pivot_damping_n_m_s * rate + plant.pivot_coulomb_n_m * soft_sign(rate)
        acceleration = (plant.gravity_torque_n_m * math.sin(tilt) - torque - friction) / inertia
        current_rate = (wanted - current) / plant.current_lag_s
        return [rate, acceleration, torque / wheel_inertia - acceleration, wheel, current_rate]

    def advance(x: NDArray[np.float64], duration: float, command: float) -> NDArray[np.float64]:
        result: NDArray[np.float64] = solve_ivp(
            rates,
            (0, duration),
            x,
            method="DOP853",
            rtol=1e-9,
            atol=1e-12,
            args=(command,),
            first_step=duration / 4,
        ).y[:, -1]
        return result

    x = np.array([tilt_rad, 0.0, 0.0, 0.0, 0.0])
    encoder_scale = plant.wheel_counts_per_rad_s / (plant.wheel_window_ticks * period)
    encoder = deque([0] * plant.wheel_window_ticks)
    late: deque[tuple[int, int, int]] = deque()
    filters: list[LowPass] = []
    command = 0.0
    inputs = controllers().ffi.new("int32_t[6]")
    outputs = controllers().ffi.new("int32_t[3]")
    rows = []
    for tick in range(round(seconds / period)):
        if tick == poke_tick:
            x[1] += poke_n_m_s / inertia
            x[2] -= poke_n_m_s / inertia
        state = x[:3].copy()
        _, acceleration, _, _, _ = rates(0.0, x, command)
        seen = (
            float(x[1]),
            gravity * math.sin(x[0]) - plant.accelerometer.height_m * acceleration,
            gravity * math.cos(x[0]) - plant.accelerometer.height_m * float(x[1]) ** 2,
        )
        if not filters:
            corners = (plant.gyro.low_pass_hz, *[plant.accelerometer.low_pass_hz] * 2)
            filters = [LowPass(corner, period, value) for corner, value in zip(corners, seen, strict=True)]
        late.append(
            (
                nearest(filters[0](seen[0]) * plant.gyro.counts_per_rad_s, plant.gyro.counts_max),
                nearest(filters[1](seen[1]) * plant.accelerometer.counts_per_m_s2, plant.accelerometer.counts_max),
                nearest(filters[2](seen[2]) * plant.accelerometer.counts_per_m_s2, plant.accelerometer.counts_max),
            )
        )
        if len(late) > late_ticks + 1:
            late.popleft()
        count = math.floor(encoder_scale * float(x[3]) + 0.5)
        encoder.append(count)
        inputs[0:6] = [*late[0], count - encoder.popleft(), 1, 1]
        rows.append([*state, *inputs[0:4]])
        step(context, inputs, outputs)
        x = advance(x, compute_delay, command)
        command = per_count * outputs[0]
        x = advance(x, period - compute_delay, command)
    return np.array(rows)
