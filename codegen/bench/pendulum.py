"""The hanging body as a pendulum that a known wheel motion drives, and its fit.

With tilt counted from where the body hangs, G the gravity torque, I + J the inertia of body and wheel together, W the angle by which the
wheel has turned against the body, b and c the viscous and the dry friction of the pivot:

    (I + J) th'' + J W'' = -G sin(th) - b th' - c sgn(th')

whatever torque turned the wheel: its friction and cogging are internal and do not appear (momentum about the pivot). The measured wheel
motion is an input, so nothing about the motor is assumed. In phi = th + rho W, rho = J/(I + J), no derivative of a measured signal is
left. A taped wheel is W = 0.

Unknown: a = G/(I + J), rho, beta = b/(I + J), gamma = c/(I + J), the start, the zero of the sensor, and by how much the wheel's reading
comes later than the body's.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.optimize import least_squares

from codegen.bench.estimate import Covariance, spread
from codegen.bench.grid import Grid, bridged

# a, beta, gamma, start angle, start rate, zero; with a wheel also rho and delay.
A, BETA, GAMMA, START, START_RATE, ZERO, RHO, DELAY = range(8)
TAPED_PARAMETERS, FREE_PARAMETERS = 6, 8
STEPS_PER_SWING = 60
UNSETTLED = "the search for the best fit did not come to its end: look at the picture before you trust it"
_RELATIVE_STEP = 1e-6

RealArray = NDArray[np.float64]


@dataclass(frozen=True)
class Motion:
    """The model's motion at the edges of the grid.

    Attributes:
        tilt_rad: (n + 1, m) from where the body hangs; m sets of parameters side by side.
        rate_rad_s: (n + 1, m).
    """

    tilt_rad: RealArray
    rate_rad_s: RealArray


@dataclass(frozen=True)
class PendulumFit:
    """A fitted swing.

    Attributes:
        parameters: (p,) in the order of this module's indices.
        covariance: Their spread.
        predicted: (n,) the model's mean reading in each step.
        residual: (n,) reading less model; NaN where there is no reading.
        tilt_rad: (n + 1,) the model's tilt at the edges.
        rate_rad_s: (n,) mean rate of each step.
        converged: Whether the search ended at a minimum.
    """

    parameters: RealArray
    covariance: Covariance
    predicted: RealArray
    residual: RealArray
    tilt_rad: RealArray
    rate_rad_s: RealArray
    converged: bool


@dataclass(frozen=True)
class WheelMotion:
    """What the wheel did, on a grid.

    Attributes:
        angle: Spline of the angle over time since the grid's start.
    """

    angle: CubicSpline

    @classmethod
    def from_means(cls, speed_rad_s: RealArray, step_s: float) -> WheelMotion:
        """From the mean speeds (n,) of the steps: their sum is the angle at the edges, exactly."""
        edges = np.concatenate(([0.0], np.cumsum(speed_rad_s) * step_s))
        return cls(CubicSpline(np.arange(len(edges)) * step_s, edges))


def integrate(parameters: RealArray, step_s: float, count: int, wheel: WheelMotion | None) -> Motion:
    """Return the motion for m sets of parameters (p, m).

    Classical Runge-Kutta of fourth order; the dry friction of the pivot as its mean over the step, for which the rate is taken to change
    in a straight line (so a reversal within the step needs no event).
    """
    a, beta, gamma = parameters[A], parameters[BETA], parameters[GAMMA]
    tilts = np.empty((count + 1, parameters.shape[1]))
    rates = np.empty_like(tilts)
    shift, drift = _wheel_shift(parameters, step_s, count, wheel)
    phi = parameters[START] + shift[0]
    momentum = parameters[START_RATE] + drift[0]
    h, half, sixth = step_s, 0.5 * step_s, step_s / 6.0
    dry = gamma * h
    sin, absolute, where = np.sin, np.abs, np.where

    def force(phi: RealArray, momentum: RealArray, shifted: RealArray, drifted: RealArray) -> RealArray:
        pull: RealArray = -a * sin(phi - shifted) - beta * (momentum - drifted)
        return pull

    def force_taped(phi: RealArray, momentum: RealArray, shifted: RealArray, drifted: RealArray) -> RealArray:
        pull: RealArray = -a * sin(phi) - beta * momentum
        return pull

    pull = force if wheel is not None else force_taped
    whole = zip(shift[0:-1:2], shift[1::2], shift[2::2], drift[0:-1:2], drift[1::2], drift[2::2], strict=True)
    for k, (s0, s1, s2, d0, d1, d2) in enumerate(whole):
        before = momentum - d0
        tilts[k] = phi - s0
        rates[k] = before
        f1 = pull(phi, momentum, s0, d0)
        p2 = momentum + half * f1
        f2 = pull(phi + half * momentum, p2, s1, d1)
        p3 = momentum + half * f2
        f3 = pull(phi + half * p2, p3, s1, d1)
        p4 = momentum + h * f3
        f4 = pull(phi + h * p3, p4, s2, d2)
        middle = p2 + p3
        phi = phi + sixth * (momentum + middle + middle + p4)
        middle = f2 + f3
        momentum = momentum + sixth * (f1 + middle + middle + f4)
        after = momentum - d2
        change = after - before
        still = change == 0.0
        kick = dry * where(still, np.sign(after), (absolute(after) - absolute(before)) / where(still, 1.0, change))
        momentum = momentum - kick
        phi = phi - half * kick
    tilts[count] = phi - shift[-1]
    rates[count] = momentum - drift[-1]
    return Motion(tilts, rates)


def _wheel_shift(parameters: RealArray, step_s: float, count: int, wheel: WheelMotion | None) -> tuple[RealArray, RealArray]:
    """Rho times angle and speed of the wheel at edges and middles, each (2 n + 1, m)."""
    if wheel is None:
        nothing = np.zeros((2 * count + 1, 1))
        return nothing, nothing
    times = 0.5 * step_s * np.arange(2 * count + 1)
    delays, which = np.unique(parameters[DELAY], return_inverse=True)
    shifted = np.column_stack([wheel.angle(times + delay) for delay in delays])[:, which]
    speeds = np.column_stack([wheel.angle(times + delay, 1) for delay in delays])[:, which]
    return parameters[RHO] * shifted, parameters[RHO] * speeds


def mean_readings(motion: Motion, step_s: float, zero: RealArray, of_rate: bool) -> RealArray:
    """(n, m) mean reading of a rate or angle sensor with this zero in each step (of the angle by Hermite's rule)."""
    tilt, rate = motion.tilt_rad, motion.rate_rad_s
    if of_rate:
        return (tilt[1:] - tilt[:-1]) / step_s + zero
    return 0.5 * (tilt[1:] + tilt[:-1]) + step_s / 12.0 * (rate[:-1] - rate[1:]) + zero


def fit_pendulum(grid: Grid, quantity: str, start: RealArray, wheel: WheelMotion | None = None, *, by_angle: bool = False) -> PendulumFit:
    """Fit the model to the readings ``gyro`` (rate) or ``tilt`` (angle) of a grid.

    The search goes over longer and longer parts of the record, so that a first guess of the period that is a little wrong does not end
    in a neighbouring minimum.

    Args:
        grid: With the quantity.
        quantity: ``gyro`` or ``tilt``.
        start: (6,) or (8,) first guess.
        wheel: The wheel's motion; None if it is taped.
        by_angle: Whether rates are compared by their integrals, less a straight line. That is the better weight where the steps of a
            coarse wheel reading outweigh the noise of the gyro: they are an error of the angle, always less than one step.
    """
    readings, of_rate, h = grid.means[quantity], quantity == "gyro", grid.step_s
    swing = 2.0 * math.pi / math.sqrt(start[A])
    scale = _scales(start, swing)
    solution = start
    converged = False
    lengths = [length for length in (round(cycles * swing / h) for cycles in (4, 14)) if length < 0.7 * grid.count]
    for length in (*lengths, grid.count):
        close = 1e-9 if length == grid.count else 1e-3
        model = _Residuals(readings[:length], h, of_rate, wheel, scale, by_angle)
        found = least_squares(model.residuals, solution / scale, jac=model.jacobian, method="lm", xtol=1e-9, ftol=close, max_nfev=15)
        solution = np.asarray(found.x, dtype=np.float64) * scale
        converged = bool(found.success)
    jacobian = np.asarray(model.jacobian(solution / scale), dtype=np.float64) / scale
    motion = integrate(solution[:, None], h, grid.count, wheel)
    predicted = mean_readings(motion, h, solution[ZERO], of_rate)[:, 0]
    residual = readings - predicted
    mean_rate = np.diff(motion.tilt_rad[:, 0]) / h
    return PendulumFit(
        solution,
        spread(-jacobian, -np.asarray(model.residuals(solution / scale))),
        predicted,
        residual,
        motion.tilt_rad[:, 0],
        mean_rate,
        converged,
    )


def _scales(start: RealArray, swing: float) -> RealArray:
    """Sizes in which the parameters are of order one."""
    amplitude = max(math.hypot(start[START], start[START_RATE] * swing / (2 * math.pi)), 0.02)
    rate = amplitude * 2 * math.pi / swing
    scales = [start[A], 0.1 / swing, 0.02 * start[A] * amplitude, amplitude, rate, rate, 0.1, 0.01]
    return np.array(scales[: len(start)])


class _Residuals:
    """Model less readings and its derivative, both from one integration of all parameter sets side by side."""

    def __init__(
        self, readings: RealArray, step_s: float, of_rate: bool, wheel: WheelMotion | None, scale: RealArray, by_angle: bool
    ) -> None:
        self.by_angle = by_angle
        self.readings, self.step_s, self.of_rate, self.wheel, self.scale = readings, step_s, of_rate, wheel, scale
        self.good = np.isfinite(readings)
        self._at: RealArray | None = None
        self._values: RealArray = np.empty(0)
        self._jacobian: RealArray = np.empty((0, 0))

    def _evaluate(self, x: RealArray) -> None:
        if self._at is not None and np.array_equal(self._at, x):
            return
        count = len(x)
        sets = np.tile((x * self.scale)[:, None], (1, count + 1))
        steps = _RELATIVE_STEP * np.maximum(1.0, np.abs(x))
        sets[np.arange(count), 1 + np.arange(count)] += steps * self.scale
        motion = integrate(sets, self.step_s, len(self.readings), self.wheel)
        means = mean_readings(motion, self.step_s, sets[ZERO], self.of_rate)[self.good]
        self._at = x.copy()
        self._values = means[:, 0] - self.readings[self.good]
        self._jacobian = (means[:, 1:] - means[:, :1]) / steps
        if self.by_angle:
            self._values = _less_line(np.cumsum(self._values) * self.step_s)
            self._jacobian = _less_line(np.cumsum(self._jacobian, axis=0) * self.step_s)
            self._jacobian[:, ZERO] = 0.0

    def residuals(self, x: RealArray) -> RealArray:
        self._evaluate(x)
        return self._values

    def jacobian(self, x: RealArray) -> RealArray:
        self._evaluate(x)
        return self._jacobian


def _less_line(values: RealArray) -> RealArray:
    """Values (n,) or (n, p) less the straight line that fits each column best."""
    along = np.linspace(-1.0, 1.0, len(values))
    slope = along @ values / (along @ along)
    return np.asarray(values - values.mean(axis=0) - (along * slope if values.ndim == 1 else np.outer(along, slope)), dtype=np.float64)


def guess_taped(grid: Grid, quantity: str) -> RealArray:
    """A first guess (6,) from the crossings of the middle and the envelope.

    Raises:
        ValueError: There are fewer than three crossings upward.
    """
    readings, h = bridged(grid.means[quantity]), grid.step_s
    zero = float(np.mean(readings))
    smooth = readings - zero
    crossings = _upward_crossings(smooth)
    if len(crossings) < 3:
        raise ValueError("too few swings")
    # The middle of a decaying swing: average over whole periods only.
    whole = slice(round(crossings[0]), round(crossings[-1]))
    zero = float(np.mean(readings[whole]))
    smooth = readings - zero
    crossings = _upward_crossings(smooth)
    swings = min(len(crossings) - 1, 4)
    period = float(crossings[swings] - crossings[0]) * h / swings
    speed = 2 * math.pi / period
    amplitude = float(np.max(np.abs(smooth[: max(4, round(1.5 * period / h))])))
    last = float(np.max(np.abs(smooth[-max(4, round(1.5 * period / h)) :])))
    lasting = max(grid.count * h - 1.5 * period, period)
    decay = max(1e-4, math.log(max(amplitude / max(last, 1e-12), 1.0001)) / lasting)
    if quantity == "gyro":
        angle, rate = amplitude / speed, float(smooth[0])
        # The rate falls while the tilt is positive: gravity pulls back.
        tilt = math.copysign(math.sqrt(max(0.0, angle**2 - (rate / speed) ** 2)), float(smooth[0] - smooth[1]))
    else:
        angle, tilt, rate = amplitude, float(smooth[0]), float(smooth[1] - smooth[0]) / h
    # The period grows with the amplitude, T/T0 = 1 + angle^2/16 + ...; readings in a wrong unit may mean any angle.
    a = speed**2 * (1.0 + min(angle, 2.0) ** 2 / 16.0) ** 2
    return np.array([a, 1.4 * decay, 0.002 * a * angle, tilt, rate, zero])


def _upward_crossings(values: RealArray) -> RealArray:
    """Places (in steps, with fraction) where the values rise through zero, counted once per swing.

    A level of a tenth of the largest value has to be passed in between, so that noise near zero is no crossing.
    """
    level = 0.1 * float(np.max(np.abs(values)))
    places: list[float] = []
    armed = False
    for k in range(1, len(values)):
        if values[k] < -level:
            armed = True
        if armed and values[k - 1] < 0 <= values[k]:
            places.append(k - 1 + float(-values[k - 1] / (values[k] - values[k - 1])) + 0.5)
            armed = False
    return np.array(places)
