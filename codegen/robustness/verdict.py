"""What a fleet's outcomes say: shares with their confidence, figures of the many and of the worst, and what mattered.

Takes outcomes, gives ``FleetVerdict``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.stats import binomtest

from codegen.robustness.fleet import FleetOrder, MachineOutcome
from codegen.robustness.influence import Influence, find_influences

CONFIDENCE = 0.95
WANTED_SHARE = 0.995


@dataclass(frozen=True)
class Share:
    """So many of so many, and the interval in which the true share lies with 95 % confidence.

    Source of the interval: Clopper, Pearson, "The use of confidence or fiducial limits illustrated in the case of the binomial",
    Biometrika 26 (1934), as computed by scipy (``scipy.stats.binomtest``).
    """

    count: int
    of: int
    low: float
    high: float

    @property
    def value(self) -> float:
        """The observed share."""
        return self.count / self.of


def share_of(count: int, of: int) -> Share:
    """``count`` out of ``of`` with its interval."""
    interval = binomtest(count, of).proportion_ci(CONFIDENCE, method="exact")
    return Share(count, of, float(interval.low), float(interval.high))


@dataclass(frozen=True)
class Spread:
    """A figure over all machines that stand: median, 95th percentile, largest; SI units."""

    median: float
    high: float
    largest: float


@dataclass(frozen=True)
class FleetVerdict:
    """Outcome of a fleet.

    Attributes:
        machines: How many were flown.
        stand: Share that stood until the first poke.
        survive: Share that stood to the end, both pokes included.
        wanted: Least share of survivors that is asked for.
        peak_rad: Largest tilt after a poke.
        tilt_rms_rad: At rest.
        peak_influences, rest_influences: What decided these two, by falling size.
        worst: The machine that fell first or, if none fell, leaned most.
        simulated_s: Flight time of all machines.
    """

    machines: int
    stand: Share
    survive: Share
    wanted: float
    peak_rad: Spread | None
    tilt_rms_rad: Spread | None
    peak_influences: tuple[Influence, ...]
    rest_influences: tuple[Influence, ...]
    worst: MachineOutcome
    simulated_s: float

    @property
    def holds(self) -> bool:
        """Whether the observed share of survivors is what is asked for."""
        return self.survive.value >= self.wanted


def judge_fleet(order: FleetOrder, outcomes: tuple[MachineOutcome, ...], wanted: float = WANTED_SHARE) -> FleetVerdict:
    """Judge the outcomes of at least one machine."""
    draws = np.array([outcome.shares for outcome in outcomes])
    peaks = np.array([outcome.peak_rad for outcome in outcomes])
    rested = [outcome for outcome in outcomes if outcome.stood_before_poke]
    length_s = order.poke_times_s[1] + order.between_s
    return FleetVerdict(
        machines=len(outcomes),
        stand=share_of(len(rested), len(outcomes)),
        survive=share_of(sum(outcome.up for outcome in outcomes), len(outcomes)),
        wanted=wanted,
        peak_rad=_spread([outcome.peak_rad for outcome in outcomes if outcome.up]),
        tilt_rms_rad=_spread([outcome.tilt_rms_rad for outcome in rested]),
        peak_influences=find_influences(order.uncertain, draws, peaks),
        rest_influences=find_influences(
            order.uncertain,
            np.array([outcome.shares for outcome in rested]).reshape(len(rested), len(order.uncertain)),
            np.array([outcome.tilt_rms_rad for outcome in rested]),
        )
        if rested
        else (),
        worst=min(outcomes, key=badness),
        simulated_s=math.fsum(length_s if outcome.fell_at_s is None else outcome.fell_at_s for outcome in outcomes),
    )


def badness(outcome: MachineOutcome) -> tuple[bool, float, float]:
    """Sorts the worst machine first: fallen before standing, earlier falls before later, larger peaks before smaller."""
    fell_at = math.inf if outcome.fell_at_s is None else outcome.fell_at_s
    return outcome.up, fell_at, -outcome.peak_rad


def _spread(values: list[float]) -> Spread | None:
    if not values:
        return None
    return Spread(float(np.median(values)), float(np.quantile(values, 0.95)), max(values))
