"""What a column of a bench log may hold: the name says quantity and unit.

Takes a column's name, gives quantity and factor to SI units. Counts are turned into SI by the scales of the build file.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from codegen.build import Build
from codegen.plant import STANDARD_GRAVITY_M_S2
from codegen.tomlfile import nearest

COUNTS = "counts"
IGNORED = "-"

_ANGLE_RATE = {"rad_s": 1.0, "dps": math.pi / 180, "rpm": math.pi / 30}
_ACCELERATION = {"m_s2": 1.0, "g": STANDARD_GRAVITY_M_S2, "mg": 1e-3 * STANDARD_GRAVITY_M_S2}

# Factors to SI: s, rad, rad/s, m/s2, A, V, m, kg (scale: the mass that the scale shows).
UNITS: Mapping[str, Mapping[str, float]] = {
    "time": {"s": 1.0, "ms": 1e-3, "us": 1e-6},
    "gyro": _ANGLE_RATE,
    "tilt": {"rad": 1.0, "deg": math.pi / 180},
    "accel_tangential": _ACCELERATION,
    "accel_radial": _ACCELERATION,
    "wheel": _ANGLE_RATE,
    "command": {"a": 1.0, "v": 1.0},
    "current": {"a": 1.0, "ma": 1e-3},
    "supply": {"v": 1.0},
    "voltage": {"v": 1.0, "mv": 1e-3},
    "lever": {"m": 1.0, "mm": 1e-3, "cm": 1e-2},
    "scale": {"g": 1e-3, "kg": 1.0},
}
_COUNTED = ("gyro", "accel_tangential", "accel_radial", "wheel", "command")
_WORDS = {
    "time": "time stamp",
    "gyro": "rate of tilt",
    "tilt": "angle of the body",
    "accel_tangential": "tangential acceleration",
    "accel_radial": "radial acceleration",
    "wheel": "wheel speed relative to the body",
    "command": "drive command",
    "current": "measured motor current",
    "supply": "voltage of the supply under load",
    "voltage": "voltage at the motor",
    "lever": "distance from the pivot edge to where the scale carries",
    "scale": "what the kitchen scale shows",
}


@dataclass(frozen=True)
class Meaning:
    """What a column holds.

    Attributes:
        quantity: A key of ``UNITS``.
        unit: A key of ``UNITS[quantity]``, or ``counts``.
    """

    quantity: str
    unit: str


def counted(number: int, noun: str) -> str:
    """The number with its noun, as in "1 row" and "2 rows"."""
    return f"{number} {noun}{'' if number == 1 else 's'}"


def known_names() -> tuple[str, ...]:
    """Every column name that is understood."""
    names = [f"{quantity}_{unit}" for quantity, units in UNITS.items() for unit in units]
    return (*names, *(f"{quantity}_{COUNTS}" for quantity in _COUNTED))


def words(quantity: str) -> str:
    """The quantity in words."""
    return _WORDS[quantity]


def meaning_of(name: str) -> Meaning | None:
    """Return what a column of this name holds; None if the name is not understood."""
    if name not in known_names():
        return None
    quantity = max((quantity for quantity in UNITS if name.startswith(f"{quantity}_")), key=len)
    return Meaning(quantity, name[len(quantity) + 1 :])


def explain_name(name: str) -> tuple[str, str] | None:
    """Return (what is wrong, how to mend it) if the name looks like one of ours but is not, else None."""
    if name in UNITS or name.rstrip("_") in UNITS:
        units = [unit for known in known_names() if (unit := known.removeprefix(f"{name.rstrip('_')}_")) != known]
        named = ", ".join(f"{name.rstrip('_')}_{unit}" for unit in units)
        return "the column does not say its unit", f"name it one of {named}"
    guess = nearest(name, known_names())
    if guess is not None and abs(len(guess) - len(name)) <= 3:
        return "the column's name is not understood", f"did you mean {guess}? (rename it, or write - to leave the column out)"
    return None


@dataclass(frozen=True)
class Vocabulary:
    """Which column names a log may have.

    Attributes:
        names: Every name that is understood.
        meaning_of: From a name to what the column holds, or None.
        explain_name: From a name that is nearly understood to (what is wrong, how to mend it), or None.
        advice: How columns are named, for a log in which no name is understood.
    """

    names: tuple[str, ...]
    meaning_of: Callable[[str], Meaning | None]
    explain_name: Callable[[str], tuple[str, str] | None]
    advice: str


BENCH_COLUMNS = Vocabulary(known_names(), meaning_of, explain_name, "name the columns by quantity and unit")


def factor_to_si(meaning: Meaning, build: Build) -> float:
    """Return what one unit of the column is in SI units; counts by the scales of the build file."""
    if meaning.unit != COUNTS:
        return UNITS[meaning.quantity][meaning.unit]
    drive = build.drive
    full_scale = drive.current_limit_a if drive.command == "current" else drive.supply_v
    return {
        "gyro": math.pi / 180 / build.gyro.counts_per_dps.value,
        "accel_tangential": STANDARD_GRAVITY_M_S2 / build.accelerometer.counts_per_g.value,
        "accel_radial": STANDARD_GRAVITY_M_S2 / build.accelerometer.counts_per_g.value,
        "wheel": 1.0 / build.wheel_speed.counts_per_rad_s.value,
        "command": full_scale.value / drive.command_counts.value,
    }[meaning.quantity]


def largest_count(meaning: Meaning, build: Build) -> float | None:
    """Return the count at which the reading is clipped, None where the column is not in counts of a sensor."""
    if meaning.unit != COUNTS or meaning.quantity == "command":
        return None
    accelerometer = build.accelerometer.bits
    bits = {"gyro": build.gyro.bits, "wheel": build.wheel_speed.bits}.get(meaning.quantity, accelerometer)
    return float(2.0 ** (bits.value - 1) - 1)
