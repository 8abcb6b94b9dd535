"""The command ``measure``: bench logs into the numbers of a build file."""

from __future__ import annotations

from pathlib import Path

import click

from codegen.bench import KINDS, Conflict, Estimate, Measurement, guide_text
from codegen.build import Quantity, read_build
from codegen.cli.command import FAILED, FILE, HOLDS, common
from codegen.cli.screen import Screen
from codegen.emit.comments import CAUTIONS
from codegen.errors import LoopwrightError
from codegen.pipeline.measure import Measured, measure
from codegen.pipeline.progress import Progress

# From here on a fit's own interval would have been far too narrow, and the user is told.
NOTABLE_INFLATION = 1.5


@click.command(name="measure")
@click.argument("logs", nargs=-1, type=FILE, metavar="LOG...")
@click.option(
    "-o", "--output", "build", type=FILE, metavar="BUILD.toml", help="Build file to put the numbers into (loopwright new makes one)."
)
@click.option("--kind", type=click.Choice(KINDS), help="Kind of experiment of all logs given (default: each log's own, else recognised).")
@click.option("--guide", is_flag=True, help="Say which experiments to do, in which order, for how long, with which cautions.")
@common
def measure_command(screen: Screen, logs: tuple[Path, ...], build: Path | None, kind: str | None, guide: bool) -> int:
    """Turn bench logs (CSV) into measured parameters with intervals, and put them into BUILD.toml.

    Comments and layout of the build file stay. Beside it appears one picture per log, with data, fit and residual. The exit status is 1 if
    two experiments contradict each other (the file is written all the same, with intervals that hold both).
    """
    if guide:
        text = guide_text(read_build(build) if build is not None else None)
        for line in text.splitlines():
            screen.say(line)
        screen.document({"guide": text})
        return HOLDS
    if not logs:
        raise LoopwrightError("no log is given", "measure", "give CSV logs, or ask for loopwright measure --guide")
    if build is None:
        raise LoopwrightError("no build file is given", "measure", "name it with -o BUILD.toml; loopwright new FOLDER makes one")
    with screen.progress() as move:
        measured = measure(logs, build, kind, Progress(move))
    _show(screen, measured, build)
    screen.document(_document(measured, build))
    return HOLDS if measured.measurement.consistent else FAILED


def _show(screen: Screen, measured: Measured, build: Path) -> None:
    measurement = measured.measurement
    for experiment in measurement.experiments:
        misfit = "" if experiment.misfit is None else f"; residual {experiment.misfit:.2g} times the gyro's noise"
        screen.say(f"{experiment.file_name} ({experiment.kind}): {experiment.headline}{misfit}", "bold")
        for note in experiment.notes:
            screen.say(f"  - {note}")
    screen.say("")
    screen.table(
        "Machine", ("number", "value", "95 % interval", "to", "unit", "rests on"), [_derived_row(e) for e in measurement.derived.values()]
    )
    screen.table("Written into the build file", ("key", "was", "is", "95 % interval", "unit", "rests on"), _parameter_rows(measurement))
    inflated = [p for p in measurement.parameters if p.inflation > NOTABLE_INFLATION]
    if inflated:
        named = ", ".join(f"{p.key} ({p.inflation:.2g}x)" for p in inflated)
        screen.say(f"the residuals show what the model lacks; intervals wider than the fit alone would state: {named}")
    screen.say("intervals of inertias, torque and friction include 1.5 % for effects that no residual shows (ripple, scales, ...)")
    for note in measurement.notes:
        screen.say(f"note: {note}")
    otherwise = [conflict for conflict in measurement.conflicts if not conflict.serious]
    if otherwise:
        screen.table(
            "What the build file said otherwise", ("number", "file", "bench", "unit", "apart", "remark"), [_file_row(c) for c in otherwise]
        )
    for conflict in measurement.conflicts:
        if conflict.serious:
            screen.say(_conflict_line(conflict), "bold red")
    for path in measured.pictures:
        screen.say(f"picture: {path}")
    screen.say(f"written: {build}")
    for line in CAUTIONS:
        screen.say(line)


def _apart(conflict: Conflict) -> str:
    return f"{conflict.sigmas:.1f} sigma" if conflict.sigmas < 100 else "far"


def _file_row(conflict: Conflict) -> tuple[str, ...]:
    values = f"{conflict.second_value:.5g}", f"{conflict.first_value:.5g}"
    return conflict.what, *values, conflict.unit, _apart(conflict), conflict.remedy


def _conflict_line(conflict: Conflict) -> str:
    return (
        f"contradiction: {conflict.what}: {conflict.first_value:.5g} ({conflict.first}) against {conflict.second_value:.5g} "
        f"{conflict.unit} ({conflict.second}), {_apart(conflict)} apart; {conflict.remedy}"
    )


def _derived_row(estimate: Estimate) -> tuple[str, ...]:
    share = f"{100 * estimate.total / abs(estimate.value):.2g} %" if estimate.value else "-"
    interval = f"{estimate.low:.5g} ... {estimate.high:.5g}"
    return estimate.name, f"{estimate.value:.5g}", interval, share, estimate.unit, estimate.source


def _parameter_rows(measurement: Measurement) -> list[tuple[str, ...]]:
    return [
        (f"{p.table}.{p.key}", _was(p.old), f"{p.value:.5g}", f"{p.low:.5g} ... {p.high:.5g}", p.unit, p.source)
        for p in measurement.parameters
    ]


def _was(old: Quantity | None) -> str:
    if old is None:
        return "-"
    return f"{old.value:.5g}" if old.low == old.high else f"{old.value:.5g} ({old.low:.5g} ... {old.high:.5g})"


def _document(measured: Measured, build: Path) -> dict[str, object]:
    measurement = measured.measurement
    return {
        "written": str(build),
        "pictures": [str(path) for path in measured.pictures],
        "consistent": measurement.consistent,
        "experiments": [
            {
                "log": e.file_name,
                "kind": e.kind,
                "headline": e.headline,
                "notes": list(e.notes),
                "misfit": e.misfit,
                "ratios": {key: _estimate(ratio) for key, ratio in e.ratios.items()},
            }
            for e in measurement.experiments
        ],
        "machine": {key: _estimate(estimate) for key, estimate in measurement.derived.items()},
        "parameters": [
            {
                "key": f"{p.table}.{p.key}",
                "unit": p.unit,
                "value": p.value,
                "low": p.low,
                "high": p.high,
                "old": None if p.old is None else {"value": p.old.value, "low": p.old.low, "high": p.old.high},
                "rests_on": p.source,
                "inflation": p.inflation,
            }
            for p in measurement.parameters
        ],
        "conflicts": [
            {
                "what": c.what,
                "unit": c.unit,
                "between": [[c.first, c.first_value], [c.second, c.second_value]],
                "sigmas": c.sigmas,
                "serious": c.serious,
                "remedy": c.remedy,
            }
            for c in measurement.conflicts
        ],
        "notes": list(measurement.notes),
    }


def _estimate(estimate: Estimate) -> dict[str, object]:
    return {
        "value": estimate.value,
        "low": estimate.low,
        "high": estimate.high,
        "unit": estimate.unit,
        "rests_on": estimate.source,
        "inflation": estimate.inflation,
        "floor": estimate.floor,
    }
