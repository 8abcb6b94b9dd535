"""Emitted C at the controls of a published robot: how far it may lean and still come back.

Source: Kitz, Brehin, Sander, Vestergaard, Villarmarzo Arrunada, "Cubli: Dynamic Control of a Reaction Wheel Inverted Pendulum", BSc
project report 16gr630, Aalborg University, May 2016: chapter 6 (parameters), chapter 9 (state feedback u = -K x with
K = [-2.3021, -0.2274, -0.0039] for the poles -6, -7, -15), acceptance test (measured on the hardware: released at rest from 0.12 and
0.17 rad it recovers, from 0.185 rad it falls), and the static limit asin(T/G) = 0.2024 rad, printed there for l_w = 0.096 m.

The report releases the body by hand and filters tilt from accelerometer and gyro; here the tilt sensor is ideal, since its release
procedure is not known. A plausibility check with one measured bracket, not a proof.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from scipy.signal import place_poles

from codegen.build import Build, read_build
from codegen.flight.search import largest
from codegen.graph import Graph, GraphBuilder
from codegen.host.controller import HostController
from codegen.plant import Plant, Scenario, fly, linearise, model_plant
from tests.flown import compile_graph, steps_of

PUBLISHED_GAINS = (2.3021, 0.2274, 0.0039)
"""N m per rad, per rad/s, per rad/s of the wheel: the report's -K."""

GRAVITY_M_S2 = 9.82
SAMPLE_S = 0.01
FLOWN_S = 6.0


@pytest.fixture(scope="module")
def build() -> Build:
    return read_build(Path(__file__).parent / "published_robot.toml")


@pytest.fixture(scope="module")
def plant(build: Build) -> Plant:
    return model_plant(build, GRAVITY_M_S2)


def state_feedback(plant: Plant, gains: tuple[float, float, float]) -> Graph:
    """The report's law: one weighted sum of tilt, rate and wheel speed, limited to the drive's current."""
    graph = GraphBuilder("state_feedback", plant.period_s, title="state feedback of report 16gr630, chapter 9")
    rate = graph.input("gyro_rate", "int16_t", 1.0 / plant.gyro.counts_per_rad_s, "rad/s")
    scale = 1.0 / (plant.accelerometer.counts_per_m_s2 * plant.gravity_m_s2)
    tilt = graph.input("accel_tangential", "int16_t", scale, "rad", note="g sin(tilt)/g, taken for the tilt")
    graph.input("accel_radial", "int16_t", scale, "g")
    wheel = graph.input("wheel_speed", "int16_t", 1.0 / plant.wheel_counts_per_rad_s, "rad/s")
    arm = graph.input("arm", "bool")
    full = plant.current_limit_a
    per_amp = 1.0 / plant.torque_constant
    command = graph.weighted_sum(
        "command",
        [(gain * per_amp, signal) for gain, signal in zip(gains, (tilt, rate, wheel), strict=True)],
        "A",
        limits=(-full, full),
        resolution=full / plant.command_counts,
    )
    graph.output("drive_command", command, "int16_t")
    graph.output("armed", arm, "bool")
    return graph.finish()


@pytest.fixture(scope="module", params=["cortex-m4", "atmega328p"])
def controller(plant: Plant, request: pytest.FixtureRequest) -> Iterator[HostController]:
    with compile_graph(state_feedback(plant, PUBLISHED_GAINS), request.param) as compiled:
        yield compiled


def recovers(plant: Plant, controller: HostController, tilt_rad: float) -> bool:
    """Whether a body released at rest stands after six seconds, near upright."""
    flight = fly(plant, steps_of(controller)(), Scenario(FLOWN_S, tilt_rad=tilt_rad))
    return flight.stands and abs(flight.final_tilt_rad) < 0.05


def recoverable(plant: Plant, controller: HostController, sign: float = 1.0) -> float:
    """Largest recovered tilt in rad, to 0.1 mrad."""
    return largest(lambda tilt: recovers(plant, controller, sign * tilt), 0.3, 12)


def static_limit(plant: Plant) -> float:
    return math.asin(plant.torque_limit_n_m / plant.gravity_torque_n_m)


def test_gains_are_the_published_poles(plant: Plant) -> None:
    """RW5, chapter 9: the build file's model with the poles -6, -7, -15 gives the printed K."""
    K = place_poles(*linearise(plant), [-6.0, -7.0, -15.0]).gain_matrix[0]
    assert list(-K) == pytest.approx(PUBLISHED_GAINS, abs=1e-4)


def test_static_limit(build: Build, plant: Plant) -> None:
    """RT1: asin(T/G) = 0.2024 rad with the l_w = 0.096 m of the report's final table; 0.20444 with the consistent 0.093 m."""
    assert plant.torque_limit_n_m == pytest.approx(0.134)
    assert static_limit(plant) == pytest.approx(0.20444, abs=5e-6)
    longer = replace(build, wheel=replace(build.wheel, axis_height_m=replace(build.wheel.axis_height_m, value=0.096)))
    assert static_limit(model_plant(longer, GRAVITY_M_S2)) == pytest.approx(0.2024, abs=5e-5)


@pytest.mark.parametrize(("tilt_rad", "expected"), [(0.12, True), (0.17, True), (0.185, False)])
def test_measured_tilts(plant: Plant, controller: HostController, tilt_rad: float, expected: bool) -> None:
    """RT2: what the hardware recovered from and what it did not, on both sides."""
    assert recovers(plant, controller, tilt_rad) is expected
    assert recovers(plant, controller, -tilt_rad) is expected


def test_predicted_limit_lies_in_the_measured_bracket(plant: Plant, controller: HostController) -> None:
    """RT2: between 0.17 and 0.185 rad with one sample of delay; without delay it would not, with three it would not."""
    for sign in (1.0, -1.0):
        assert 0.17 < recoverable(plant, controller, sign) < 0.185
    assert recoverable(replace(plant, latency_s=0.0), controller) > 0.185
    # Whole samples of delay are the sensors' and do not delay the first command, which answers a body at rest already.
    assert recoverable(replace(plant, latency_s=3.0 * SAMPLE_S - 1e-6), controller) < 0.17


@pytest.mark.parametrize("factors", [(1, 1, 1), (2, 1, 1), (3, 3, 1), (10, 10, 1), (4, 2, 0.5), (1.5, 1.5, 3)])
def test_no_gains_beat_the_static_limit(plant: Plant, factors: tuple[float, float, float]) -> None:
    """RT4: from rest no controller recovers beyond asin(T/(m g l)); without delay and pivot friction, whatever the gains."""
    gains = tuple(factor * gain for factor, gain in zip(factors, PUBLISHED_GAINS, strict=True))
    undelayed = replace(plant, latency_s=0.0, pivot_damping_n_m_s=0.0)
    with compile_graph(state_feedback(plant, (gains[0], gains[1], gains[2]))) as controller:
        reached = recoverable(undelayed, controller)
        assert 0.5 * static_limit(plant) < reached <= static_limit(plant)
        assert not recovers(undelayed, controller, 1.001 * static_limit(plant))
