"""The command ``robust``: thousands of machines that the build file allows, flown by the one emitted controller."""

from __future__ import annotations

import math
import shlex
from pathlib import Path
from typing import Any

import click

from codegen.cli.command import FAILED, FILE, HOLDS, common
from codegen.cli.screen import Screen
from codegen.emit.comments import CAUTIONS
from codegen.pipeline import Progress, write_files
from codegen.pipeline.robust import Fleet, FleetResult, flight_options, fly_fleet
from codegen.report.wording import figure, percent
from codegen.robustness import KNOWLEDGE, Influence, Knowledge, Share

MOST_INFLUENCES = 8


@click.command(name="robust")
@click.argument("build", type=FILE)
@click.option("--machines", type=click.IntRange(1, 10**6), default=1000, show_default=True, help="Machines to fly.")
@click.option("--seed", type=click.IntRange(0, 2**31 - 1), default=1, show_default=True, help="Seed of all draws.")
@click.option("--target", metavar="MCU", help="Word rules of the emitted C (default: the build's).")
@click.option(
    "--poke-share",
    type=click.FloatRange(0.0, 2.0),
    default=0.4,
    show_default=True,
    help="Pokes, as a share of the largest that the nominal machine can survive.",
)
@click.option(
    "--knowledge",
    type=click.Choice(KNOWLEDGE),
    default="measured",
    show_default=True,
    help="Where the numbers without an interval come from; the default spreads follow it.",
)
@click.option(
    "--wanted",
    type=click.FloatRange(0.0, 100.0),
    default=99.5,
    show_default=True,
    metavar="PERCENT",
    help="Least share of machines that must survive.",
)
@click.option("--jobs", type=click.IntRange(1, 4096), help="Threads (default: one per core). The outcome does not depend on it.")
@click.option("--cluster", metavar="ADDRESS", help="Let the Dask cluster whose scheduler has this address fly them.")
@click.option("--picture", type=FILE, metavar="F", help="Draw the fleet and its worst machine's flight into this SVG file.")
@click.option("--worst", "worst_file", type=FILE, metavar="F", help="Write the worst machine's build file, to fly it alone.")
@common
def robust_command(
    screen: Screen,
    build: Path,
    machines: int,
    seed: int,
    target: str | None,
    poke_share: float,
    knowledge: Knowledge,
    wanted: float,
    jobs: int | None,
    cluster: str | None,
    picture: Path | None,
    worst_file: Path | None,
) -> int:
    """Fly thousands of machines, drawn from the intervals of BUILD, with its emitted C.

    Each is let go with its balance angle unknown, left alone, then poked from both sides. What has an interval in BUILD is drawn evenly
    from it, the rest from default spreads, which are listed.
    """
    fleet = Fleet(machines, seed, poke_share, knowledge, wanted / 100.0, target, jobs, cluster)
    with screen.progress() as move:
        result = fly_fleet(build, fleet, Progress(move))
    if picture is not None:
        write_files(picture.parent, {picture.name: result.picture()})
    if worst_file is not None:
        write_files(worst_file.parent, {worst_file.name: result.worst_build})
    _show(screen, result)
    if picture is not None:
        screen.say(f"picture: {picture}")
    if worst_file is not None:
        command, files = flight_options(result.worst_flight), [shlex.quote(str(file)) for file in (build, worst_file)]
        screen.say(f"the worst machine alone: loopwright simulate {files[0]} {command} --on {files[1]}")
    for line in CAUTIONS:
        screen.say(line)
    screen.document(_document(result))
    return HOLDS if result.verdict.holds else FAILED


def _show(screen: Screen, result: FleetResult) -> None:
    verdict, order = result.verdict, result.order
    rows = [(each.name, ", ".join(each.written_keys), each.words(), each.source) for each in order.uncertain]
    screen.table("What differs from machine to machine", ("quantity", "key", "drawn", "from"), rows)
    poke = f"pokes of {figure(1e3 * order.poke_n_m_s)} mN m s from both sides"
    shares = [("stand until poked", *_share_cells(verdict.stand)), (f"stand and survive {poke}", *_share_cells(verdict.survive))]
    screen.table(f"{result.title}: {verdict.machines} machines", ("", "machines", "share", "true share, 95 % confidence"), shares)
    spreads = (("largest tilt after a poke, deg", verdict.peak_rad), ("tilt RMS at rest, deg", verdict.tilt_rms_rad))
    figures = [
        (label, *(figure(math.degrees(value)) for value in (spread.median, spread.high, spread.largest)))
        for label, spread in spreads
        if spread is not None
    ]
    screen.table("The machines that stand", ("", "median", "95 % below", "worst"), figures)
    for label, influences in (("largest tilt after a poke", verdict.peak_influences), ("tilt RMS at rest", verdict.rest_influences)):
        deciding = [
            (influence.uncertain.name, percent(influence.share, 2), "worse" if influence.coefficient > 0.0 else "better")
            for influence in influences
            if influence.is_sure
        ][:MOST_INFLUENCES]
        explained = percent(math.fsum(influence.share for influence in influences), 2)
        title = f"What decides the {label} (all together {explained} of its variance of ranks)"
        screen.table(title, ("quantity", "share", "more of it is"), deciding or [("nothing stands out of chance", "", "")])
    fell = result.worst_flight.fell_at_s
    fate = f"leans {figure(math.degrees(verdict.worst.peak_rad))} deg after a poke" if fell is None else f"falls after {figure(fell)} s"
    title = f"The worst machine, number {verdict.worst.number}: {fate}"
    screen.table(title, ("key", "in the build file", "this machine"), worst_numbers(result))
    if not verdict.holds:
        screen.say(f"does not hold: {percent(verdict.survive.value)} survive, {percent(verdict.wanted)} are wanted", "bold red")


def _share_cells(share: Share) -> tuple[str, str, str]:
    return f"{share.count} of {share.of}", percent(share.value, 4), f"{percent(share.low, 4)} ... {percent(share.high, 4)}"


def worst_numbers(result: FleetResult) -> list[tuple[str, str, str]]:
    """(key, nominal, drawn) of what decides most, for the worst machine."""
    order, drawn = result.order, result.worst.build
    deciding = [influence.uncertain for influence in result.verdict.peak_influences][:MOST_INFLUENCES] or list(order.uncertain)
    return [
        (written, figure(getattr(getattr(order.build, table), key).value, 4), figure(getattr(getattr(drawn, table), key).value, 4))
        for each in deciding
        for written, (table, key) in zip(each.written_keys, each.keys, strict=True)
    ]


def _document(result: FleetResult) -> dict[str, Any]:
    verdict, order = result.verdict, result.order

    def share(value: Share) -> dict[str, Any]:
        return {"count": value.count, "of": value.of, "share": value.value, "low": value.low, "high": value.high}

    def influences(found: tuple[Influence, ...]) -> list[dict[str, Any]]:
        return [
            {"quantity": each.uncertain.name, "coefficient": each.coefficient, "share": each.share, "is_sure": each.is_sure}
            for each in found
        ]

    spreads = {"peak_rad": verdict.peak_rad, "tilt_rms_rad": verdict.tilt_rms_rad}
    return {
        "machines": verdict.machines,
        "seed": order.seed,
        "poke_n_m_s": order.poke_n_m_s,
        "poke_times_s": list(order.poke_times_s),
        "wanted": verdict.wanted,
        "holds": verdict.holds,
        "stand": share(verdict.stand),
        "survive": share(verdict.survive),
        "spreads": {name: None if each is None else vars(each) for name, each in spreads.items()},
        "differs": [
            {"quantity": each.name, "keys": list(each.written_keys), "drawn": each.words(), "from": each.source} for each in order.uncertain
        ],
        "peak_influences": influences(verdict.peak_influences),
        "rest_influences": influences(verdict.rest_influences),
        "worst": {
            "number": verdict.worst.number,
            "fell_at_s": verdict.worst.fell_at_s,
            "peak_rad": verdict.worst.peak_rad,
            "noise_seed": result.worst.noise_seed,
            "options": flight_options(result.worst_flight),
            "build_file": result.worst_build,
        },
        "simulated_s": verdict.simulated_s,
    }
