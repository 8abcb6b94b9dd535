"""Why it trembles: shares by mending one thing at a time, the twelve planted causes, stops, and the command."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from codegen.build import build_text
from codegen.cli import main
from codegen.control import ARMED_REGIME
from codegen.control.examine import LinearLoop
from codegen.design.rest import friction_height, limit_cycles, relay_gain
from codegen.diagnosis import Diagnosis, Flown, Stop, Twin, find_shares, find_stop
from codegen.diagnosis.causes import REMEDIES, TITLES
from codegen.diagnosis.diagnose import rounding_counts
from codegen.diagnosis.hunting import predict_hunting
from codegen.diagnosis.shares import AMPLIFIERS, SOURCES, mend
from codegen.diagnosis.twin import finer
from codegen.emit import Emission
from codegen.machines import design_lantern
from codegen.pipeline import Progress
from codegen.pipeline.diagnose import diagnose_robot
from codegen.plant import Scenario, StepFunction, fly
from codegen.targets import read_target
from codegen.telemetry import Trace, replay_trace
from tests.test_telemetry import machine
from tests.trembling import BIAS_RAD_S, OFFSET_RAD, PLANTED, Planted, coarse_state, own_emission, write_robot

EXAMPLES = Path(__file__).parent / "examples"
BY_NAME = {planted.name: planted for planted in PLANTED}


def flown(**change: float) -> Flown:
    """The calm lantern with its balance angle and bias unknown, changed."""
    plant = machine()[0].plant
    plant = replace(plant, balance_offset_rad=OFFSET_RAD, gyro=replace(plant.gyro, bias_rad_s=BIAS_RAD_S))
    return Flown(replace(plant, **change))  # type: ignore[arg-type]


# Shares


def test_every_cause_has_words_and_a_remedy() -> None:
    """Names of amplifiers and sources, titles and remedies are the same."""
    assert set(AMPLIFIERS) | set(SOURCES) == set(TITLES) == set(REMEDIES)


@pytest.mark.long
def test_shares_of_an_unbalanced_wheel_are_its_own() -> None:
    """Thirty g mm make nearly all of the sway; shares are not negative and add up to one at most."""
    shares = find_shares(machine()[1], flown(wheel_unbalance_kg_m=3e-5))
    assert max(shares.by_cause, key=lambda name: shares.by_cause[name]) == "unbalance"
    assert shares.by_cause["unbalance"] > 0.85
    assert min(shares.by_cause.values()) >= 0.0
    assert sum(shares.by_cause.values()) <= 1.0 + 1e-9
    assert shares.measure == "sway"
    assert shares.excess > 10.0


@pytest.mark.long
def test_amplifiers_come_before_the_noise_that_they_amplify() -> None:
    """Near its edge of stability a loop shakes by its noise alone; what is named is the latency, not the noise."""
    shares = find_shares(machine()[1], flown(latency_s=0.022))
    assert shares.by_cause["latency"] > 0.9
    assert shares.by_cause["gyro noise"] < 0.05


def test_mending_is_mending() -> None:
    """Latency and gain return to the build file's, a shorter latency stays, uneven ticks become even."""
    built = machine()[0].plant
    late = flown(latency_s=0.01, torque_constant=0.03)
    assert mend(late, built, "latency").plant.latency_s == built.latency_s
    assert mend(late, built, "loop gain").plant.torque_constant == built.torque_constant
    assert mend(flown(latency_s=0.0005), built, "latency").plant.latency_s == 0.0005
    assert mend(Flown(built, (0.001, 0.002)), built, "jitter").tick_lengths_s == ()


def test_finer_grids_are_finer() -> None:
    """Sixty-four times the counts, of what was asked for."""
    plant = machine()[0].plant
    assert finer(plant, "command").command_counts == 64 * plant.command_counts == finer(plant, "both").command_counts
    assert finer(plant, "command").wheel_counts_per_rad_s == plant.wheel_counts_per_rad_s
    assert finer(plant, "speed").wheel_counts_per_rad_s == 64 * plant.wheel_counts_per_rad_s == finer(plant, "both").wheel_counts_per_rad_s


def test_rounding_is_seen_on_the_same_readings() -> None:
    """The emitted C follows float64 within a count; one whose state was cut short is many counts away."""
    designed, twin = machine()
    own = own_emission(designed)
    edited = Twin(designed, read_target(designed.build.target.mcu), Emission(own.name, own.header, coarse_state(own.source, twin.fixed)))
    scenario = Scenario(8.0, hold_s=0.3, arm_s=0.3, record_counts=True, balance_offset_rad=OFFSET_RAD, tilt_rad=-OFFSET_RAD)
    counts = fly(designed.plant, StepFunction(*twin.controller.flight_step()), scenario).counts
    assert counts is not None
    inputs = counts[:, :6].astype(np.int64)
    assert rounding_counts(twin, inputs) < 1.0
    assert rounding_counts(edited, inputs) > 5.0
    edited.close()


def test_hunting_is_predicted_as_the_frequency_response_has_it(tmp_path: Path) -> None:
    """The amplitude solves 1 + N(A) G = 0 with N = 4 F/(pi A), on a loop that hunts in simulation within a factor of two."""
    text = (EXAMPLES / "lantern_calm.toml").read_text(encoding="utf-8")
    for old, new in BY_NAME["stiction"].written:
        text = text.replace(old, new, 1) if old else text + new
    sticky = {"wheel_coulomb_n_m": 1.6e-3, "wheel_stiction_n_m": 2.4e-3}
    path = tmp_path / "lantern.toml"
    path.write_text(text, encoding="utf-8")
    designed = design_lantern(path)
    loop = LinearLoop(designed.graph(), designed.plant, ARMED_REGIME)
    predicted = predict_hunting(loop, replace(designed.plant, **sticky))  # type: ignore[arg-type]
    assert predict_hunting(loop, designed.plant) == 0.0
    twin = Twin(designed, read_target("cortex-m4"))
    flight = twin.fly(Flown(replace(designed.plant, **sticky)))  # type: ignore[arg-type]
    twin.close()
    swing = float(np.std(flight.wheel_rad_s[flight.time_s > 15.0])) * math.sqrt(2.0)
    assert 0.5 < predicted / swing < 2.0


def test_a_relay_on_a_triple_lag_cycles_as_the_textbook_says() -> None:
    """Relay of height 1 on 1/(s+1)^3: amplitude 8/(8 pi)... = 0.159155 at sqrt(3) rad/s.

    Franklin, Powell, Emami-Naeini, "Feedback Control of Dynamic Systems", ch. 9 (describing functions; from memory): the curve crosses the
    negative real axis at w = sqrt(3), where |G| = 1/8, so A = 4/(8 pi).
    """
    plant = machine()[0].plant
    flat = replace(plant, wheel_coulomb_n_m=1.0, wheel_stiction_n_m=1.0)
    (cycle,) = limit_cycles(
        lambda w: np.asarray(1.0 / (1j * w + 1.0) ** 3, dtype=np.complex128),
        lambda amplitude: relay_gain(friction_height(flat, amplitude), amplitude),
        np.geomspace(0.1, 10.0, 500),
    )
    assert cycle[0] == pytest.approx(4.0 / (8.0 * math.pi), rel=1e-6)
    assert cycle[1] == pytest.approx(math.sqrt(3.0), rel=1e-6)


# Logs


def diagnosed(planted: Planted, folder: Path) -> Diagnosis:
    """The diagnosis of a planted robot's log."""
    written = write_robot(planted, folder)
    return diagnose_robot(written.build, written.log, Progress(), source=written.source).diagnosis


def stopped(name: str, change: Callable[[Scenario], Scenario]) -> Stop | None:
    """What ends a flight of a lantern that knows neither its balance angle nor its bias."""
    designed, twin = machine(name)
    plant = replace(designed.plant, balance_offset_rad=OFFSET_RAD, gyro=replace(designed.plant.gyro, bias_rad_s=BIAS_RAD_S))
    scenario = change(Scenario(20.0, tilt_rad=-OFFSET_RAD, hold_s=0.3, arm_s=0.3, record_counts=True))
    if scenario.balance_offset_rad is not None:
        scenario = replace(scenario, tilt_rad=-scenario.balance_offset_rad)
    counts = fly(plant, StepFunction(*twin.controller.flight_step()), scenario).counts
    assert counts is not None
    wide = counts.astype(np.int64)
    trace = Trace("robot.csv", twin.shape, wide[:, :6], wide[:, 6:], np.ones(3, dtype=np.bool_), None, None)
    return find_stop(trace, replay_trace(trace, twin.controller), designed.design, twin.fixed)


@pytest.mark.parametrize(
    ("lantern", "change", "name"),
    [
        ("calm", lambda scenario: replace(scenario, faults=(("stale", 8.0, 20.0),)), "a sensor reported stale"),
        ("calm", lambda scenario: replace(scenario, faults=(("frozen_gyro", 8.0, 20.0),)), "a sensor stops changing"),
        ("calm", lambda scenario: replace(scenario, faults=(("frozen_accelerometer", 8.0, 20.0),)), "a sensor stops changing"),
        ("calm", lambda scenario: replace(scenario, pokes=((8.0, 0.008),)), "torque too small"),
        ("calm", lambda scenario: replace(scenario, wheel_rad_s=200.0, pushes=((0.35, 3.0, 0.025),)), "wheel over-speed"),
        (
            "lively",
            lambda scenario: replace(scenario, seconds=60.0, balance_offset_rad=math.radians(13.0)),
            "balance angle beyond the trim's range",
        ),
    ],
)
def test_a_stop_is_told_by_what_the_controller_saw(lantern: str, change: Callable[[Scenario], Scenario], name: str) -> None:
    """Stale, frozen, too weak, too fast, a balance angle out of reach: each with the moment and a remedy."""
    stop = stopped(lantern, change)
    assert stop is not None
    assert stop.name == name
    assert stop.evidence
    assert stop.remedy


def test_a_robot_that_stands_has_not_stopped() -> None:
    """Nothing is made up."""
    assert stopped("calm", lambda scenario: scenario) is None


@pytest.mark.long
@pytest.mark.parametrize("name", ["dead_sensor", "balance_angle"])
def test_a_stop_comes_before_all_trembling(name: str, tmp_path: Path) -> None:
    """What made the controller let go is named first."""
    found = diagnosed(BY_NAME[name], tmp_path)
    assert found.first == BY_NAME[name].expected
    assert not found.is_calm


@pytest.mark.long
@pytest.mark.timeout(1500)
def test_eleven_of_twelve_planted_causes_are_named_first(tmp_path: Path) -> None:
    """The diagnosis of twelve logs, each with one thing wrong, names it first in eleven at least; the twin shakes as the robot does."""
    found = {planted.name: diagnosed(planted, tmp_path) for planted in PLANTED}
    named = {name: diagnosis.first for name, diagnosis in found.items()}
    right = [planted.name for planted in PLANTED if named[planted.name] == planted.expected]
    assert len(PLANTED) == 12
    assert len(right) >= 11, named


@pytest.mark.long
def test_planted_sizes_are_found(tmp_path: Path) -> None:
    """Cogging, unbalance, latency and gyro noise come out with the size that was planted."""
    sizes = {
        name: found.estimated.flown.plant
        for name in ("cogging", "unbalance", "latency", "gyro_noise")
        if (found := diagnosed(BY_NAME[name], tmp_path)).estimated is not None
    }
    assert sizes["cogging"].cogging_n_m == pytest.approx(4e-3, rel=0.1)
    assert sizes["cogging"].cogging_per_rev == 12
    assert sizes["unbalance"].wheel_unbalance_kg_m == pytest.approx(3e-5, rel=0.15)
    assert sizes["latency"].latency_s == pytest.approx(0.022, abs=0.0015)
    assert sizes["gyro_noise"].gyro.noise_rad_s_sqrt_hz == pytest.approx(10.0 * machine()[0].plant.gyro.noise_rad_s_sqrt_hz, rel=0.1)


# Command line


def test_diagnose_names_the_cause_and_draws_it(tmp_path: Path) -> None:
    """Status 1 for a robot that shakes, the cause first in JSON, a picture; the robot of the build file on another machine likewise."""
    written, picture = write_robot(BY_NAME["cogging"], tmp_path), tmp_path / "why.svg"
    run = CliRunner().invoke(main, ["diagnose", str(written.build), str(written.log), "--json", "--picture", str(picture)])
    assert run.exit_code == 1, run.output
    found = json.loads(run.stdout)
    assert found["first"] == "cogging"
    assert found["replays"] is True
    assert found["causes"][0]["share"] > 0.9
    assert "48" in found["causes"][0]["evidence"] or "12" in found["causes"][0]["evidence"]
    assert picture.read_text(encoding="utf-8").startswith("<?xml")


@pytest.mark.long
def test_diagnose_of_a_simulated_machine(tmp_path: Path) -> None:
    """With --simulate and another machine's file the planted unbalance stands first."""
    build = machine()[0].build
    heavy = replace(build, wheel=replace(build.wheel, unbalance_g_mm=replace(build.wheel.mass_kg, value=40.0, low=40.0, high=40.0)))
    other = tmp_path / "unbalanced.toml"
    other.write_text(build_text(heavy, "Unbalanced", "Made for a test."), encoding="utf-8")
    run = CliRunner().invoke(main, ["diagnose", str(EXAMPLES / "lantern_calm.toml"), "--simulate", "--on", str(other)])
    assert run.exit_code == 1
    assert "first: unbalanced wheel" in run.output


@pytest.mark.parametrize("arguments", [[], ["log.csv", "--simulate"], ["log.csv", "--on", "x.toml"], ["nowhere.csv"]])
def test_diagnose_refuses_what_it_cannot_do(arguments: list[str], tmp_path: Path) -> None:
    """Neither or both of log and --simulate, --on without it, a missing log: status 2 and one error."""
    run = CliRunner().invoke(main, ["diagnose", str(EXAMPLES / "lantern_calm.toml"), *arguments])
    assert run.exit_code == 2
    assert "error:" in run.output
    assert "Traceback" not in run.output
