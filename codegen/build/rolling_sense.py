"""Does the build of a rolling balancer make physical sense?

As `sense` does for bodies with a reaction wheel: contradictions between keys, slips of units, and goals beyond any controller.

Symbols: M everything that moves along x (spinning parts as inertia/radius^2), P = m l of the body, I its inertia about the pivot or axle,
G = P g, c the radius if the motors sit on the body and else 0, N = P/M + c, Ie = I - P^2/M, lambda = sqrt(G/Ie) the rate at which a fall
grows, F the largest driving force.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from codegen.build.rolling import CartBuild, RollingBuild, TrolleyBuild
from codegen.build.schema import WheelSpeed
from codegen.build.sense import (
    FEWEST_CYCLES_PER_TICK,
    FEWEST_SPEED_COUNTS,
    GRAVITY_M_S2,
    HOLD_SHARE,
    LARGEST_POLE_TIMES_DEAD_TIME,
    LEAST_ACCELEROMETER_G,
    MOST_LATENCY_TICKS,
)
from codegen.tomlfile import Fault

# Fewest counts of an angle encoder within the arming tilt: with fewer the controller would hop between counts.
FEWEST_ARM_COUNTS = 20


@dataclass(frozen=True)
class _Rolling:
    """Numbers that several checks need, nominal, SI units."""

    mass_kg: float
    moment_kg_m: float
    inertia_kg_m2: float
    stator_arm_m: float
    force_n: float
    friction_n: float
    top_speed_rad_s: float
    body_table: str

    @property
    def effective_inertia_kg_m2(self) -> float:
        return self.inertia_kg_m2 - self.moment_kg_m**2 / self.mass_kg

    @property
    def arm_m(self) -> float:
        return self.moment_kg_m / self.mass_kg + self.stator_arm_m

    @property
    def divergence_rad_s(self) -> float:
        return math.sqrt(GRAVITY_M_S2 * self.moment_kg_m / self.effective_inertia_kg_m2)


def find_cart_faults(build: CartBuild) -> list[Fault]:
    """Return every contradiction and impossible wish in the build of a cart-pendulum; empty if it makes sense."""
    cart, pendulum, drive = build.cart, build.pendulum, build.drive
    radius = cart.pulley_radius_m.value
    least = pendulum.mass_kg.low * pendulum.com_height_m.low**2
    if pendulum.inertia_kg_m2.high <= least:
        return [_steiner("pendulum", least, "pivot")]
    torque, friction = _torques(build)
    machine = _Rolling(
        mass_kg=cart.mass_kg.value + pendulum.mass_kg.value + drive.motors.value * cart.rotor_inertia_kg_m2.value / radius**2,
        moment_kg_m=pendulum.mass_kg.value * pendulum.com_height_m.value,
        inertia_kg_m2=max(pendulum.inertia_kg_m2.value, 1.0001 * pendulum.mass_kg.value * pendulum.com_height_m.value**2),
        stator_arm_m=0.0,
        force_n=torque / radius,
        friction_n=friction / radius + cart.coulomb_n.value,
        top_speed_rad_s=drive.supply_v.value / drive.torque_constant_n_m_per_a.value,
        body_table="pendulum",
    )
    offset = max(abs(pendulum.balance_offset_deg.low), abs(pendulum.balance_offset_deg.high))
    return [*_common(build, machine, offset), *_track(build), *_encoders(build)]


def find_trolley_faults(build: TrolleyBuild) -> list[Fault]:
    """Return every contradiction and impossible wish in the build of a trolley; empty if it makes sense."""
    body, wheels, drive = build.body, build.wheels, build.drive
    radius = wheels.radius_m.value
    least = body.mass_kg.low * body.com_height_m.low**2
    if body.inertia_kg_m2.high <= least:
        return [_steiner("body", least, "axle")]
    gyration = math.sqrt(wheels.inertia_kg_m2.low / wheels.mass_kg.high)
    faults = []
    if gyration > wheels.radius_m.high:
        faults.append(
            _fault(
                "wheels.inertia_kg_m2",
                f"wheels of this inertia and mass have their mass {gyration:.3g} m from the axle, outside their radius of {radius:.4g} m",
                "check the units: 1 kg cm2 is 1e-4 kg m2, 1 g cm2 is 1e-7 kg m2",
            )
        )
    torque, friction = _torques(build)
    machine = _Rolling(
        mass_kg=body.mass_kg.value + wheels.mass_kg.value + wheels.inertia_kg_m2.value / radius**2,
        moment_kg_m=body.mass_kg.value * body.com_height_m.value,
        inertia_kg_m2=max(body.inertia_kg_m2.value, 1.0001 * body.mass_kg.value * body.com_height_m.value**2),
        stator_arm_m=radius,
        force_n=torque / radius,
        friction_n=friction / radius + wheels.rolling_coulomb_n.value,
        top_speed_rad_s=drive.supply_v.value / drive.torque_constant_n_m_per_a.value,
        body_table="body",
    )
    offset = max(abs(body.balance_offset_deg.low), abs(body.balance_offset_deg.high))
    return [*faults, *_common(build, machine, offset), *_body_sensors(build, machine), *_timeout(build, machine)]


def _steiner(table: str, least: float, about: str) -> Fault:
    """Parallel axes (Steiner): inertia about the pivot = inertia about the centre of mass + m l^2 > m l^2."""
    return _fault(
        f"{table}.inertia_kg_m2",
        f"the inertia about the {about} is not more than mass x height^2 of the same body, {least:.4g} kg m2",
        f"give the inertia about the {about}, not the centre of mass, or correct mass and height",
    )


def _torques(build: RollingBuild) -> tuple[float, float]:
    """Largest torque and Coulomb friction of all motors, N m."""
    drive = build.drive
    current = min(drive.current_limit_a.value, drive.supply_v.value / drive.resistance_ohm.value)
    motors = drive.motors.value
    return motors * drive.torque_constant_n_m_per_a.value * current, motors * drive.coulomb_n_m.value


def _common(build: RollingBuild, machine: _Rolling, offset_deg: float) -> Iterator[Fault]:
    for check in _CHECKS:
        yield from check(build, machine)
    if offset_deg >= build.goals.arm_tilt_deg.value:
        yield _fault(
            f"{machine.body_table}.balance_offset_deg",
            f"the balance angle may lie {offset_deg:g} deg off, but the machine arms only within {build.goals.arm_tilt_deg.value:g} deg",
            "measure the balance angle and give a narrower interval",
        )


def _standstill(build: RollingBuild, machine: _Rolling) -> Iterator[Fault]:
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


def _friction(build: RollingBuild, machine: _Rolling) -> Iterator[Fault]:
    """The drive must be able to move the carriage."""
    if machine.friction_n >= machine.force_n:
        yield _fault(
            "drive.torque_constant_n_m_per_a",
            f"the largest driving force ({machine.force_n:.4g} N) cannot move the carriage against friction ({machine.friction_n:.4g} N)",
            "check current_limit_a, the torque constant, the radius and the friction figures",
        )


def _tilts(build: RollingBuild, machine: _Rolling) -> Iterator[Fault]:
    """Arming, cut-off and what the drive can hold: at most the tilt at which M G sin(th) = F (P cos(th) + c M)."""
    arm, stop = build.goals.arm_tilt_deg.value, build.goals.stop_tilt_deg.value
    if stop <= arm:
        yield _fault(
            "goals.stop_tilt_deg",
            f"the cut-off at {stop:g} deg is not beyond the tilt of arming, {arm:g} deg",
            "give a stop_tilt_deg greater than arm_tilt_deg",
        )
    bound = math.degrees(_steepest(machine))
    if bound < HOLD_SHARE * arm:
        yield _fault(
            "goals.arm_tilt_deg",
            f"the drive's {machine.force_n:.4g} N hold the body up to {bound:.3g} deg at rest, far less than the {arm:g} deg at which "
            "it may arm",
            f"lower arm_tilt_deg to about {0.9 * bound:.2g}, or use a stronger motor or a lighter body",
        )


def _steepest(machine: _Rolling) -> float:
    """Largest tilt in rad at which the full force keeps the body at rest from falling further; pi/2 if it always does."""
    gravity = machine.mass_kg * GRAVITY_M_S2 * machine.moment_kg_m
    along, across = machine.force_n * machine.moment_kg_m, machine.force_n * machine.stator_arm_m * machine.mass_kg
    size = math.hypot(gravity, along)
    return math.pi / 2 if across >= size else min(math.pi / 2, math.atan2(along, gravity) + math.asin(across / size))


def _poke(build: RollingBuild, machine: _Rolling) -> Iterator[Fault]:
    """Full force takes off at most N F/G of tilt + rate/lambda; a poke at height h adds p (M - P/h)/(M Ie) to the rate."""
    goals = build.goals
    middle = machine.moment_kg_m / machine.mass_kg
    if goals.poke_height_m.value <= middle:
        yield _fault(
            "goals.poke_height_m",
            f"a push at {goals.poke_height_m.value:.4g} m does not tip this body: it moves the carriage along as much",
            f"give the height of a visitor's hand above the pivot or axle, more than {middle:.3g} m",
        )
        return
    per_poke = (1.0 - middle / goals.poke_height_m.value) / machine.effective_inertia_kg_m2
    bound = machine.arm_m * machine.force_n * machine.divergence_rad_s / (GRAVITY_M_S2 * machine.moment_kg_m) / per_poke
    if goals.poke_n_m_s.value > bound:
        yield _fault(
            "goals.poke_n_m_s",
            f"no controller survives a poke of {goals.poke_n_m_s.value:.4g} N m s: the drive of this machine takes at most {bound:.3g}",
            f"ask for at most about {0.9 * bound:.2g}, or use a stronger motor",
        )


def _rates(build: RollingBuild, machine: _Rolling) -> Iterator[Fault]:
    """The loop fits the processor and the sensors' delay."""
    loop, period_s = build.loop, 1.0 / build.loop.hz.value
    if loop.latency_us.value * 1e-6 > MOST_LATENCY_TICKS * period_s:
        yield _fault(
            "loop.latency_us",
            f"{loop.latency_us.value:g} us are more than {MOST_LATENCY_TICKS} ticks of the loop",
            "check the unit (microseconds), or use a slower loop: it runs ahead of its own sensors",
        )
    if loop.compute_us.value > loop.latency_us.value:
        yield _fault(
            "loop.compute_us",
            f"computing takes {loop.compute_us.value:g} us of a latency of {loop.latency_us.value:g} us",
            "latency_us counts from sensor to command and holds the computing too: make it the larger one",
        )
    cycles = build.target.clock_hz.value * period_s
    if cycles < FEWEST_CYCLES_PER_TICK:
        yield _fault(
            "target.clock_hz",
            f"one tick of the loop has {cycles:.3g} clock cycles; no controller fits into less than {FEWEST_CYCLES_PER_TICK}",
            "check the unit (hertz: 64 MHz is 64_000_000), or use a slower loop",
        )


def _dead_time(build: RollingBuild, machine: _Rolling) -> Iterator[Fault]:
    """The whole dead time against the fall: lambda t_d <= LARGEST_POLE_TIMES_DEAD_TIME; sensors' filters left out."""
    allowed = LARGEST_POLE_TIMES_DEAD_TIME / machine.divergence_rad_s
    dead_time = (build.loop.latency_us.value + build.drive.current_lag_us.value) * 1e-6 + 0.5 / build.loop.hz.value
    if dead_time > allowed:
        yield _fault(
            "loop.hz" if 0.5 / build.loop.hz.value > 0.5 * dead_time else "loop.latency_us",
            f"the dead time of {1e3 * dead_time:.3g} ms (half a period, latency, current lag) is too long: the fall grows by a factor e "
            f"every {1e3 / machine.divergence_rad_s:.3g} ms, which allows {1e3 * allowed:.3g} ms",
            "run the loop faster, or shorten the latency and the current lag",
        )


def _track(build: CartBuild) -> Iterator[Fault]:
    """The place held lies on the track, and the encoder reads all of it."""
    half = 0.5 * build.cart.track_m.value
    if build.goals.stay_within_m.value >= half:
        yield _fault(
            "goals.stay_within_m",
            f"the cart may stray {build.goals.stay_within_m.value:g} m, but its track ends {half:g} m from the middle",
            "give a smaller stay_within_m, or a longer track",
        )
    reach = _counts(build.position.bits.value) / build.position.counts_per_m.value
    if reach < half:
        yield _fault(
            "sensors.position.counts_per_m",
            f"the reading ends {reach:.4g} m from the middle, the track {half:.4g} m",
            "use more bits, or a coarser encoder",
        )


def _encoders(build: CartBuild) -> Iterator[Fault]:
    """The angle encoder reads up to the cut-off, and finely enough within the arming tilt."""
    per_degree = build.angle.counts_per_rev.value / 360.0
    reach = _counts(build.angle.bits.value) / per_degree
    if reach < build.goals.stop_tilt_deg.value:
        yield _fault(
            "sensors.angle.counts_per_rev",
            f"the reading ends at {reach:.3g} deg, before the cut-off at {build.goals.stop_tilt_deg.value:g} deg",
            "use more bits, or a coarser encoder",
        )
    if per_degree * build.goals.arm_tilt_deg.value < FEWEST_ARM_COUNTS:
        yield _fault(
            "sensors.angle.counts_per_rev",
            f"within the arming tilt the encoder makes {per_degree * build.goals.arm_tilt_deg.value:.2g} counts only",
            f"use an encoder of at least {math.ceil(360.0 * FEWEST_ARM_COUNTS / build.goals.arm_tilt_deg.value)} counts per turn",
        )


def _body_sensors(build: TrolleyBuild, machine: _Rolling) -> Iterator[Fault]:
    """Each sensor reads what this machine does before its cut-off; the rate of a fall is 2 lambda sin(tilt/2) at most (energy)."""
    gyro, accelerometer, speed = build.gyro, build.accelerometer, build.wheel_speed
    stop = math.radians(build.goals.stop_tilt_deg.value)
    fall = math.degrees(2 * machine.divergence_rad_s * math.sin(stop / 2))
    reach = _counts(gyro.bits.value) / gyro.counts_per_dps.value
    if reach < fall:
        yield _fault(
            "sensors.gyro.counts_per_dps",
            f"the gyro reads up to {reach:.4g} deg/s, a fall passes the cut-off at {fall:.3g} deg/s",
            f"choose a wider range (at most {_counts(gyro.bits.value) / fall:.3g} counts per deg/s), or a smaller stop_tilt_deg",
        )
    reach = _counts(accelerometer.bits.value) / accelerometer.counts_per_g.value
    if reach < LEAST_ACCELEROMETER_G:
        yield _fault(
            "sensors.accelerometer.counts_per_g",
            f"the accelerometer reads up to {reach:.3g} g; upright it reads 1 g, which leaves nothing for shocks",
            f"choose a range of 2 g or more (at most {_counts(accelerometer.bits.value) / 2:.5g} counts per g)",
        )
    yield from _wheel_speed(speed, machine)


def _wheel_speed(speed: WheelSpeed, machine: _Rolling) -> Iterator[Fault]:
    top = machine.top_speed_rad_s
    reach = _counts(speed.bits.value) / speed.counts_per_rad_s.value
    if reach < top:
        yield _fault(
            "sensors.wheel_speed.counts_per_rad_s",
            f"the reading ends at {reach:.4g} rad/s, the motor's top speed is {top:.4g} rad/s",
            "use more bits, or a shorter counting window",
        )
    if speed.counts_per_rad_s.value * top < FEWEST_SPEED_COUNTS:
        yield _fault(
            "sensors.wheel_speed.counts_per_rad_s",
            f"the wheel's top speed makes {speed.counts_per_rad_s.value * top:.2g} counts only",
            f"use a finer encoder or a longer window: at least {FEWEST_SPEED_COUNTS / top:.2g} counts per rad/s",
        )


def _timeout(build: TrolleyBuild, machine: _Rolling) -> Iterator[Fault]:
    """The watch on the sensors acts before a fall has grown by a factor e, and not before it has seen two ticks."""
    fall_s, timeout_s = 1.0 / machine.divergence_rad_s, 1e-3 * build.goals.sensor_timeout_ms.value
    if not 2.0 / build.loop.hz.value <= timeout_s <= fall_s:
        yield _fault(
            "goals.sensor_timeout_ms",
            f"a sensor may be dead for {1e3 * timeout_s:.3g} ms; a fall grows by a factor e in {1e3 * fall_s:.3g} ms, and two ticks take "
            f"{2e3 / build.loop.hz.value:.3g} ms",
            f"give a time between {2e3 / build.loop.hz.value:.3g} and {math.floor(1e3 * fall_s):d} ms",
        )


def _counts(bits: float) -> float:
    """Largest count of a signed sensor word."""
    return float(2 ** (int(bits) - 1) - 1)


def _fault(key: str, what: str, remedy: str) -> Fault:
    return Fault(tuple(key.split(".")), what, remedy)


_CHECKS: tuple[Callable[[RollingBuild, _Rolling], Iterator[Fault]], ...] = (_standstill, _friction, _tilts, _poke, _rates, _dead_time)
