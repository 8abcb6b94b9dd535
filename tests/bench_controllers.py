"""Small controllers in C for the simulator's tests, in doubles: nothing but the simulator is under test."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from codegen.native.compile import Library, compile_library
from codegen.plant import Flight, Plant, StepFunction

_DECLARATIONS = """
typedef struct {
    double period, gyro_rad_s, accel_rad, wheel_rad_s;
    double filter, hold_filter, tilt_limit;
    double proportional, derivative, lean_gain;
    double body_and_wheel_inertia, wheel_inertia, gravity_torque;
    double momentum_gain, lean_limit, trim_pole, trim_limit, wheel_setpoint;
    double counts_per_n_m, command_max;
    int32_t divider, started;
    double tilt, momentum_estimate, trim, lean, momentum_sum, tilt_sum;
    int32_t in_slow;
} cascade;
void cascade_step(void *context, const int32_t *inputs, int32_t *outputs);
void constant_step(void *context, const int32_t *inputs, int32_t *outputs);
void feedback_step(void *context, const int32_t *inputs, int32_t *outputs);
"""

_SOURCE = (
    """
#include <stdint.h>
#include <math.h>
"""
    + _DECLARATIONS
    + """
static double limit(double x, double size) { return x > size ? size : (x < -size ? -size : x); }
static int32_t nearest(double x) { return (int32_t)(x + (x < 0.0 ? -0.5 : 0.5)); }

void cascade_step(void *context, const int32_t *in, int32_t *out)
{
    cascade *c = context;
    const double rate = in[0] * c->gyro_rad_s;
    const double angle = in[1] * c->accel_rad;
    const double wheel = in[3] * c->wheel_rad_s;
    const int armed = in[4] != 0;
    const double share = c->started ? (armed ? c->filter : c->hold_filter) : 1.0;
    const double momentum = c->wheel_inertia * wheel + c->body_and_wheel_inertia * rate;
    double torque;
    c->started = 1;
    c->tilt = limit(c->tilt + c->period * rate + share * (angle - c->tilt), c->tilt_limit);
    c->momentum_sum += momentum;
    c->tilt_sum += c->tilt;
    c->in_slow++;
    if (c->in_slow == c->divider) {
        const double slow_period = c->divider * c->period;
        const double mean = c->momentum_sum / c->divider;
        const double tilt_mean = c->tilt_sum / c->divider;
        const double error = mean - c->momentum_estimate;
        const double trim = c->trim;
        c->trim = limit(trim - slow_period * c->trim_pole * c->trim_pole / c->gravity_torque * error,
        c->trim_limit); c->momentum_estimate += slow_period * (c->gravity_torque * (tilt_mean - trim) + 1.4 *
        c->trim_pole * error); c->lean = -limit(c->momentum_gain * (mean - c->wheel_inertia *
        c->wheel_setpoint), c->lean_limit); if (!armed) {
            c->momentum_estimate = mean;
            c->trim = 0.0;
            c->lean = 0.0;
        }
        c->momentum_sum = 0.0;
        c->tilt_sum = 0.0;
        c->in_slow = 0;
    }
    torque = c->proportional * (c->tilt - c->trim) + c->derivative * rate - c->lean_gain * c->lean;
    out[0] = armed ? nearest(limit(torque * c->counts_per_n_m, c->command_max)) : 0;
    out[1] = armed;
    out[2] = 0;
}

/* context: one double, the command */
void constant_step(void *context, const int32_t *in, int32_t *out)
{
    out[0] = nearest(*(const double *)context);
    out[1] = in[4];
    out[2] = 0;
}

/* context: four doubles, counts of command per count of gyro, tangential acceleration, wheel speed; and the
command's limit */ void feedback_step(void *context, const int32_t *in, int32_t *out)
{
    const double *k = context;
    const double command = k[0] * in[0] + k[1] * in[1] + k[2] * in[3];
    out[0] = nearest(limit(command, k[3]));
    out[1] = 1;
    out[2] = 0;
}
"""
)


@functools.cache
def controllers() -> Library:
    """Return all of them, compiled once."""
    return compile_library({"controllers.c": _SOURCE}, declarations=_DECLARATIONS, warnings_are_errors=False)


def constant(command_counts: float) -> StepFunction:
    """Give always the same command."""
    return _step("constant_step", controllers().ffi.new("double *", command_counts))


def feedback(gyro: float, tangential: float, wheel: float, limit: float) -> StepFunction:
    """Give a weighted sum of raw readings, in command counts per count."""
    return _step("feedback_step", controllers().ffi.new("double[4]", [gyro, tangential, wheel, limit]))


@dataclass(frozen=True)
class Cascade:
    """Settings of the cascade: energy-direction inner loop, momentum outer loop, trim observer."""

    inner_pole_rad_s: float = 60.0
    filter_time_s: float = 2.0
    outer_share: float = 1 / 6
    trim_share: float = 1 / 10
    lean_limit_deg: float = 3.0
    trim_limit_deg: float = 8.0
    wheel_setpoint_rad_s: float = 6.0


def cascade(plant: Plant, settings: Cascade | None = None) -> StepFunction:
    """Return the cascade, with gains from the plant's own numbers."""
    s = settings or Cascade()
    rate, gravity, inertia = plant.divergence_rad_s, plant.gravity_torque_n_m, plant.body_inertia_kg_m2
    lean_gain = inertia * rate * s.inner_pole_rad_s
    memory = controllers().ffi.new(
        "cascade *",
        {
            "period": plant.period_s,
            "gyro_rad_s": 1 / plant.gyro.counts_per_rad_s,
            "accel_rad": 1 / (plant.accelerometer.counts_per_m_s2 * plant.gravity_m_s2),
            "wheel_rad_s": 1 / plant.wheel_counts_per_rad_s,
            "filter": plant.period_s / s.filter_time_s,
            "hold_filter": plant.period_s / 0.05,
            "tilt_limit": 1.0,
            "proportional": gravity + lean_gain,
            "derivative": (gravity + lean_gain) / rate,
            "lean_gain": lean_gain,
            "body_and_wheel_inertia": inertia + plant.wheel_inertia_kg_m2,
            "wheel_inertia": plant.wheel_inertia_kg_m2,
            "gravity_torque": gravity,
            "momentum_gain": s.outer_share * rate / gravity,
            "lean_limit": math.radians(s.lean_limit_deg),
            "trim_pole": s.trim_share * rate,
            "trim_limit": math.radians(s.trim_limit_deg),
            "wheel_setpoint": s.wheel_setpoint_rad_s,
            "counts_per_n_m": plant.command_counts / plant.torque_limit_n_m,
            "command_max": plant.command_counts,
            "divider": plant.outer_divider,
        },
    )
    return _step("cascade_step", memory)


def _step(name: str, memory: Any) -> StepFunction:
    library = controllers()
    return StepFunction(library.address_of(name), int(library.ffi.cast("uintptr_t", memory)), owner=(library, memory))


def counts_of(flight: Flight, column: int) -> NDArray[np.int32]:
    """One column of the recorded raw inputs and outputs."""
    assert flight.counts is not None
    return flight.counts[:, column]
