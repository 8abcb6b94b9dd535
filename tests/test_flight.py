"""The flight judge: it accepts the lantern's controller, and it catches controllers that are wrong in one respect."""

from __future__ import annotations

import math
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest

from codegen.control import trace_controller
from codegen.errors import CheckFailed
from codegen.flight import FlightCheck, FlightVerdict, fly_reference, judge_flight, record_flights, replay
from codegen.flight.checks import HEADINGS, all_of, at_least, at_most
from codegen.flight.disturb import check_insistence, check_perturbed, check_run_down, recovery_of, run_down_of
from codegen.flight.perturb import perturbed_machines
from codegen.flight.reference import ReferenceStep, check_against_reference
from codegen.flight.search import largest, largest_poke, largest_tilt
from codegen.flight.stand import HOLD_S, check_rest, check_standing, is_up
from codegen.flight.trips import check_arming, check_trips, lecture, trip_of, upright_readings
from codegen.graph import GraphBuilder
from codegen.plant import Plant, Scenario, StepFunction, fly
from tests.bench_controllers import Cascade, cascade, constant
from tests.flown import Shipped, compile_graph, ship_lantern, steps_of


@pytest.fixture(scope="module")
def calm() -> Shipped:
    return ship_lantern("calm", "cortex-m4")


def failed(checks: list[FlightCheck]) -> set[str]:
    return {check.name for check in checks if not check.holds}


def test_quick_judgement_accepts_the_calm_lantern(calm: Shipped) -> None:
    """Every quick check holds, and the verdict is a table."""
    verdict = judge_flight(calm.plant, calm.terms, calm.make_step, calm.graph, "quick")
    assert verdict.failures == ()
    assert verdict.holds
    assert verdict.simulated_s >= 2 * 3600
    rows = verdict.rows()
    assert len(rows) == len(verdict.checks) > 40
    assert all(len(row) == len(HEADINGS) for row in rows)
    assert len({row[0] for row in rows}) == len(rows)


def test_check_holds_on_its_side_only() -> None:
    """A limit itself is kept; NaN never is; a failed check fails the verdict."""
    assert at_least("a", 2.0, 2.0, "s").holds
    assert not at_least("a", 2.0, 1.999, "s").holds
    assert at_most("a", 2.0, 2.0, "s").holds
    assert not at_most("a", 2.0, 2.001, "s").holds
    assert not at_most("a", 2.0, math.nan, "s").holds
    assert not at_least("a", 2.0, math.nan, "s").holds
    assert not all_of("a", [True, False]).holds
    verdict = FlightVerdict("quick", (at_least("a", 1.0, 2.0, "s"), at_most("b", 1.0, math.nan, "s")), 0.0)
    assert not verdict.holds
    assert verdict.rows() == [("a", "at least 1 s", "2 s", "yes"), ("b", "at most 1 s", "never", "NO")]


@pytest.mark.parametrize("threshold", [0.0, 0.1, 0.73, 0.999])
def test_bisection_stays_below_the_threshold(threshold: float) -> None:
    """The result survives, and lies within the last halving of the true threshold."""
    found = largest(lambda value: value <= threshold, 1.0, 10)
    assert found <= threshold < found + 2.0**-10


def test_no_more_than_the_bounds_is_brought_back(calm: Shipped) -> None:
    """Tilt and poke of both signs: below what physics allows, and above nine tenths of it."""
    bound = math.asin(calm.plant.torque_limit_n_m / calm.plant.gravity_torque_n_m)
    for sign in (1.0, -1.0):
        assert 0.9 * bound <= largest_tilt(calm.plant, calm.terms, calm.make_step, sign) <= bound
        share = largest_poke(calm.plant, calm.terms, calm.make_step, sign) / calm.terms.poke_n_m_s
        assert 0.9 <= share <= 1.0 + 1.2 / 2**8


def test_motor_that_does_nothing_is_rejected(calm: Shipped) -> None:
    """A command of zero: falls at once, brings nothing back."""

    def make_step() -> StepFunction:
        return constant(0.0)

    checks, _ = check_standing(calm.plant, calm.terms, make_step, {0.02: 0.01})
    assert not checks[0].holds
    assert checks[0].reached < 10.0 / 3600.0
    assert largest_tilt(calm.plant, calm.terms, make_step, 1.0) == 0.0
    assert not any(check.holds for check in check_perturbed(calm.plant, calm.terms, make_step))
    assert not any(check.holds for check in check_insistence(calm.plant, calm.terms, make_step))


def test_controller_without_trips_is_caught(calm: Shipped) -> None:
    """A cascade in doubles that stands well but knows neither trips nor an arming tilt."""

    def make_step() -> StepFunction:
        return cascade(calm.plant)

    assert failed(check_rest(calm.plant, calm.terms, make_step, 20.0)) == set()
    trips = failed(check_trips(calm.plant, calm.terms, make_step))
    assert {name for name in trips if name.endswith("command zero after")} == {
        f"{cause}: command zero after"
        for cause in (
            "stale flag",
            "frozen gyro",
            "frozen accelerometer",
            "tilt beyond the cut-off, forward",
            "tilt beyond the cut-off, backward",
            "wheel over-speed, forward",
            "wheel over-speed, backward",
        )
    }
    assert "stays tripped while the arm input is 1" in trips
    names = " ".join(failed(check_arming(calm.plant, calm.terms, make_step)))
    assert "beyond the arming tilt" in names
    assert "upside down" in names


@pytest.mark.parametrize(
    ("change", "caught"),
    [
        ({"stop_tilt_rad": 0.69}, "tilt beyond the cut-off, forward: command zero after"),
        ({"overspeed_rad_s": 245.0}, "wheel over-speed, backward: command zero after"),
        ({"sensor_timeout_ticks": 60}, "frozen gyro: command zero after"),
    ],
)
def test_late_trips_are_caught(calm: Shipped, change: dict[str, Any], caught: str) -> None:
    """A controller made with other thresholds than it is judged by."""
    graph = trace_controller(replace(calm.design, **change), "other", "other thresholds")
    with compile_graph(graph) as other:
        assert caught in failed(check_trips(calm.plant, calm.terms, steps_of(other)))


def test_wider_arming_tilt_is_caught(calm: Shipped) -> None:
    """Arms five degrees beyond what it is judged by."""
    terms = replace(calm.terms, arm_tilt_rad=calm.terms.arm_tilt_rad - math.radians(5.0))
    names = failed(check_arming(calm.plant, terms, calm.make_step))
    assert len(names) == 1
    assert "does not arm" in names.pop()


def test_restless_controller_is_rejected(calm: Shipped) -> None:
    """Filter of 0.1 s: the accelerometer's noise moves the body (common practice, no source)."""

    def make_step() -> StepFunction:
        return cascade(calm.plant, Cascade(filter_time_s=0.1))

    assert "tilt RMS at rest" in failed(check_rest(calm.plant, calm.terms, make_step, 20.0))


def test_wheel_without_outer_loop_does_not_return(calm: Shipped) -> None:
    """With hardly any momentum feedback the spinning wheel stays where it is, or the body falls."""

    def make_step() -> StepFunction:
        return cascade(calm.plant, Cascade(outer_share=1e-3, trim_share=1e-3))

    names = failed(check_run_down(calm.plant, calm.terms, make_step))
    assert "wheel at +40% of top speed returns to its set-point" in names


def test_recovery_time_and_peak_of_a_known_decay(calm: Shipped) -> None:
    """Tilt exp(-t) degrees about a rest of 0.1 degrees: within 0.3 degrees after ln(1/0.3) s."""
    poked = Scenario(6.0, hold_s=HOLD_S, arm_s=HOLD_S, pokes=((2.0, 1e-4),), record_every=1)
    flight = fly(calm.plant, calm.make_step(), poked)
    time = flight.time_s
    tilt = np.radians(0.1 + np.where(time > 2.0, np.exp(2.0 - time), 0.0))
    recovery = recovery_of(replace(flight, tilt_rad=tilt))
    assert recovery.time_s == pytest.approx(math.log(1 / 0.3), abs=2e-3)
    assert recovery.peak_rad == pytest.approx(math.radians(1.0), rel=2e-3)
    never = replace(flight, tilt_rad=np.radians(0.1 + np.where(time > 2.0, 1.0, 0.0)))
    assert math.isnan(recovery_of(never).time_s)
    assert math.isnan(recovery_of(replace(flight, tilt_rad=tilt, tripped=True)).time_s)


def test_run_down_of_a_known_decay(calm: Shipped) -> None:
    """Surplus speed exp(-t): nine tenths are gone after ln 10 s; signs and tips are kept apart."""
    for sign in (1.0, -1.0):
        scenario = Scenario(6.0, wheel_rad_s=sign * 100.0, hold_s=HOLD_S, arm_s=HOLD_S, record_every=1)
        flight = fly(calm.plant, calm.make_step(), scenario)
        free = np.maximum(flight.time_s - HOLD_S, 0.0)
        setpoint = calm.terms.wheel_setpoint_rad_s
        wheel = setpoint + (sign * 100.0 - setpoint) * np.exp(-free)
        tilt = np.where(free < 0.5, -sign * 0.04, np.where(free > 2.0, sign * 0.01, 0.0))
        down = run_down_of(calm.plant, calm.terms, replace(flight, wheel_rad_s=wheel, tilt_rad=tilt))
        assert down.time_s == pytest.approx(math.log(10.0), abs=2e-3)
        assert down.tip_rad == pytest.approx(0.04)
        assert down.opposite_tip_rad == pytest.approx(0.01)
        assert down.faster_rad_s == pytest.approx(0.0, abs=1e-9)


def test_each_perturbed_machine_differs_in_one_respect(calm: Shipped) -> None:
    """Ten machines; only the friction one changes more than one number."""
    machines = perturbed_machines(calm.plant)
    assert len(machines) == 10
    for label, machine in machines.items():
        changed = [f.name for f in fields(Plant) if getattr(machine, f.name) != getattr(calm.plant, f.name)]
        expected = 5 if label == "friction x 3" else 2 if label == "sensor noise x 3" else 1
        assert len(changed) == expected, label


def test_lecture_is_the_flight_again(calm: Shipped) -> None:
    """Readings recorded in a flight, handed over one by one, give the recorded outputs."""
    scenario = Scenario(1.5, hold_s=HOLD_S, arm_s=HOLD_S, record_counts=True)
    counts = fly(calm.plant, calm.make_step(), scenario).counts
    assert counts is not None
    assert np.array_equal(lecture(calm.make_step, counts[:, :6]), counts[:, 6:])


def test_trip_that_never_comes(calm: Shipped) -> None:
    """Good readings throughout: no trip, so no time, and nothing stays tripped."""
    readings = upright_readings(calm.plant, 1000, arm=True)
    trip = trip_of(calm.plant, calm.make_step, readings, 500)
    assert trip.ran
    assert math.isnan(trip.after_s)
    assert not trip.stays


def test_recordings_show_the_controller_learning(calm: Shipped) -> None:
    """Four pictures; the trim ends at balance angle + filter time * gyro bias, the lean within its limit."""
    recordings = record_flights(calm.plant, calm.terms, calm.controller)
    assert [recording.name for recording in recordings] == ["learning", "poke", "release", "run_down"]
    for recording in recordings:
        rows = len(recording.time_s)
        arrays = (recording.tilt_deg, recording.wheel_rad_s, recording.torque_n_m, recording.command_counts)
        assert rows > 1000
        assert all(array.shape == (rows,) for array in (*arrays, *recording.estimates.values()))
        assert set(recording.estimates) == {"tilt_last", "trim", "lean", "momentum_estimate"}
        assert np.abs(recording.estimates["lean"]).max() <= calm.design.lean_limit_rad
        assert abs(recording.tilt_deg[-1]) < 0.1
    learning, poke, release, _ = recordings
    expected = calm.terms.offset_rad + calm.design.filter_time_s * calm.terms.gyro_bias_rad_s
    assert learning.estimates["trim"][-1] == pytest.approx(expected, abs=math.radians(0.02))
    assert poke.time_s[0] == pytest.approx(poke.event_s - 1.0, abs=calm.plant.period_s)
    assert release.tilt_deg[0] == pytest.approx(math.degrees(0.9 * calm.terms.recoverable_tilt_rad))


def test_replay_refuses_foreign_counts(calm: Shipped) -> None:
    """Outputs that are not this controller's, or none at all."""
    flight = fly(calm.plant, calm.make_step(), Scenario(1.0, hold_s=HOLD_S, arm_s=HOLD_S, record_counts=True))
    assert flight.counts is not None
    forged = flight.counts.copy()
    forged[700, 6] += 1
    with pytest.raises(CheckFailed, match="answers the same readings differently"):
        replay(calm.controller, replace(flight, counts=forged))
    with pytest.raises(CheckFailed, match="without recorded counts"):
        replay(calm.controller, replace(flight, counts=None))


def test_reference_flies_like_the_integers(calm: Shipped) -> None:
    """The same seed: both stand, and their tilt RMS over 20 s agrees within 2 %."""
    scenario = Scenario(
        30.0, hold_s=HOLD_S, arm_s=HOLD_S, statistics_from_s=10.0, balance_offset_rad=0.02, tilt_rad=-0.02
    )
    real = fly_reference(calm.plant, calm.graph, scenario)
    integer = fly(calm.plant, calm.make_step(), scenario)
    assert is_up(real)
    assert integer.tilt_rms_rad == pytest.approx(real.tilt_rms_rad, rel=0.02)


def test_other_gains_are_told_from_the_reference(calm: Shipped) -> None:
    """Half the filter time makes another flight, not a rounding error."""
    graph = trace_controller(replace(calm.design, filter_time_s=1.0), "other", "shorter filter")
    names = failed(check_against_reference(calm.plant, calm.terms, calm.make_step, graph, 10.0))
    assert "integer against float64: tilt RMS" in names


def test_reference_that_fails_in_flight_is_reported(calm: Shipped) -> None:
    """A state that grows without limit ends in an overflow, which must not pass for a flight."""
    graph = GraphBuilder("growing", calm.plant.period_s)
    rate = graph.input("gyro_rate", "int16_t", 1.0, "rad/s")
    last = graph.delay("state_last", "A")
    state = graph.weighted_sum("state", [(1e9, last), (1.0, rate)], "A", resolution=1e-3, bias=1.0)
    graph.connect(last, state)
    graph.output("drive_command", state, "int32_t")
    with pytest.raises(CheckFailed, match="reference fails in flight"):
        fly_reference(calm.plant, graph.finish(), Scenario(1.0))
    ReferenceStep(calm.graph).confirm()
