"""Why the controller let go: what stopped a log before its time.

Takes a trace, its replay and the design, gives ``Stop``; reads what the controller itself saw.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from codegen.design import Design
from codegen.rules.fixed import FixedGraph
from codegen.telemetry import Replay, Trace
from codegen.telemetry.readings import Readings, read_physical

BEFORE_S = 0.15
"""What the command was up to is looked at over this time before a stop."""

AT_LIMIT_S, AT_LIMIT = 0.5, 0.999
FULL, MOSTLY = 0.98, 0.6


@dataclass(frozen=True)
class Stop:
    """The end of balancing.

    Attributes:
        tick: When.
        name: The cause, in words.
        evidence: What shows it.
        remedy: What to do.
    """

    tick: int
    name: str
    evidence: str
    remedy: str


def find_stop(trace: Trace, replay: Replay, design: Design, fixed: FixedGraph) -> Stop | None:
    """What stopped the controller, or None if it balanced to the end, was told to stop, or never began."""
    readings = read_physical(trace, design.plant)
    tick = _stop_tick(trace, readings)
    if tick is None:
        return None
    time_s = tick * readings.period_s
    return (
        _stale(trace, tick, time_s)
        or _frozen(trace, design, tick, time_s)
        or _trim_at_limit(replay, design, fixed, readings, tick)
        or _overspeed(readings, design, tick, time_s)
        or _too_weak(readings, design, tick, time_s)
        or Stop(
            tick,
            "tilt beyond the cut-off",
            f"after {time_s:.2f} s the tilt passes the cut-off of {math.degrees(design.stop_tilt_rad):.0f} deg, with torque to spare",
            "look at the moments before it: a poke, a cable that caught, or a loop that grew",
        )
    )


def _named(trace: Trace, role: str) -> NDArray[np.int64] | None:
    for port in (*trace.shape.inputs, *trace.shape.outputs):
        if port.role == role and trace.has(port.name):
            return trace.column(port.name)
    return None


def _stop_tick(trace: Trace, readings: Readings) -> int | None:
    """First tick at which the controller had let go although it was still asked to balance."""
    tripped, arm = _named(trace, "tripped"), _named(trace, "arm")
    if tripped is not None and tripped.any():
        return int(np.argmax(tripped != 0))
    fallen = np.flatnonzero(readings.armed[:-1] & ~readings.armed[1:]) + 1
    asked = [int(tick) for tick in fallen if arm is None or arm[tick]]
    return asked[0] if asked else None


def _stale(trace: Trace, tick: int, time_s: float) -> Stop | None:
    fresh = _named(trace, "sensor_fresh")
    if fresh is None or fresh[tick]:
        return None
    return Stop(
        tick,
        "a sensor reported stale",
        f"after {time_s:.2f} s the flag sensor_fresh is 0",
        "look at the sensor's bus: wiring, speed, pull-ups; a lost reading is not old news, the controller must know it",
    )


def _frozen(trace: Trace, design: Design, tick: int, time_s: float) -> Stop | None:
    """A reading that did not change for as long as the controller waits."""
    ticks = design.sensor_timeout_ticks
    for role, words in (("gyro_rate", "gyro"), ("accel_tangential", "accelerometer")):
        values = _named(trace, role)
        if values is not None and tick >= ticks and np.all(values[tick - ticks : tick + 1] == values[tick]):
            return Stop(
                tick,
                "a sensor stops changing",
                f"the {words} reads {values[tick]} for {ticks} ticks before {time_s:.2f} s",
                "look at the sensor's bus and supply; a sensor that answers with its last value has hung up and wants to be started anew",
            )
    return None


def _trim_at_limit(replay: Replay, design: Design, fixed: FixedGraph, readings: Readings, tick: int) -> Stop | None:
    """The trim pinned to its limit: the balance angle lies beyond it, the wheel has to speed up for ever."""
    memory: Mapping[str, NDArray[np.int64]] = replay.memory
    if "trim" not in memory or design.trim_limit_rad <= 0.0:
        return None
    trim = memory["trim"][:tick] * float(fixed.formats["trim"].lsb)
    pinned = np.abs(trim) >= AT_LIMIT * math.floor(design.trim_limit_rad * 4096.0) / 4096.0
    needed = round(AT_LIMIT_S / readings.period_s)
    if np.sum(pinned) < needed or np.sum(pinned[-4 * needed :]) < needed:
        return None
    wheel = readings.wheel_rad_s[:tick]
    return Stop(
        tick,
        "balance angle beyond the trim's range",
        f"the trim is at its limit of {math.degrees(design.trim_limit_rad):.1f} deg for {np.sum(pinned) * readings.period_s:.1f} s, "
        f"and the wheel runs up to {abs(float(wheel[-1])):.0f} rad/s",
        "measure the balance angle (hold the body where it stands by itself, read the accelerometer), give it in "
        "body.balance_offset_deg, and ship again; or turn the sensor on its board",
    )


def _overspeed(readings: Readings, design: Design, tick: int, time_s: float) -> Stop | None:
    speed = float(np.max(np.abs(readings.wheel_rad_s[max(0, tick - 2) : tick + 1])))
    if speed < design.overspeed_rad_s:
        return None
    return Stop(
        tick,
        "wheel over-speed",
        f"after {time_s:.2f} s the wheel turns at {speed:.0f} rad/s, the cut-off is {design.overspeed_rad_s:.0f}",
        "look for what it had to carry: a balance angle that is not found, a cable that pulls, a poke too many",
    )


def _too_weak(readings: Readings, design: Design, tick: int, time_s: float) -> Stop | None:
    """Full command in vain."""
    first = max(0, tick - round(BEFORE_S / readings.period_s))
    full = np.abs(readings.torque_n_m[first:tick]) >= FULL * design.plant.torque_limit_n_m
    if not len(full) or np.mean(full) < MOSTLY:
        return None
    return Stop(
        tick,
        "torque too small",
        f"before {time_s:.2f} s the command is at its limit for {100.0 * np.mean(full):.0f} % of the time and the body falls all the same",
        "a poke beyond the bound (see `loopwright design`), a flat battery, or a drive that gives less than its constant says",
    )
