"""What every builder of such machines meets, shown with small controllers as graphs whose emitted C flies.

Common practice, no source: the facts themselves are told at every bench. The closed form of the time to fall is derived from the
momentum balance H' = G sin(tilt) of a reaction-wheel pendulum (idea of "generalised momenta": Muehlebach, Mohanarajah, D'Andrea,
"Nonlinear Analysis and Control of a Reaction Wheel-based 3D Inverted Pendulum", IEEE CDC 2013).
"""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from codegen.build import Quantity
from codegen.flight.disturb import poked_flight, run_down_flight, run_down_of
from codegen.flight.stand import HOLD_S, is_up, stand
from codegen.graph import Graph, GraphBuilder, Signal
from codegen.plant import Flight, Plant, Scenario, fly, model_plant
from tests.flown import LANTERNS, compile_graph, lantern_build, ship, ship_lantern, steps_of

FILTER_S = 0.5
FALLEN_RAD = math.radians(60.0)
INNER_RAD_S, DAMPING = 28.0, 0.9


def lantern_plant(lantern: str) -> Plant:
    return model_plant(lantern_build(lantern))


def estimator(graph: GraphBuilder, plant: Plant) -> tuple[Signal, Signal, Signal]:
    """Inputs and a complementary filter of 0.5 s that starts at the accelerometer's angle; returns (tilt, rate, arm)."""
    rate = graph.input("gyro_rate", "int16_t", 1.0 / plant.gyro.counts_per_rad_s, "rad/s")
    scale = 1.0 / (plant.accelerometer.counts_per_m_s2 * plant.gravity_m_s2)
    angle = graph.input("accel_tangential", "int16_t", scale, "rad")
    graph.input("accel_radial", "int16_t", scale, "g")
    graph.input("wheel_speed", "int16_t", 1.0 / plant.wheel_counts_per_rad_s, "rad/s")
    arm = graph.input("arm", "bool")
    last = graph.delay("tilt_last", "rad")
    share = graph.period_s / FILTER_S
    running = graph.weighted_sum(
        "tilt_running",
        [(1.0 - share, last), (graph.period_s, rate), (share, angle)],
        "rad",
        limits=(-1.0, 1.0),
    )
    held = graph.weighted_sum("tilt_held", [(1.0, angle)], "rad", limits=(-1.0, 1.0))
    tilt = graph.select("tilt", arm, running, held)
    graph.connect(last, tilt)
    return tilt, rate, arm


def finish(graph: GraphBuilder, plant: Plant, wanted: Signal, arm: Signal) -> Graph:
    """The command where armed, else none."""
    none = graph.constant("command_none", 0.0, "A")
    graph.output("drive_command", graph.select("command", arm, wanted, none), "int16_t")
    graph.output("armed", arm, "bool")
    return graph.finish()


def tilt_pid(plant: Plant) -> Graph:
    """PID on the tilt alone: poles at 28 rad/s, integral limited to the motor's torque; knows nothing of the wheel."""
    graph = GraphBuilder("tilt_pid", plant.period_s, title="PID on the tilt alone")
    tilt, rate, arm = estimator(graph, plant)
    inertia, full = plant.body_inertia_kg_m2, plant.current_limit_a
    proportional = plant.gravity_torque_n_m + inertia * INNER_RAD_S**2
    derivative = 2.0 * DAMPING * inertia * INNER_RAD_S
    per_amp = 1.0 / plant.torque_constant
    integral_last = graph.delay("integral_last", "A")
    running = graph.weighted_sum(
        "integral_running",
        [(1.0, integral_last), (graph.period_s * proportional * per_amp, tilt)],
        "A",
        limits=(-full, full),
    )
    zero = graph.constant("integral_none", 0.0, "A")
    integral = graph.select("integral", arm, running, zero)
    graph.connect(integral_last, integral)
    wanted = graph.weighted_sum(
        "command_wanted",
        [(proportional * per_amp, tilt), (derivative * per_amp, rate), (1.0, integral)],
        "A",
        limits=(-full, full),
        resolution=full / plant.command_counts,
    )
    return finish(graph, plant, wanted, arm)


def on_off(plant: Plant) -> Graph:
    """Full torque on the sign of the tilt, with a dead band of 0.2 degrees."""
    graph = GraphBuilder("on_off", plant.period_s, title="full torque on the sign of the tilt")
    tilt, _, arm = estimator(graph, plant)
    band, resolution = math.radians(0.2), plant.current_limit_a / plant.command_counts
    forward = graph.compare("leans_forward", [(1.0, tilt)], ">", band)
    backward = graph.compare("leans_backward", [(-1.0, tilt)], ">", band)
    none = graph.constant("nothing", 0.0, "A")
    plus = graph.constant("plus", plant.current_limit_a, "A")
    minus = graph.constant("minus", -plant.current_limit_a, "A")
    pushed = graph.select("pushed", backward, minus, none)
    wanted = graph.weighted_sum("wanted", [(1.0, graph.select("switched", forward, plus, pushed))], "A", resolution=resolution)
    return finish(graph, plant, wanted, arm)


def fall(plant: Plant, graph: Graph, error_rad: float, seconds: float) -> Flight:
    """Flight of the graph's emitted C with a balance angle that it does not know."""
    with compile_graph(graph) as controller:
        scenario = Scenario(
            HOLD_S + seconds, hold_s=HOLD_S, arm_s=HOLD_S, balance_offset_rad=error_rad, gyro_bias_rad_s=0.0, record_every=10
        )
        return fly(plant, steps_of(controller)(), scenario)


def time_to_fall(plant: Plant, error_rad: float) -> float:
    """J w/(G sin d) + ln(2 fallen/d)/lambda, w the wheel speed at which the motor just gives G sin d."""
    load = plant.gravity_torque_n_m * math.sin(error_rad)

    def spare(speed: float) -> float:
        driven = plant.torque_constant * (plant.supply_v - plant.torque_constant * speed) / plant.resistance_ohm
        motor = min(plant.torque_limit_n_m, driven)
        return motor - plant.wheel_coulomb_n_m - plant.wheel_viscous_n_m_s * speed - load

    speed = brentq(spare, 0.0, plant.top_speed_rad_s)
    creep = plant.wheel_inertia_kg_m2 * speed / load
    return creep + math.log(2.0 * FALLEN_RAD / error_rad) / plant.divergence_rad_s


def fallen_after(flight: Flight) -> float:
    """Seconds from the release to the fall."""
    assert flight.fell_at_s is not None
    return flight.fell_at_s - HOLD_S


@pytest.mark.parametrize("lantern", LANTERNS)
@pytest.mark.parametrize("error_deg", [0.5, 1.0, 2.0])
def test_tilt_alone_holds_creeps_and_falls_when_predicted(lantern: str, error_deg: float) -> None:
    """The body stands still while the wheel gains speed steadily, and falls within 5 % of the predicted time."""
    plant, error = lantern_plant(lantern), math.radians(error_deg)
    predicted = time_to_fall(plant, error)
    flight = fall(plant, tilt_pid(plant), error, 1.5 * predicted)
    assert fallen_after(flight) == pytest.approx(predicted, rel=0.05)
    creeping = (flight.time_s > HOLD_S + 1.0) & (flight.time_s < HOLD_S + 0.7 * predicted)
    assert np.mean(flight.tilt_rad[creeping]) == pytest.approx(-error, rel=0.1)
    assert np.std(flight.tilt_rad[creeping]) < 0.25 * error
    gain = np.polyfit(flight.time_s[creeping], np.abs(flight.wheel_rad_s[creeping]), 1)[0]
    momentum_rate = plant.gravity_torque_n_m * math.sin(error)
    assert plant.wheel_inertia_kg_m2 * gain == pytest.approx(momentum_rate, rel=0.05)


@pytest.mark.parametrize("lantern", ["calm", "heavy"])
def test_a_faster_motor_only_postpones_the_fall(lantern: str) -> None:
    """Twice and four times the supply: twice and four times as long, and down it goes."""
    plant, error = lantern_plant(lantern), math.radians(1.0)
    times = []
    for factor in (1.0, 2.0, 4.0):
        faster = replace(plant, supply_v=factor * plant.supply_v)
        times.append(fallen_after(fall(faster, tilt_pid(plant), error, 1.5 * time_to_fall(faster, error))))
    assert times[1] / times[0] == pytest.approx(2.0, rel=0.1)
    assert times[2] / times[0] == pytest.approx(4.0, rel=0.1)


@pytest.mark.parametrize("lantern", LANTERNS)
def test_an_outer_loop_stands_where_tilt_alone_falls(lantern: str) -> None:
    """The same unknown angle of 1 degree, ten times as long: upright on average, wheel at its set-point."""
    machine = ship_lantern(lantern, "cortex-m4")
    error = math.radians(1.0)
    hours = 10.0 * time_to_fall(machine.plant, error) / 3600.0
    flight = stand(machine.plant, machine.terms, machine.make_step, hours, error)
    assert is_up(flight)
    assert abs(flight.tilt_mean_rad) < math.radians(0.001)
    assert flight.wheel_mean_rad_s == pytest.approx(machine.design.wheel_setpoint_rad_s, abs=2.0)


@pytest.mark.parametrize("lantern", LANTERNS)
def test_dumping_momentum_first_speeds_the_wheel_up(lantern: str) -> None:
    """To lean against its momentum the body must first be pushed over, by speeding the wheel up: (I+J)/J times the tip rate."""
    machine = ship_lantern(lantern, "cortex-m4")
    plant = machine.plant
    flight = run_down_flight(plant, machine.terms, machine.make_step)
    down = run_down_of(plant, machine.terms, flight)
    assert down.up
    assert down.faster_rad_s > 1.0
    first = flight.time_s < HOLD_S + 0.1
    ratio = (plant.body_inertia_kg_m2 + plant.wheel_inertia_kg_m2) / plant.wheel_inertia_kg_m2
    assert down.faster_rad_s == pytest.approx(ratio * np.abs(flight.rate_rad_s[first]).max(), rel=0.1)
    assert down.tip_rad > 10.0 * down.opposite_tip_rad
    assert down.tip_rad == pytest.approx(machine.design.lean_limit_rad, rel=0.25)


def test_a_larger_ring_turns_slower() -> None:
    """Twice the ring: half the wheel speed after the same poke, and the same while learning the balance angle."""
    build = lantern_build("heavy")
    poked_peaks, learning_peaks = [], []
    for factor in (0.5, 1.0, 2.0):
        inertia = Quantity.exact(factor * build.wheel.inertia_kg_m2.value)
        ring = replace(build, wheel=replace(build.wheel, inertia_kg_m2=inertia))
        machine = ship(ring, "cortex-m4")
        with machine.controller:
            setpoint = machine.design.wheel_setpoint_rad_s
            flight = poked_flight(machine.plant, machine.terms, machine.make_step, 2.7e-3)
            poke_s = flight.scenario.pokes[0][0]
            after, learning = flight.time_s > poke_s, flight.time_s < 0.5 * poke_s
            poked_peaks.append(np.abs(flight.wheel_rad_s[after] - setpoint).max())
            learning_peaks.append(np.abs(flight.wheel_rad_s[learning] - setpoint).max())
    for peaks in (poked_peaks, learning_peaks):
        assert peaks == sorted(peaks, reverse=True)
        for small, large in itertools.pairwise(peaks):
            assert 0.4 < large / small < 0.75


@pytest.mark.parametrize("lantern", LANTERNS)
def test_on_off_control_flops(lantern: str) -> None:
    """Full torque one way or the other throws the body over within two seconds."""
    plant = lantern_plant(lantern)
    flight = fall(plant, on_off(plant), math.radians(0.5), 10.0)
    assert fallen_after(flight) < 2.0
    assert set(np.unique(flight.command_counts)) <= {-plant.command_counts, 0, plant.command_counts}
