"""``loopwright design``: what the machine can do, what a change buys, and the numbers that were chosen."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from codegen.cli.choice import (
    FRONT_HEADINGS,
    FRONT_NOTE,
    STRUCTURE_HEADINGS,
    STRUCTURE_NOTE,
    front_document,
    front_picture,
    front_rows,
    goal_line,
    structure_document,
    structure_rows,
)
from codegen.cli.command import FAILED, HOLDS, common
from codegen.cli.screen import Screen
from codegen.cli.tables import (
    BOUND_SPREAD_HEADINGS,
    CHANGE_HEADINGS,
    MARGIN_HEADINGS,
    VERDICT_HEADINGS,
    best_change_lines,
    bound_spread_rows,
    change_rows,
    gain_rows,
    margin_rows,
    rolling_gain_rows,
    rolling_limit_rows,
    verdict_rows,
)
from codegen.design.change import weigh_changes
from codegen.design.kinds import AnyDesign
from codegen.design.laws import uses
from codegen.design.rolling import RollingDesign
from codegen.design.spread import spread_limits
from codegen.pipeline import Designed, Progress, design_machine, write_files
from codegen.pipeline.choose import choose_front, compare_structures

BUILD = click.argument("build", type=click.Path(path_type=Path))


@click.command(name="design")
@BUILD
@click.option("--structures", is_flag=True, help="Set all structures on offer side by side on this machine (a minute or two).")
@click.option("--front", is_flag=True, help="Weigh calm against pokes: the best free numbers of the structure (a minute or two).")
@click.option("--picture", type=click.Path(path_type=Path), metavar="F", help="With --front: draw the front into this SVG file.")
@common
def design_command(screen: Screen, build: Path, structures: bool, front: bool, picture: Path | None) -> int:
    """Show what the machine of BUILD can do, what each change of it would buy, and choose the controller's gains."""
    if structures and front:
        raise click.UsageError("--structures and --front are two questions: ask them one after the other")
    if picture is not None and not front:
        raise click.UsageError("--picture belongs to --front")
    if structures:
        return _show_structures(screen, build)
    if front:
        return _show_front(screen, build, picture)
    designed = design_machine(build)
    document: dict[str, Any] = {"name": designed.build.name}
    if isinstance(designed, Designed):
        _show_limits(screen, designed, document)
    elif isinstance(designed.design, RollingDesign):
        _show_rolling_limits(screen, designed.build.title, designed.design, document)
    missed = _show_choice(screen, designed.design, document)
    screen.document(document)
    return FAILED if missed else HOLDS


def _show_limits(screen: Screen, designed: Designed, document: dict[str, Any]) -> None:
    bounds = spread_limits(designed.build, designed.plant)
    now, effects = weigh_changes(designed.build)
    title = f"{designed.build.title}: what no controller can beat"
    screen.table(title, BOUND_SPREAD_HEADINGS, bound_spread_rows(bounds))
    screen.table("What a single change of the machine buys", CHANGE_HEADINGS, change_rows(now, effects))
    for line in best_change_lines(effects):
        screen.say(line)
    screen.say("")
    document["limits"] = {
        bound.name: {
            "low": bound.low,
            "value": bound.value,
            "high": bound.high,
            "unit": bound.unit,
            "what": bound.words,
            "method": bound.method,
            "low_at": bound.corners,
        }
        for bound in bounds
    }
    document["changes"] = {
        effect.name: {"what": effect.words, "relative": dict(effect.changes), "figures": vars(effect.figures)} for effect in effects
    }
    document["figures"] = vars(now)


def _show_rolling_limits(screen: Screen, title: str, design: RollingDesign, document: dict[str, Any]) -> None:
    rows = rolling_limit_rows(design)
    screen.table(f"{title}: what no controller can beat", ("bound", "value", "unit"), rows)
    document["limits"] = {label: [value, unit] for label, value, unit in rows}


def _show_choice(screen: Screen, chosen: AnyDesign, document: dict[str, Any]) -> bool:
    """Show the chosen design; whether a goal is missed."""
    gains = rolling_gain_rows(chosen) if isinstance(chosen, RollingDesign) else gain_rows(chosen)
    screen.table("Goals", VERDICT_HEADINGS, verdict_rows(chosen.verdicts))
    screen.table("Gains", ("gain", "value", "unit"), gains)
    reasons = chosen.reasons if isinstance(chosen, RollingDesign) else [pair for pair in chosen.reasons if uses(chosen.law, pair[0])]
    screen.table("Why", ("number", "reason"), [*reasons])
    screen.table("Margins at the torque command", MARGIN_HEADINGS, margin_rows(chosen))
    missed = [verdict for verdict in chosen.verdicts if not verdict.holds]
    for verdict in missed:
        screen.say(f"missed: {verdict.goal}: {verdict.remedy}", "bold red")
    document["gains"] = {label: [value, unit] for label, value, unit in gains}
    document["margins"] = [dict(zip(MARGIN_HEADINGS, row, strict=True)) for row in margin_rows(chosen)]
    document["goals"] = [
        {"goal": v.goal, "wanted": v.wanted, "reached": v.reached, "unit": v.unit, "holds": v.holds, "remedy": v.remedy}
        for v in chosen.verdicts
    ]
    return bool(missed)


def _show_structures(screen: Screen, path: Path) -> int:
    with screen.progress() as move:
        build, rows = compare_structures(path, Progress(move))
    title = f"{build.title}: structures on offer, flown with the emitted C ({build.target.mcu} words)"
    screen.table(title, STRUCTURE_HEADINGS, structure_rows(rows))
    for row in rows:
        screen.say(f"{row.structure.title}: {row.structure.words}" + (f" (not here: {row.reason})" if row.reason else ""))
    screen.say("")
    screen.say(STRUCTURE_NOTE)
    screen.document({"name": build.name, "structures": [structure_document(row) for row in rows]})
    return HOLDS


def _show_front(screen: Screen, path: Path, picture: Path | None) -> int:
    with screen.progress() as move:
        front = choose_front(path, Progress(move))
    title = f"{front.build.title}: calm against pokes, {front.structure.title}"
    if picture is not None:
        write_files(picture.parent, {picture.name: front_picture(f"calm against pokes: {front.structure.title}", front)})
        screen.say(f"picture: {picture}")
    screen.table(title, FRONT_HEADINGS, front_rows(front))
    screen.say(FRONT_NOTE)
    screen.say(goal_line(front))
    screen.say("")
    screen.say("for the build file, to get the bend:")
    for line in front.design_lines():
        screen.say(f"  {line}")
    screen.document(front_document(front))
    return HOLDS
