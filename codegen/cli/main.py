"""Commands and arguments.

Takes the command line, calls the pipeline, prints, and ends with 0 (all holds), 1 (a check failed) or 2 (bad input or usage).
"""

from __future__ import annotations

import math
from pathlib import Path

import click

from codegen.bounds import SignalBound
from codegen.ci import annotation_lines, junit_text, sarif_text
from codegen.cli.command import FAILED, FILE, HOLDS, common
from codegen.cli.screen import Screen
from codegen.cli.tables import (
    BOUND_HEADINGS,
    CHECK_HEADINGS,
    FINDING_HEADINGS,
    FLIGHT_HEADINGS,
    MARGIN_HEADINGS,
    VERDICT_HEADINGS,
    bound_rows,
    check_rows,
    finding_rows,
    flight_rows,
    gain_rows,
    limit_rows,
    margin_rows,
    verdict_rows,
)
from codegen.emit.comments import CAUTIONS
from codegen.errors import LoopwrightError
from codegen.pipeline import Progress, design_build, ship, simulate_build, verify, write_files
from codegen.plant import Scenario
from codegen.shipment import Shipment
from codegen.starter import starter_build
from codegen.version import VERSION

CONTEXT = {"help_option_names": ["--help"], "max_content_width": 110}


@click.group(context_settings=CONTEXT)
@click.version_option(VERSION, prog_name="loopwright")
def main() -> None:
    """From bench measurements of a small balancing machine to proven fixed-point C on its microcontroller.

    A spinning wheel, a motor and a battery can hurt: guard or cage the wheel, wear eye protection, limit the current, tether the
    first run, and disconnect the battery before touching the machine.
    """


BUILD = click.argument("build", type=click.Path(path_type=Path))


@main.command()
@click.argument("folder", type=click.Path(path_type=Path))
@common
def new(screen: Screen, folder: Path) -> int:
    """Start a build: write an example build file into FOLDER, to be filled with your own numbers."""
    name, text = starter_build()
    place = folder / name
    if place.exists():
        raise LoopwrightError("there is a build file already", str(place), "name another folder")
    write_files(folder, {name: text})
    screen.say(f"{place} written; fill in your own numbers, then: loopwright ship {place} -o {folder / 'shipped'}")
    screen.document({"written": [str(place)]})
    return HOLDS


@main.command()
@BUILD
@common
def design(screen: Screen, build: Path) -> int:
    """Show what the machine of BUILD can do, and choose the controller's gains."""
    designed = design_build(build)
    chosen = designed.design
    screen.table(f"{designed.build.title}: what the machine can do", ("limit", "value", "unit"), limit_rows(chosen))
    screen.table("Goals", VERDICT_HEADINGS, verdict_rows(chosen.verdicts))
    screen.table("Gains", ("gain", "value", "unit"), gain_rows(chosen))
    screen.table("Why", ("number", "reason"), [*chosen.reasons])
    screen.table("Margins at the torque command", MARGIN_HEADINGS, margin_rows(chosen))
    missed = [verdict for verdict in chosen.verdicts if not verdict.holds]
    for verdict in missed:
        screen.say(f"missed: {verdict.goal}: {verdict.remedy}", "bold red")
    screen.document(
        {
            "name": designed.build.name,
            "limits": {label: [value, unit] for label, value, unit in limit_rows(chosen)},
            "gains": {label: [value, unit] for label, value, unit in gain_rows(chosen)},
            "margins": [dict(zip(MARGIN_HEADINGS, row, strict=True)) for row in margin_rows(chosen)],
            "goals": [
                {"goal": v.goal, "wanted": v.wanted, "reached": v.reached, "unit": v.unit, "holds": v.holds, "remedy": v.remedy}
                for v in chosen.verdicts
            ],
        }
    )
    return FAILED if missed else HOLDS


@main.command()
@BUILD
@click.option("--emitted", is_flag=True, help="Fly the emitted C instead of the float64 reference.")
@click.option("--target", "target", default=None, metavar="MCU", help="Word rules of the emitted C (default: the build's).")
@click.option("--hours", type=click.FloatRange(min=0.0, min_open=True, max=10_000.0), help="Simulated hours (default: one minute).")
@click.option("--poke", "pokes", multiple=True, type=(float, float), metavar="S NMS", help="At S seconds a poke of NMS N m s.")
@click.option("--offset-deg", type=float, default=1.5, show_default=True, help="Balance angle against the sensor's zero.")
@click.option("--bias-dps", type=float, default=0.5, show_default=True, help="Gyro bias.")
@click.option("--tilt-deg", type=float, default=0.0, show_default=True, help="Tilt at which the body is let go.")
@click.option("--wheel-rad-s", type=float, default=0.0, show_default=True, help="Wheel speed at the start.")
@click.option("--seed", type=click.IntRange(0, 2**31 - 1), default=1, show_default=True, help="Seed of the noise.")
@click.option("--picture", type=click.Path(path_type=Path), help="Draw tilt, wheel speed and torque into this SVG file.")
@common
def simulate(
    screen: Screen,
    build: Path,
    emitted: bool,
    target: str | None,
    hours: float | None,
    pokes: tuple[tuple[float, float], ...],
    offset_deg: float,
    bias_dps: float,
    tilt_deg: float,
    wheel_rad_s: float,
    seed: int,
    picture: Path | None,
) -> int:
    """Fly the controller on the simulated machine of BUILD."""
    scenario = Scenario(
        60.0 if hours is None else 3600.0 * hours,
        seed=seed,
        tilt_rad=math.radians(tilt_deg),
        wheel_rad_s=wheel_rad_s,
        hold_s=0.3,
        arm_s=0.3,
        pokes=pokes,
        balance_offset_rad=math.radians(offset_deg),
        gyro_bias_rad_s=math.radians(bias_dps),
        statistics_from_s=min(30.0, 0.5 * (60.0 if hours is None else 3600.0 * hours)),
    )
    with screen.progress() as move:
        flight, plant, drawing = simulate_build(
            build, scenario, Progress(move), emitted=emitted, target=target, draw=picture is not None
        )
    if picture is not None and drawing is not None:
        write_files(picture.parent, {picture.name: drawing})
        screen.say(f"picture: {picture}")
    rows = flight_rows(flight, plant)
    screen.table("Flight of the " + ("emitted C" if emitted else "float64 reference"), FLIGHT_HEADINGS, rows)
    screen.document({"flight": {label: [value, unit] for label, value, unit in rows}, "stands": flight.stands})
    return HOLDS if flight.stands and not flight.tripped else FAILED


@main.command(name="ship")
@BUILD
@click.option("-o", "--output", "folder", required=True, type=click.Path(path_type=Path), metavar="OUT", help="Folder for the files.")
@click.option("--target", "targets", multiple=True, metavar="MCU", help="Word rules; may be repeated (default: the build's).")
@common
def ship_command(screen: Screen, build: Path, folder: Path, targets: tuple[str, ...]) -> int:
    """Do it all: from BUILD to C, test vectors, evidence and report in OUT."""
    with screen.progress() as move:
        shipments = ship(build, folder, targets, Progress(move))
    for shipment in shipments:
        part = shipment.realisation
        title = f"{shipment.graph.title} on {part.target.name}"
        if shipment.design is not None:
            screen.table(f"{title}: goals", VERDICT_HEADINGS, verdict_rows(shipment.design.verdicts))
        screen.table(f"{title}: error bounds", BOUND_HEADINGS, bound_rows(_shown_bounds(shipment)))
        screen.table(f"{title}: checks", CHECK_HEADINGS, check_rows(shipment))
        for failure in shipment.failures:
            screen.say(f"does not hold: {failure}", "bold red")
    name = shipments[0].graph.name
    screen.say(f"written: {folder / name}.c, {name}.h, evidence.json, report.html, vectors.csv")
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


@main.command(name="verify")
@click.argument("folder", metavar="OUT", type=FILE)
@click.option("--source", type=FILE, metavar="EDITED.c", help="Judge this C text instead of the one in OUT.")
@click.option("--ticks", type=click.IntRange(1000, 10**10), default=10_000_000, show_default=True, help="Ticks to compare.")
@click.option("--seed", type=click.IntRange(0, 2**31 - 1), default=1, show_default=True, help="Seed of all draws.")
@click.option("--seconds", type=click.FloatRange(min=1.0), metavar="BUDGET", help="Begin nothing more after this time.")
@click.option("--junit", type=FILE, metavar="F", help="Write JUnit XML into this file.")
@click.option("--sarif", type=FILE, metavar="F", help="Write SARIF 2.1.0 into this file.")
@click.option("--annotations", is_flag=True, help="Print lines that hosted CI shows beside the changed lines.")
@click.option("--baseline", type=FILE, metavar="EVIDENCE.json", help="Name every figure that is worse than in this evidence.")
@common
def verify_command(
    screen: Screen,
    folder: Path,
    source: Path | None,
    ticks: int,
    seed: int,
    seconds: float | None,
    junit: Path | None,
    sarif: Path | None,
    annotations: bool,
    baseline: Path | None,
) -> int:
    """Check the C in OUT (or an edited one) against its design: properties, bits, bounds, undefined behaviour, faults, flights.

    OUT may also be the contract file (TOML) of a controller written by hand.
    """
    with screen.progress() as move:
        verdict = verify(folder, source, Progress(move), ticks=ticks, seed=seed, seconds=seconds, baseline=baseline)
    screen.table(f"{verdict.name}: checks", FINDING_HEADINGS, finding_rows(verdict.findings))
    for finding in verdict.findings:
        if finding.status == "broken" and finding.detail:
            screen.say(f"{finding.name}: {finding.detail}\n")
    for program in [finding.program for finding in verdict.findings if finding.program][:1]:
        screen.say(f"A C program that fails as long as the first of these is broken:\n\n{program}")
    for text in (*verdict.failures, *(f"worse than the baseline: {figure}" for figure in verdict.worse)):
        screen.say(f"does not hold: {text}", "bold red")
    for text in verdict.left_out:
        screen.say(f"left out for want of time: {text}")
    holds = not verdict.failures and not verdict.worse
    if holds:
        screen.say("all holds")
    if junit is not None:
        write_files(junit.parent, {junit.name: junit_text(verdict.name, verdict.findings)})
    if sarif is not None:
        write_files(sarif.parent, {sarif.name: sarif_text(verdict.findings)})
    if annotations:
        for line in annotation_lines(verdict.findings):
            screen.raw(line)
    screen.document(
        {
            "holds": holds,
            "failures": list(verdict.failures),
            "worse": list(verdict.worse),
            "left_out": list(verdict.left_out),
            "findings": [
                {"name": f.name, "status": f.status, "count": f.count, "message": f.message, "file": f.file, "line": f.line}
                for f in verdict.findings
            ],
        }
    )
    return HOLDS if holds else FAILED
