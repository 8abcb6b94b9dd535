"""The flight judge of rolling balancers: the emitted C at the controls of the nonlinear machine on its floor or rail.

Takes: a rolling plant, the terms it is judged by, a factory of fresh controllers, the graph they came from. Gives: ``FlightVerdict``, and
recorded flights. What does not depend on the kind of machine (pokes, releases, trips, arming) is flown by the same functions as ever.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from codegen.build import RollingBuild
from codegen.design.goals import POKE_SHARE
from codegen.design.rolling import RollingDesign, find_unknowns
from codegen.design.rolling.goals import ENCODER_TORQUE_TARGET, TRACK_SHARE, limited_by_track
from codegen.errors import CheckFailed
from codegen.flight.checks import FlightCheck, FlightVerdict, all_of, at_most
from codegen.flight.disturb import RECOVERY_SHARE, check_insistence, check_perturbed, check_recovery, poked_flight
from codegen.flight.judge import QUICK_LONGEST_H, QUICK_OTHERS_H, REFERENCE_S, REST_S, Level
from codegen.flight.record import BEFORE_S, Recording, record_flight
from codegen.flight.reference import LARGEST_DIFFERENCE, fly_reference
from codegen.flight.search import check_capacity
from codegen.flight.stand import HOLD_S, SEEDS, StepFactory, check_standing, is_up, stand
from codegen.flight.terms import RECOVERY_LEAST_S, SETTLING_TIME_CONSTANTS, TORQUE_NOISE_SHARE, Terms
from codegen.flight.trips import check_arming, check_trips
from codegen.graph import Graph
from codegen.host.controller import HostController
from codegen.plant import Encoders, RollingFlight, RollingPlant, Scenario, fly_rolling

# After a poke of 30 % the carriage has to come back to its place, which a double pole does within so many of its time constants.
RETURN_TIME_CONSTANTS = 4.0
# At rest the machine creeps and hops within its friction, in no regular way: integers may be restless by so much more than float64.
LARGEST_RESTLESSNESS = 1.1


@dataclass(frozen=True, kw_only=True)
class RollingTerms(Terms):
    """The terms of a machine that rolls.

    Attributes:
        stay_within_m: Largest distance from its place at rest, and once it came back from a poke.
    """

    stay_within_m: float


def set_rolling_terms(build: RollingBuild, design: RollingDesign) -> RollingTerms:
    """The terms that follow from a build's goals and its design."""
    plant, limits, goals, unknowns = design.plant, design.limits, build.goals, find_unknowns(build)
    friction = plant.drive_coulomb_n_m + plant.rail_coulomb_n * plant.radius_m
    noise = ENCODER_TORQUE_TARGET if isinstance(plant.senses, Encoders) else TORQUE_NOISE_SHARE
    slowest = min(0.5 * design.outer_pole_rad_s, design.trim_pole_rad_s)
    return RollingTerms(
        recoverable_tilt_rad=limits.recoverable_tilt_rad,
        poke_n_m_s=limits.poke_n_m_s,
        arm_tilt_rad=design.arm_tilt_rad,
        stop_tilt_rad=design.stop_tilt_rad,
        overspeed_rad_s=design.overspeed_rad_s,
        sensor_timeout_ticks=design.sensor_timeout_ticks,
        lean_limit_rad=design.lean_limit_rad,
        settling_s=SETTLING_TIME_CONSTANTS / slowest,
        standing_hours=goals.standing_hours.value,
        tilt_rms_rad=math.radians(goals.calm_tilt_rms_deg.value),
        torque_rms_share=noise + friction / plant.torque_limit_n_m,
        recovery_s=RETURN_TIME_CONSTANTS / slowest + RECOVERY_LEAST_S,
        poke_goal_n_m_s=goals.poke_n_m_s.value,
        offset_rad=0.5 * unknowns.offset_rad,
        gyro_bias_rad_s=0.5 * unknowns.bias_rad_s,
        poke_share=TRACK_SHARE if limited_by_track(limits) else POKE_SHARE,
        stay_within_m=goals.stay_within_m.value,
    )


def judge_rolling(
    plant: RollingPlant, terms: RollingTerms, make_step: StepFactory, graph: Graph, level: Level = "quick"
) -> FlightVerdict:
    """Judge a controller by flying it; arguments and levels as in ``judge_flight``.

    Raises:
        LoopwrightError: The machine cannot be simulated.
    """
    if level == "full":
        hours = dict.fromkeys(terms.sweep_rad, terms.standing_hours)
    else:
        hours = dict.fromkeys(terms.sweep_rad, min(QUICK_OTHERS_H, terms.standing_hours))
        hours[terms.sweep_rad[-1]] = min(QUICK_LONGEST_H, terms.standing_hours)
    standing, flown = check_standing(plant, terms, make_step, hours)
    checks = [
        *standing,
        *check_rolling_rest(plant, terms, make_step, REST_S[level]),
        *check_capacity(plant, terms, make_step),
        *check_recovery(plant, terms, make_step),
        *check_return(plant, terms, make_step),
        *check_perturbed(plant, terms, make_step),
        *check_insistence(plant, terms, make_step),
        *check_trips(plant, terms, make_step),
        *check_arming(plant, terms, make_step),
        *check_rolling_reference(plant, terms, make_step, graph, REFERENCE_S[level]),
    ]
    return FlightVerdict(level, tuple(checks), flown)


def _rolled(flight: object) -> RollingFlight:
    """The flight, which is one of a machine that rolls."""
    if not isinstance(flight, RollingFlight):
        raise CheckFailed("a flight of a machine that does not roll has no place", "flight judge")
    return flight


def check_rolling_rest(plant: RollingPlant, terms: RollingTerms, make_step: StepFactory, seconds: float) -> list[FlightCheck]:
    """Stillness at rest, the worst of three seeds and both signs of the unknown balance angle."""
    hours = (terms.settling_s + seconds) / 3600.0
    flights = [
        _rolled(stand(plant, terms, make_step, hours, sign * terms.offset_rad, seed)) for seed in SEEDS for sign in (1.0, -1.0)
    ]
    tilt = max(flight.tilt_rms_rad for flight in flights)
    torque = max(flight.torque_rms_n_m for flight in flights) / plant.torque_limit_n_m
    return [
        all_of("stands while rest is measured", [all(is_up(flight) for flight in flights)], "sets of flights"),
        at_most("tilt RMS at rest", math.degrees(terms.tilt_rms_rad), math.degrees(tilt), "deg"),
        at_most("farthest from its place at rest", terms.stay_within_m, max(flight.position_max_m for flight in flights), "m"),
        at_most("torque RMS at rest", 100.0 * terms.torque_rms_share, 100.0 * torque, "% of maximum"),
    ]


def check_return(plant: RollingPlant, terms: RollingTerms, make_step: StepFactory) -> list[FlightCheck]:
    """Where the carriage is once it had time to come back from a poke of 30 % of the bound; both signs, three seeds."""
    places = []
    for sign in (1.0, -1.0):
        for seed in SEEDS:
            flight = _rolled(poked_flight(plant, terms, make_step, sign * RECOVERY_SHARE * terms.poke_n_m_s, seed))
            places.append(abs(flight.final_position_m) if is_up(flight) else math.nan)
    # max() would drop a NaN that does not stand first.
    farthest = math.nan if any(math.isnan(place) for place in places) else max(places)
    return [at_most("from its place, after a poke of 30 % of the bound", terms.stay_within_m, farthest, "m")]


def check_rolling_reference(
    plant: RollingPlant, terms: RollingTerms, make_step: StepFactory, graph: Graph, seconds: float
) -> list[FlightCheck]:
    """Integer against float64 with the same seeds: peaks after a poke within 2 %, rest no more restless.

    Raises:
        CheckFailed: The reference fails on the way.
    """
    rests, poked = rolling_comparison(terms, seconds)
    integer = [fly_rolling(plant, make_step(), scenario) for scenario in (*rests, poked)]
    real = [_rolled(fly_reference(plant, graph, scenario)) for scenario in (*rests, poked)]

    def pooled(flights: list[RollingFlight], figure: str) -> float:
        return math.sqrt(math.fsum(getattr(flight, figure) ** 2 for flight in flights[:-1]) / len(rests))

    checks = [all_of("integer and float64 stand", [all(is_up(flight) for flight in (*integer, *real))], "sets of flights")]
    for name, figure in (("tilt RMS at rest", "tilt_rms_rad"), ("torque RMS at rest", "torque_rms_n_m")):
        share = pooled(integer, figure) / pooled(real, figure)
        checks.append(at_most(f"integer against float64: {name}, share", LARGEST_RESTLESSNESS, share, "1"))
    for name, figure in (("peak tilt after a poke", "tilt_max_rad"), ("way after a poke", "position_max_m")):
        mine, wanted = (getattr(flights[-1], figure) for flights in (integer, real))
        checks.append(at_most(f"integer against float64: {name}", 100.0 * LARGEST_DIFFERENCE, 100.0 * abs(mine / wanted - 1.0), "%"))
    return checks


def rolling_comparison(terms: RollingTerms, seconds: float) -> tuple[list[Scenario], Scenario]:
    """Flights at rest with ``seconds`` of statistics each, one per seed, and one with a poke of 30 % of the bound."""
    rest = Scenario(
        terms.settling_s + seconds,
        tilt_rad=-terms.offset_rad,
        hold_s=HOLD_S,
        arm_s=HOLD_S,
        balance_offset_rad=terms.offset_rad,
        gyro_bias_rad_s=terms.gyro_bias_rad_s,
        statistics_from_s=terms.settling_s,
    )
    poke_s = HOLD_S + 2.0
    poked = Scenario(
        poke_s + 3.0,
        hold_s=HOLD_S,
        arm_s=HOLD_S,
        pokes=((poke_s, RECOVERY_SHARE * terms.poke_n_m_s),),
        balance_offset_rad=0.0,
        gyro_bias_rad_s=0.0,
        statistics_from_s=poke_s,
    )
    return [replace(rest, seed=seed) for seed in SEEDS], poked


def record_rolling_flights(plant: RollingPlant, terms: RollingTerms, controller: HostController) -> tuple[Recording, ...]:
    """The three pictures: learning the balance angle, a poke, a release from a hold."""
    unknown = Scenario(
        HOLD_S + terms.settling_s,
        tilt_rad=-terms.offset_rad,
        hold_s=HOLD_S,
        arm_s=HOLD_S,
        balance_offset_rad=terms.offset_rad,
        gyro_bias_rad_s=terms.gyro_bias_rad_s,
    )
    known = replace(unknown, balance_offset_rad=0.0, gyro_bias_rad_s=0.0, tilt_rad=0.0)
    poke_s, impulse = HOLD_S + terms.settling_s, RECOVERY_SHARE * terms.poke_n_m_s
    poked = replace(known, seconds=poke_s + terms.recovery_s + 1.0, pokes=((poke_s, impulse),))
    tilt = 0.9 * min(terms.recoverable_tilt_rad, terms.arm_tilt_rad)
    offset_deg = math.degrees(terms.offset_rad)
    return (
        record_flight(plant, controller, unknown, "learning", f"finds a balance angle {offset_deg:g} deg off", HOLD_S),
        record_flight(
            plant, controller, poked, "poke", f"a poke of {impulse:.3g} N m s", poke_s, from_s=poke_s - BEFORE_S
        ),
        record_flight(
            plant,
            controller,
            replace(known, tilt_rad=tilt),
            "release",
            f"let go at {math.degrees(tilt):.3g} deg, armed in the same tick",
            HOLD_S,
        ),
    )
