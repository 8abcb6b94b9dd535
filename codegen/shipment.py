"""What one run of the whole chain produced: the frozen results of all stages, for evidence and report.

Takes nothing, gives dataclasses.  A shipment without a build is a controller that was designed elsewhere and handed in as a graph.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from codegen.bounds import LoopBounds, SignalBound
from codegen.build import AnyBuild
from codegen.defects import DefectReport
from codegen.design.kinds import AnyDesign
from codegen.emit import Emission
from codegen.flight.checks import FlightVerdict
from codegen.flight.record import Recording
from codegen.graph import Graph
from codegen.proof import ProofReport
from codegen.ranges import Ranges
from codegen.rules.fixed import FixedGraph
from codegen.target.audit import AuditReport
from codegen.target.lines import PathLine
from codegen.target.run import TargetCheck
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
class Clock:
    """Clock of the core, and how it is known.

    Attributes:
        hz: The clock; None where nobody named one.
        note: What is to be known about it, "" if the user named it for this very target.
    """

    hz: float | None
    note: str = ""


@dataclass(frozen=True)
class FirmwareFlight:
    """The firmware on its emulated core at the controls of the simulated machine, beside the same flight flown by the host's C.

    Attributes:
        seconds: Simulated time.
        ticks: Ticks flown.
        stands: Whether the machine stands at the end, armed and not tripped.
        differing: Readings, commands and entries of the trace buffer that are not the host's.
        lost_ticks: Ticks that the firmware came too late for.
        busy_cycles: Most cycles from the timer's interrupt to the next wait; None where the emulator counts none.
        pokes: Pokes on the way.
    """

    seconds: float
    ticks: int
    stands: bool
    differing: int
    lost_ticks: int
    busy_cycles: int | None
    pokes: int


TargetStage = Literal["cost", "replay", "firmware"]


@dataclass(frozen=True)
class TargetResult:
    """What was found on the emulated target.

    Attributes:
        target: Its name.
        clock: Its clock.
        seed: Of the search and of the replayed corpus.
        tries: Ticks executed in search of the worst, for each kind of tick.
        costs: Cycles, stack and sizes; None if they could not be had.
        lines: Cycles of the longest path by line of the C text, most expensive first.
        replay: The host's corpus on the target.
        flight: The firmware in the loop.
        missing: What was not done, and why.
        faults: What went wrong, and in which part: the text is refused, no bound, a fault of the core.
        seconds: Time all of it took.
    """

    target: str
    clock: Clock
    seed: int
    tries: int = 0
    costs: AuditReport | None = None
    lines: tuple[PathLine, ...] = ()
    replay: TargetCheck | None = None
    flight: FirmwareFlight | None = None
    missing: tuple[str, ...] = ()
    faults: tuple[tuple[TargetStage, str], ...] = ()
    seconds: float = 0.0

    def _faults(self, part: TargetStage) -> tuple[str, ...]:
        return tuple(f"{self.target}: {text}" for where, text in self.faults if where == part)

    @property
    def cost_failures(self) -> tuple[str, ...]:
        """Broken budgets, and why there is no bound where there is none."""
        broken = [] if self.costs is None else [budget.message() for budget in self.costs.broken]
        return self._faults("cost") + tuple(f"{self.target}: {text}" for text in broken)

    @property
    def replay_failures(self) -> tuple[str, ...]:
        """Where the emulated core differs from the host."""
        if self.replay is None or not self.replay.mismatches:
            return self._faults("replay")
        first = self.replay.first
        where = f", first in {first.member} at tick {first.tick}: {first.host} here, {first.target} there" if first else ""
        return (f"{self.target}: {self.replay.mismatches} values on the emulated core are not the host's{where}",)

    @property
    def flight_failures(self) -> tuple[str, ...]:
        """What is wrong with the firmware's flight."""
        if self.flight is None:
            return self._faults("firmware")
        wrong = []
        if not self.flight.stands:
            wrong.append("with the firmware at the controls the machine does not stand")
        if self.flight.differing:
            wrong.append(f"{self.flight.differing} values of the firmware's flight are not the host's")
        if self.flight.lost_ticks:
            wrong.append(f"the firmware came too late for {self.flight.lost_ticks} ticks")
        return tuple(f"{self.target}: {text}" for text in wrong)

    @property
    def failures(self) -> tuple[str, ...]:
        """What does not hold, one sentence each."""
        return self.cost_failures + self.replay_failures + self.flight_failures


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
        target: What was found on the emulated target, None if it was not tried.
        defects: Planted defects and what kills them, None if none were planted.
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
    target: TargetResult | None = None
    defects: DefectReport | None = None

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
        if self.target is not None:
            found += self.target.failures
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
    build: AnyBuild | None
    design: AnyDesign | None
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
