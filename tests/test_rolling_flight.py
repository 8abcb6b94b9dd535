"""Trolley and cart-pendulum flown by their emitted C: standing, bounds met and never beaten, trips, arming, and the whole judgement."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from codegen.errors import FormatError
from codegen.flight.rolling import check_return, check_rolling_rest, judge_rolling, record_rolling_flights
from codegen.flight.search import largest_poke, largest_tilt
from codegen.flight.stand import HOLD_S, is_up, stand
from codegen.flight.trips import check_arming, check_trips, lecture, upright_readings
from codegen.formats import choose_formats
from codegen.pipeline import Progress, make_shipment
from codegen.pipeline.check import BIT_TICKS
from codegen.plant import Encoders, RollingFlight, Scenario, fly_rolling
from codegen.ranges import find_ranges
from codegen.targets import read_target
from tests.rolling_flown import KINDS, designed_rolling, fly_example

SHIPPED = (("cart_pendulum", "cortex-m4"), ("trolley", "cortex-m4"), ("trolley", "cortex-m0plus"), ("trolley", "atmega328p"))
# The shortest words that each is shipped with.
SHORT = {"cart_pendulum": "cortex-m4", "trolley": "atmega328p"}
# Whole bounds: what is reached of the tilt and of the poke that any controller could bring back (for the cart, within its track).
SHARES = {"trolley": (0.95, 0.95), "cart_pendulum": (0.85, 0.85)}

both = pytest.mark.parametrize("kind", KINDS)


@both
def test_stands_and_finds_the_balance_angle(kind: str) -> None:
    machine = fly_example(kind)
    flight = stand(machine.plant, machine.terms, machine.make_step, 0.02, machine.terms.sweep_rad[-1])
    assert isinstance(flight, RollingFlight)
    assert is_up(flight)
    assert flight.tilt_rms_rad <= machine.terms.tilt_rms_rad
    assert flight.position_max_m <= machine.terms.stay_within_m
    assert abs(flight.tilt_mean_rad) < math.radians(0.02)


@both
def test_no_start_beyond_the_bound_is_survived_and_most_below_are(kind: str) -> None:
    """With arming allowed anywhere, so that the machine and not a threshold is what limits."""
    machine = fly_example(kind, arm_tilt_deg=34.0)
    tilt_share, poke_share = SHARES[kind]
    tilt = largest_tilt(machine.plant, machine.terms, machine.make_step, 1.0, steps=7)
    poke = largest_poke(machine.plant, machine.terms, machine.make_step, -1.0, steps=7)
    assert tilt_share * machine.terms.recoverable_tilt_rad <= tilt <= machine.terms.recoverable_tilt_rad
    assert poke_share * machine.terms.poke_n_m_s <= poke <= machine.terms.poke_n_m_s
    assert tilt <= machine.design.limits.static_tilt_rad


@both
def test_comes_back_to_its_place(kind: str) -> None:
    machine = fly_example(kind)
    assert [check.row() for check in check_return(machine.plant, machine.terms, machine.make_step) if not check.holds] == []


@both
def test_trips_and_arming(kind: str) -> None:
    machine = fly_example(kind)
    checks = check_trips(machine.plant, machine.terms, machine.make_step)
    checks += check_arming(machine.plant, machine.terms, machine.make_step)
    assert [check.row() for check in checks if not check.holds] == []


def test_cart_trips_before_its_stop() -> None:
    """Pushed along for ever it switches off at 95 % of the track; what then coasts on is not the controller's doing."""
    machine = fly_example("cart_pendulum")
    assert isinstance(machine.plant.senses, Encoders)
    scale = machine.plant.senses.position_counts_per_m
    readings = upright_readings(machine.plant, 3000, arm=True)
    readings[:, 0] = np.clip((np.arange(3000) - 500) * scale * 0.5e-3, 0, 30000)
    outputs = lecture(machine.make_step, readings)
    tripped = int(np.argmax(outputs[:, 2]))
    assert readings[tripped, 0] / scale == pytest.approx(machine.design.stop_place_m, abs=1e-3)
    assert not outputs[tripped:, 0].any()


def test_cart_does_not_arm_near_its_stop() -> None:
    machine = fly_example("cart_pendulum")
    readings = upright_readings(machine.plant, 500, arm=True)
    readings[:, 0] = 9900
    assert not lecture(machine.make_step, readings)[:, 1].any()


@both
def test_push_leans_the_right_way(kind: str) -> None:
    """A body that leans towards +x makes the carriage drive towards +x, in the very first armed tick."""
    machine = fly_example(kind)
    scenario = Scenario(HOLD_S + 0.05, tilt_rad=0.1, hold_s=HOLD_S, arm_s=HOLD_S, balance_offset_rad=0.0, record_every=1)
    flight = fly_rolling(machine.plant, machine.make_step(), replace(scenario, gyro_bias_rad_s=0.0))
    first = int(np.argmax(flight.command_counts != 0.0))
    assert flight.command_counts[first] > 0.0
    assert flight.final_position_m > 0.0


def test_recordings_show_the_place() -> None:
    machine = fly_example("cart_pendulum")
    recordings = record_rolling_flights(machine.plant, machine.terms, machine.controller)
    assert [recording.name for recording in recordings] == ["learning", "poke", "release"]
    assert all(recording.place_m is not None and len(recording.place_m) == len(recording.time_s) for recording in recordings)


@pytest.mark.long
@pytest.mark.parametrize(("kind", "target"), SHIPPED)
def test_ships_end_to_end(kind: str, target: str) -> None:
    """Proof, ten million ticks bit for bit, properties, faults, emulated target with its firmware in flight, and the flight judge."""
    designed = designed_rolling(kind)
    shipment = make_shipment(designed.graph(), read_target(target), 3.0, Progress(), designed)
    assert shipment.failures == ()
    assert shipment.checks.bits.ticks >= BIT_TICKS
    assert shipment.checks.flight is not None and shipment.checks.flight.holds
    assert shipment.checks.proof is not None and shipment.checks.proof.holds


def test_cart_is_refused_on_short_words() -> None:
    """Encoder differences over a long rail: 16-bit weights do not keep the default error budget, and the refusal says so."""
    designed = designed_rolling("cart_pendulum")
    with pytest.raises(FormatError, match="the budget 3; largest contributor") as refusal:
        choose_formats(find_ranges(designed.graph()), read_target("cortex-m0plus"), 3.0)
    assert refusal.value.where == "drive_command"
    assert "raise the error budget" in refusal.value.remedy


@pytest.mark.long
@both
def test_full_judgement_accepts(kind: str) -> None:
    """Eight hours of standing from each of four balance angles, and everything else."""
    machine = fly_example(kind, SHORT[kind])
    verdict = judge_rolling(machine.plant, machine.terms, machine.make_step, machine.graph, "full")
    assert verdict.simulated_s == pytest.approx(4 * 8 * 3600.0)
    assert [check.row() for check in verdict.failures] == []


@pytest.mark.long
@both
def test_still_at_rest_for_three_minutes(kind: str) -> None:
    machine = fly_example(kind, SHORT[kind])
    checks = check_rolling_rest(machine.plant, machine.terms, machine.make_step, 180.0)
    assert [check.row() for check in checks if not check.holds] == []
