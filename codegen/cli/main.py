"""Commands and arguments.

Takes the command line, calls the pipeline, prints, and ends with 0 (all holds), 1 (a check failed) or 2 (bad input or usage).
"""

from __future__ import annotations

import math
from pathlib import Path

import click

from codegen.build import MACHINES
from codegen.cli.audit import audit_command
from codegen.cli.command import FAILED, FILE, HOLDS, common
from codegen.cli.compare import compare_command
from codegen.cli.design import design_command
from codegen.cli.diagnose import diagnose_command
from codegen.cli.measure import measure_command
from codegen.cli.robust import robust_command
from codegen.cli.screen import Screen
from codegen.cli.ship import ship_command
from codegen.cli.tables import FLIGHT_HEADINGS, flight_rows
from codegen.cli.verify import verify_command
from codegen.errors import LoopwrightError
from codegen.pipeline import Progress, simulate_build, write_files
from codegen.plant import Scenario
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
@click.option("--machine", type=click.Choice(MACHINES), default=MACHINES[0], show_default=True, help="Kind of machine.")
@common
def new(screen: Screen, folder: Path, machine: str) -> int:
    """Start a build: write an example build file into FOLDER, to be filled with your own numbers."""
    name, text = starter_build(machine)
    place = folder / name
    if place.exists():
        raise LoopwrightError("there is a build file already", str(place), "name another folder")
    write_files(folder, {name: text})
    screen.say(f"{place} written; fill in your own numbers, then: loopwright ship {place} -o {folder / 'shipped'}")
    screen.document({"written": [str(place)]})
    return HOLDS


main.add_command(design_command)


@main.command()
@BUILD
@click.option("--emitted", is_flag=True, help="Fly the emitted C instead of the float64 reference.")
@click.option("--target", "target", default=None, metavar="MCU", help="Word rules of the emitted C (default: the build's).")
@click.option("--hours", type=click.FloatRange(min=0.0, min_open=True, max=10_000.0), help="Simulated hours (default: one minute).")
@click.option("--poke", "pokes", multiple=True, type=(float, float), metavar="S NMS", help="At S seconds a poke of NMS N m s.")
@click.option("--on", "machine", type=FILE, metavar="F", help="Fly this build file's machine; the controller stays BUILD's.")
@click.option("--offset-deg", type=float, help="Balance angle against the sensor's zero (default: 1.5, or that of F).")
@click.option("--bias-dps", type=float, help="Gyro bias (default: 0.5, or that of F).")
@click.option("--tilt-deg", type=float, help="Tilt at which the body is let go (default: 0, or where the sensor of F shows none).")
@click.option("--wheel-rad-s", type=float, default=0.0, show_default=True, help="Speed of the wheel (or drive) at the start.")
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
    machine: Path | None,
    offset_deg: float | None,
    bias_dps: float | None,
    tilt_deg: float | None,
    wheel_rad_s: float,
    seed: int,
    picture: Path | None,
) -> int:
    """Fly the controller on the simulated machine of BUILD."""
    own = machine is not None
    offset_deg = 1.5 if offset_deg is None and not own else offset_deg
    bias_dps = 0.5 if bias_dps is None and not own else bias_dps
    scenario = Scenario(
        60.0 if hours is None else 3600.0 * hours,
        seed=seed,
        tilt_rad=0.0 if tilt_deg is None else math.radians(tilt_deg),
        wheel_rad_s=wheel_rad_s,
        hold_s=0.3,
        arm_s=0.3,
        pokes=pokes,
        balance_offset_rad=None if offset_deg is None else math.radians(offset_deg),
        gyro_bias_rad_s=None if bias_dps is None else math.radians(bias_dps),
        statistics_from_s=min(30.0, 0.5 * (60.0 if hours is None else 3600.0 * hours)),
    )
    with screen.progress() as move:
        flight, plant, drawing = simulate_build(
            build,
            scenario,
            Progress(move),
            emitted=emitted,
            target=target,
            draw=picture is not None,
            machine=machine,
            upright_by_sensor=own and tilt_deg is None,
        )
    if picture is not None and drawing is not None:
        write_files(picture.parent, {picture.name: drawing})
        screen.say(f"picture: {picture}")
    rows = flight_rows(flight, plant)
    screen.table("Flight of the " + ("emitted C" if emitted else "float64 reference"), FLIGHT_HEADINGS, rows)
    screen.document({"flight": {label: [value, unit] for label, value, unit in rows}, "stands": flight.stands})
    return HOLDS if flight.stands and not flight.tripped else FAILED


main.add_command(ship_command)
main.add_command(verify_command)
main.add_command(audit_command)
main.add_command(robust_command)
main.add_command(diagnose_command)
main.add_command(compare_command)
main.add_command(measure_command)
