"""Bounds with intervals, and what single changes buy."""

from __future__ import annotations

from dataclasses import fields, is_dataclass, replace
from math import degrees, radians
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from codegen.build import Build, Quantity, read_build
from codegen.design.change import CHANGES, best_change, find_figures, weigh_changes
from codegen.design.limits import dead_time, fall_time, kalman_floor, recoverable_poke, recoverable_tilt
from codegen.design.spread import FALL_ERROR_RAD, SPINNING_SHARES, Bound, spread_limits
from codegen.plant import model_plant

EXAMPLES = Path(__file__).parent / "examples"
DRAWS = 12


def example(name: str) -> Build:
    return read_build(EXAMPLES / f"lantern_{name}.toml")


def on_every_number(part: Any, change: Any) -> Any:
    """The same dataclass with ``change`` made to every quantity in it."""
    made = {}
    for field in fields(part):
        value = getattr(part, field.name)
        if isinstance(value, Quantity):
            made[field.name] = change(field.name, value)
        elif is_dataclass(value):
            made[field.name] = on_every_number(value, change)
    return replace(part, **made)


MEASURED = {
    "mass_kg",
    "com_height_m",
    "inertia_kg_m2",
    "pivot_damping_n_m_s",
    "pivot_coulomb_n_m",
    "axis_height_m",
    "torque_constant_n_m_per_a",
    "resistance_ohm",
    "supply_v",
    "current_limit_a",
    "viscous_n_m_s",
    "coulomb_n_m",
    "stiction_n_m",
    "stribeck_rad_s",
    "noise_dps_per_sqrt_hz",
    "latency_us",
    "current_lag_us",
}


def uncertain(build: Build, share: float = 0.06) -> Build:
    """The build with every measured number known to +-6 % only."""

    def widen(name: str, quantity: Quantity) -> Quantity:
        value = quantity.value
        return Quantity(value, (1.0 - share) * value, (1.0 + share) * value) if name in MEASURED else quantity

    widened: Build = on_every_number(build, widen)
    return widened


def drawn(build: Build, rng: np.random.Generator) -> Build:
    """One machine out of the intervals: a corner of them as often as a point inside."""

    def draw(_: str, quantity: Quantity) -> Quantity:
        ends = (quantity.low, quantity.high, rng.uniform(quantity.low, quantity.high))
        return Quantity.exact(float(ends[rng.integers(3)]))

    one: Build = on_every_number(build, draw)
    return one


@pytest.fixture(scope="module", params=["calm", "heavy", "lively"])
def machine(request: pytest.FixtureRequest) -> tuple[Build, dict[str, Bound]]:
    build = uncertain(example(str(request.param)))
    return build, {bound.name: bound for bound in spread_limits(build, model_plant(build))}


def test_every_drawn_machine_lies_inside_the_intervals(machine: tuple[Build, dict[str, Bound]]) -> None:
    """Corners and inner points of the intervals; the bounds of the drawn machine are computed without the spread's own corners."""
    build, bounds = machine
    nominal = model_plant(build)
    rng = np.random.default_rng(5)
    outside = []
    for _ in range(DRAWS):
        one = drawn(build, rng)
        plant = model_plant(one)
        pokes = {
            f"poke_spinning_{round(100 * share)}": recoverable_poke(plant, share * nominal.top_speed_rad_s) for share in SPINNING_SHARES
        }
        pokes["poke"] = recoverable_poke(plant)
        figures = {name: 1e3 * plant.body_inertia_kg_m2 * rate for name, rate in pokes.items()}
        figures |= {
            "rate_of_fall": plant.divergence_rad_s,
            "recoverable_tilt": degrees(recoverable_tilt(plant)),
            "push": figures["poke"] / one.wheel.axis_height_m.value,
            "creep": radians(plant.gravity_torque_n_m / plant.wheel_inertia_kg_m2),
            "fall_time": fall_time(plant, FALL_ERROR_RAD),
            "blind_height": 1e3 * plant.gravity_m_s2 / plant.divergence_rad_s**2,
            "kalman_floor": degrees(kalman_floor(plant)),
            "smallest_ring": 3.0 * plant.torque_limit_n_m / (plant.divergence_rad_s * plant.top_speed_rad_s),
            "dead_time": 1e3 * dead_time(plant),
        }
        assert set(figures) <= set(bounds)
        # A part in a thousand is what bisections and integrators leave open.
        outside += [
            (name, bounds[name].low, value, bounds[name].high)
            for name, value in figures.items()
            if not 0.999 * bounds[name].low <= value <= 1.001 * bounds[name].high
        ]

    assert outside == []


def test_intervals_are_ordered_and_not_needlessly_wide(machine: tuple[Build, dict[str, Bound]]) -> None:
    """Every bound has its nominal figure inside; six percent of every number never make the tilt less certain than forty."""
    _, bounds = machine

    for bound in bounds.values():
        assert bound.low <= bound.value <= bound.high
        assert bound.low > 0.0
    tilt = bounds["recoverable_tilt"]
    assert 0.15 < (tilt.high - tilt.low) / tilt.value < 0.6


def test_exact_numbers_have_no_spread() -> None:
    """Numbers without intervals give bounds without intervals."""
    build: Build = on_every_number(example("calm"), lambda _, quantity: Quantity.exact(quantity.value))
    for bound in spread_limits(build, model_plant(build)):
        assert bound.low == pytest.approx(bound.value, rel=1e-9)
        assert bound.high == pytest.approx(bound.value, rel=1e-9)


def test_changes_buy_what_physics_says() -> None:
    """Signs and sizes that are known beforehand."""
    build = example("calm")
    now, effects = weigh_changes(build)
    changes = {effect.name: effect.changes for effect in effects}

    assert len(effects) == len(CHANGES)
    assert changes["ring_rim"]["creep_rad_s2"] == pytest.approx(1.0 / 1.1 - 1.0)
    assert changes["gyro_quieter"]["floor_deg"] == pytest.approx(-0.5)
    assert changes["sensor_lower"]["sensor_height_share"] == pytest.approx(-0.5)
    assert 0.05 < changes["motor_current"]["poke_n_m_s"] < 0.11
    assert changes["supply"]["poke_spinning_n_m_s"] > 5.0 * changes["supply"]["poke_n_m_s"]
    assert changes["motor_winding"]["poke_spinning_n_m_s"] < 0.0 < changes["motor_winding"]["poke_n_m_s"]
    assert changes["weight_on_top"]["dead_time_product"] < 0.0 < -changes["weight_on_top"]["tilt_deg"]
    best = best_change(effects, "poke_n_m_s")
    assert best is not None
    assert best.name == "motor_current"
    assert best_change(tuple(effect for effect in effects if effect.name == "latency"), "poke_n_m_s") is None
    assert now == find_figures(build)
