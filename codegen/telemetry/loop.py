"""Latency, loop gain and gyro noise as flown, from the spectrum of the gyro.

Takes readings, the controller's graph and the plant, gives ``LoopEstimate``. Sensor noise runs round the loop, so what the gyro shows is
coloured by the loop it flies in: little below the crossover, more where the margins are thin, the bare noise above. For each latency the
linear closed loop (the law read from its graph) says how; the likeliest one is taken. A correlation of command and gyro would not do:
in a closed loop the command answers the gyro, too.

Source: P. Whittle, "Estimation and information in stationary time series", Arkiv for Matematik 2 (1953): the likelihood of a spectrum,
here of one averaged over segments (P. D. Welch, IEEE Trans. Audio Electroacoustics 15 (1967)); from memory.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter
from scipy.optimize import minimize
from scipy.signal import detrend, spectrogram

from codegen.control.examine import LinearLoop
from codegen.control.loop import surround
from codegen.design.machine import sample_machine
from codegen.plant import Plant
from codegen.telemetry.drive import Figure
from codegen.telemetry.readings import Readings

RealArray = NDArray[np.float64]

SEGMENT_S = 4.0
LOWEST_HZ = 1.5
"""Below, the outer loop, friction and the accelerometer rule."""

HIGHEST_SHARE = 0.3
"""Of half the sampling rate; above, the sensor's own filter rules, of which the build file knows the corner at best."""

LINE = 2.0
"""A bin that stands out of its neighbours' median by this factor is a line (cogging, unbalance) and left out."""

BROAD_LINE, ROUNDS = 1.6, 2
"""The same for a line that wanders with the wheel's speed: a band that stands out of the fitted spectrum by this factor."""

NEIGHBOURS = 41
OVERLAP = 0.5
INDEPENDENT_SHARE = 0.947 / 1.5
"""Independent averages per bin and segment: 0.947 for half-overlapping Hann segments (Welch 1967), over the 1.5 bins that each of them
smears a frequency over (both from memory)."""

QUIET = 1.5
"""Power over the segments' median up to which a segment is taken."""

BANDS = 80
LONGEST_PER_DIVERGENCE = 0.3
"""Longest latency tried, over the time in which a fall grows by a factor e: no loop stands with more."""

LIKELY = 1.92
"""Fall of the log likelihood at the ends of a 95 % interval: half the chi-squared quantile for one number."""

NOISE_FLOOR = 0.05
"""Least relative error of a noise level: the sensor's own filter is known no better."""

FITTED = 6
MOST_LEVEL = 60.0
FINE_STEPS, COARSE_TICKS = 5, 2
GAIN_STEPS = (-2.0, -1.0, 0.0, 1.0, 2.0)
"""Loop gains tried, in standard deviations of what is known of it."""

LOOP_GAIN_SPREAD = 0.1
"""Standard deviation of the loop gain, relative, where nothing else is known of it."""


@dataclass(frozen=True)
class LoopEstimate:
    """The loop as flown.

    Attributes:
        latency_s: Likeliest latency.
        low_s, high_s: Its 95 % interval.
        loop_gain: Torque over inertia, relative to what the design took for granted.
        gyro_noise: Noise of the gyro over that of the build file.
        torque_noise_n_m: White torque noise on the wheel, per tick, that the rest of the spectrum asks for.
        spectrum: What the fit was made on: frequency in Hz and measured, fitted density in (rad/s)^2/Hz, each (k,).
    """

    latency_s: float
    low_s: float
    high_s: float
    loop_gain: Figure
    gyro_noise: Figure
    torque_noise_n_m: float
    spectrum: tuple[RealArray, RealArray, RealArray]


def gyro_spectrum(rate_rad_s: RealArray, period_s: float) -> tuple[RealArray, RealArray, int]:
    """Frequency in Hz, one-sided density, and how many segments were averaged: those in which nothing happened."""
    length = min(len(rate_rad_s), round(SEGMENT_S / period_s))
    overlap = round(OVERLAP * length)
    frequency, _, densities = spectrogram(
        rate_rad_s, fs=1.0 / period_s, window="hann", nperseg=length, noverlap=overlap, detrend=detrend, mode="psd"
    )
    # A poke and the way back from it are no noise.
    power = densities[frequency >= LOWEST_HZ].sum(axis=0)
    quiet = densities[:, power <= QUIET * np.median(power)]
    return np.asarray(frequency), np.asarray(quiet.mean(axis=1)), quiet.shape[1]


def lines_of(density: RealArray) -> NDArray[np.bool_]:
    """Which bins stand out of their neighbours."""
    return np.asarray(density > LINE * median_filter(density, NEIGHBOURS, mode="nearest"))


def in_bands(frequency: RealArray, density: RealArray) -> tuple[RealArray, RealArray, RealArray]:
    """Neighbouring bins averaged into ``BANDS`` bands of equal ratio: centre in Hz, density, bins in each; lines are left out."""
    found = lines_of(density)
    lines = found.copy()
    # A line leaks into the bins beside it.
    lines[1:] |= found[:-1]
    lines[:-1] |= found[1:]
    used = (frequency >= LOWEST_HZ) & (frequency <= HIGHEST_SHARE * frequency[-1]) & ~lines
    edges = np.geomspace(LOWEST_HZ, HIGHEST_SHARE * frequency[-1] * (1.0 + 1e-9), BANDS + 1)
    band = np.digitize(frequency[used], edges) - 1
    count = np.bincount(band, minlength=BANDS).astype(np.float64)
    full = count > 0.0
    centre = np.bincount(band, weights=frequency[used], minlength=BANDS)[full] / count[full]
    return centre, np.bincount(band, weights=density[used], minlength=BANDS)[full] / count[full], count[full]


def estimate_loop(readings: Readings, loop: LinearLoop, plant: Plant, torque_scale: Figure | None = None) -> LoopEstimate:
    """The likeliest loop; ``plant`` has the build file's numbers, ``torque_scale`` what the drive was found to give."""
    frequency, density, segments = gyro_spectrum(readings.rate_rad_s, readings.period_s)
    grid, seen, bins = in_bands(frequency, density)
    weight = bins * (segments * INDEPENDENT_SHARE if segments > 1 else 1.0)
    known = torque_scale if torque_scale is not None and torque_scale.error < LOOP_GAIN_SPREAD else Figure(1.0, LOOP_GAIN_SPREAD)
    spread = max(known.error / known.value, 0.01)
    longest = max(10.0 * plant.period_s, LONGEST_PER_DIVERGENCE / plant.divergence_rad_s)

    known_sources: dict[tuple[float, float], _Sources | None] = {}

    def fit(latency_s: float, off: float) -> _Fit:
        """Noise levels for a latency and a loop gain ``off`` standard deviations from what is known of it."""
        key = (latency_s, off)
        gain = known.value * (1.0 + spread * off)
        if key not in known_sources:
            known_sources[key] = _find_sources(loop, replace(plant, latency_s=latency_s), grid, gain)
        return _fit(known_sources[key], gain, seen, weight, 0.5 * off**2)

    # First roughly, without the bands that stand out of the best fit: wandering lines. Then around the best by half ticks, the loop's gain
    # at the best of these, and once more with that gain.
    coarse = np.arange(0.0, longest + 0.5 * plant.period_s, COARSE_TICKS * plant.period_s)
    for _ in range(ROUNDS):
        roughly = [fit(float(latency), 0.0) for latency in coarse]
        nearest = int(np.argmin([one.loss for one in roughly]))
        weight = np.where(seen > BROAD_LINE * roughly[nearest].density, 0.0, weight)
    around = coarse[nearest] + 0.5 * plant.period_s * np.arange(-FINE_STEPS, FINE_STEPS + 1)
    latencies = np.unique(np.clip(around, 0.0, None))
    off = 0.0
    for _ in range(ROUNDS):
        fits = [fit(float(latency), off) for latency in latencies]
        likeliest = float(latencies[int(np.argmin([one.loss for one in fits]))])
        off = min(GAIN_STEPS, key=lambda step: fit(likeliest, step).loss)
    fits = [fit(float(latency), off) for latency in latencies]
    losses = np.array([one.loss for one in fits])
    best = int(np.argmin(losses))
    chosen = fits[best]
    # Where the bands scatter by more than their number of averages allows, the likelihood is trusted less.
    scatter = float(np.sum(weight * (seen / chosen.density - 1.0) ** 2)) / max(1.0, float(np.sum(weight > 0.0)) - FITTED)
    likely = latencies[losses < losses[best] + LIKELY * max(1.0, scatter)]
    value, room = _lowest(latencies, losses, best), plant.period_s
    return LoopEstimate(
        latency_s=value,
        low_s=max(0.0, min(float(likely[0]), value) - room),
        high_s=max(float(likely[-1]), value) + room,
        loop_gain=Figure(chosen.gain, chosen.gain * spread),
        gyro_noise=Figure(chosen.noise, chosen.noise * max(NOISE_FLOOR, float(np.sqrt(0.5 / np.sum(weight))))),
        torque_noise_n_m=chosen.torque_n_m,
        spectrum=(grid, seen, chosen.density),
    )


@dataclass(frozen=True)
class _Fit:
    """The best noise levels for one latency and loop gain."""

    loss: float
    gain: float
    noise: float
    torque_n_m: float
    density: RealArray


@dataclass(frozen=True)
class _Sources:
    """One-sided densities, (rad/s)^2/Hz, of the gyro's reading in a closed loop, by what causes them.

    Attributes:
        rest: All sensors and quantisers without the gyro's noise.
        noise: That noise, as large as in the build file.
        jerk: White torque noise of ``unit_n_m`` per tick on the wheel.
        steps: Steps of the command of that size at every outer tick, which a coarse wheel counter makes.
        unit_n_m: The size.
    """

    rest: RealArray
    noise: RealArray
    jerk: RealArray
    steps: RealArray
    unit_n_m: float


def _fit(sources: _Sources | None, gain: float, seen: RealArray, weight: RealArray, penalty: float) -> _Fit:
    if sources is None:
        # A robot that stands flies no such loop.
        return _Fit(np.inf, gain, 1.0, 0.0, np.full_like(seen, np.inf))
    parts = np.stack([sources.noise, sources.jerk, sources.rest, sources.steps])

    def density(x: RealArray) -> RealArray:
        # Coarse counters are noisier in theory than in flight, so the rest may be less than it should.
        levels = np.exp(np.clip(2.0 * x, -MOST_LEVEL, MOST_LEVEL))
        levels[2] = min(1.0, levels[2])
        return np.asarray(levels @ parts)

    def loss(x: RealArray) -> float:
        model = density(x)
        return float(np.sum(weight * (np.log(model) + seen / model)))

    solved = minimize(loss, np.zeros(4), method="Nelder-Mead", options={"xatol": 1e-2, "fatol": 0.05, "maxiter": 500})
    x = np.asarray(solved.x)
    return _Fit(float(solved.fun) + penalty, gain, float(np.exp(x[0])), float(np.exp(x[1]) * sources.unit_n_m), density(x))


def _lowest(candidates: RealArray, loss: RealArray, best: int) -> float:
    """Lowest point of the parabola through the best candidate and its neighbours."""
    if not 0 < best < len(loss) - 1 or not np.all(np.isfinite(loss[best - 1 : best + 2])):
        return float(candidates[best])
    left, middle, right = loss[best - 1 : best + 2]
    bend = left - 2.0 * middle + right
    shift = 0.5 * (left - right) / bend if bend > 0.0 else 0.0
    return float(candidates[best] + shift * (candidates[1] - candidates[0]))


def _find_sources(loop: LinearLoop, plant: Plant, frequency_hz: RealArray, gain: float) -> _Sources | None:
    """The sources in the loop of one plant and loop gain; None if it is not stable."""
    closed = loop.closed(replace(plant, gyro=replace(plant.gyro, noise_rad_s_sqrt_hz=0.0)), gain)
    if closed.radius() >= 1.0:
        return None
    unit_n_m = 1e-3 * plant.torque_limit_n_m
    around, machine = surround(plant, gain), sample_machine(plant, gain)
    size, states = len(closed.states), len(around.states)
    shown, entry, push = np.zeros(size), np.zeros(size), np.zeros(size)
    shown[:states] = around.readings["gyro_rate"]
    kept = [place for place, name in enumerate(machine.states) if name != "wheel_turn"]
    push[: len(kept)] = unit_n_m * machine.torque[kept]
    # Noise joins a reading that is under way, or one that the controller uses at once.
    at_once = 0.0
    if machine.late_ticks:
        entry[around.states.index("gyro_1")] = 1.0
    else:
        memory, direct = loop.columns(loop.controller.ordinary)
        entry[:states], entry[states:], at_once = around.B * direct[0], memory[:, 0], 1.0
    shift = np.exp(2j * np.pi * frequency_hz * plant.period_s)
    # One row per frequency: what each state becomes in the reading.
    matrices = shift[:, None, None] * np.eye(size) - closed.fast.T
    row = np.linalg.solve(matrices, np.broadcast_to(shown[:, None], (len(shift), size, 1)))[:, :, 0]
    noise = plant.gyro.noise_rad_s_sqrt_hz**2 * np.abs((row @ entry + at_once) * _low_pass(plant, shift)) ** 2

    def seen(covariance: RealArray) -> RealArray:
        return np.asarray(2.0 * plant.period_s * np.real(np.sum((row @ covariance) * np.conj(row), axis=1)))

    stepping = np.zeros(size)
    stepping[:states] = around.B * unit_n_m / _command_unit(plant)
    ticks = plant.outer_divider
    held = np.abs((1.0 - shift**-ticks) / (1.0 - 1.0 / shift)) ** 2 / ticks
    steps = held * seen(np.outer(stepping, stepping))
    return _Sources(seen(closed.fast_noise), np.asarray(noise), seen(np.outer(push, push)), steps, unit_n_m)


def _command_unit(plant: Plant) -> float:
    """N m per A, or per V at standstill."""
    return plant.torque_constant / (plant.resistance_ohm if plant.voltage_drive else 1.0)


def _low_pass(plant: Plant, shift: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """The gyro's low-pass for a signal that runs straight between its samples, as the simulator has it."""
    if plant.gyro.low_pass_hz <= 0.0:
        return np.ones_like(shift)
    ticks = plant.period_s * 2.0 * np.pi * plant.gyro.low_pass_hz
    keep = np.exp(-ticks)
    lag = (1.0 - keep) / ticks
    passed: NDArray[np.complex128] = ((1.0 - lag) + (lag - keep) / shift) / (1.0 - keep / shift)
    return passed
