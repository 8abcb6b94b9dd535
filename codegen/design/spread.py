"""Bounds with the interval of the parameters carried through: how low and how high each may really be.

Takes a build (numbers with intervals) and its nominal plant; gives one :class:`Bound` per bound. Chooses nothing.

Every bound is monotone in each of a few composite numbers: G, I, J, the full-effort torque at every wheel speed, delays, noise. Its
ends are evaluated at the corner of their intervals that is worst and best for it; G and I count as independent, which makes the
interval a little wide, never too narrow. The torque constant is the one number that helps at low and harms at high wheel speed: its
interval is cut into pieces, in each the torque per ampere and the back-EMF take opposite ends, and the worst and best piece counts.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import degrees, expm1, radians

from codegen.build import Build, Quantity
from codegen.design.closed_form import closed_form_effort, unstable_pole
from codegen.design.limits import (
    RING_FIGURE_WANTED,
    dead_time,
    fall_time,
    kalman_floor,
    pole_delay_limit,
    recoverable_poke,
    recoverable_tilt,
)
from codegen.plant import Plant

SPINNING_SHARES = (0.3, 0.6, 0.8)
FALL_ERROR_RAD = radians(1.0)
PHASE_MARGIN_RAD = radians(45.0)
EASY_DEAD_TIME = 0.1
"""Product of rate of fall and dead time up to which dead time costs little; common practice, no source."""

_PIECES = 8

EXACT = "exact: simulated full effort"
CLOSED_FORM = "closed form"
RULE = "rule of the trade"


@dataclass(frozen=True)
class Bound:
    """One bound of the machine, whatever the controller.

    Attributes:
        name: Key for machines.
        words: The bound in words.
        unit: Of all three figures.
        low: Least that the intervals of the build file allow.
        value: At the nominal numbers.
        high: Most that they allow.
        method: How it is found.
        corners: Which corner gives the low end (the other gives the high one).
    """

    name: str
    words: str
    unit: str
    low: float
    value: float
    high: float
    method: str
    corners: str


@dataclass(frozen=True)
class _Ends:
    """Two machines between which a bound lies: ``worst`` gives its low end, ``best`` its high one."""

    worst: tuple[Plant, ...]
    best: tuple[Plant, ...]


def spread_limits(build: Build, plant: Plant) -> tuple[Bound, ...]:
    """All bounds of the machine with their intervals; ``plant`` is the nominal machine of ``build``."""
    machines = _Machines(build, plant)
    finger_m = build.wheel.axis_height_m
    # The worst for a tilt is a heavy, sluggish body; for a poke given as momentum, a heavy and quick one.
    tilt = machines.ends(gravity="high", inertia="high")
    poke = machines.ends(gravity="high", inertia="low")
    bounds = [
        _bound(
            "rate_of_fall",
            "rate at which it falls away (lambda)",
            "1/s",
            plant,
            lambda p: p.divergence_rad_s,
            machines.ends(gravity="low", inertia="high"),
            CLOSED_FORM,
            "gravity torque low, inertia high",
        ),
        _bound(
            "recoverable_tilt",
            "recoverable tilt, released at rest",
            "deg",
            plant,
            lambda p: degrees(recoverable_tilt(p)),
            _extreme(tilt, lambda p: closed_form_effort(p) / p.gravity_torque_n_m * p.divergence_rad_s),
            EXACT,
            "gravity torque high, inertia high, motor weak, ring light",
        ),
    ]
    best_for_poke = _extreme(poke, closed_form_effort)
    for share in (0.0, *SPINNING_SHARES):
        speed = share * plant.top_speed_rad_s
        where = "at rest" if share == 0.0 else f"wheel already at {speed:.0f} rad/s ({share:.0%} of top speed)"
        ends = best_for_poke if share == 0.0 else _extreme(poke, _effort_at(speed))
        bounds.append(
            _bound(
                "poke" if share == 0.0 else f"poke_spinning_{round(100 * share)}",
                f"largest poke, {where}",
                "mN m s",
                plant,
                _poke_at(speed),
                ends,
                EXACT,
                "gravity torque high, inertia low, motor weak, ring light",
            )
        )
    push = bounds[2]
    bounds.append(
        Bound(
            "push",
            "the same as a finger's push at the axle, at rest",
            "mN s",
            push.low / finger_m.high,
            push.value / finger_m.value,
            push.high / finger_m.low,
            EXACT,
            "as for the poke, axle high",
        )
    )
    falling = machines.ends(gravity="high", inertia="low")
    bounds += [
        _bound(
            "creep",
            "creep of the wheel per degree of standing tilt error",
            "rad/s^2",
            plant,
            lambda p: radians(p.gravity_torque_n_m / p.wheel_inertia_kg_m2),
            machines.ends(gravity="low", inertia="low", ring="high"),
            CLOSED_FORM,
            "gravity torque low, ring heavy",
        ),
        _bound(
            "fall_time",
            "time to fall with 1 deg of tilt error and no feedback of the wheel",
            "s",
            plant,
            lambda p: fall_time(p, FALL_ERROR_RAD),
            _extreme(falling, lambda p: fall_time(p, FALL_ERROR_RAD)),
            CLOSED_FORM,
            "gravity torque high, inertia low, motor weak, ring light",
        ),
        _bound(
            "blind_height",
            "height at which an accelerometer is blind to a falling body's tilt",
            "mm",
            plant,
            lambda p: 1e3 * p.gravity_m_s2 / p.divergence_rad_s**2,
            machines.ends(gravity="high", inertia="low"),
            CLOSED_FORM,
            "gravity torque high, inertia low",
        ),
        _bound(
            "kalman_floor",
            "calm that the gyro allows (Kalman floor)",
            "deg RMS",
            plant,
            lambda p: degrees(kalman_floor(p)),
            machines.ends(gravity="high", inertia="low", sensors="quiet"),
            CLOSED_FORM,
            "rate of fall high, gyro noise low",
        ),
        _bound(
            "smallest_ring",
            f"smallest ring that costs next to nothing (ring figure {RING_FIGURE_WANTED:g})",
            "kg m^2",
            plant,
            lambda p: RING_FIGURE_WANTED * p.torque_limit_n_m / (p.divergence_rad_s * p.top_speed_rad_s),
            machines.ring_ends(),
            CLOSED_FORM,
            "torque low, top speed and rate of fall high",
        ),
        _bound(
            "dead_time",
            "dead time of the loop",
            "ms",
            plant,
            lambda p: 1e3 * dead_time(p),
            machines.ends(gravity="low", inertia="low", timing="prompt"),
            CLOSED_FORM,
            "latency and lags low",
        ),
        _bound(
            "dead_time_cost",
            "share of every recovery that the dead time takes",
            "%",
            plant,
            lambda p: 100.0 * -expm1(-unstable_pole(p) * dead_time(p)),
            machines.ends(gravity="low", inertia="high", timing="prompt"),
            CLOSED_FORM,
            "rate of fall low, latency and lags low",
        ),
        _bound(
            "most_latency",
            "most latency with which 45 deg of phase are left",
            "ms",
            plant,
            lambda p: 1e3 * _spare(p, pole_delay_limit(PHASE_MARGIN_RAD), without_latency=True),
            machines.ends(gravity="high", inertia="low", timing="late"),
            CLOSED_FORM,
            "rate of fall high, lags high",
        ),
        _bound(
            "easy_latency",
            "most latency that costs little (rate of fall x dead time = 0.1)",
            "ms",
            plant,
            lambda p: 1e3 * max(0.0, EASY_DEAD_TIME / p.divergence_rad_s - dead_time(replace(p, latency_s=0.0))),
            machines.ends(gravity="high", inertia="low", timing="late"),
            RULE,
            "rate of fall high, lags high",
        ),
        _bound(
            "slowest_loop",
            "slowest inner loop with which 45 deg of phase are left, latency one period",
            "Hz",
            plant,
            _slowest_loop,
            machines.ends(gravity="low", inertia="high", timing="prompt"),
            CLOSED_FORM,
            "rate of fall low, lags low",
        ),
    ]
    return tuple(bounds)


def _bound(
    name: str, words: str, unit: str, plant: Plant, of: Callable[[Plant], float], ends: _Ends, method: str, corners: str
) -> Bound:
    return Bound(name, words, unit, min(map(of, ends.worst)), of(plant), max(map(of, ends.best)), method, corners)


def _extreme(ends: _Ends, order: Callable[[Plant], float]) -> _Ends:
    """The one piece of each end that a quick monotone figure says is the extreme one."""
    return _Ends((min(ends.worst, key=order),), (max(ends.best, key=order),))


def _effort_at(speed: float) -> Callable[[Plant], float]:
    return lambda plant: closed_form_effort(plant, speed)


def _poke_at(speed: float) -> Callable[[Plant], float]:
    return lambda plant: 1e3 * plant.body_inertia_kg_m2 * recoverable_poke(plant, speed)


def _spare(plant: Plant, product: float, *, without_latency: bool) -> float:
    """What is left of product/pole once the dead time (with or without the latency) is taken off, not below 0."""
    other = dead_time(replace(plant, latency_s=0.0) if without_latency else plant)
    return max(0.0, product / unstable_pole(plant) - other)


def _slowest_loop(plant: Plant) -> float:
    """Rate in Hz at which one period of latency and half a period of holding use up the dead time allowed; infinite if lags do."""
    lags = dead_time(plant) - plant.latency_s - 0.5 * plant.period_s
    left = pole_delay_limit(PHASE_MARGIN_RAD) / unstable_pole(plant) - lags
    return 1.5 / left if left > 0.0 else float("inf")


class _Machines:
    """Corner machines of a build."""

    def __init__(self, build: Build, plant: Plant) -> None:
        body, wheel = build.body, build.wheel
        self._build, self._plant = build, plant
        self._gravity = _hull(
            [
                (body.mass_kg.low * body.com_height_m.low + wheel.mass_kg.low * wheel.axis_height_m.low) * plant.gravity_m_s2,
                (body.mass_kg.high * body.com_height_m.high + wheel.mass_kg.high * wheel.axis_height_m.high) * plant.gravity_m_s2,
            ],
            plant.gravity_torque_n_m,
        )
        self._inertia = _hull(
            [
                body.inertia_kg_m2.low + wheel.mass_kg.low * wheel.axis_height_m.low**2,
                body.inertia_kg_m2.high + wheel.mass_kg.high * wheel.axis_height_m.high**2,
            ],
            plant.body_inertia_kg_m2,
        )

    def ends(
        self, *, gravity: str, inertia: str, ring: str = "low", sensors: str = "", timing: str = ""
    ) -> _Ends:
        """Machines with G, I and J at these ends, a weak motor, quiet sensors or prompt timing where asked, and their opposites."""
        opposite = {"low": "high", "high": "low", "quiet": "noisy", "noisy": "quiet", "prompt": "late", "late": "prompt", "": ""}
        return _Ends(
            self._corner(gravity, inertia, ring, "weak", sensors, timing),
            self._corner(
                opposite[gravity], opposite[inertia], opposite[ring], "strong", opposite[sensors], opposite[timing]
            ),
        )

    def ring_ends(self) -> _Ends:
        """Machines for the smallest ring: torque and top speed pull in opposite directions, so both take their own ends."""
        drive = self._build.drive
        worst = replace(
            self._body("high", "low"),
            torque_constant=drive.torque_constant_n_m_per_a.low,
            current_limit_a=drive.current_limit_a.low,
            supply_v=drive.supply_v.high,
        )
        best = replace(
            self._body("low", "high"),
            torque_constant=drive.torque_constant_n_m_per_a.high,
            current_limit_a=drive.current_limit_a.high,
            supply_v=drive.supply_v.low,
        )
        return _Ends((worst,), (best,))

    def _body(self, gravity: str, inertia: str) -> Plant:
        return replace(
            self._plant,
            gravity_torque_n_m=getattr(self._gravity, gravity),
            body_inertia_kg_m2=getattr(self._inertia, inertia),
        )

    def _corner(
        self, gravity: str, inertia: str, ring: str, motor: str, sensors: str, timing: str
    ) -> tuple[Plant, ...]:
        build = self._build
        drive, gyro = build.drive, build.gyro
        weak = motor == "weak"
        plant = self._body(gravity, inertia)
        much, little = ("high", "low") if weak else ("low", "high")
        plant = replace(
            plant,
            wheel_inertia_kg_m2=getattr(build.wheel.inertia_kg_m2, ring),
            wheel_coulomb_n_m=getattr(drive.coulomb_n_m, much),
            wheel_stiction_n_m=max(getattr(drive.stiction_n_m, much), getattr(drive.coulomb_n_m, much)),
            wheel_viscous_n_m_s=getattr(drive.viscous_n_m_s, much),
            stribeck_rad_s=getattr(drive.stribeck_rad_s, much),
            # Friction of the pivot helps the motor.
            pivot_damping_n_m_s=getattr(build.body.pivot_damping_n_m_s, little),
            pivot_coulomb_n_m=getattr(build.body.pivot_coulomb_n_m, little),
            resistance_ohm=getattr(drive.resistance_ohm, much),
        )
        if sensors:
            end = "low" if sensors == "quiet" else "high"
            noise = radians(getattr(gyro.noise_dps_per_sqrt_hz, end))
            plant = replace(plant, gyro=replace(plant.gyro, noise_rad_s_sqrt_hz=noise))
        if timing:
            end, other = ("low", "high") if timing == "prompt" else ("high", "low")
            low_pass = 0.0 if gyro.low_pass_hz is None else getattr(gyro.low_pass_hz, other)
            plant = replace(
                plant,
                latency_s=1e-6 * getattr(build.loop.latency_us, end),
                current_lag_s=1e-6 * getattr(drive.current_lag_us, end),
                gyro=replace(plant.gyro, low_pass_hz=low_pass),
            )
        return tuple(_motor(plant, drive.supply_v, drive.current_limit_a, piece, weak) for piece in _cut(drive.torque_constant_n_m_per_a))


def _motor(plant: Plant, supply: Quantity, current: Quantity, constant: tuple[float, float], weak: bool) -> Plant:
    """The plant with the least (or greatest) torque at every wheel speed for any constant of the piece.

    Torque limit K I, stall torque K V/R, slope K^2/R: the first two take the one end of K, the slope the other. A plant has one
    constant; the supply and the current limit are scaled so that all three come out.
    """
    low, high = constant
    torque_end, slope_end = (low, high) if weak else (high, low)
    scale = torque_end / slope_end
    return replace(
        plant,
        torque_constant=slope_end,
        supply_v=scale * (supply.low if weak else supply.high),
        current_limit_a=scale * (current.low if weak else current.high),
    )


def _cut(quantity: Quantity) -> list[tuple[float, float]]:
    """The interval in equal pieces; one if it has no width."""
    pieces = _PIECES if quantity.high > quantity.low else 1
    step = (quantity.high - quantity.low) / pieces
    return [(quantity.low + number * step, quantity.low + (number + 1) * step) for number in range(pieces)]


def _hull(ends: list[float], value: float) -> Quantity:
    """The interval spanned by ``ends`` and ``value``."""
    return Quantity(value, min(*ends, value), max(*ends, value))

