"""The command ``audit``: what a shipped controller costs on its microcontroller."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import click

from codegen.cli.clocks import Clocks, clock_option, read_clocks
from codegen.cli.command import FAILED, FILE, HOLDS, common
from codegen.cli.screen import Screen
from codegen.cli.tables import number
from codegen.pipeline.audit import AuditedTarget, audit_shipment
from codegen.pipeline.progress import Progress
from codegen.target.audit import HEADINGS, Rows, audit_rows
from codegen.target.build import Optimise

MARGIN_HEADINGS = ("target", "margin", "as designed", "with the measured latency", "change")
PATH_HEADINGS = ("line", "cycles", "so far", "C text")
LARGER_IS_WORSE = ("gain margin down", "peak sensitivity")


@click.command(name="audit")
@click.argument("folder", metavar="OUT", type=FILE)
@click.option("--target", "targets", multiple=True, metavar="MCU", help="May be repeated (default: every target that was shipped).")
@clock_option
@click.option("--path", "show_path", is_flag=True, help="Show the longest path as lines of the C text with their cycles.")
@click.option("--variant", default="", metavar="NAME", help='Variant of the core, such as "small multiplier".')
@click.option("--optimise", type=click.Choice(["Os", "O2"]), default="Os", show_default=True, help="Optimisation of the controller.")
@click.option("--compiler", type=click.Choice(["gcc", "zig"]), help="Which compiler (default: the first that is installed).")
@click.option("--tries", type=click.IntRange(0, 10**6), default=2000, show_default=True, help="Ticks executed to find the worst; 0: none.")
@click.option("--seed", type=click.IntRange(0, 2**31 - 1), default=1, show_default=True, help="Seed of that search.")
@common
def audit_command(
    screen: Screen,
    folder: Path,
    targets: tuple[str, ...],
    clocks: Clocks,
    show_path: bool,
    variant: str,
    optimise: str,
    compiler: Any,
    tries: int,
    seed: int,
) -> int:
    """Show what the controller in OUT takes on its microcontroller: cycles, share of the loop period, stack, flash, RAM, margins.

    Ends with 1 if a budget of the build file is broken ([target] max_share, max_stack_bytes, max_flash_bytes).
    """
    flag: Optimise = "-O2" if optimise == "O2" else "-Os"
    with screen.progress() as move:
        audited = audit_shipment(
            folder,
            targets,
            Progress(move),
            clocks=read_clocks(clocks),
            variant=variant,
            optimise=flag,
            compiler=compiler,
            tries=tries,
            seed=seed,
        )
    reports = [one.report for one in audited]
    screen.table(f"{folder}: cycles of a tick, share of the loop period, memory", HEADINGS, audit_rows(reports))
    if any(report.margins for report in reports):
        screen.table("Margins: what the measured latency leaves of them", MARGIN_HEADINGS, _margin_rows(audited))
    for one in audited:
        if show_path:
            title = f"{one.report.target.name}: the longest path, {one.report.bound.worst.cycles} cycles"
            screen.table(title, PATH_HEADINGS, _path_rows(one))
        for line in _notes(one):
            screen.say(line)
    broken = [f"{one.report.target.name}: {budget.message()}" for one in audited for budget in one.report.broken]
    for text in broken:
        screen.say(f"does not hold: {text}", "bold red")
    screen.document({"holds": not broken, "broken": broken, "targets": [_document(one, show_path=show_path) for one in audited]})
    return FAILED if broken else HOLDS


def _margin_rows(audited: tuple[AuditedTarget, ...]) -> Rows:
    """Every margin as designed and now, and whether that is a loss, whichever way the figure goes."""
    rows: Rows = []
    for one in audited:
        for name, (designed, now) in one.report.margins.items():
            lost = now - designed if name in LARGER_IS_WORSE else designed - now
            # Without a limit both before and now the difference is no number.
            shown = "none" if not lost or math.isnan(lost) else f"{'lost' if lost > 0 else 'gained'} {number(abs(lost), 2)}"
            rows.append((one.report.target.name, name, number(designed), number(now), shown))
    return rows


def _path_rows(one: AuditedTarget) -> Rows:
    rows: Rows = []
    sofar = 0
    for line in one.path:
        sofar += line.cycles
        rows.append((f"{line.file}:{line.line}" if line.file else "-", str(line.cycles), str(sofar), line.text))
    return rows


def _notes(one: AuditedTarget) -> list[str]:
    report = one.report
    name = report.target.name
    lines = [f"{name}: {report.compiler}, {report.optimise}"]
    if report.latency_s is not None:
        lines.append(f"{name}: latency from sensor to command {1e6 * report.latency_s:.1f} us with the proven computing time")
    if one.clock.note:
        lines.append(f"{name}: {one.clock.note}")
    if not one.shipped:
        lines.append(f"{name} was not shipped: its text was emitted for this audit")
    lines += [f'{name} also comes with the variant "{other}": --variant "{other}"' for other in one.other_variants]
    return lines


def _document(one: AuditedTarget, *, show_path: bool) -> dict[str, Any]:
    report = one.report
    bound = report.bound
    jitter_s = report.seconds_of(report.jitter_cycles)
    document: dict[str, Any] = {
        "target": report.target.name,
        "variant": bound.variant,
        "shipped": one.shipped,
        "compiler": report.compiler,
        "optimise": report.optimise,
        "clock_hz": one.clock.hz,
        "clock_note": one.clock.note,
        "period_s": report.period_s,
        "cycle_bound": bound.worst.cycles,
        "cycle_bound_ordinary": bound.ordinary.cycles,
        "cycle_bound_outer": bound.slow.cycles,
        "measured_ordinary": report.measured_ordinary,
        "measured_outer": report.measured_slow,
        "share_of_period": report.share,
        "jitter_cycles": report.jitter_cycles,
        "jitter_us": None if jitter_s is None else 1e6 * jitter_s,
        "stack_bytes": bound.stack_bytes,
        "flash_bytes": report.flash_bytes,
        "ram_bytes": report.ram_bytes,
        "latency_us": None if report.latency_s is None else 1e6 * report.latency_s,
        "margins": {
            name: {"designed": _finite(designed), "measured": _finite(now)} for name, (designed, now) in report.margins.items()
        },
        "broken": [{"key": broken.what, "allowed": broken.allowed, "found": broken.found} for broken in report.broken],
        "holds": report.holds,
    }
    if show_path:
        document["path"] = [
            {"file": line.file, "line": line.line, "cycles": line.cycles, "instructions": line.instructions, "text": line.text}
            for line in one.path
        ]
    return document


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
