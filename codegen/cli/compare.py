"""The command ``compare``: a robot's log against what was shipped and predicted."""

from __future__ import annotations

import math
from dataclasses import asdict
from pathlib import Path

import click

from codegen.cli.command import FAILED, FILE, HOLDS, common
from codegen.cli.screen import Screen
from codegen.pipeline import Progress
from codegen.pipeline.compare import Comparison, compare_robot
from codegen.report.wording import figure, span, with_unit
from codegen.telemetry.comparison import comparison_document


@click.command(name="compare")
@click.argument("folder", metavar="OUT", type=FILE)
@click.argument("log", type=FILE)
@click.option("--since", type=FILE, metavar="F", help="An earlier log, or the JSON of an earlier comparison: say what changed.")
@click.option("--oldest", type=click.IntRange(min=0), default=0, show_default=True, help="Of a memory dump: board_trace_next.")
@common
def compare_command(screen: Screen, folder: Path, log: Path, since: Path | None, oldest: int) -> int:
    """Compare a robot's LOG of every tick with the C and the prediction in OUT.

    The C is run on the log's readings and must command what the robot did, bit for bit. Balance angle, gyro bias, latency, friction,
    torque scale and margins are shown as flown beside what was stated. LOG is text, one column per member of the controller's inputs and
    outputs in raw counts (and time_us, if stamped), or a dump (.bin) of the firmware's trace ring.
    """
    with screen.progress() as move:
        found = compare_robot(folder, log, Progress(move), since=since, oldest=oldest)
    _show(screen, found)
    for failure in found.failures:
        screen.say(f"does not hold: {failure}", "bold red")
    if not found.failures:
        screen.say("all holds")
    difference = found.replay.difference
    screen.document(
        {
            **comparison_document(found.compared),
            "name": found.name,
            "holds": not found.failures,
            "failures": list(found.failures),
            "replayed_ticks": found.replay.ticks,
            "starts_in_flight": found.replay.starts_in_flight,
            "difference": None if difference is None else asdict(difference),
            "changes": [asdict(change) for change in found.changes],
            "notes": list(found.notes),
        }
    )
    return FAILED if found.failures else HOLDS


def _show(screen: Screen, found: Comparison) -> None:
    replay = found.replay
    if replay.starts_in_flight:
        outcome = "the log begins in flight: nothing can be said"
    elif replay.difference is None:
        outcome = "every output equal, bit for bit"
    else:
        outcome = replay.difference.message()
    screen.table(f"{found.name}: the C on the log's readings", ("ticks", "outcome"), [(str(replay.ticks), outcome)])
    rows = [
        (
            one.name,
            "" if math.isnan(one.stated) else _interval(one.stated, one.stated_low, one.stated_high, one.unit),
            _interval(one.found, one.found_low, one.found_high, one.unit),
            "" if not one.judged else "yes" if one.agrees else "no",
        )
        for one in found.compared
    ]
    if rows:
        screen.table(f"{found.name}: as stated and as flown", ("quantity", "stated or designed", "as flown", "agrees"), rows)
    if found.changes:
        changed = [
            (change.name, with_unit(change.before, change.unit), with_unit(change.now, change.unit), "yes" if change.is_real else "")
            for change in found.changes
        ]
        screen.table("Since the earlier log", ("quantity", "then", "now", "changed"), changed)
    for note in found.notes:
        screen.say(f"note: {note}")


def _interval(value: float, low: float, high: float, unit: str) -> str:
    text = with_unit(value, unit)
    return text if low == high or not math.isfinite(value) else f"{figure(value)} ({span(low, high)}){'' if unit == '1' else f' {unit}'}"
