"""The balancing controller's logic as it is emitted: arming, trips, first tick; what no flight shows tick by tick."""

from pathlib import Path

import numpy as np
import pytest

from codegen.graph import Graph
from codegen.pipeline import Designed, design_build, realise
from codegen.rules.integer import read_integer
from codegen.rules.walk import Memory, Reading
from codegen.targets import read_target

EXAMPLES = Path(__file__).parent / "examples"
G_COUNTS = 16384


class Bench:
    """The integer model with readings of a body that stands still and upright, noisy in the last counts."""

    def __init__(self, reading: Reading) -> None:
        self.reading = reading
        self.memory: Memory = reading.start()
        self.tick_count = 0

    def tick(self, **changed: int) -> dict[str, int]:
        self.tick_count += 1
        wiggle = self.tick_count % 2
        inputs = {
            "gyro_rate": wiggle,
            "accel_tangential": wiggle,
            "accel_radial": G_COUNTS,
            "wheel_speed": 0,
            "arm": 1,
            "sensor_fresh": 1,
        }
        values = self.reading.tick(self.memory, inputs | changed)
        return {name: int(values[name]) for name in ("drive_command", "armed", "tripped")}


@pytest.fixture(scope="module")
def designed() -> Designed:
    return design_build(EXAMPLES / "lantern_calm.toml")


@pytest.fixture(scope="module")
def reading(designed: Designed) -> Reading:
    return read_integer(realise(designed.graph(), read_target("atmega328p"), 3.0, designed.plant).fixed)


@pytest.fixture
def bench(reading: Reading) -> Bench:
    return Bench(reading)


def accelerations(tilt_deg: float) -> dict[str, int]:
    tilt = np.radians(tilt_deg)
    return {"accel_tangential": round(G_COUNTS * np.sin(tilt)), "accel_radial": round(G_COUNTS * np.cos(tilt))}


def test_starts_disarmed_and_commands_zero(bench: Bench):
    for _ in range(50):
        assert bench.tick(arm=0) == {"drive_command": 0, "armed": 0, "tripped": 0}


def test_arms_when_told_to_and_upright(bench: Bench):
    bench.tick(arm=0)

    assert bench.tick()["armed"] == 1


@pytest.mark.parametrize("tilt_deg", [15.5, -15.5, 40.0, 90.0, 180.0, -135.0, 179.0])
def test_does_not_arm_beyond_the_arming_tilt_nor_upside_down(bench: Bench, tilt_deg: float):
    for _ in range(100):
        assert bench.tick(**accelerations(tilt_deg))["armed"] == 0


@pytest.mark.parametrize("tilt_deg", [14.5, -14.5, 0.0])
def test_arms_within_the_arming_tilt(bench: Bench, tilt_deg: float):
    assert bench.tick(**accelerations(tilt_deg))["armed"] == 1


def test_does_not_arm_on_a_sensor_that_reads_zero(bench: Bench):
    for _ in range(10):
        assert bench.tick(accel_tangential=0, accel_radial=0)["armed"] == 0


def test_first_tick_believes_the_accelerometer(bench: Bench):
    """Armed in its very first tick at 10 degrees it pushes with full torque at once, in the direction that lifts the body."""
    assert bench.tick(**accelerations(10.0))["drive_command"] == 512


def test_stale_flag_trips_at_once_and_stays_until_disarmed(bench: Bench):
    bench.tick()

    assert bench.tick(sensor_fresh=0) == {"drive_command": 0, "armed": 0, "tripped": 1}
    for _ in range(100):
        assert bench.tick() == {"drive_command": 0, "armed": 0, "tripped": 1}
    assert bench.tick(arm=0) == {"drive_command": 0, "armed": 0, "tripped": 0}
    assert bench.tick()["armed"] == 1


@pytest.mark.parametrize("frozen", ["gyro_rate", "accel_tangential"])
def test_reading_that_does_not_change_trips_after_the_timeout(designed: Designed, bench: Bench, frozen: str):
    bench.tick()
    limit = designed.design.sensor_timeout_ticks
    armed = [bench.tick(**{frozen: 7})["armed"] for _ in range(limit + 1)]

    assert armed == [1] * limit + [0]


@pytest.mark.parametrize("speed_sign", [1, -1])
def test_wheel_over_speed_trips(designed: Designed, bench: Bench, speed_sign: int):
    bench.tick()
    limit = designed.design.overspeed_rad_s * designed.plant.wheel_counts_per_rad_s

    assert bench.tick(wheel_speed=speed_sign * int(limit))["armed"] == 1
    assert bench.tick(wheel_speed=speed_sign * (int(limit) + 1)) == {"drive_command": 0, "armed": 0, "tripped": 1}


def test_excess_tilt_trips(designed: Designed, bench: Bench):
    """Turned by the gyro at 5 rad/s the estimate passes the cut-off after about cut-off / rate."""
    bench.tick()
    rate = round(5.0 * designed.plant.gyro.counts_per_rad_s)
    ticks = 0
    while bench.tick(gyro_rate=rate + ticks % 2)["armed"]:
        ticks += 1
        assert ticks < 1000

    assert ticks == pytest.approx(designed.design.stop_tilt_rad / 5.0 / designed.plant.period_s, rel=0.03)


def test_graph_is_the_same_for_every_call(designed: Designed):
    first: Graph = designed.graph()

    assert first == designed.graph()
