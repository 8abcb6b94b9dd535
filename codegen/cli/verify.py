"""The command ``verify``: the gate for C that was shipped, edited or written by hand."""

from __future__ import annotations

from pathlib import Path

import click

from codegen.ci import annotation_lines, junit_text, sarif_text
from codegen.cli.command import FAILED, FILE, HOLDS, common
from codegen.cli.screen import Screen
from codegen.cli.tables import DEFECT_HEADINGS, FINDING_HEADINGS, defect_rows, finding_rows
from codegen.pipeline import Progress, verify, write_files


@click.command(name="verify")
@click.argument("folder", metavar="OUT", type=FILE)
@click.option("--source", type=FILE, metavar="EDITED.c", help="Judge this C text instead of the one in OUT.")
@click.option("--ticks", type=click.IntRange(1000, 10**10), default=10_000_000, show_default=True, help="Ticks to compare.")
@click.option("--seed", type=click.IntRange(0, 2**31 - 1), default=1, show_default=True, help="Seed of all draws.")
@click.option("--seconds", type=click.FloatRange(min=1.0), metavar="BUDGET", help="Begin nothing more after this time.")
@click.option("--junit", type=FILE, metavar="F", help="Write JUnit XML into this file.")
@click.option("--sarif", type=FILE, metavar="F", help="Write SARIF 2.1.0 into this file.")
@click.option("--annotations", is_flag=True, help="Print lines that hosted CI shows beside the changed lines.")
@click.option("--baseline", type=FILE, metavar="EVIDENCE.json", help="Name every figure that is worse than in this evidence.")
@click.option("--defects", is_flag=True, help="Plant defects into the C, to see how strong these checks are (some minutes).")
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
    defects: bool,
) -> int:
    """Check the C in OUT (or an edited one) against its design: properties, bits, bounds, undefined behaviour, faults, flights.

    OUT may also be the contract file (TOML) of a controller written by hand.
    """
    with screen.progress() as move:
        verdict = verify(
            folder, source, Progress(move), ticks=ticks, seed=seed, seconds=seconds, baseline=baseline, defects=defects
        )
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
    report = verdict.shipment.checks.defects if verdict.shipment is not None else None
    if report is not None:
        screen.table(f"{verdict.name}: planted defects", DEFECT_HEADINGS, defect_rows(report))
    if verdict.renewed:
        screen.say(f"written anew, with the kill table: {', '.join(str(folder / name) for name in verdict.renewed)}")
    elif verdict.kept:
        screen.say(f"evidence and report stay as they are: {verdict.kept}")
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
            "defects": None if report is None else report.evidence(),
            "renewed": list(verdict.renewed),
            "findings": [
                {"name": f.name, "status": f.status, "count": f.count, "message": f.message, "file": f.file, "line": f.line}
                for f in verdict.findings
            ],
        }
    )
    return HOLDS if holds else FAILED
