"""Recoverable poke and tilt in closed form: what full effort can bring back, without solving a differential equation.

Takes a :class:`~codegen.plant.Plant`; gives numbers in SI units. The exact nonlinear readings, by simulation of full effort, are in
:mod:`codegen.design.limits`; these agree with them within 2 % (``tests/test_design_closed_form.py``).

The direction of the linear body that grows is v = tilt rate + (lambda^2/p) tilt, p the unstable pole: v' = p v - torque/I. A body
comes back if and only if I v is at most the *effort* E = integral of T(t) exp(-p t), T the full-effort torque. The wheel, driven with
everything, gives a constant torque up to the knee speed and then one that decays against the back-EMF; both pieces are exponentials,
Coulomb and viscous friction included, so their Laplace transform is elementary. All of it is derived here.
"""

from __future__ import annotations

from math import asin, atan, exp, expm1, inf, log1p, pi, sqrt

from codegen.plant import Plant


def unstable_pole(plant: Plant) -> float:
    """Right-half-plane pole in rad/s of the tilt alone, pivot damping included: I s^2 + B s - G = 0."""
    half = plant.pivot_damping_n_m_s / (2.0 * plant.body_inertia_kg_m2)
    return sqrt(half**2 + plant.divergence_rad_s**2) - half


def closed_form_effort(plant: Plant, wheel_rad_s: float = 0.0) -> float:
    """E in N m s for a wheel that starts at ``wheel_rad_s`` >= 0 (against the body, in the direction of the recovery).

    Up to the knee, J w' = T - tau_c - b w; beyond it the supply gives K_t (V - K_t w)/R. The excess of the Stribeck curve over
    Coulomb's, (tau_s - tau_c)/(1 + (w/w_s)^2), acts for milliseconds only and is charged as the momentum it takes while the wheel
    passes through it at its first acceleration.
    """
    pole, inertia = unstable_pole(plant), plant.wheel_inertia_kg_m2
    drag, dry = plant.wheel_viscous_n_m_s, plant.wheel_coulomb_n_m
    slope = plant.torque_constant**2 / plant.resistance_ohm
    driven = plant.torque_constant * plant.supply_v / plant.resistance_ohm - slope * wheel_rad_s
    first = min(plant.torque_limit_n_m, driven) - dry - drag * wheel_rad_s
    if first <= 0.0:
        return 0.0
    room = plant.knee_speed_rad_s - wheel_rad_s
    knee_time = _time_to_knee(room, first, drag, inertia) if room > 0.0 else 0.0
    rate = drag / inertia
    constant = -first * expm1(-(pole + rate) * knee_time) / (pole + rate) if knee_time < inf else first / (pole + rate)
    left = 0.0
    if knee_time < inf:
        at_knee = first - drag * max(0.0, room)
        left = exp(-pole * knee_time) * at_knee / (pole + (slope + drag) / inertia)
    return max(0.0, constant + left - _stribeck_charge(plant, wheel_rad_s, first))


def _time_to_knee(room: float, first: float, drag: float, inertia: float) -> float:
    """Seconds until the wheel has gained ``room`` rad/s from the net torque ``first``; infinite if its drag forbids it."""
    if drag * room >= first:
        return inf
    share = drag * room / first
    return inertia * room / first * (-log1p(-share) / share if share > 1e-9 else 1.0)


def _stribeck_charge(plant: Plant, wheel_rad_s: float, first: float) -> float:
    """Momentum in N m s that the excess of starting friction takes."""
    excess = plant.wheel_stiction_n_m - plant.wheel_coulomb_n_m
    angle = 0.5 * pi - atan(wheel_rad_s / plant.stribeck_rad_s)
    return excess * plant.wheel_inertia_kg_m2 * plant.stribeck_rad_s / first * angle


def closed_form_excursion(plant: Plant, wheel_rad_s: float = 0.0) -> float:
    """Recoverable excursion xi = E/(I lambda) in rad, the linear coordinate 2 sin(tilt/2) + rate/lambda; see the module."""
    return closed_form_effort(plant, wheel_rad_s) / (plant.body_inertia_kg_m2 * plant.divergence_rad_s)


def closed_form_poke(plant: Plant, wheel_rad_s: float = 0.0) -> float:
    """Largest sudden tilt rate in rad/s at zero tilt from which full effort returns.

    Three small terms beyond E/I: the wheel keeps its absolute speed at the blow, so against the body it is slower by the body's
    rate, which beyond the knee leaves more torque (Laplace transform of the rate that decays at the edge of recovery); Coulomb
    friction of the pivot helps as long as the body moves; and gravity grows as the sine of the tilt: for a constant torque of s G the
    exact edge is
    rate = lambda sqrt(2 (s asin s - 1 + sqrt(1 - s^2))), the energy balance up to the tilt asin s.
    """
    effort, pole = closed_form_effort(plant, wheel_rad_s), unstable_pole(plant)
    if effort == 0.0:
        return 0.0
    inertia, spin = plant.body_inertia_kg_m2, plant.wheel_inertia_kg_m2
    slope = plant.torque_constant**2 / plant.resistance_ohm + plant.wheel_viscous_n_m_s
    knee_time = _knee_time_of(plant, effort, wheel_rad_s)
    carried = 0.5 * slope * (effort / inertia) * exp(-2.0 * pole * knee_time) * pole / (pole + slope / spin) ** 2
    gathered = effort + carried + plant.pivot_coulomb_n_m / pole
    return gathered / inertia * _sine_gain(pole * gathered / plant.gravity_torque_n_m)


def closed_form_tilt(plant: Plant, wheel_rad_s: float = 0.0) -> float:
    """Largest tilt in rad, released at rest, from which full effort returns: asin(p E/G), exact for a constant torque.

    Beyond the knee the body moves back while the torque decays, and the wheel is faster against it by its rate: the Laplace transform
    of that rate at the edge is charged. pi/2 if the motor outweighs gravity.
    """
    effort, pole = closed_form_effort(plant, wheel_rad_s), unstable_pole(plant)
    if effort == 0.0:
        return 0.0
    spin = plant.wheel_inertia_kg_m2
    slope = plant.torque_constant**2 / plant.resistance_ohm + plant.wheel_viscous_n_m_s
    decay = slope / spin
    knee_time = _knee_time_of(plant, effort, wheel_rad_s)
    at_knee = min(plant.torque_limit_n_m, effort * (pole + decay)) / (pole + decay)
    carried = 0.5 * slope * (at_knee / plant.body_inertia_kg_m2) * exp(-pole * knee_time) * decay / (pole + decay) ** 2
    return asin(min(1.0, pole * (effort - carried) / plant.gravity_torque_n_m))


def _knee_time_of(plant: Plant, effort: float, wheel_rad_s: float) -> float:
    """Seconds to the knee at the torque that the effort stands for; 0 beyond it."""
    first = min(plant.torque_limit_n_m, effort * unstable_pole(plant) + plant.wheel_coulomb_n_m)
    return plant.wheel_inertia_kg_m2 * max(0.0, plant.knee_speed_rad_s - wheel_rad_s) / first


def _sine_gain(share: float) -> float:
    """Exact over linear poke for a constant torque of ``share`` G: 1 for a small one, sqrt(pi - 2) for 1 and more."""
    share = min(1.0, share)
    if share < 1e-3:
        return 1.0 + share**2 / 24.0
    return sqrt(2.0 * (share * asin(share) - 1.0 + sqrt(1.0 - share**2))) / share
