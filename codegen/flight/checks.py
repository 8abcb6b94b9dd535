"""One checked figure of a flight, and the judgement they make up.

Takes: wanted and reached numbers. Gives: frozen results whose rows go straight into a table. Does not: fly anything.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

HEADINGS = ("check", "wanted", "reached", "holds")


@dataclass(frozen=True)
class FlightCheck:
    """One figure: ``reached`` must be ``relation`` ``wanted``, both in ``unit``.

    Attributes:
        name: What was flown and measured.
        wanted: The limit.
        reached: The figure; NaN where the flight never came so far (and then nothing holds).
        unit: Unit of both; "1" for shares, "flights" for counts.
        relation: Which side of the limit is good.
    """

    name: str
    wanted: float
    reached: float
    unit: str
    relation: Literal["at least", "at most"]

    @property
    def holds(self) -> bool:
        """Whether the figure keeps to the limit; never for NaN."""
        return self.reached >= self.wanted if self.relation == "at least" else self.reached <= self.wanted

    def row(self) -> tuple[str, str, str, str]:
        """The check as text, one cell for each of ``HEADINGS``."""
        reached = "never" if math.isnan(self.reached) else f"{self.reached:.3g} {self.unit}"
        return self.name, f"{self.relation} {self.wanted:.3g} {self.unit}", reached, "yes" if self.holds else "NO"


def at_least(name: str, wanted: float, reached: float, unit: str) -> FlightCheck:
    """A figure that must not be smaller than wanted."""
    return FlightCheck(name, wanted, reached, unit, "at least")


def at_most(name: str, wanted: float, reached: float, unit: str) -> FlightCheck:
    """A figure that must not be larger than wanted."""
    return FlightCheck(name, wanted, reached, unit, "at most")


def all_of(name: str, verdicts: list[bool], unit: str = "flights") -> FlightCheck:
    """How many of several yes-or-no outcomes are yes; all must be."""
    return FlightCheck(name, float(len(verdicts)), float(sum(verdicts)), unit, "at least")


@dataclass(frozen=True)
class FlightVerdict:
    """Everything one controller was judged by.

    Attributes:
        level: "quick" or "full".
        checks: In the order flown.
        simulated_s: Simulated time of the long stands, for the reader's sense of how much was flown.
    """

    level: str
    checks: tuple[FlightCheck, ...]
    simulated_s: float

    @property
    def holds(self) -> bool:
        """Whether every check holds."""
        return all(check.holds for check in self.checks)

    @property
    def failures(self) -> tuple[FlightCheck, ...]:
        """The checks that do not hold."""
        return tuple(check for check in self.checks if not check.holds)

    def rows(self) -> list[tuple[str, str, str, str]]:
        """Table rows under ``HEADINGS``."""
        return [check.row() for check in self.checks]
