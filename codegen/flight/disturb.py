"""Disturbances short of the limit: pokes and the way back, a wheel already spinning, changed machines, a sagging supply.

Takes: a plant, terms, a factory of controllers. Gives: figures and checks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from codegen.flight.checks import FlightCheck, all_of, at_most
from codegen.flight.perturb import perturb_any
from codegen.flight.stand import HOLD_S, SEEDS, StepFactory, is_up
from codegen.flight.terms import FlightTerms, Terms
from codegen.plant import AnyPlant, Flight, Plant, Scenario, fly_any

RECOVERY_SHARE = 0.3
PERTURBED_SHARE = 0.4
REPEATED_SHARE = 0.25
REPEATS = 8
REPEAT_S = 2.0
PUSH_SHARE, PUSH_S = 0.2, 0.5
SAG_SHARE, SAG_S = 0.2, 2.0
AT_REST_RAD = math.radians(0.3)
SPIN_SHARE = 0.4
SPIN_LEFT = 0.1
TIP_ROOM_RAD = math.radians(0.5)
"""How far the body may overshoot the lean limit while a wheel runs down."""

OPPOSITE_TIP_RAD = math.radians(0.3)
"""A wheel that runs down must not make the body tip to the other side by more: that is what a wound-up integral does."""


@dataclass(frozen=True)
class Recovery:
    """The way back from a poke; NaN for times that were not reached.

    Attributes:
        time_s: From the poke until the tilt stays within 0.3 deg of its rest value.
        peak_rad: Largest tilt on the way.
    """

    time_s: float
    peak_rad: float


def poked_flight(plant: AnyPlant, terms: Terms, make_step: StepFactory, impulse: float, seed: int = 1) -> Flight:
    """A flight with balance angle and gyro bias unknown, poked once settled; every tick recorded."""
    poke_s = HOLD_S + terms.settling_s
    scenario = Scenario(
        poke_s + 2.0 * terms.recovery_s + 2.0,
        seed=seed,
        tilt_rad=-terms.offset_rad,
        hold_s=HOLD_S,
        arm_s=HOLD_S,
        pokes=((poke_s, impulse),),
        balance_offset_rad=terms.offset_rad,
        gyro_bias_rad_s=terms.gyro_bias_rad_s,
        record_every=1,
    )
    return fly_any(plant, make_step(), scenario)


def recovery_of(flight: Flight) -> Recovery:
    """Time and peak of the way back from the flight's one poke."""
    poke_s = flight.scenario.pokes[0][0]
    before = (flight.time_s > poke_s - 1.0) & (flight.time_s <= poke_s)
    after = flight.time_s > poke_s
    rest = float(np.mean(flight.tilt_rad[before])) if before.any() else math.nan
    away = np.abs(flight.tilt_rad[after] - rest)
    if not is_up(flight) or not len(away):
        return Recovery(math.nan, math.nan)
    outside = np.flatnonzero(away >= AT_REST_RAD)
    if not len(outside):
        return Recovery(0.0, float(away.max()))
    if outside[-1] + 1 == len(away):
        return Recovery(math.nan, float(away.max()))
    return Recovery(float(flight.time_s[after][outside[-1] + 1]) - poke_s, float(away.max()))


def check_recovery(plant: AnyPlant, terms: Terms, make_step: StepFactory) -> list[FlightCheck]:
    """Slowest way back from a poke of 30 % of the bound, both signs, three seeds."""
    times = [
        recovery_of(poked_flight(plant, terms, make_step, sign * RECOVERY_SHARE * terms.poke_n_m_s, seed)).time_s
        for sign in (1.0, -1.0)
        for seed in SEEDS
    ]
    # max() would drop a NaN that does not stand first.
    slowest = math.nan if any(math.isnan(time) for time in times) else max(times)
    return [at_most("recovery from a poke of 30 % of the bound", terms.recovery_s, slowest, "s")]


@dataclass(frozen=True)
class RunDown:
    """A wheel that spins at the start, brought back to its set-point.

    Attributes:
        up: Whether the body stood throughout.
        time_s: Until nine tenths of the surplus speed are gone for good; NaN if never.
        tip_rad: Largest lean against the surplus momentum.
        opposite_tip_rad: Largest lean to the other side, after the first second.
        faster_rad_s: By how much the wheel first speeds up.
    """

    up: bool
    time_s: float
    tip_rad: float
    opposite_tip_rad: float
    faster_rad_s: float


def run_down_flight(plant: Plant, terms: FlightTerms, make_step: StepFactory, share: float = SPIN_SHARE) -> Flight:
    """Released upright with the wheel at ``share`` of its top speed; every tick recorded."""
    speed = share * plant.top_speed_rad_s
    ideal = plant.wheel_inertia_kg_m2 * abs(speed) / (plant.gravity_torque_n_m * terms.lean_limit_rad)
    scenario = Scenario(
        HOLD_S + 3.0 * ideal + terms.settling_s,
        wheel_rad_s=speed,
        hold_s=HOLD_S,
        arm_s=HOLD_S,
        balance_offset_rad=0.0,
        gyro_bias_rad_s=0.0,
        record_every=1,
    )
    return fly_any(plant, make_step(), scenario)


def run_down_of(plant: Plant, terms: FlightTerms, flight: Flight) -> RunDown:
    """Figures of a run-down."""
    free = flight.time_s >= HOLD_S
    time, tilt = flight.time_s[free] - HOLD_S, flight.tilt_rad[free]
    sign = math.copysign(1.0, flight.scenario.wheel_rad_s)
    wheel = sign * flight.wheel_rad_s[free]
    surplus = wheel[0] - sign * terms.wheel_setpoint_rad_s
    outside = np.flatnonzero(np.abs(wheel - sign * terms.wheel_setpoint_rad_s) > SPIN_LEFT * surplus)
    settled = outside[-1] + 1 < len(wheel)
    return RunDown(
        up=is_up(flight),
        time_s=float(time[outside[-1] + 1]) if settled and is_up(flight) else math.nan,
        tip_rad=float(max(0.0, (-sign * tilt).max())),
        opposite_tip_rad=float(max(0.0, (sign * tilt[time > 1.0]).max())),
        faster_rad_s=float(wheel.max() - wheel[0]),
    )


def check_run_down(plant: Plant, terms: FlightTerms, make_step: StepFactory) -> list[FlightCheck]:
    """The wheel at 40 % of its top speed returns to the set-point, and the body does not swing to the other side.

    The time wanted is twice what the lean limit's gravity torque takes for the momentum, plus half the settling time.
    """
    checks = []
    for share in (SPIN_SHARE, -SPIN_SHARE):
        down = run_down_of(plant, terms, run_down_flight(plant, terms, make_step, share))
        momentum = plant.wheel_inertia_kg_m2 * SPIN_SHARE * plant.top_speed_rad_s
        wanted = 2.0 * momentum / (plant.gravity_torque_n_m * terms.lean_limit_rad) + 0.5 * terms.settling_s
        checks.append(at_most(f"wheel at {share:+.0%} of top speed returns to its set-point", wanted, down.time_s, "s"))
        tip = math.degrees(terms.lean_limit_rad + TIP_ROOM_RAD)
        checks.append(at_most(f"tip on the way, wheel at {share:+.0%}", tip, math.degrees(down.tip_rad), "deg"))
        checks.append(
            at_most(
                f"opposite tip on the way, wheel at {share:+.0%}",
                math.degrees(OPPOSITE_TIP_RAD),
                math.degrees(down.opposite_tip_rad),
                "deg",
            )
        )
    return checks


def check_perturbed(plant: AnyPlant, terms: Terms, make_step: StepFactory) -> list[FlightCheck]:
    """Every changed machine survives a poke of 40 % of the nominal bound, both signs."""
    checks = []
    for label, machine in perturb_any(plant).items():
        pokes = [sign * PERTURBED_SHARE * terms.poke_n_m_s for sign in (1.0, -1.0)]
        ups = [is_up(poked_flight(machine, terms, make_step, poke)) for poke in pokes]
        checks.append(all_of(f"{label}: survives 40 % pokes", ups))
    return checks


def check_insistence(plant: AnyPlant, terms: Terms, make_step: StepFactory) -> list[FlightCheck]:
    """Repeated pokes of the same and of alternating sign, a push, and a supply that sags and comes back."""
    start = HOLD_S + terms.settling_s
    end = start + REPEATS * REPEAT_S + 4.0
    poke = REPEATED_SHARE * terms.poke_n_m_s
    times = [start + REPEAT_S * number for number in range(REPEATS)]

    def up(
        pokes: tuple[tuple[float, float], ...] = (),
        pushes: tuple[tuple[float, float, float], ...] = (),
        supply: tuple[tuple[float, float], ...] = (),
    ) -> bool:
        scenario = Scenario(
            end,
            tilt_rad=-terms.offset_rad,
            hold_s=HOLD_S,
            arm_s=HOLD_S,
            pokes=pokes,
            pushes=pushes,
            supply=supply,
            balance_offset_rad=terms.offset_rad,
            gyro_bias_rad_s=terms.gyro_bias_rad_s,
        )
        return is_up(fly_any(plant, make_step(), scenario))

    same = [up(pokes=tuple((time, sign * poke) for time in times)) for sign in (1.0, -1.0)]
    alternating = [up(pokes=tuple((time, (-1.0) ** number * poke) for number, time in enumerate(times)))]
    push = [
        up(pushes=((start, start + PUSH_S, sign * PUSH_SHARE * plant.holding_torque_n_m),)) for sign in (1.0, -1.0)
    ]
    sagging = ((start, (1.0 - SAG_SHARE) * plant.supply_v), (start + SAG_S, plant.supply_v))
    sag = [up(supply=sagging), up(supply=sagging, pokes=((start + 0.5 * SAG_S, poke),))]
    return [
        all_of(f"{REPEATS} pokes of 25 % of the bound, {REPEAT_S:g} s apart, same sign", same),
        all_of(f"{REPEATS} pokes of 25 % of the bound, {REPEAT_S:g} s apart, alternating", alternating),
        all_of("push with 20 % of the motor's torque for 0.5 s", push),
        all_of("supply sags by 20 % for 2 s, without and with a 25 % poke", sag),
    ]
