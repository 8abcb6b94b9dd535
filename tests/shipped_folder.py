"""Shipped folders for tests that do not ask how well the controller was checked."""

from __future__ import annotations

from pathlib import Path

from codegen.graph import Graph
from codegen.machines import Machine
from codegen.pipeline import realise, shipped_files, write_files
from codegen.shipment import Checks, Clock, Shipment, TargetResult
from codegen.targets import read_target
from codegen.verify import ErrorCheck, check_bits


def barely_checked(graph: Graph, target: str, designed: Machine | None = None, clock_hz: float | None = None) -> Shipment:
    """A shipment for a target whose checks are next to nothing."""
    described = read_target(target)
    part = realise(graph, described, 3.0, designed.plant if designed is not None else None)
    checks = Checks(
        check_bits(part.emission, part.fixed, 1),
        ErrorCheck((), 0, 0, "", 1, 0.0),
        None,
        (),
        target=TargetResult(target, Clock(clock_hz), 1),
    )
    build, design = (designed.build, designed.design) if designed is not None else (None, None)
    return Shipment(graph, part, checks, build, design, {}, {})


def write_shipment(folder: Path, *shipments: Shipment) -> Path:
    """Write shipments as ``ship`` does: the first one's files in ``folder``, those of others in a folder each inside it."""
    files: dict[str, str] = {}
    for place, shipment in enumerate(shipments):
        prefix = f"{shipment.realisation.target.name}/" if place else ""
        files |= {f"{prefix}{name}": text for name, text in shipped_files(shipment).items()}
    write_files(folder, files)
    return folder
