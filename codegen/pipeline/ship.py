"""The main job: from a build file (or a graph) to C, evidence and report."""

from __future__ import annotations

import platform
from collections.abc import Mapping
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from codegen.contract import write_contract
from codegen.evidence import evidence_text, gather_evidence
from codegen.flight.judge import Level
from codegen.graph import Graph
from codegen.graph.serial import graph_to_json
from codegen.machines import Machine
from codegen.pipeline.check import BIT_TICKS, check
from codegen.pipeline.on_target import choose_clock
from codegen.pipeline.progress import Progress
from codegen.pipeline.realise import design_machine, realise
from codegen.pipeline.write import write_files
from codegen.report import write_report
from codegen.shipment import Checks, Clock, Shipment
from codegen.shipped import GRAPH_SUFFIX
from codegen.target.firmware import firmware_files
from codegen.targets import Target, read_target
from codegen.vectors import draw_vectors
from codegen.version import VERSION

LIBRARIES = ("cffi", "numpy", "scipy", "python-flint", "jinja2", "matplotlib", "ziglang", "capstone", "pyelftools", "z3-solver")
BUILD_COPY = "build.toml"
EVIDENCE, REPORT = "evidence.json", "report.html"


def tool_versions(checks: Checks) -> dict[str, str]:
    """Versions of everything that a figure may depend on, by name."""
    found = {"loopwright": VERSION, "python": platform.python_version(), "host compiler": checks.bits.compiler}
    if checks.target is not None and checks.target.costs is not None:
        found["cross compiler"] = checks.target.costs.compiler
    if checks.target is not None and checks.target.replay is not None:
        found["emulator"] = checks.target.replay.emulator
    for library in LIBRARIES:
        try:
            found[library] = version(library)
        except PackageNotFoundError:
            continue
    return found


def make_shipment(
    graph: Graph,
    target: Target,
    error_budget_counts: float,
    progress: Progress,
    designed: Machine | None = None,
    clock: Clock | None = None,
    *,
    level: Level = "quick",
    ticks: int = BIT_TICKS,
    seed: int = 1,
    defects: bool = False,
) -> Shipment:
    """From a graph to everything that is shipped, nothing written yet; without ``clock`` it is the build file's.

    Raises:
        LoopwrightError: See the stages.
    """
    with progress.during("choosing formats", 0.1):
        part = realise(graph, target, error_budget_counts, designed.plant if designed is not None else None)
    clock = clock or choose_clock(target, designed.build if designed is not None else None, {})
    checks = check(part, part.emission, progress, designed, clock, level=level, ticks=ticks, seed=seed, defects=defects)
    return Shipment(
        graph,
        part,
        checks,
        designed.build if designed is not None else None,
        designed.design if designed is not None else None,
        tool_versions(checks),
        dict(progress.seconds),
    )


def shipped_files(shipment: Shipment) -> dict[str, str]:
    """Every file of a shipment, name to text."""
    part = shipment.realisation
    name = part.emission.name
    files = {
        f"{name}.h": part.emission.header,
        f"{name}.c": part.emission.source,
        f"{name}{GRAPH_SUFFIX}": graph_to_json(shipment.graph),
        f"{name}.contract.json": write_contract(part.fixed, part.emission),
        "vectors.csv": draw_vectors(part.fixed, shipment.checks.traces),
    }
    if shipment.build is not None:
        files[BUILD_COPY] = shipment.build.source_text
    on_target = shipment.checks.target
    if on_target is not None and on_target.clock.hz is not None:
        files |= firmware_files(part.emission, part.fixed, part.target, round(on_target.clock.hz))
    document = gather_evidence(shipment, files)
    files[EVIDENCE] = evidence_text(document)
    files[REPORT] = write_report(shipment)
    return files


def ship(
    path: Path,
    folder: Path,
    targets: tuple[str, ...] = (),
    progress: Progress | None = None,
    *,
    level: Level = "quick",
    clocks: Mapping[str, float] | None = None,
    defects: bool = False,
) -> list[Shipment]:
    """The main job: from a build file to C, firmware, evidence and report.

    The first target's files lie in ``folder``, those of further targets in a folder each inside it.

    Args:
        path: The build file.
        folder: Where the files go.
        targets: Names of the targets; the build file's if there is none.
        progress: Told how far it is.
        level: How much is flown.
        clocks: Hz by name of target, where it is not the build file's.
        defects: Whether to plant defects, to see how strong the checks are.

    Raises:
        LoopwrightError: Something is wrong with the build file, the machine, the graph or the folder; nothing is written then.
    """
    progress = progress or Progress()
    with progress.during("designing", 0.0):
        designed = design_machine(path)
    chosen = tuple(dict.fromkeys(targets)) or (designed.build.target.mcu,)
    described = [read_target(name) for name in chosen]
    rates = [choose_clock(target, designed.build, clocks or {}) for target in described]
    shipments: list[Shipment] = []
    files: dict[str, str] = {}
    for place, (target, clock) in enumerate(zip(described, rates, strict=True)):
        budget = designed.build.target.error_budget_counts.value
        shipment = make_shipment(designed.graph(), target, budget, progress, designed, clock, level=level, defects=defects)
        with progress.during("writing report", 0.95):
            prefix = "" if place == 0 else f"{target.name}/"
            files |= {f"{prefix}{name}": text for name, text in shipped_files(shipment).items()}
        shipments.append(shipment)
    write_files(folder, files)
    progress.stage("done", 1.0)
    return shipments


def ship_graph(
    graph: Graph,
    target: str,
    folder: Path,
    *,
    error_budget_counts: float = 3.0,
    progress: Progress | None = None,
    ticks: int = BIT_TICKS,
    clock_hz: float | None = None,
    defects: bool = False,
) -> Shipment:
    """Ship a controller that was designed elsewhere: a graph without build file and plant; with ``clock_hz`` also its firmware.

    Raises:
        LoopwrightError: See ``realise``; nothing is written then.
    """
    described = read_target(target)
    clock = choose_clock(described, None, {} if clock_hz is None else {target: clock_hz})
    shipment = make_shipment(
        graph, described, error_budget_counts, progress or Progress(), clock=clock, ticks=ticks, defects=defects
    )
    write_files(folder, shipped_files(shipment))
    return shipment
