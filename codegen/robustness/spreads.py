"""How far the numbers of a build file may lie off, and by which law a machine is drawn from them.

Takes a build, gives the list of what is uncertain. A number with an interval in the build file is drawn evenly from it: a bound knows
no favourite, and the ends come up as often as the middle. A number without one gets a default of this module, which says so.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from scipy.special import ndtr, ndtri

from codegen.build import Build, Quantity

Knowledge = Literal["measured", "data-sheet"]
KNOWLEDGE: tuple[Knowledge, ...] = ("measured", "data-sheet")
"""What the numbers without an interval come from: weighed and swung on the bench, or CAD and data sheets."""

Law = Literal["even", "normal", "factor", "added", "ticks"]
TABLES = ("body", "wheel", "drive", "gyro", "accelerometer", "wheel_speed", "loop")
TOML_TABLES = {"gyro": "sensors.gyro", "accelerometer": "sensors.accelerometer", "wheel_speed": "sensors.wheel_speed"}
TRUNCATED_AT = 3.0
"""Standard deviations at which a normal law is cut: no part is arbitrarily wrong and still passed inspection."""


@dataclass(frozen=True)
class Uncertain:
    """One thing that differs from machine to machine.

    Attributes:
        name: In words.
        keys: (table, key) of the numbers that it moves, together.
        law: "even": anywhere in the interval from ``low`` to ``high``; "normal": relative, ``high`` is the standard deviation, cut at
            three of them; "factor": times anything from ``low`` to ``high``, evenly in the logarithm; "added": plus anything from
            ``low`` to ``high``, evenly, in the unit of the key; "ticks": likewise, in periods of the inner loop.
        low, high: See ``law``.
        source: "build file" or why this default.
        two_sided: Whether the sign of the deviation means nothing to the machine, only its size does.
    """

    name: str
    keys: tuple[tuple[str, str], ...]
    law: Law
    low: float
    high: float
    source: str
    two_sided: bool = False

    @property
    def written_keys(self) -> tuple[str, ...]:
        """The keys as the build file has them."""
        return tuple(f"{TOML_TABLES.get(table, table)}.{key}" for table, key in self.keys)

    def moved(self, value: float, share: float, period_s: float) -> float:
        """What becomes of ``value`` for a draw ``share`` in (0, 1); ``period_s`` of the inner loop."""
        if self.law == "even":
            return self.low + share * (self.high - self.low)
        if self.law == "normal":
            return value * (1.0 + self.high * _cut_normal(share))
        if self.law == "factor":
            return value * math.exp(math.log(self.low) + share * (math.log(self.high) - math.log(self.low)))
        step = self.low + share * (self.high - self.low)
        return max(0.0, value + 1e6 * period_s * step) if self.law == "ticks" else value + step

    def words(self) -> str:
        """The law in words, for a table."""
        if self.law == "even":
            return f"{self.low:.6g} ... {self.high:.6g}"
        if self.law == "normal":
            return f"normal, sigma {100.0 * self.high:.3g} %"
        if self.law == "factor":
            return f"x {self.low:.3g} ... {self.high:.3g}"
        return f"{self.low:+.3g} ... {self.high:+.3g}" + (" ticks" if self.law == "ticks" else "")


def _cut_normal(share: float) -> float:
    """Quantile of the standard normal law cut at ``TRUNCATED_AT`` on both sides."""
    outside = float(ndtr(-TRUNCATED_AT))
    return float(ndtri(outside + share * (1.0 - 2.0 * outside)))


@dataclass(frozen=True)
class _Default:
    """What is taken where the build file gives no interval: bounds or standard deviation for either source of the numbers."""

    name: str
    keys: tuple[tuple[str, str], ...]
    law: Law
    measured: tuple[float, float]
    data_sheet: tuple[float, float]
    source: str | Mapping[Knowledge, str]
    two_sided: bool = False


_BENCH: Mapping[Knowledge, str] = {"measured": "scale, swing, square wave", "data-sheet": "CAD and data sheet"}
_PARTS = "between parts of one type"
_GUESSED = "hardly known before the machine runs"

# Common practice, no source: sizes that simulated benches of the three lanterns left open.
_DEFAULTS = (
    _Default("body mass", (("body", "mass_kg"),), "normal", (0.0, 0.003), (0.0, 0.03), _BENCH),
    _Default("height of the body's centre of mass", (("body", "com_height_m"),), "normal", (0.0, 0.008), (0.0, 0.10), _BENCH),
    _Default("body inertia", (("body", "inertia_kg_m2"),), "normal", (0.0, 0.008), (0.0, 0.12), _BENCH),
    _Default("wheel mass", (("wheel", "mass_kg"),), "normal", (0.0, 0.003), (0.0, 0.03), _BENCH),
    _Default("axle height", (("wheel", "axis_height_m"),), "normal", (0.0, 0.003), (0.0, 0.02), _BENCH),
    _Default("wheel inertia", (("wheel", "inertia_kg_m2"),), "normal", (0.0, 0.012), (0.0, 0.08), _BENCH),
    _Default("torque constant", (("drive", "torque_constant_n_m_per_a"),), "normal", (0.0, 0.012), (0.0, 0.12), _BENCH),
    _Default("winding resistance", (("drive", "resistance_ohm"),), "normal", (0.0, 0.10), (0.0, 0.10), "temperature and " + _PARTS),
    _Default("supply", (("drive", "supply_v"),), "factor", (0.85, 1.05), (0.85, 1.05), "a battery from empty to full"),
    _Default(
        "wheel friction",
        (("drive", "coulomb_n_m"), ("drive", "stiction_n_m")),
        "factor",
        (1 / 2.7, 2.7),
        (1 / 2.7, 2.7),
        "temperature, grease, running in",
    ),
    _Default("wheel drag", (("drive", "viscous_n_m_s"),), "factor", (1 / 2.7, 2.7), (1 / 2.7, 2.7), "temperature, grease, running in"),
    _Default(
        "pivot friction",
        (("body", "pivot_damping_n_m_s"), ("body", "pivot_coulomb_n_m")),
        "factor",
        (1 / 2.7, 2.7),
        (1 / 2.7, 2.7),
        "edge and floor",
    ),
    _Default("cogging", (("drive", "cogging_n_m"),), "factor", (0.5, 2.0), (0.5, 2.0), _PARTS),
    _Default("gyro scale", (("gyro", "counts_per_dps"),), "normal", (0.0, 0.005), (0.0, 0.015), _PARTS),
    _Default("gyro noise", (("gyro", "noise_dps_per_sqrt_hz"),), "factor", (0.7, 2.0), (0.7, 2.0), _PARTS),
    _Default("gyro bias", (("gyro", "bias_dps"),), "added", (-0.3, 0.3), (-2.0, 2.0), "left after a rest, or none taken", True),
    _Default("gyro low-pass", (("gyro", "low_pass_hz"),), "factor", (0.5, 2.5), (0.5, 2.5), "one register setting off"),
    _Default("accelerometer scale", (("accelerometer", "counts_per_g"),), "normal", (0.0, 0.005), (0.0, 0.015), _PARTS),
    _Default("accelerometer noise", (("accelerometer", "noise_ug_per_sqrt_hz"),), "factor", (0.7, 2.0), (0.7, 2.0), _PARTS),
    _Default("accelerometer height", (("accelerometer", "height_m"),), "normal", (0.0, 0.02), (0.0, 0.10), _BENCH),
    _Default("accelerometer low-pass", (("accelerometer", "low_pass_hz"),), "factor", (0.5, 2.5), (0.5, 2.5), "one register setting off"),
    _Default("balance angle", (("body", "balance_offset_deg"),), "added", (-3.0, 3.0), (-3.0, 3.0), _GUESSED, True),
    _Default("latency", (("loop", "latency_us"),), "ticks", (-0.2, 2.6), (-0.2, 2.6), "sensor filter, bus and task order"),
)
_TWO_SIDED_KEYS = {("gyro", "bias_dps"), ("body", "balance_offset_deg"), ("accelerometer", "bias_mg")}


def list_uncertain(build: Build, knowledge: Knowledge = "measured") -> tuple[Uncertain, ...]:
    """Everything that differs from machine to machine: the build file's intervals first, then the defaults for what has none.

    A default that could only multiply a zero is left out.
    """
    listed = [
        Uncertain(_name(keys), keys, "even", quantity.low, quantity.high, "build file", keys[0] in _TWO_SIDED_KEYS)
        for keys, quantity in _tied(build)
        if quantity.low < quantity.high
    ]
    known = {key for uncertain in listed for key in uncertain.keys}
    present = {(table, key): quantity.value for table, key, quantity in _quantities(build)}
    for default in _DEFAULTS:
        adds = default.law in ("added", "ticks")
        keys = tuple(key for key in default.keys if key not in known and key in present and (adds or present[key] != 0.0))
        if keys:
            low, high = default.measured if knowledge == "measured" else default.data_sheet
            source = default.source if isinstance(default.source, str) else default.source[knowledge]
            listed.append(Uncertain(default.name, keys, default.law, low, high, source, default.two_sided))
    return tuple(listed)


def _tied(build: Build) -> list[tuple[tuple[tuple[str, str], ...], Quantity]]:
    """Every number with its key, or with both keys where the build file gives one for two: stiction that is not given is Coulomb's."""
    coulomb, stiction = ("drive", "coulomb_n_m"), ("drive", "stiction_n_m")
    one = build.drive.stiction_n_m is build.drive.coulomb_n_m
    found: list[tuple[tuple[tuple[str, str], ...], Quantity]] = []
    for table, key, quantity in _quantities(build):
        if one and (table, key) == stiction:
            continue
        found.append(((coulomb, stiction) if one and (table, key) == coulomb else ((table, key),), quantity))
    return found


def _name(keys: tuple[tuple[str, str], ...]) -> str:
    """What a number is called: as among the defaults, with its key where several share a name there."""
    for default in _DEFAULTS:
        if keys == default.keys:
            return default.name
        if keys[0] in default.keys:
            return f"{default.name} ({keys[0][1]})"
    return keys[0][1].replace("_", " ")


def _quantities(build: Build) -> list[tuple[str, str, Quantity]]:
    """(table, key, number) of everything that describes the machine itself."""
    found = []
    for table in TABLES:
        for key, value in vars(getattr(build, table)).items():
            if isinstance(value, Quantity):
                found.append((table, key, value))
    return found
