"""What physics allows a rolling balancer, whatever the controller: bounds to be stated before any gain is chosen.

Takes a :class:`~codegen.plant.rolling.RollingPlant`; gives :class:`RollingLimits` in SI units. Chooses nothing.

The growing coordinate is xi = tilt + rate/lambda, with xi' = lambda xi - N F/(Ie lambda) while the drive pushes with the force F: a body
can be brought back exactly if the integral of N F exp(-lambda t) under full effort outweighs it (derived from the equations in
``codegen.plant.rolling``; the unstable-mode coordinate of every text on input-constrained unstable plants). On a rail the travel is
limited too; there the largest start from which *any* course of the command leads back is found as a linear programme.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import asin, atan2, cos, exp, hypot, inf, isfinite, pi, radians, sin, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.integrate import solve_ivp
from scipy.optimize import linprog

from codegen.errors import DesignError
from codegen.plant import sample
from codegen.plant.rolling import Inertial, RollingPlant, linearise_rolling

FALLEN_RAD = radians(60.0)
"""Tilt at which a body counts as fallen under full effort."""

_COURSE_STEPS = 250
_COURSE_TIMES = 15.0
"""The linear programme looks so many times 1/lambda ahead: exp(-15) of any start is left out of account, and time to stop is in it."""


@dataclass(frozen=True)
class RollingLimits:
    """Bounds of one machine; SI units, angles in rad from the true balance angle.

    Attributes:
        divergence_rad_s: lambda, the rate at which the body tips over while the carriage is free.
        unstable_pole_rad_s: The same with friction; the right-half-plane pole of the linear machine.
        static_tilt_rad: Largest tilt at rest from which the full force keeps the body from falling further, in closed form.
        full_effort_tilt_rad: Largest tilt, released at rest, that full effort brings back on an endless floor.
        track_tilt_rad: Largest that any course of the command brings back within the track (linear machine); infinite on a floor.
        recoverable_tilt_rad: The smaller of the two.
        closed_form_tilt_rad: ``full_effort_tilt_rad`` by :func:`closed_form_tilt`.
        full_effort_poke_n_m_s, track_poke_n_m_s, poke_n_m_s: The same three for a poke at rest, as angular impulse about the pivot.
        poke_height_m: Height of the finger above the pivot or axle.
        poke_n_s: The poke as impulse of the finger.
        dead_time_s: Total dead time of the loop, filters left out.
        dead_time_factor: exp(p t_d), p the unstable pole: the least possible peak of the complementary sensitivity.
        creep_m_s2_per_rad: Acceleration of the carriage per rad of standing tilt error, G/(P + c M).
        kalman_floor_rad: Least RMS tilt error any estimator can reach with this gyro, n_g/sqrt(lambda); 0 with encoders.
    """

    divergence_rad_s: float
    unstable_pole_rad_s: float
    static_tilt_rad: float
    full_effort_tilt_rad: float
    track_tilt_rad: float
    recoverable_tilt_rad: float
    closed_form_tilt_rad: float
    full_effort_poke_n_m_s: float
    track_poke_n_m_s: float
    poke_n_m_s: float
    poke_height_m: float
    poke_n_s: float
    dead_time_s: float
    dead_time_factor: float
    creep_m_s2_per_rad: float
    kalman_floor_rad: float


def find_rolling_limits(plant: RollingPlant) -> RollingLimits:
    """All bounds of ``plant``.

    Raises:
        DesignError: The drive does not overcome its own friction.
    """
    if net_force(plant, 0.0) <= 0.0:
        raise DesignError(
            f"the drive's {plant.torque_limit_n_m:.3g} N m do not overcome friction", "drive", "raise drive.current_limit_a"
        )
    track = isfinite(plant.half_track_m)
    push = poke_effect(plant)
    poke = full_effort_poke(plant)
    tilt = full_effort_tilt(plant)
    track_tilt = largest_course(plant, (0.0, 0.0, 1.0, 0.0)) if track else inf
    track_poke = largest_course(plant, (0.0, push[0], 0.0, push[1])) if track else inf
    pole, delay = unstable_pole(plant), dead_time(plant)
    senses = plant.senses
    return RollingLimits(
        divergence_rad_s=plant.divergence_rad_s,
        unstable_pole_rad_s=pole,
        static_tilt_rad=static_tilt(plant),
        full_effort_tilt_rad=tilt,
        track_tilt_rad=track_tilt,
        recoverable_tilt_rad=min(tilt, track_tilt),
        closed_form_tilt_rad=closed_form_tilt(plant),
        full_effort_poke_n_m_s=poke,
        track_poke_n_m_s=track_poke,
        poke_n_m_s=min(poke, track_poke),
        poke_height_m=plant.push_height_m,
        poke_n_s=min(poke, track_poke) / plant.push_height_m,
        dead_time_s=delay,
        dead_time_factor=exp(pole * delay),
        creep_m_s2_per_rad=plant.gravity_torque_n_m / plant.momentum_per_speed,
        kalman_floor_rad=senses.gyro.noise_rad_s_sqrt_hz / sqrt(plant.divergence_rad_s) if isinstance(senses, Inertial) else 0.0,
    )


def unstable_pole(plant: RollingPlant) -> float:
    """Right-half-plane pole in rad/s of the machine with its viscous friction."""
    A, _ = linearise_rolling(plant)
    return float(np.max(np.linalg.eigvals(A).real))


def dead_time(plant: RollingPlant) -> float:
    """Dead time of the loop in s: latency, half a period of holding, first-order lags counted as delays."""
    senses = plant.senses
    low_pass = 1.0 / (2.0 * pi * senses.gyro.low_pass_hz) if isinstance(senses, Inertial) and senses.gyro.low_pass_hz > 0.0 else 0.0
    return plant.latency_s + 0.5 * plant.period_s + low_pass + plant.current_lag_s


def poke_effect(plant: RollingPlant) -> tuple[float, float]:
    """Sudden speed (m/s) and tilt rate (rad/s) per N m s of poke, given upright at the push height h.

    M v + P w = 1/h, P v + I w = 1: a force so short that nothing moves meanwhile.
    """
    masses = np.array([[plant.mass_kg, plant.moment_kg_m], [plant.moment_kg_m, plant.inertia_kg_m2]])
    speed, rate = np.linalg.solve(masses, np.array([1.0 / plant.push_height_m, 1.0]))
    return float(speed), float(rate)


def static_tilt(plant: RollingPlant) -> float:
    """Largest tilt in rad from which a body at rest does not fall further under the full force F, Coulomb friction off it.

    At rest the tilt accelerates with M G sin(th) - F (P cos(th) + c M), so th = atan(F P/(M G)) + asin(F c M/sqrt((M G)^2 + (F P)^2));
    no controller returns from beyond, since the rate can never become negative there. pi/2 if the drive outweighs gravity.
    """
    force = max(0.0, net_force(plant, 0.0))
    gravity, along = plant.mass_kg * plant.gravity_torque_n_m, force * plant.moment_kg_m
    share = force * plant.stator_arm_m * plant.mass_kg / hypot(gravity, along)
    return pi / 2.0 if share >= 1.0 else min(pi / 2.0, atan2(along, gravity) + asin(share))


def motor_torque(plant: RollingPlant, drive_rad_s: float) -> float:
    """Largest torque of all motors in N m at ``drive_rad_s`` >= 0: the current limit, or what the supply drives against the back-EMF."""
    driven = plant.motors * plant.torque_constant * (plant.supply_v - plant.torque_constant * drive_rad_s) / plant.resistance_ohm
    return min(plant.torque_limit_n_m, driven)


def net_force(plant: RollingPlant, drive_rad_s: float) -> float:
    """Largest force in N on the carriage while it moves with its drive at ``drive_rad_s`` >= 0, friction off it."""
    torque = motor_torque(plant, drive_rad_s) - plant.drive_coulomb_n_m - plant.drive_viscous_n_m_s * drive_rad_s
    return torque / plant.radius_m - plant.rail_coulomb_n


def kept_share(plant: RollingPlant) -> float:
    """Share of N F/G that the drive's limited speed leaves of the recoverable xi, from rest, in closed form.

    1 - exp(-lambda t_k)/(1 + lambda tau_m): constant force F up to the knee speed w_k at t_k = M r w_k/F, then an exponential decay
    against the back-EMF with tau_m = R M r^2/(motors K_t^2). At the bound the body hangs still in its lean while the carriage runs, so
    the drive feels all of M and nothing else. Viscous drag d on the carriage takes off the force as exp(-d t/M), which divides the whole
    by 1 + d/(lambda M).
    Source: Laplace transform at lambda of the two-piece force, derived here.
    """
    divergence, radius = plant.divergence_rad_s, plant.radius_m
    force = max(0.0, net_force(plant, 0.0))
    if force == 0.0:
        return 0.0
    mass = plant.mass_kg
    knee_time = mass * radius * plant.knee_speed_rad_s / force
    motor_time = plant.resistance_ohm * mass * radius**2 / (plant.motors * plant.torque_constant**2)
    drag = plant.rail_viscous_n_s_m + plant.drive_viscous_n_m_s / radius**2
    return (1.0 - exp(-divergence * knee_time) / (1.0 + divergence * motor_time)) / (1.0 + drag / (divergence * mass))


def closed_form_excursion(plant: RollingPlant) -> float:
    """Recoverable excursion xi = tilt + rate/lambda in rad of the linear machine, from rest: N F/G times the kept share."""
    return plant.arm_m * max(0.0, net_force(plant, 0.0)) / plant.gravity_torque_n_m * kept_share(plant)


def closed_form_tilt(plant: RollingPlant) -> float:
    """Largest tilt in rad, released at rest, that full effort brings back: the static tilt times the kept share."""
    return static_tilt(plant) * kept_share(plant)


def full_effort_tilt(plant: RollingPlant) -> float:
    """Largest tilt in rad, released at rest, that full effort brings back on an endless floor; nonlinear, friction included."""
    return _largest(lambda tilt: _returns(plant, tilt, 0.0, 0.0), min(1.05 * static_tilt(plant), FALLEN_RAD))


def full_effort_poke(plant: RollingPlant) -> float:
    """Largest poke in N m s at rest, upright, that full effort brings back on an endless floor; nonlinear, friction included."""
    speed, rate = poke_effect(plant)
    highest = 1.5 * plant.divergence_rad_s * static_tilt(plant) / rate
    return _largest(lambda poke: _returns(plant, 0.0, rate * poke, speed * poke), highest)


def _returns(plant: RollingPlant, tilt_rad: float, rate_rad_s: float, speed_m_s: float) -> bool:
    """Whether full effort brings the nonlinear body back through upright before it falls."""
    arm = float(plant.stator_on_body)

    def slope(_: float, state: NDArray[np.float64]) -> list[float]:
        speed, tilt, rate = (float(value) for value in state)
        turning = speed / plant.radius_m - arm * rate
        drag = plant.drive_coulomb_n_m * turning / sqrt(turning**2 + 1e-4) + plant.drive_viscous_n_m_s * turning
        torque = motor_torque(plant, turning) - drag
        rail = plant.rail_viscous_n_s_m * speed + plant.rail_coulomb_n * speed / sqrt(speed**2 + 1e-6)
        coupling = plant.moment_kg_m * cos(tilt)
        force = torque / plant.radius_m + plant.moment_kg_m * sin(tilt) * rate**2 - rail
        pivot = plant.pivot_damping_n_m_s * rate + plant.pivot_coulomb_n_m * rate / sqrt(rate**2 + 1e-4)
        moment = plant.gravity_torque_n_m * sin(tilt) - arm * torque - pivot
        determinant = plant.mass_kg * plant.inertia_kg_m2 - coupling**2
        return [
            (plant.inertia_kg_m2 * force - coupling * moment) / determinant,
            rate,
            (plant.mass_kg * moment - coupling * force) / determinant,
        ]

    def fallen(_: float, state: NDArray[np.float64]) -> float:
        return float(state[1]) - FALLEN_RAD

    def upright(_: float, state: NDArray[np.float64]) -> float:
        return float(state[1]) + 1e-6

    fallen.terminal = True  # type: ignore[attr-defined]
    upright.terminal = True  # type: ignore[attr-defined]
    span = (0.0, 30.0 / plant.divergence_rad_s)
    run = solve_ivp(slope, span, [speed_m_s, tilt_rad, rate_rad_s], events=(fallen, upright), rtol=1e-7, atol=1e-9)
    # An event ends the run; only the one that was met leaves a last state there.
    return float(run.y[1, -1]) < 0.0


def largest_course(plant: RollingPlant, start: tuple[float, float, float, float]) -> float:
    """Largest multiple of ``start`` (place, speed, tilt, rate) from which some course of the command leads to standing still.

    Linear programme over the linear machine sampled ``_COURSE_STEPS`` times within ``_COURSE_TIMES``/lambda: the torque keeps to its
    limit and to what the supply drives, the place to the track, and at the end speed, tilt and rate are zero. It knows the future, so no
    controller does better on the linear machine; Coulomb friction is left out. The course is piecewise constant, which costs about a
    tenth of a percent.
    """
    A, B = linearise_rolling(plant)
    step_s = _COURSE_TIMES / plant.divergence_rad_s / _COURSE_STEPS
    Ad, Bd = sample(A, B, step_s)
    steps, scale = _COURSE_STEPS, plant.torque_limit_n_m
    # Unknowns: the multiple, states 1 ... n, commands 0 ... n - 1 in units of the torque limit.
    before_each = sparse.eye_array(steps, k=-1)
    dynamics = sparse.eye_array(4 * steps) - sparse.kron(before_each, Ad)
    first = np.zeros((4 * steps, 1))
    first[:4, 0] = -(Ad @ np.array(start))
    commands = sparse.kron(sparse.eye_array(steps), -scale * Bd)
    end = sparse.csr_array((np.ones(3), (np.arange(3), 4 * (steps - 1) + np.array([1, 2, 3]))), shape=(3, 4 * steps))
    equal = _stack([[sparse.csr_array(first), dynamics, commands], [None, end, None]])
    # Torque against the supply: tau + motors K_t^2/R (turning speed) <= motors K_t V/R, of either sign, at the start of every step.
    back = plant.motors * plant.torque_constant**2 / plant.resistance_ohm
    driven = plant.motors * plant.torque_constant * plant.supply_v / plant.resistance_ohm
    turning = np.array([0.0, 1.0 / plant.radius_m, 0.0, -float(plant.stator_on_body)])
    initial = np.zeros((steps, 1))
    initial[0, 0] = back * float(turning @ np.array(start))
    supply = _stack([[sparse.csr_array(initial), sparse.kron(before_each, back * turning[None]), scale * sparse.eye_array(steps)]])
    cost = np.zeros(1 + 5 * steps)
    cost[0] = -1.0
    half = plant.half_track_m if isfinite(plant.half_track_m) else None
    free = (None, None)
    bounds = [(0.0, None), *([(None if half is None else -half, half), free, free, free] * steps), *([(-1.0, 1.0)] * steps)]
    found: Any = linprog(
        cost,
        A_ub=_stack([[supply], [-supply]]),
        b_ub=np.full(2 * steps, driven),
        A_eq=equal,
        b_eq=np.zeros(4 * steps + 3),
        bounds=bounds,
        method="highs",
    )
    if not found.success:
        raise DesignError(f"the largest recoverable start was not found ({found.message})", "drive", "check the drive's figures")
    return float(found.x[0])


def _stack(blocks: list[list[Any]]) -> Any:
    """Blocks of a sparse matrix put together; None for zeros."""
    return sparse.block_array(blocks, format="csr")


def _largest(returns: Callable[[float], bool], highest: float) -> float:
    """Largest value in [0, highest] for which the monotone ``returns`` holds, to 1e-4 of ``highest``."""
    low, high = 0.0, highest
    while high - low > 1e-4 * highest:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if returns(middle) else (low, middle)
    return 0.5 * (low + high)
