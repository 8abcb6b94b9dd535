"""Bounds of the machine against an independent simulator's figures for the same three machines, and against each other.

The tables were computed once with another simulator and other linear tools (same machine model, none of this
package's code): recoverable tilt and poke by full effort, its loss with wheel speed, and times to fall.
"""

from __future__ import annotations

from dataclasses import replace
from math import asin, degrees, exp, log, pi, radians, sin

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import quad

from codegen.design.closed_form import closed_form_excursion, unstable_pole
from codegen.design.limits import (
    Limits,
    effort_speed,
    fall_time,
    find_limits,
    full_effort_excursion,
    net_torque,
    reachable_speed,
    recoverable_poke,
    recoverable_tilt,
    sampled_floor,
    static_tilt,
)
from codegen.plant import Plant
from tests.machines import LANTERNS, lantern_calm, lantern_heavy, lantern_lively

SHARES = (0.0, 0.3, 0.6, 0.8, 0.9)

POKES = {
    "calm": (2.203, 1.953, 1.180, 0.574, 0.271),
    "heavy": (2.289, 2.266, 1.886, 0.900, 0.408),
    "lively": (4.133, 3.859, 3.574, 2.557, 0.859),
}
"""Recoverable poke in rad/s at the shares of top speed, by quadrature of the full-effort torque."""

BOUNDS = {
    "calm": (12.74, 0.0052, 0.12, 0.044),
    "heavy": (13.82, 0.0109, 0.15, 0.073),
    "lively": (23.96, 0.0199, 0.15, 0.133),
}
"""Recoverable tilt in deg, poke in N m s, height of the finger in m, poke in N s."""

FALLS = {
    "calm": (61.6, 25.2, 12.7, 6.46, 3.29, 2.24),
    "heavy": (218.0, 87.1, 43.3, 21.8, 10.8, 7.11),
    "lively": (563.0, 227.0, 113.0, 56.7, 28.3, 18.8),
}
"""Seconds to fall with a tilt error of 0.1, 0.25, 0.5, 1, 2, 3 deg and a controller that ignores the wheel."""

MOMENTUM_LIMITED = {
    "calm": (9.14, 4.62, 1.66, 0.59),
    "heavy": (13.4, 10.21, 4.84, 1.89),
    "lively": (23.3, 20.6, 11.8, 5.02),
}
"""Recoverable excursion in deg with 0.3, 0.1, 0.03, 0.01 of the wheel's inertia."""


@pytest.fixture(scope="module", params=sorted(LANTERNS))
def lantern(request: pytest.FixtureRequest) -> tuple[str, Plant, Limits]:
    name = str(request.param)
    plant = LANTERNS[name]()
    return name, plant, find_limits(plant, BOUNDS[name][2])


def test_bounds_of_the_lanterns(lantern: tuple[str, Plant, Limits]) -> None:
    """Static tilt, poke in rad/s, N m s and N s agree with the independent figures."""
    name, _, limits = lantern
    tilt_deg, impulse, height, push = BOUNDS[name]

    assert degrees(limits.recoverable_tilt_rad) == pytest.approx(tilt_deg, abs=0.01)
    assert limits.poke_rad_s == pytest.approx(POKES[name][0], rel=0.007)
    # The printed digit, and what the slower wheel adds.
    assert limits.poke_n_m_s == pytest.approx(impulse, abs=0.5e-4 + 0.007 * impulse)
    assert limits.poke_height_m == height
    assert limits.poke_n_s == pytest.approx(push, abs=0.6e-3 + 0.007 * push)


def test_poke_shrinks_with_wheel_speed(lantern: tuple[str, Plant, Limits]) -> None:
    """The quadrature over wheel speed agrees with the independent one; a blow slows the wheel against the body, so it gives more."""
    name, plant, limits = lantern
    table = limits.speed_losses

    assert [row.top_speed_share for row in table] == list(SHARES)
    assert_allclose([row.wheel_rad_s for row in table], np.array(SHARES) * plant.top_speed_rad_s)
    linear = [full_effort_excursion(plant, row.wheel_rad_s) * plant.divergence_rad_s for row in table]
    assert_allclose(linear, POKES[name], rtol=0.009)
    more = np.array([row.poke_rad_s for row in table]) / POKES[name]
    assert more.min() > 1.0
    assert more.max() < 1.025
    assert_allclose([row.kept_share for row in table], [row.poke_rad_s / limits.poke_rad_s for row in table])


def test_quadrature_and_full_effort_agree(lantern: tuple[str, Plant, Limits]) -> None:
    """The linear quadrature stays within 1.5 % of the nonlinear full-effort run, at rest and with the wheel spinning."""
    _, plant, limits = lantern

    assert limits.excursion_rad == full_effort_excursion(plant)
    for share in SHARES[:3]:
        speed = share * plant.top_speed_rad_s
        linear = full_effort_excursion(plant, speed) * plant.divergence_rad_s
        assert linear == pytest.approx(recoverable_poke(plant, speed), rel=0.015)


def test_closed_form_and_quadrature_agree(lantern: tuple[str, Plant, Limits]) -> None:
    """The closed form is within 2 % of the quadrature at every wheel speed of the table."""
    _, plant, limits = lantern

    assert limits.excursion_closed_form_rad == closed_form_excursion(plant)
    for share in SHARES:
        speed = share * plant.top_speed_rad_s
        assert closed_form_excursion(plant, speed) == pytest.approx(full_effort_excursion(plant, speed), rel=0.02)


def test_closed_form_is_exact_without_friction() -> None:
    """With no friction and no pivot damping the closed form is the Laplace integral of the two-piece torque."""
    plant = replace(
        lantern_calm(),
        wheel_coulomb_n_m=0.0,
        wheel_stiction_n_m=0.0,
        wheel_viscous_n_m_s=0.0,
        pivot_damping_n_m_s=0.0,
        pivot_coulomb_n_m=0.0,
    )
    rate, inertia, torque = plant.divergence_rad_s, plant.wheel_inertia_kg_m2, plant.torque_limit_n_m
    knee_s = inertia * plant.knee_speed_rad_s / torque
    decay_s = plant.resistance_ohm * inertia / plant.torque_constant**2

    def effort(time_s: float) -> float:
        return torque if time_s < knee_s else torque * exp(-(time_s - knee_s) / decay_s)

    first, _ = quad(lambda time_s: effort(time_s) * exp(-rate * time_s), 0.0, knee_s)
    second, _ = quad(lambda time_s: effort(time_s) * exp(-rate * time_s), knee_s, knee_s + 40.0 / rate)
    expected = (first + second) / (plant.body_inertia_kg_m2 * rate)

    assert closed_form_excursion(plant) == pytest.approx(expected, rel=1e-9)
    assert full_effort_excursion(plant) == pytest.approx(expected, rel=1e-5)


def test_small_rings_are_momentum_limited(lantern: tuple[str, Plant, Limits]) -> None:
    """With ever smaller wheels the recoverable excursion follows the independent figures (3 %)."""
    name, plant, _ = lantern
    reached = [
        degrees(full_effort_excursion(replace(plant, wheel_inertia_kg_m2=plant.wheel_inertia_kg_m2 * share)))
        for share in (0.3, 0.1, 0.03, 0.01)
    ]

    assert_allclose(reached, MOMENTUM_LIMITED[name], rtol=0.03)


def test_useful_ring_saturates_at_a_figure_of_three() -> None:
    """A ring of the stated smallest size gives within 10 % what an endless one gives; a third of it does not."""
    plant = lantern_heavy()
    limits = find_limits(plant, 0.15)
    smallest = replace(plant, wheel_inertia_kg_m2=limits.smallest_ring_kg_m2)
    endless = full_effort_excursion(replace(plant, wheel_inertia_kg_m2=1.0))

    assert limits.ring_figure == pytest.approx(15.08, abs=0.01)
    assert find_limits(smallest, 0.15).ring_figure == pytest.approx(3.0)
    assert full_effort_excursion(smallest) > 0.9 * endless
    assert full_effort_excursion(replace(plant, wheel_inertia_kg_m2=limits.smallest_ring_kg_m2 / 3.0)) < 0.75 * endless


def test_falls_of_loops_without_wheel_feedback(lantern: tuple[str, Plant, Limits]) -> None:
    """Times to fall agree with simulated ones within 5 % in all eighteen cases."""
    name, _, limits = lantern

    assert_allclose([degrees(error) for error, _ in limits.fall_times], (0.1, 0.25, 0.5, 1.0, 2.0, 3.0))
    assert_allclose([seconds for _, seconds in limits.fall_times], FALLS[name], rtol=0.05)


def test_fall_time_without_friction_is_the_closed_form() -> None:
    """Momentum balance up to the speed at which the back-EMF leaves the needed torque, then toppling from twice the error."""
    plant = replace(lantern_calm(), wheel_coulomb_n_m=0.0, wheel_stiction_n_m=0.0, wheel_viscous_n_m_s=0.0)
    error = radians(1.0)
    load = plant.gravity_torque_n_m * sin(error)
    speed = (plant.supply_v - plant.resistance_ohm * load / plant.torque_constant) / plant.torque_constant
    topple = log(2.0 * radians(60.0) / error) / plant.divergence_rad_s

    assert fall_time(plant, error) == pytest.approx(plant.wheel_inertia_kg_m2 * speed / load + topple, rel=1e-9)
    assert fall_time(plant, 0.0) == float("inf")


def test_creep_per_degree() -> None:
    """One degree of standing error spins the wheels up by 40, 14 and 15 rad/s^2."""
    per_degree = [
        find_limits(make(), 0.1).creep_rad_s2_per_rad * radians(1.0) for make in (lantern_calm, lantern_heavy, lantern_lively)
    ]

    assert_allclose(per_degree, (40.0, 14.0, 15.0), atol=0.5)


def test_static_tilt_and_torque() -> None:
    """The static tilt is asin(T/G) with T less starting friction; torque falls with speed and vanishes where it must."""
    plant = lantern_calm()
    starting = plant.torque_limit_n_m - plant.wheel_stiction_n_m

    assert static_tilt(plant) == pytest.approx(asin(starting / plant.gravity_torque_n_m))
    assert net_torque(plant, 0.0) == pytest.approx(starting)
    assert net_torque(plant, reachable_speed(plant)) == pytest.approx(0.0, abs=1e-12)
    assert reachable_speed(plant) < plant.top_speed_rad_s
    assert reachable_speed(plant, 1.0) == 0.0
    strong = replace(plant, current_limit_a=100.0, resistance_ohm=0.01)
    assert static_tilt(strong) == pytest.approx(pi / 2.0)


def test_recoverable_tilt_never_exceeds_the_static_tilt(lantern: tuple[str, Plant, Limits]) -> None:
    """No release at rest can be caught from beyond the tilt at which the motor only just holds the body."""
    _, plant, limits = lantern

    assert limits.recoverable_tilt_rad == recoverable_tilt(plant)
    # Pivot friction holds a body at rest a little further out.
    held = (plant.torque_limit_n_m + plant.pivot_coulomb_n_m) / plant.gravity_torque_n_m
    assert limits.recoverable_tilt_rad < asin(held)


def test_effort_speed_grows_with_the_share() -> None:
    """A larger share of the recoverable poke needs a higher wheel speed, never beyond the reachable one."""
    plant = lantern_calm()
    speeds = [effort_speed(plant, share) for share in (0.3, 0.6, 0.9, 0.99)]

    assert speeds == sorted(speeds)
    assert speeds[0] == pytest.approx(34.0, rel=0.1)
    assert speeds[-1] <= reachable_speed(plant)
    assert effort_speed(plant, 0.9, 100.0) > speeds[2]


def test_kalman_floors(lantern: tuple[str, Plant, Limits]) -> None:
    """0.0016 deg in all three machines; sampling, quantisers and dead time add a few percent to it."""
    name, _, limits = lantern

    assert degrees(limits.kalman_floor_rad) == pytest.approx(
        {"calm": 0.00159, "heavy": 0.00162, "lively": 0.00158}[name], abs=0.5e-5
    )
    assert 0.00161 <= degrees(limits.sampled_floor_rad) <= 0.00169


def test_sampled_floor_nears_the_continuous_one() -> None:
    """Without delay, with fast sampling and fine quantisers the floor is the closed form's."""
    plant = lantern_calm()
    ideal = replace(
        plant,
        period_s=1e-5,
        latency_s=0.0,
        current_lag_s=0.0,
        pivot_damping_n_m_s=0.0,
        gyro=replace(plant.gyro, low_pass_hz=0.0, counts_per_rad_s=1e9),
    )

    assert sampled_floor(ideal) == pytest.approx(find_limits(ideal, 0.1).kalman_floor_rad, rel=1e-3)


def test_sensor_and_delay_figures(lantern: tuple[str, Plant, Limits]) -> None:
    """Blind height, dead time and its factor."""
    _, plant, limits = lantern

    assert limits.blind_height_m == pytest.approx(9.81 / plant.divergence_rad_s**2)
    assert limits.blind_height_m == pytest.approx(0.10, abs=0.01)
    assert limits.dead_time_s == pytest.approx(3.05e-3, abs=0.01e-3)
    assert limits.dead_time_factor == pytest.approx(1.03, abs=0.002)
    assert limits.unstable_pole_rad_s == unstable_pole(plant) < limits.divergence_rad_s
