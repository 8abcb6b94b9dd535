"""A diagnosis as one picture: the spectrum of the tilt rate with its named lines, and the causes with their shares.

Takes a ``Diagnosis``, gives SVG text.
"""

from __future__ import annotations

import math

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray
from scipy.signal import detrend, welch

from codegen.diagnosis import Diagnosis, Twin
from codegen.report.draw import BLUE, GREEN, GREY, INK, ORANGE, PURPLE, RED, svg_text
from codegen.telemetry import Readings

SEGMENT_S = 4.0
LOWEST_HZ = 0.3
MOST_BARS = 6
HEIGHT_IN = 6.4
NEVER_BELOW = 0.005
RealArray = NDArray[np.float64]


def draw_diagnosis(title: str, diagnosis: Diagnosis, twin: Twin) -> str:
    """SVG text; of a diagnosis that looked into the motion."""

    def paint(canvas: Figure) -> None:
        above, below = np.asarray(canvas.subfigures(2, 1, height_ratios=[3.6, 2.6]))
        _spectrum(above.subplots(), diagnosis, twin)
        above.suptitle(_headline(title, diagnosis), x=0.01, ha="left", fontsize=9.0, color=INK, parse_math=False)
        _bars(below.subplots(), diagnosis)
        below.suptitle("What the motion is made of", x=0.01, ha="left", fontsize=9.0, color=INK)

    return svg_text(paint, "diagnosis", HEIGHT_IN)


def _headline(title: str, diagnosis: Diagnosis) -> str:
    shares = diagnosis.shares
    if shares is None:
        return f"{title}: {diagnosis.first}"
    noun, value, expected, unit = (
        ("sways", shares.motion.sway_rad, shares.expected.sway_rad, "deg RMS")
        if shares.measure == "sway"
        else ("shakes", shares.motion.shake_rad_s, shares.expected.shake_rad_s, "deg/s RMS")
    )
    alone = f"its sensors' noise alone {math.degrees(expected):.2g}"
    size = "falls" if math.isinf(value) else f"{noun} by {math.degrees(value):.2g} {unit}, {alone}"
    stop = f"\nstopped by: {diagnosis.stop.name}" if diagnosis.stop is not None else ""
    return f"{title}\n{size}{stop}"


def _density(readings: Readings) -> tuple[RealArray, RealArray]:
    """Frequency and amplitude density of the tilt rate, deg/s/sqrt(Hz)."""
    length = min(readings.ticks, round(SEGMENT_S / readings.period_s))
    frequency, density = welch(np.degrees(readings.rate_rad_s), fs=1.0 / readings.period_s, nperseg=length, detrend=detrend)
    kept = frequency >= LOWEST_HZ
    return np.asarray(frequency[kept]), np.sqrt(density[kept])


def _spectrum(axes: Axes, diagnosis: Diagnosis, twin: Twin) -> None:
    log, shown = diagnosis.readings
    tops: list[RealArray] = []
    for readings, color, label, width in ((shown, ORANGE, "twin", 1.1), (log, BLUE, "log", 0.9)):
        if readings is not None and readings.ticks * readings.period_s > 2.0 * SEGMENT_S:
            frequency, density = _density(readings)
            axes.loglog(frequency, density, color=color, linewidth=width, label=label)
            tops.append(density)
    axes.set_xlabel("frequency, Hz")
    axes.set_ylabel("tilt rate seen by the gyro, deg/s/√Hz")
    axes.grid(visible=True, which="major")
    if log is not None and shown is not None:
        axes.legend(loc="lower left")
    if tops:
        low, high = min(float(top.min()) for top in tops), max(float(top.max()) for top in tops)
        axes.set_ylim(0.6 * low, 12.0 * high)
        axes.set_xlim(LOWEST_HZ, None)
        _name_lines(axes, diagnosis, twin, log or shown)


def _name_lines(axes: Axes, diagnosis: Diagnosis, twin: Twin, readings: Readings | None) -> None:
    """Vertical lines with what turns, swings or rings there."""
    if readings is None or not readings.ticks:
        return
    speed = abs(float(np.mean(readings.wheel_rad_s))) / (2.0 * math.pi)
    plant = twin.designed.plant
    named: list[tuple[float, str, str]] = [(1.0 / (plant.outer_divider * plant.period_s), "outer loop", GREY)]
    found = None if diagnosis.estimated is None else diagnosis.estimated.found
    crossover = twin.designed.design.margins.crossover_rad_s if found is None else found.margins.crossover_rad_s
    if crossover > 0.0:
        named.append((crossover / (2.0 * math.pi), "crossover", PURPLE))
    flown = None if diagnosis.estimated is None else diagnosis.estimated.flown.plant
    order = (flown or plant).cogging_per_rev
    if found is None or found.cogging is not None:
        named.append((order * speed, f"cogging, {order:.0f} × wheel", GREEN))
    named.append((speed, "wheel, 1 ×", RED))
    left, right = axes.get_xlim()
    for place, (frequency, label, color) in enumerate(sorted(line for line in named if left < line[0] < right)):
        axes.axvline(frequency, color=color, linestyle=":", linewidth=1.1)
        height = 0.97 - 0.075 * (place % 4)
        late = math.log(frequency / left) / math.log(right / left) > 0.7
        axes.text(
            frequency,
            height,
            f"{label} " if late else f" {label}",
            transform=axes.get_xaxis_transform(),
            color=color,
            fontsize=8.0,
            ha="right" if late else "left",
            va="top",
        )


def _bars(axes: Axes, diagnosis: Diagnosis) -> None:
    shown = [cause for cause in diagnosis.causes[:MOST_BARS] if cause.share >= NEVER_BELOW][::-1]
    axes.set_xlabel("share of the motion, %")
    axes.grid(visible=False, axis="y")
    axes.set_axisbelow(True)
    if not shown:
        axes.text(0.0, 0.5, "nothing that was looked for moves it", transform=axes.transAxes, color=GREY)
        axes.set_axis_off()
        return
    axes.barh([cause.title for cause in shown], [100.0 * cause.share for cause in shown], color=BLUE, height=0.7)
    axes.set_xlim(0.0, 100.0)
