"""Rolling balancers: bounds against full-effort flights, exact loops, gains that do what they say, goals with remedies."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.linalg import expm

from codegen.design.rolling import find_rolling_limits, find_rolling_margins, open_rolling_loop, sample_rolling
from codegen.design.rolling.gains import RollingCeilings, RollingPoles, place_rolling_gains
from codegen.design.rolling.limits import (
    closed_form_tilt,
    full_effort_poke,
    full_effort_tilt,
    kept_share,
    largest_course,
    net_force,
    static_tilt,
)
from codegen.design.rolling.loop import predict_rolling_rest, rolling_corners
from codegen.errors import DesignError
from codegen.plant import Encoders, RollingPlant, Scenario, fly_rolling, linearise_rolling
from tests.bench_controllers import constant
from tests.rolling_flown import KINDS, designed_rolling
from tests.test_rolling_plant import FREE, machine, smooth

CEILINGS = RollingCeilings(0.05, 0.1, 0.6, 4.0, 0.2, 0.5, math.inf, 50.0, 25, 0.05)
QUICK_MACHINES, MANY_MACHINES = 8, 200


def random_machine(rng: np.random.Generator) -> RollingPlant:
    """A cart or trolley with every figure within a factor of two of an example's, and a tilt that can be held of 3 to 15 degrees."""
    while True:
        base = machine(str(rng.choice(KINDS)))

        def spread() -> float:
            return float(2.0 ** rng.uniform(-1.0, 1.0))

        body, height = base.body_mass_kg * spread(), base.moment_kg_m / base.body_mass_kg * spread()
        own = (base.inertia_kg_m2 - base.moment_kg_m**2 / base.body_mass_kg) * spread()
        mass = body + (base.mass_kg - base.body_mass_kg) * spread()
        supply = base.supply_v * spread()
        plant = replace(
            base,
            half_track_m=math.inf,
            body_mass_kg=body,
            mass_kg=mass,
            moment_kg_m=body * height,
            inertia_kg_m2=own + body * height**2,
            push_height_m=2.0 * body * height / mass,
            supply_v=supply,
            current_limit_a=min(base.current_limit_a * spread() / 2.0, 0.9 * supply / base.resistance_ohm),
        )
        if net_force(plant, 0.0) > 0.0 and math.radians(3.0) <= static_tilt(plant) <= math.radians(15.0):
            return plant


def check_closed_form(count: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    for _ in range(count):
        plant = random_machine(rng)
        assert closed_form_tilt(plant) == pytest.approx(full_effort_tilt(plant), rel=0.02), plant


def test_closed_form_meets_full_effort() -> None:
    check_closed_form(QUICK_MACHINES, 1)


@pytest.mark.long
def test_closed_form_meets_full_effort_on_many_machines() -> None:
    """Within 2 % on 200 machines that can hold up to 15 degrees; beyond, the tilt is no longer small and the closed form strays further."""
    check_closed_form(MANY_MACHINES, 2)


@pytest.mark.parametrize("kind", KINDS)
def test_full_effort_flight_brackets_the_bound(kind: str) -> None:
    """The simulator itself at full command: from just below the bound the body comes back through upright, from just above it falls."""
    plant = replace(machine(kind), half_track_m=math.inf, current_lag_s=0.0, latency_s=0.0)
    bound = full_effort_tilt(plant)
    for share, returns in ((0.995, True), (1.005, False)):
        flight = fly_rolling(
            plant, constant(plant.command_counts), Scenario(10.0, tilt_rad=share * bound, record_every=1, fall_tilt_rad=1.0)
        )
        assert bool((flight.tilt_rad < 0.0).any()) == returns


@pytest.mark.parametrize("kind", KINDS)
def test_nothing_returns_from_beyond_the_static_tilt(kind: str) -> None:
    """At rest beyond it the tilt accelerates outward under every command there is."""
    plant = smooth(kind)
    bound = static_tilt(plant)
    for share in np.linspace(-1.0, 1.0, 9):
        counts = round(float(share) * plant.command_counts)
        flight = fly_rolling(plant, constant(counts), Scenario(0.05, tilt_rad=1.001 * bound, record_every=1))
        assert np.all(np.diff(flight.tilt_rad) >= 0.0)


@pytest.mark.parametrize("kind", KINDS)
def test_bounds_are_in_order(kind: str) -> None:
    plant = replace(machine(kind), half_track_m=math.inf)
    assert full_effort_tilt(plant) <= 1.001 * static_tilt(plant)
    assert 0.0 < kept_share(plant) <= 1.0


@pytest.mark.parametrize("kind", KINDS)
def test_course_without_a_track_is_the_closed_form(kind: str) -> None:
    """The linear programme, which may do anything at any time, finds no more than full effort at once (frictionless, endless floor)."""
    plant = smooth(kind)
    linear = plant.arm_m * net_force(plant, 0.0) / plant.gravity_torque_n_m * kept_share(plant)
    assert largest_course(plant, (0.0, 0.0, 1.0, 0.0)) == pytest.approx(linear, rel=0.005)


def test_shorter_tracks_bring_back_less() -> None:
    plant = machine("cart_pendulum")
    tilts = [largest_course(replace(plant, half_track_m=half), (0.0, 0.0, 1.0, 0.0)) for half in (0.05, 0.2, 0.5, 5.0)]
    assert tilts == sorted(tilts)
    # With the carriage at the track's end for ever, the tilt's own pole mu keeps xi below half track / (I/P).
    assert tilts[0] < 0.05 * plant.moment_kg_m / plant.inertia_kg_m2


def test_poke_bound_counts_the_carriage_in() -> None:
    """The higher the finger, the more of its push goes into the tilt, and the less is survived."""
    plant = replace(machine("trolley"), half_track_m=math.inf)
    low, high = (full_effort_poke(replace(plant, push_height_m=height)) for height in (0.6, 1.2))
    assert low > high


def test_gains_put_the_ideal_poles() -> None:
    """Undelayed and frictionless: -w, -lambda, and twice -w_o/2, the more exactly the slower the outer pole."""
    plant = smooth("trolley")
    outer = 0.001 * plant.divergence_rad_s
    gains = place_rolling_gains(plant, RollingPoles(40.0, outer, 0.6 * outer, 2.0, 0.0), CEILINGS)
    A, B = linearise_rolling(plant)
    place, speed, tilt, rate = gains.feedback
    poles = np.sort(np.linalg.eigvals(A + B @ np.array([[place, speed, tilt, rate]])).real)
    assert poles[:2] == pytest.approx([-40.0, -plant.divergence_rad_s], rel=2e-3)
    assert np.sum(poles[2:]) == pytest.approx(-outer, rel=2e-3)


@pytest.mark.parametrize("kind", KINDS)
def test_loop_matrices_are_those_of_a_sampled_continuous_loop(kind: str) -> None:
    """The machine's part of the matrices against a matrix exponential of the continuous model with its lag, for a held command."""
    plant = replace(machine(kind), latency_s=0.0)
    sampled = sample_rolling(plant)
    A, B = linearise_rolling(plant)
    lag = plant.current_lag_s
    motion = np.zeros((6, 6))
    motion[:4, :4], motion[:4, 4:5] = A, B
    motion[4, 4], motion[4, 5] = -1.0 / lag, 1.0 / lag
    wanted = np.asarray(expm(motion * plant.period_s))
    for name, row in (("speed", 1), ("tilt", 2), ("rate", 3), ("torque", 4)):
        at = sampled.states.index(name)
        assert sampled.command[at] == pytest.approx(wanted[row, 5], rel=1e-9)
        for other, column in (("speed", 1), ("tilt", 2), ("rate", 3), ("torque", 4)):
            assert sampled.transition[at, sampled.states.index(other)] == pytest.approx(wanted[row, column], rel=1e-9, abs=1e-15)


@pytest.mark.parametrize("kind", KINDS)
def test_frequency_response_belongs_to_the_matrices(kind: str) -> None:
    """1 + L(z) is the ratio of the closed to the open loop's characteristic polynomials (any text on state space)."""
    design = designed_rolling(kind).design
    loop = open_rolling_loop(design, design.plant)
    frequencies = np.array([0.7, 7.0, 70.0])
    response = loop.response(frequencies, design.plant.period_s)
    for frequency, value in zip(frequencies, response, strict=True):
        shift = np.exp(1j * frequency * design.plant.period_s) * np.eye(len(loop.states))
        signs, logs = zip(*(np.linalg.slogdet(shift - matrix) for matrix in (loop.closed, loop.A)), strict=True)
        assert 1.0 + value == pytest.approx(signs[0] / signs[1] * np.exp(logs[0] - logs[1]), rel=1e-6)


@pytest.mark.parametrize("kind", KINDS)
def test_example_meets_its_goals(kind: str) -> None:
    design = designed_rolling(kind).design
    assert [verdict.goal for verdict in design.verdicts if not verdict.holds] == []
    assert design.margins.stable and all(margins.stable for _, margins in design.corners)
    assert len(design.corners) == len(rolling_corners()) == 15
    assert {name for name, _ in design.reasons} >= {"inner_pole_rad_s", "outer_pole_rad_s", "trim_limit_rad"}


def test_margins_shrink_with_latency() -> None:
    design = designed_rolling("trolley").design
    late = replace(design.plant, latency_s=design.plant.latency_s + 0.5 * design.margins.delay_margin_s)
    later = replace(design.plant, latency_s=design.plant.latency_s + 1.1 * design.margins.delay_margin_s)
    near = find_rolling_margins(replace(design, plant=late))
    assert near.stable and near.peak_sensitivity > design.margins.peak_sensitivity
    assert not find_rolling_margins(replace(design, plant=later)).stable


def test_voltage_drive_moves_the_same_poles() -> None:
    """With its back-EMF made up for, a voltage drive's loop has the margins of a current drive's, but for the speed's own filter."""
    current = designed_rolling("trolley").design
    plant = replace(current.plant, voltage_drive=True, command_full_scale=current.plant.supply_v)
    back_emf = plant.motors * plant.torque_constant**2 / plant.resistance_ohm
    margins = find_rolling_margins(replace(current, plant=plant, wheel_gain_n_m_s=back_emf))
    assert margins.stable
    assert margins.peak_sensitivity == pytest.approx(current.margins.peak_sensitivity, rel=0.15)
    without = find_rolling_margins(replace(current, plant=plant))
    assert without.peak_sensitivity > margins.peak_sensitivity


def test_rest_is_quieter_with_quieter_sensors() -> None:
    design = designed_rolling("cart_pendulum").design
    senses = design.plant.senses
    assert isinstance(senses, Encoders)
    finer = replace(design, plant=replace(design.plant, senses=replace(senses, angle_counts_per_rad=2.0 * senses.angle_counts_per_rad)))
    assert predict_rolling_rest(finer).torque_n_m < predict_rolling_rest(design).torque_n_m


def test_drive_that_cannot_move_is_refused() -> None:
    plant = replace(machine("trolley"), **(FREE | {"rail_coulomb_n": 1e3}))  # type: ignore[arg-type]
    with pytest.raises(DesignError, match="do not overcome friction"):
        find_rolling_limits(plant)
