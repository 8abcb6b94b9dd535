"""What the simulated sensors read: scale, offset, rounding, range, noise, filters, and their faults."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import welch
from scipy.stats import kstest

from codegen.plant import Scenario, fly
from tests.bench_controllers import constant, counts_of
from tests.machines import lantern_calm, smooth


def test_still_readings_are_gravity_turned_by_the_offset_and_rounded() -> None:
    """A held body reads g sin(th + offset) and g cos(th + offset), to the nearest count."""
    machine = lantern_calm(noise=False)
    for tilt_deg, offset_deg in ((0.0, 0.0), (0.0, 1.5), (-7.3, 2.0), (20.0, -3.0)):
        tilt, offset = math.radians(tilt_deg), math.radians(offset_deg)
        flight = fly(
            machine,
            constant(0.0),
            Scenario(
                0.01,
                tilt_rad=tilt,
                hold_s=1.0,
                balance_offset_rad=offset,
                gyro_bias_rad_s=0.01,
                record_counts=True,
            ),
        )
        assert flight.counts is not None
        scale = machine.accelerometer.counts_per_m_s2 * 9.81
        wanted = (
            0.01 * machine.gyro.counts_per_rad_s,
            math.sin(tilt + offset) * scale,
            math.cos(tilt + offset) * scale,
        )
        assert flight.counts[:, :3].tolist() == [[math.floor(value + 0.5) for value in wanted]] * 10


def test_free_body_reads_almost_nothing_tangential() -> None:
    """A body falling freely reads g sin th (1 - r lambda^2 / g), and radially g cos th - r th'^2."""
    plant = smooth(lantern_calm())
    flight = fly(plant, constant(0.0), Scenario(0.001, tilt_rad=0.1, rate_rad_s=0.5, record_counts=True))
    tangential = 9.81 * math.sin(0.1) * (1.0 - 0.10 * plant.divergence_rad_s**2 / 9.81)
    assert counts_of(flight, 1)[0] == pytest.approx(tangential * 1e6, abs=0.51)
    assert counts_of(flight, 2)[0] == pytest.approx((9.81 * math.cos(0.1) - 0.10 * 0.25) * 1e6, abs=0.51)


def test_accelerometer_bias_shifts_the_tangential_reading() -> None:
    """The bias of the tangential axis is added to it and to nothing else."""
    plant = smooth(lantern_calm())
    biased = replace(plant, accelerometer=replace(plant.accelerometer, bias_m_s2=0.25))
    scenario = Scenario(0.001, tilt_rad=0.1, hold_s=1.0, record_counts=True)
    straight, shifted = (fly(p, constant(0.0), scenario).counts for p in (plant, biased))
    assert straight is not None
    assert shifted is not None
    assert (shifted[0, :4] - straight[0, :4]).tolist() == [0, 250_000, 0, 0]


def test_readings_stop_at_the_end_of_their_range() -> None:
    """Values beyond the word read its largest or smallest count."""
    plant = smooth(lantern_calm())
    narrow = replace(
        plant,
        gyro=replace(plant.gyro, counts_max=127),
        accelerometer=replace(plant.accelerometer, counts_max=127, height_m=0.0),
        wheel_counts_max=127,
    )
    for sign in (1.0, -1.0):
        flight = fly(
            narrow,
            constant(0.0),
            Scenario(0.001, tilt_rad=sign * 0.5, rate_rad_s=sign, wheel_rad_s=sign * 200.0, record_counts=True),
        )
        end = 127 if sign > 0 else -128
        assert [int(counts_of(flight, column)[0]) for column in range(4)] == [end, end, 127, end]


def test_wheel_speed_reading_counts_whole_encoder_steps_in_its_window() -> None:
    """At constant speed the reading is a whole number next to the true value, and right on average."""
    plant = smooth(lantern_calm())
    for speed in (3.7, -3.7, 101.3):
        flight = fly(plant, constant(0.0), Scenario(5.0, hold_s=6.0, wheel_rad_s=speed, record_counts=True))
        reading = counts_of(flight, 3)
        exact = speed * plant.wheel_counts_per_rad_s
        assert set(np.unique(reading)) == {math.floor(exact), math.ceil(exact)}
        assert reading.mean() == pytest.approx(exact, abs=2e-3)


def test_wheel_speed_reading_lags_by_its_window() -> None:
    """After a step of speed the reading has its new value once the whole window lies behind the step."""
    plant = replace(smooth(lantern_calm()), wheel_window_ticks=10, wheel_counts_per_rad_s=1e4)
    flight = fly(plant, constant(0.0), Scenario(0.05, pokes=((0.02, 1e-6),), record_counts=True))
    reading = counts_of(flight, 3)
    jump = 1e-6 / plant.body_inertia_kg_m2
    assert not reading[:21].any()
    assert reading[30] == pytest.approx(-1e4 * jump, abs=1.01)
    assert reading[25] == pytest.approx(-0.5e4 * jump, abs=1.01)


def test_noise_is_white_and_normal_with_the_stated_density() -> None:
    """Without a low-pass, readings scatter normally with sigma = density sqrt(1 / 2T), tick by tick anew."""
    plant = smooth(lantern_calm())
    density = math.radians(0.005)
    noisy = replace(plant, gyro=replace(plant.gyro, noise_rad_s_sqrt_hz=density, counts_per_rad_s=1e8))
    flight = fly(noisy, constant(0.0), Scenario(200.0, hold_s=300.0, record_counts=True))
    rate = counts_of(flight, 0) / 1e8
    sigma = density * math.sqrt(500.0)
    assert rate.std() == pytest.approx(sigma, rel=5 / math.sqrt(2 * len(rate)))
    assert kstest(rate / sigma, "norm").pvalue > 1e-3
    # Beyond 3.5 sigma the generator works differently; the count there is binomial.
    beyond, expected = np.count_nonzero(np.abs(rate) > 3.5 * sigma), len(rate) * math.erfc(3.5 / math.sqrt(2))
    assert abs(beyond - expected) < 5 * math.sqrt(expected)
    assert abs(np.corrcoef(rate[1:], rate[:-1])[0, 1]) < 5 / math.sqrt(len(rate))


def test_low_passed_noise_has_its_density_at_low_frequency_and_falls_at_the_corner() -> None:
    """The spectrum (scipy's Welch estimate) shows the stated density, and half its power at the corner."""
    plant = smooth(lantern_calm())
    density, corner = 300e-6 * 9.80665, 40.0
    noisy = replace(
        plant,
        accelerometer=replace(plant.accelerometer, noise_m_s2_sqrt_hz=density, low_pass_hz=corner, counts_per_m_s2=1e7),
    )
    flight = fly(noisy, constant(0.0), Scenario(400.0, hold_s=500.0, record_counts=True))
    frequency, power = welch(counts_of(flight, 1) / 1e7, fs=1000.0, nperseg=2000)
    low = power[(frequency > 1) & (frequency < 5)].mean()
    middle = power[(frequency > corner - 2) & (frequency < corner + 2)].mean()
    assert low == pytest.approx(density**2, rel=0.05)
    assert middle == pytest.approx(density**2 / 2, rel=0.05)


def test_low_pass_lags_a_ramp_by_its_time_constant() -> None:
    """A steadily growing rate is read as it was one filter time constant ago."""
    corner = 30.0
    plant = replace(smooth(lantern_calm()), gravity_torque_n_m=1e-12)
    filtered = replace(plant, gyro=replace(plant.gyro, low_pass_hz=corner))
    scenario = Scenario(0.5, pushes=((0.0, 1.0, 1e-3),), record_counts=True)
    straight, lagging = (counts_of(fly(p, constant(0.0), scenario), 0) for p in (plant, filtered))
    slope = 1e-3 / plant.body_inertia_kg_m2 * 1e6
    assert (straight - lagging)[200:] == pytest.approx(slope / (2 * math.pi * corner), abs=1.01)


# Faults


def test_stale_sensors_keep_their_last_values_and_say_so() -> None:
    """During the fault nothing changes and sensor_fresh is 0; afterwards the readings are live again."""
    plant = lantern_calm()
    clean = fly(plant, constant(50.0), Scenario(0.3, record_counts=True)).counts
    stale = fly(plant, constant(50.0), Scenario(0.3, faults=(("stale", 0.1, 0.2),), record_counts=True)).counts
    assert clean is not None
    assert stale is not None
    assert (stale[:100] == clean[:100]).all()
    assert (stale[100:200, :4] == clean[99, :4]).all()
    assert (stale[200:] == clean[200:]).all()
    assert stale[:, 5].tolist() == [1] * 100 + [0] * 100 + [1] * 100


@pytest.mark.parametrize(("kind", "columns"), [("frozen_gyro", [0]), ("frozen_accelerometer", [1, 2])])
def test_frozen_sensor_stops_without_a_word(kind: str, columns: list[int]) -> None:
    """Only that sensor's readings stop changing, and the fresh flag stays 1."""
    plant = lantern_calm()
    clean = fly(plant, constant(50.0), Scenario(0.3, record_counts=True)).counts
    frozen = fly(plant, constant(50.0), Scenario(0.3, faults=((kind, 0.1, 0.2),), record_counts=True)).counts
    assert clean is not None
    assert frozen is not None
    expected = clean.copy()
    expected[100:200, columns] = clean[99, columns]
    assert (frozen == expected).all()
