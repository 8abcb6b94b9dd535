"""What the machine does at rest: wiggle from sensor noise and quantisers, and the wheel's friction cycle.

Takes gains and their machine; gives :class:`RestNoise` and the amplitude of a friction cycle.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import pi, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_discrete_lyapunov
from scipy.optimize import brentq

from codegen.design.gains import Gains
from codegen.design.loop import READING_INJECTIONS, LoopResponse, close_loop
from codegen.plant import Plant

_GRID_POINTS = 2000


@dataclass(frozen=True)
class RestNoise:
    """RMS at rest over the outer period: true tilt in rad, wheel speed in rad/s, motor torque in N m."""

    tilt_rad: float
    wheel_rad_s: float
    torque_n_m: float


def predict_rest(gains: Gains) -> RestNoise:
    """RMS of the linear closed loop driven by sensor noise and by its quantisers as white noise of step^2/12.

    Exact for the periodic loop: the covariance P over one outer period solves P = F P F' + Q (discrete
    Lyapunov equation), and is then followed through the period's ticks. Friction and cogging are not in it;
    the wheel's set-point keeps friction smooth, and cogging at that speed is too fast to move the body much.
    Source: Astrom, *Introduction to Stochastic Control Theory* (1970), ch. 3 (covariance recursion, from
    memory);
    quantisers as white noise: common practice, no source. Pessimistic for coarse wheel counters.
    """
    loop = close_loop(gains, gains.plant)
    variances = np.zeros(len(loop.injections))
    variances[loop.injections.index("command")] = (1.0 / gains.counts_per_n_m) ** 2 / 12.0
    for name, variance in zip(READING_INJECTIONS, loop.reading_variances, strict=True):
        variances[loop.injections.index(name)] = variance
    fast_noise = loop.process + (loop.fast_injections * variances) @ loop.fast_injections.T
    slow_noise = loop.process + (loop.slow_injections * variances) @ loop.slow_injections.T
    ticks = [(loop.fast, fast_noise)] * (loop.outer_divider - 1) + [(loop.slow, slow_noise)]
    gathered = np.zeros_like(loop.fast)
    for matrix, noise in ticks:
        gathered = matrix @ gathered @ matrix.T + noise
    covariance = np.asarray(solve_discrete_lyapunov(loop.one_period(), gathered), dtype=np.float64)
    motor = "torque" if "torque" in loop.states else "command_1"
    watched = [loop.states.index(name) for name in ("tilt", "wheel", motor)]
    sums = np.zeros(len(watched))
    for matrix, noise in ticks:
        covariance = matrix @ covariance @ matrix.T + noise
        sums += np.diag(covariance)[watched]
    tilt, wheel, torque = (sqrt(total / len(ticks)) for total in sums)
    return RestNoise(tilt_rad=tilt, wheel_rad_s=wheel, torque_n_m=torque)


def friction_cycle(gains: Gains) -> float:
    """Amplitude in rad/s of the wheel's predicted hunting about standstill; 0 if friction causes none.

    The wheel's friction is a relay of height F(A) = tau_c + (tau_s - tau_c)/(1 + (A/w_s)^2); the rest is the
    linear closed loop from torque at the wheel to its speed. Trust the amplitude only: the true motion is
    stick and slip, slower and with less tilt than the harmonic one predicted here, or, with this law's
    proportional outer loop, a speed off the set-point to either side at which friction and lean balance.
    """
    plant = gains.plant
    if max(plant.wheel_coulomb_n_m, plant.wheel_stiction_n_m) == 0.0:
        return 0.0
    slowest = min(gains.trim_pole_rad_s, gains.outer_pole_rad_s)
    grid = np.geomspace(1e-5 * slowest, pi / plant.period_s, _GRID_POINTS)
    response = LoopResponse(gains, plant).wheel_to_torque
    cycles = limit_cycles(response, lambda amplitude: relay_gain(friction_height(plant, amplitude), amplitude), grid)
    return max((amplitude for amplitude, _ in cycles), default=0.0)


def friction_height(plant: Plant, amplitude_rad_s: float) -> float:
    """Wheel friction in N m, without the viscous part, when the wheel speed swings by ``amplitude_rad_s``."""
    rising = plant.wheel_stiction_n_m - plant.wheel_coulomb_n_m
    return plant.wheel_coulomb_n_m + rising / (1.0 + (amplitude_rad_s / plant.stribeck_rad_s) ** 2)


def relay_gain(height: float, amplitude: float) -> float:
    """Describing function of a relay of the given height: 4 height/(pi amplitude).

    Source: Franklin, Powell, Emami-Naeini, *Feedback Control of Dynamic Systems*, ch. 9 (describing
    functions; from memory).
    """
    return 4.0 * height / (pi * amplitude)


def limit_cycles(
    linear: Callable[[NDArray[np.float64]], NDArray[np.complex128]],
    gain: Callable[[float], float],
    frequencies_rad_s: NDArray[np.float64],
    amplitudes: tuple[float, float] = (1e-9, 1e9),
) -> list[tuple[float, float]]:
    """All (amplitude, frequency in rad/s) with 1 + N(A) G(jw) = 0 for a real describing function ``gain`` N.

    ``linear`` is G over frequencies (k,); its curve crosses the negative real axis at the frequencies of
    possible cycles, within ``frequencies_rad_s``; a real negative start of the curve counts as a cycle of
    frequency zero, that is, a state that stays put to either side. For each, the largest amplitude within
    ``amplitudes`` is taken at which N falls through 1/|G|: the cycle that a growing swing would settle on.
    Source: Franklin, Powell, Emami-Naeini, *Feedback Control of Dynamic Systems*, ch. 9 (from memory).
    """
    values = linear(frequencies_rad_s)
    crossings: list[tuple[float, float]] = []
    if abs(values[0].imag) < 1e-3 * -values[0].real:
        crossings.append((float(values[0].real), 0.0))
    for at in np.flatnonzero(np.sign(values.imag[:-1]) * np.sign(values.imag[1:]) < 0):
        low, high = frequencies_rad_s[at], frequencies_rad_s[at + 1]
        frequency = float(brentq(lambda w: float(linear(np.array([w]))[0].imag), low, high, xtol=1e-12, rtol=1e-12))
        crossings.append((float(linear(np.array([frequency]))[0].real), frequency))
    return [
        (amplitude, frequency)
        for real, frequency in crossings
        if real < 0.0
        for amplitude in _largest_fall(gain, -1.0 / real, amplitudes)
    ]


def _largest_fall(gain: Callable[[float], float], level: float, amplitudes: tuple[float, float]) -> list[float]:
    """The largest amplitude at which ``gain`` falls through ``level``, as a list of one, or none."""
    grid = np.geomspace(*amplitudes, 400)
    above = np.array([gain(float(amplitude)) > level for amplitude in grid])
    falls = np.flatnonzero(above[:-1] & ~above[1:])
    if len(falls) == 0:
        return []
    last = int(falls[-1])
    return [float(brentq(lambda amplitude: gain(amplitude) - level, grid[last], grid[last + 1], rtol=1e-12))]
