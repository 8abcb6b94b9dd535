"""The keys of a build file, their bounds, and the frozen dataclasses that carry them.

Every number is a `Quantity`; the unit stands at the end of its key. Tilt and wheel speed are positive about
the same axis, the wheel speed is relative to the body, and a positive drive torque speeds the wheel up.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, ClassVar

from pydantic import ConfigDict, PlainValidator

from codegen.build.names import check_name, check_title
from codegen.build.quantity import Allowed, Quantity
from codegen.targets import known_targets
from codegen.tomlfile import nearest, refusal, show

SCHEMA = 1
COMMANDS = ("current", "voltage")
MACHINES = ("lantern", "cart_pendulum", "trolley")
STRUCTURES = ("on_off", "tilt_pid", "cascade", "momentum", "friction_observer", "lqg", "feedforward")

_ABSENT = Quantity.exact(math.nan)
_ZERO = Quantity.exact(0.0)
_STRIBECK_RAD_S = Quantity.exact(3.0)
_WHEEL_WINDOW_MS = Quantity(4.0, 4.0, 4.0)
_SENSOR_TIMEOUT_MS = Quantity.exact(25.0)
_COMPUTE_US = Quantity.exact(0.0)
_ERROR_BUDGET_COUNTS = Quantity(3.0, 3.0, 3.0)

Bits = Annotated[Quantity, Allowed(least=8, most=32, whole=True)]
LowPass = Annotated[Quantity, Allowed(above=0, most=1e5)]


def check_schema(raw: object) -> int:
    """Return `raw` if it is the number of this schema.

    Raises:
        PydanticCustomError: It is not.
    """
    if isinstance(raw, bool) or not isinstance(raw, int) or raw != SCHEMA:
        raise refusal(f"schema {show(raw)} is not known", f"write schema = {SCHEMA}")
    return raw


def check_command(raw: object) -> str:
    """Return `raw` if it is a kind of drive command.

    Raises:
        PydanticCustomError: It is neither "current" nor "voltage".
    """
    return _check_choice(raw, COMMANDS, "a kind of drive command")


def check_machine(raw: object) -> str:
    """Return `raw` if it is a kind of machine.

    Raises:
        PydanticCustomError: It is none.
    """
    return _check_choice(raw, MACHINES, "a kind of machine")


def check_structure(raw: object) -> str:
    """Return `raw` if it is a structure on offer.

    Raises:
        PydanticCustomError: It is none.
    """
    return _check_choice(raw, STRUCTURES, "a structure on offer")


def check_mcu(raw: object) -> str:
    """Return `raw` if there is a target description of that name.

    Raises:
        PydanticCustomError: There is none.
    """
    return _check_choice(raw, known_targets(), "a known target")


def _check_choice(raw: object, choices: tuple[str, ...], kind: str) -> str:
    if isinstance(raw, str) and raw in choices:
        return raw
    guess = nearest(raw, choices) if isinstance(raw, str) else None
    remedy = f'did you mean "{guess}"?' if guess else f"use one of: {', '.join(choices)}"
    raise refusal(f"{show(raw)} is not {kind}", remedy)


@dataclass(frozen=True)
class Table:
    """What all tables share: keys that the schema does not have are refused."""

    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(extra="forbid")


@dataclass(frozen=True)
class Body(Table):
    """The body without the wheel; heights from the pivot edge, inertia about it."""

    mass_kg: Annotated[Quantity, Allowed(above=0, most=50)]
    com_height_m: Annotated[Quantity, Allowed(above=0, most=3)]
    inertia_kg_m2: Annotated[Quantity, Allowed(above=0, most=100)]
    pivot_damping_n_m_s: Annotated[Quantity, Allowed(least=0, most=10)]
    balance_offset_deg: Annotated[Quantity, Allowed(least=-20, most=20)]
    pivot_coulomb_n_m: Annotated[Quantity, Allowed(least=0, most=10)] = _ZERO


@dataclass(frozen=True)
class Wheel(Table):
    """The wheel; its inertia about its axle includes the rotor of the motor.

    The rotor's own figures only serve as a check. Unbalance is eccentric mass times its distance from the axle.
    """

    mass_kg: Annotated[Quantity, Allowed(above=0, most=20)]
    axis_height_m: Annotated[Quantity, Allowed(above=0, most=3)]
    inertia_kg_m2: Annotated[Quantity, Allowed(above=0, most=10)]
    rotor_inertia_kg_m2: Annotated[Quantity, Allowed(above=0, most=10)] | None = None
    rotor_mass_kg: Annotated[Quantity, Allowed(above=0, most=20)] | None = None
    unbalance_g_mm: Annotated[Quantity, Allowed(least=0, most=1e6)] = _ZERO


@dataclass(frozen=True)
class Drive(Table):
    """Motor and power stage.

    Full scale of the command, `command_counts`, means current_limit_a for a current drive and supply_v for a
    voltage drive. The velocity constant only serves as a check of the torque constant. Stiction that is not
    given equals the Coulomb friction.
    """

    command: Annotated[str, PlainValidator(check_command)]
    torque_constant_n_m_per_a: Annotated[Quantity, Allowed(above=0, most=10)]
    resistance_ohm: Annotated[Quantity, Allowed(above=0, most=1000)]
    supply_v: Annotated[Quantity, Allowed(above=0, most=100)]
    current_limit_a: Annotated[Quantity, Allowed(above=0, most=200)]
    viscous_n_m_s: Annotated[Quantity, Allowed(least=0, most=1)]
    coulomb_n_m: Annotated[Quantity, Allowed(least=0, most=10)]
    command_counts: Annotated[Quantity, Allowed(least=1, most=2**30, whole=True)]
    stiction_n_m: Annotated[Quantity, Allowed(least=0, most=10)] = _ABSENT
    stribeck_rad_s: Annotated[Quantity, Allowed(above=0, most=1000)] = _STRIBECK_RAD_S
    cogging_n_m: Annotated[Quantity, Allowed(least=0, most=10)] = _ZERO
    cogging_per_rev: Annotated[Quantity, Allowed(least=0, most=10_000, whole=True)] = _ZERO
    current_lag_us: Annotated[Quantity, Allowed(least=0, most=1e5)] = _ZERO
    velocity_constant_rpm_per_v: Annotated[Quantity, Allowed(above=0, most=1e5)] | None = None

    def __post_init__(self) -> None:
        """Put the Coulomb friction where no stiction was given."""
        if math.isnan(self.stiction_n_m.value):
            object.__setattr__(self, "stiction_n_m", self.coulomb_n_m)


@dataclass(frozen=True)
class Gyro(Table):
    """The rate sensor; noise is a one-sided density, no low-pass means none worth modelling."""

    counts_per_dps: Annotated[Quantity, Allowed(above=0, most=1e6)]
    bits: Bits
    noise_dps_per_sqrt_hz: Annotated[Quantity, Allowed(least=0, most=100)]
    bias_dps: Annotated[Quantity, Allowed(least=-100, most=100)]
    low_pass_hz: LowPass | None = None


@dataclass(frozen=True)
class Accelerometer(Table):
    """The two-axis accelerometer; height from the pivot edge, noise is a one-sided density."""

    counts_per_g: Annotated[Quantity, Allowed(above=0, most=1e9)]
    bits: Bits
    noise_ug_per_sqrt_hz: Annotated[Quantity, Allowed(least=0, most=1e6)]
    height_m: Annotated[Quantity, Allowed(least=0, most=3)]
    low_pass_hz: LowPass | None = None
    bias_mg: Annotated[Quantity, Allowed(least=-1000, most=1000)] = _ZERO


@dataclass(frozen=True)
class WheelSpeed(Table):
    """The wheel speed as the controller gets it, relative to the body."""

    counts_per_rad_s: Annotated[Quantity, Allowed(above=0, most=1e6)]
    bits: Bits
    window_ms: Annotated[Quantity, Allowed(above=0, most=1000)] = _WHEEL_WINDOW_MS


@dataclass(frozen=True)
class Sensors(Table):
    """All sensors, as they are grouped in the file."""

    gyro: Gyro
    accelerometer: Accelerometer
    wheel_speed: WheelSpeed


@dataclass(frozen=True)
class Loop(Table):
    """Rates of the two loops, the delay from sensor to command, and what of it is taken for computing."""

    inner_hz: Annotated[Quantity, Allowed(least=10, most=100_000)]
    outer_hz: Annotated[Quantity, Allowed(above=0, most=100_000)]
    latency_us: Annotated[Quantity, Allowed(least=0, most=1e6)]
    compute_us: Annotated[Quantity, Allowed(least=0, most=1e6)] = _COMPUTE_US


@dataclass(frozen=True)
class Goals(Table):
    """What the machine has to do."""

    standing_hours: Annotated[Quantity, Allowed(above=0, most=8760)]
    calm_tilt_rms_deg: Annotated[Quantity, Allowed(above=0, most=10)]
    poke_n_m_s: Annotated[Quantity, Allowed(least=0, most=100)]
    arm_tilt_deg: Annotated[Quantity, Allowed(above=0, most=60)]
    stop_tilt_deg: Annotated[Quantity, Allowed(above=0, most=80)]
    sensor_timeout_ms: Annotated[Quantity, Allowed(above=0, most=1000)] = _SENSOR_TIMEOUT_MS


@dataclass(frozen=True)
class Choice(Table):
    """Structure of the controller and those of its free numbers that are not left to the design."""

    structure: Annotated[str, PlainValidator(check_structure)] = "momentum"
    inner_pole_rad_s: Annotated[Quantity, Allowed(above=0, most=1e5)] | None = None
    outer_pole_rad_s: Annotated[Quantity, Allowed(above=0, most=1e4)] | None = None
    trim_pole_rad_s: Annotated[Quantity, Allowed(above=0, most=1e4)] | None = None
    filter_time_s: Annotated[Quantity, Allowed(above=0, most=1000)] | None = None
    wheel_setpoint_rad_s: Annotated[Quantity, Allowed(least=0, most=1e5)] | None = None
    observer_pole_rad_s: Annotated[Quantity, Allowed(above=0, most=1e4)] | None = None


@dataclass(frozen=True)
class Target(Table):
    """The microcontroller the C is made for, and what share of it the controller may take."""

    mcu: Annotated[str, PlainValidator(check_mcu)]
    clock_hz: Annotated[Quantity, Allowed(least=1e4, most=1e10)]
    max_share: Annotated[Quantity, Allowed(above=0, most=1)] | None = None
    max_stack_bytes: Annotated[Quantity, Allowed(least=1, most=2**30, whole=True)] | None = None
    max_flash_bytes: Annotated[Quantity, Allowed(least=1, most=2**30, whole=True)] | None = None
    error_budget_counts: Annotated[Quantity, Allowed(above=0, most=1000)] = _ERROR_BUDGET_COUNTS


@dataclass(frozen=True)
class BuildTables(Table):
    """The build file as it is laid out in TOML."""

    schema: Annotated[int, PlainValidator(check_schema)]
    name: Annotated[str, PlainValidator(check_name)]
    title: Annotated[str, PlainValidator(check_title)]
    body: Body
    wheel: Wheel
    drive: Drive
    sensors: Sensors
    loop: Loop
    goals: Goals
    target: Target
    machine: Annotated[str, PlainValidator(check_machine)] = MACHINES[0]
    design: Choice = Choice()


@dataclass(frozen=True)
class Build:
    """A machine as measured on the bench, and what is wanted of it.

    Attributes:
        source_text: The exact text of the build file, for its hash in the evidence.
        path_name: The build file's name without folders.
    """

    schema: int
    name: str
    title: str
    body: Body
    wheel: Wheel
    drive: Drive
    gyro: Gyro
    accelerometer: Accelerometer
    wheel_speed: WheelSpeed
    loop: Loop
    goals: Goals
    target: Target
    source_text: str
    path_name: str
    design: Choice = Choice()
