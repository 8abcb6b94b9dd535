"""The inertial sensor at rest: noise densities by Allan deviation, and the gyro's bias.

A one-sided density d gives white readings whose mean over a time tau has the Allan deviation d/sqrt(2 tau); the "angle random walk" N of
IEEE Std 952 is d/sqrt(2). Build files hold d, as data sheets do.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from codegen.bench.allan import allan_deviation, averaging_samples, degrees_of_freedom
from codegen.bench.estimate import NORMAL_95, Estimate
from codegen.bench.experiment import Curve, Experiment, estimate_ratio
from codegen.bench.grid import bridged
from codegen.bench.series import Series
from codegen.build import Build
from codegen.errors import BenchError
from codegen.plant import STANDARD_GRAVITY_M_S2

QUANTITIES = ("gyro", "accel_tangential", "accel_radial")
SHORTEST_S = 10.0
# Averages over this many time constants of the sensor's low-pass; shorter ones have less noise in them than their density says.
LOW_PASS_TIMES = 20.0
# Where the build file names no low-pass.
AVERAGE_S = 0.05
NOISE_FLOOR = 0.02
SLOW_LOG = 1.5
# Bias moves with temperature, by 0.005 to 0.08 deg/s per kelvin (data sheets of small sensors, read as web pages quote them), and a
# room changes by a few kelvin between the bench and the show.
BIAS_DRIFT_DPS = 0.1
MOVING_RATIO = 4.0
MOVING_AVERAGE_S = 1.0

RealArray = NDArray[np.float64]


def measure_rest(series: Series, build: Build) -> Experiment:
    """Read noise and bias off a log of the resting sensor.

    Raises:
        BenchError: Too short, moving, or a reading that never changes.
    """
    if series.seconds < SHORTEST_S:
        raise BenchError(
            f"the log at rest lasts {series.seconds:.3g} s", series.log.place(), f"log at least {SHORTEST_S:.0f} s, better 60 s"
        )
    ratios: dict[str, Estimate] = {}
    curves: list[Curve] = []
    notes = list(series.notes)
    if series.period_s * build.loop.inner_hz.value > SLOW_LOG:
        notes.append(
            f"readings are {1e3 * series.period_s:.3g} ms apart, the controller reads every {1e3 / build.loop.inner_hz.value:.3g} ms: "
            "noise between the readings is folded into them and makes the density look too large"
        )
    words: list[str] = []
    for quantity, key, scale, unit, low_pass in (
        ("gyro", "gyro_noise", 180 / math.pi, "deg/s", build.gyro.low_pass_hz),
        ("accel_tangential", "accelerometer_noise", 1e6 / STANDARD_GRAVITY_M_S2, "ug", build.accelerometer.low_pass_hz),
    ):
        if quantity not in series.values:
            continue
        readings = scale * bridged(series.values[quantity])
        corner = None if low_pass is None else low_pass.value
        density, curve = _noise(series, quantity, readings, unit, corner, notes)
        ratios[key] = estimate_ratio(key, density[0], (density[1], density[1]), NOISE_FLOOR, series.log.file_name)
        curves.append(curve)
        words.append(f"{ratios[key].name} {density[0]:.3g} {ratios[key].unit}")
        if quantity == "gyro":
            ratios["gyro_bias"] = _bias(readings, series)
            words.append(f"bias {ratios['gyro_bias'].value:.3g} deg/s")
    if not curves:
        raise BenchError("a log at rest needs gyro or accelerometer", series.log.place(), "add gyro_dps, accel_tangential_g, ...")
    headline = f"Allan deviation at rest, {series.seconds:.3g} s: {', '.join(words)}"
    return Experiment("rest", series.log.file_name, headline, ratios, tuple(curves), "averaging time, s", True, tuple(notes))


def _noise(
    series: Series, quantity: str, readings: RealArray, unit: str, low_pass_hz: float | None, notes: list[str]
) -> tuple[tuple[float, float], Curve]:
    """((density, half-width), its curve)."""
    place = series.log.place(0, quantity)
    values = np.unique(readings)
    if len(values) < 4:
        raise BenchError(
            f"the reading at rest takes {len(values)} different values only: its steps hide the noise",
            place,
            "log raw counts at the sensor's finest range, without rounding",
        )
    count, period = len(readings), series.period_s
    lag_s = 1.0 / (2 * math.pi * low_pass_hz) if low_pass_hz else 0.0
    chosen = max(1, round((LOW_PASS_TIMES * lag_s or AVERAGE_S) / period))
    if chosen * 50 > count:
        raise BenchError("the log is too short for its sample rate", place, "log the resting sensor for 60 s")
    density = allan_deviation(readings, chosen) * math.sqrt(2 * chosen * period) / low_passed_share(chosen * period, lag_s)
    half_width = density * NORMAL_95 / math.sqrt(2.0 * degrees_of_freedom(count, chosen))
    second = max(chosen, round(MOVING_AVERAGE_S / period))
    if second * 6 < count and allan_deviation(readings, second) * math.sqrt(2 * second * period) > MOVING_RATIO * density:
        raise BenchError(
            f"means over {second * period:.3g} s scatter more than {MOVING_RATIO:g} times as much as noise does: the body moved",
            place,
            "lay the body down so that nothing moves it, drive off, and log again",
        )
    samples = averaging_samples(count)
    times = np.array(samples) * period
    deviations = np.array([allan_deviation(readings, m) for m in samples])
    white = density / np.sqrt(2 * times) * np.array([low_passed_share(time, lag_s) for time in times])
    label = {"gyro": "gyro", "accel_tangential": "accelerometer"}[quantity]
    residual = 100.0 * (deviations / white - 1.0)
    return (density, half_width), Curve(f"{label}, {unit}", times, deviations, white, residual, "residual\n%", markers=True)


def low_passed_share(average_s: float, lag_s: float) -> float:
    """Allan deviation of white noise behind a first-order low-pass, over that of the noise itself.

    Source: exponentially correlated (Markov) noise, IEEE Std 952-1997, annex C.1.4 (from memory; tests check it by simulation).
    """
    if lag_s == 0.0:
        return 1.0
    x = average_s / lag_s
    return math.sqrt(1.0 - (3.0 - 4.0 * math.exp(-x) + math.exp(-2.0 * x)) / (2.0 * x))


def _bias(readings: RealArray, series: Series) -> Estimate:
    """Mean of the gyro; its spread by the longest Allan deviation that is still well known, or by white noise if larger."""
    tenth = max(1, len(readings) // 10)
    slow = allan_deviation(readings, tenth) / math.sqrt(10.0)
    half_width = 2.3 * max(slow, float(np.std(readings)) / math.sqrt(len(readings)))
    bias = float(np.mean(readings))
    widened = math.hypot(half_width, BIAS_DRIFT_DPS)
    return estimate_ratio("gyro_bias", bias, (widened, widened), 0.0, series.log.file_name)
