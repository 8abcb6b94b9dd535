"""The linear closed loop: against the simulator, its own two readings against each other, margins and wiggle at rest."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import replace
from math import degrees, pi, radians

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from scipy.optimize import brentq

from codegen.design.gains import Ceilings, Gains, Poles, place_gains
from codegen.design.loop import INJECTIONS, ClosedLoop, LoopResponse, close_loop, closed_loop_matrices
from codegen.design.machine import sample_machine
from codegen.design.margins import Corner, Loop, corners, find_margins, read_margins
from codegen.design.rest import friction_cycle, limit_cycles, predict_rest, relay_gain
from codegen.plant import Accelerometer, Gyro, Plant, Scenario, fly
from tests.bench_controllers import Cascade, cascade
from tests.machines import LANTERNS, lantern_calm, lantern_lively

CEILINGS = Ceilings(radians(3), radians(10), radians(40), radians(15), radians(30), 230.0, 25, 0.05)


def cascade_gains(plant: Plant, setpoint: float = 0.0, **changes: float) -> Gains:
    """The settings of the tests' own C cascade: w = 60, w_o = lambda/6, w_t = lambda/10, 2 s."""
    rate = plant.divergence_rad_s
    return place_gains(plant, replace(Poles(60.0, rate / 6.0, rate / 10.0, 2.0), **changes), CEILINGS, setpoint)


def smooth(plant: Plant) -> Plant:
    """The same machine without Coulomb friction, cogging, noise, or coarse quantisers."""
    return replace(
        plant,
        wheel_coulomb_n_m=0.0,
        wheel_stiction_n_m=0.0,
        pivot_coulomb_n_m=0.0,
        cogging_n_m=0.0,
        command_counts=10**9,
        gyro=replace(plant.gyro, counts_per_rad_s=1e8, noise_rad_s_sqrt_hz=0.0, counts_max=2**31 - 1),
        accelerometer=replace(plant.accelerometer, counts_per_m_s2=1e7, noise_m_s2_sqrt_hz=0.0, counts_max=2**31 - 1),
        wheel_counts_per_rad_s=1e6,
        wheel_counts_max=2**31 - 1,
    )


def without_low_passes(plant: Plant) -> Plant:
    return replace(
        plant,
        gyro=replace(plant.gyro, low_pass_hz=0.0),
        accelerometer=replace(plant.accelerometer, low_pass_hz=0.0),
    )


VARIANTS: dict[str, Callable[[Plant], Plant]] = {
    "as built": lambda plant: plant,
    "no low-passes": without_low_passes,
    "no low-passes, no current lag": lambda plant: replace(without_low_passes(plant), current_lag_s=0.0),
    "whole ticks of latency": lambda plant: replace(plant, latency_s=0.002),
    "no latency": lambda plant: replace(without_low_passes(plant), latency_s=0.0, current_lag_s=0.0),
    "every tick an outer tick": lambda plant: replace(plant, outer_divider=1),
    "wheel counted over one tick": lambda plant: replace(plant, wheel_window_ticks=1),
}


@pytest.mark.parametrize("variant", VARIANTS)
def test_matrices_follow_the_simulator(variant: str) -> None:
    """A small tilt let go takes the course of the compiled nonlinear simulator, tilt and wheel, for 1.5 s."""
    plant = VARIANTS[variant](smooth(lantern_calm()))
    gains = cascade_gains(plant)
    start_rad, ticks = 2e-3, 1500
    flight = fly(
        plant,
        cascade(plant, Cascade(wheel_setpoint_rad_s=0.0, trim_limit_deg=10.0)),
        Scenario(seconds=ticks * plant.period_s, tilt_rad=start_rad, record_every=1),
    )

    loop = closed_loop_matrices(gains)
    state = np.zeros(len(loop.states))
    state[loop.states.index("tilt")] = start_rad
    # Before the start the sensors have seen the body fall freely from that tilt, g tilt - h tilt'', and the
    # first estimate is that angle.
    fall = plant.gravity_torque_n_m / plant.body_inertia_kg_m2 * start_rad
    angle = start_rad - plant.accelerometer.height_m * fall / plant.gravity_m_s2
    for at, name in enumerate(loop.states):
        if name.startswith("angle_") or name == "tilt_estimate":
            state[at] = angle
    tilts, wheels = np.empty(ticks), np.empty(ticks)
    for tick in range(ticks):
        tilts[tick], wheels[tick] = state[0], state[2]
        outer = (tick + 1) % plant.outer_divider == 0
        state = (loop.slow if outer else loop.fast) @ state

    assert_allclose(flight.tilt_rad, tilts, atol=2e-3 * start_rad)
    assert_allclose(flight.wheel_rad_s, wheels, atol=2e-3 * np.max(np.abs(wheels)))


def test_states_and_injections_are_named_in_order() -> None:
    """The order of states that the number side relies on."""
    loop = closed_loop_matrices(cascade_gains(lantern_calm()))

    assert loop.states == (
        *("tilt", "rate", "wheel", "torque", "gyro_filtered", "angle_filtered", "command_1"),
        *("gyro_1", "angle_1", "turned_1", "turned_2", "turned_3", "turned_4"),
        *("tilt_estimate", "momentum_sum", "tilt_sum", "momentum_estimate", "trim", "lean"),
    )
    assert loop.injections == INJECTIONS
    assert loop.fast.shape == loop.slow.shape == (19, 19)
    assert loop.fast_injections.shape == loop.slow_injections.shape == (19, 9)
    assert loop.outer_divider == 40


def test_injections_enter_where_they_say() -> None:
    """Each controller-side injection changes its own memory by one, and the command by its gain."""
    gains = cascade_gains(lantern_calm())
    loop = closed_loop_matrices(gains)
    command = loop.states.index("command_1")
    effects = {
        "command": 1.0,
        "tilt_estimate": gains.proportional_n_m_per_rad,
        "trim": -gains.proportional_n_m_per_rad,
        "lean": -gains.lean_gain_n_m_per_rad,
        "momentum_estimate": 0.0,
    }

    for name, gain in effects.items():
        column = loop.slow_injections[:, INJECTIONS.index(name)]
        assert column[command] == pytest.approx(gain)
        if name != "command":
            assert column[loop.states.index(name)] == 1.0
    for name in ("trim", "lean", "momentum_estimate"):
        assert not loop.fast_injections[:, INJECTIONS.index(name)].any()
    momentum = INJECTIONS.index("momentum")
    assert loop.fast_injections[loop.states.index("momentum_sum"), momentum] == 1.0
    per_sum = gains.lean_gain_n_m_per_rad * gains.momentum_gain_rad_per_n_m_s / 40
    observer = gains.proportional_n_m_per_rad * 0.001 * gains.trim_pole_rad_s**2
    expected = per_sum + observer / gains.plant.gravity_torque_n_m
    assert loop.slow_injections[command, momentum] == pytest.approx(expected)


@pytest.mark.parametrize("variant", VARIANTS)
def test_response_is_exact_without_slow_section(variant: str) -> None:
    """With an outer tick at every tick, 1/(1 + L) is the closed loop's response of the command to what is added to it."""
    plant = replace(VARIANTS[variant](lantern_lively()), outer_divider=1)
    gains = cascade_gains(plant)
    loop = closed_loop_matrices(gains)
    frequencies = np.geomspace(0.05, 3000.0, 60)
    shift = np.exp(1j * frequencies * plant.period_s)
    added = loop.slow_injections[:, INJECTIONS.index("command")]
    resolvent = np.linalg.solve(
        shift[:, None, None] * np.eye(len(added)) - loop.slow, np.broadcast_to(added[:, None], (60, len(added), 1))
    )
    exact = shift * resolvent[:, loop.states.index("command_1"), 0]

    assert_allclose(1.0 / (1.0 + LoopResponse(gains, plant).response(frequencies)), exact, rtol=1e-6)


def lifted_peak(loop: ClosedLoop) -> float:
    """Largest gain of the periodic loop from what is added to the command to the command, all ticks of a period at once."""
    added, shown = loop.fast_injections[:, 0], loop.states.index("command_1")
    ticks, size = loop.outer_divider, len(loop.states)
    enter, leave = np.zeros((size, ticks)), np.zeros((ticks, size))
    through, carried = np.zeros((ticks, ticks)), np.eye(size)
    for tick in range(ticks):
        slow = tick == ticks - 1
        matrix = loop.slow if slow else loop.fast
        enter = matrix @ enter
        enter[:, tick] += loop.slow_injections[:, 0] if slow else added
        carried = matrix @ carried
        leave[tick], through[tick] = carried[shown], enter[shown]
    peaks = []
    for angle in np.linspace(0.0, pi, 40):
        response = through + leave @ np.linalg.solve(np.exp(1j * angle) * np.eye(size) - carried, enter)
        peaks.append(np.linalg.norm(response, 2))
    return float(max(peaks))


@pytest.mark.parametrize("lantern", LANTERNS)
def test_peak_sensitivity_holds_for_the_slow_section(lantern: str) -> None:
    """What the frequency response leaves out of the 25 Hz section changes the peak sensitivity by less than 2 %."""
    gains = cascade_gains(LANTERNS[lantern]())

    assert find_margins(gains).peak_sensitivity == pytest.approx(lifted_peak(closed_loop_matrices(gains)), rel=0.02)


def delayed_radius(loop: ClosedLoop, ticks: int) -> float:
    """Spectral radius over an outer period if the command comes ``ticks`` > 0 later."""
    size, command = len(loop.states), loop.states.index("command_1")
    period = np.eye(size + ticks)
    for tick in range(loop.outer_divider):
        slow = tick == loop.outer_divider - 1
        matrix = loop.slow if slow else loop.fast
        enter = (loop.slow_injections if slow else loop.fast_injections)[:, 0]
        later = np.zeros((size + ticks, size + ticks))
        later[:size, :size] = matrix - np.outer(enter, matrix[command])
        later[:size, -1] = enter
        later[size, :size] = matrix[command]
        later[size + 1 :, size:-1] = np.eye(ticks - 1)
        period = later @ period
    return float(np.max(np.abs(np.linalg.eigvals(period))))


def edge(stable_radius: Callable[[float], float], inside: float, outside: float) -> float:
    """Where the exact spectral radius crosses 1."""
    return float(brentq(lambda value: stable_radius(value) - 1.0, inside, outside, xtol=1e-9, rtol=1e-6))


@pytest.mark.parametrize("lantern", LANTERNS)
def test_margins_are_where_the_exact_loop_turns_unstable(lantern: str) -> None:
    """Gain margins (1 % up, 3 % down) and delay margin (a tick) agree with the exact periodic loop's eigenvalues."""
    plant = LANTERNS[lantern]()
    gains = cascade_gains(plant)
    margins = find_margins(gains)

    def with_torque(factor: float) -> float:
        return close_loop(gains, plant, factor).spectral_radius()

    assert margins.stable
    assert margins.spectral_radius == with_torque(1.0) < 1.0
    assert margins.gain_margin_up == pytest.approx(edge(with_torque, 1.0, 20.0), rel=0.01)
    assert margins.gain_margin_down == pytest.approx(edge(with_torque, 1.0, 0.02), rel=0.03)
    whole_ticks = int(margins.delay_margin_s / plant.period_s)
    loop = closed_loop_matrices(gains)
    assert delayed_radius(loop, whole_ticks - 1) < 1.0 < delayed_radius(loop, whole_ticks + 2)


@pytest.mark.parametrize("lantern", LANTERNS)
def test_margins_of_the_reference_settings(lantern: str) -> None:
    """Margins near those of an independent study of this law with a 1 kHz outer loop and a filtered wheel speed.

    There: Ms 1.18-1.20, disk margin 1.37-1.41, gain margins 0.16-0.17 and 8.9-9.2, 75-78 degrees, 18.7-19.3
    ms. Its wheel speed filter delays the wheel alone, which adds phase; here the mean delays all of the
    momentum, which does not.
    """
    margins = find_margins(cascade_gains(LANTERNS[lantern]()))

    assert margins.peak_sensitivity == pytest.approx(1.19, abs=0.015)
    assert margins.disk_margin == pytest.approx(1.39, abs=0.06)
    assert margins.gain_margin_down == pytest.approx(0.17, abs=0.01)
    assert margins.gain_margin_up == pytest.approx(9.0, rel=0.06)
    assert degrees(margins.phase_margin_rad) == pytest.approx(72.0, abs=5.0)
    assert margins.delay_margin_s == pytest.approx(18.7e-3, rel=0.06)


def test_slow_outer_loop_costs_little() -> None:
    """From 1 kHz to 25 Hz the outer loop costs the peak sensitivity less than 0.02 and the crossover nothing."""
    plant = lantern_calm()
    fast, slow = (find_margins(cascade_gains(replace(plant, outer_divider=each))) for each in (1, 40))

    assert abs(slow.peak_sensitivity - fast.peak_sensitivity) < 0.02
    assert slow.crossover_rad_s == pytest.approx(fast.crossover_rad_s, rel=0.02)


def test_delay_raises_the_peak() -> None:
    """0, 1, 2, 4 extra ticks raise Ms monotonically, near the independent figures 1.16, 1.23, 1.30, 1.47 (at 0.5 s)."""
    gains = cascade_gains(lantern_calm(), filter_time_s=0.5)
    peaks = [find_margins(gains, Corner(late_ticks=late)).peak_sensitivity for late in (0, 1, 2, 4)]

    assert_allclose(peaks, (1.16, 1.23, 1.30, 1.47), rtol=0.04)
    assert peaks == sorted(peaks)


def test_unstable_loops_are_called_unstable() -> None:
    """A loop whose outer loop is far too fast for its rate, or whose torque is too small, is not called stable."""
    gains = cascade_gains(lantern_calm())

    assert not find_margins(gains, Corner(torque=0.1)).stable
    assert not find_margins(cascade_gains(lantern_calm(), outer_rad_s=60.0)).stable


def test_low_accelerometer_helps_and_high_one_hurts_with_short_filter_times() -> None:
    """With a filter time of 0.1 s an accelerometer at the pivot is fine and one at the blind height ruins the loop."""
    plant = lantern_calm()

    def at(height_m: float) -> float:
        machine = replace(plant, accelerometer=replace(plant.accelerometer, height_m=height_m))
        margins = find_margins(cascade_gains(machine, filter_time_s=0.1))
        return margins.peak_sensitivity if margins.stable else float("inf")

    assert at(0.0) < 1.25
    assert at(0.20) > 3.0


def test_corners_are_all_combinations() -> None:
    """Seven single changes and eight combinations, each with its words."""
    labels = [corner.label for corner in corners()]

    assert len(labels) == len(set(labels)) == 15
    assert labels[0] == "gravity torque -10 %"
    assert labels[6] == "2 ticks later"
    assert labels[-1] == "gravity torque +10 %, inertia +15 %, torque +20 %, 2 ticks later"
    assert Corner().label == "nominal"


def test_corner_changes_the_machine_and_not_the_gains() -> None:
    """The corner's plant has the changed numbers; the margins get worse with less torque, more gravity and delay."""
    plant = lantern_calm()
    machine = Corner(gravity=1.1, inertia=0.85, late_ticks=2).machine(plant)

    assert machine.gravity_torque_n_m == pytest.approx(1.1 * plant.gravity_torque_n_m)
    assert machine.body_inertia_kg_m2 == pytest.approx(0.85 * plant.body_inertia_kg_m2)
    assert machine.latency_s == pytest.approx(plant.latency_s + 0.002)
    gains = cascade_gains(plant)
    nominal, weak = find_margins(gains), find_margins(gains, Corner(torque=0.8))
    assert weak.gain_margin_up == pytest.approx(nominal.gain_margin_up / 0.8, rel=1e-6)


def test_voltage_drive_is_compensated() -> None:
    """With the wheel gain the voltage drive has the current drive's peaks; its lower gain margin lies at rest.

    There the loop's gain is real, and a torque scale below the margin leaves the back-EMF as a drag on the
    wheel.
    """
    current = lantern_calm()
    plant = replace(current, voltage_drive=True, command_full_scale=current.supply_v)
    gains = cascade_gains(plant)
    compensated = find_margins(gains)
    ignored = find_margins(replace(gains, wheel_gain_n_m_s=0.0))
    reference = find_margins(cascade_gains(current))

    assert gains.wheel_gain_n_m_s == pytest.approx(current.torque_constant**2 / current.resistance_ohm)
    assert compensated.stable
    assert compensated.peak_sensitivity == pytest.approx(reference.peak_sensitivity, rel=0.05)
    exact = edge(lambda factor: close_loop(gains, plant, factor).spectral_radius(), 1.0, 0.05)
    assert compensated.gain_margin_down == pytest.approx(exact, rel=0.01)
    assert ignored.disk_margin < compensated.disk_margin - 0.2
    assert gains.counts_per_n_m == pytest.approx(512 * 5.0 / 0.045 / 11.1)
    assert cascade_gains(current).counts_per_n_m == pytest.approx(512 / 0.054)


@pytest.mark.parametrize("lantern", ["calm", "heavy"])
def test_rest_prediction_meets_the_simulator(lantern: str) -> None:
    """Tilt, wheel and torque wiggle of a frictionless machine in 100 simulated seconds are as predicted within 20 %."""
    plant = replace(
        LANTERNS[lantern](),
        wheel_coulomb_n_m=0.0,
        wheel_stiction_n_m=0.0,
        pivot_coulomb_n_m=0.0,
        cogging_n_m=0.0,
    )
    rest = predict_rest(cascade_gains(plant))
    flight = fly(
        plant,
        cascade(plant, Cascade(wheel_setpoint_rad_s=9.0, trim_limit_deg=10.0)),
        Scenario(seconds=130.0, statistics_from_s=30.0),
    )

    assert flight.tilt_rms_rad == pytest.approx(rest.tilt_rad, rel=0.2)
    assert flight.wheel_std_rad_s == pytest.approx(rest.wheel_rad_s, rel=0.2)
    viscous = plant.wheel_viscous_n_m_s * flight.wheel_mean_rad_s
    assert flight.torque_rms_n_m == pytest.approx(np.hypot(rest.torque_n_m, viscous), rel=0.2)


def test_longer_filter_times_calm_the_body() -> None:
    """Tilt wiggle falls with the filter time, near the independent figures (0.25, 0.5, 1, 2, 5 s, simulated, deg)."""
    plant = lantern_calm()
    wiggles = [degrees(predict_rest(cascade_gains(plant, filter_time_s=time)).tilt_rad) for time in (0.25, 0.5, 1.0, 2.0, 5.0)]

    assert_allclose(wiggles, (0.0202, 0.0156, 0.0105, 0.0067, 0.0043), rtol=0.3)
    assert wiggles == sorted(wiggles, reverse=True)


def test_no_noise_no_wiggle() -> None:
    """Without noise only the quantisers are left, and finer ones wiggle in proportion less."""
    plant = lantern_calm(noise=False)
    finer = replace(
        plant,
        command_counts=plant.command_counts * 10,
        gyro=replace(plant.gyro, counts_per_rad_s=plant.gyro.counts_per_rad_s * 10.0),
        accelerometer=replace(plant.accelerometer, counts_per_m_s2=plant.accelerometer.counts_per_m_s2 * 10.0),
        wheel_counts_per_rad_s=plant.wheel_counts_per_rad_s * 10.0,
    )
    coarse, fine = predict_rest(cascade_gains(plant)), predict_rest(cascade_gains(finer))

    assert coarse.tilt_rad == pytest.approx(10.0 * fine.tilt_rad, rel=1e-6)
    assert coarse.torque_n_m == pytest.approx(10.0 * fine.torque_n_m, rel=1e-6)


def test_friction_cycle_is_near_the_static_balance() -> None:
    """With the proportional outer loop the wheel rests off standstill where friction and lean balance (factor 4/pi)."""
    plant = replace(lantern_calm(), wheel_stiction_n_m=0.4e-3)
    gains = cascade_gains(plant)
    stiffness = gains.lean_gain_n_m_per_rad * gains.momentum_gain_rad_per_n_m_s * plant.wheel_inertia_kg_m2

    balance = plant.wheel_coulomb_n_m / (stiffness + plant.wheel_viscous_n_m_s)
    assert friction_cycle(gains) == pytest.approx(4.0 / pi * balance, rel=0.15)
    assert friction_cycle(cascade_gains(smooth(plant))) == 0.0


def lags(count: int, gain: float = 1.0) -> Loop:
    """gain/(s + 1)^count."""

    def response(frequencies: NDArray[np.float64]) -> NDArray[np.complex128]:
        return np.asarray(gain / (1j * frequencies + 1.0) ** count, dtype=np.complex128)

    return response


def test_limit_cycles_need_a_negative_crossing() -> None:
    """A passive loop has no cycle, a triple lag with a relay has one."""
    grid = np.geomspace(0.01, 100.0, 400)
    relay = functools.partial(relay_gain, 1.0)

    assert limit_cycles(lags(1), relay, grid) == []
    assert len(limit_cycles(lags(3), relay, grid)) == 1


def test_margins_without_any_crossing() -> None:
    """A loop gain that stays below 1 and right of the imaginary axis has endless margins."""
    margins = read_margins(lags(1, 0.5), np.geomspace(1e-3, 1e3, 200))

    assert margins.gain_margin_up == margins.delay_margin_s == float("inf")
    assert margins.gain_margin_down == margins.crossover_rad_s == 0.0
    assert margins.phase_margin_rad == pi


def test_sampled_machine_of_plain_sensors() -> None:
    """Without low-passes the accelerometer shows g tilt - h tilt'' of the instant, command still in effect included."""
    plant = replace(without_low_passes(lantern_calm()), current_lag_s=0.0)
    machine = sample_machine(plant)
    inertia, lever = plant.body_inertia_kg_m2, plant.accelerometer.height_m / plant.gravity_m_s2

    assert machine.states == ("tilt", "rate", "wheel", "wheel_turn", "command_1")
    expected = [
        1.0 - lever * plant.gravity_torque_n_m / inertia,
        lever * plant.pivot_damping_n_m_s / inertia,
        -lever * plant.wheel_viscous_n_m_s / inertia,
        0.0,
        lever / inertia,
    ]
    assert_allclose(machine.readings[1], expected)
    assert machine.late_ticks == 1
    assert machine.window_ticks == 4
    assert not machine.process.any()


def test_sensor_classes_are_those_of_the_plant() -> None:
    """The noise variances follow density^2 fs/2 plus step^2/12."""
    plant = replace(
        without_low_passes(lantern_calm()),
        gyro=Gyro(100.0, 0.01, 0.0, 0.0, 32767),
        accelerometer=Accelerometer(200.0, 0.02, 0.1, 0.0, 32767),
    )
    variances = sample_machine(plant).reading_variances

    assert variances[0] == pytest.approx(0.01**2 * 500.0 + 0.01**2 / 12.0)
    assert variances[1] == pytest.approx((0.02**2 * 500.0 + 0.005**2 / 12.0) / 9.81**2)
    assert variances[2] == pytest.approx((0.004 / plant.wheel_counts_per_rad_s) ** 2 / 12.0)
