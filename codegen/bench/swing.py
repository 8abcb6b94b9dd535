"""The hanging swing: body upside down, let go from some 10 to 30 degrees, wheel taped to it (or free).

Takes the series of a gyro or an angle sensor, gives (I + J)/G or I/G, and the pivot's friction. The amplitude is part of the model: a
swing of 30 degrees lasts 1.7 % longer than a small one.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from codegen.bench.columns import COUNTS
from codegen.bench.estimate import SYSTEMATIC_SHARE, Estimate
from codegen.bench.experiment import Curve, Experiment, estimate_ratio
from codegen.bench.grid import bridged, make_grid
from codegen.bench.pendulum import BETA, GAMMA, START, START_RATE, STEPS_PER_SWING, UNSETTLED, A, PendulumFit, fit_pendulum, guess_taped
from codegen.bench.series import Series
from codegen.build import Build
from codegen.errors import BenchError

QUANTITIES = ("gyro", "tilt", "wheel")
FEWEST_SWINGS, MOST_SWINGS = 5, 100
LEAST_SHARE = 0.08
LEAST_AMPLITUDE_DEG, MOST_AMPLITUDE_DEG = 1.0, 170.0
SHORTEST_SWING_S, LONGEST_SWING_S = 0.1, 10.0
STILL_SHARE, FREE_SHARE = 0.05, 0.9
# From here on it is asked whether the period changed during the swing.
SUSPICIOUS_MISFIT = 2.0
SLIP_SHARE = 0.005
LEFT_OVER = 0.05
# Of the square of the swing's speed: a crystal clock runs true to 50 parts in a million (common practice, no source).
CLOCK_SHARE = 1e-4

RealArray = NDArray[np.float64]


def measure_swing(series: Series, build: Build) -> Experiment:
    """Fit a swing.

    Raises:
        BenchError: No swing can be seen, or it is not what it is declared to be.
    """
    quantity = "gyro" if "gyro" in series.values else "tilt"
    if quantity not in series.values:
        raise BenchError("a swing needs a gyro or an angle", series.log.place(), "add a column gyro_dps, gyro_counts, tilt_deg, ...")
    if quantity == "tilt":
        series = replace(series, values={**series.values, "tilt": _unwrapped(series.values["tilt"])})
    fit, step_s, times = _fit(series, quantity)
    amplitude = float(np.max(np.abs(fit.tilt_rad)))
    _check_amplitude(series, quantity, amplitude)
    if not _explained(fit):
        _slip(series, quantity, step_s, "undecided")
        raise BenchError(
            "the reading is no swing of a body that hangs and is left alone",
            series.log.place(0, quantity),
            "give one release per log, cut off what is before it, and touch nothing until it is at rest",
        )
    a = float(fit.parameters[A])
    period = 2 * math.pi / math.sqrt(a)
    wheel, notes = _state_of_wheel(series, quantity)
    notes += [] if fit.converged else [UNSETTLED]
    misfit = _misfit(series, build, quantity, fit, step_s)
    if misfit is not None and misfit > SUSPICIOUS_MISFIT:
        notes += _slip(series, quantity, step_s, wheel)
    source = series.log.file_name
    ratios = {wheel: _ratio(fit, wheel, [(A, -1 / a**2)], 1 / a, source)}
    if wheel != "free":
        for key, place in (("pivot_damping", BETA), ("pivot_coulomb", GAMMA)):
            value = float(fit.parameters[place]) / a
            ratios[key] = _ratio(fit, key, [(place, 1 / a), (A, -value / a)], value, source, SYSTEMATIC_SHARE)
    words = {"locked": "wheel taped", "free": "wheel free", "undecided": "wheel not declared"}[wheel]
    headline = f"hanging swing, {words}: small swings last {period:.5f} s; from {math.degrees(amplitude):.3g} deg"
    scale, unit = (180 / math.pi, "deg/s" if quantity == "gyro" else "deg")
    label = "rate of tilt" if quantity == "gyro" else "tilt"
    curve = Curve(
        f"{label}, {unit}", times, scale * (fit.predicted + fit.residual), scale * fit.predicted, scale * fit.residual, f"residual\n{unit}"
    )
    return Experiment("swing", source, headline, ratios, (curve,), notes=(*series.notes, *notes), misfit=misfit)


def _fit(series: Series, quantity: str) -> tuple[PendulumFit, float, RealArray]:
    """The fit, the length of its steps, and their middles since the first sample."""
    where = series.log.place(0, quantity)
    try:
        guess = guess_taped(make_grid(series, 0.005), quantity)
    except ValueError:
        raise BenchError(
            "no swing can be seen: the reading does not go back and forth",
            where,
            "log a body that hangs free and swings; see loopwright measure --guide",
        ) from None
    period = 2 * math.pi / math.sqrt(guess[A])
    if not SHORTEST_SWING_S < period < LONGEST_SWING_S:
        raise BenchError(f"the swing lasts {period:.3g} s, which no small machine's does", where, "check the unit of the time column")
    _check_amplitude(series, quantity, float(np.hypot(guess[START], guess[START_RATE] / math.sqrt(guess[A]))))
    if series.period_s > 0.1 * period:
        raise BenchError(
            f"a swing of {period:.3g} s has {period / series.period_s:.2g} samples only", where, "log at least 20 samples per swing"
        )
    if series.seconds < FEWEST_SWINGS * period:
        raise BenchError(
            f"the log holds {series.seconds / period:.1f} swings only",
            where,
            f"log at least {FEWEST_SWINGS} swings, better 30 (about {30 * period:.0f} s)",
        )
    grid = make_grid(series, period / STEPS_PER_SWING)
    grid = grid.part(0, min(_still_swinging(grid.means[quantity]), MOST_SWINGS * STEPS_PER_SWING))
    fit = fit_pendulum(grid, quantity, guess_taped(grid, quantity))
    return fit, grid.step_s, grid.centres_s - series.time_s[0]


def _still_swinging(readings: RealArray) -> int:
    """Steps until the swing has come down to a small share of its first size: what follows is the pivot sticking, not swinging."""
    centred = np.abs(readings - np.nanmean(readings))
    large = np.flatnonzero(np.nan_to_num(centred) > LEAST_SHARE * np.nanmax(centred))
    return int(large[-1]) + 1


def _explained(fit: PendulumFit) -> bool:
    """Whether the model makes most of what was read."""
    return bool(fit.parameters[A] > 0 and np.nanvar(fit.residual) < LEFT_OVER * np.nanvar(fit.predicted + fit.residual))


def _check_amplitude(series: Series, quantity: str, amplitude: float) -> None:
    degrees = math.degrees(amplitude)
    where = series.log.place(0, quantity)
    column = series.log.columns[quantity]
    unit = f"check the unit, the column is {column.name}" + (", and its scale in the build file" if column.meaning.unit == COUNTS else "")
    if degrees > MOST_AMPLITUDE_DEG:
        raise BenchError(
            f"the readings mean a swing of {degrees:.3g} deg, which no pendulum swings",
            where,
            f"{unit}; degrees written as radians are 57.3 times too large",
        )
    if degrees < LEAST_AMPLITUDE_DEG:
        raise BenchError(
            f"the readings mean a swing of {degrees:.2g} deg",
            where,
            f"let go from 10 to 30 deg; if you did, {unit}; radians written as degrees are 57.3 times too small",
        )


def _state_of_wheel(series: Series, quantity: str) -> tuple[str, list[str]]:
    """Which ratio the swing measures, and what is to be said about it."""
    declared = series.log.declared.get("wheel")
    if "wheel" not in series.values:
        return {"taped": "locked", "free": "free", None: "undecided"}[declared], []
    wheel = series.values["wheel"]
    rate = series.values["gyro"] if quantity == "gyro" else np.gradient(series.values["tilt"], series.time_s)
    good = np.isfinite(wheel) & np.isfinite(rate)
    ratio = float(np.std(wheel[good]) / max(np.std(rate[good]), 1e-12))
    together = float(np.corrcoef(wheel[good], rate[good])[0, 1]) if np.std(wheel[good]) > 0 else 0.0
    if ratio < STILL_SHARE:
        seen = "locked"
    elif ratio > FREE_SHARE and together < -FREE_SHARE:
        seen = "free"
    else:
        raise BenchError(
            f"the wheel turned against the body, {ratio:.2g} times as fast as the body: it was neither taped nor free",
            series.log.place(0, "wheel"),
            "tape the wheel to the body so that it cannot turn, and swing again",
        )
    if declared is not None and {"taped": "locked", "free": "free"}[declared] != seen:
        raise BenchError(
            f"the wheel is declared {declared}, but its speed says {'taped' if seen == 'locked' else 'free'}",
            f"{series.log.file_name}, line {series.log.declared_lines['wheel']}, wheel",
            "correct the declaration, or repeat the swing",
        )
    return seen, [] if declared else [f"the wheel's speed says that it was {'taped' if seen == 'locked' else 'free'}"]


def _misfit(series: Series, build: Build, quantity: str, fit: PendulumFit, step_s: float) -> float | None:
    density = math.radians(build.gyro.noise_dps_per_sqrt_hz.value)
    if quantity != "gyro" or density == 0.0:
        return None
    return fit.covariance.residual / (density * math.sqrt(0.5 / step_s))


def _slip(series: Series, quantity: str, step_s: float, wheel: str) -> list[str]:
    """Whether the period of small swings changed on the way, as it does when a wheel slips first and sticks later."""
    middle = len(series.time_s) // 2
    halves = []
    for part in (slice(0, middle), slice(middle, None)):
        values = {quantity: series.values[quantity][part]}
        half = Series(series.log, series.time_s[part], values, series.rows[part], series.period_s, ())
        grid = make_grid(half, step_s)
        try:
            part_fit = fit_pendulum(grid, quantity, guess_taped(grid, quantity))
        except ValueError:
            return []
        if not _explained(part_fit):
            return []
        halves.append(float(part_fit.parameters[A]))
    change = halves[1] / halves[0] - 1.0
    if abs(change) < SLIP_SHARE:
        return []
    if wheel == "free":
        return [f"the square of the swing's speed changed by {100 * change:.1f} % on the way: the free wheel stuck at small swings"]
    raise BenchError(
        f"the square of the swing's speed changed by {100 * change:.1f} % from the first to the second half",
        series.log.place(0, quantity),
        "the wheel slipped (tape it to the body), the pivot slid, or a cable pulled: mend that and swing again",
    )


def _ratio(fit: PendulumFit, key: str, slopes: list[tuple[int, float]], value: float, source: str, floor: float = CLOCK_SHARE) -> Estimate:
    gradient = np.zeros(len(fit.parameters))
    for place, slope in slopes:
        gradient[place] = slope
    return estimate_ratio(key, value, fit.covariance.half_width(gradient), floor, source)


def _unwrapped(angle: RealArray) -> RealArray:
    """The angle without jumps of whole turns (a body that hangs is at 180 degrees for a sensor that reads 0 upright)."""
    good = np.isfinite(angle)
    whole = np.unwrap(bridged(angle))
    return np.where(good, whole, np.nan)
