"""The gate: judge the C in a shipment, or an edited one, or one written by hand."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path

from codegen.ci import Finding, compare_evidence, findings_of, handwritten_findings
from codegen.ci.finding import Place, ended_finding, shown_path
from codegen.errors import LoopwrightError
from codegen.evidence import gather_evidence, read_evidence, sha256
from codegen.handwritten import check_handwritten, read_contract
from codegen.host.shape import shape_of
from codegen.pipeline.check import BIT_TICKS, check
from codegen.pipeline.progress import Progress
from codegen.pipeline.realise import design_build, realise
from codegen.pipeline.ship import BUILD_COPY, tool_versions
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
    """

    name: str
    shipment: Shipment | None
    findings: tuple[Finding, ...]
    failures: tuple[str, ...]
    worse: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    seconds: float = 0.0


def verify(
    folder: Path,
    source: Path | None,
    progress: Progress,
    *,
    ticks: int = BIT_TICKS,
    seed: int = 1,
    seconds: float | None = None,
    baseline: Path | None = None,
) -> Verification:
    """Check the C in ``folder`` (or ``source`` in its place) against the graph that lies beside it.

    Where ``folder`` is a contract file (TOML), the hand-written C that it names is judged.

    Raises:
        LoopwrightError: The folder is no shipment, or a file in it cannot be read.
    """
    begun = time.perf_counter()
    if folder.is_file() or folder.suffix == ".toml":
        return _verify_handwritten(folder, source, seed, seconds, baseline)
    read = read_shipped(folder, source)
    graph, evidence, emission = read.graph, read.evidence, read.emission
    committed = read_evidence(read_file(baseline), str(baseline)) if baseline is not None else None
    target, error_budget = read_target(evidence.target), evidence.error_budget_counts
    designed = design_build(folder / BUILD_COPY) if (folder / BUILD_COPY).is_file() else None
    with progress.during("choosing formats", 0.1):
        part = realise(graph, target, error_budget, designed.plant if designed is not None else None)
    place = Place(shown_path(source or folder / f"{graph.name}.c"), emission.source, part.emission.source)
    if emission.source != part.emission.source and ends_its_process(emission, part.fixed, seed):
        ended = ended_finding(place)
        failure = f"{ended.name}: {ended.message}"
        return Verification(graph.name, None, (ended,), (failure,), (), ("everything else",), time.perf_counter() - begun)
    rest = None if seconds is None else max(0.0, seconds - (time.perf_counter() - begun))
    checks = check(part, emission, progress, designed, ticks=ticks, seed=seed, seconds=rest)
    shipment = Shipment(graph, part, checks, None, None, tool_versions(checks.bits.compiler), dict(progress.seconds))
    failures = list(shipment.failures)
    if source is None:
        for name in (f"{graph.name}.h", f"{graph.name}.c"):
            if evidence.files.get(name) != sha256(read_file(folder / name)):
                failures.append(f"{name} is not the file that the evidence speaks of")
    findings = findings_of(checks, shape_of(graph.name, part.fixed), f"{graph.name}.c", place)
    worse = compare_evidence(committed, gather_evidence(shipment, {})) if committed is not None else []
    took = time.perf_counter() - begun
    return Verification(graph.name, shipment, tuple(findings), tuple(failures), tuple(worse), checks.left_out, took)


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
