"""One judged property, the same for every form of report.

Takes checks of a controller and its C text, gives ``Finding``s with the line that a failure points to where the text allows to say: the
line that the undefined-behaviour checks name, else the lines that differ from the shipped text, else the line that gives the signal its
value.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from codegen.defects import DefectReport
from codegen.handwritten.gate import FAULTS, HandwrittenCheck
from codegen.host.shape import Shape
from codegen.proof import ProofReport
from codegen.shipment import Checks, TargetResult, proof_failures
from codegen.verify.faults import FaultCheck
from codegen.verify.properties import PropertyCheck
from codegen.verify.trial import Failure, c_test, failure_table

Status = Literal["holds", "broken", "not applicable", "left out", "missed"]
SHOWN_LINES = 6


@dataclass(frozen=True)
class Place:
    """Where in the C something is.

    Attributes:
        file: Name of the file as the user gave it.
        text: Its text.
        shipped: Text that was shipped in its place, "" if there is none.
    """

    file: str
    text: str
    shipped: str = ""

    @property
    def changed(self) -> tuple[int, ...]:
        """Lines that are not as shipped."""
        return changed_lines(self.shipped, self.text) if self.shipped else ()


@dataclass(frozen=True)
class Finding:
    """A property and its verdict.

    Attributes:
        name: Short name.
        statement: What holds.
        status: The verdict; "missed" is a planted defect that no check found, which says something about the checks, not about the C.
        count: Ticks or cases tried.
        seconds: Time it took.
        message: What is wrong, or why it was not tried; "" if it holds.
        file: C file, as the user gave it.
        line: Line that a failure points to, 0 where the text does not allow to say.
        detail: The failure in words, and a table of the shortest input that shows it; "" without one.
        program: A C program that shows the failure, likewise.
    """

    name: str
    statement: str
    status: Status
    count: int
    seconds: float
    message: str
    file: str
    line: int
    detail: str = ""
    program: str = ""


def shown_path(path: Path) -> str:
    """A path as reports show it: relative to the working folder, else its bare name, so that no report names a machine's folders."""
    try:
        return path.resolve().relative_to(Path.cwd().resolve()).as_posix()
    except ValueError:
        return path.name


def changed_lines(shipped: str, edited: str) -> tuple[int, ...]:
    """Lines of ``edited`` that are not in ``shipped``; for lines left out, the one that took their place."""
    old, new = shipped.splitlines(), edited.splitlines()
    found: list[int] = []
    for tag, _, _, start, end in difflib.SequenceMatcher(None, old, new, autojunk=False).get_opcodes():
        if tag in ("replace", "insert"):
            found += range(start + 1, end + 1)
        elif tag == "delete":
            found.append(min(start + 1, max(1, len(new))))
    return tuple(dict.fromkeys(found))


def line_of_signal(text: str, signal: str) -> int:
    """Last line that gives a signal or a member its value, 0 if none does."""
    name = re.escape(signal.removeprefix("state."))
    pattern = re.compile(rf"(?<![A-Za-z0-9_]){name}\s*(?:[-+*/|&^]|<<|>>)?=(?!=)")
    lines = [at for at, line in enumerate(text.splitlines(), 1) if pattern.search(line)]
    return lines[-1] if lines else 0


def line_of(failure: Failure | None, place: Place) -> int:
    """The line that a failure points to."""
    if failure is not None and failure.line:
        return failure.line
    if place.changed:
        return place.changed[0]
    return line_of_signal(place.text, failure.watched[0].signal) if failure is not None and failure.watched else 0


def failure_detail(failure: Failure, shape: Shape) -> str:
    """What fails, and the table of the input that shows it."""
    headings, rows = failure_table(failure, shape)
    widths = [max(len(row[at]) for row in [headings, *rows]) for at in range(len(headings))]
    table = "\n".join("  ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in [headings, *rows])
    memory = "\n".join(
        f"controller {at + 1} starts with {', '.join(f'{name} = {value}' for name, value in run.memory.items())}"
        for at, run in enumerate(failure.runs)
        if run.memory
    )
    return "\n\n".join(part for part in (failure.summary(), memory, table) if part)


def _edited(place: Place) -> str:
    lines = place.changed
    if not lines:
        return ""
    shown = ", ".join(str(line) for line in lines[:SHOWN_LINES]) + (", ..." if len(lines) > SHOWN_LINES else "")
    return f" (edited lines: {shown})"


def _suite(suite: PropertyCheck, shape: Shape, source_name: str, place: Place) -> list[Finding]:
    result = []
    for part in suite.results:
        status: Status = "not applicable" if part.why_not else "left out" if part.left_out else "holds" if part.holds else "broken"
        message = part.why_not or ("the time was used up before" if part.left_out else "")
        detail, program, line = "", "", 0
        if part.failure is not None:
            message = part.failure.summary() + _edited(place)
            detail, program = failure_detail(part.failure, shape), c_test(part.failure, shape, source_name)
            line = line_of(part.failure, place)
        finding = Finding(part.name, part.statement, status, part.count, part.seconds, message, place.file, line, detail, program)
        result.append(finding)
    return result


def _faults(faults: FaultCheck, shape: Shape, source_name: str, place: Place) -> Finding:
    broken = faults.failures
    detail = failure_detail(faults.first, shape) if faults.first is not None else ""
    lines = sorted({found.line for found in faults.undefined})
    beyond = f"; a flip can lead to what C leaves undefined in lines {', '.join(map(str, lines))}" if lines else ""
    return Finding(
        FAULTS,
        "flipped bits, faulty readings and missed ticks: outputs in limits, trips in time, nobody stuck",
        "broken" if broken else "holds",
        faults.flips + sum(faults.sensor_faults.values()),
        faults.seconds,
        "; ".join(broken) + (_edited(place) if broken else f"state back in its ranges within {faults.longest_return} ticks{beyond}"),
        place.file,
        line_of(faults.first, place) if broken else 0,
        detail,
        c_test(faults.first, shape, source_name) if faults.first is not None else "",
    )


def _plain(name: str, statement: str, count: int, seconds: float, broken: Sequence[str], place: Place, line: int = 0) -> Finding:
    status: Status = "broken" if broken else "holds" if count else "left out"
    where = (line or line_of(None, place)) if broken else 0
    message = "; ".join(broken) + (_edited(place) if broken else "") or ("" if count else "the time was used up before")
    return Finding(name, statement, status, count, seconds, message, place.file, where)


def _proof(report: ProofReport, place: Place) -> Finding:
    asked = sum(len(proof.findings) + len(proof.pairs) for proof in report.models)
    broken = proof_failures(report)
    lines = [int(number) for text in broken for number in re.findall(r"\.c, line (\d+)", text)]
    return _plain(
        "proof from the C text",
        "safe under every data model, and equal to the integer model, for all inputs",
        max(1, asked),
        report.seconds,
        broken,
        place,
        0 if place.changed or not lines else lines[0],
    )


def findings_of(checks: Checks, shape: Shape, source_name: str, place: Place) -> list[Finding]:
    """Everything that was checked of an emitted controller (or an edited text in its place)."""
    bits, errors, flight = checks.bits, checks.errors, checks.flight
    found = [_proof(checks.proof, place)] if checks.proof is not None else []
    found += _suite(checks.suite, shape, source_name, place) if checks.suite is not None else []
    if checks.faults is not None:
        found.append(_faults(checks.faults, shape, source_name, place))
    first = bits.first
    told = f"{bits.mismatches} values differ"
    told += f", first {first.signal} at tick {first.tick}: {first.expected} expected, {first.got} got" if first is not None else ""
    line = 0 if place.changed or first is None else line_of_signal(place.text, first.signal)
    found.append(
        _plain(
            "bit-exact",
            "compiled C equals the integer model in every output and every member of its state",
            bits.ticks,
            bits.seconds,
            [told] if bits.mismatches else [],
            place,
            line,
        )
    )
    reports = [f"line {report.line}: {report.kind}, {report.count} times" for report in bits.sanitizer]
    found.append(
        _plain(
            "no undefined behaviour",
            "the undefined-behaviour checks stay silent over the same ticks",
            bits.ticks,
            0.0,
            reports,
            place,
            bits.sanitizer[0].line if bits.sanitizer else 0,
        )
    )
    beaten = [f"{errors.violations} observations beat their bound, first {errors.first}"] if errors.violations else []
    found.append(
        _plain("error bound", "no one-tick error beats its bound, no decision its margin", errors.ticks, errors.seconds, beaten, place)
    )
    if flight is not None:
        missed = [f"{check.name}: {check.row()[2]}, wanted {check.row()[1]}" for check in flight.failures]
        found.append(_plain("flight", "the C stands, recovers and trips on the simulated machine", len(flight.checks), 0.0, missed, place))
    if checks.target is not None:
        found += _target(checks.target, place)
    if checks.defects is not None:
        found += _defects(checks.defects, place)
    return found


def _target(target: TargetResult, place: Place) -> list[Finding]:
    """What was found on the emulated target; what could not be had counts as left out, with the reason."""
    reason = "; ".join(target.missing)
    replayed = target.replay.ticks if target.replay is not None else 0
    flown = target.flight.ticks if target.flight is not None else 0
    asked = 1 if target.costs is not None or target.faults else 0
    parts = (
        ("emulated target: same bits", "the core computes what the host computes", replayed, target.replay_failures),
        ("emulated target: cost", "cycles and stack are bounded, and the build file's budgets are kept", asked, target.cost_failures),
        ("firmware in the loop", "the machine stands with the firmware at the controls", flown, target.flight_failures),
    )
    found = []
    for name, statement, count, failures in parts:
        finding = _plain(name, statement, count, 0.0, failures, place)
        if finding.status == "left out":
            # Where the core ran, but had no machine or no clock, there is nothing that a tool would help.
            status: Status = "not applicable" if replayed and not count else "left out"
            finding = replace(finding, status=status, message=reason or "not tried")
        found.append(finding)
    return found


def _defects(report: DefectReport, place: Place) -> list[Finding]:
    """The campaign of planted defects, and each one that no check found."""
    told = f"{report.killed} of {report.tried} found, {report.equivalent} shown to be the same controller, {len(report.survivors)} missed"
    statement = "the checks find the classic mistakes when they are planted into this C"
    found = [Finding("planted defects", statement, "holds", report.tried, report.seconds, told, place.file, 0)]
    for survivor in report.survivors:
        message = f"kind {survivor.kind}, {survivor.title}: {survivor.where}: {survivor.change}; it would take {survivor.wanted}"
        found.append(Finding("planted defect missed", statement, "missed", 1, 0.0, message, place.file, survivor.line))
    return found


def ended_finding(place: Place, stage: str = "every call returns") -> Finding:
    """The finding that C ended the process it ran in."""
    ends = "the C ends the process it runs in (an index beyond an array, a division by zero, ...)"
    return Finding(stage, "the C returns from every call", "broken", 1, 0.0, ends + _edited(place), place.file, line_of(None, place))


def handwritten_findings(check: HandwrittenCheck, place: Place) -> list[Finding]:
    """Everything that was checked of hand-written C."""
    shape, source = check.contract.shape, check.contract.source
    found = _suite(check.properties, shape, source, place)
    found += [ended_finding(place, stage) for stage in check.crashed]
    if check.faults is not None:
        found.append(_faults(check.faults, shape, source, place))
    found += [
        Finding(stage, "tried within the time", "left out", 0, 0.0, "the time was used up before", place.file, 0)
        for stage in check.left_out
    ]
    return found
