"""Closed-form bounds against simulated full effort on random machines, and no controller beats a bound.

The machines are drawn over the whole range a hobby bench or a museum hall sees: gravity torque 0.1 to 2 N m, rate of fall 5 to 14
rad/s, motor torque 5 to 60 % of gravity's, ring figure 0.7 to 20, top speed 80 to 1000 rad/s. The simulator is the compiled one; it
shares no code with the closed forms.
"""

from __future__ import annotations

from dataclasses import replace
from math import asin, exp, log, pi

import numpy as np
import pytest

from codegen.design.closed_form import closed_form_effort, closed_form_poke, closed_form_tilt
from codegen.design.limits import recoverable_poke, recoverable_tilt
from codegen.plant import Plant, Scenario, StepFunction, fly
from tests.bench_controllers import Cascade, cascade, constant
from tests.machines import LANTERNS, lantern_calm

MACHINES = 240
HALVINGS = 13
SHARES = (0.0, 0.3, 0.6, 0.8)
AGREEMENT = 0.02


def random_machine(rng: np.random.Generator) -> Plant:
    """A machine without delay, lag, cogging or noise."""

    def between(low: float, high: float) -> float:
        return exp(rng.uniform(log(low), log(high)))

    gravity, divergence = between(0.1, 2.0), between(5.0, 14.0)
    inertia = gravity / divergence**2
    torque, top = between(0.05, 0.6) * gravity, between(80.0, 1000.0)
    supply = 12.0
    constant_n_m_a = supply / top
    current = torque / constant_n_m_a
    dry = torque * between(0.001, 0.03)
    return replace(
        lantern_calm(noise=False),
        gravity_torque_n_m=gravity,
        body_inertia_kg_m2=inertia,
        wheel_inertia_kg_m2=between(0.7, 20.0) * torque / (divergence * top),
        pivot_damping_n_m_s=inertia * divergence * between(1e-4, 0.03),
        pivot_coulomb_n_m=torque * between(1e-4, 1e-3),
        torque_constant=constant_n_m_a,
        resistance_ohm=supply / (between(1.05, 4.0) * current),
        supply_v=supply,
        current_limit_a=current,
        command_full_scale=current,
        wheel_viscous_n_m_s=torque / top * between(1e-3, 0.1),
        wheel_coulomb_n_m=dry,
        wheel_stiction_n_m=dry * between(1.0, 1.6),
        stribeck_rad_s=between(1.0, 8.0),
        cogging_n_m=0.0,
        current_lag_s=0.0,
        latency_s=0.0,
    )


def comes_back(plant: Plant, tilt_rad: float, rate_rad_s: float, wheel_rad_s: float) -> bool:
    """Whether full effort throws the body over to the other side, which it must cross upright for."""
    impulse = rate_rad_s * plant.body_inertia_kg_m2
    scenario = Scenario(
        30.0 / plant.divergence_rad_s, tilt_rad=tilt_rad, wheel_rad_s=wheel_rad_s, pokes=((0.0, impulse),) if impulse else ()
    )
    return fly(plant, constant(plant.command_counts), scenario).final_tilt_rad < 0.0


def edge(plant: Plant, highest: float, wheel_rad_s: float, *, poke: bool) -> float:
    """Largest poke (rad/s) or tilt (rad) from which simulated full effort returns."""
    low, high = 0.0, highest
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        back = comes_back(plant, 0.0, middle, wheel_rad_s) if poke else comes_back(plant, middle, 0.0, wheel_rad_s)
        low, high = (middle, high) if back else (low, middle)
    return 0.5 * (low + high)


def test_closed_forms_are_within_two_percent_of_simulated_full_effort() -> None:
    """Poke and tilt, wheel at rest or already at 30, 60, 80 % of its top speed, 240 random machines."""
    rng = np.random.default_rng(11)
    errors = []
    for number in range(MACHINES):
        plant = random_machine(rng)
        wheel = SHARES[number % len(SHARES)] * plant.top_speed_rad_s
        poke, tilt = closed_form_poke(plant, wheel), closed_form_tilt(plant, wheel)
        errors.append(poke / edge(plant, 2.0 * poke, wheel, poke=True) - 1.0)
        errors.append(tilt / edge(plant, min(1.04, 2.0 * tilt), wheel, poke=False) - 1.0)

    assert np.abs(errors).max() < AGREEMENT


@pytest.mark.parametrize("name", LANTERNS)
def test_closed_forms_of_the_lanterns(name: str) -> None:
    """Within 1 % of the solved nonlinear machine, at rest and with the wheel at half its top speed."""
    plant = LANTERNS[name]()
    for wheel in (0.0, 0.5 * plant.top_speed_rad_s):
        assert closed_form_poke(plant, wheel) == pytest.approx(recoverable_poke(plant, wheel), rel=0.01)
        assert closed_form_tilt(plant, wheel) == pytest.approx(recoverable_tilt(plant, wheel), rel=0.01)


def test_constant_torque_is_exact() -> None:
    """A motor that never meets its supply: tilt asin(T/G), poke by the energy up to there."""
    plant = replace(
        lantern_calm(),
        supply_v=1e6,
        pivot_damping_n_m_s=0.0,
        pivot_coulomb_n_m=0.0,
        wheel_coulomb_n_m=0.0,
        wheel_stiction_n_m=0.0,
        wheel_viscous_n_m_s=0.0,
    )
    share = plant.torque_limit_n_m / plant.gravity_torque_n_m
    tilt = asin(share)
    energy = plant.torque_limit_n_m * tilt - plant.gravity_torque_n_m * (1.0 - np.cos(tilt))

    assert closed_form_tilt(plant) == pytest.approx(tilt, rel=1e-12)
    assert closed_form_poke(plant) == pytest.approx(np.sqrt(2.0 * energy / plant.body_inertia_kg_m2), rel=1e-9)
    outweighed = replace(plant, current_limit_a=100.0)
    assert closed_form_tilt(outweighed) == pytest.approx(pi / 2.0)


def test_no_effort_is_left_at_top_speed() -> None:
    """A wheel at the speed where the motor gives nothing any more leaves nothing to recover with."""
    plant = lantern_calm()

    assert closed_form_effort(plant, plant.top_speed_rad_s) == 0.0
    assert closed_form_poke(plant, plant.top_speed_rad_s) == 0.0
    assert closed_form_tilt(plant, plant.top_speed_rad_s) == 0.0


def survives(plant: Plant, step: StepFunction, tilt_rad: float, impulse: float) -> bool:
    """Whether a controller brings the body back and keeps it for a while."""
    scenario = Scenario(
        20.0 / plant.divergence_rad_s + 0.5, tilt_rad=tilt_rad, hold_s=0.1, arm_s=0.1, pokes=((0.3, impulse),) if impulse else ()
    )
    return fly(plant, step, scenario).stands


@pytest.mark.long
def test_no_controller_beats_a_bound() -> None:
    """240 random machines, six cascades each, every other one far off the recommended gains: none returns from beyond the bound."""
    rng = np.random.default_rng(12)
    beaten, caught = [], 0
    for _ in range(MACHINES):
        plant = random_machine(rng)
        # Half a percent: the bisection behind the bound, and the simulator's friction, which fades below 0.3 rad/s.
        poke, tilt = 1.005 * recoverable_poke(plant), 1.005 * recoverable_tilt(plant)
        impulse = plant.body_inertia_kg_m2 * poke
        for draw in range(6):
            inner = plant.divergence_rad_s * (6.0 if draw == 0 else float(np.exp(rng.uniform(0.0, 3.5))))
            settings = Cascade(
                inner_pole_rad_s=inner,
                outer_share=1 / 6 if draw == 0 else float(rng.uniform(0.02, 0.5)),
                trim_share=0.1,
                wheel_setpoint_rad_s=0.0,
            )
            if survives(plant, cascade(plant, settings), 0.0, impulse) or survives(plant, cascade(plant, settings), tilt, 0.0):
                beaten.append((plant, settings))
            caught += survives(plant, cascade(plant, settings), 0.0, 0.9 * impulse)

    assert beaten == []
    # The flights themselves are fair: most of the controllers return from nine tenths of it.
    assert caught > 0.5 * 6 * MACHINES
