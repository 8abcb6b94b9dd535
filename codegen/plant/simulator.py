"""Fly a controller on a simulated machine.

Takes: a plant, a compiled controller, a scenario. Gives: a ``Flight`` with statistics and, on request,
records. Does not: know what the controller computes.

The loop runs in compiled C (``simulator.c``, method and model described there). Ticks: at each the sensors
are read, the controller is called, and its command takes effect after the compute delay. The plant's latency
is split: whole ticks make the inertial readings late, the remaining fraction is the compute delay.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from codegen.errors import LoopwrightError
from codegen.native.compile import Library, compile_library
from codegen.plant.model import Plant

_FAULT_BITS: Mapping[str, int] = {"stale": 1, "frozen_gyro": 2, "frozen_accelerometer": 4}
_POKE, _TORQUE, _SUPPLY, _FAULTS, _HELD, _ARM = range(6)
_COUNT_COLUMNS = 9
_ROW_COLUMNS = 6
# A time that is this close (in ticks) above a tick belongs to it: 0.3 s / 1 ms must be tick 300.
_SAME_TICK = 1e-6

RealArray = NDArray[np.float64]


@dataclass(frozen=True)
class StepFunction:
    """A compiled controller, called once per tick.

    Its type is ``void step(void *context, const int32_t *inputs, int32_t *outputs)``.

    Attributes:
        address: Its machine address (``Library.address_of``).
        context: Address of its memory, handed through untouched; 0 = none.
        owner: Whatever must stay alive while the address is used (the library, the memory).
    """

    address: int
    context: int = 0
    owner: object = None


@dataclass(frozen=True)
class Scenario:
    """What happens during one simulated run; SI units, rad.

    Times take effect at the first tick not before them.

    Attributes:
        seconds: Length.
        seed: Seed of the sensor noise; equal seeds repeat a run bit for bit.
        tilt_rad, rate_rad_s, wheel_rad_s: True state at the start, tilt from the true balance angle.
        hold_s: Until then the body is held fixed at ``tilt_rad`` (the wheel is free, pokes do nothing).
        arm_s: From then on the arm input is 1.
        pokes: (time, angular impulse on the body in N m s).
        pushes: (start, end, torque on the body in N m); overlapping ones add.
        supply: (time, supply voltage from then on).
        faults: (kind, start, end); kinds: "stale" (fresh flag 0, no sensor reading changes), "frozen_gyro",
            "frozen_accelerometer".
        statistics_from_s: Statistics leave out what is before.
        record_every: Ticks between recorded rows; 0 = none.
        record_counts: Whether to record the controller's raw inputs and outputs at every tick (36 bytes
            each).
        balance_offset_rad, gyro_bias_rad_s: Instead of the plant's.
        fall_tilt_rad: The run ends beyond this tilt.
    """

    seconds: float
    seed: int = 1
    tilt_rad: float = 0.0
    rate_rad_s: float = 0.0
    wheel_rad_s: float = 0.0
    hold_s: float = 0.0
    arm_s: float = 0.0
    pokes: tuple[tuple[float, float], ...] = ()
    pushes: tuple[tuple[float, float, float], ...] = ()
    supply: tuple[tuple[float, float], ...] = ()
    faults: tuple[tuple[str, float, float], ...] = ()
    statistics_from_s: float = 0.0
    record_every: int = 0
    record_counts: bool = False
    balance_offset_rad: float | None = None
    gyro_bias_rad_s: float | None = None
    fall_tilt_rad: float = 1.0472


@dataclass(frozen=True)
class Flight:
    """Result of one run; SI units, tilt from the true balance angle.

    Statistics are over the ticks from ``statistics_from_s`` on.

    Attributes:
        scenario: What was flown.
        stands: Whether the body stayed within the fall tilt to the end.
        fell_at_s: When it did not; None if it stands.
        ticks: Controller calls made.
        tilt_rms_rad: Root mean square about zero.
        tilt_max_rad: Largest size.
        tilt_mean_rad, wheel_mean_rad_s: Means.
        wheel_std_rad_s: Standard deviation about the mean.
        wheel_max_rad_s: Largest size.
        torque_rms_n_m: Root mean square of the motor torque (torque constant times current).
        final_tilt_rad, final_rate_rad_s, final_wheel_rad_s: State at the end.
        armed, tripped: The controller's last flags.
        time_s, tilt_rad, rate_rad_s, wheel_rad_s, torque_n_m, command_counts: Recorded rows, each (r,); the
            state at a tick and the command given at it.
        counts: (ticks, 9) raw inputs (gyro_rate, accel_tangential, accel_radial, wheel_speed, arm,
            sensor_fresh) and outputs (drive_command, armed, tripped), or None.
    """

    scenario: Scenario
    stands: bool
    fell_at_s: float | None
    ticks: int
    tilt_rms_rad: float
    tilt_max_rad: float
    tilt_mean_rad: float
    wheel_mean_rad_s: float
    wheel_std_rad_s: float
    wheel_max_rad_s: float
    torque_rms_n_m: float
    final_tilt_rad: float
    final_rate_rad_s: float
    final_wheel_rad_s: float
    armed: bool
    tripped: bool
    time_s: RealArray
    tilt_rad: RealArray
    rate_rad_s: RealArray
    wheel_rad_s: RealArray
    torque_n_m: RealArray
    command_counts: RealArray
    counts: NDArray[np.int32] | None


def fly(plant: Plant, controller: StepFunction, scenario: Scenario) -> Flight:
    """Simulate the closed loop.

    Raises:
        LoopwrightError: The scenario is contradictory, or a delay or counting window is longer than the
            simulator can remember.
        CompileError: The simulator cannot be compiled on this machine.
    """
    ticks = _check(plant, scenario)
    library = _simulator()
    ffi = library.ffi
    events = _events(plant, scenario)
    event_memory = ffi.new("simulated_event[]", [{"tick": t, "kind": k, "value": v} for t, k, v in events])
    every = scenario.record_every
    rows = np.empty((-(-ticks // every) if every else 0, _ROW_COLUMNS))
    counts = np.empty((ticks, _COUNT_COLUMNS), dtype=np.int32) if scenario.record_counts else None
    run = ffi.new(
        "simulated_run *",
        {
            "ticks": ticks,
            "seed": scenario.seed,
            "tilt": scenario.tilt_rad,
            "rate": scenario.rate_rad_s,
            "wheel": scenario.wheel_rad_s,
            "fall_tilt": scenario.fall_tilt_rad,
            "statistics_from": _tick(scenario.statistics_from_s, plant.period_s),
            "record_every": every,
            "events": event_memory,
            "event_count": len(events),
            "rows": ffi.cast("double *", rows.ctypes.data) if every else ffi.NULL,
            "counts": ffi.NULL if counts is None else ffi.cast("int32_t *", counts.ctypes.data),
        },
    )
    machine = ffi.new("simulated_machine *", _machine(plant, scenario))
    result: Any = ffi.new("simulated_result *")
    status = library.lib.simulate(
        machine,
        run,
        ffi.cast("controller_step", controller.address),
        ffi.cast("void *", controller.context),
        result,
    )
    if status != 0:
        raise LoopwrightError(
            f"a latency of {plant.latency_s:g} s or a wheel speed window of {plant.wheel_window_ticks} ticks"
            " is too long to simulate",
            "plant",
        )
    rows = rows[: result.row_count]
    fell = bool(result.fell)
    return Flight(
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
    )


@functools.cache
def _simulator() -> Library:
    """Return the simulator, compiled once per process."""
    folder = Path(__file__).parent
    header = (folder / "simulator.h").read_text(encoding="utf-8")
    source = (folder / "simulator.c").read_text(encoding="utf-8")
    # Without errno the compiler can use the machine's square root in line; the results are the same.
    return compile_library({"simulator.c": source, "simulator.h": header}, declarations=header, flags=("-fno-math-errno",))


def _tick(time_s: float, period_s: float) -> int:
    """First tick not before a time."""
    return math.ceil(time_s / period_s - _SAME_TICK)


def _check(plant: Plant, scenario: Scenario) -> int:
    """Refuse contradictory scenarios, else return the number of ticks."""
    numbers = (
        scenario.tilt_rad,
        scenario.rate_rad_s,
        scenario.wheel_rad_s,
        *(value for poke in scenario.pokes for value in poke),
        *(value for push in scenario.pushes for value in push),
        *(value for step in scenario.supply for value in step),
        *(value for fault in scenario.faults for value in fault[1:]),
    )
    if not all(math.isfinite(number) for number in numbers):
        raise LoopwrightError("a number is not finite", "scenario")
    for name in ("seconds", "fall_tilt_rad"):
        value = getattr(scenario, name)
        if not (math.isfinite(value) and value > 0):
            raise LoopwrightError(f"{value!r} is not a positive number", f"scenario, {name}")
    for name in ("hold_s", "arm_s", "statistics_from_s", "record_every"):
        value = getattr(scenario, name)
        if not (math.isfinite(value) and value >= 0):
            raise LoopwrightError(f"{value!r} is not zero or a positive number", f"scenario, {name}")
    if not 0 <= scenario.seed < 2**64:
        raise LoopwrightError(f"{scenario.seed} is not within 0 ... 2^64 - 1", "scenario, seed")
    _check_events(scenario)
    return max(1, round(scenario.seconds / plant.period_s))


def _check_events(scenario: Scenario) -> None:
    """Refuse events that end before they start, unknown faults and negative supplies."""
    for kind, start_s, end_s in scenario.faults:
        if kind not in _FAULT_BITS:
            known = ", ".join(_FAULT_BITS)
            raise LoopwrightError(f"there is no fault {kind!r}", "scenario, faults", f"use one of {known}")
        if end_s < start_s:
            raise LoopwrightError(f"{kind} ends at {end_s:g} s before it starts at {start_s:g} s", "scenario, faults")
    for start_s, end_s, _ in scenario.pushes:
        if end_s < start_s:
            raise LoopwrightError(f"a push ends at {end_s:g} s before it starts at {start_s:g} s", "scenario, pushes")
    for time_s, volts in scenario.supply:
        if volts < 0:
            raise LoopwrightError(f"a supply of {volts:g} V at {time_s:g} s is negative", "scenario, supply")


def _events(plant: Plant, scenario: Scenario) -> list[tuple[int, int, float]]:
    """Everything that changes during the run as (tick, kind, value), by rising tick."""

    def tick(time_s: float) -> int:
        return _tick(time_s, plant.period_s)

    events = [(0, _HELD, 1.0)] if tick(scenario.hold_s) > 0 else []
    events.append((tick(scenario.hold_s), _HELD, 0.0))
    events.append((tick(scenario.arm_s), _ARM, 1.0))
    events += [(tick(time_s), _SUPPLY, volts) for time_s, volts in scenario.supply]
    # Torques and faults are summed anew at every change: adding and taking away again would leave a rounding
    # rest.
    pushes = [(tick(start_s), tick(end_s), torque) for start_s, end_s, torque in scenario.pushes]
    for change in sorted({t for start, end, _ in pushes for t in (start, end)}):
        events.append((change, _TORQUE, math.fsum(torque for start, end, torque in pushes if start <= change < end)))
    faults = [(tick(start_s), tick(end_s), _FAULT_BITS[kind]) for kind, start_s, end_s in scenario.faults]
    for change in sorted({t for start, end, _ in faults for t in (start, end)}):
        bits = 0
        for start, end, bit in faults:
            bits |= bit if start <= change < end else 0
        events.append((change, _FAULTS, float(bits)))
    # Pokes last within a tick, so that a blow at the moment of release counts.
    events += [(tick(time_s), _POKE, impulse) for time_s, impulse in scenario.pokes]
    return sorted(events, key=lambda event: event[0])


def _machine(plant: Plant, scenario: Scenario) -> dict[str, Any]:
    """Return the plant as the members of the C structure."""
    period_s = plant.period_s
    delay_ticks = math.floor(plant.latency_s / period_s + _SAME_TICK)
    offset, bias = scenario.balance_offset_rad, scenario.gyro_bias_rad_s
    return {
        "gravity_m_s2": plant.gravity_m_s2,
        "gravity_torque": plant.gravity_torque_n_m,
        "body_inertia": plant.body_inertia_kg_m2,
        "wheel_inertia": plant.wheel_inertia_kg_m2,
        "pivot_damping": plant.pivot_damping_n_m_s,
        "pivot_coulomb": plant.pivot_coulomb_n_m,
        "balance_offset": plant.balance_offset_rad if offset is None else offset,
        "torque_constant": plant.torque_constant,
        "resistance": plant.resistance_ohm,
        "supply_v": plant.supply_v,
        "current_limit": plant.current_limit_a,
        "wheel_viscous": plant.wheel_viscous_n_m_s,
        "wheel_coulomb": plant.wheel_coulomb_n_m,
        "wheel_stiction": plant.wheel_stiction_n_m,
        "stribeck_speed": plant.stribeck_rad_s,
        "cogging": plant.cogging_n_m,
        "cogging_per_rev": plant.cogging_per_rev,
        "current_lag_s": plant.current_lag_s,
        "command_scale": plant.command_full_scale / plant.command_counts,
        "command_counts": plant.command_counts,
        "voltage_drive": int(plant.voltage_drive),
        "gyro": _channel(
            plant.gyro.counts_per_rad_s,
            plant.gyro.noise_rad_s_sqrt_hz,
            plant.gyro.low_pass_hz,
            plant.gyro.counts_max,
            period_s,
        ),
        "gyro_bias": plant.gyro.bias_rad_s if bias is None else bias,
        "accelerometer": _channel(
            plant.accelerometer.counts_per_m_s2,
            plant.accelerometer.noise_m_s2_sqrt_hz,
            plant.accelerometer.low_pass_hz,
            plant.accelerometer.counts_max,
            period_s,
        ),
        "accelerometer_height": plant.accelerometer.height_m,
        "accelerometer_bias": plant.accelerometer.bias_m_s2,
        "encoder_scale": plant.wheel_counts_per_rad_s / (plant.wheel_window_ticks * period_s),
        "wheel_counts_max": plant.wheel_counts_max,
        "wheel_window": plant.wheel_window_ticks,
        "period_s": period_s,
        "compute_delay_s": max(0.0, plant.latency_s - delay_ticks * period_s),
        "sensor_delay": delay_ticks,
    }


def _channel(scale: float, density: float, low_pass_hz: float, counts_max: int, period_s: float) -> dict[str, Any]:
    """Return one channel; white noise of one-sided density d, sampled at 1/T, has variance d^2 / (2 T)."""
    return {
        "scale": scale,
        "sigma": density * math.sqrt(0.5 / period_s),
        "low_pass_s": 1.0 / (2.0 * math.pi * low_pass_hz) if low_pass_hz > 0 else 0.0,
        "counts_max": counts_max,
    }
