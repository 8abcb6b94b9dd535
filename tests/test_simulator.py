"""The compiled simulator against a slow reference, closed forms of mechanics, and its own contract."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.special import ellipk

from codegen.errors import LoopwrightError
from codegen.native.compile import compile_library
from codegen.plant import Plant, Scenario, fly
from codegen.plant.simulator import simulator_sources
from tests.bench_controllers import Cascade, cascade, constant, counts_of
from tests.machines import LANTERNS, lantern_calm, smooth
from tests.slow_reference import fly_slowly

# Angular impulses, N m s: three tenths of the largest each machine survives.
POKES = {"calm": 0.0016, "heavy": 0.0033, "lively": 0.0060}

# Stated accuracy of two-second flights: tilt in degrees, wheel speed in rad/s.
ACCURACY = {"calm": (1.2e-3, 1.1e-2), "heavy": (3.5e-4, 1.6e-3), "lively": (1.1e-3, 4.8e-3)}


# Integration accuracy


@pytest.mark.parametrize("name", LANTERNS)
@pytest.mark.parametrize("settings", [Cascade(), Cascade(inner_pole_rad_s=28.0, filter_time_s=0.5, wheel_setpoint_rad_s=0.0)])
def test_flight_agrees_with_a_tight_integration(name: str, settings: Cascade) -> None:
    """Two seconds with a 3 degree release and a poke stay within the stated accuracy of scipy's DOP853.

    Readings and commands are a thousand times finer than the machine's: a count that falls to the other side
    is an event of its own (next test), not an error of integration.
    """
    tilt_deg, wheel_rad_s = ACCURACY[name]
    machine = LANTERNS[name](noise=False)
    fine = 1000
    plant = replace(
        machine,
        gyro=replace(machine.gyro, counts_per_rad_s=fine * machine.gyro.counts_per_rad_s, counts_max=2**31 - 1),
        accelerometer=replace(
            machine.accelerometer,
            counts_per_m_s2=fine * machine.accelerometer.counts_per_m_s2,
            counts_max=2**31 - 1,
        ),
        wheel_counts_per_rad_s=fine * machine.wheel_counts_per_rad_s,
        wheel_counts_max=2**31 - 1,
        command_counts=fine * machine.command_counts,
    )
    poke = POKES[name]
    slow = fly_slowly(plant, cascade(plant, settings), 2.0, math.radians(3), 1000, poke)
    fast = fly(
        plant,
        cascade(plant, settings),
        Scenario(2.0, tilt_rad=math.radians(3), pokes=((1.0, poke),), record_every=1),
    )
    assert np.abs(np.degrees(slow[:, 0])).max() > 3.0
    assert np.abs(np.degrees(fast.tilt_rad - slow[:, 0])).max() < tilt_deg
    assert np.abs(fast.wheel_rad_s - slow[:, 2]).max() < wheel_rad_s


@pytest.mark.parametrize("name", LANTERNS)
def test_readings_agree_with_the_reference_until_one_count_differs(name: str) -> None:
    """With the machine's own coarse readings, every count is the reference's until one meets an edge."""
    plant = LANTERNS[name](noise=False)
    slow = fly_slowly(plant, cascade(plant), 2.0, math.radians(3), 1000, POKES[name])
    fast = fly(
        plant,
        cascade(plant),
        Scenario(2.0, tilt_rad=math.radians(3), pokes=((1.0, POKES[name]),), record_every=1, record_counts=True),
    )
    assert fast.counts is not None
    difference = np.abs(fast.counts[:, :4] - slow[:, 3:]).max(axis=1)
    first = int(np.argmax(difference > 0)) if difference.any() else len(difference)
    assert first > 50
    tilt_deg, wheel_rad_s = ACCURACY[name]
    assert np.abs(np.degrees(fast.tilt_rad - slow[:, 0]))[:first].max() < tilt_deg
    assert np.abs(fast.wheel_rad_s - slow[:, 2])[:first].max() < wheel_rad_s
    assert not difference.any() or difference[first] == 1


def test_momentum_changes_by_gravity_and_pivot_friction_only() -> None:
    """J w + (I + J) th' changes by the integral of G sin th less pivot friction, whatever the drive does."""
    plant = lantern_calm()
    flight = fly(
        plant,
        cascade(plant),
        Scenario(3.0, tilt_rad=0.1, wheel_rad_s=80.0, record_every=1),
    )
    inertia, wheel = plant.body_inertia_kg_m2, plant.wheel_inertia_kg_m2
    momentum = wheel * flight.wheel_rad_s + (inertia + wheel) * flight.rate_rad_s
    rate = flight.rate_rad_s
    friction = plant.pivot_damping_n_m_s * rate + plant.pivot_coulomb_n_m * rate / np.hypot(rate, 0.3)
    impulse = np.trapezoid(plant.gravity_torque_n_m * np.sin(flight.tilt_rad) - friction, flight.time_s)
    assert flight.stands
    assert momentum[-1] - momentum[0] == pytest.approx(impulse, rel=1e-5)
    assert abs(float(impulse)) > 1e-3


@pytest.mark.parametrize("amplitude_deg", [5.0, 45.0, 120.0])
def test_hanging_swing_has_the_period_of_the_elliptic_integral(amplitude_deg: float) -> None:
    """A frictionless pendulum of amplitude a has T = 4 sqrt(I/G) K(sin^2(a/2)) (any text on mechanics)."""
    plant = smooth(lantern_calm())
    amplitude = math.radians(amplitude_deg)
    # The friction-free wheel does not turn along, so only the body's inertia counts.
    period = 4.0 * math.sqrt(plant.body_inertia_kg_m2 / plant.gravity_torque_n_m) * float(ellipk(math.sin(amplitude / 2) ** 2))
    flight = fly(
        plant,
        constant(0.0),
        Scenario(5.0 * period, tilt_rad=math.pi + amplitude, record_every=1, fall_tilt_rad=10.0),
    )
    # Upward passages of the rate through zero mark the far turning points.
    before = np.flatnonzero((flight.rate_rad_s[:-1] < 0) & (flight.rate_rad_s[1:] >= 0))
    share = -flight.rate_rad_s[before] / (flight.rate_rad_s[before + 1] - flight.rate_rad_s[before])
    passages = flight.time_s[before] + share * plant.period_s
    assert np.diff(passages) == pytest.approx(period, rel=3e-5)


@pytest.mark.parametrize("largest", [1.0, 10.0, 1e4, 1e8])
def test_sine_of_the_simulator_is_that_of_numpy(largest: float) -> None:
    """The simulator's own sine agrees with the library's within 1e-15, reduction of large angles included."""
    probe = "void probe(const double *x, double *y, int n)"
    library = compile_library(
        {
            "probe.c": f'#include "text.h"\n{probe};\n{probe} {{ for (int i = 0; i < n; i++) y[i] = sine(x[i]); }}',
            "text.h": simulator_sources()["simulator.c"],
            **{name: text for name, text in simulator_sources().items() if name.endswith(".h")},
        },
        declarations=f"{probe};",
    )
    angles = np.random.default_rng(1).uniform(-largest, largest, 100_000)
    sines = np.empty_like(angles)
    pointers = [library.ffi.cast("double *", array.ctypes.data) for array in (angles, sines)]
    library.lib.probe(*pointers, len(angles))
    library.close()
    assert np.abs(sines - np.sin(angles)).max() < 1e-15


# Drive


def test_wheel_coasts_down_with_its_viscous_time_constant() -> None:
    """A held body's wheel slows as exp(-b t / J) under viscous friction alone (any text on mechanics)."""
    plant = replace(smooth(lantern_calm()), wheel_viscous_n_m_s=2e-5)
    flight = fly(plant, constant(0.0), Scenario(4.0, hold_s=5.0, wheel_rad_s=100.0))
    expected = 100.0 * math.exp(-2e-5 * 4.0 / plant.wheel_inertia_kg_m2)
    assert flight.final_wheel_rad_s == pytest.approx(expected, rel=1e-6)


def test_voltage_drive_runs_up_with_the_electromechanical_time_constant() -> None:
    """A voltage step gives w = (U/K)(1 - exp(-K^2 t / (J R))) (common practice, no source)."""
    plant = replace(smooth(lantern_calm()), voltage_drive=True, command_full_scale=11.1, current_limit_a=100.0)
    flight = fly(plant, constant(256.0), Scenario(0.3, hold_s=1.0))
    time_s = plant.wheel_inertia_kg_m2 * plant.resistance_ohm / plant.torque_constant**2
    expected = 0.5 * 11.1 / plant.torque_constant * (1.0 - math.exp(-0.3 / time_s))
    assert flight.final_wheel_rad_s == pytest.approx(expected, rel=1e-5)


def test_supply_limits_the_wheel_speed() -> None:
    """Full command ends at the speed whose back voltage is the supply; a lower supply brakes the wheel."""
    plant = smooth(lantern_calm())
    full = fly(plant, constant(512.0), Scenario(20.0, hold_s=30.0))
    sagged = fly(plant, constant(512.0), Scenario(20.0, hold_s=30.0, supply=((10.0, 8.0),)))
    assert full.final_wheel_rad_s == pytest.approx(plant.top_speed_rad_s, rel=1e-6)
    assert sagged.final_wheel_rad_s == pytest.approx(8.0 / plant.torque_constant, rel=1e-6)


def test_command_is_limited_to_its_counts_and_the_current_limit() -> None:
    """A controller that asks for more than full scale gets full scale."""
    plant = smooth(lantern_calm())
    asked = fly(plant, constant(1e6), Scenario(0.1, hold_s=1.0))
    full = fly(plant, constant(512.0), Scenario(0.1, hold_s=1.0))
    assert asked.final_wheel_rad_s == full.final_wheel_rad_s
    assert full.final_wheel_rad_s == pytest.approx(0.1 * plant.torque_limit_n_m / plant.wheel_inertia_kg_m2, rel=1e-9)


def test_cogging_at_speed_averages_out() -> None:
    """Cogging passed many times per tick leaves no mean torque, though no tick can follow it."""
    plant = replace(smooth(lantern_calm()), cogging_n_m=8e-4, cogging_per_rev=84)
    flight = fly(plant, constant(0.0), Scenario(10.0, hold_s=11.0, wheel_rad_s=200.0))
    # One period moves the speed by A / (J N w) at most; a mean torque would add up over ten seconds.
    assert abs(flight.final_wheel_rad_s - 200.0) < 2 * 8e-4 / (plant.wheel_inertia_kg_m2 * 84 * 200.0)


# Timing


def test_command_acts_after_the_compute_delay() -> None:
    """Within the first tick the command acts for the period less the delay, later always."""
    for delay_ms in (0.0, 0.3, 0.75):
        plant = replace(smooth(lantern_calm()), latency_s=delay_ms * 1e-3)
        flight = fly(plant, constant(100.0), Scenario(0.005, hold_s=1.0))
        pull = plant.torque_limit_n_m * 100 / 512 / plant.wheel_inertia_kg_m2
        assert flight.final_wheel_rad_s == pytest.approx(pull * (0.005 - delay_ms * 1e-3), rel=1e-9)


@pytest.mark.parametrize(("latency_us", "late_ticks"), [(0, 0), (999, 0), (1000, 1), (1300, 1), (4200, 4)])
def test_inertial_readings_are_late_by_the_whole_ticks_of_the_latency(latency_us: int, late_ticks: int) -> None:
    """A poke at tick 100 shows in the gyro reading that many ticks later."""
    plant = replace(smooth(lantern_calm()), latency_s=latency_us * 1e-6)
    flight = fly(plant, constant(0.0), Scenario(0.2, pokes=((0.1, 0.002),), record_counts=True))
    gyro = counts_of(flight, 0)
    first = int(np.flatnonzero(gyro > 1000)[0])
    assert first == 100 + late_ticks
    assert gyro[first] == pytest.approx(0.002 / plant.body_inertia_kg_m2 * 1e6, abs=0.51)


def test_arm_input_rises_at_its_time() -> None:
    """The arm input is 0 before and 1 from the stated time on."""
    flight = fly(lantern_calm(), constant(0.0), Scenario(0.5, arm_s=0.3, record_counts=True))
    arm = counts_of(flight, 4)
    assert not arm[:300].any()
    assert arm[300:].all()
    assert flight.armed


def test_held_body_stays_until_let_go() -> None:
    """Held, the body keeps its tilt whatever hits it; let go, it falls with the machine's divergence."""
    plant = smooth(lantern_calm())
    flight = fly(
        plant,
        constant(300.0),
        Scenario(
            0.6,
            tilt_rad=1e-3,
            rate_rad_s=1.0,
            hold_s=0.5,
            pokes=((0.2, 0.1),),
            pushes=((0.0, 0.5, 1.0),),
            record_every=1,
        ),
    )
    assert (flight.tilt_rad[:501] == 1e-3).all()
    assert not flight.rate_rad_s[:501].any()
    free = fly(plant, constant(0.0), Scenario(0.2, tilt_rad=1e-6, hold_s=0.1))
    assert free.final_tilt_rad == pytest.approx(1e-6 * math.cosh(plant.divergence_rad_s * 0.1), rel=1e-5)


def test_poke_turns_the_body_and_leaves_the_wheel_where_it_is() -> None:
    """An angular impulse P changes the body's rate by P/I; the wheel's absolute rate does not change."""
    plant = smooth(lantern_calm())
    flight = fly(plant, constant(0.0), Scenario(0.002, wheel_rad_s=50.0, pokes=((0.001, 0.003),), record_every=1))
    jump = 0.003 / plant.body_inertia_kg_m2
    assert flight.rate_rad_s[1] - flight.rate_rad_s[0] == pytest.approx(jump, rel=1e-12)
    assert flight.wheel_rad_s[1] + flight.rate_rad_s[1] == pytest.approx(50.0, rel=1e-12)


def test_push_acts_between_its_times_and_overlapping_pushes_add() -> None:
    """Two overlapping pushes give the momentum of their sum, and nothing afterwards."""
    plant = replace(smooth(lantern_calm()), gravity_torque_n_m=1e-12)
    flight = fly(
        plant,
        constant(0.0),
        Scenario(0.01, pushes=((0.001, 0.004, 0.1), (0.002, 0.006, 0.2)), record_every=1),
    )
    expected = np.interp(flight.time_s, [0.001, 0.002, 0.004, 0.006], np.cumsum([0.0, 1e-4, 6e-4, 4e-4]))
    assert flight.rate_rad_s * plant.body_inertia_kg_m2 == pytest.approx(expected, abs=1e-15)


def test_run_ends_with_the_fall() -> None:
    """Uncontrolled the body falls, and the run stops at the tick that finds it beyond the limit."""
    flight = fly(lantern_calm(), constant(0.0), Scenario(20.0, tilt_rad=0.01, record_every=1, record_counts=True))
    assert not flight.stands
    assert flight.fell_at_s == pytest.approx(flight.ticks * 1e-3)
    assert abs(flight.final_tilt_rad) > 1.0472 >= np.abs(flight.tilt_rad).max()
    assert len(flight.tilt_rad) == flight.ticks == len(counts_of(flight, 0)) < 20_000


# The whole loop


@pytest.mark.parametrize("name", LANTERNS)
def test_equal_seeds_repeat_a_flight_bit_for_bit(name: str) -> None:
    """The same scenario gives the same counts and state; another seed gives others."""
    plant = LANTERNS[name]()
    scenario = Scenario(2.0, tilt_rad=0.02, arm_s=0.01, record_every=1, record_counts=True)
    first, again = (fly(plant, cascade(plant), scenario) for _ in range(2))
    other = fly(plant, cascade(plant), replace(scenario, seed=2))
    assert first.counts is not None
    assert again.counts is not None
    assert first.counts.tobytes() == again.counts.tobytes()
    assert first.tilt_rad.tobytes() == again.tilt_rad.tobytes()
    assert first.tilt_rms_rad == again.tilt_rms_rad
    assert other.tilt_rms_rad != first.tilt_rms_rad


@pytest.mark.parametrize("name", LANTERNS)
def test_cascade_stands_calmly_at_its_wheel_speed(name: str) -> None:
    """A good controller finds an unknown balance angle, stands, and keeps the wheel at its set-point."""
    plant = LANTERNS[name]()
    setpoint = 12.0 if name == "lively" else 6.0
    flight = fly(
        plant,
        cascade(plant, Cascade(wheel_setpoint_rad_s=setpoint)),
        Scenario(
            120.0,
            hold_s=0.3,
            arm_s=0.2,
            balance_offset_rad=math.radians(1.5),
            gyro_bias_rad_s=math.radians(0.5),
            statistics_from_s=60.0,
        ),
    )
    assert flight.stands
    assert math.degrees(flight.tilt_rms_rad) < 0.02
    assert abs(flight.wheel_mean_rad_s - setpoint) < 2.0


def test_statistics_are_those_of_the_record() -> None:
    """RMS, means, largest sizes and standard deviation equal what numpy makes of the recorded rows."""
    plant = lantern_calm()
    flight = fly(plant, cascade(plant), Scenario(3.0, tilt_rad=0.03, statistics_from_s=1.0, record_every=1))
    tilt, wheel, torque = (column[1000:] for column in (flight.tilt_rad, flight.wheel_rad_s, flight.torque_n_m))
    assert flight.ticks == 3000
    assert flight.tilt_rms_rad == pytest.approx(np.sqrt(np.mean(tilt**2)), rel=1e-12)
    assert flight.tilt_mean_rad == pytest.approx(np.mean(tilt), rel=1e-9)
    assert flight.tilt_max_rad == np.abs(tilt).max()
    assert flight.wheel_mean_rad_s == pytest.approx(np.mean(wheel), rel=1e-12)
    assert flight.wheel_std_rad_s == pytest.approx(np.std(wheel), rel=1e-9)
    assert flight.wheel_max_rad_s == np.abs(wheel).max()
    assert flight.torque_rms_n_m == pytest.approx(np.sqrt(np.mean(torque**2)), rel=1e-12)


def test_thinned_record_is_every_nth_row() -> None:
    """A record of every seventh tick holds the very rows of the full one."""
    plant = lantern_calm()
    full = fly(plant, cascade(plant), Scenario(0.5, tilt_rad=0.02, record_every=1))
    thin = fly(plant, cascade(plant), Scenario(0.5, tilt_rad=0.02, record_every=7))
    assert thin.tilt_rad.tolist() == full.tilt_rad[::7].tolist()
    assert thin.command_counts.tolist() == full.command_counts[::7].tolist()


@pytest.mark.parametrize(
    ("scenario", "where"),
    [
        (Scenario(0.0), "seconds"),
        (Scenario(math.nan), "seconds"),
        (Scenario(1.0, tilt_rad=math.inf), "scenario"),
        (Scenario(1.0, hold_s=-1.0), "hold_s"),
        (Scenario(1.0, seed=-1), "seed"),
        (Scenario(1.0, record_every=-1), "record_every"),
        (Scenario(1.0, faults=(("asleep", 0.0, 1.0),)), "faults"),
        (Scenario(1.0, faults=(("stale", 1.0, 0.5),)), "faults"),
        (Scenario(1.0, pushes=((1.0, 0.5, 1.0),)), "pushes"),
        (Scenario(1.0, supply=((0.5, -1.0),)), "supply"),
        (Scenario(1.0, pokes=((math.nan, 1.0),)), "scenario"),
    ],
)
def test_contradictory_scenario_is_refused_with_its_place(scenario: Scenario, where: str) -> None:
    """The error names the field."""
    with pytest.raises(LoopwrightError, match=where):
        fly(lantern_calm(), constant(0.0), scenario)


def test_latency_beyond_the_memory_is_refused() -> None:
    """A latency of a second at 1 kHz is more than the simulator can remember."""
    with pytest.raises(LoopwrightError, match="too long to simulate"):
        fly(replace(lantern_calm(), latency_s=1.0), constant(0.0), Scenario(0.1))


# Clock and balance of the wheel


def test_uneven_ticks_move_the_machine_by_their_own_lengths() -> None:
    """A held wheel under constant torque gains speed by the time that passed, not by the number of ticks."""
    plant = smooth(lantern_calm())
    lengths = tuple(float(length) for length in np.random.default_rng(3).uniform(2e-4, 3e-3, 500))
    even = fly(plant, constant(100.0), Scenario(0.5, hold_s=1.0, record_every=1))
    uneven = fly(plant, constant(100.0), Scenario(0.5, hold_s=1.0, record_every=1, tick_lengths_s=lengths))
    pull = plant.torque_limit_n_m * 100 / 512 / plant.wheel_inertia_kg_m2
    assert even.final_wheel_rad_s == pytest.approx(0.5 * pull, rel=1e-9)
    assert uneven.final_wheel_rad_s == pytest.approx(math.fsum(lengths) * pull, rel=1e-9)
    assert uneven.time_s == pytest.approx(np.concatenate(([0.0], np.cumsum(lengths)[:-1])), abs=1e-12)


def test_even_tick_lengths_are_the_period() -> None:
    """Ticks given as one period each fly as ticks that are not given, up to rounding of the clock."""
    plant = lantern_calm()
    scenario = Scenario(0.5, tilt_rad=0.02, record_every=1)
    plain = fly(plant, cascade(plant), scenario)
    given = fly(plant, cascade(plant), replace(scenario, tick_lengths_s=(plant.period_s,) * 500))
    assert given.tilt_rad.tolist() == plain.tilt_rad.tolist()


@pytest.mark.parametrize("lengths", [(0.001,) * 10, (0.0002,) * 1000])
def test_impossible_tick_lengths_are_refused(lengths: tuple[float, ...]) -> None:
    """Too few of them, or ticks shorter than the compute delay of 0.3 ms."""
    with pytest.raises(LoopwrightError, match="tick_lengths_s"):
        fly(lantern_calm(), constant(0.0), Scenario(0.5, tick_lengths_s=lengths))


def _unbalanced_by_lagrange(plant: Plant, state: NDArray[np.float64]) -> list[float]:
    """Right side of the unbalanced machine's motion, from the mass matrix of its Lagrangian solved by numpy."""
    tilt, rate, spun, turning = state  # the wheel's absolute angle and rate
    eccentric = plant.wheel_unbalance_kg_m * plant.axle_height_m
    relative = spun - tilt
    mass = np.array(
        [
            [plant.body_inertia_kg_m2, eccentric * math.cos(relative)],
            [eccentric * math.cos(relative), plant.wheel_inertia_kg_m2],
        ]
    )
    gravity = plant.wheel_unbalance_kg_m * plant.gravity_m_s2 * math.sin(spun)
    forces = [
        plant.gravity_torque_n_m * math.sin(tilt) + eccentric * turning**2 * math.sin(relative),
        gravity - eccentric * rate**2 * math.sin(relative),
    ]
    return [rate, *np.linalg.solve(mass, forces)[:1], turning, *np.linalg.solve(mass, forces)[1:]]


def test_unbalanced_wheel_shakes_the_body_as_lagrange_has_it() -> None:
    """A free machine with 30 g mm of unbalance at 60 rad/s moves as scipy integrates the equations of its Lagrangian."""
    plant = replace(smooth(lantern_calm()), wheel_unbalance_kg_m=3e-5)
    flight = fly(plant, constant(0.0), Scenario(0.3, tilt_rad=0.01, wheel_rad_s=60.0, record_every=1))
    exact = solve_ivp(
        lambda _, state: _unbalanced_by_lagrange(plant, state),
        (0.0, 0.3),
        [0.01, 0.0, 0.01, 60.0],
        t_eval=flight.time_s,
        rtol=1e-10,
        atol=1e-12,
    )
    still = fly(replace(plant, wheel_unbalance_kg_m=0.0), constant(0.0), Scenario(0.3, tilt_rad=0.01, wheel_rad_s=60.0, record_every=1))
    assert np.abs(flight.rate_rad_s - still.rate_rad_s).max() > 0.1
    assert np.abs(flight.tilt_rad - exact.y[0]).max() < 2e-5
    assert np.abs(flight.wheel_rad_s - (exact.y[3] - exact.y[1])).max() < 2e-3


def test_unbalanced_wheel_keeps_its_energy() -> None:
    """Kinetic energy with the coupling term plus height of both masses stays what it was (any text on mechanics)."""
    plant = replace(smooth(lantern_calm()), wheel_unbalance_kg_m=3e-5)
    flight = fly(plant, constant(0.0), Scenario(1.0, tilt_rad=math.pi + 0.3, wheel_rad_s=20.0, record_every=1, fall_tilt_rad=10.0))
    lengths = np.diff(flight.time_s)
    angle = np.concatenate(([0.0], np.cumsum(0.5 * (flight.wheel_rad_s[:-1] + flight.wheel_rad_s[1:]) * lengths)))
    rate, absolute = flight.rate_rad_s, flight.rate_rad_s + flight.wheel_rad_s
    eccentric = plant.wheel_unbalance_kg_m * plant.axle_height_m
    energy = (
        0.5 * plant.body_inertia_kg_m2 * rate**2
        + 0.5 * plant.wheel_inertia_kg_m2 * absolute**2
        + eccentric * rate * absolute * np.cos(angle)
        + plant.gravity_torque_n_m * np.cos(flight.tilt_rad)
        + plant.wheel_unbalance_kg_m * plant.gravity_m_s2 * np.cos(flight.tilt_rad + angle)
    )
    assert np.ptp(energy) < 1e-4 * np.ptp(plant.gravity_torque_n_m * np.cos(flight.tilt_rad))
