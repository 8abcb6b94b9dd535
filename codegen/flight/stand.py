"""Standing: for hours from an unknown balance angle, and how still.

Takes: a plant, terms, and a factory of controllers at the start of their lives. Gives: checks.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from codegen.flight.checks import FlightCheck, all_of, at_least, at_most
from codegen.flight.terms import FlightTerms, Terms
from codegen.plant import AnyPlant, Flight, Plant, Scenario, StepFunction, fly_any

StepFactory = Callable[[], StepFunction]

HOLD_S = 0.3
"""Every flight begins with the body held and disarmed for so long, then released and armed at once."""

SEEDS = (1, 2, 3)


def is_up(flight: Flight) -> bool:
    """Whether the body stands, and by the controller's doing."""
    return flight.stands and flight.armed and not flight.tripped


def stand(
    plant: AnyPlant, terms: Terms, make_step: StepFactory, hours: float, offset_rad: float, seed: int = 1
) -> Flight:
    """Fly for ``hours``, released with the IMU (not the body) upright; statistics once the slow loops have settled."""
    seconds = max(3600.0 * hours, 2.0 * terms.settling_s)
    scenario = Scenario(
        seconds,
        seed=seed,
        tilt_rad=-offset_rad,
        hold_s=HOLD_S,
        arm_s=HOLD_S,
        balance_offset_rad=offset_rad,
        gyro_bias_rad_s=terms.gyro_bias_rad_s,
        statistics_from_s=terms.settling_s,
    )
    return fly_any(plant, make_step(), scenario)


def check_standing(
    plant: AnyPlant, terms: Terms, make_step: StepFactory, hours: dict[float, float]
) -> tuple[list[FlightCheck], float]:
    """Stands for so many hours (values) from each unknown balance angle in rad (keys); also returns the seconds flown."""
    checks = []
    flown = 0.0
    for offset_rad, wanted in hours.items():
        flight = stand(plant, terms, make_step, wanted, offset_rad)
        flown += flight.ticks * plant.period_s
        reached_s = flight.scenario.seconds if is_up(flight) else flight.fell_at_s or 0.0
        name = f"stands, balance angle {math.degrees(offset_rad):+.3g} deg unknown"
        checks.append(at_least(name, wanted, reached_s / 3600.0, "h"))
    return checks, flown


@dataclass(frozen=True)
class Rest:
    """The worst of several flights at rest; SI units, tilt RMS about the true balance angle.

    Attributes:
        all_up: Whether every flight ended standing and armed.
        wheel_mean_rad_s: Largest size of a mean.
        torque_rms_share: Share of the motor's largest torque.
    """

    all_up: bool
    tilt_rms_rad: float
    wheel_mean_rad_s: float
    wheel_std_rad_s: float
    torque_rms_share: float


def measure_rest(
    plant: AnyPlant, terms: Terms, make_step: StepFactory, seconds: float, seeds: tuple[int, ...] = SEEDS
) -> Rest:
    """Worst figures over seeds and both signs of the balance angle, after settling."""
    hours = (terms.settling_s + seconds) / 3600.0
    flights = [
        stand(plant, terms, make_step, hours, sign * terms.offset_rad, seed) for seed in seeds for sign in (1.0, -1.0)
    ]
    return Rest(
        all_up=all(is_up(flight) for flight in flights),
        tilt_rms_rad=max(flight.tilt_rms_rad for flight in flights),
        wheel_mean_rad_s=max(abs(flight.wheel_mean_rad_s) for flight in flights),
        wheel_std_rad_s=max(flight.wheel_std_rad_s for flight in flights),
        torque_rms_share=max(flight.torque_rms_n_m for flight in flights) / plant.torque_limit_n_m,
    )


def check_rest(plant: Plant, terms: FlightTerms, make_step: StepFactory, seconds: float) -> list[FlightCheck]:
    """Stillness at rest, the worst of three seeds and both signs."""
    rest = measure_rest(plant, terms, make_step, seconds)
    return [
        all_of("stands while rest is measured", [rest.all_up], "sets of flights"),
        at_most("tilt RMS at rest", math.degrees(terms.tilt_rms_rad), math.degrees(rest.tilt_rms_rad), "deg"),
        at_most("mean wheel speed at rest", terms.wheel_mean_rad_s, rest.wheel_mean_rad_s, "rad/s"),
        at_most("torque RMS at rest", 100.0 * terms.torque_rms_share, 100.0 * rest.torque_rms_share, "% of maximum"),
    ]
