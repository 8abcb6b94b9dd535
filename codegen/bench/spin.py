"""Spin-up and coast-down with the body clamped: torque per ampere and friction, both over the wheel's inertia."""

from __future__ import annotations

import math

import numpy as np

from codegen.bench.estimate import SYSTEMATIC_SHARE
from codegen.bench.experiment import Curve, Experiment, estimate_ratio
from codegen.bench.grid import make_grid
from codegen.bench.series import Series
from codegen.bench.torque import TorqueFit, check_signs, compare_currents, driven_current, fit_torque, reading_step
from codegen.build import Build
from codegen.errors import BenchError

QUANTITIES = ("gyro", "wheel", "command", "current")
STEP_S = 0.01
# Friction of a bearing depends on speed below some ten Stribeck speeds; what is left of it there is 1 %.
STRIBECK_SPEEDS = 10.0
SLOWEST_SHARE = 0.2
# How much the friction changes if twice the speeds are left out says what friction at low speed still does to it: if that falls with
# the square of the speed, the change is three quarters of the error.
CUT_WEIGHT = 4.0 / 3.0
CLAMPED_RATE_SHARE = 0.02
LEAST_SPEED_STEPS = 20.0


def measure_spin(series: Series, build: Build) -> Experiment:
    """Fit a spin-up and coast-down (either may be missing).

    Raises:
        BenchError: No wheel speed, no usable stretch, a turned sign, or a body that moved.
    """
    log = series.log
    if "wheel" not in series.values:
        raise BenchError("a spin-up needs the wheel's speed", log.place(), "add a column wheel_rad_s, wheel_rpm or wheel_counts")
    grid = make_grid(series, max(STEP_S, 4 * series.period_s))
    omega = grid.means["wheel"]
    fastest, step = float(np.nanmax(np.abs(omega))), reading_step(series)
    if fastest < LEAST_SPEED_STEPS * step or fastest < 1.0:
        raise BenchError(
            f"the wheel turned at {fastest:.3g} rad/s at most", log.place(0, "wheel"), "spin it to half of its top speed, then let it coast"
        )
    notes = [*series.notes, *compare_currents(series, build)]
    _check_clamped(series, fastest)
    found = driven_current(series, build)
    current = np.zeros(grid.count)
    column = ""
    if found is not None:
        values = dict(series.values)
        values["current"] = found[0]
        current = make_grid(Series(log, series.time_s, values, series.rows, series.period_s, ()), grid.step_s).means["current"]
        column = found[1]
    elif "command" in series.values:
        raise BenchError(
            f"{log.columns['command'].name} does not say the current: this drive is commanded in volts",
            log.place(0, "command"),
            "log the motor's current as current_a",
        )
    else:
        notes.append("no column says the current: taken as a coast-down, drive off")
    slowest = max(STRIBECK_SPEEDS * build.drive.stribeck_rad_s.value, 3 * step)
    if slowest > SLOWEST_SHARE * fastest:
        slowest = SLOWEST_SHARE * fastest
        notes.append(f"speeds below {slowest:.3g} rad/s left out; a faster spin would keep friction at low speed further away")
    still = np.zeros(grid.count)
    fit = fit_torque(grid, current, omega, still, build, slowest_rad_s=slowest, step_rad_s=step)
    if fit is None:
        raise BenchError(
            "no stretch of constant command at speed is long enough",
            log.place(0, "wheel"),
            "give a constant current for a second or so, then switch it off and let the wheel coast for ten seconds and more",
        )
    check_signs(fit, series, column)
    ratios = {}
    coasted = _coasts(fit, current)
    again = fit_torque(grid, current, omega, still, build, slowest_rad_s=2 * slowest, step_rad_s=step)
    for place, (key, value) in enumerate((("torque", fit.per_ampere), ("coulomb", fit.coulomb), ("viscous", fit.viscous))):
        if math.isfinite(value) and (place == 0 or coasted):
            half_width, nominal = fit.half_width(place)
            if again is not None and place > 0:
                other = (again.per_ampere, again.coulomb, again.viscous)[place]
                half_width = math.hypot(half_width, CUT_WEIGHT * (other - value))
            ratios[key] = estimate_ratio(key, value, (half_width, nominal), SYSTEMATIC_SHARE, log.file_name)
    if not coasted:
        notes.append("the wheel never coasted, so its friction is not taken from here")
    headline = f"spin-up and coast-down to {fastest:.4g} rad/s" + (
        f": {fit.per_ampere:.4g} rad/s2 per ampere of {column}" if math.isfinite(fit.per_ampere) else ""
    )
    curve = Curve("wheel, rad/s", grid.centres_s - series.time_s[0], omega, fit.predicted, fit.residual, "residual\nrad/s")
    return Experiment("spin", log.file_name, headline, ratios, (curve,), notes=tuple(notes))


def _check_clamped(series: Series, fastest: float) -> None:
    if "gyro" not in series.values:
        return
    rate = float(np.nanstd(series.values["gyro"]))
    if rate > CLAMPED_RATE_SHARE * fastest:
        raise BenchError(
            f"the body moved ({math.degrees(rate):.3g} deg/s RMS) while the wheel was spun up",
            series.log.place(0, "gyro"),
            "clamp the body, or give the log as a hanging run (kind = square)",
        )


def _coasts(fit: TorqueFit, current: np.typing.NDArray[np.float64]) -> bool:
    return bool(np.any((fit.pieces >= 0) & (current == 0.0)))
