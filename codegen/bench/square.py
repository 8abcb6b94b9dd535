"""The hanging square-wave run: body upside down and free, a square wave of current to the wheel.

The momentum about the pivot gives J/G and (I + J)/G from the motions alone, whatever the motor did; the wheel's accelerations then give
torque per ampere.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from codegen.bench.estimate import SYSTEMATIC_SHARE, Estimate
from codegen.bench.experiment import Curve, Experiment, estimate_ratio
from codegen.bench.grid import Grid, bridged, longest_whole, make_grid
from codegen.bench.pendulum import BETA, DELAY, RHO, START, START_RATE, UNSETTLED, ZERO, A, PendulumFit, WheelMotion, fit_pendulum
from codegen.bench.series import Series
from codegen.bench.torque import check_signs, compare_currents, driven_current, fit_torque, reading_step
from codegen.build import Build
from codegen.errors import BenchError

QUANTITIES = ("gyro", "wheel", "command", "current")
STEP_S = 0.01
SHORTEST_S, LONGEST_S = 3.0, 40.0
MOST_MISSING_STEPS = 3
STRIBECK_SPEEDS = 3.0
SLOWEST_SHARE = 0.25
MOST_DELAY_S = 0.05
# Degrees for radians, turns per minute for rad/s.
UNIT_SLIPS = (180 / math.pi, 30 / math.pi)
SLIP_TOLERANCE = 0.1
GUESS_ROUNDS = 5
MOST_MISSED = 0.3
# From here on the steps of the wheel's reading, not the gyro's noise, make the residual.
COARSE_MISFIT = 5.0
# What steps of the wheel's reading and filters of the gyro may do to (I + J)/G: own simulations, no published source.
LOCKED_SHARE = 1e-3

RealArray = NDArray[np.float64]


def measure_square(series: Series, build: Build) -> Experiment:
    """Fit a hanging run with driven wheel.

    Raises:
        BenchError: A column is missing, signs contradict each other, or the motion is not that of a hanging body.
    """
    log = series.log
    for quantity, example in (("gyro", "gyro_dps"), ("wheel", "wheel_rad_s")):
        if quantity not in series.values:
            raise BenchError(f"a hanging run needs the {quantity}", log.place(), f"add a column {example}, or {quantity}_counts")
    notes = [*series.notes, *compare_currents(series, build)]
    values = dict(series.values)
    found = driven_current(series, build)
    if found is not None:
        values["current"] = found[0]
    whole = make_grid(Series(log, series.time_s, values, series.rows, series.period_s, ()), max(STEP_S, series.period_s))
    first, end = longest_whole(whole, ("gyro", "wheel"), MOST_MISSING_STEPS)
    grid = whole.part(first, end)
    if grid.count < whole.count - 1:
        notes.append(f"{whole.count * whole.step_s - grid.count * grid.step_s:.3g} s beside the longest stretch without a gap left out")
    if grid.count * grid.step_s < SHORTEST_S:
        raise BenchError(f"only {grid.count * grid.step_s:.3g} s in a row hold gyro and wheel", log.place(), "log 12 s without a gap")
    if grid.count * grid.step_s > LONGEST_S:
        notes.append(f"the first {LONGEST_S:g} s are used: more would only take time")
        grid = grid.part(0, round(LONGEST_S / grid.step_s))
    omega = bridged(grid.means["wheel"])
    fit = _fit_momentum(grid, omega, series, build)
    _check_momentum(fit, series, build)
    notes += [] if fit.converged else [UNSETTLED]
    a, rho = float(fit.parameters[A]), float(fit.parameters[RHO])
    ratios: dict[str, Estimate] = {}
    for key, value, slopes, floor in (
        ("locked", 1 / a, [(A, -1 / a**2)], LOCKED_SHARE),
        ("wheel", rho / a, [(RHO, 1 / a), (A, -rho / a**2)], SYSTEMATIC_SHARE),
    ):
        gradient = np.zeros(len(fit.parameters))
        for place, slope in slopes:
            gradient[place] = slope
        ratios[key] = estimate_ratio(key, value, fit.covariance.half_width(gradient), floor, log.file_name)
    curves = [_body_curve(grid, fit, series)]
    if found is not None:
        curve = _torque(grid, omega, fit, series, build, found[1], ratios, notes)
        curves += [curve] if curve is not None else []
    else:
        notes.append("no column says the motor's current: torque per ampere is not taken from here")
    misfit = _misfit(fit, grid, build) or None
    headline = f"hanging run, {grid.count * grid.step_s:.3g} s: J/(I + J) = {rho:.4g}, wheel read {1e3 * fit.parameters[DELAY]:.1f} ms late"
    return Experiment("square", log.file_name, headline, ratios, tuple(curves), notes=tuple(notes), misfit=misfit)


def _fit_momentum(grid: Grid, omega: RealArray, series: Series, build: Build) -> PendulumFit:
    wheel = WheelMotion.from_means(omega, grid.step_s)
    guess, missed = _guess(grid, omega)
    if missed > MOST_MISSED:
        raise _unrelated(series)
    if not 0.0 < guess[A] < 1e5:
        raise BenchError(
            "the body does not swing back: it does not hang, or gyro and wheel do not belong together",
            series.log.place(0, "gyro"),
            "hang the body upside down by its edge, free to swing, and drive the wheel with a square wave",
        )
    fit = fit_pendulum(grid, "gyro", guess, wheel)
    if _misfit(fit, grid, build) > COARSE_MISFIT:
        fit = fit_pendulum(grid, "gyro", fit.parameters, wheel, by_angle=True)
    return fit


def _misfit(fit: PendulumFit, grid: Grid, build: Build) -> float:
    """Residual over what the gyro's noise explains, by the build file; 0 if that says nothing."""
    expected = math.radians(build.gyro.noise_dps_per_sqrt_hz.value) * math.sqrt(0.5 / grid.step_s)
    return float(np.nanstd(fit.residual)) / expected if expected > 0 else 0.0


def _guess(grid: Grid, omega: RealArray) -> tuple[RealArray, float]:
    """First guess by integrating the readings: the body's momentum changes by what gravity, friction and wheel give.

    Also the share of the rate's variance that it leaves over.
    """
    h = grid.step_s
    rate = bridged(grid.means["gyro"])
    zero, level = float(np.mean(rate)), 0.0
    time_s = np.arange(len(rate)) * h
    for _ in range(GUESS_ROUNDS):
        tilt = _integral(rate - zero, h) - level
        # A wrong zero of the gyro tilts the angle, a wrong start shifts it; integrated they are a parabola and a straight line.
        columns = np.column_stack([-_integral(np.sin(tilt), h), omega[0] - omega, -tilt, time_s**2, time_s, np.ones(len(rate))])
        scale = np.linalg.norm(columns, axis=0)
        scale[scale == 0] = 1.0
        solution = np.linalg.lstsq(columns / scale, rate, rcond=None)[0] / scale
        zero += 2.0 * float(solution[3] / solution[0])
        level += float(solution[4] / solution[0])
    a, rho, beta = float(solution[0]), float(solution[1]), float(solution[2])
    start = np.zeros(8)
    start[[A, RHO, BETA]] = a, rho, beta
    start[[START, START_RATE, ZERO]] = float(tilt[0]), float(rate[0] - zero), zero
    return start, float(np.var(rate - columns @ solution) / max(np.var(rate), 1e-300))


def _unrelated(series: Series) -> BenchError:
    return BenchError(
        "the body's motion does not follow from gravity and the wheel's motion",
        series.log.place(0, "wheel"),
        "check that the body hangs free and that no cable pulls; check the units of gyro and wheel",
    )


def _integral(means: RealArray, step_s: float) -> RealArray:
    """Integral of means over steps up to the middle of each step."""
    return (np.cumsum(means) - 0.5 * means) * step_s


def _check_momentum(fit: PendulumFit, series: Series, build: Build) -> None:
    rho = float(fit.parameters[RHO])
    where = series.log.place(0, "wheel")
    columns = series.log.columns
    if rho < 0:
        raise BenchError(
            "gyro and wheel count in opposite senses: a wheel that speeds up pushes the body the other way, here it pushes the same way",
            where,
            f"turn one of them: # reverse = {columns['gyro'].name} or # reverse = {columns['wheel'].name}, "
            "whichever is positive the other way round than the tilt",
        )
    readings = fit.predicted + fit.residual
    if np.nanvar(fit.residual) > 0.1 * np.nanvar(readings):
        raise _unrelated(series)
    expected = _share_by_file(build)
    factor = max(rho / expected, expected / rho)
    if not 1e-4 < rho < 0.9 or any(abs(factor / slip - 1) < SLIP_TOLERANCE for slip in UNIT_SLIPS):
        raise BenchError(
            f"the wheel's share of the inertia comes out as {rho:.2g}, by the build file it is {expected:.2g}",
            where,
            f"check the units: the columns are {columns['gyro'].name} and {columns['wheel'].name}; degrees against radians are a factor of "
            "57.3, turns per minute against rad/s one of 9.55",
        )
    if abs(fit.parameters[DELAY]) > MOST_DELAY_S:
        raise BenchError(
            f"gyro and wheel are {1e3 * abs(fit.parameters[DELAY]):.0f} ms apart in time", where, "log both with one clock, in one row"
        )


def _share_by_file(build: Build) -> float:
    """J/(I + J) as the build file has it."""
    wheel = build.wheel
    body = build.body.inertia_kg_m2.value + wheel.mass_kg.value * wheel.axis_height_m.value**2
    return wheel.inertia_kg_m2.value / (body + wheel.inertia_kg_m2.value)


def _body_curve(grid: Grid, fit: PendulumFit, series: Series) -> Curve:
    scale = 180 / math.pi
    times = grid.centres_s - series.time_s[0]
    return Curve(
        "rate of tilt, deg/s", times, scale * (fit.predicted + fit.residual), scale * fit.predicted, scale * fit.residual, "residual\ndeg/s"
    )


def _torque(
    grid: Grid,
    omega: RealArray,
    fit: PendulumFit,
    series: Series,
    build: Build,
    column: str,
    ratios: dict[str, Estimate],
    notes: list[str],
) -> Curve | None:
    """Add torque per ampere to the ratios; friction here is a by-catch that is not kept."""
    fastest, step = float(np.max(np.abs(omega))), reading_step(series)
    slowest = min(STRIBECK_SPEEDS * build.drive.stribeck_rad_s.value, SLOWEST_SHARE * fastest)
    torque = fit_torque(grid, grid.means["current"], omega, fit.rate_rad_s, build, slowest_rad_s=slowest, step_rad_s=step)
    if torque is None or not math.isfinite(torque.per_ampere):
        notes.append(f"{column} is never constant for long enough: torque per ampere is not taken from here")
        return None
    check_signs(torque, series, column)
    ratios["torque"] = estimate_ratio("torque", torque.per_ampere, torque.half_width(0), SYSTEMATIC_SHARE, series.log.file_name)
    times = grid.centres_s - series.time_s[0]
    return Curve("wheel in space, rad/s", times, omega + fit.rate_rad_s, torque.predicted, torque.residual, "residual\nrad/s")
