"""What physics allows this machine, whatever the controller: bounds to be stated before any gain is chosen.

Takes a :class:`~codegen.plant.Plant`; gives :class:`Limits` in SI units. Chooses nothing.

One coordinate governs recovery: the *excursion* xi = 2 sin(tilt/2) + rate/lambda with lambda = sqrt(G/I). It
is the exact factor of the pendulum's energy that grows, d(xi)/dt = lambda cos(tilt/2) xi - torque/(I
lambda), so a body can be brought back exactly if full effort brings xi back (derived here from I tilt'' = G
sin(tilt) - torque; the linear version is the unstable-mode coordinate of every text on input-constrained
unstable plants).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import asin, exp, inf, log, pi, radians, sin, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.linalg import solve_discrete_are
from scipy.optimize import brentq

from codegen.design.closed_form import closed_form_excursion, unstable_pole
from codegen.plant import Plant, linearise, sample

RING_FIGURE_WANTED = 3.0
"""A ring is large enough once lambda J w_top / T exceeds this: exp(-3) = 5 % of the bound is then lost."""

SPEED_SHARES = (0.0, 0.3, 0.6, 0.8, 0.9)
"""Wheel speeds, as shares of top speed, at which the remaining poke capacity is tabulated."""

FALL_ERRORS_RAD = tuple(radians(degrees) for degrees in (0.1, 0.25, 0.5, 1.0, 2.0, 3.0))
"""Tilt errors for which the fall of a loop without wheel feedback is timed."""

FALLEN_RAD = radians(60.0)
"""Tilt at which a body counts as fallen in :func:`fall_time`."""


@dataclass(frozen=True)
class SpeedLoss:
    """Poke capacity left when the wheel already spins in the direction that the recovery needs."""

    top_speed_share: float
    wheel_rad_s: float
    poke_rad_s: float
    kept_share: float


@dataclass(frozen=True)
class Limits:
    """Bounds of one machine; SI units, angles in rad from the true balance angle.

    Attributes:
        divergence_rad_s: lambda = sqrt(G/I), the rate at which an uncontrolled body tips over.
        unstable_pole_rad_s: The same with pivot damping; the right-half-plane pole of the linear machine.
        static_tilt_rad: asin(T/G): the largest tilt at which the motor can hold the body still for an
            instant.
        recoverable_tilt_rad: Largest tilt, released at rest with the wheel at rest, from which full effort
            returns.
        excursion_rad: Recoverable xi by the Laplace quadrature of the full-effort torque.
        excursion_closed_form_rad: The same in closed form, see :mod:`codegen.design.closed_form`.
        poke_rad_s: Largest sudden tilt rate at rest from which full effort returns.
        poke_n_m_s: The same as angular impulse about the pivot.
        poke_height_m: Height of the finger for ``poke_n_s``.
        poke_n_s: The same as impulse of the finger at that height.
        dead_time_s: Total dead time of the loop, see :func:`dead_time`.
        dead_time_factor: exp(p t_d), p the unstable pole: the least possible peak of the complementary
            sensitivity, and the factor by which dead time shrinks every recoverable excursion.
        speed_losses: Poke capacity against wheel speed.
        creep_rad_s2_per_rad: Wheel acceleration per rad of standing tilt error, G/J.
        fall_times: Pairs (tilt error in rad, seconds to fall) of a loop that ignores the wheel.
        kalman_floor_rad: Least RMS tilt error any estimator can reach with this gyro, n_g/sqrt(lambda).
        sampled_floor_rad: The same for the sampled loop with both sensors, their quantisers and the dead
            time.
        blind_height_m: g/lambda^2: an accelerometer at this height is blind to the tilt of a falling body,
            and above it reads the wrong sign.
        ring_figure: lambda J w_top / T.
        smallest_ring_kg_m2: Wheel inertia at which the figure is ``RING_FIGURE_WANTED``.
        wheel_only_peak_sensitivity: Least peak sensitivity of any controller that feeds back the wheel speed
            alone.
    """

    divergence_rad_s: float
    unstable_pole_rad_s: float
    static_tilt_rad: float
    recoverable_tilt_rad: float
    excursion_rad: float
    excursion_closed_form_rad: float
    poke_rad_s: float
    poke_n_m_s: float
    poke_height_m: float
    poke_n_s: float
    dead_time_s: float
    dead_time_factor: float
    speed_losses: tuple[SpeedLoss, ...]
    creep_rad_s2_per_rad: float
    fall_times: tuple[tuple[float, float], ...]
    kalman_floor_rad: float
    sampled_floor_rad: float
    blind_height_m: float
    ring_figure: float
    smallest_ring_kg_m2: float
    wheel_only_peak_sensitivity: float


def find_limits(plant: Plant, poke_height_m: float) -> Limits:
    """All bounds of ``plant``; a finger pushes at ``poke_height_m`` > 0 above the pivot."""
    divergence = plant.divergence_rad_s
    poke = recoverable_poke(plant)
    impulse = plant.body_inertia_kg_m2 * poke
    delay = dead_time(plant)
    torque = plant.torque_limit_n_m
    return Limits(
        divergence_rad_s=divergence,
        unstable_pole_rad_s=unstable_pole(plant),
        static_tilt_rad=static_tilt(plant),
        recoverable_tilt_rad=recoverable_tilt(plant),
        excursion_rad=full_effort_excursion(plant),
        excursion_closed_form_rad=closed_form_excursion(plant),
        poke_rad_s=poke,
        poke_n_m_s=impulse,
        poke_height_m=poke_height_m,
        poke_n_s=impulse / poke_height_m,
        dead_time_s=delay,
        dead_time_factor=exp(unstable_pole(plant) * delay),
        speed_losses=tuple(_speed_loss(plant, share, poke) for share in SPEED_SHARES),
        creep_rad_s2_per_rad=plant.gravity_torque_n_m / plant.wheel_inertia_kg_m2,
        fall_times=tuple((error, fall_time(plant, error)) for error in FALL_ERRORS_RAD),
        kalman_floor_rad=kalman_floor(plant),
        sampled_floor_rad=sampled_floor(plant),
        blind_height_m=plant.gravity_m_s2 / divergence**2,
        ring_figure=divergence * plant.wheel_inertia_kg_m2 * plant.top_speed_rad_s / torque,
        smallest_ring_kg_m2=RING_FIGURE_WANTED * torque / (divergence * plant.top_speed_rad_s),
        wheel_only_peak_sensitivity=pole_zero_peak(divergence, _wheel_zero(plant)),
    )


def net_torque(plant: Plant, wheel_rad_s: float) -> float:
    """Largest torque in N m that still speeds up a wheel turning at ``wheel_rad_s``.

    The smaller of the current limit and what the supply can drive against the back-EMF, less the wheel's
    friction (Coulomb, Stribeck in the form tau_c + (tau_s - tau_c)/(1 + (w/w_s)^2), viscous). Negative above
    the speed that the motor can reach; a wheel that turns the other way is braked by its friction.
    """
    driven = plant.torque_constant * (plant.supply_v - plant.torque_constant * wheel_rad_s) / plant.resistance_ohm
    rising = (plant.wheel_stiction_n_m - plant.wheel_coulomb_n_m) / (1.0 + (wheel_rad_s / plant.stribeck_rad_s) ** 2)
    friction = plant.wheel_coulomb_n_m + rising + plant.wheel_viscous_n_m_s * abs(wheel_rad_s)
    return min(plant.torque_limit_n_m, driven) - (friction if wheel_rad_s >= 0.0 else -friction)


def reachable_speed(plant: Plant, load_n_m: float = 0.0) -> float:
    """Wheel speed in rad/s at which the net torque has fallen to ``load_n_m``; 0 if it never exceeds it."""
    if net_torque(plant, 0.0) <= load_n_m:
        return 0.0
    return float(brentq(lambda speed: net_torque(plant, speed) - load_n_m, 0.0, plant.top_speed_rad_s))


def static_tilt(plant: Plant) -> float:
    """asin(T/G) in rad, T the torque limit less starting friction; pi/2 if the motor outweighs gravity."""
    share = max(0.0, net_torque(plant, 0.0)) / plant.gravity_torque_n_m
    return asin(min(1.0, share))


def full_effort_excursion(plant: Plant, wheel_rad_s: float = 0.0) -> float:
    """Recoverable excursion xi in rad: Laplace integral at p of the full-effort torque, over I lambda.

    p is the unstable pole with pivot damping; with p = lambda this is the integral of T(t) exp(-lambda t)
    for a wheel that starts at ``wheel_rad_s`` >= 0 and is driven with everything the motor and supply can
    give. Linear in the tilt; :func:`recoverable_poke` and :func:`recoverable_tilt` are the nonlinear
    readings.
    """
    _, gathered = _full_effort(plant, wheel_rad_s, inf)
    return gathered / (plant.body_inertia_kg_m2 * plant.divergence_rad_s)


def recoverable_poke(plant: Plant, wheel_rad_s: float = 0.0) -> float:
    """Largest sudden tilt rate in rad/s at zero tilt that full effort brings back, friction included.

    Solves the nonlinear machine (gravity as sin(tilt), pivot friction, the wheel carried along by the body)
    under full effort and bisects on the starting rate to 1e-4 of it. No controller returns from more, since
    xi can only fall as fast as full effort makes it. ``wheel_rad_s`` is the wheel's speed before the blow; the
    blow does not change its absolute speed, so against the body it is slower by the body's new rate.
    """
    scale = plant.torque_limit_n_m / (plant.body_inertia_kg_m2 * plant.divergence_rad_s)
    return _largest(lambda rate: _returns(plant, 0.0, rate, wheel_rad_s - rate), 1.2 * scale)


def recoverable_tilt(plant: Plant, wheel_rad_s: float = 0.0) -> float:
    """Largest tilt in rad, released at rest, that full effort brings back; as in :func:`recoverable_poke`."""
    highest = min(1.1 * asin(min(1.0, plant.torque_limit_n_m / plant.gravity_torque_n_m)), FALLEN_RAD)
    return _largest(lambda tilt: _returns(plant, tilt, 0.0, wheel_rad_s), highest)


def effort_speed(plant: Plant, share: float, wheel_rad_s: float = 0.0) -> float:
    """Wheel speed in rad/s reached while full effort takes up ``share`` (0..1) of the recoverable poke.

    At the time t when the Laplace integral up to t is the share of the whole, the excursion is back at zero
    and effort can end; what follows is the body's own decay, whose momentum G tilt/lambda the wheel takes up
    as well. The tilt then is below the recoverable one times the share, which is what is charged for it.
    """
    whole = full_effort_excursion(plant, wheel_rad_s) * plant.body_inertia_kg_m2 * plant.divergence_rad_s
    speed, _ = _full_effort(plant, wheel_rad_s, share * whole)
    decay = plant.gravity_torque_n_m * share * recoverable_tilt(plant) / plant.divergence_rad_s
    return min(speed + decay / plant.wheel_inertia_kg_m2, reachable_speed(plant))


def fall_time(plant: Plant, error_rad: float) -> float:
    """Seconds until a loop that holds the tilt but ignores the wheel falls, with a standing tilt error >= 0.

    Momentum grows as G sin(error), so the wheel reaches the speed at which the motor can no longer give that
    torque after J w/(G sin(error)); from there the body topples within ln(2 fallen/error)/lambda. Infinite
    for no error.
    Source: momentum balance of a reaction-wheel pendulum (idea of "generalised momenta": Muehlebach,
    Mohanarajah, D'Andrea, Nonlinear Analysis and Control of a Reaction Wheel-based 3D Inverted Pendulum, CDC
    2013), derived here.
    """
    if error_rad == 0.0:
        return inf
    load = plant.gravity_torque_n_m * sin(error_rad)
    creep = plant.wheel_inertia_kg_m2 * reachable_speed(plant, load) / load
    return creep + log(2.0 * FALLEN_RAD / error_rad) / plant.divergence_rad_s


def dead_time(plant: Plant) -> float:
    """Dead time of the loop in s: latency, half a period of holding, first-order lags counted as delays."""
    low_pass = 1.0 / (2.0 * pi * plant.gyro.low_pass_hz) if plant.gyro.low_pass_hz > 0.0 else 0.0
    return plant.latency_s + 0.5 * plant.period_s + low_pass + plant.current_lag_s


def kalman_floor(plant: Plant) -> float:
    """Least RMS tilt error in rad of any estimator with this gyro: sqrt(2 R/lambda) = n_g/sqrt(lambda).

    Steady state of the Kalman-Bucy filter for tilt'' = lambda^2 tilt without process noise and the rate
    measured in white noise of two-sided density R (derived from the Riccati equation; n_g is the one-sided
    density).
    """
    return plant.gyro.noise_rad_s_sqrt_hz / sqrt(plant.divergence_rad_s)


def sampled_floor(plant: Plant) -> float:
    """Least RMS tilt error in rad with both sensors sampled and quantised, predicted over the dead time.

    Discrete Kalman filter of the body without process noise; quantisers count as white noise of step^2/12
    (common practice, no source). A falling body's accelerometer reads (g - h lambda^2) tilt once the known
    torque is taken off.
    """
    divergence, period = plant.divergence_rad_s, plant.period_s
    body, push = linearise(plant)
    transition, _ = sample(body[:2, :2], push[:2], period, 0.0)
    seen = np.array([[0.0, 1.0], [plant.gravity_m_s2 - plant.accelerometer.height_m * divergence**2, 0.0]])
    noise = np.diag(reading_variances(plant))
    errors, _ = steady_state_kalman(transition[:2, :2], seen, np.zeros((2, 2)), noise)
    return sqrt(float(errors[0, 0])) * exp(divergence * dead_time(plant))


def reading_variances(plant: Plant) -> tuple[float, float]:
    """Variances of one gyro and one accelerometer reading: (rad/s)^2, (m/s^2)^2.

    White sensor noise of the stated density up to half the sampling rate, plus step^2/12 for each quantiser.
    """
    gyro, accelerometer, half_rate = plant.gyro, plant.accelerometer, 0.5 / plant.period_s
    return (
        gyro.noise_rad_s_sqrt_hz**2 * half_rate + gyro.counts_per_rad_s**-2 / 12.0,
        accelerometer.noise_m_s2_sqrt_hz**2 * half_rate + accelerometer.counts_per_m_s2**-2 / 12.0,
    )


def steady_state_kalman(
    transition: NDArray[np.float64],
    seen: NDArray[np.float64],
    process: NDArray[np.float64],
    noise: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Predicted error covariance (n, n) and filter gain (n, p) of the steady discrete Kalman filter.

    ``transition`` (n, n), ``seen`` (p, n), ``process`` (n, n) and ``noise`` (p, p) are those of x' = A x +
    w, y = C x + v.
    Source: the filter Riccati equation is the control one with A and C transposed (Astrom, Wittenmark,
    *Computer-Controlled Systems*, ch. 11; from memory).
    """
    predicted = np.asarray(solve_discrete_are(transition.T, seen.T, process, noise), dtype=np.float64)
    spread = seen @ predicted @ seen.T + noise
    gain = np.asarray(np.linalg.solve(spread.T, seen @ predicted.T).T, dtype=np.float64)
    return predicted, gain


def pole_zero_peak(pole: float, zero: float) -> float:
    """Least peak of both sensitivities with one right-half-plane pole and zero: (z + p)/|z - p|.

    Source: Hurak, *Optimal and Robust Control* (lecture notes, Czech Technical University), limitations of
    SISO loops.
    """
    return (zero + pole) / abs(zero - pole)


def pole_delay_limit(phase_margin_rad: float) -> float:
    """Largest product of unstable pole and dead time that leaves the phase margin at a flat crossover.

    With slope -1/2 the inequality reads sqrt(2x - x^2) + 2 atan(1/sqrt(2/x - 1)) <= pi - margin - pi/4;
    equality gives 0.326 for a margin of 45 degrees.
    Source: Astrom, *Limitations on control system performance*, European Journal of Control 6 (2000), gain
    crossover frequency inequality (from memory, re-solved).
    """

    def excess(product: float) -> float:
        lag = sqrt(2.0 * product - product**2) + 2.0 * np.arctan(1.0 / sqrt(2.0 / product - 1.0))
        return float(lag) - (pi - phase_margin_rad - pi / 4.0)

    return float(brentq(excess, 1e-9, 1.0))


def _wheel_zero(plant: Plant) -> float:
    """Right-half-plane zero in rad/s of the wheel speed's response to torque, sqrt(G/(I + J))."""
    return sqrt(plant.gravity_torque_n_m / (plant.body_inertia_kg_m2 + plant.wheel_inertia_kg_m2))


def _speed_loss(plant: Plant, share: float, poke_at_rest: float) -> SpeedLoss:
    speed = share * plant.top_speed_rad_s
    poke = recoverable_poke(plant, speed)
    return SpeedLoss(share, speed, poke, poke / poke_at_rest)


def _full_effort(plant: Plant, wheel_rad_s: float, until: float) -> tuple[float, float]:
    """Wheel speed and Laplace integral of the torque at p (N m s) once that is ``until``, or at its end."""
    pole = unstable_pole(plant)

    def slope(time_s: float, state: NDArray[np.float64]) -> list[float]:
        torque = max(0.0, net_torque(plant, float(state[0])))
        return [torque / plant.wheel_inertia_kg_m2, torque * exp(-pole * time_s)]

    def gathered(_: float, state: NDArray[np.float64]) -> float:
        return float(state[1]) - min(until, 1e9)

    gathered.terminal = True  # type: ignore[attr-defined]
    # exp(-25) of the integral is left out. The step limit keeps the integrator from stepping over the knee.
    span, start = (0.0, 25.0 / pole), [wheel_rad_s, 0.0]
    run = solve_ivp(slope, span, start, events=gathered, rtol=1e-8, atol=1e-12, max_step=0.5 / pole)
    return float(run.y[0, -1]), float(run.y[1, -1])


def _returns(plant: Plant, tilt_rad: float, rate_rad_s: float, wheel_rad_s: float) -> bool:
    """Whether full effort brings the nonlinear body back through upright before it falls."""
    inertia, wheel = plant.body_inertia_kg_m2, plant.wheel_inertia_kg_m2

    def slope(_: float, state: NDArray[np.float64]) -> list[float]:
        tilt, rate, speed = (float(value) for value in state)
        torque = net_torque(plant, speed)
        # The sign of the rate, smoothed over 0.01 rad/s so that the integrator need not chatter at rest.
        friction = plant.pivot_damping_n_m_s * rate + plant.pivot_coulomb_n_m * rate / sqrt(rate**2 + 1e-4)
        turn = (plant.gravity_torque_n_m * sin(tilt) - friction - torque) / inertia
        return [rate, turn, torque / wheel - turn]

    def fallen(_: float, state: NDArray[np.float64]) -> float:
        return float(state[0]) - FALLEN_RAD

    def upright(_: float, state: NDArray[np.float64]) -> float:
        return float(state[0]) + 1e-6

    fallen.terminal = True  # type: ignore[attr-defined]
    upright.terminal = True  # type: ignore[attr-defined]
    span = (0.0, 30.0 / plant.divergence_rad_s)
    run = solve_ivp(slope, span, [tilt_rad, rate_rad_s, wheel_rad_s], events=(fallen, upright), rtol=1e-7, atol=1e-9)
    # An event ends the run; only the one that was met leaves a last state there.
    return float(run.y[0, -1]) < 0.0


def _largest(returns: Callable[[float], bool], highest: float) -> float:
    """Largest value in [0, highest] for which the monotone ``returns`` holds, to 1e-4 of ``highest``."""
    low, high = 0.0, highest
    while high - low > 1e-4 * highest:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if returns(middle) else (low, middle)
    return 0.5 * (low + high)
