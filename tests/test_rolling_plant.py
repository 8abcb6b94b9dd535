"""Rolling balancers: the simulator against the equations of motion solved by a library, exact integrals, sensors, and the linear model."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from codegen.build import CartBuild, TrolleyBuild, read_machine
from codegen.errors import LoopwrightError
from codegen.plant import Encoders, Inertial, RollingPlant, Scenario, fly_rolling, linearise_rolling, model_cart, model_trolley
from tests.bench_controllers import constant

EXAMPLES = Path(__file__).parent / "examples"
KINDS = ("cart_pendulum", "trolley")
FREE = {
    "pivot_damping_n_m_s": 0.0,
    "pivot_coulomb_n_m": 0.0,
    "rail_viscous_n_s_m": 0.0,
    "rail_coulomb_n": 0.0,
    "drive_viscous_n_m_s": 0.0,
    "drive_coulomb_n_m": 0.0,
    "current_lag_s": 0.0,
    "latency_s": 0.0,
    "half_track_m": math.inf,
}


def machine(kind: str) -> RollingPlant:
    build = read_machine(EXAMPLES / f"{kind}.toml")
    if isinstance(build, CartBuild):
        return model_cart(build)
    assert isinstance(build, TrolleyBuild)
    return model_trolley(build)


def smooth(kind: str) -> RollingPlant:
    return replace(machine(kind), **FREE)  # type: ignore[arg-type]


def accelerations(plant: RollingPlant, speed: float, tilt: float, rate: float, torque: float) -> NDArray[np.float64]:
    """(x'', th'') from the textbook form M(q) q'' = forces, friction as written in the simulator's header."""
    s = float(plant.stator_on_body)
    turning = speed / plant.radius_m - s * rate
    shaft = torque - plant.drive_viscous_n_m_s * turning - plant.drive_coulomb_n_m * turning / math.hypot(turning, 0.05)
    masses = np.array(
        [
            [plant.mass_kg, plant.moment_kg_m * math.cos(tilt)],
            [plant.moment_kg_m * math.cos(tilt), plant.inertia_kg_m2],
        ]
    )
    rail = plant.rail_viscous_n_s_m * speed + plant.rail_coulomb_n * speed / math.hypot(speed, 0.002)
    pivot = plant.pivot_damping_n_m_s * rate + plant.pivot_coulomb_n_m * rate / math.hypot(rate, 0.05)
    forces = [
        shaft / plant.radius_m + plant.moment_kg_m * math.sin(tilt) * rate**2 - rail,
        plant.gravity_torque_n_m * math.sin(tilt) - s * shaft - pivot,
    ]
    return np.linalg.solve(masses, forces)


@pytest.mark.parametrize("kind", KINDS)
def test_flight_is_the_solution_of_the_equations(kind: str) -> None:
    """Half a second of falling and being pushed by a constant current, against DOP853 to a part in ten thousand of each range."""
    plant = replace(machine(kind), current_lag_s=0.0, latency_s=0.0, half_track_m=math.inf)
    counts = plant.command_counts // 5
    torque = plant.motors * plant.torque_constant * plant.current_limit_a * counts / plant.command_counts
    flight = fly_rolling(plant, constant(counts), Scenario(0.5, tilt_rad=0.1, rate_rad_s=-0.2, wheel_rad_s=3.0, record_every=1))

    def slope(_: float, z: NDArray[np.float64]) -> list[float]:
        slide, turn = accelerations(plant, z[1], z[2], z[3], torque)
        return [z[1], slide, z[3], turn]

    start = [0.0, plant.radius_m * (3.0 + float(plant.stator_on_body) * -0.2), 0.1, -0.2]
    exact = solve_ivp(slope, (0.0, 0.499), start, method="DOP853", rtol=1e-10, atol=1e-12, t_eval=flight.time_s).y
    for mine, wanted in ((flight.position_m, exact[0]), (flight.tilt_rad, exact[2]), (flight.rate_rad_s, exact[3])):
        assert np.abs(mine - wanted).max() < 1e-4 * np.ptp(wanted)


@pytest.mark.parametrize("kind", KINDS)
def test_energy_is_kept(kind: str) -> None:
    plant = smooth(kind)
    flight = fly_rolling(plant, constant(0), Scenario(2.0, tilt_rad=0.5, record_every=1, fall_tilt_rad=20.0))
    turning = flight.wheel_rad_s + float(plant.stator_on_body) * flight.rate_rad_s
    speed = plant.radius_m * turning
    kinetic = 0.5 * plant.mass_kg * speed**2 + 0.5 * plant.inertia_kg_m2 * flight.rate_rad_s**2
    kinetic += plant.moment_kg_m * np.cos(flight.tilt_rad) * speed * flight.rate_rad_s
    energy = kinetic + plant.gravity_torque_n_m * np.cos(flight.tilt_rad)
    assert np.ptp(energy) < 1e-4 * plant.gravity_torque_n_m


@pytest.mark.parametrize("kind", KINDS)
def test_only_gravity_changes_the_momentum(kind: str) -> None:
    """H' = G sin(tilt) to first order in the coupling's cosine, whatever the drive does; exact about upright."""
    plant = smooth(kind)
    flight = fly_rolling(plant, constant(plant.command_counts // 50), Scenario(0.2, tilt_rad=0.01, record_every=1))
    speed = plant.radius_m * (flight.wheel_rad_s + float(plant.stator_on_body) * flight.rate_rad_s)
    momentum = plant.momentum_per_rate * flight.rate_rad_s + plant.momentum_per_speed * speed
    given = plant.gravity_torque_n_m * np.cumsum(0.5 * (np.sin(flight.tilt_rad[:-1]) + np.sin(flight.tilt_rad[1:]))) * plant.period_s
    assert momentum[1:] - momentum[0] == pytest.approx(given, abs=2e-3 * float(np.abs(given).max()))


@pytest.mark.parametrize("kind", KINDS)
def test_linear_model_is_the_tangent_of_the_equations(kind: str) -> None:
    plant = replace(machine(kind), pivot_coulomb_n_m=0.0, rail_coulomb_n=0.0, drive_coulomb_n_m=0.0)
    A, B = linearise_rolling(plant)
    h = 1e-6
    for column, (speed, tilt, rate, torque) in enumerate(((h, 0.0, 0.0, 0.0), (0.0, h, 0.0, 0.0), (0.0, 0.0, h, 0.0), (0.0, 0.0, 0.0, h))):
        up, down = accelerations(plant, speed, tilt, rate, torque), accelerations(plant, -speed, -tilt, -rate, -torque)
        wanted = (up - down) / (2.0 * h)
        mine = B[[1, 3], 0] if column == 3 else A[[1, 3], column + 1]
        assert mine == pytest.approx(wanted, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("kind", KINDS)
def test_divergence_is_the_frictionless_unstable_pole(kind: str) -> None:
    A, _ = linearise_rolling(smooth(kind))
    assert np.max(np.linalg.eigvals(A).real) == pytest.approx(smooth(kind).divergence_rad_s, rel=1e-9)


def test_blow_leaves_what_the_mass_matrix_says() -> None:
    plant = smooth("trolley")
    flight = fly_rolling(plant, constant(0), Scenario(0.01, pokes=((0.0, 0.5),), record_every=1))
    masses = np.array([[plant.mass_kg, plant.moment_kg_m], [plant.moment_kg_m, plant.inertia_kg_m2]])
    speed, rate = np.linalg.solve(masses, [0.5 / plant.push_height_m, 0.5])
    assert flight.rate_rad_s[0] == pytest.approx(rate, rel=1e-12)
    assert flight.wheel_rad_s[0] == pytest.approx(speed / plant.radius_m - rate, rel=1e-12)


def test_cart_ends_at_its_stop() -> None:
    plant = replace(machine("cart_pendulum"), half_track_m=0.05)
    flight = fly_rolling(plant, constant(plant.command_counts), Scenario(5.0, fall_tilt_rad=50.0))
    assert flight.struck and not flight.stands
    assert abs(flight.final_position_m) == pytest.approx(0.05, abs=0.01)


def test_held_machine_does_not_move() -> None:
    flight = fly_rolling(machine("trolley"), constant(200), Scenario(0.5, tilt_rad=0.2, hold_s=1.0))
    assert (flight.final_tilt_rad, flight.final_position_m, flight.final_rate_rad_s) == (0.2, 0.0, 0.0)


def test_back_emf_ends_the_drive_at_its_top_speed() -> None:
    """A voltage drive held upright... let go on a frictionless floor with a body that cannot tip runs up to V/K."""
    plant = replace(smooth("cart_pendulum"), voltage_drive=True, command_full_scale=12.0, moment_kg_m=1e-9)
    flight = fly_rolling(plant, constant(plant.command_counts), Scenario(20.0, fall_tilt_rad=1e9))
    assert flight.final_wheel_rad_s == pytest.approx(plant.top_speed_rad_s, rel=1e-3)


def test_encoders_read_place_and_tilt_in_whole_counts() -> None:
    plant = machine("cart_pendulum")
    assert isinstance(plant.senses, Encoders)
    scenario = Scenario(0.2, tilt_rad=0.1, record_every=1, record_counts=True, balance_offset_rad=0.01)
    flight = fly_rolling(plant, constant(0), scenario)
    assert flight.counts is not None and flight.counts.shape[1] == 7
    late = 1  # 1.2 ms of latency are one tick and a rest
    for column, scale, values in (
        (0, plant.senses.position_counts_per_m, flight.position_m),
        (1, plant.senses.angle_counts_per_rad, flight.tilt_rad + 0.01),
    ):
        assert flight.counts[late:, column] == pytest.approx(np.round(scale * values[:-late]), abs=0.51)


def test_body_sensors_feel_the_carriage_drive_off() -> None:
    """Upright and driven hard the accelerometer reads -(x'' + h th''), the more the higher it sits; the gyro reads th'."""
    plant = smooth("trolley")
    assert isinstance(plant.senses, Inertial)
    quiet = replace(
        plant.senses,
        gyro=replace(plant.senses.gyro, noise_rad_s_sqrt_hz=0.0, low_pass_hz=0.0),
        accelerometer=replace(plant.senses.accelerometer, noise_m_s2_sqrt_hz=0.0, low_pass_hz=0.0),
    )
    plant = replace(plant, senses=quiet)
    counts = plant.command_counts // 10
    flight = fly_rolling(plant, constant(counts), Scenario(0.01, record_every=1, record_counts=True, gyro_bias_rad_s=0.0))
    assert flight.counts is not None
    torque = plant.motors * plant.torque_constant * plant.current_limit_a * 0.1
    slide, turn = accelerations(plant, 0.0, 0.0, 0.0, torque)
    wanted = -(slide + quiet.accelerometer.height_m * turn) * quiet.accelerometer.counts_per_m_s2
    assert flight.counts[1, 1] == pytest.approx(wanted, rel=0.02)
    assert flight.counts[5, 0] == pytest.approx(flight.rate_rad_s[5] * quiet.gyro.counts_per_rad_s, abs=0.51)


def test_wheel_speed_is_that_against_the_body() -> None:
    plant = smooth("trolley")
    assert isinstance(plant.senses, Inertial)
    flight = fly_rolling(plant, constant(0), Scenario(0.2, wheel_rad_s=5.0, record_counts=True, record_every=1))
    assert flight.counts is not None
    mean = np.mean(flight.counts[50:100, 3]) / plant.senses.wheel_counts_per_rad_s
    assert mean == pytest.approx(float(np.mean(flight.wheel_rad_s[48:98])), abs=0.02)


def test_stale_readings_stay_and_say_so() -> None:
    flight = fly_rolling(
        machine("cart_pendulum"), constant(0), Scenario(0.2, tilt_rad=0.1, faults=(("stale", 0.1, 0.15),), record_counts=True)
    )
    assert flight.counts is not None
    assert not flight.counts[100:150, 3].any() and flight.counts[150:, 3].all()
    assert np.ptp(flight.counts[100:150, 1]) == 0
    assert np.ptp(flight.counts[150:, 1]) > 0


def test_equal_seeds_repeat_bit_for_bit() -> None:
    scenario = Scenario(0.3, seed=5, tilt_rad=0.05, record_counts=True)
    first, second = (fly_rolling(machine("trolley"), constant(10), scenario) for _ in range(2))
    assert np.array_equal(np.asarray(first.counts), np.asarray(second.counts))


def test_impossible_body_is_refused() -> None:
    with pytest.raises(LoopwrightError, match="less than its mass and height allow"):
        replace(machine("trolley"), inertia_kg_m2=0.1)


def test_uneven_ticks_are_refused() -> None:
    with pytest.raises(LoopwrightError, match="uneven"):
        fly_rolling(machine("trolley"), constant(0), Scenario(0.01, tick_lengths_s=(0.001,) * 10))
