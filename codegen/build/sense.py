"""Does a build make physical sense?

Looks for contradictions between keys, slips of units, and goals beyond any controller.

Takes a validated `Build`, gives the faults found. It refuses only what no controller could mend; how well a
machine can be controlled is judged by the design. Quantities that contradict each other are given the benefit
of their intervals; bounds on what the machine can do use the nominal values.

Symbols: G = (m_body l_body + m_wheel h_wheel) g, I = J_body + m_wheel h_wheel^2, lambda = sqrt(G/I) the rate
at which a fall grows, T = K_t I_max the largest torque, J the wheel's inertia, omega_top = V/K_e.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from scipy import constants

from codegen.build.conventions import explain_torque_constant
from codegen.build.quantity import Quantity
from codegen.build.schema import Build, Loop
from codegen.tomlfile import Fault

GRAVITY_M_S2: float = constants.g

# Largest lambda * dead time. Gain-crossover inequality for a plant with one unstable pole and a dead time,
# loop slope -1/2 at crossover, phase margin 60 deg (45 deg gives 0.326): K. J. Astrom, "Limitations on
# control system performance", European Journal of Control 6 (2000), from memory; tests/test_build.py solves
# it again.
LARGEST_POLE_TIMES_DEAD_TIME = 0.2225
HOLD_SHARE = 0.5
MOST_LATENCY_TICKS = 10
FEWEST_SPEED_COUNTS = 10
LEAST_ACCELEROMETER_G = 1.2
FEWEST_CYCLES_PER_TICK = 70  # own hand count of the smallest useful controller on a 32-bit core
LARGEST_SPREAD = 10.0


@dataclass(frozen=True)
class _Machine:
    """Numbers that several checks need, nominal, SI units."""

    gravity_torque_n_m: float
    inertia_kg_m2: float
    divergence_rad_s: float
    torque_n_m: float
    top_speed_rad_s: float
    period_s: float


def find_faults(build: Build) -> list[Fault]:
    """Return every contradiction and impossible wish in `build`; empty if it makes sense."""
    body, wheel, drive = build.body, build.wheel, build.drive
    gravity_torque = GRAVITY_M_S2 * (
        body.mass_kg.value * body.com_height_m.value + wheel.mass_kg.value * wheel.axis_height_m.value
    )
    inertia = body.inertia_kg_m2.value + wheel.mass_kg.value * wheel.axis_height_m.value**2
    machine = _Machine(
        gravity_torque_n_m=gravity_torque,
        inertia_kg_m2=inertia,
        divergence_rad_s=math.sqrt(gravity_torque / inertia),
        torque_n_m=drive.torque_constant_n_m_per_a.value
        * min(drive.current_limit_a.value, drive.supply_v.value / drive.resistance_ohm.value),
        top_speed_rad_s=drive.supply_v.value / drive.torque_constant_n_m_per_a.value,
        period_s=1.0 / build.loop.inner_hz.value,
    )
    return [fault for check in _CHECKS for fault in check(build, machine)]


def _body_inertia(build: Build, machine: _Machine) -> Iterator[Fault]:
    """Parallel axes (Steiner): inertia about the pivot = inertia about the centre of mass + m l^2 > m l^2."""
    body = build.body
    least = body.mass_kg.low * body.com_height_m.low**2
    if body.inertia_kg_m2.high < least:
        yield _fault(
            "body.inertia_kg_m2",
            f"the inertia about the pivot, {body.inertia_kg_m2.value:.4g} kg m2, is less than "
            f"mass x height^2 of the same body, {body.mass_kg.value * body.com_height_m.value**2:.4g}",
            "give the inertia about the pivot edge, not the centre of mass, or correct mass and height",
        )
    arm = LARGEST_SPREAD * max(body.com_height_m.value, build.wheel.axis_height_m.value)
    if math.sqrt(body.inertia_kg_m2.value / body.mass_kg.value) > arm:
        yield _fault(
            "body.inertia_kg_m2",
            f"with {body.inertia_kg_m2.value:.4g} kg m2 the body's mass would lie {arm:.3g} m and more away",
            "check the unit: 1 kg cm2 is 1e-4 kg m2, 1 g cm2 is 1e-7 kg m2",
        )


def _wheel_size(build: Build, machine: _Machine) -> Iterator[Fault]:
    """The rim lies outside the radius of gyration; it must not reach below the pivot edge."""
    wheel = build.wheel
    radius = math.sqrt(wheel.inertia_kg_m2.low / wheel.mass_kg.high)
    if radius > wheel.axis_height_m.high:
        yield _fault(
            "wheel.inertia_kg_m2",
            f"a wheel of this inertia and mass has a radius of more than {radius:.3g} m and would strike "
            f"the ground, {wheel.axis_height_m.value:.3g} m below its axle",
            "check the units: 1 kg cm2 is 1e-4 kg m2, 1 g cm2 is 1e-7 kg m2; heights are in metres",
        )


def _heights(build: Build, machine: _Machine) -> Iterator[Fault]:
    """Axle and centre of mass sit on one small body; a factor of more than ten is a slip of units."""
    com = build.body.com_height_m.value
    ratio = build.wheel.axis_height_m.value / com
    if not 1 / LARGEST_SPREAD <= ratio <= LARGEST_SPREAD:
        yield _fault(
            "wheel.axis_height_m",
            f"the axle is {ratio:.3g} times as high as the body's centre of mass",
            "check the units of both: they are metres from the pivot edge",
        )


def _rotor(build: Build, machine: _Machine) -> Iterator[Fault]:
    """The rotor is part of the wheel, in mass and in inertia."""
    wheel = build.wheel
    if wheel.rotor_mass_kg is not None and wheel.rotor_mass_kg.low > wheel.mass_kg.high:
        yield _fault(
            "wheel.rotor_mass_kg",
            f"the rotor ({wheel.rotor_mass_kg.value:.4g} kg) is heavier than the wheel that includes it "
            f"({wheel.mass_kg.value:.4g} kg)",
            "give in wheel.mass_kg everything that turns: ring, hub and rotor",
        )
    if wheel.rotor_inertia_kg_m2 is not None and wheel.rotor_inertia_kg_m2.low > wheel.inertia_kg_m2.high:
        yield _fault(
            "wheel.rotor_inertia_kg_m2",
            f"the rotor's inertia ({wheel.rotor_inertia_kg_m2.value:.4g} kg m2) exceeds that of the wheel "
            f"that includes it ({wheel.inertia_kg_m2.value:.4g} kg m2)",
            "give in wheel.inertia_kg_m2 everything that turns: ring, hub and rotor",
        )


def _torque_constant(build: Build, machine: _Machine) -> Iterator[Fault]:
    """Torque constant and velocity constant of one motor agree, or are given in different conventions."""
    if build.drive.velocity_constant_rpm_per_v is None:
        return
    explanation = explain_torque_constant(
        build.drive.torque_constant_n_m_per_a, build.drive.velocity_constant_rpm_per_v
    )
    if explanation is not None:
        what, remedy = explanation
        yield _fault("drive.torque_constant_n_m_per_a", what, remedy)


def _standstill(build: Build, machine: _Machine) -> Iterator[Fault]:
    """Ohm's law: at standstill the supply alone drives the current."""
    drive = build.drive
    most = drive.supply_v.high / drive.resistance_ohm.low
    if drive.command == "current" and drive.current_limit_a.low > most:
        yield _fault(
            "drive.current_limit_a",
            f"{drive.supply_v.value:.4g} V through {drive.resistance_ohm.value:.4g} ohm cannot push "
            f"{drive.current_limit_a.value:.4g} A even at standstill",
            f"lower it to {drive.supply_v.value / drive.resistance_ohm.value:.3g} A, or correct the others",
        )


def _friction(build: Build, machine: _Machine) -> Iterator[Fault]:
    """Stiction is at least the Coulomb friction (Stribeck), and the drive must break the wheel loose."""
    drive = build.drive
    if drive.stiction_n_m.high < drive.coulomb_n_m.low:
        yield _fault(
            "drive.stiction_n_m",
            f"the stiction ({drive.stiction_n_m.value:.4g} N m) is less than the Coulomb friction "
            f"({drive.coulomb_n_m.value:.4g} N m)",
            "exchange the two, or leave stiction_n_m out",
        )
    holding = max(drive.stiction_n_m.value, drive.coulomb_n_m.value) + drive.cogging_n_m.value
    if holding >= machine.torque_n_m:
        yield _fault(
            "drive.torque_constant_n_m_per_a",
            f"the largest torque ({machine.torque_n_m:.4g} N m) cannot move the wheel against friction "
            f"and cogging ({holding:.4g} N m)",
            "check current_limit_a, the torque constant and the friction figures",
        )


def _tilts(build: Build, machine: _Machine) -> Iterator[Fault]:
    """Arming, cut-off and what the drive can hold.

    At rest no controller holds more than asin(T/G). The design narrows the tilt of arming to what it can
    catch, and a hand that steadies the body may arm it somewhat beyond, so a moderately optimistic
    arm_tilt_deg is accepted. One of more than 1/HOLD_SHARE = twice the static bound is refused: the motor is
    the wrong one, or a number is.
    """
    goals, offset = build.goals, build.body.balance_offset_deg
    arm, stop = goals.arm_tilt_deg.value, goals.stop_tilt_deg.value
    if stop <= arm:
        yield _fault(
            "goals.stop_tilt_deg",
            f"the cut-off at {stop:g} deg is not beyond the tilt of arming, {arm:g} deg",
            "give a stop_tilt_deg greater than arm_tilt_deg",
        )
    bound = math.degrees(math.asin(min(1.0, machine.torque_n_m / machine.gravity_torque_n_m)))
    if bound < HOLD_SHARE * arm:
        yield _fault(
            "goals.arm_tilt_deg",
            f"the motor's {machine.torque_n_m:.4g} N m hold the body up to {bound:.3g} deg at rest, "
            f"far less than the {arm:g} deg at which it may arm",
            f"lower arm_tilt_deg to about {0.9 * bound:.2g}, or use a stronger motor or a lighter body",
        )
    widest = max(abs(offset.low), abs(offset.high))
    if widest >= arm:
        yield _fault(
            "body.balance_offset_deg",
            f"the balance angle may lie {widest:g} deg off, but the machine arms only within {arm:g} deg",
            "measure the balance angle and give a narrower interval",
        )


def _poke(build: Build, machine: _Machine) -> Iterator[Fault]:
    """The largest impulse that full effort survives: (T/lambda) (1 - exp(-lambda J omega_top / T)).

    From the upright at rest, the poke p makes the unstable coordinate p/(I lambda); full torque until the
    wheel is at its top speed takes off (T/G)(1 - exp(-lambda t)) of it, t = J omega_top / T (Laplace
    transform of the torque at lambda, own derivation). Loss of torque near the top speed makes the true bound
    a little smaller.
    """
    if machine.torque_n_m == 0.0:
        return  # so small a supply or torque constant that it is no torque at all; the check of friction says so
    wheel = build.wheel.inertia_kg_m2.value * machine.top_speed_rad_s
    exponent = machine.divergence_rad_s * wheel / machine.torque_n_m
    bound = machine.torque_n_m / machine.divergence_rad_s * -math.expm1(-exponent)
    if build.goals.poke_n_m_s.value > bound:
        yield _fault(
            "goals.poke_n_m_s",
            f"no controller survives a poke of {build.goals.poke_n_m_s.value:.4g} N m s: "
            f"torque and wheel of this machine take at most {bound:.3g}",
            f"ask for at most about {0.9 * bound:.2g}, or use a stronger motor or a larger wheel",
        )


def _calm(build: Build, machine: _Machine) -> Iterator[Fault]:
    """No estimator knows the tilt better than n/sqrt(lambda), n the gyro's one-sided noise density.

    Stationary Kalman filter of an unstable pole lambda with one rate sensor and no process noise (own
    derivation).
    """
    floor = build.gyro.noise_dps_per_sqrt_hz.low / math.sqrt(machine.divergence_rad_s)
    if build.goals.calm_tilt_rms_deg.value < floor:
        yield _fault(
            "goals.calm_tilt_rms_deg",
            f"the gyro's noise alone makes a wiggle of {floor:.2g} deg RMS with the best of estimators",
            f"ask for at least about {3 * floor:.1g} deg, or use a quieter gyro",
        )


def _sensor_ranges(build: Build, machine: _Machine) -> Iterator[Fault]:
    """Each sensor reads what this machine does before its cut-off.

    The rate of a fall from the upright is 2 lambda sin(tilt/2) (energy). The upright accelerometer reads 1 g.
    """
    gyro, accelerometer, speed = build.gyro, build.accelerometer, build.wheel_speed
    stop = math.radians(build.goals.stop_tilt_deg.value)
    fall = math.degrees(2 * machine.divergence_rad_s * math.sin(stop / 2))
    gyro_range = _counts(gyro.bits) / gyro.counts_per_dps.value
    if gyro_range < fall:
        yield _fault(
            "sensors.gyro.counts_per_dps",
            f"the gyro reads up to {gyro_range:.4g} deg/s, a fall passes the cut-off at {fall:.3g} deg/s",
            f"choose a wider range (at most {_counts(gyro.bits) / fall:.3g} counts per deg/s), "
            "or a smaller stop_tilt_deg",
        )
    accelerometer_range = _counts(accelerometer.bits) / accelerometer.counts_per_g.value
    if accelerometer_range < LEAST_ACCELEROMETER_G:
        yield _fault(
            "sensors.accelerometer.counts_per_g",
            f"the accelerometer reads up to {accelerometer_range:.3g} g; upright it reads 1 g, "
            "which leaves nothing for shocks",
            f"choose a range of 2 g or more (at most {_counts(accelerometer.bits) / 2:.5g} counts per g)",
        )
    speed_range = _counts(speed.bits) / speed.counts_per_rad_s.value
    top = machine.top_speed_rad_s
    if speed_range < top:
        yield _fault(
            "sensors.wheel_speed.counts_per_rad_s",
            f"the reading ends at {speed_range:.4g} rad/s, the motor's top speed is {top:.4g} rad/s",
            "use more bits, or a shorter counting window",
        )
    if speed.counts_per_rad_s.value * top < FEWEST_SPEED_COUNTS:
        yield _fault(
            "sensors.wheel_speed.counts_per_rad_s",
            f"the wheel's top speed makes {speed.counts_per_rad_s.value * top:.2g} counts only",
            "use a finer encoder or a longer window: "
            f"at least {FEWEST_SPEED_COUNTS / top:.2g} counts per rad/s",
        )


def _rates(build: Build, machine: _Machine) -> Iterator[Fault]:
    """The loops fit each other, the processor and the sensors' delay."""
    loop = build.loop
    ratio = loop.inner_hz.value / loop.outer_hz.value
    if ratio < 1 or abs(ratio - round(ratio)) > 1e-9 * ratio:
        yield _fault(
            "loop.outer_hz",
            f"the outer rate {loop.outer_hz.value:g} Hz does not divide the inner rate "
            f"{loop.inner_hz.value:g} Hz",
            f"use the inner rate divided by a whole number, for example {_nearest_divisor(loop):.10g}",
        )
    if loop.latency_us.value * 1e-6 > MOST_LATENCY_TICKS * machine.period_s:
        yield _fault(
            "loop.latency_us",
            f"{loop.latency_us.value:g} us are more than {MOST_LATENCY_TICKS} ticks of the inner loop",
            "check the unit (microseconds), or use a slower inner loop: it runs ahead of its own sensors",
        )
    if loop.compute_us.value > loop.latency_us.value:
        yield _fault(
            "loop.compute_us",
            f"computing takes {loop.compute_us.value:g} us of a latency of {loop.latency_us.value:g} us",
            "latency_us counts from sensor to command and holds the computing too: make it the larger one",
        )
    cycles = build.target.clock_hz.value * machine.period_s
    if cycles < FEWEST_CYCLES_PER_TICK:
        yield _fault(
            "target.clock_hz",
            f"one tick of the inner loop has {cycles:.3g} clock cycles; no controller fits into less than "
            f"{FEWEST_CYCLES_PER_TICK}",
            "check the unit (hertz: 64 MHz is 64_000_000), or use a slower inner loop",
        )


def _nearest_divisor(loop: Loop) -> float:
    """The nearest outer rate that divides the inner rate, a whole number of hertz if possible."""
    inner, outer = loop.inner_hz.value, loop.outer_hz.value
    rates = [inner / divider for divider in range(1, 10_001) if (inner / divider).is_integer()]
    return min(rates or [inner / max(1, round(inner / outer))], key=lambda rate: abs(rate - outer))


def _dead_time(build: Build, machine: _Machine) -> Iterator[Fault]:
    """The whole dead time against the fall: lambda t_d <= LARGEST_POLE_TIMES_DEAD_TIME.

    t_d = latency + half a period (sample and hold) + gyro low-pass (first order: 1/(2 pi f)) + current lag.
    """
    low_pass = build.gyro.low_pass_hz
    others = (build.loop.latency_us.value + build.drive.current_lag_us.value) * 1e-6
    others += 1 / (2 * math.pi * low_pass.value) if low_pass is not None else 0.0
    allowed = LARGEST_POLE_TIMES_DEAD_TIME / machine.divergence_rad_s
    dead_time = others + machine.period_s / 2
    if dead_time <= allowed:
        return
    what = (
        f"the dead time of {1e3 * dead_time:.3g} ms (half a period, latency, filter, current lag) is too "
        f"long: the fall grows by a factor e every {1e3 / machine.divergence_rad_s:.3g} ms, which allows "
        f"{1e3 * allowed:.3g} ms"
    )
    if others < 0.9 * allowed:
        smallest = 1 / (2 * (allowed - others))
        yield _fault("loop.inner_hz", what, f"run the inner loop at {math.ceil(smallest):d} Hz or faster")
    else:
        remedy = "shorten the latency, the gyro's filter and the current lag: no loop rate alone would do"
        yield _fault("loop.latency_us", what, remedy)


def _patience(build: Build, machine: _Machine) -> Iterator[Fault]:
    """The outer loop and the watch on the sensors act before a fall has grown by a factor e."""
    fall_s = 1 / machine.divergence_rad_s
    if 1 / build.loop.outer_hz.value > fall_s:
        yield _fault(
            "loop.outer_hz",
            f"the outer loop acts every {1 / build.loop.outer_hz.value:.3g} s, "
            f"a fall grows by a factor e in {fall_s:.3g} s",
            f"run it at {math.ceil(machine.divergence_rad_s):d} Hz or faster",
        )
    timeout_s = build.goals.sensor_timeout_ms.value * 1e-3
    if timeout_s > fall_s:
        yield _fault(
            "goals.sensor_timeout_ms",
            f"a sensor may be dead for {1e3 * timeout_s:.3g} ms, "
            f"a fall grows by a factor e in {1e3 * fall_s:.3g} ms",
            f"give at most {math.floor(1e3 * fall_s):d} ms",
        )
    if timeout_s < 2 * machine.period_s:
        yield _fault(
            "goals.sensor_timeout_ms",
            f"{1e3 * timeout_s:.3g} ms are less than two ticks of the inner loop",
            f"give at least {2e3 * machine.period_s:.3g} ms",
        )


def _counts(bits: Quantity) -> float:
    """Largest count of a signed sensor word."""
    return float(2 ** (int(bits.value) - 1) - 1)


def _fault(key: str, what: str, remedy: str) -> Fault:
    return Fault(tuple(key.split(".")), what, remedy)


_CHECKS: tuple[Callable[[Build, _Machine], Iterator[Fault]], ...] = (
    _body_inertia,
    _wheel_size,
    _heights,
    _rotor,
    _torque_constant,
    _standstill,
    _friction,
    _tilts,
    _poke,
    _calm,
    _sensor_ranges,
    _rates,
    _dead_time,
    _patience,
)
