"""Flights recorded for pictures: what the machine did and what the controller thought.

Takes: a plant, terms, a compiled controller. Gives: arrays. The controller's own estimates are exact: the raw
readings of the flight are replayed through it with every member of its memory kept.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from codegen.errors import CheckFailed
from codegen.flight.disturb import RECOVERY_SHARE, SPIN_SHARE
from codegen.flight.stand import HOLD_S
from codegen.flight.terms import FlightTerms
from codegen.host.controller import HostController
from codegen.plant import AnyPlant, Flight, Plant, RollingFlight, Scenario, StepFunction, fly_any

RealArray = NDArray[np.float64]

BEFORE_S = 1.0
ESTIMATES = ("tilt_last", "trim", "lean", "momentum_estimate")
"""Members of the balancing controller's memory worth drawing, where the controller has them."""


@dataclass(frozen=True)
class Recording:
    """One flight; arrays of length r.

    Attributes:
        name: Short, for file names.
        title: One line for the picture.
        event_s: When what the title says happened.
        time_s, tilt_deg, wheel_rad_s, torque_n_m, command_counts: The machine; tilt from the true balance angle.
        estimates: The controller's own memory in real units by member name (rad, N m s), as after the tick.
        place_m: Where a machine that rolls is, from where it began; None for one that stands on its spot.
    """

    name: str
    title: str
    event_s: float
    time_s: RealArray
    tilt_deg: RealArray
    wheel_rad_s: RealArray
    torque_n_m: RealArray
    command_counts: RealArray
    estimates: Mapping[str, RealArray]
    place_m: RealArray | None = None


def record_flight(
    plant: AnyPlant, controller: HostController, scenario: Scenario, name: str, title: str, event_s: float, *, from_s: float = 0.0
) -> Recording:
    """Fly, replay the raw readings, and cut off what is before ``from_s``.

    Raises:
        CheckFailed: The replayed outputs are not those of the flight.
    """
    flight = fly_any(plant, StepFunction(*controller.flight_step()), replace(scenario, record_every=1, record_counts=True))
    memory = replay(controller, flight)
    kept = flight.time_s >= from_s
    return Recording(
        name=name,
        title=title,
        event_s=event_s,
        time_s=flight.time_s[kept],
        tilt_deg=np.degrees(flight.tilt_rad[kept]),
        wheel_rad_s=flight.wheel_rad_s[kept],
        torque_n_m=flight.torque_n_m[kept],
        command_counts=flight.command_counts[kept],
        estimates={member: memory[member][kept] for member in ESTIMATES if member in memory},
        place_m=flight.position_m[kept] if isinstance(flight, RollingFlight) else None,
    )


def replay(controller: HostController, flight: Flight) -> dict[str, RealArray]:
    """Memory of the controller after every tick of a flight, in real units, (ticks,) by member; flight with ``record_counts``.

    Raises:
        CheckFailed: The flight has no counts, or the replayed outputs are not those of the flight.
    """
    if flight.counts is None:
        raise CheckFailed("a flight without recorded counts cannot be replayed", remedy="set record_counts in its scenario")
    inputs, outputs = len(controller.inputs), len(controller.outputs)
    trace = controller.run(
        controller.start(1), flight.counts[:, :inputs, np.newaxis].astype(np.int64), trace_memory=True
    )
    first = flight.counts.shape[1] - 3
    if trace.memory is None or not np.array_equal(trace.outputs[:, :, 0], flight.counts[:, first : first + outputs]):
        raise CheckFailed("the controller answers the same readings differently when they are replayed", "flight record")
    formats = controller.fixed.formats
    return {
        member: trace.memory[:, place, 0].astype(np.float64) * (float(formats[member].lsb) if member in formats else 1.0)
        for place, member in enumerate(controller.memory)
    }


def record_flights(plant: Plant, terms: FlightTerms, controller: HostController) -> tuple[Recording, ...]:
    """The four pictures: learning the balance angle, a poke, a release from a hold, a wheel run-down."""
    unknown = Scenario(
        HOLD_S + terms.settling_s,
        tilt_rad=-terms.offset_rad,
        hold_s=HOLD_S,
        arm_s=HOLD_S,
        balance_offset_rad=terms.offset_rad,
        gyro_bias_rad_s=terms.gyro_bias_rad_s,
    )
    known = replace(unknown, balance_offset_rad=0.0, gyro_bias_rad_s=0.0, tilt_rad=0.0)
    poke_s = HOLD_S + terms.settling_s
    impulse = RECOVERY_SHARE * terms.poke_n_m_s
    poked = replace(known, seconds=poke_s + terms.recovery_s + 1.0, pokes=((poke_s, impulse),))
    tilt = 0.9 * min(terms.recoverable_tilt_rad, terms.arm_tilt_rad)
    released = replace(known, seconds=HOLD_S + terms.settling_s, tilt_rad=tilt)
    speed = SPIN_SHARE * plant.top_speed_rad_s
    ideal = plant.wheel_inertia_kg_m2 * speed / (plant.gravity_torque_n_m * terms.lean_limit_rad)
    spun = replace(known, seconds=HOLD_S + 2.0 * ideal + 0.5 * terms.settling_s, wheel_rad_s=speed)
    offset_deg, bias = math.degrees(terms.offset_rad), math.degrees(terms.gyro_bias_rad_s)
    return (
        record_flight(
            plant,
            controller,
            unknown,
            "learning",
            f"finds a balance angle {offset_deg:g} deg off, with a gyro bias of {bias:g} deg/s",
            HOLD_S,
        ),
        record_flight(
            plant, controller, poked, "poke", f"a poke of {1e3 * impulse:.3g} mN m s", poke_s, from_s=poke_s - BEFORE_S
        ),
        record_flight(
            plant, controller, released, "release", f"let go at {math.degrees(tilt):.3g} deg, armed in the same tick", HOLD_S
        ),
        record_flight(
            plant, controller, spun, "run_down", f"let go with the wheel at {speed:.0f} rad/s already", HOLD_S
        ),
    )
