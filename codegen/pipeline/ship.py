"""The main job: from a build file (or a graph) to C, evidence and report."""

from __future__ import annotations

import platform
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from codegen.contract import write_contract
from codegen.evidence import evidence_text, gather_evidence
from codegen.flight.judge import Level
from codegen.graph import Graph
from codegen.graph.serial import graph_to_json
from codegen.pipeline.check import BIT_TICKS, check
from codegen.pipeline.progress import Progress
from codegen.pipeline.realise import Designed, design_build, realise
from codegen.pipeline.write import write_files
from codegen.report import write_report
from codegen.shipment import Shipment
from codegen.shipped import GRAPH_SUFFIX
from codegen.targets import Target, read_target
from codegen.vectors import draw_vectors
from codegen.version import VERSION

LIBRARIES = ("cffi", "numpy", "scipy", "python-flint", "jinja2", "matplotlib", "ziglang")
BUILD_COPY = "build.toml"


def tool_versions(compiler: str) -> dict[str, str]:
    """Versions of everything that a figure may depend on, by name."""
    found = {"loopwright": VERSION, "python": platform.python_version(), "host compiler": compiler}
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
    designed: Designed | None = None,
    *,
    level: Level = "quick",
    ticks: int = BIT_TICKS,
    seed: int = 1,
) -> Shipment:
    """From a graph to everything that is shipped, nothing written yet.

    Raises:
        LoopwrightError: See the stages.
    """
    with progress.during("choosing formats", 0.1):
        part = realise(graph, target, error_budget_counts, designed.plant if designed is not None else None)
    checks = check(part, part.emission, progress, designed, level=level, ticks=ticks, seed=seed)
    return Shipment(
        graph,
        part,
        checks,
        designed.build if designed is not None else None,
        designed.design if designed is not None else None,
        tool_versions(checks.bits.compiler),
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
    document = gather_evidence(shipment, files)
    files["evidence.json"] = evidence_text(document)
    files["report.html"] = write_report(shipment)
    return files


def ship(
    path: Path, folder: Path, targets: tuple[str, ...] = (), progress: Progress | None = None, *, level: Level = "quick"
) -> list[Shipment]:
    """The main job: from a build file to C, evidence and report.

    The first target's files lie in ``folder``, those of further targets in a folder each inside it.

    Raises:
        LoopwrightError: Something is wrong with the build file, the machine, the graph or the folder; nothing is written then.
    """
    progress = progress or Progress()
    with progress.during("designing", 0.0):
        designed = design_build(path)
    chosen = tuple(dict.fromkeys(targets)) or (designed.build.target.mcu,)
    described = [read_target(name) for name in chosen]
    shipments: list[Shipment] = []
    files: dict[str, str] = {}
    for place, target in enumerate(described):
        budget = designed.build.target.error_budget_counts.value
        shipment = make_shipment(designed.graph(), target, budget, progress, designed, level=level)
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
) -> Shipment:
    """Ship a controller that was designed elsewhere: a graph without build file and plant.

    Raises:
        LoopwrightError: See ``realise``; nothing is written then.
    """
    shipment = make_shipment(graph, read_target(target), error_budget_counts, progress or Progress(), ticks=ticks)
    write_files(folder, shipped_files(shipment))
    return shipment
