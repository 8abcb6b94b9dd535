"""Which single change of the parts buys how much: every bound again, with one thing changed.

Takes a build; gives one :class:`Effect` per change. Chooses nothing. Bounds are the closed forms, so the whole table costs less than
one simulated recovery.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from math import degrees
from typing import Any

from codegen.build import Build, Quantity
from codegen.design.closed_form import closed_form_poke, closed_form_tilt
from codegen.design.limits import dead_time, fall_time, kalman_floor
from codegen.design.spread import FALL_ERROR_RAD
from codegen.plant import model_plant

SPINNING_SHARE = 0.6


@dataclass(frozen=True)
class Figures:
    """What a change is judged by; a figure marked "less" is better small.

    Attributes:
        tilt_deg: Recoverable tilt.
        poke_n_m_s: Recoverable poke at rest.
        poke_spinning_n_m_s: The same with the wheel at 60 % of the unchanged machine's top speed.
        creep_rad_s2: Wheel acceleration per degree of tilt error (less).
        fall_s: Time to fall with 1 deg of error and no feedback of the wheel.
        floor_deg: Least RMS tilt error (less).
        dead_time_product: Rate of fall times dead time (less).
        sensor_height_share: Accelerometer's height over the blind height (less).
    """

    tilt_deg: float
    poke_n_m_s: float
    poke_spinning_n_m_s: float
    creep_rad_s2: float
    fall_s: float
    floor_deg: float
    dead_time_product: float
    sensor_height_share: float


@dataclass(frozen=True)
class Effect:
    """One change.

    Attributes:
        name: Key for machines.
        words: The change in words.
        figures: With the change.
        changes: (figure's name, relative change) against the machine as it is.
    """

    name: str
    words: str
    figures: Figures
    changes: Mapping[str, float]


def find_figures(build: Build, spinning_rad_s: float | None = None) -> Figures:
    """The figures of a build; the spinning wheel's speed defaults to 60 % of its own top speed."""
    plant = model_plant(build)
    speed = SPINNING_SHARE * plant.top_speed_rad_s if spinning_rad_s is None else spinning_rad_s
    inertia, rate = plant.body_inertia_kg_m2, plant.divergence_rad_s
    return Figures(
        tilt_deg=degrees(closed_form_tilt(plant)),
        poke_n_m_s=inertia * closed_form_poke(plant),
        poke_spinning_n_m_s=inertia * closed_form_poke(plant, speed),
        creep_rad_s2=plant.gravity_torque_n_m / plant.wheel_inertia_kg_m2 / degrees(1.0),
        fall_s=fall_time(plant, FALL_ERROR_RAD),
        floor_deg=degrees(kalman_floor(plant)),
        dead_time_product=rate * dead_time(plant),
        sensor_height_share=plant.accelerometer.height_m * rate**2 / plant.gravity_m_s2,
    )


def weigh_changes(build: Build) -> tuple[Figures, tuple[Effect, ...]]:
    """The figures as the machine is, and those with each single change."""
    plant = model_plant(build)
    speed = SPINNING_SHARE * plant.top_speed_rad_s
    now = find_figures(build)
    effects = []
    for name, words, change in CHANGES:
        figures = find_figures(change(build), speed)
        relative = {
            key: getattr(figures, key) / before - 1.0 if (before := getattr(now, key)) else 0.0 for key in Figures.__dataclass_fields__
        }
        effects.append(Effect(name, words, figures, relative))
    return now, tuple(effects)


def best_change(effects: tuple[Effect, ...], figure: str, *, less: bool = False) -> Effect | None:
    """The change that improves a figure most; None if none improves it by a thousandth."""
    sign = -1.0 if less else 1.0
    best = max(effects, key=lambda effect: sign * effect.changes[figure])
    return best if sign * best.changes[figure] > 1e-3 else None


def _times(quantity: Quantity, factor: float) -> Quantity:
    return Quantity(quantity.value * factor, quantity.low * factor, quantity.high * factor)


def _wheel(build: Build, **factors: float) -> Build:
    return replace(build, wheel=replace(build.wheel, **{key: _times(getattr(build.wheel, key), f) for key, f in factors.items()}))


def _drive(build: Build, **factors: float) -> Build:
    changed: dict[str, Any] = {key: _times(getattr(build.drive, key), factor) for key, factor in factors.items()}
    return replace(build, drive=replace(build.drive, **changed))


def _lower_body(build: Build) -> Build:
    """Centre of mass 10 % lower, the body's inertia about it unchanged (parallel axes)."""
    body = build.body
    mass, height = body.mass_kg.value, body.com_height_m.value
    less = mass * height**2 * (1.0 - 0.9**2)
    inertia = _times(body.inertia_kg_m2, 1.0 - less / body.inertia_kg_m2.value)
    return replace(build, body=replace(body, com_height_m=_times(body.com_height_m, 0.9), inertia_kg_m2=inertia))


def _lighter_body(build: Build) -> Build:
    body = build.body
    return replace(build, body=replace(body, mass_kg=_times(body.mass_kg, 0.9), inertia_kg_m2=_times(body.inertia_kg_m2, 0.9)))


def _weights_on_top(build: Build) -> Build:
    """A tenth of the body's mass added at twice the height of its centre of mass: heavier, but slower to fall."""
    body = build.body
    mass, height = body.mass_kg.value, body.com_height_m.value
    added, top = 0.1 * mass, 2.0 * height
    com = (mass * height + added * top) / (mass + added)
    inertia = body.inertia_kg_m2.value + added * top**2
    return replace(
        build,
        body=replace(
            body,
            mass_kg=_times(body.mass_kg, 1.1),
            com_height_m=_times(body.com_height_m, com / height),
            inertia_kg_m2=_times(body.inertia_kg_m2, inertia / body.inertia_kg_m2.value),
        ),
    )


def _lower_sensor(build: Build) -> Build:
    sensor = build.accelerometer
    return replace(build, accelerometer=replace(sensor, height_m=_times(sensor.height_m, 0.5)))


def _quiet_gyro(build: Build) -> Build:
    return replace(build, gyro=replace(build.gyro, noise_dps_per_sqrt_hz=_times(build.gyro.noise_dps_per_sqrt_hz, 0.5)))


def _prompt_loop(build: Build) -> Build:
    return replace(build, loop=replace(build.loop, latency_us=_times(build.loop.latency_us, 0.5)))


def _fast_loop(build: Build) -> Build:
    return replace(build, loop=replace(build.loop, inner_hz=_times(build.loop.inner_hz, 2.0)))


def _open_filter(build: Build) -> Build:
    gyro = build.gyro
    return build if gyro.low_pass_hz is None else replace(build, gyro=replace(gyro, low_pass_hz=_times(gyro.low_pass_hz, 2.0)))


CHANGES: tuple[tuple[str, str, Callable[[Build], Build]], ...] = (
    ("ring_rim", "ring: 10 % more inertia, same mass (moved to the rim)", lambda b: _wheel(b, inertia_kg_m2=1.1)),
    ("ring_heavier", "ring: 10 % heavier (mass and inertia)", lambda b: _wheel(b, mass_kg=1.1, inertia_kg_m2=1.1)),
    ("motor_current", "motor: current limit +10 %", lambda b: _drive(b, current_limit_a=1.1)),
    (
        "motor_winding",
        "motor: finer winding, 10 % more torque per ampere (resistance +21 %)",
        lambda b: _drive(b, torque_constant_n_m_per_a=1.1, resistance_ohm=1.21),
    ),
    ("motor_friction", "motor: half the dry friction", lambda b: _drive(b, coulomb_n_m=0.5, stiction_n_m=0.5)),
    ("supply", "supply: +10 %", lambda b: _drive(b, supply_v=1.1)),
    ("body_lower", "body: centre of mass 10 % lower", _lower_body),
    ("body_lighter", "body: 10 % lighter", _lighter_body),
    ("weight_on_top", "body: a weight of a tenth of its mass at twice the height", _weights_on_top),
    ("sensor_lower", "accelerometer: half as high", _lower_sensor),
    ("gyro_quieter", "gyro: half the noise density", _quiet_gyro),
    ("gyro_filter", "gyro: low-pass twice as fast", _open_filter),
    ("latency", "loop: half the latency", _prompt_loop),
    ("inner_rate", "loop: twice the inner rate", _fast_loop),
)
"""Key, words, and the change itself."""
