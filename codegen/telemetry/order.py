"""Lines that turn with the wheel: order analysis.

Takes a signal and the wheel's speed, gives the amplitude at so many periods per turn. The angle is the wheel's own, summed from its
counter, so a line stays sharp while the speed wanders; an unbalanced wheel shows at order 1, cogging at its periods per turn.
Common practice of machine vibration, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter
from scipy.signal import welch

from codegen.plant import Plant
from codegen.telemetry.readings import Readings

RealArray = NDArray[np.float64]

SEGMENT_PERIODS, LEAST_SEGMENT_S = 6.0, 2.0
"""A segment holds so many periods of the line, and lasts so long at least."""

FEWEST_SEGMENTS = 4
ASIDE_BINS = (3.0, 4.5, 6.0)
"""Distance, in widths of a segment's resolution, to either side of a line, at which the floor is taken."""

HIGHEST_SHARE = 0.9
"""Of half the sampling rate: no line is looked for above."""

COARSE_RAD = 0.5
"""A step of the counter larger than this share of a line's period asks for smoothing."""

SMOOTHED_S, FINE_STEP_RAD = 0.25, 0.02


@dataclass(frozen=True)
class Line:
    """A line at an order.

    Attributes:
        order: Periods per turn of the wheel.
        frequency_hz: At the mean speed.
        amplitude: Of the signal, its floor taken off.
        ratio: Power over that of the floor beside it.
    """

    order: float
    frequency_hz: float
    amplitude: float
    ratio: float


def turned_angle(wheel_rad_s: RealArray, period_s: float) -> RealArray:
    """Angle of the wheel in rad, from its readings: counts that are differences add up without drift."""
    return np.asarray(np.cumsum(wheel_rad_s) * period_s)


REAL_LINE = 6.0
"""Power over its floor from which a line is believed."""

HIGHEST_ORDER = 200
LIKELY, NEIGHBOURS, MOST_CANDIDATES = 3.0, 41, 6


def step_angle(plant: Plant) -> float:
    """Angle in rad of one count of the wheel's counter."""
    return plant.wheel_window_ticks * plant.period_s / plant.wheel_counts_per_rad_s


def find_cogging(calm: Readings, built: Plant) -> Line | None:
    """The strongest line of the tilt rate that turns with the wheel at two periods per turn or more; None if none is real."""
    lines = [
        find_line(calm.rate_rad_s, calm.wheel_rad_s, calm.period_s, float(order), step_angle(built))
        for order in _likely_orders(calm, step_angle(built))[:MOST_CANDIDATES]
    ]
    seen = [line for line in lines if line is not None and line.ratio > REAL_LINE]
    # A torque's line in the rate falls with its frequency; harmonics of the torque are weaker than itself.
    return max(seen, key=lambda line: line.amplitude * line.frequency_hz, default=None)


def _likely_orders(calm: Readings, step_rad: float) -> list[int]:
    """Whole orders from 2 on that stand out of the spectrum over the wheel's angle, the strongest torque first."""
    angle = turned_angle(calm.wheel_rad_s, calm.period_s)
    # Smoothing helps a coarse counter, and spoils the angle of a wheel whose speed swings.
    width = max(1, round(SMOOTHED_S / calm.period_s)) if step_rad > FINE_STEP_RAD else 1
    smooth = np.convolve(angle, np.ones(width) / width, "valid") * np.sign(angle[-1] - angle[0])
    backward = np.flatnonzero(np.diff(smooth) <= 0.0)
    first = int(backward[-1]) + 1 if len(backward) else 0
    steady = smooth[first:] - smooth[first]
    if len(steady) < 0.5 * len(angle) or steady[-1] < FEWEST_SEGMENTS * SEGMENT_PERIODS * 2.0 * np.pi:
        return []
    even = np.linspace(steady[0], steady[-1], len(steady))
    signal = np.interp(even, steady, calm.rate_rad_s[first + width // 2 : first + width // 2 + len(steady)])
    per_turn = len(steady) / (steady[-1] - steady[0]) * 2.0 * np.pi
    length = round(2.0 * SEGMENT_PERIODS * per_turn)
    orders, density = welch(signal, fs=per_turn, nperseg=min(len(signal), length), average="median")
    floor = median_filter(density, NEIGHBOURS, mode="nearest")
    found: dict[int, float] = {}
    for place in np.flatnonzero((density > LIKELY * floor) & (orders >= 1.5) & (orders <= HIGHEST_SHARE * 0.5 * per_turn)):
        order = round(float(orders[place]))
        if 2 <= order <= HIGHEST_ORDER and abs(orders[place] - order) <= 2.0 * (orders[1] - orders[0]):
            found[order] = max(found.get(order, 0.0), float(np.sqrt(density[place])) * order)
    return sorted(found, key=lambda order: -found[order])


def find_unbalance(calm: Readings, built: Plant) -> Line | None:
    """The line of the tilt rate at the wheel's own speed; None if it is not real."""
    line = find_line(calm.rate_rad_s, calm.wheel_rad_s, calm.period_s, 1.0, step_angle(built))
    return line if line is not None and line.ratio > REAL_LINE else None


def find_line(signal: RealArray, wheel_rad_s: RealArray, period_s: float, order: float, step_rad: float) -> Line | None:
    """The line at ``order``, or None where the wheel turns too little to tell; ``step_rad`` is a count of its counter."""
    angle = turned_angle(wheel_rad_s, period_s)
    speed = abs(float(angle[-1] - angle[0])) / (len(angle) * period_s)
    seconds = max(LEAST_SEGMENT_S, SEGMENT_PERIODS * 2.0 * np.pi / (order * speed)) if speed > 0.0 else np.inf
    if len(signal) * period_s < 0.5 * (FEWEST_SEGMENTS + 1) * seconds or order * speed * period_s > HIGHEST_SHARE * np.pi:
        return None
    if order * step_rad > COARSE_RAD:
        width = max(1, round(SMOOTHED_S / period_s))
        angle = np.convolve(np.pad(angle, width, mode="reflect", reflect_type="odd"), np.ones(width) / width, "same")[width:-width]
    aside = [2.0 * np.pi * bins / seconds / speed for bins in ASIDE_BINS]
    beside = [order + sign * step for step in aside for sign in (-1.0, 1.0) if order + sign * step > 0.2 * order]
    length = round(seconds / period_s)
    power = _power(signal, angle, length, order)
    floor = float(np.median([_power(signal, angle, length, other) for other in beside]))
    return Line(order, order * speed / (2.0 * np.pi), float(np.sqrt(max(0.0, power - floor))), power / floor if floor > 0.0 else np.inf)


def _power(signal: RealArray, angle: RealArray, length: int, order: float) -> float:
    """Mean square amplitude over half-overlapping segments of ``length`` ticks."""
    window = np.hanning(length)
    powers = []
    for first in range(0, len(signal) - length + 1, max(1, length // 2)):
        part, turn = signal[first : first + length], angle[first : first + length]
        found = 2.0 * np.sum(window * (part - np.mean(part)) * np.exp(-1j * order * turn)) / np.sum(window)
        powers.append(abs(found) ** 2)
    return float(np.mean(powers)) if powers else 0.0
