"""The structures on offer: what each adds to the common numbers of :class:`~codegen.design.gains.Gains`, and how that follows from them.

Takes gains (poles, limits, filter times) and their machine; gives one law. Judges nothing. Every structure shares the tilt estimate,
arming and trips; all but the first two share the trim observer.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import degrees, radians, sqrt
from typing import ClassVar

from codegen.design.gains import Gains, friendly
from codegen.design.lqg import RobustFilter, robust_filter
from codegen.plant import Plant

DEAD_BAND_RAD = radians(0.2)
PID_POLE_PER_DIVERGENCE, PID_DAMPING = 2.8, 0.9
"""Poles of the PID structures; common practice, no source: 28 rad/s for the lanterns."""

PID_INTEGRAL_RAD_S = 1.0
OBSERVER_PER_DIVERGENCE = 2.0
OBSERVER_TORQUE_SHARE = 1e-3
"""The friction observer follows at 2 lambda, or slower where the counter's coarseness would show as this share of the torque."""

OBSERVER_DAMPING = 0.7
LQG_FRICTION_PER_DIVERGENCE = 0.5
FRICTION_ROOM = 2.0
EVENT_RAD = radians(0.5)


@dataclass(frozen=True)
class LawNumber:
    """One number of a law, as people read it."""

    words: str
    symbol: str
    value: float
    unit: str
    reason: str


@dataclass(frozen=True)
class OnOffLaw:
    """Full torque on the sign of the tilt, none within a dead band."""

    structure: ClassVar[str] = "on_off"

    band_rad: float

    def numbers(self) -> tuple[LawNumber, ...]:
        """For tables."""
        return (LawNumber("dead band", "", degrees(self.band_rad), "deg", "no command while nearly upright"),)


@dataclass(frozen=True)
class TiltPidLaw:
    """PID on the tilt alone: torque = Kp tilt + Kd rate + Ki integral of tilt; knows nothing of the wheel."""

    structure: ClassVar[str] = "tilt_pid"

    proportional_n_m_per_rad: float
    derivative_n_m_s_per_rad: float
    integral_n_m_per_rad_s: float

    def numbers(self) -> tuple[LawNumber, ...]:
        """For tables."""
        return (
            LawNumber("P gain on tilt", "Kp", self.proportional_n_m_per_rad, "N m/rad", "G + I w^2"),
            LawNumber("D gain on tilt rate", "Kd", self.derivative_n_m_s_per_rad, "N m s/rad", "2 zeta I w, from the gyro"),
            LawNumber("I gain on tilt", "Ki", self.integral_n_m_per_rad_s, "N m/(rad s)", "Kp over a second"),
        )


@dataclass(frozen=True)
class CascadeLaw:
    """PD on the tilt against a lean that a slower loop on the wheel's speed asks for; the trim takes the place of the I."""

    structure: ClassVar[str] = "cascade"

    proportional_n_m_per_rad: float
    derivative_n_m_s_per_rad: float
    wheel_gain_s: float

    def numbers(self) -> tuple[LawNumber, ...]:
        """For tables."""
        return (
            LawNumber("P gain on tilt", "Kp", self.proportional_n_m_per_rad, "N m/rad", "G + I w^2"),
            LawNumber("D gain on tilt rate", "Kd", self.derivative_n_m_s_per_rad, "N m s/rad", "2 zeta I w, from the gyro"),
            LawNumber("lean per wheel speed", "k", self.wheel_gain_s, "rad s/rad", "brings the wheel back at the outer pole"),
        )


@dataclass(frozen=True)
class MomentumLaw:
    """The divergent-mode law with an outer loop on the momentum; all its numbers are in the common gains."""

    structure: ClassVar[str] = "momentum"

    def numbers(self) -> tuple[LawNumber, ...]:
        """None beyond the common ones."""
        return ()


MOMENTUM = MomentumLaw()


@dataclass(frozen=True)
class FrictionObserverLaw:
    """The same with an observer of the wheel's momentum and of the torque that acts on it unasked (friction, cogging).

    Momentum h of the wheel, torque d: h' = command + d + 1.4 w_f e, d' = w_f^2 e, e = J (wheel + rate) - h. The outer loop gets h
    in the place of the coarse reading, and the command is less by d.
    """

    structure: ClassVar[str] = "friction_observer"

    observer_pole_rad_s: float
    limit_n_m: float

    def numbers(self) -> tuple[LawNumber, ...]:
        """For tables."""
        return (
            LawNumber("friction observer", "w_f", self.observer_pole_rad_s, "rad/s", "as fast as the counter lets it be quiet"),
            LawNumber("largest friction it believes", "", 1e3 * self.limit_n_m, "mN m", "twice the wheel's own at half its top speed"),
        )


@dataclass(frozen=True)
class LqgLaw:
    """Linear quadratic feedback of a Kalman estimate, made robust: see :mod:`codegen.design.lqg`."""

    structure: ClassVar[str] = "lqg"

    filter: RobustFilter

    def numbers(self) -> tuple[LawNumber, ...]:
        """For tables."""
        found = self.filter
        return (
            LawNumber("P gain on tilt", "", found.tilt_n_m_per_rad, "N m/rad", "linear quadratic"),
            LawNumber("D gain on tilt rate", "", found.rate_n_m_s_per_rad, "N m s/rad", "the same"),
            LawNumber("gain on momentum", "", found.momentum_per_s, "N m/(N m s)", "the same; its part is limited like a lean"),
            LawNumber("dead time in the design", "", float(found.delay_ticks), "ticks", "the loop's own and one more"),
        )


@dataclass(frozen=True)
class FeedforwardLaw:
    """A model of the body driven by the physics' own torque, and a small PD on what the body does beyond it.

    The model starts anew from the measured body whenever the two are too far apart: at a poke.
    """

    structure: ClassVar[str] = "feedforward"

    proportional_n_m_per_rad: float
    derivative_n_m_s_per_rad: float
    event_rad: float

    def numbers(self) -> tuple[LawNumber, ...]:
        """For tables."""
        return (
            LawNumber("P gain on the rest", "Kp", self.proportional_n_m_per_rad, "N m/rad", "G + I w^2, small beside the feedforward"),
            LawNumber("D gain on the rest", "Kd", self.derivative_n_m_s_per_rad, "N m s/rad", "2 zeta I w"),
            LawNumber("a poke is what exceeds", "", degrees(self.event_rad), "deg", "of the excursion beyond the model"),
        )


Law = OnOffLaw | TiltPidLaw | CascadeLaw | MomentumLaw | FrictionObserverLaw | LqgLaw | FeedforwardLaw


@dataclass(frozen=True)
class Structure:
    """One structure on offer.

    Attributes:
        name: As in the build file.
        title: For tables.
        words: What it does, one sentence.
        stands: Whether it can stand for hours; the others are for teaching and fall by nature.
    """

    name: str
    title: str
    words: str
    stands: bool


STRUCTURES: tuple[Structure, ...] = (
    Structure("on_off", "on-off", "full torque on the sign of the tilt: flops over within seconds", False),
    Structure("tilt_pid", "tilt PID", "PID on the tilt alone: holds, while the wheel creeps to its top speed, and falls then", False),
    Structure("cascade", "cascade", "PD on the tilt inside a loop on the wheel's speed", True),
    Structure("momentum", "momentum", "the direction that grows is fed back, the wheel's momentum outside", True),
    Structure(
        "friction_observer", "friction observer", "the same, with an observer of the torque that friction and cogging add", True
    ),
    Structure("lqg", "robust LQG", "linear quadratic feedback of a Kalman estimate, made robust against dead time", True),
    Structure("feedforward", "feedforward", "a model body answers pokes with the physics' own torque, a small PD the rest", True),
)


_INNER = frozenset({"inner_pole_rad_s", "proportional_n_m_per_rad", "derivative_n_m_s_per_rad", "lean_gain_n_m_per_rad"})
_OUTER = frozenset(
    {
        "outer_pole_rad_s",
        "momentum_gain_rad_per_n_m_s",
        "lean_limit_rad",
        "trim_pole_rad_s",
        "trim_limit_rad",
        "wheel_setpoint_rad_s",
    }
)
UNUSED: Mapping[str, frozenset[str]] = {
    "on_off": _INNER | _OUTER | {"wheel_gain_n_m_s"},
    "tilt_pid": _INNER | _OUTER,
    "cascade": _INNER | {"momentum_gain_rad_per_n_m_s"},
    "lqg": _INNER | {"momentum_gain_rad_per_n_m_s", "trim_pole_rad_s", "wheel_gain_n_m_s"},
}
"""Numbers of :class:`~codegen.design.gains.Gains` that a structure has its own for, or none."""


def uses(law: Law, gain: str) -> bool:
    """Whether a law uses one of the common gains."""
    return gain not in UNUSED.get(law.structure, frozenset())


def pd_gains(law: Law, gains: Gains) -> tuple[float, float] | None:
    """The torque per rad of tilt and per rad/s of rate that a law amounts to with everything slow at rest; None if it has none."""
    match law:
        case TiltPidLaw() | CascadeLaw() | FeedforwardLaw():
            return law.proportional_n_m_per_rad, law.derivative_n_m_s_per_rad
        case LqgLaw():
            return law.filter.tilt_n_m_per_rad, law.filter.rate_n_m_s_per_rad
        case OnOffLaw():
            return None
        case _:
            return gains.proportional_n_m_per_rad, gains.derivative_n_m_s_per_rad


def structure_of(name: str) -> Structure:
    """The structure of that name."""
    return next(structure for structure in STRUCTURES if structure.name == name)


def pid_gains(gains: Gains) -> tuple[float, float]:
    """Kp in N m/rad and Kd in N m s/rad that give the body alone the poles w (zeta = 0.9), w = 2.8 lambda: facts of the bench."""
    plant = gains.plant
    pole = PID_POLE_PER_DIVERGENCE * plant.divergence_rad_s
    inertia = plant.body_inertia_kg_m2
    return plant.gravity_torque_n_m + inertia * pole**2, 2.0 * PID_DAMPING * inertia * pole


def observer_pole(plant: Plant) -> float:
    """w_f in rad/s: 2 lambda, or the pole at which the counter's rounding gives a thousandth of the torque: J s w_f sqrt(w_f T).

    s is the step of the wheel's reading over sqrt 12; a filter of bandwidth w_f leaves sqrt(w_f T) of white noise per tick.
    """
    step = 1.0 / plant.wheel_counts_per_rad_s / sqrt(12.0)
    torque = OBSERVER_TORQUE_SHARE * plant.torque_limit_n_m
    quiet: float = (torque / (plant.wheel_inertia_kg_m2 * step * sqrt(plant.period_s))) ** (2.0 / 3.0)
    return friendly(min(OBSERVER_PER_DIVERGENCE * plant.divergence_rad_s, quiet))


def place_law(structure: str, gains: Gains, observer_pole_rad_s: float | None = None) -> Law:
    """The law of a structure for these gains; the observer's pole follows a rule unless it is given."""
    plant = gains.plant
    proportional, derivative = pid_gains(gains)
    pole = observer_pole(plant) if observer_pole_rad_s is None else observer_pole_rad_s
    if structure == "on_off":
        return OnOffLaw(DEAD_BAND_RAD)
    if structure == "tilt_pid":
        return TiltPidLaw(proportional, derivative, PID_INTEGRAL_RAD_S * proportional)
    if structure == "cascade":
        # The lean moves the body's rest by Kp/(Kp - G) of what is asked for.
        carried = proportional / (proportional - plant.gravity_torque_n_m)
        wheel_gain = gains.outer_pole_rad_s * plant.wheel_inertia_kg_m2 / (plant.gravity_torque_n_m * carried)
        return CascadeLaw(proportional, derivative, wheel_gain)
    if structure == "friction_observer":
        friction = plant.wheel_stiction_n_m + 0.5 * plant.wheel_viscous_n_m_s * plant.top_speed_rad_s + plant.cogging_n_m
        return FrictionObserverLaw(pole, FRICTION_ROOM * friction)
    if structure == "lqg":
        # The estimate's other states follow as well, so its friction may be slower.
        slower = min(pole, LQG_FRICTION_PER_DIVERGENCE * plant.divergence_rad_s)
        return LqgLaw(robust_filter(plant, slower if observer_pole_rad_s is None else pole))
    if structure == "feedforward":
        return FeedforwardLaw(proportional, derivative, EVENT_RAD)
    return MOMENTUM
