"""The command ``diagnose``: why does it tremble, and why did it stop."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import click

from codegen.cli.command import FAILED, FILE, HOLDS, common
from codegen.cli.screen import Screen
from codegen.diagnosis import Diagnosis
from codegen.emit.comments import CAUTIONS
from codegen.errors import LoopwrightError
from codegen.pipeline import Progress, write_files
from codegen.pipeline.diagnose import Diagnosed, diagnose_robot, diagnose_simulated
from codegen.report.wording import percent

SHOWN_SHARE = 0.01


@click.command(name="diagnose")
@click.argument("build", type=FILE)
@click.argument("log", type=FILE, required=False)
@click.option("--simulate", is_flag=True, help="Diagnose the simulated machine instead of a log.")
@click.option("--on", "machine", type=FILE, metavar="F", help="With --simulate: fly this build file's machine.")
@click.option("--source", type=FILE, metavar="EDITED.c", help="The C that the robot runs, if it is not the one that BUILD gives.")
@click.option("--target", metavar="MCU", help="Microcontroller whose C the robot runs (default: the build's).")
@click.option("--oldest", type=click.IntRange(min=0), default=0, show_default=True, help="Of a memory dump: board_trace_next.")
@click.option("--picture", type=FILE, metavar="F", help="Draw the spectrum and the shares into this SVG file.")
@common
def diagnose_command(
    screen: Screen,
    build: Path,
    log: Path | None,
    simulate: bool,
    machine: Path | None,
    source: Path | None,
    target: str | None,
    oldest: int,
    picture: Path | None,
) -> int:
    """Say why the machine of BUILD trembles or stopped, from its LOG of every tick.

    LOG is text, one column per member of the controller's inputs and outputs in raw counts (and time_us, if stamped), or a dump (.bin) of
    the firmware's trace ring. Ends with 1 if it stopped or trembles more than its sensors' noise explains.
    """
    if (log is None) == (not simulate):
        raise LoopwrightError("name a LOG, or give --simulate", "loopwright diagnose", "give one of the two")
    if machine is not None and not simulate:
        raise LoopwrightError("--on belongs to --simulate", "loopwright diagnose", "leave it out: the log is of the robot")
    with screen.progress() as move:
        if log is not None:
            found = diagnose_robot(
                build, log, Progress(move), source=source, target=target, oldest=oldest, draw=picture is not None
            )
        else:
            found = diagnose_simulated(build, Progress(move), machine=machine, source=source, target=target, draw=picture is not None)
    if picture is not None and found.picture is not None:
        write_files(picture.parent, {picture.name: found.picture})
    _show(screen, found)
    if picture is not None:
        screen.say(f"picture: {picture}" if found.picture is not None else "no picture: the log is too short to look into its motion")
    for line in CAUTIONS:
        screen.say(line)
    screen.document(_document(found.diagnosis))
    return HOLDS if found.diagnosis.is_calm else FAILED


def _show(screen: Screen, found: Diagnosed) -> None:
    diagnosis = found.diagnosis
    if diagnosis.stop is not None:
        stop = diagnosis.stop
        screen.table(f"{found.title}: why it stopped", ("cause", "evidence", "remedy"), [(stop.name, stop.evidence, stop.remedy)])
    shares = diagnosis.shares
    if shares is not None:
        rows = [
            ("tilt, deg RMS", *(_degrees(value) for value in (shares.motion.sway_rad, shares.expected.sway_rad))),
            ("tilt rate, deg/s RMS", *(_degrees(value) for value in (shares.motion.shake_rad_s, shares.expected.shake_rad_s))),
        ]
        screen.table(f"{found.title}: how much it moves", ("", "as flown", "sensors' noise alone"), rows)
        rows_of_causes = [
            (cause.title, percent(cause.share, 2), cause.evidence, cause.remedy) for cause in diagnosis.causes if cause.share >= SHOWN_SHARE
        ]
        measure = "tilt" if shares.measure == "sway" else "tilt rate"
        screen.table(f"Why: shares of the variance of the {measure}", ("cause", "share", "evidence", "remedy"), rows_of_causes)
    for note in diagnosis.notes:
        screen.say(f"note: {note}")
    if diagnosis.is_calm:
        screen.say("calm: it moves no more than its sensors' noise makes it")
    else:
        screen.say(f"first: {diagnosis.first}", "bold")


def _degrees(value: float) -> str:
    return "falls" if math.isinf(value) else f"{math.degrees(value):.3g}"


def _document(diagnosis: Diagnosis) -> dict[str, Any]:
    shares, estimated, stop = diagnosis.shares, diagnosis.estimated, diagnosis.stop

    def number(value: float) -> float | None:
        return value if math.isfinite(value) else None

    return {
        "first": diagnosis.first,
        "calm": diagnosis.is_calm,
        "stop": None if stop is None else {"tick": stop.tick, "name": stop.name, "evidence": stop.evidence, "remedy": stop.remedy},
        "measure": None if shares is None else shares.measure,
        "motion": None if shares is None else {name: number(value) for name, value in vars(shares.motion).items()},
        "expected": None if shares is None else {name: number(value) for name, value in vars(shares.expected).items()},
        "causes": [
            {"name": cause.name, "title": cause.title, "share": cause.share, "evidence": cause.evidence, "remedy": cause.remedy}
            for cause in diagnosis.causes
        ],
        "gyro_noise": None if estimated is None else estimated.gyro_noise,
        "accelerometer_noise": None if estimated is None else estimated.accelerometer_noise,
        "replays": None if diagnosis.replay is None else diagnosis.replay.holds,
        "notes": list(diagnosis.notes),
    }
