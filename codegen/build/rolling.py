"""The build files of rolling balancers: a pendulum on a cart, and a trolley whose body stands on two driven wheels.

Keys, bounds and the frozen dataclasses that carry them, as in ``schema``. The carriage rolls along x; tilt is positive towards +x, and
a positive drive torque drives the carriage towards +x.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from pydantic import PlainValidator

from codegen.build.names import check_name, check_title
from codegen.build.quantity import Allowed, Quantity
from codegen.build.schema import (
    Accelerometer,
    Bits,
    Gyro,
    Sensors,
    Table,
    Target,
    WheelSpeed,
    check_command,
    check_machine,
    check_schema,
)

_ZERO = Quantity.exact(0.0)
_ONE = Quantity.exact(1.0)
_SENSOR_TIMEOUT_MS = Quantity.exact(25.0)

Mass = Annotated[Quantity, Allowed(least=1e-6, most=500)]
Height = Annotated[Quantity, Allowed(least=1e-4, most=3)]
Inertia = Annotated[Quantity, Allowed(least=1e-12, most=1000)]
Friction = Annotated[Quantity, Allowed(least=0, most=100)]
Angle = Annotated[Quantity, Allowed(least=-20, most=20)]


@dataclass(frozen=True)
class Cart(Table):
    """The cart with its rail, and the pulley that drives it; the rotor's inertia is that of one motor."""

    mass_kg: Mass
    track_m: Annotated[Quantity, Allowed(above=0, most=100)]
    pulley_radius_m: Annotated[Quantity, Allowed(least=1e-5, most=1)]
    viscous_n_s_m: Friction
    coulomb_n: Friction
    rotor_inertia_kg_m2: Annotated[Quantity, Allowed(least=0, most=10)] = _ZERO


@dataclass(frozen=True)
class Pendulum(Table):
    """The pendulum; height of its centre of mass from the pivot, inertia about the pivot."""

    mass_kg: Mass
    com_height_m: Height
    inertia_kg_m2: Inertia
    pivot_damping_n_m_s: Friction
    balance_offset_deg: Angle
    pivot_coulomb_n_m: Friction = _ZERO


@dataclass(frozen=True)
class TrolleyBody(Table):
    """Everything that tilts with the body, the motors' stators included; height above the axle, inertia about it."""

    mass_kg: Mass
    com_height_m: Height
    inertia_kg_m2: Inertia
    balance_offset_deg: Angle


@dataclass(frozen=True)
class Wheels(Table):
    """Both wheels together; their inertia includes the rotors, which turn with them."""

    mass_kg: Mass
    radius_m: Annotated[Quantity, Allowed(least=1e-5, most=1)]
    inertia_kg_m2: Inertia
    rolling_viscous_n_s_m: Friction = _ZERO
    rolling_coulomb_n: Friction = _ZERO


@dataclass(frozen=True)
class RollingDrive(Table):
    """Motors and power stage; numbers are those of one motor, all motors get the same command.

    Full scale of the command, `command_counts`, means current_limit_a for a current drive and supply_v for a voltage drive.
    """

    command: Annotated[str, PlainValidator(check_command)]
    torque_constant_n_m_per_a: Annotated[Quantity, Allowed(least=1e-9, most=100)]
    resistance_ohm: Annotated[Quantity, Allowed(least=1e-6, most=1000)]
    supply_v: Annotated[Quantity, Allowed(least=1e-3, most=100)]
    current_limit_a: Annotated[Quantity, Allowed(least=1e-6, most=200)]
    viscous_n_m_s: Friction
    coulomb_n_m: Friction
    command_counts: Annotated[Quantity, Allowed(least=1, most=2**30, whole=True)]
    motors: Annotated[Quantity, Allowed(least=1, most=8, whole=True)] = _ONE
    current_lag_us: Annotated[Quantity, Allowed(least=0, most=1e5)] = _ZERO


@dataclass(frozen=True)
class PositionEncoder(Table):
    """The cart's place as the controller gets it, zero in the middle of the track."""

    counts_per_m: Annotated[Quantity, Allowed(above=0, most=1e9)]
    bits: Bits


@dataclass(frozen=True)
class AngleEncoder(Table):
    """The pendulum's angle as the controller gets it, zero upright."""

    counts_per_rev: Annotated[Quantity, Allowed(least=100, most=1e9)]
    bits: Bits


@dataclass(frozen=True)
class CartSensors(Table):
    """All sensors of a cart-pendulum, as they are grouped in the file."""

    position: PositionEncoder
    angle: AngleEncoder


@dataclass(frozen=True)
class RollingLoop(Table):
    """Rate of the loop, the delay from sensor to command, and what of it is taken for computing."""

    hz: Annotated[Quantity, Allowed(least=10, most=100_000)]
    latency_us: Annotated[Quantity, Allowed(least=0, most=1e6)]
    compute_us: Annotated[Quantity, Allowed(least=0, most=1e6)] = _ZERO


@dataclass(frozen=True)
class RollingGoals(Table):
    """What the machine has to do; the poke's finger pushes at poke_height_m above the pivot or axle."""

    standing_hours: Annotated[Quantity, Allowed(above=0, most=8760)]
    calm_tilt_rms_deg: Annotated[Quantity, Allowed(above=0, most=10)]
    stay_within_m: Annotated[Quantity, Allowed(above=0, most=100)]
    poke_n_m_s: Annotated[Quantity, Allowed(least=0, most=1000)]
    poke_height_m: Height
    arm_tilt_deg: Annotated[Quantity, Allowed(above=0, most=45)]
    stop_tilt_deg: Annotated[Quantity, Allowed(above=0, most=70)]
    sensor_timeout_ms: Annotated[Quantity, Allowed(above=0, most=1000)] = _SENSOR_TIMEOUT_MS


@dataclass(frozen=True)
class CartTables(Table):
    """The build file of a cart-pendulum as it is laid out in TOML."""

    schema: Annotated[int, PlainValidator(check_schema)]
    machine: Annotated[str, PlainValidator(check_machine)]
    name: Annotated[str, PlainValidator(check_name)]
    title: Annotated[str, PlainValidator(check_title)]
    cart: Cart
    pendulum: Pendulum
    drive: RollingDrive
    sensors: CartSensors
    loop: RollingLoop
    goals: RollingGoals
    target: Target


@dataclass(frozen=True)
class TrolleyTables(Table):
    """The build file of a trolley as it is laid out in TOML."""

    schema: Annotated[int, PlainValidator(check_schema)]
    machine: Annotated[str, PlainValidator(check_machine)]
    name: Annotated[str, PlainValidator(check_name)]
    title: Annotated[str, PlainValidator(check_title)]
    body: TrolleyBody
    wheels: Wheels
    drive: RollingDrive
    sensors: Sensors
    loop: RollingLoop
    goals: RollingGoals
    target: Target


@dataclass(frozen=True)
class CartBuild:
    """A cart-pendulum as measured on the bench, and what is wanted of it.

    Attributes:
        source_text: The exact text of the build file, for its hash in the evidence.
        path_name: The build file's name without folders.
    """

    schema: int
    machine: str
    name: str
    title: str
    cart: Cart
    pendulum: Pendulum
    drive: RollingDrive
    position: PositionEncoder
    angle: AngleEncoder
    loop: RollingLoop
    goals: RollingGoals
    target: Target
    source_text: str
    path_name: str


@dataclass(frozen=True)
class TrolleyBuild:
    """A trolley as measured on the bench, and what is wanted of it.

    Attributes:
        source_text: The exact text of the build file, for its hash in the evidence.
        path_name: The build file's name without folders.
    """

    schema: int
    machine: str
    name: str
    title: str
    body: TrolleyBody
    wheels: Wheels
    drive: RollingDrive
    gyro: Gyro
    accelerometer: Accelerometer
    wheel_speed: WheelSpeed
    loop: RollingLoop
    goals: RollingGoals
    target: Target
    source_text: str
    path_name: str


RollingBuild = CartBuild | TrolleyBuild
