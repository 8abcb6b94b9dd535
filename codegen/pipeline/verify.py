"""The gate: judge the C in a shipment, or an edited one, or one written by hand."""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from pathlib import Path

from codegen.ci import Finding, compare_evidence, findings_of, handwritten_findings
from codegen.ci.finding import Place, ended_finding, shown_path
from codegen.errors import LoopwrightError
from codegen.evidence import evidence_text, gather_evidence, read_evidence, sha256
from codegen.handwritten import check_handwritten, read_contract
from codegen.host.shape import shape_of
from codegen.pipeline.check import BIT_TICKS, check
from codegen.pipeline.on_target import choose_clock
from codegen.pipeline.progress import Progress
from codegen.pipeline.realise import design_machine, realise
from codegen.pipeline.ship import BUILD_COPY, EVIDENCE, REPORT, tool_versions
from codegen.pipeline.write import write_files
from codegen.report import write_report
from codegen.shipment import Shipment
from codegen.shipped import read_file, read_shipped
from codegen.targets import read_target
from codegen.verify.alive import ends_its_process


@dataclass(frozen=True)
class Verification:
    """What ``verify`` found.

    Attributes:
        name: Name of the controller.
        shipment: The checks, None for C written by hand.
        findings: Every property with its verdict, and with file and line where it is broken.
        failures: What does not hold, in words.
        worse: Figures that got worse against the baseline.
        left_out: What the time did not reach.
        seconds: Time it took.
        renewed: Files of the shipment that were written anew.
        kept: Why they were not, "" if they were or need not be.
    """

    name: str
    shipment: Shipment | None
    findings: tuple[Finding, ...]
    failures: tuple[str, ...]
    worse: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    seconds: float = 0.0
    renewed: tuple[str, ...] = ()
    kept: str = ""


def verify(
    folder: Path,
    source: Path | None,
    progress: Progress,
    *,
    ticks: int = BIT_TICKS,
    seed: int = 1,
    seconds: float | None = None,
    baseline: Path | None = None,
    defects: bool = False,
) -> Verification:
    """Check the C in ``folder`` (or ``source`` in its place) against the graph that lies beside it.

    Where ``folder`` is a contract file (TOML), the hand-written C that it names is judged.

    With ``defects`` the checks themselves are tried, on planted defects; where all holds and the C is the shipped one, the kill table goes
    into the evidence and the report of ``folder``.

    Raises:
        LoopwrightError: The folder is no shipment, or a file in it cannot be read.
    """
    begun = time.perf_counter()
    if folder.is_file() or folder.suffix == ".toml":
        if defects:
            raise LoopwrightError("defects are planted into emitted C only", str(folder), "leave --defects out")
        return _verify_handwritten(folder, source, seed, seconds, baseline)
    read = read_shipped(folder, source)
    graph, evidence, emission = read.graph, read.evidence, read.emission
    committed = read_evidence(read_file(baseline), str(baseline)) if baseline is not None else None
    target, error_budget = read_target(evidence.target), evidence.error_budget_counts
    designed = design_machine(folder / BUILD_COPY) if (folder / BUILD_COPY).is_file() else None
    with progress.during("choosing formats", 0.1):
        part = realise(graph, target, error_budget, designed.plant if designed is not None else None)
    place = Place(shown_path(source or folder / f"{graph.name}.c"), emission.source, part.emission.source)
    if emission.source != part.emission.source and ends_its_process(emission, part.fixed, seed):
        ended = ended_finding(place)
        failure = f"{ended.name}: {ended.message}"
        return Verification(graph.name, None, (ended,), (failure,), (), ("everything else",), time.perf_counter() - begun)
    rest = None if seconds is None else max(0.0, seconds - (time.perf_counter() - begun))
    known = {} if evidence.clock_hz is None else {target.name: evidence.clock_hz}
    clock = choose_clock(target, designed.build if designed is not None else None, known)
    checks = check(part, emission, progress, designed, clock, ticks=ticks, seed=seed, seconds=rest, defects=defects)
    shipment = Shipment(graph, part, checks, None, None, tool_versions(checks), dict(progress.seconds))
    failures = list(shipment.failures)
    if source is None:
        for name in (f"{graph.name}.h", f"{graph.name}.c"):
            if evidence.files.get(name) != sha256(read_file(folder / name)):
                failures.append(f"{name} is not the file that the evidence speaks of")
    findings = findings_of(checks, shape_of(graph.name, part.fixed), f"{graph.name}.c", place)
    if designed is not None:
        shipment = replace(shipment, build=designed.build, design=designed.design)
    worse = compare_evidence(committed, gather_evidence(shipment, {})) if committed is not None else []
    renewed: tuple[str, ...] = ()
    kept = ""
    if defects and source is None:
        renewed, kept = _renew(folder, shipment) if not failures else ((), "not everything holds")
    took = time.perf_counter() - begun
    return Verification(
        graph.name, shipment, tuple(findings), tuple(failures), tuple(worse), checks.left_out, took, renewed, kept
    )


def _renew(folder: Path, shipment: Shipment) -> tuple[tuple[str, ...], str]:
    """Evidence and report of this run in the place of the shipped ones, unless a figure would get worse; names, or why not."""
    if shipment.checks.left_out:
        return (), f"left out for want of time: {shipment.checks.left_out[0]}"
    old = read_evidence(read_file(folder / EVIDENCE), EVIDENCE)
    document = gather_evidence(shipment, {})
    # The C was compared with these hashes above; the other files are as they were shipped, or the user's own affair.
    document["files"] = old["files"]
    worse = compare_evidence(old, document)
    if worse:
        return (), f"worse than in {EVIDENCE} there: {worse[0]}"
    files = {EVIDENCE: evidence_text(document), REPORT: write_report(shipment)}
    write_files(folder, files)
    return tuple(files), ""


def _verify_handwritten(
    path: Path, source: Path | None, seed: int, seconds: float | None, baseline: Path | None
) -> Verification:
    """The gate for hand-written C."""
    contract = read_contract(path)
    if baseline is not None:
        raise LoopwrightError("C written by hand has no evidence to compare", str(baseline), "leave --baseline out")
    sources = contract.sources(source)
    result = check_handwritten(contract, sources, seed=seed, seconds=seconds)
    shipped = read_file(contract.folder / contract.source) if source is not None else ""
    place = Place(shown_path(source or contract.folder / contract.source), sources[contract.source], shipped)
    findings = tuple(handwritten_findings(result, place))
    return Verification(contract.shape.name, None, findings, result.failures, (), result.left_out, result.seconds)
