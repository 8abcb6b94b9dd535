"""Kinds of machines: build files with located errors, the interface that the pipeline sees, commands, and reports in their own words."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from codegen.build import MACHINES, Build, CartBuild, TrolleyBuild, parse_machine, read_build, read_machine
from codegen.cli import main
from codegen.control import ARMED_REGIME, surround_any
from codegen.errors import BuildError, LoopwrightError
from codegen.evidence import gather_evidence
from codegen.machines import DesignedLantern, DesignedRolling, design_lantern, design_machine
from codegen.pipeline.check import trace_scenarios
from codegen.report import write_report
from codegen.rules.linear import linearise_graph
from codegen.starter import starter_build
from tests.rolling_flown import KINDS, designed_rolling
from tests.shipped_folder import barely_checked

EXAMPLES = Path(__file__).parent / "examples"
FILES = {"lantern": "lantern_calm.toml", "cart_pendulum": "cart_pendulum.toml", "trolley": "trolley.toml"}
both = pytest.mark.parametrize("kind", KINDS)


def test_every_kind_is_read_as_its_own_build() -> None:
    builds = [read_machine(EXAMPLES / FILES[kind]) for kind in MACHINES]
    assert [type(build) for build in builds] == [Build, CartBuild, TrolleyBuild]
    assert read_machine(EXAMPLES / FILES["lantern"]) == read_build(EXAMPLES / FILES["lantern"])


@both
def test_commands_for_lanterns_say_what_they_take(kind: str) -> None:
    with pytest.raises(BuildError, match=f"this is a {kind}") as caught:
        design_lantern(EXAMPLES / FILES[kind])
    assert f"{FILES[kind]}, line 5, machine" in caught.value.message()


def test_lantern_is_designed_as_ever() -> None:
    assert isinstance(design_machine(EXAMPLES / FILES["lantern"]), DesignedLantern)


CASES = [
    ("cart_pendulum", "inertia_kg_m2 = 0.0168", "inertia_kg_m2 = 0.006", "pendulum.inertia_kg_m2", "about the pivot"),
    ("cart_pendulum", "track_m = 1.0", "trackk_m = 1.0", "cart.trackk_m", "track_m"),
    ("cart_pendulum", "counts_per_m = 20000", "counts_per_m = 200000", "sensors.position.counts_per_m", "reading ends 0.1638 m"),
    ("cart_pendulum", "counts_per_rev = 20000", "counts_per_rev = 500000", "sensors.angle.counts_per_rev", "before the cut-off"),
    ("cart_pendulum", "counts_per_rev = 20000", "counts_per_rev = 400", "sensors.angle.counts_per_rev", "counts only"),
    ("cart_pendulum", "stay_within_m = 0.05", "stay_within_m = 0.6", "goals.stay_within_m", "track ends 0.5 m"),
    ("cart_pendulum", "coulomb_n = 0.1 ", "coulomb_n = 10 ", "drive.torque_constant_n_m_per_a", "cannot move the carriage"),
    ("cart_pendulum", 'machine = "cart_pendulum"', 'machine = "cart_pendulums"', "machine", 'did you mean "cart_pendulum"'),
    ("trolley", "inertia_kg_m2 = 1.25", "inertia_kg_m2 = 0.5", "body.inertia_kg_m2", "about the axle"),
    ("trolley", "inertia_kg_m2 = 0.01 ", "inertia_kg_m2 = 1.0 ", "wheels.inertia_kg_m2", "outside their radius"),
    ("trolley", "poke_n_m_s = 2.0", "poke_n_m_s = 20.0", "goals.poke_n_m_s", "no controller survives"),
    ("trolley", "poke_height_m = 1.0", "poke_height_m = 0.2", "goals.poke_height_m", "does not tip this body"),
    ("trolley", "arm_tilt_deg = 10", "arm_tilt_deg = 40", "goals.stop_tilt_deg", "not beyond the tilt of arming"),
    ("trolley", "current_limit_a = 4.0", "current_limit_a = 40.0", "drive.current_limit_a", "even at standstill"),
    ("trolley", "latency_us = 1500", "latency_us = 150000", "loop.latency_us", "ticks of the loop"),
    ("trolley", "hz = 1000", "hz = 12", "loop.hz", "dead time"),
    ("trolley", "counts_per_dps = 65.536", "counts_per_dps = 655.36", "sensors.gyro.counts_per_dps", "the gyro reads up to"),
    ("trolley", "height_m = 0.05 ", "heigth_m = 0.05 ", "sensors.accelerometer.heigth_m", "height_m"),
    ("trolley", "motors = 2", "motors = 2.5", "drive.motors", "whole number"),
    ("trolley", "low = -2.0, high = 2.0", "low = -12.0, high = 12.0", "body.balance_offset_deg", "arms only within 10 deg"),
    ("trolley", "clock_hz = 64_000_000", "clock_hz = 64_000", "target.clock_hz", "clock cycles"),
    ("trolley", "[wheels] ", "[wheel] ", "wheel", "wheels"),
]


@pytest.mark.parametrize(("kind", "old", "new", "key", "says"), CASES)
def test_broken_build_file_gets_one_located_error(kind: str, old: str, new: str, key: str, says: str) -> None:
    text = (EXAMPLES / FILES[kind]).read_text(encoding="utf-8")
    assert text.count(old) == 1
    broken = text.replace(old, new)
    with pytest.raises(BuildError) as caught:
        parse_machine(broken, "mine.toml")
    message = caught.value.message()
    assert says in message
    assert re.search(rf"mine\.toml, line \d+, {re.escape(key)}\b", message), message
    assert caught.value.exit_status == 2


@pytest.mark.parametrize("number", ["0", "-1", "1e-300", "1e300", "nan", "inf", "true", '"2"', "[]", "{ value = 1, low = 2, high = 3 }"])
@both
def test_any_value_anywhere_is_read_or_refused(kind: str, number: str) -> None:
    """Every number of the file in turn: a build or one clear error, never anything else."""
    lines = (EXAMPLES / FILES[kind]).read_text(encoding="utf-8").split("\n")
    for at, line in enumerate(lines):
        if not re.match(r"\w+ = [\d{]", line):
            continue
        key = line.split(" = ")[0]
        try:
            parse_machine("\n".join([*lines[:at], f"{key} = {number}", *lines[at + 1 :]]), "mine.toml")
        except BuildError as error:
            assert key in error.message() or "line" in error.message()


@pytest.mark.parametrize("kind", MACHINES)
def test_starter_of_every_kind_is_an_example_by_another_name(kind: str) -> None:
    name, text = starter_build(kind)
    example = (EXAMPLES / FILES[kind]).read_text(encoding="utf-8")
    assert name == f"{kind}.toml"
    assert re.sub(r'name = "\w+"\s*', "", text) == re.sub(r'name = "\w+"\s*', "", example)


def run(*arguments: object) -> tuple[int, str]:
    result = CliRunner().invoke(main, [str(argument) for argument in arguments])
    return result.exit_code, result.output


def test_new_writes_the_kind_that_is_asked_for(tmp_path: Path) -> None:
    status, _ = run("new", "--machine", "trolley", tmp_path / "mine")
    assert status == 0
    assert [path.name for path in (tmp_path / "mine").iterdir()] == ["trolley.toml"]
    assert run("new", "--machine", "boat", tmp_path / "other")[0] == 2


def already_designed(kind: str) -> Callable[[Path], DesignedRolling]:
    """In the place of a design from the file, which takes seconds."""
    return lambda path: designed_rolling(kind)


def test_design_and_simulate_show_the_cart_in_its_own_words(monkeypatch: pytest.MonkeyPatch) -> None:
    for module in ("codegen.cli.design", "codegen.pipeline.simulate"):
        monkeypatch.setattr(f"{module}.design_machine", already_designed("cart_pendulum"))
    status, shown = run("design", EXAMPLES / FILES["cart_pendulum"])
    assert status == 0
    for words in ("on the track", "torque per place", "lean limit", "nominal"):
        assert words in shown
    status, shown = run("simulate", EXAMPLES / FILES["cart_pendulum"], "--emitted", "--hours", "0.003", "--offset-deg", "0.5")
    assert status == 0
    assert "place at the end" in shown
    status, shown = run("simulate", EXAMPLES / FILES["cart_pendulum"], "--emitted", "--hours", "0.003", "--poke", "5", "0.2")
    assert status == 1


def test_other_machines_are_for_bodies_with_a_wheel_only(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("codegen.pipeline.simulate.design_machine", already_designed("trolley"))
    status, shown = run("simulate", EXAMPLES / FILES["trolley"], "--on", EXAMPLES / FILES["lantern"], "--hours", "0.001")
    assert status == 2
    assert "reaction wheel only" in shown


@both
def test_graph_is_the_law_that_the_margins_are_for(kind: str) -> None:
    """The emitted controller's linear map, closed with the plant, has the spectral radius of the design's own matrices."""
    designed = designed_rolling(kind)
    controller = linearise_graph(designed.graph(), ARMED_REGIME, ("command_wanted",))
    plant = surround_any(designed.plant)
    read = [plant.readings.get(name) for name in controller.inputs]
    size, memory = len(plant.states), len(controller.states)
    seen = np.array([np.zeros(size) if row is None else row for row in read])
    step = controller.ordinary
    command = np.hstack([step.D @ seen, step.C])[0]
    upper = np.hstack([plant.A, np.zeros((size, memory))]) + np.outer(plant.B, command)
    closed = np.vstack([upper, np.hstack([step.B @ seen, step.A])])
    radius = float(np.max(np.abs(np.linalg.eigvals(closed))))
    assert radius == pytest.approx(designed.design.margins.spectral_radius, abs=1e-6)


@both
def test_margins_at_its_own_latency_are_the_design_s(kind: str) -> None:
    designed = designed_rolling(kind)
    assert designed.margins_at(designed.plant.latency_s) == designed.design.margins


@both
def test_traces_reach_learning_and_pokes(kind: str) -> None:
    learning, poked = trace_scenarios(designed_rolling(kind).plant)
    assert learning.balance_offset_rad != 0.0
    assert [sign > 0 for _, sign in poked.pokes] == [True, False]


@both
def test_report_and_evidence_speak_of_this_machine(kind: str) -> None:
    designed = designed_rolling(kind)
    shipment = barely_checked(designed.graph(), "cortex-m4", designed)
    page = write_report(shipment)
    for words in ("place pole", "The higher the finger", "No structural resonance, no slope"):
        assert words in page
    for words in ("reaction wheel", "lantern", "knife edge", "slipping edge", "ring figure", "set-point"):
        assert words not in page
    document = gather_evidence(shipment, {})
    quantities = [port["quantity"] for port in document["inputs"]]
    assert quantities[-2:] == ["arm", "sensor_fresh"]
    assert quantities[0] == ("cart_position" if kind == "cart_pendulum" else "gyro_rate")
    assert [port["quantity"] for port in document["outputs"]] == ["drive_command", "armed", "tripped"]


def test_mixed_up_build_and_design_are_refused() -> None:
    designed = designed_rolling("trolley")
    shipment = barely_checked(designed.graph(), "cortex-m4", designed)
    with pytest.raises(LoopwrightError, match="two kinds"):
        write_report(replace(shipment, build=read_build(EXAMPLES / FILES["lantern"])))
