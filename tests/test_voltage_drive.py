"""A lantern whose bridge sets the motor's voltage: designed, flown and shipped like those with a current drive."""

from __future__ import annotations

import functools
import math
from dataclasses import replace

import numpy as np
import pytest

from codegen.build import Build, parse_build, read_build
from codegen.design import design_controller, find_margins
from codegen.design.limits import reachable_speed
from codegen.design.machine import sample_machine
from codegen.flight.disturb import check_run_down
from codegen.flight.search import largest_poke, largest_tilt
from codegen.flight.stand import is_up, stand
from codegen.pipeline import BIT_TICKS, Progress, design_build, make_shipment
from codegen.plant import Plant, Scenario, fly, model_plant
from codegen.targets import read_target
from tests.bench_controllers import constant
from tests.flown import EXAMPLES, Shipped, ship

FILE = EXAMPLES / "lantern_plain.toml"


@functools.cache
def shipped() -> Shipped:
    """Made once per process, and kept to its end."""
    return ship(read_build(FILE), "atmega328p")


@pytest.fixture
def plain() -> Shipped:
    return shipped()


def with_command(build: Build, command: str) -> Build:
    text = build.source_text.replace('command = "voltage"', f'command = "{command}"')
    return parse_build(text.replace("current_limit_a = 2.0", "current_limit_a = 1.5"), "other.toml")


def test_largest_torque_is_that_of_the_winding_at_standstill(plain: Shipped) -> None:
    plant = plain.plant
    assert plant.torque_limit_n_m == pytest.approx(0.045 * 12.0 / 8.0, rel=1e-12)
    flight = fly(plant, constant(plant.command_counts), Scenario(0.005, hold_s=1.0, record_every=1))
    assert 0.95 * plant.torque_limit_n_m < flight.torque_n_m.max() <= plant.torque_limit_n_m


def test_wheel_runs_up_to_where_the_back_emf_meets_the_supply(plain: Shipped) -> None:
    flight = fly(plain.plant, constant(plain.plant.command_counts), Scenario(10.0, hold_s=11.0))
    assert flight.final_wheel_rad_s == pytest.approx(reachable_speed(plain.plant), rel=2e-3)


def test_example_meets_its_goals(plain: Shipped) -> None:
    assert [verdict.goal for verdict in plain.design.verdicts if not verdict.holds] == []


def test_law_carries_the_gain_on_the_wheel_speed(plain: Shipped) -> None:
    plant, design = plain.plant, plain.design
    assert design.wheel_gain_n_m_s == pytest.approx(plant.torque_constant**2 / plant.resistance_ohm, rel=1e-12)
    command = plain.graph.nodes["command_wanted"]
    weights = {term.name: term.weight for term in command.terms}  # type: ignore[attr-defined]
    # In volts: the back voltage itself.
    assert weights["wheel_speed_held"] == pytest.approx(plant.torque_constant, rel=1e-9)


def test_margins_are_those_of_the_machine_with_its_back_emf(plain: Shipped) -> None:
    """Leaving the gain out changes the loop: the margins see the drag that it makes up for."""
    design = plain.design
    without = find_margins(replace(design, wheel_gain_n_m_s=0.0))
    assert without.spectral_radius > 1.0 or without.peak_sensitivity > design.margins.peak_sensitivity


def test_loop_is_like_that_of_a_current_drive(plain: Shipped) -> None:
    other = with_command(plain.build, "current")
    design = design_controller(other, model_plant(other))
    assert plain.design.margins.peak_sensitivity == pytest.approx(design.margins.peak_sensitivity, rel=0.05)


def test_torque_corner_is_that_of_another_battery(plain: Shipped) -> None:
    """A command of a share of the supply yields factor times its volts; the back-EMF stays, and the law no longer cancels all of it."""
    nominal, corner = sample_machine(plain.plant), sample_machine(plain.plant, 1.2)
    assert corner.transition[:, :-1] == pytest.approx(nominal.transition[:, :-1], rel=1e-12, abs=1e-15)
    assert corner.transition[:, -1] == pytest.approx(1.2 * nominal.transition[:, -1], rel=1e-9, abs=1e-15)
    assert all(margins.stable for _, margins in plain.design.corners)


def test_stands_and_takes_pokes(plain: Shipped) -> None:
    flight = stand(plain.plant, plain.terms, plain.make_step, 0.03, plain.terms.sweep_rad[-1])
    assert is_up(flight)
    assert flight.tilt_rms_rad <= plain.terms.tilt_rms_rad
    assert 0.9 * plain.terms.poke_n_m_s <= largest_poke(plain.plant, plain.terms, plain.make_step, 1.0, steps=7)
    bound = min(plain.terms.recoverable_tilt_rad, plain.terms.arm_tilt_rad)
    tilt = largest_tilt(plain.plant, plain.terms, plain.make_step, -1.0, steps=7)
    assert 0.9 * bound <= tilt <= math.asin(plain.plant.torque_limit_n_m / plain.plant.gravity_torque_n_m)


def test_spinning_wheel_comes_back(plain: Shipped) -> None:
    """At 40 % of top speed the back-EMF takes 40 % of the supply: the law must not mistake it for a torque."""
    assert [check.row() for check in check_run_down(plain.plant, plain.terms, plain.make_step) if not check.holds] == []


def test_winding_sets_the_limit_only_where_it_is_the_smaller() -> None:
    limited = model_plant(parse_build(FILE.read_text(encoding="utf-8").replace("current_limit_a = 2.0", "current_limit_a = 1.0"), "x.toml"))
    assert isinstance(limited, Plant)
    assert limited.torque_limit_n_m == pytest.approx(0.045, rel=1e-12)
    assert np.isclose(limited.knee_speed_rad_s, (12.0 - 8.0) / 0.045)


@pytest.mark.long
@pytest.mark.parametrize("target", ["cortex-m4", "cortex-m0plus", "atmega328p"])
def test_ships_end_to_end(target: str) -> None:
    designed = design_build(FILE)
    shipment = make_shipment(designed.graph(), read_target(target), 3.0, Progress(), designed)
    assert shipment.failures == ()
    assert shipment.checks.bits.ticks >= BIT_TICKS
