"""Prediction and flight side by side, and one flight beside an earlier one.

Takes the build, its plant, the loop and what a log showed; gives ``Compared`` quantities. Writes and reads them as plain JSON values, so
that a later comparison can say what changed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from codegen.build import Build, Quantity
from codegen.control.examine import LinearLoop
from codegen.errors import BenchError
from codegen.telemetry.asflown import AsFlown
from codegen.telemetry.drive import Figure

SCHEMA = "loopwright-comparison/1"
ROOM = 0.05
"""Relative room beyond a stated value within which the flight is taken to agree with it."""

CHANGED = 1.96
"""Standard errors of a difference from which a quantity has changed."""


@dataclass(frozen=True)
class Compared:
    """One quantity; the units are those of ``unit``.

    Attributes:
        name: What.
        unit: Of all numbers.
        stated: As in the build file or as designed.
        stated_low, stated_high: Its interval there.
        found: As flown.
        found_low, found_high: 95 % interval of it.
        judged: Whether the two are to agree; what follows from the surroundings of a flight is only shown.
    """

    name: str
    unit: str
    stated: float
    stated_low: float
    stated_high: float
    found: float
    found_low: float
    found_high: float
    judged: bool = True

    @property
    def agrees(self) -> bool:
        """Whether both intervals meet, with a little room."""
        room = ROOM * abs(self.stated)
        return self.found_high >= self.stated_low - room and self.found_low <= self.stated_high + room


def compare_flown(build: Build, loop: LinearLoop, found: AsFlown) -> tuple[Compared, ...]:
    """What the build file and the design say beside what the log shows."""
    drive, rest = build.drive, loop.closed().rest()
    constant = drive.torque_constant_n_m_per_a
    relative = Quantity(1.0, constant.low / constant.value, constant.high / constant.value)
    designed, flown = loop.margins(), found.margins
    latency = Figure(found.loop.latency_s, max(found.loop.high_s - found.loop.latency_s, found.loop.latency_s - found.loop.low_s) / CHANGED)
    degrees = math.degrees(1.0)
    return (
        _measured("balance angle", "deg", build.body.balance_offset_deg, found.balance_offset_rad, degrees),
        _measured("gyro bias", "deg/s", build.gyro.bias_dps, found.gyro_bias_rad_s, degrees),
        _measured("latency", "ms", _scaled(build.loop.latency_us, 1e-3), latency, 1e3),
        _measured("torque over command", "1", relative, found.drive.torque_scale, 1.0),
        _measured("friction of the turning wheel", "mN m", _scaled(drive.coulomb_n_m, 1e3), found.drive.coulomb_n_m, 1e3),
        _measured("friction at standstill", "mN m", _scaled(drive.stiction_n_m, 1e3), found.drive.stiction_n_m, 1e3),
        _measured("gyro noise over the build file's", "1", Quantity.exact(1.0), found.loop.gyro_noise, 1.0),
        _shown("peak sensitivity", "1", designed.peak_sensitivity, flown.peak_sensitivity),
        _shown("delay margin", "ms", 1e3 * designed.delay_margin_s, 1e3 * flown.delay_margin_s),
        _shown("phase margin", "deg", degrees * designed.phase_margin_rad, degrees * flown.phase_margin_rad),
        _shown("command RMS, stated for sensor noise alone", "mN m", 1e3 * rest.torque_n_m, 1e3 * found.torque_rms_n_m),
        _shown("wheel speed RMS about its mean, likewise", "rad/s", rest.wheel_rad_s, found.wheel_rad_s[1]),
        _shown("wheel speed, mean", "rad/s", math.nan, found.wheel_rad_s[0]),
    )


def _scaled(quantity: Quantity, factor: float) -> Quantity:
    return Quantity(factor * quantity.value, factor * quantity.low, factor * quantity.high)


def _measured(name: str, unit: str, stated: Quantity, figure: Figure, factor: float) -> Compared:
    low, high = figure.interval()
    return Compared(name, unit, stated.value, stated.low, stated.high, factor * figure.value, factor * low, factor * high)


def _shown(name: str, unit: str, stated: float, found: float) -> Compared:
    return Compared(name, unit, stated, stated, stated, found, found, found, judged=False)


def _row(row: Mapping[str, Any]) -> Compared:
    def number(key: str) -> float:
        return math.nan if row[key] is None else float(row[key])

    return Compared(
        name=str(row["name"]),
        unit=str(row["unit"]),
        stated=number("stated"),
        stated_low=number("stated_low"),
        stated_high=number("stated_high"),
        found=number("found"),
        found_low=number("found_low"),
        found_high=number("found_high"),
        judged=bool(row["judged"]),
    )


@dataclass(frozen=True)
class Change:
    """One quantity of two flights.

    Attributes:
        name, unit: What.
        before, now: As flown.
        is_real: Whether it is more than the intervals of both leave open.
    """

    name: str
    unit: str
    before: float
    now: float
    is_real: bool


def changes_since(before: tuple[Compared, ...], now: tuple[Compared, ...]) -> tuple[Change, ...]:
    """What changed from one flight to the next, quantity by quantity; margins follow from the rest and are taken as they are."""
    known = {one.name: one for one in before}
    found = []
    for one in now:
        earlier = known.get(one.name)
        if earlier is None:
            continue
        apart = abs(one.found - earlier.found)
        spread = math.hypot(one.found_high - one.found_low, earlier.found_high - earlier.found_low) / 2.0
        found.append(Change(one.name, one.unit, earlier.found, one.found, one.judged and apart > max(spread, ROOM * abs(earlier.found))))
    return tuple(found)


def comparison_document(compared: tuple[Compared, ...]) -> dict[str, Any]:
    """The quantities as plain JSON values; what is not finite is null."""
    return {
        "schema": SCHEMA,
        "quantities": [
            {key: None if isinstance(value, float) and not math.isfinite(value) else value for key, value in asdict(one).items()}
            | {"agrees": one.agrees if one.judged else None}
            for one in compared
        ],
    }


def read_comparison(document: Mapping[str, Any], file_name: str) -> tuple[Compared, ...]:
    """The quantities of an earlier comparison.

    Raises:
        BenchError: It is none.
    """
    if not isinstance(document, Mapping) or document.get("schema") != SCHEMA:
        raise BenchError(
            "this is no comparison", file_name, "give the JSON that `loopwright compare --json` printed, or the earlier log itself"
        )
    try:
        return tuple(_row(row) for row in document["quantities"])
    except (KeyError, TypeError, ValueError):
        raise BenchError("the comparison lacks a number", file_name, "make it again with `loopwright compare --json`") from None
