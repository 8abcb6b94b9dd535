"""Fly a controller on a simulated rolling balancer.

Takes: a rolling plant, a compiled controller, a scenario. Gives: a ``RollingFlight``. The loop runs in compiled C (``rolling.c``,
method and model described there).

A scenario means here: ``wheel_rad_s`` is the drive's speed (pulley or wheel against its stator) at the start; while held, body and
carriage stand still; pokes and pushes are those of a finger at the plant's push height, told as angular impulse and torque about the
pivot or axle; a gyro's faults and bias are nothing to a machine with encoders.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from codegen.errors import LoopwrightError
from codegen.native.compile import Library, compile_library
from codegen.plant.model import Accelerometer, Gyro
from codegen.plant.rolling import Encoders, Inertial, RollingPlant
from codegen.plant.scenario import Scenario, count_ticks, list_events, split_latency, tick_of
from codegen.plant.simulator import SIMULATOR_FLAGS, Flight, RealArray, StepFunction, read_sources

_FILES = ("rolling.c", "exchange.h", "rolling.h", "noise.h", "sensors.h")
_ROW_COLUMNS = 7
_NO_GYRO = Gyro(1.0, 0.0, 0.0, 0.0, 1)
_NO_ACCELEROMETER = Accelerometer(1.0, 0.0, 0.0, 0.0, 1)


@dataclass(frozen=True)
class RollingFlight(Flight):
    """A flight of a machine that also has a place; metres from where it began.

    Attributes:
        struck: Whether the run ended because the carriage reached the end of its track.
        position_mean_m: Mean.
        position_rms_m: Root mean square about zero.
        position_max_m: Largest size.
        final_position_m: At the end.
        position_m: Recorded rows, (r,).
    """

    struck: bool
    position_mean_m: float
    position_rms_m: float
    position_max_m: float
    final_position_m: float
    position_m: RealArray


def fly_rolling(plant: RollingPlant, controller: StepFunction, scenario: Scenario) -> RollingFlight:
    """Simulate the closed loop.

    Raises:
        LoopwrightError: The scenario is contradictory, or a delay or counting window is longer than the simulator can remember.
        CompileError: The simulator cannot be compiled on this machine.
    """
    if scenario.tick_lengths_s:
        raise LoopwrightError("ticks of uneven length are not simulated for this kind of machine", "scenario, tick_lengths_s")
    ticks = count_ticks(plant, scenario)
    library = _simulator()
    ffi = library.ffi
    events = list_events(plant, scenario)
    event_memory = ffi.new("simulated_event[]", [{"tick": t, "kind": k, "value": v} for t, k, v in events])
    every = scenario.record_every
    rows = np.empty((-(-ticks // every) if every else 0, _ROW_COLUMNS))
    columns = (4 if isinstance(plant.senses, Inertial) else 2) + 5
    counts = np.empty((ticks, columns), dtype=np.int32) if scenario.record_counts else None
    run = ffi.new(
        "rolling_run *",
        {
            "ticks": ticks,
            "seed": scenario.seed,
            "tilt": scenario.tilt_rad,
            "rate": scenario.rate_rad_s,
            "wheel": scenario.wheel_rad_s,
            "fall_tilt": scenario.fall_tilt_rad,
            "statistics_from": tick_of(scenario.statistics_from_s, plant.period_s),
            "record_every": every,
            "events": event_memory,
            "event_count": len(events),
            "rows": ffi.cast("double *", rows.ctypes.data) if every else ffi.NULL,
            "counts": ffi.NULL if counts is None else ffi.cast("int32_t *", counts.ctypes.data),
        },
    )
    machine = ffi.new("rolling_machine *", _members(plant, scenario))
    result: Any = ffi.new("rolling_result *")
    step, context = ffi.cast("controller_step", controller.address), ffi.cast("void *", controller.context)
    if library.lib.simulate_rolling(machine, run, step, context, result) != 0:
        raise LoopwrightError(f"a latency of {plant.latency_s:g} s or its wheel speed window is too long to simulate", "plant")
    rows = rows[: result.row_count]
    fell = bool(result.fell)
    return RollingFlight(
        scenario=scenario,
        stands=not fell,
        fell_at_s=float(result.ticks) * plant.period_s if fell else None,
        ticks=int(result.ticks),
        tilt_rms_rad=math.sqrt(result.tilt_square_mean),
        tilt_max_rad=float(result.tilt_max),
        tilt_mean_rad=float(result.tilt_mean),
        wheel_mean_rad_s=float(result.wheel_mean),
        wheel_std_rad_s=math.sqrt(result.wheel_variance),
        wheel_max_rad_s=float(result.wheel_max),
        torque_rms_n_m=math.sqrt(result.torque_square_mean),
        final_tilt_rad=float(result.tilt),
        final_rate_rad_s=float(result.rate),
        final_wheel_rad_s=float(result.wheel),
        armed=bool(result.armed),
        tripped=bool(result.tripped),
        time_s=rows[:, 0],
        tilt_rad=rows[:, 1],
        rate_rad_s=rows[:, 2],
        wheel_rad_s=rows[:, 3],
        torque_n_m=rows[:, 4],
        command_counts=rows[:, 5],
        counts=None if counts is None else counts[: result.ticks],
        struck=bool(result.struck),
        position_mean_m=float(result.position_mean),
        position_rms_m=math.sqrt(result.position_square_mean),
        position_max_m=float(result.position_max),
        final_position_m=float(result.position),
        position_m=rows[:, 6],
    )


@functools.cache
def _simulator() -> Library:
    """Return the simulator, compiled once per process."""
    sources = read_sources(_FILES)
    return compile_library(sources, declarations=sources["exchange.h"] + sources["rolling.h"], flags=SIMULATOR_FLAGS)


def _members(plant: RollingPlant, scenario: Scenario) -> dict[str, Any]:
    """The plant as the members of the C structure ``rolling_machine``."""
    delay_ticks, compute_delay_s = split_latency(plant)
    offset = scenario.balance_offset_rad
    return {
        "gravity_m_s2": plant.gravity_m_s2,
        "mass": plant.mass_kg,
        "moment": plant.moment_kg_m,
        "inertia": plant.inertia_kg_m2,
        "radius": plant.radius_m,
        "stator_on_body": float(plant.stator_on_body),
        "pivot_damping": plant.pivot_damping_n_m_s,
        "pivot_coulomb": plant.pivot_coulomb_n_m,
        "rail_viscous": plant.rail_viscous_n_s_m,
        "rail_coulomb": plant.rail_coulomb_n,
        "half_track": plant.half_track_m if math.isfinite(plant.half_track_m) else 0.0,
        "push_height": plant.push_height_m,
        "balance_offset": plant.balance_offset_rad if offset is None else offset,
        "torque_per_ampere": plant.motors * plant.torque_constant,
        "back_voltage": plant.torque_constant,
        "resistance": plant.resistance_ohm,
        "supply_v": plant.supply_v,
        "current_limit": plant.current_limit_a,
        "drive_viscous": plant.drive_viscous_n_m_s,
        "drive_coulomb": plant.drive_coulomb_n_m,
        "current_lag_s": plant.current_lag_s,
        "command_scale": plant.command_full_scale / plant.command_counts,
        "command_counts": plant.command_counts,
        "voltage_drive": int(plant.voltage_drive),
        **_sensors(plant, scenario),
        "period_s": plant.period_s,
        "compute_delay_s": compute_delay_s,
        "sensor_delay": delay_ticks,
    }


def _sensors(plant: RollingPlant, scenario: Scenario) -> dict[str, Any]:
    """The sensors' members; those that the machine does not have stand at harmless values."""
    senses = plant.senses
    inertial = isinstance(senses, Inertial)
    gyro, accelerometer = (senses.gyro, senses.accelerometer) if isinstance(senses, Inertial) else (_NO_GYRO, _NO_ACCELEROMETER)
    encoders = senses if isinstance(senses, Encoders) else Encoders(1.0, 1, 1.0, 1)
    window = senses.wheel_window_ticks if isinstance(senses, Inertial) else 1
    bias = scenario.gyro_bias_rad_s
    period_s = plant.period_s
    channels = {
        "gyro": (gyro.counts_per_rad_s, gyro.noise_rad_s_sqrt_hz, gyro.low_pass_hz, gyro.counts_max),
        "accelerometer": (
            accelerometer.counts_per_m_s2,
            accelerometer.noise_m_s2_sqrt_hz,
            accelerometer.low_pass_hz,
            accelerometer.counts_max,
        ),
    }
    return {
        "inertial": int(inertial),
        # White noise of one-sided density d, sampled at 1/T, has variance d^2 / (2 T).
        **{
            name: {
                "scale": scale,
                "sigma": density * math.sqrt(0.5 / period_s),
                "low_pass_s": 1.0 / (2.0 * math.pi * low_pass_hz) if low_pass_hz > 0 else 0.0,
                "counts_max": counts_max,
            }
            for name, (scale, density, low_pass_hz, counts_max) in channels.items()
        },
        "gyro_bias": gyro.bias_rad_s if bias is None else bias,
        "accelerometer_height": accelerometer.height_m,
        "accelerometer_bias": accelerometer.bias_m_s2,
        "encoder_scale": senses.wheel_counts_per_rad_s / (window * period_s) if isinstance(senses, Inertial) else 1.0,
        "wheel_counts_max": senses.wheel_counts_max if isinstance(senses, Inertial) else 1,
        "wheel_window": window,
        "position_scale": encoders.position_counts_per_m,
        "position_counts_max": encoders.position_counts_max,
        "tilt_scale": encoders.angle_counts_per_rad,
        "tilt_counts_max": encoders.angle_counts_max,
    }
