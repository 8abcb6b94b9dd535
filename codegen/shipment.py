"""What one run of the whole chain produced: the frozen results of all stages, for evidence and report.

Takes nothing, gives dataclasses.  A shipment without a build is a controller that was designed elsewhere and handed in as a graph.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from codegen.bounds import LoopBounds, SignalBound
from codegen.build import Build
from codegen.design import Design
from codegen.emit import Emission
from codegen.flight.checks import FlightVerdict
from codegen.flight.record import Recording
from codegen.graph import Graph
from codegen.proof import ProofReport
from codegen.ranges import Ranges
from codegen.rules.fixed import FixedGraph
from codegen.targets import Target
from codegen.verify import BitCheck, ErrorCheck, FaultCheck, PropertyCheck


@dataclass(frozen=True)
class Realisation:
    """A graph with bits and C text, and the bounds that are proven for it.

    Attributes:
        ranges: Real ranges, with the limits that were added.
        target: Word rules.
        error_budget_counts: Budget under which the words were chosen.
        fixed: Formats and integers.
        emission: C text.
        one_tick: Error bound of every number after one tick.
        margins: Margin of every comparison.
        many_ticks: Bounds for ever while no clamp acts, empty where there are none.
        many_ticks_reason: Why there are none, or "".
        loop: Closed-loop bounds, None without a plant.
    """

    ranges: Ranges
    target: Target
    error_budget_counts: float
    fixed: FixedGraph
    emission: Emission
    one_tick: Mapping[str, SignalBound]
    margins: Mapping[str, tuple[float, float]]
    many_ticks: Mapping[str, SignalBound]
    many_ticks_reason: str
    loop: LoopBounds | None


def proof_failures(report: ProofReport) -> list[str]:
    """What a proof lacks, one sentence each; the same obligation under several data models is said once."""
    if report.refused is not None:
        return [f"proof: {report.refused.place}: {report.refused.reason}"]
    found: dict[str, list[str]] = {}
    for proof in report.models:
        said = [f"{finding.place}: {finding.kind}: {finding.text}: {finding.reason}" for finding in proof.failed]
        said += [f"{difference.name} is not shown to equal the integer model: {difference.reason}" for difference in proof.differences]
        for text in said:
            found.setdefault(text, []).append(proof.model)
    return [f"proof ({', '.join(models)}): {text}" for text, models in found.items()]


@dataclass(frozen=True)
class Checks:
    """What was checked of a realisation.

    Attributes:
        bits: Compiled C against the integer model.
        errors: Integers against float64.
        flight: The emitted C at the controls, None without a plant.
        recordings: Flights for the pictures.
        traces: Raw readings of flights, (ticks, inputs) each, that the checks and the test vectors start from.
        suite: The properties, None if they were not tried.
        faults: Faults at run time, likewise.
        left_out: What a budget of time did not reach, in words.
        proof: What the C text itself proves, None if it was not asked.
    """

    bits: BitCheck
    errors: ErrorCheck
    flight: FlightVerdict | None
    recordings: tuple[Recording, ...]
    traces: tuple[NDArray[np.int64], ...] = ()
    suite: PropertyCheck | None = None
    faults: FaultCheck | None = None
    left_out: tuple[str, ...] = ()
    proof: ProofReport | None = None

    @property
    def failures(self) -> tuple[str, ...]:
        """What does not hold, one sentence each."""
        found: list[str] = []
        if self.proof is not None:
            found += proof_failures(self.proof)
        if self.bits.mismatches:
            first = self.bits.first
            where = f", first in {first.signal} at tick {first.tick}: {first.expected} expected, {first.got} got" if first else ""
            found.append(f"the compiled C differs from the integer model in {self.bits.mismatches} values{where}")
        found += [
            f"undefined behaviour in {report.file}, line {report.line}: {report.kind}, {report.count} times"
            for report in self.bits.sanitizer
        ]
        if self.errors.violations:
            found.append(f"{self.errors.violations} observations beat their bound, first {self.errors.first}")
        if self.suite is not None:
            found += [f"{part.name}: {part.failure.summary()}" for part in self.suite.results if part.failure is not None]
        if self.faults is not None:
            found += self.faults.failures
        if self.flight is not None:
            found += [f"flight: {check.name}: {check.row()[2]}, wanted {check.row()[1]}" for check in self.flight.failures]
        return tuple(found)


@dataclass(frozen=True)
class Shipment:
    """Everything one run produced.

    Attributes:
        graph: The controller.
        realisation: Its bits and text.
        checks: What was checked.
        build: The build file, None for a controller handed in as a graph.
        design: Its design, likewise.
        versions: Tools and libraries that took part, name to version.
        seconds: Time per stage.
    """

    graph: Graph
    realisation: Realisation
    checks: Checks
    build: Build | None
    design: Design | None
    versions: Mapping[str, str]
    seconds: Mapping[str, float]

    @property
    def failures(self) -> tuple[str, ...]:
        """What does not hold, design goals included."""
        goals = [] if self.design is None else [verdict for verdict in self.design.verdicts if not verdict.holds]
        missed = tuple(
            f"{verdict.goal}: {verdict.reached:.4g} {verdict.unit} reached, "
            f"{verdict.relation} {verdict.wanted:.4g} wanted; {verdict.remedy}"
            for verdict in goals
        )
        return missed + self.checks.failures
