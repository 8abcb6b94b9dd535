"""What happens during a simulated run, checked and turned into the simulator's numbers.

Takes: a plant and a ``Scenario``. Gives: the members of the simulator's C structures. Does not: fly.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from codegen.errors import LoopwrightError
from codegen.plant.model import Plant

_FAULT_BITS: Mapping[str, int] = {"stale": 1, "frozen_gyro": 2, "frozen_accelerometer": 4}
_POKE, _TORQUE, _SUPPLY, _FAULTS, _HELD, _ARM = range(6)
# A time that is this close (in ticks) above a tick belongs to it: 0.3 s / 1 ms must be tick 300.
_SAME_TICK = 1e-6


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
        tick_lengths_s: How long every tick really lasts, each longer than the compute delay; the controller takes each for a
            period. Empty: all are the period. Times of events are counted in periods.
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
    tick_lengths_s: tuple[float, ...] = ()


class Timed(Protocol):
    """What a scenario needs to know of a machine."""

    @property
    def period_s(self) -> float:
        """Tick period."""

    @property
    def latency_s(self) -> float:
        """From a reading to the effect of the command computed from it."""


def tick_of(time_s: float, period_s: float) -> int:
    """First tick not before a time."""
    return math.ceil(time_s / period_s - _SAME_TICK)


def count_ticks(plant: Timed, scenario: Scenario) -> int:
    """Number of ticks of a scenario.

    Raises:
        LoopwrightError: The scenario is contradictory.
    """
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
    ticks = max(1, round(scenario.seconds / plant.period_s))
    if scenario.tick_lengths_s:
        _check_tick_lengths(plant, scenario, ticks)
    return ticks


def _check_tick_lengths(plant: Timed, scenario: Scenario, ticks: int) -> None:
    """Refuse too few of them, and ticks that end before their own command takes effect."""
    lengths, least = np.asarray(scenario.tick_lengths_s), split_latency(plant)[1]
    if len(lengths) < ticks:
        raise LoopwrightError(f"{len(lengths)} tick lengths are given for {ticks} ticks", "scenario, tick_lengths_s")
    if not np.all(np.isfinite(lengths) & (lengths > least)):
        raise LoopwrightError(
            f"a tick is not longer than the compute delay of {least:g} s", "scenario, tick_lengths_s", "lengthen it, or shorten the latency"
        )


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


def list_events(plant: Timed, scenario: Scenario) -> list[tuple[int, int, float]]:
    """Everything that changes during the run as (tick, kind, value), by rising tick."""

    def tick(time_s: float) -> int:
        return tick_of(time_s, plant.period_s)

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


def split_latency(plant: Timed) -> tuple[int, float]:
    """The latency as whole ticks, by which inertial readings are late, and the rest in s, by which the command is."""
    ticks = math.floor(plant.latency_s / plant.period_s + _SAME_TICK)
    return ticks, max(0.0, plant.latency_s - ticks * plant.period_s)


def machine_members(plant: Plant, scenario: Scenario) -> dict[str, Any]:
    """The plant as the members of the C structure ``simulated_machine``."""
    period_s = plant.period_s
    delay_ticks, compute_delay_s = split_latency(plant)
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
        "unbalance": plant.wheel_unbalance_kg_m,
        "axle_height": plant.axle_height_m,
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
        "compute_delay_s": compute_delay_s,
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
