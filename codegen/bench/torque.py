"""How fast a known current speeds the wheel up, and how friction slows it down.

With Omega the wheel's speed in space (omega relative to the body, plus the body's rate) and i the motor current:

    Omega' = (K_t/J) i - (c/J) sgn(omega) - (b/J) omega

Takes means on a grid. The record is cut into pieces of constant command, away from its switches and from slow speeds where friction
depends on speed and cogging holds the wheel; in each piece the change of Omega is compared with the integrals of current, sign and
speed, so that neither the delay of the command nor a lag of the current matters. What is left over in a piece counts as one observation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from codegen.bench.columns import COUNTS
from codegen.bench.estimate import Covariance, spread
from codegen.bench.grid import Grid
from codegen.bench.series import Series
from codegen.build import Build
from codegen.errors import BenchError

FEWEST_STEPS, FEWEST_PIECES = 6, 3
# A piece should change the speed by this many steps of its reading.
READING_STEPS = 8.0
SETTLING_S = 0.01
# An ammeter and a drive's own shunt agree to this share.
CURRENT_TOLERANCE = 0.03
# The command counts as constant while it stays within this share of its largest value.
CONSTANT_SHARE = 0.02
# Of the voltage: the current that the supply can push must exceed the command by this factor.
HEADROOM = 1.15

RealArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class TorqueFit:
    """Accelerations of the wheel.

    Attributes:
        per_ampere: K_t/J, rad/(s2 A); NaN if no current ever drove the wheel.
        coulomb, viscous: c/J in rad/s2, b/J in 1/s.
        covariance: Of the three (of the last two if no current drove).
        pieces: (n,) number of the piece each step of the grid is in, -1 for none.
        predicted: (n,) model of Omega in the pieces, NaN elsewhere.
        residual: (n,) reading less model.
    """

    per_ampere: float
    coulomb: float
    viscous: float
    covariance: Covariance
    pieces: IntArray
    predicted: RealArray
    residual: RealArray

    def half_width(self, place: int) -> tuple[float, float]:
        """(half-width, nominal) of K_t/J (0), c/J (1), b/J (2)."""
        gradient = np.zeros(len(self.covariance.block))
        gradient[place - (3 - len(gradient))] = 1.0
        return self.covariance.half_width(gradient)


def driven_current(series: Series, build: Build) -> tuple[RealArray, str] | None:
    """Return the current per sample and the name of its column; None where the log cannot know it.

    A current drive is trusted to push what is commanded, since that is what the controller will rely on; a voltage drive needs a measured
    current.
    """
    if "command" in series.values:
        meaning = series.log.columns["command"].meaning
        if meaning.unit == "a" or (meaning.unit == COUNTS and build.drive.command == "current"):
            return series.values["command"], series.log.columns["command"].name
    if "current" in series.values:
        return series.values["current"], series.log.columns["current"].name
    return None


def compare_currents(series: Series, build: Build) -> list[str]:
    """What there is to say if a log holds both the commanded and a measured current, and they differ."""
    found = driven_current(series, build)
    if found is None or "command" not in series.values or "current" not in series.values:
        return []
    command, current = found[0], series.values["current"]
    driven = np.isfinite(command) & np.isfinite(current) & (np.abs(command) > 0.5 * np.nanmax(np.abs(command)))
    share = float(np.median(current[driven] / command[driven])) if driven.any() else 1.0
    if abs(share - 1.0) < CURRENT_TOLERANCE:
        return []
    return [f"the measured current is {share:.3g} times the commanded one; torque is per commanded ampere, as the controller needs it"]


def reading_step(series: Series) -> float:
    """Smallest step between readings of the wheel, rad/s; 0 if there is none to be seen."""
    values = np.unique(series.values["wheel"][np.isfinite(series.values["wheel"])])
    if len(values) < 2:
        return 0.0
    steps = np.diff(values)
    return float(np.min(steps[steps > 1e-6 * np.max(np.abs(values))], initial=np.inf, where=True)) if len(steps) else 0.0


def fit_torque(
    grid: Grid, current_a: RealArray, omega: RealArray, rate: RealArray, build: Build, *, slowest_rad_s: float, step_rad_s: float
) -> TorqueFit | None:
    """Fit the wheel's accelerations; None if there are too few usable pieces.

    Args:
        grid: Gives the length of a step.
        current_a: (n,) means of the current; NaN where missing.
        omega: (n,) wheel speed relative to the body.
        rate: (n,) rate of the body.
        build: Gives the supply limit.
        slowest_rad_s: Slower speeds are left out.
        step_rad_s: Step of the wheel's reading.
    """
    h = grid.step_s
    usable = np.isfinite(omega) & np.isfinite(rate) & np.isfinite(current_a)
    usable &= np.abs(omega) > slowest_rad_s
    usable &= _deliverable(current_a, omega, build)
    settled = _settled(current_a, max(1, math.ceil(SETTLING_S / h)))
    stretches = _stretches(usable & settled, current_a, omega)
    pieces = np.full(grid.count, -1, dtype=np.int64)
    number = 0
    for first, end in stretches:
        change = abs(float(omega[end - 1] - omega[first]))
        wanted = max(FEWEST_STEPS, math.ceil(READING_STEPS * step_rad_s / max(change / (end - first), 1e-12)))
        count = int(np.clip((end - first) // wanted, 1, 12))
        for part in np.array_split(np.arange(first, end), count):
            pieces[part] = number
            number += 1
    if number < FEWEST_PIECES:
        return None
    inside = pieces >= 0
    absolute = omega + rate
    regressors = np.column_stack([current_a, -np.sign(omega), -omega])
    driven = bool(np.nanmax(np.abs(current_a[inside])) > 0)
    columns = [0, 1, 2] if driven else [1, 2]
    integrals = np.cumsum(np.where(inside[:, None], np.nan_to_num(regressors[:, columns]), 0.0), axis=0) * h
    # Integral up to the middle of each step.
    integrals -= 0.5 * h * np.where(inside[:, None], np.nan_to_num(regressors[:, columns]), 0.0)
    x = _less_mean(integrals, pieces, number)[inside]
    y = _less_mean(np.nan_to_num(absolute)[:, None], pieces, number)[inside, 0]
    scale = np.linalg.norm(x, axis=0)
    if np.any(scale == 0) or np.linalg.cond(x / scale) > 1e4:
        return None
    solution = np.linalg.lstsq(x / scale, y, rcond=None)[0] / scale
    residual_inside = y - x @ solution
    covariance = spread(x, residual_inside, pieces[inside])
    residual = np.full(grid.count, np.nan)
    residual[inside] = residual_inside
    values = solution if driven else np.concatenate(([np.nan], solution))
    return TorqueFit(float(values[0]), float(values[1]), float(values[2]), covariance, pieces, absolute - residual, residual)


def check_signs(fit: TorqueFit, series: Series, column: str) -> None:
    """Refuse a command that slows the wheel down.

    Raises:
        BenchError: It does.
    """
    if math.isfinite(fit.per_ampere) and fit.per_ampere < 0:
        raise BenchError(
            f"a positive {column} makes the wheel turn the negative way",
            series.log.place(0, "wheel"),
            f"positive torque must speed the wheel up: exchange two motor wires, or declare # reverse = {column}",
        )


def _deliverable(current_a: RealArray, omega: RealArray, build: Build) -> BoolArray:
    """Where the supply can push the commanded current against the back voltage, by the numbers of the build file."""
    drive = build.drive
    back = drive.torque_constant_n_m_per_a.value * omega * np.sign(current_a)
    most = (drive.supply_v.value - back) / drive.resistance_ohm.value
    return np.asarray((np.abs(current_a) * HEADROOM <= most) | (current_a == 0.0), dtype=np.bool_)


def _settled(current_a: RealArray, steps: int) -> BoolArray:
    """Where the command has been constant for ``steps`` and stays so for ``steps``."""
    largest = float(np.nanmax(np.abs(current_a), initial=0.0))
    moved = np.abs(np.diff(np.nan_to_num(current_a))) > CONSTANT_SHARE * max(largest, 1e-12)
    near = np.zeros(len(current_a), dtype=np.bool_)
    for place in np.flatnonzero(moved):
        near[max(0, place + 1 - steps) : place + 1 + steps] = True
    return ~near


def _stretches(usable: BoolArray, current_a: RealArray, omega: RealArray) -> list[tuple[int, int]]:
    """(first, end) of runs of usable steps without a change of direction or command."""
    largest = max(float(np.nanmax(np.abs(current_a), initial=0.0)), 1e-12)
    level = np.round(np.nan_to_num(current_a) / (2.0 * CONSTANT_SHARE * largest))
    breaks = np.flatnonzero((np.diff(np.sign(np.nan_to_num(omega))) != 0) | (np.abs(np.diff(level)) > 1) | ~usable[1:] | ~usable[:-1])
    edges = np.concatenate(([0], breaks + 1, [len(usable)]))
    runs = [(int(a), int(b)) for a, b in pairwise(edges)]
    return [(a, b) for a, b in runs if b - a >= FEWEST_STEPS and bool(usable[a:b].all())]


def _less_mean(values: RealArray, pieces: IntArray, count: int) -> RealArray:
    """Values less their mean in each piece."""
    inside = pieces >= 0
    filled = np.bincount(pieces[inside], minlength=count).astype(np.float64)
    out = values.copy()
    for column in range(values.shape[1]):
        means = np.bincount(pieces[inside], weights=values[inside, column], minlength=count) / filled
        out[inside, column] -= means[pieces[inside]]
    return out
