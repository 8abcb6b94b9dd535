"""The plant's numbers, its derived quantities and its linear model."""

from __future__ import annotations

import math
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from codegen.build import read_build
from codegen.errors import LoopwrightError
from codegen.plant import STANDARD_GRAVITY_M_S2, Plant, Scenario, fly, linearise, model_plant, sample
from tests.bench_controllers import constant
from tests.machines import LANTERNS, lantern_calm, lantern_heavy, lantern_lively

EXAMPLES = Path(__file__).parent / "examples"


@pytest.mark.parametrize("name", LANTERNS)
def test_build_file_gives_the_machine(name: str) -> None:
    """The example build files carry the same machines as the tests, up to the digits written in them."""
    plant = model_plant(read_build(EXAMPLES / f"lantern_{name}.toml"))
    expected = LANTERNS[name]()
    numbers, wanted = asdict(plant), asdict(expected)
    # The window over which the wheel's sensor counts has a default of 4 ms where the file does not give it.
    for side in (numbers, wanted):
        del side["wheel_window_ticks"]
        for part in ("gyro", "accelerometer"):
            side.update({f"{part} {key}": value for key, value in side.pop(part).items()})
    assert numbers == pytest.approx(wanted, rel=2e-6)


def test_units_of_the_build_file_are_converted() -> None:
    """Degrees, micro-g, microseconds, milli-g and words arrive as rad, m/s^2, s and largest counts."""
    build = read_build(EXAMPLES / "lantern_calm.toml")
    quantity = type(build.loop.latency_us)
    build = replace(
        build,
        body=replace(build.body, balance_offset_deg=quantity(2.0, 2.0, 2.0)),
        gyro=replace(build.gyro, bias_dps=quantity(0.5, 0.5, 0.5), low_pass_hz=None),
        accelerometer=replace(build.accelerometer, bias_mg=quantity(20.0, 20.0, 20.0), bits=quantity(12.0, 12.0, 12.0)),
    )
    plant = model_plant(build)
    assert plant.balance_offset_rad == pytest.approx(0.0349065850)
    assert plant.gyro.bias_rad_s == pytest.approx(0.00872664626)
    assert plant.gyro.counts_per_rad_s == pytest.approx(65.536 * 57.29577951)
    assert plant.gyro.low_pass_hz == 0.0
    assert plant.accelerometer.counts_per_m_s2 == pytest.approx(16384 / 9.80665)
    assert plant.accelerometer.noise_m_s2_sqrt_hz == pytest.approx(300e-6 * 9.80665)
    assert plant.accelerometer.bias_m_s2 == pytest.approx(0.02 * STANDARD_GRAVITY_M_S2)
    assert plant.accelerometer.counts_max == 2047
    assert plant.latency_s == pytest.approx(0.0013)
    assert (plant.period_s, plant.outer_divider) == (0.001, 40)


def test_voltage_drive_has_the_supply_as_full_scale() -> None:
    """Counts of a voltage command are shares of the supply, of a current command shares of the limit."""
    build = read_build(EXAMPLES / "lantern_calm.toml")
    voltage = model_plant(replace(build, drive=replace(build.drive, command="voltage")))
    assert (voltage.voltage_drive, voltage.command_full_scale) == (True, 11.1)
    assert (model_plant(build).voltage_drive, model_plant(build).command_full_scale) == (False, 1.2)


def test_gravity_of_the_place_scales_the_gravity_torque() -> None:
    """Another acceleration of free fall changes the gravity torque, its own record, and nothing else."""
    build = read_build(EXAMPLES / "lantern_calm.toml")
    here, moon = model_plant(build), model_plant(build, 1.62)
    assert moon == replace(here, gravity_torque_n_m=moon.gravity_torque_n_m, gravity_m_s2=1.62)
    assert moon.gravity_torque_n_m == pytest.approx(here.gravity_torque_n_m * 1.62 / 9.81)


@pytest.mark.parametrize(
    ("plant", "divergence", "torque_limit", "top_speed", "knee_speed"),
    [
        (lantern_calm(), 9.93, 0.054, 247, 113),
        (lantern_heavy(), 9.51, 0.105, 317, 189),
        (lantern_lively(), 9.97, 0.2008, 884, 693),
    ],
)
def test_derived_quantities_of_the_lanterns(
    plant: Plant, divergence: float, torque_limit: float, top_speed: float, knee_speed: float
) -> None:
    """Divergence, torque limit, top and knee speed are those worked out by hand from the numbers."""
    assert plant.divergence_rad_s == pytest.approx(divergence, abs=0.005)
    assert plant.torque_limit_n_m == pytest.approx(torque_limit, rel=1e-9)
    assert plant.top_speed_rad_s == pytest.approx(top_speed, abs=0.6)
    assert plant.knee_speed_rad_s == pytest.approx(knee_speed, abs=0.6)


def test_weak_supply_has_no_knee_speed() -> None:
    """A supply that cannot drive the full current at rest has the knee at zero."""
    assert replace(lantern_calm(), supply_v=5.0).knee_speed_rad_s == 0.0


def test_linear_model_is_the_simulator_for_small_motion() -> None:
    """Free motion from a tiny tilt follows the exactly sampled linear model."""
    plant = replace(
        lantern_calm(noise=False),
        pivot_coulomb_n_m=0.0,
        wheel_coulomb_n_m=0.0,
        wheel_stiction_n_m=0.0,
        wheel_viscous_n_m_s=2e-5,
        cogging_n_m=0.0,
    )
    start = np.array([1e-5, 2e-5, 3e-3])
    flight = fly(plant, constant(0.0), Scenario(0.5, tilt_rad=start[0], rate_rad_s=start[1], wheel_rad_s=start[2]))
    transition, _ = sample(*linearise(plant), 0.5)
    end = [flight.final_tilt_rad, flight.final_rate_rad_s, flight.final_wheel_rad_s]
    assert end == pytest.approx((transition @ start).tolist(), rel=1e-4)


def test_linear_model_answers_torque_as_the_simulator_does() -> None:
    """A small constant torque moves tilt and wheel as the sampled model says, delay included."""
    plant = replace(
        lantern_calm(noise=False),
        pivot_coulomb_n_m=0.0,
        wheel_coulomb_n_m=0.0,
        wheel_stiction_n_m=0.0,
        cogging_n_m=0.0,
        current_lag_s=0.0,
        command_counts=512_000,
        latency_s=0.0003,
    )
    torque = plant.torque_limit_n_m * 100 / 512_000
    Ad, Bd = sample(*linearise(plant), plant.period_s, plant.latency_s)
    state = np.zeros(4)
    for _ in range(200):
        state = Ad @ state + Bd[:, 0] * torque
    flight = fly(plant, constant(100.0), Scenario(0.2))
    end = [flight.final_tilt_rad, flight.final_rate_rad_s, flight.final_wheel_rad_s]
    assert end == pytest.approx(state[:3].tolist(), rel=1e-4)


@pytest.mark.parametrize(
    ("name", "value"),
    [("wheel_inertia_kg_m2", 0.0), ("resistance_ohm", -1.0), ("period_s", math.nan), ("latency_s", -1e-3)],
)
def test_impossible_number_is_refused_by_name(name: str, value: float) -> None:
    """The error names the number."""
    change: dict[str, Any] = {name: value}
    with pytest.raises(LoopwrightError, match=name):
        replace(lantern_calm(), **change)
