"""Arming and trips: when the controller must not run, and what it does when something breaks.

Takes: a plant, terms, a factory of controllers. Gives: checks. Faults are flown; what follows a trip (staying tripped, disarming,
arming again) is a lecture of readings to the same controller, since a tripped body lies on the floor.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from cffi import FFI
from numpy.typing import NDArray

from codegen.errors import CheckFailed
from codegen.flight.checks import FlightCheck, all_of, at_most
from codegen.flight.stand import HOLD_S, StepFactory
from codegen.flight.terms import Terms
from codegen.plant import AnyPlant, Encoders, Flight, Inertial, Plant, RollingPlant, Scenario, fly_any

GYRO, TANGENTIAL, RADIAL, WHEEL = range(4)
"""Readings of sensors on the body."""

PLACE, ANGLE = range(2)
"""Readings of encoders."""

COMMAND, ARMED, TRIPPED = range(3)
FAULT_S = 1.0
"""Time of every fault: the controller has armed at 0.3 s and stands, more or less."""

TILT_TRIP_S, TILT_TRIP_TICKS = 0.02, 5
"""Time (the longer of the two) after a falling body crosses the cut-off by which the lagging estimate must have seen it."""

EARLY_SHARE = 0.9
THROW_SHARE = 1.2
ARM_MARGIN_RAD = math.radians(0.5)
ARM_MARGIN_SIGMAS = 6.0
_FFI = FFI()

Counts = NDArray[np.int32]


def lecture(make_step: StepFactory, readings: Counts) -> Counts:
    """Outputs (ticks, 3) of a fresh controller that is handed the readings (ticks, inputs) one by one."""
    step = make_step()
    function = _FFI.cast("void (*)(void *, const int32_t *, int32_t *)", step.address)
    context = _FFI.cast("void *", step.context)
    readings = np.ascontiguousarray(readings, dtype=np.int32)
    outputs = np.zeros((len(readings), 3), dtype=np.int32)
    for row_in, row_out in zip(readings, outputs, strict=True):
        function(
            context,
            _FFI.cast("const int32_t *", row_in.ctypes.data),
            _FFI.cast("int32_t *", row_out.ctypes.data),
        )
    return outputs


def sensors_of(plant: AnyPlant) -> Plant | Inertial | Encoders:
    """What carries the numbers of a plant's sensors."""
    return plant.senses if isinstance(plant, RollingPlant) else plant


def input_count(plant: AnyPlant) -> int:
    """Inputs of the plant's controller: its readings, arm and sensor_fresh."""
    return 4 if isinstance(sensors_of(plant), Encoders) else 6


def upright_readings(plant: AnyPlant, ticks: int, arm: bool) -> Counts:
    """Readings (ticks, inputs) of a body held upright, flickering by a count as real ones do."""
    inputs, sensors = input_count(plant), sensors_of(plant)
    readings = np.zeros((ticks, inputs), dtype=np.int32)
    flicker = np.arange(ticks, dtype=np.int32) % 2
    if isinstance(sensors, Encoders):
        readings[:, ANGLE] = flicker
    else:
        readings[:, GYRO] = flicker
        readings[:, TANGENTIAL] = flicker
        upright = plant.gravity_m_s2 * sensors.accelerometer.counts_per_m_s2
        readings[:, RADIAL] = round(min(upright, float(sensors.accelerometer.counts_max)))
    readings[:, inputs - 2] = arm
    readings[:, inputs - 1] = 1
    return readings


@dataclass(frozen=True)
class Trip:
    """What a controller did about a fault.

    Attributes:
        ran: Whether it was armed and not tripped up to the fault.
        after_s: From the fault to the first tick from which on the command stays zero and the trip flag set; NaN if never.
        stays: Whether it stays so with good readings and the arm input kept at 1.
        clears: Whether disarming clears the trip.
        rearms: Whether arming again then works.
    """

    ran: bool
    after_s: float
    stays: bool
    clears: bool
    rearms: bool


def trip_of(plant: AnyPlant, make_step: StepFactory, readings: Counts, fault_tick: int) -> Trip:
    """Hand over the readings of a flight with a fault, then good ones: still armed, disarmed, armed again."""
    wait = 1000
    aftermath = [upright_readings(plant, wait, arm) for arm in (True, False, True)]
    outputs = lecture(make_step, np.concatenate([readings, *aftermath]))
    during, held, disarmed, again = np.split(outputs, np.cumsum([len(readings), wait, wait]))
    off = (during[:, COMMAND] == 0) & (during[:, ARMED] == 0) & (during[:, TRIPPED] == 1)
    on = np.flatnonzero(~off[fault_tick:])
    first = fault_tick + (int(on[-1]) + 1 if len(on) else 0)
    never = first == len(during)
    armed_at_all = np.flatnonzero(during[:fault_tick, ARMED])
    return Trip(
        ran=len(armed_at_all) > 0 and not during[:fault_tick, TRIPPED].any() and bool(during[fault_tick - 1, ARMED]),
        after_s=math.nan if never else (first - fault_tick) * plant.period_s,
        stays=bool((held[:, COMMAND] == 0).all() and (held[:, TRIPPED] == 1).all() and not held[:, ARMED].any()),
        clears=bool((disarmed[:, COMMAND] == 0).all() and not disarmed[-1, TRIPPED] and not disarmed[:, ARMED].any()),
        rearms=bool(again[-1, ARMED] and not again[-1, TRIPPED]),
    )


def _flown(plant: AnyPlant, make_step: StepFactory, scenario: Scenario) -> Counts:
    """Raw readings and outputs of a flight, (ticks, inputs + 3)."""
    return _counts_of(fly_any(plant, make_step(), replace(scenario, record_counts=True)))


def _counts_of(flight: Flight) -> Counts:
    if flight.counts is None:
        raise CheckFailed("a flight without recorded counts has no readings to hand over", remedy="set record_counts")
    return flight.counts


def _standing(plant: AnyPlant, seconds: float) -> Scenario:
    return Scenario(seconds, hold_s=HOLD_S, arm_s=HOLD_S, balance_offset_rad=0.0, gyro_bias_rad_s=0.0)


def sensor_trips(plant: AnyPlant, terms: Terms, make_step: StepFactory) -> dict[str, tuple[Trip, float]]:
    """Cause to (trip, time allowed in s) for a stale flag, and where the sensors may not rest a frozen one; all flown."""
    period = plant.period_s
    timeout = (terms.sensor_timeout_ticks + 1) * period
    fault_tick = round(FAULT_S / period)
    trips = {}
    frozen = (("frozen_gyro", "frozen gyro", timeout), ("frozen_accelerometer", "frozen accelerometer", timeout))
    for kind, label, allowed in (("stale", "stale flag", period), *(frozen if terms.sensor_timeout_ticks else ())):
        end = FAULT_S + 2.0 * timeout
        scenario = replace(_standing(plant, end), faults=((kind, FAULT_S, end + period),))
        counts = _flown(plant, make_step, scenario)
        trips[label] = trip_of(plant, make_step, counts[:, : input_count(plant)], fault_tick), allowed
    return trips


def tilt_trips(plant: AnyPlant, terms: Terms, make_step: StepFactory) -> dict[str, tuple[Trip, float]]:
    """Cause to (trip, time allowed in s) for a body thrown over to either side, from the moment it crosses the cut-off; flown."""
    trips = {}
    inputs = input_count(plant)
    allowed = max(TILT_TRIP_S, TILT_TRIP_TICKS * plant.period_s)
    for sign, word in ((1.0, "forward"), (-1.0, "backward")):
        # Little more than the motor can hold: a harder throw only drives the sensors out of their ranges.
        push = sign * THROW_SHARE * plant.holding_torque_n_m
        scenario = replace(
            _standing(plant, FAULT_S + 10.0),
            pushes=((FAULT_S, FAULT_S + 10.0, push),),
            record_every=1,
            record_counts=True,
        )
        flight = fly_any(plant, make_step(), scenario)
        readings = _counts_of(flight)
        crossing = int(np.argmax(np.abs(flight.tilt_rad) > terms.stop_tilt_rad))
        # The estimate may see the cut-off a little before the true tilt is there; the earlier of the two counts.
        early = np.abs(flight.tilt_rad) > EARLY_SHARE * terms.stop_tilt_rad
        seen = np.flatnonzero(early & (readings[:, inputs + TRIPPED] == 1))
        fault_tick = min(crossing, int(seen[0])) if len(seen) else crossing
        trips[f"tilt beyond the cut-off, {word}"] = trip_of(plant, make_step, readings[:, :inputs], fault_tick), allowed
    return trips


def speed_trips(plant: AnyPlant, terms: Terms, make_step: StepFactory) -> dict[str, tuple[Trip, float]]:
    """Cause to (trip, time allowed in s) for wheel over-speed of either sign.

    The readings are those of a flight except for the wheel's: a body whose wheel really gets there has fallen before.
    """
    fault_tick = round(FAULT_S / plant.period_s)
    readings = _flown(plant, make_step, _standing(plant, FAULT_S + 0.1))[:, : input_count(plant)]
    trips: dict[str, tuple[Trip, float]] = {}
    sensors = sensors_of(plant)
    if isinstance(sensors, Encoders):
        return trips
    for sign, word in ((1, "forward"), (-1, "backward")):
        changed = readings.copy()
        counts = math.floor(terms.overspeed_rad_s * sensors.wheel_counts_per_rad_s) + 1
        changed[fault_tick:, WHEEL] = sign * min(counts, sensors.wheel_counts_max)
        trips[f"wheel over-speed, {word}"] = trip_of(plant, make_step, changed, fault_tick), plant.period_s
    return trips


def place_trips(plant: AnyPlant, terms: Terms, make_step: StepFactory) -> dict[str, tuple[Trip, float]]:
    """Cause to (trip, time allowed in s) for a cart at the end of its track; read so, since it would strike the stop next."""
    sensors = sensors_of(plant)
    if not (isinstance(plant, RollingPlant) and isinstance(sensors, Encoders)):
        return {}
    fault_tick = round(FAULT_S / plant.period_s)
    readings = _flown(plant, make_step, _standing(plant, FAULT_S + 0.1))[:, : input_count(plant)]
    trips = {}
    for sign, word in ((1, "right"), (-1, "left")):
        changed = readings.copy()
        end = math.floor(plant.half_track_m * sensors.position_counts_per_m)
        changed[fault_tick:, PLACE] = sign * min(end, sensors.position_counts_max)
        trips[f"end of the track, {word}"] = trip_of(plant, make_step, changed, fault_tick), plant.period_s
    return trips


def check_trips(plant: AnyPlant, terms: Terms, make_step: StepFactory) -> list[FlightCheck]:
    """Every fault cuts the command in time, stays cut until disarmed, and lets the controller arm again after."""
    trips = (
        sensor_trips(plant, terms, make_step)
        | tilt_trips(plant, terms, make_step)
        | speed_trips(plant, terms, make_step)
        | place_trips(plant, terms, make_step)
    )
    checks = [
        at_most(f"{cause}: command zero after", 1e3 * allowed, 1e3 * trip.after_s, "ms")
        for cause, (trip, allowed) in trips.items()
    ]
    done = [trip for trip, _ in trips.values()]
    return [
        all_of("runs until the fault", [trip.ran for trip in done], "faults"),
        *checks,
        all_of("stays tripped while the arm input is 1", [trip.stays for trip in done], "faults"),
        all_of("disarming clears the trip", [trip.clears for trip in done], "faults"),
        all_of("arms again after", [trip.rearms for trip in done], "faults"),
    ]


def arms_when_held(plant: AnyPlant, make_step: StepFactory, tilt_rad: float, arm: bool = True) -> bool:
    """Whether a controller arms, or ever commands anything, with the body held at a tilt."""
    seconds = 1.0
    scenario = Scenario(
        seconds,
        tilt_rad=tilt_rad,
        hold_s=2.0 * seconds,
        arm_s=HOLD_S if arm else 2.0 * seconds,
        balance_offset_rad=0.0,
        gyro_bias_rad_s=0.0,
        fall_tilt_rad=2.0 * math.pi,
    )
    counts = _flown(plant, make_step, scenario)
    inputs = input_count(plant)
    return bool(counts[:, inputs + ARMED].any() or counts[:, inputs + COMMAND].any())


def arming_margin(plant: AnyPlant) -> float:
    """Tilt in rad by which noise may blur the arming tilt; a first-order low-pass passes noise up to pi/2 of its corner."""
    sensors = sensors_of(plant)
    if isinstance(sensors, Encoders):
        return ARM_MARGIN_RAD
    sensor = sensors.accelerometer
    bandwidth = 0.5 / plant.period_s
    if sensor.low_pass_hz > 0.0:
        bandwidth = min(bandwidth, 0.5 * math.pi * sensor.low_pass_hz)
    noise = sensor.noise_m_s2_sqrt_hz * math.sqrt(bandwidth) / plant.gravity_m_s2
    return ARM_MARGIN_RAD + ARM_MARGIN_SIGMAS * noise


def check_arming(plant: AnyPlant, terms: Terms, make_step: StepFactory) -> list[FlightCheck]:
    """Arms inside the arming tilt only, never upside down, never unasked.

    The margin around the arming tilt is half a degree and six standard deviations of the accelerometer's noise.
    """
    tilt, margin = terms.arm_tilt_rad, arming_margin(plant)
    inside = [arms_when_held(plant, make_step, sign * max(0.0, tilt - margin)) for sign in (1.0, -1.0)]
    outside = [not arms_when_held(plant, make_step, sign * (tilt + margin)) for sign in (1.0, -1.0)]
    head_down = [not arms_when_held(plant, make_step, angle) for angle in (math.pi, math.pi - 0.2, math.pi + 0.2)]
    unasked = [not arms_when_held(plant, make_step, angle, arm=False) for angle in (0.0, 0.5 * tilt)]
    return [
        all_of(f"arms {math.degrees(margin):.2g} deg inside the arming tilt", inside, "tries"),
        all_of(f"does not arm {math.degrees(margin):.2g} deg beyond the arming tilt", outside, "tries"),
        all_of("does not arm upside down", head_down, "tries"),
        all_of("does not run unasked", unasked, "tries"),
    ]
