"""The largest tilt and the largest poke that the controller brings back, as shares of what any controller could.

Takes: a plant, terms, a factory of controllers. Gives: the shares (measured by bisection) and checks.
"""

from __future__ import annotations

from collections.abc import Callable

from codegen.flight.checks import FlightCheck, at_least
from codegen.flight.stand import HOLD_S, SEEDS, StepFactory, is_up
from codegen.flight.terms import Terms
from codegen.plant import AnyPlant, Scenario, fly_any

STEPS = 8
"""Halvings of a bisection: the answer is within 1.2/2^8 = 0.5 % of the bound, on the safe side."""

HIGHEST_SHARE = 1.2
AFTER_S = 4.0
"""Seconds flown after a release or a poke; a body that does not come back has fallen long before."""


def largest(survives: Callable[[float], bool], highest: float, steps: int = STEPS) -> float:
    """Largest number known to survive, by bisection on [0, highest]; 0 if none of those tried does."""
    low, high = 0.0, highest
    for _ in range(steps):
        middle = 0.5 * (low + high)
        if survives(middle):
            low = middle
        else:
            high = middle
    return low


def largest_tilt(plant: AnyPlant, terms: Terms, make_step: StepFactory, sign: float, steps: int = STEPS) -> float:
    """Largest static tilt in rad (with the sign given) from which all seeds come back, wheel at rest.

    The body is held there disarmed, then armed and released in the same tick; offsets and bias are zero, as in the bound.
    """

    def survives(tilt_rad: float) -> bool:
        scenarios = (
            Scenario(
                HOLD_S + AFTER_S,
                seed=seed,
                tilt_rad=sign * tilt_rad,
                hold_s=HOLD_S,
                arm_s=HOLD_S,
                balance_offset_rad=0.0,
                gyro_bias_rad_s=0.0,
            )
            for seed in SEEDS
        )
        return all(is_up(fly_any(plant, make_step(), scenario)) for scenario in scenarios)

    return largest(survives, HIGHEST_SHARE * terms.recoverable_tilt_rad, steps)


def largest_poke(plant: AnyPlant, terms: Terms, make_step: StepFactory, sign: float, steps: int = STEPS) -> float:
    """Largest angular impulse in N m s (with the sign given) from which all seeds come back, given to a body at rest."""
    poke_s = HOLD_S + terms.settling_s

    def survives(impulse: float) -> bool:
        scenarios = (
            Scenario(
                poke_s + AFTER_S,
                seed=seed,
                hold_s=HOLD_S,
                arm_s=HOLD_S,
                pokes=((poke_s, sign * impulse),),
                balance_offset_rad=0.0,
                gyro_bias_rad_s=0.0,
            )
            for seed in SEEDS
        )
        return all(is_up(fly_any(plant, make_step(), scenario)) for scenario in scenarios)

    return largest(survives, HIGHEST_SHARE * terms.poke_n_m_s, steps)


def check_capacity(plant: AnyPlant, terms: Terms, make_step: StepFactory, steps: int = STEPS) -> list[FlightCheck]:
    """Largest tilt and poke of both signs against their bounds, and against the build's own goal.

    A tilt that the controller may not arm at cannot be asked of it: where the arming tilt is the smaller, it is the bound.
    """
    checks = []
    bound = min(terms.recoverable_tilt_rad, terms.arm_tilt_rad)
    for sign, word in ((1.0, "forward"), (-1.0, "backward")):
        tilt = largest_tilt(plant, terms, make_step, sign, steps)
        checks.append(at_least(f"largest {word} tilt released, share of the bound", terms.tilt_share, tilt / bound, "1"))
    pokes = []
    for sign, word in ((1.0, "forward"), (-1.0, "backward")):
        poke = largest_poke(plant, terms, make_step, sign, steps)
        pokes.append(poke)
        share = poke / terms.poke_n_m_s
        checks.append(at_least(f"largest {word} poke, share of the bound", terms.poke_share, share, "1"))
    checks.append(at_least("largest poke of either sign", 1e3 * terms.poke_goal_n_m_s, 1e3 * min(pokes), "mN m s"))
    return checks
