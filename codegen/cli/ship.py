"""The command ``ship``: from a build file to everything that leaves the house."""

from __future__ import annotations

from pathlib import Path

import click

from codegen.bounds import SignalBound
from codegen.cli.clocks import Clocks, clock_option, read_clocks
from codegen.cli.command import FAILED, FILE, HOLDS, common
from codegen.cli.screen import Screen
from codegen.cli.tables import (
    BOUND_HEADINGS,
    CHECK_HEADINGS,
    DEFECT_HEADINGS,
    VERDICT_HEADINGS,
    bound_rows,
    check_rows,
    defect_rows,
    verdict_rows,
)
from codegen.emit.comments import CAUTIONS
from codegen.pipeline import Progress, ship
from codegen.shipment import Shipment
from codegen.target.audit import HEADINGS as COST_HEADINGS
from codegen.target.audit import audit_rows
from codegen.target.firmware import project_folder


@click.command(name="ship")
@click.argument("build", type=FILE)
@click.option("-o", "--output", "folder", required=True, type=FILE, metavar="OUT", help="Folder for the files.")
@click.option("--target", "targets", multiple=True, metavar="MCU", help="Microcontroller; may be repeated (default: the build's).")
@clock_option
@click.option("--defects", is_flag=True, help="Plant defects into the C, to see how strong the checks are (some minutes).")
@common
def ship_command(
    screen: Screen, build: Path, folder: Path, targets: tuple[str, ...], clocks: Clocks, defects: bool
) -> int:
    """Do it all: from BUILD to C, firmware, test vectors, evidence and report in OUT."""
    with screen.progress() as move:
        shipments = ship(build, folder, targets, Progress(move), clocks=read_clocks(clocks), defects=defects)
    for shipment in shipments:
        part = shipment.realisation
        title = f"{shipment.graph.title} on {part.target.name}"
        if shipment.design is not None:
            screen.table(f"{title}: goals", VERDICT_HEADINGS, verdict_rows(shipment.design.verdicts))
        screen.table(f"{title}: error bounds", BOUND_HEADINGS, bound_rows(_shown_bounds(shipment)))
        on_target = shipment.checks.target
        if on_target is not None and on_target.costs is not None:
            screen.table(f"{title}: cycles of a tick, share of the loop period, memory", COST_HEADINGS, audit_rows([on_target.costs]))
        screen.table(f"{title}: checks", CHECK_HEADINGS, check_rows(shipment))
        if shipment.checks.defects is not None:
            screen.table(f"{title}: planted defects", DEFECT_HEADINGS, defect_rows(shipment.checks.defects))
        for note in on_target.missing if on_target is not None else ():
            screen.say(note, "yellow")
        for failure in shipment.failures:
            screen.say(f"does not hold: {failure}", "bold red")
    name = shipments[0].graph.name
    first = shipments[0]
    on_target = first.checks.target
    has_firmware = on_target is not None and on_target.clock.hz is not None
    firmware = f", {project_folder(first.realisation.target)}/" if has_firmware else ""
    screen.say(f"written: {folder / name}.c, {name}.h, evidence.json, report.html, vectors.csv{firmware}")
    for line in CAUTIONS:
        screen.say(line)
    failures = [failure for shipment in shipments for failure in shipment.failures]
    screen.document(
        {
            "written": str(folder),
            "targets": [shipment.realisation.target.name for shipment in shipments],
            "holds": not failures,
            "failures": failures,
        }
    )
    return FAILED if failures else HOLDS


def _shown_bounds(shipment: Shipment) -> list[SignalBound]:
    part = shipment.realisation
    shown = [part.one_tick[output.signal] for output in shipment.graph.outputs if output.signal in part.one_tick]
    return [*shown, *(part.loop.bounds.values() if part.loop is not None else [])]
