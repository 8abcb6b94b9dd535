"""The design stage as a whole: choices, verdicts with remedies, refusals."""

from __future__ import annotations

import re
from dataclasses import replace
from math import degrees, radians
from pathlib import Path
from typing import Any

import pytest

from codegen.build import Build, Quantity, parse_build
from codegen.design import Design, Verdict, design_controller
from codegen.design.gains import friendly, round_up
from codegen.design.goals import Unknowns
from codegen.errors import DesignError
from codegen.plant import Plant, model_plant

EXAMPLES = Path(__file__).parent / "examples"


def example(name: str) -> Build:
    path = EXAMPLES / f"lantern_{name}.toml"
    return parse_build(path.read_text(encoding="utf-8"), path.name)


def with_goals(build: Build, **goals: float) -> Build:
    return replace(build, goals=replace(build.goals, **{key: Quantity.exact(value) for key, value in goals.items()}))


def design(build: Build, plant: Plant | None = None) -> Design:
    return design_controller(build, model_plant(build) if plant is None else plant)


def verdict_on(result: Design, start: str) -> Verdict:
    (found,) = [verdict for verdict in result.verdicts if verdict.goal.startswith(start)]
    return found


@pytest.fixture(scope="module", params=["calm", "heavy", "lively"])
def lantern(request: pytest.FixtureRequest) -> tuple[Build, Design]:
    build = example(str(request.param))
    return build, design(build)


@pytest.fixture(scope="module")
def calm() -> Build:
    return example("calm")


def test_lanterns_meet_all_goals(lantern: tuple[Build, Design]) -> None:
    """Every verdict on the three example lanterns holds, and then names no remedy."""
    _, result = lantern

    assert [verdict for verdict in result.verdicts if not verdict.holds or verdict.remedy] == []
    assert result.margins.stable
    assert len(result.corners) == 15
    assert all(margins.stable for _, margins in result.corners)


def test_gains_follow_from_the_machine(lantern: tuple[Build, Design]) -> None:
    """Kp, Kd and k_H are those of the poles chosen, about six times and a sixth of the rate at which the body falls."""
    _, result = lantern
    plant = result.plant
    rate, gravity, inertia = plant.divergence_rad_s, plant.gravity_torque_n_m, plant.body_inertia_kg_m2

    assert result.inner_pole_rad_s == pytest.approx(6.0 * rate, rel=0.05)
    assert result.outer_pole_rad_s == pytest.approx(rate / 6.0, rel=0.05)
    assert result.trim_pole_rad_s == pytest.approx(rate / 10.0, rel=0.05)
    assert result.lean_gain_n_m_per_rad == pytest.approx(inertia * rate * result.inner_pole_rad_s)
    assert result.proportional_n_m_per_rad == pytest.approx(gravity + result.lean_gain_n_m_per_rad)
    assert result.derivative_n_m_s_per_rad == pytest.approx(result.proportional_n_m_per_rad / rate)
    assert result.momentum_gain_rad_per_n_m_s == pytest.approx(result.outer_pole_rad_s / gravity)
    assert result.wheel_gain_n_m_s == 0.0


def test_limits_of_the_law(lantern: tuple[Build, Design]) -> None:
    """Trim covers twice the unknown, the lean leaves the recoverable tilt, thresholds are those of the goals."""
    build, result = lantern
    unknown_deg = 3.0 + result.filter_time_s * 1.0

    assert result.filter_time_s == 2.0
    assert degrees(result.trim_limit_rad) == pytest.approx(2.0 * unknown_deg)
    assert degrees(result.lean_limit_rad) == pytest.approx(3.0)
    assert result.lean_limit_rad < 0.25 * result.limits.recoverable_tilt_rad
    assert degrees(result.arm_tilt_rad) == pytest.approx(build.goals.arm_tilt_deg.value)
    assert degrees(result.stop_tilt_rad) == pytest.approx(build.goals.stop_tilt_deg.value)
    assert result.tilt_limit_rad >= result.stop_tilt_rad + result.trim_limit_rad - 1e-12
    assert result.sensor_timeout_ticks == 25
    assert result.hold_filter_time_s == 0.05
    assert result.overspeed_rad_s < result.plant.top_speed_rad_s


def test_setpoint_clears_friction_and_bias(lantern: tuple[Build, Design]) -> None:
    """At least 1.5 Stribeck speeds and three friction cycles, and no gyro bias within its interval brings it to zero."""
    _, result = lantern

    assert result.wheel_setpoint_rad_s >= 1.5 * result.plant.stribeck_rad_s
    assert result.wheel_setpoint_rad_s >= 3.0 * result.friction_cycle_rad_s
    assert result.wheel_setpoint_rad_s == {3.0: 5.0, 8.0: 12.0}[result.plant.stribeck_rad_s]


def test_every_free_number_has_a_reason(lantern: tuple[Build, Design]) -> None:
    """The report can say for each number why it was chosen; each reason names a field of the design."""
    _, result = lantern
    names = [name for name, _ in result.reasons]

    assert len(names) == len(set(names))
    assert all(hasattr(result, name) for name in names)
    assert {"inner_pole_rad_s", "outer_pole_rad_s", "filter_time_s", "trim_limit_rad", "wheel_setpoint_rad_s"} <= set(names)
    assert all(sentence for _, sentence in result.reasons)


def test_rest_is_calm_enough(lantern: tuple[Build, Design]) -> None:
    """The predicted wiggle of all lanterns is below 0.010 deg, above the floor of any estimator, at under 1 % torque."""
    _, result = lantern

    assert result.limits.sampled_floor_rad < result.rest.tilt_rad < radians(0.010)
    assert result.rest.torque_n_m < 0.01 * result.plant.torque_limit_n_m


def test_gyro_bias_interval_widens_trim_and_setpoint(calm: Build) -> None:
    """A gyro known to 3 deg/s instead of 1 needs a trim range of 2 (3 + 2 x 3) deg and a faster wheel."""
    wide = replace(calm, gyro=replace(calm.gyro, bias_dps=Quantity(0.0, -3.0, 2.0)))
    result = design(wide)

    assert degrees(result.trim_limit_rad) == pytest.approx(18.0)
    assert result.wheel_setpoint_rad_s > 5.0
    assert "gyro bias" in dict(result.reasons)["wheel_setpoint_rad_s"]


def test_calmer_goal_lengthens_the_filter(calm: Build) -> None:
    """A goal between what 2 s and 5 s reach makes the filter slower and the trim range wider."""
    result = design(with_goals(calm, calm_tilt_rms_deg=0.004))

    assert result.filter_time_s == 5.0
    assert verdict_on(result, "goals.calm_tilt_rms_deg").holds
    assert degrees(result.trim_limit_rad) == pytest.approx(16.0)


def test_frictionless_wheel_may_stand_still(calm: Build) -> None:
    """Without Coulomb friction there is nothing to stay clear of."""
    plant = replace(model_plant(calm), wheel_coulomb_n_m=0.0, wheel_stiction_n_m=0.0)
    result = design(calm, plant)

    assert result.wheel_setpoint_rad_s == 0.0
    assert result.friction_cycle_rad_s == 0.0


def test_long_latency_slows_the_loop_down(calm: Build) -> None:
    """At 8 ms the inner pole gives way until all margins hold."""
    result = design(calm, replace(model_plant(calm), latency_s=0.008))

    assert result.inner_pole_rad_s < 40.0
    assert result.inner_pole_rad_s * result.limits.dead_time_s <= 0.36
    assert all(verdict.holds for verdict in result.verdicts)


def test_too_long_a_latency_is_judged(calm: Build) -> None:
    """At 15 ms the body stands, but the verdicts name margins and the latency to aim at."""
    result = design(calm, replace(model_plant(calm), latency_s=0.015))
    failed = {verdict.goal for verdict in result.verdicts if not verdict.holds}

    assert result.margins.stable
    assert {"dead time of the loop", "peak sensitivity", "delay margin"} <= failed
    latency = verdict_on(result, "dead time")
    (aim_us,) = re.findall(r"latency_us down to (\d+)", latency.remedy)
    repaired = design(calm, replace(model_plant(calm), latency_s=int(aim_us) * 1e-6))
    assert verdict_on(repaired, "dead time").holds


def test_impossible_latency_is_refused(calm: Build) -> None:
    """Where no gains are stable the refusal names latency, how fast the body falls, and what to aim at."""
    with pytest.raises(DesignError) as caught:
        design(calm, replace(model_plant(calm), latency_s=0.1))

    assert caught.value.where == "loop.latency_us"
    assert "no gains make the body stand" in caught.value.what
    assert re.search(r"from 100000 towards 3\d{4}", caught.value.remedy)


def test_slow_outer_loop_is_refused(calm: Build) -> None:
    """An outer loop of 0.05 Hz cannot hold the wheel; the refusal says so."""
    with pytest.raises(DesignError) as caught:
        design(calm, replace(model_plant(calm), outer_divider=20_000))

    assert caught.value.where == "loop.outer_hz"
    assert "0.05 Hz" in caught.value.what
    assert "outer_hz" in caught.value.remedy


def test_dragging_wheel_is_refused(calm: Build) -> None:
    """A small wheel that friction stops within a twenty-fifth of a second is named as the cause."""
    with pytest.raises(DesignError) as caught:
        design(calm, replace(model_plant(calm), wheel_inertia_kg_m2=2e-5, wheel_viscous_n_m_s=5e-4))

    assert caught.value.where == "drive.viscous_n_m_s"
    assert "0.04 s" in caught.value.what


def test_motor_that_cannot_turn_its_wheel_is_refused(calm: Build) -> None:
    """Starting friction above the torque limit leaves nothing to balance with."""
    with pytest.raises(DesignError) as caught:
        design(calm, replace(model_plant(calm), wheel_stiction_n_m=0.06))

    assert caught.value.where == "drive"
    assert "current_limit_a" in caught.value.remedy


@pytest.mark.parametrize(
    ("change", "keys"),
    [
        ({}, ["drive.current_limit_a"]),
        ({"wheel_inertia_kg_m2": 2e-5}, ["drive.supply_v", "wheel.inertia_kg_m2"]),
        ({"resistance_ohm": 9.0}, ["drive.supply_v"]),
    ],
)
def test_poke_remedies_name_the_parts_and_work(calm: Build, change: dict[str, Any], keys: list[str]) -> None:
    """A poke out of reach names the parts that mend it, smallest change first; with any one of them the goal holds."""
    plant: Plant = replace(model_plant(calm), **change)
    reached = verdict_on(design(calm, plant), "goals.poke").reached
    asked = with_goals(calm, poke_n_m_s=1.1 * reached)
    failed = verdict_on(design(asked, plant), "goals.poke")
    remedies = re.findall(r"raise ([\w.]+) \([^)]*\) from [\d.e-]+ to at least ([\d.e-]+)", failed.remedy)

    assert not failed.holds
    assert failed.relation == "at least"
    assert failed.reached == pytest.approx(reached)
    assert [key for key, _ in remedies][: len(keys)] == keys
    for key, number in remedies:
        attribute = "wheel_inertia_kg_m2" if key == "wheel.inertia_kg_m2" else key.split(".")[1]
        repair: dict[str, Any] = {attribute: float(number) * 1.01}
        assert verdict_on(design(asked, replace(plant, **repair)), "goals.poke").holds


def test_hopeless_poke_says_so(calm: Build) -> None:
    """A poke far beyond any single part's reach names the factor."""
    remedy = verdict_on(design(with_goals(calm, poke_n_m_s=0.5)), "goals.poke").remedy

    assert "no single part" in remedy
    assert "goals.poke_n_m_s" in remedy


def test_arming_beyond_what_can_be_caught(calm: Build) -> None:
    """Arming at 25 deg is refused a verdict: 12.7 deg can be caught, and the balance angle is unknown by 3 deg."""
    failed = verdict_on(design(with_goals(calm, arm_tilt_deg=25.0)), "goals.arm_tilt_deg")

    assert not failed.holds
    assert failed.wanted == pytest.approx(15.74, abs=0.02)
    assert "15.7" in failed.remedy


def test_early_cut_off_is_judged(calm: Build) -> None:
    """A cut-off inside the recoverable tilt would end recoveries that succeed."""
    failed = verdict_on(design(with_goals(calm, stop_tilt_deg=15.5)), "goals.stop_tilt_deg")

    assert not failed.holds
    assert "15.7" in failed.remedy


def test_calm_below_the_floor_asks_for_a_gyro(calm: Build) -> None:
    """A wiggle below the estimator's floor needs a quieter gyro; one above it, other sensors."""
    below = verdict_on(design(with_goals(calm, calm_tilt_rms_deg=0.001)), "goals.calm_tilt_rms_deg")
    above = verdict_on(design(with_goals(calm, calm_tilt_rms_deg=0.003)), "goals.calm_tilt_rms_deg")

    assert not below.holds
    assert "noise_dps_per_sqrt_hz of at most 0.003" in below.remedy
    assert not above.holds
    assert "accelerometer" in above.remedy


def test_wide_unknowns_outgrow_the_trim(calm: Build) -> None:
    """A gyro bias of up to 20 deg/s needs more trim than the cut-off leaves, and shifts the wheel too far."""
    wide = replace(calm, gyro=replace(calm.gyro, bias_dps=Quantity(0.0, -20.0, 20.0)))
    result = design(wide)

    assert result.trim_limit_rad == result.stop_tilt_rad
    standing = verdict_on(result, "goals.standing_hours")
    assert not standing.holds
    assert "bias_dps" in standing.remedy
    setpoint = verdict_on(result, "wheel set-point")
    assert not setpoint.holds
    assert "bias" in setpoint.remedy


def test_small_ring_and_weak_motor_are_judged(calm: Build) -> None:
    """A tenth of the ring, a quarter of the torque: each names its own part with a number that mends it."""
    plant = model_plant(calm)
    ring = verdict_on(design(calm, replace(plant, wheel_inertia_kg_m2=plant.wheel_inertia_kg_m2 / 10)), "ring size")
    weak = verdict_on(design(calm, replace(plant, current_limit_a=0.3)), "recoverable tilt")
    speed = verdict_on(design(calm, replace(plant, wheel_inertia_kg_m2=plant.wheel_inertia_kg_m2 / 3)), "over-speed trip")

    assert not ring.holds
    assert "wheel.inertia_kg_m2 from 1.02e-05 to 6.62e-05" in ring.remedy
    assert not weak.holds
    assert "current_limit_a" in weak.remedy
    assert not speed.holds
    assert "supply_v" in speed.remedy


def test_voltage_drive_is_designed_for(calm: Build) -> None:
    """A voltage command gets a wheel gain against the back-EMF and its own scale; all goals hold."""
    voltage = replace(calm, drive=replace(calm.drive, command="voltage"))
    result = design(voltage)

    assert result.wheel_gain_n_m_s == pytest.approx(0.045**2 / 5.0)
    assert result.counts_per_n_m == pytest.approx(512 * 5.0 / 0.045 / 11.1)
    assert all(verdict.holds for verdict in result.verdicts)


def test_design_is_repeatable(calm: Build) -> None:
    """Equal input gives equal output, to the last bit."""
    assert design(calm) == design(calm)


def test_rounding_helpers() -> None:
    """Two significant digits; up to the next multiple, forgiving what is rounding only."""
    assert friendly(59.55) == 60.0
    assert friendly(1.6543) == 1.7
    assert friendly(0.0123) == 0.012
    assert round_up(4.2, 1.0) == 5.0
    assert round_up(10.0 + 1e-12, 1.0) == 10.0
    assert round_up(0.0, 5.0) == 0.0


def test_unknowns_take_the_larger_end(calm: Build) -> None:
    """The trim range follows the larger end of a lopsided interval."""
    lopsided = replace(calm, body=replace(calm.body, balance_offset_deg=Quantity(-1.0, -4.0, 0.5)))

    assert degrees(design(lopsided).trim_limit_rad) == pytest.approx(2.0 * (4.0 + 2.0))
    assert Unknowns(1.0, 2.0).offset_rad == 1.0
