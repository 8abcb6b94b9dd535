"""Faults at run time: flips are what they say, limits hold, what does not is found; a million flips on every lantern (long)."""

from pathlib import Path

import numpy as np
import pytest

from codegen.verify import check_faults
from codegen.verify.faults import SENSOR_KINDS
from codegen.verify.trial import Failure, Run, Watched, c_test, watch
from codegen.verify.watches import find_watches
from tests.flown import LANTERNS
from tests.gated import made_lantern, made_trolley, run_program


def test_flip_changes_one_bit_of_one_member_and_no_other() -> None:
    """Against numpy's own view of the bytes (little-endian, as this host is)."""
    with made_trolley().subject() as subject:
        host = subject.host()
        ports = subject.shape.memory
        member = host.memory.index("smooth_last")
        lanes = ports[member].bits
        begin = np.repeat(host.start(1), lanes, axis=1)
        begin[member] = 123456
        flips = np.array([[0] * lanes, [member] * lanes, range(lanes)], dtype=np.int64)
        # A counter beyond its end makes the step a slow one; the filter's new value shows what it started from.
        hit = begin.copy()
        host.upset(hit, np.zeros((1, 2, lanes), dtype=np.int64), flips)
        told = begin.copy()
        raw = told[member].astype(np.int32)
        raw.view(np.uint32)[:] ^= np.uint32(1) << np.arange(lanes, dtype=np.uint32)
        told[member] = raw
        host.run(told, np.zeros((1, 2, lanes), dtype=np.int64))

    # The top bit leads to an overflow of the sum, which C leaves undefined.
    assert np.array_equal(hit[:, :-1], told[:, :-1])


def test_flip_before_a_later_tick_leaves_the_ticks_before_alone() -> None:
    with made_trolley().subject() as subject:
        host = subject.host()
        inputs = subject.draw("held", np.random.default_rng(2), 20, 3)
        flips = np.array([[10, 10, 10], [host.memory.index("kept_last"), -1, -1], [20, 0, 0]], dtype=np.int64)
        hit = host.upset(host.start(3), inputs, flips)
        healthy = host.run(host.start(3), inputs, trace_memory=True)

    assert hit.memory is not None and healthy.memory is not None
    assert np.array_equal(hit.memory[:10], healthy.memory[:10])
    assert not np.array_equal(hit.memory[10, :, 0], healthy.memory[10, :, 0])
    assert np.array_equal(hit.memory[:, :, 1:], healthy.memory[:, :, 1:])


def test_lantern_stands_small_campaign() -> None:
    with made_lantern("calm").subject() as subject:
        found = check_faults(subject, flips=10_000, sensor_faults=10_000)
        watches = {watch.reading: watch.ticks for watch in find_watches(subject)}

    assert found.failures == ()
    assert (found.flips, sum(found.sensor_faults.values())) == (10_000, 10_000)
    assert set(found.sensor_faults) == set(SENSOR_KINDS)
    assert found.longest_return <= 40  # the slow section's period
    assert watches == {"gyro_rate": 25, "accel_tangential": 25}
    assert {trip.reading for trip in found.trips} == set(watches)
    assert found.cycles > 1000


def test_without_arming_a_small_campaign_holds_too() -> None:
    with made_trolley().subject() as subject:
        found = check_faults(subject, flips=5_000, sensor_faults=5_000)

    assert found.failures == ()
    assert found.longest_return <= 5


def test_missing_limit_is_found() -> None:
    seen = "(int16_t)round_shift_32((int32_t)state->mean * INT32_C(8), 8)"
    with made_trolley().subject((f"clamp_16({seen}, -1000, 1000)", seen)) as subject:
        found = check_faults(subject, flips=3_000, sensor_faults=0)

    assert found.outside > 0
    assert found.first is not None
    assert found.first.claim.startswith("output seen stays inside [-1000, 1000]")
    assert not -1000 <= found.first.got[-1] <= 1000


def test_program_flips_the_same_bit(tmp_path: Path) -> None:
    made = made_trolley()
    with made.subject() as subject:
        inputs = subject.draw("held", np.random.default_rng(4), 9, 1)[:, :, 0]
        runs, watched = (Run(inputs, None, None, (6, "mean", 13)),), (Watched("seen"),)
        got = tuple(int(value) for value in watch(subject.host(), runs, watched))
        failures = [Failure("mean is flipped", runs, watched, got[-1] + off, got[-1] + off, got) for off in (0, 1)]
        plain = watch(subject.host(), (Run(inputs),), watched)
        programs = [c_test(failure, subject.shape, "trolley.c") for failure in failures]

    assert got[6] != plain[6] and got[:6] == tuple(plain[:6])
    assert [run_program(tmp_path, made, program) for program in programs] == [0, 1]


def test_controller_that_never_clears_its_trip_is_stuck() -> None:
    change = ("tripped_asked & !disarmed", "tripped_asked & (!disarmed | state->tripped_last)")
    with made_lantern("calm").subject(change) as subject:
        found = check_faults(subject, flips=4_000, sensor_faults=2_000)

    assert found.stuck > 0
    assert any("stay changed by a fault" in text for text in found.failures)


def test_watch_that_does_not_act_is_late() -> None:
    change = ("gyro_frozen_count >= 25", "gyro_frozen_count > 25")
    with made_lantern("calm").subject(change) as subject:
        found = check_faults(subject, flips=0, sensor_faults=10_000)

    assert [trip.reading for trip in found.late_trips] == ["gyro_rate"]


def test_what_a_flip_makes_undefined_is_told_with_member_bit_and_line() -> None:
    with made_trolley().subject() as subject:
        found = check_faults(subject, flips=1_000, sensor_faults=0)
        lines = subject.sources["trolley.c"].splitlines()

    places = {place.member: place for place in found.undefined if "kept_last" in lines[place.line - 1]}
    assert places["kept_last"].bits[1] == 31
    assert "overflow" in places["kept_last"].kind
    assert found.failures == ()


def test_what_the_time_leaves_out_is_told() -> None:
    with made_trolley().subject() as subject:
        found = check_faults(subject, flips=5_000, sensor_faults=2_000, seconds=0.0)

    assert found.left_out == "5000 flips and 2000 sensor faults"
    assert found.flips == 0


def test_same_seed_same_campaign() -> None:
    made = made_trolley()
    results = []
    for _ in range(2):
        with made.subject() as subject:
            found = check_faults(subject, flips=2_000, sensor_faults=1_000, seed=5)
            results.append((found.ticks, found.cycles, found.longest_return, found.undefined))

    assert results[0] == results[1]


@pytest.mark.long
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("lantern", LANTERNS)
def test_a_million_flips_and_a_hundred_thousand_sensor_faults(lantern: str) -> None:
    with made_lantern(lantern).subject() as subject:
        found = check_faults(subject, flips=1_000_000, sensor_faults=100_000)

    assert found.failures == ()
    assert (found.flips, sum(found.sensor_faults.values())) == (1_000_000, 100_000)
    assert found.longest_return <= 40
    assert all(trip.tried > 100 for trip in found.trips)
