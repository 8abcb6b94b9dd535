"""The controller on its emulated microcontroller: cycles against the loop's period, memory, what the latency costs, the firmware.

Takes a shipment, gives tables and pictures; sentences where something could not be had.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

from matplotlib.figure import Figure

from codegen.report.draw import BLUE, INK, ORANGE, PALE, RED, draw
from codegen.report.parts import Cell, Column, Picture, Table, row, table, yes_no
from codegen.report.wording import DASH, figure, percent, plural, whole, with_unit
from codegen.shipment import FirmwareFlight, Shipment, TargetResult
from codegen.target.audit import AuditReport
from codegen.target.firmware import project_folder

MOST_LINES = 12
FEWER_IS_BETTER = ("gain margin down", "peak sensitivity")


@dataclass(frozen=True)
class TargetPart:
    """The section's content; what could not be had is None or empty."""

    built: str
    ticks: Table | None
    memory: Table | None
    shares: Picture | None
    latency: Picture | None
    margins: Table | None
    margins_note: str
    lines: Table | None
    checked: tuple[str, ...]
    firmware: str
    notes: tuple[str, ...]


def describe_target(shipment: Shipment) -> TargetPart | None:
    """Costs, latency, and what the emulated core did; None if the target was not tried."""
    result = shipment.checks.target
    if result is None:
        return None
    costs = result.costs
    notes = [note[:1].upper() + note[1:] for note in (result.clock.note, *result.missing) if note]
    return TargetPart(
        _built(shipment, result, costs),
        _ticks(costs, shipment.graph.slow_every) if costs is not None else None,
        _memory(shipment, costs) if costs is not None else None,
        _shares(shipment, costs) if costs is not None else None,
        _latency(shipment, costs) if costs is not None else None,
        _margins(costs) if costs is not None else None,
        _margins_note(shipment, costs) if costs is not None and costs.margins else "",
        _lines(result, costs) if costs is not None else None,
        tuple(_checked(result)),
        _firmware(shipment, result),
        tuple(notes),
    )


def clock_words(hz: float) -> str:
    """A clock as people name it."""
    return f"{figure(hz / 1e6)} MHz" if hz >= 1e6 else f"{figure(hz / 1e3)} kHz"


def _built(shipment: Shipment, result: TargetResult, costs: AuditReport | None) -> str:
    title = shipment.realisation.target.title
    if costs is None:
        return f"Target: {title}."
    clock = f" at {clock_words(result.clock.hz)}" if result.clock.hz is not None else ", whose clock nobody named"
    return f"{title}{clock}; the controller compiled with {costs.compiler}, {costs.optimise}."


def _ticks(costs: AuditReport, every: int) -> Table:
    bound = costs.bound
    kinds = [("ordinary tick", bound.ordinary.cycles, costs.measured_ordinary)]
    kinds.append((f"tick that runs the outer loop, every {every}th", bound.slow.cycles, costs.measured_slow))
    if every == 1:
        kinds = [("any tick", bound.worst.cycles, costs.measured_slow)]
    rows = []
    for name, cycles, measured in kinds:
        seconds, share = costs.seconds_of(cycles), costs.share_of(cycles)
        rows.append(
            row(
                name,
                whole(cycles),
                DASH if measured is None else whole(measured),
                DASH if measured is None else f"{cycles / measured:.3f}",
                DASH if seconds is None else with_unit(1e6 * seconds, "µs"),
                DASH if share is None else percent(share),
            )
        )
    jitter = costs.seconds_of(costs.jitter_cycles)
    spread = f"No tick takes fewer than {whole(bound.fewest_cycles)} cycles: the command's time jitters by at most "
    spread += f"{plural(costs.jitter_cycles, 'cycle')}" + (f" ({with_unit(1e6 * jitter, 'µs')})." if jitter is not None else ".")
    columns = (
        Column("kind of tick"),
        Column("proven bound, cycles", "number"),
        Column("worst found, cycles", "number"),
        Column("bound / found", "number"),
        Column("time, proven", "number"),
        Column("share of the period", "number"),
    )
    return table("target-ticks", f"How long a tick takes, from entry to return. {spread}", columns, rows)


def _memory(shipment: Shipment, costs: AuditReport) -> Table:
    chip = shipment.realisation.target.chip
    wanted = shipment.build.target if shipment.build is not None else None
    broken = {budget.what for budget in costs.broken}

    budgets = {key: getattr(wanted, key, None) for key in ("max_stack_bytes", "max_flash_bytes")}
    asked = any(budget is not None for budget in budgets.values())

    def line(what: str, small: str, found: int, has: int, key: str) -> tuple[Cell, ...]:
        cells = row(Cell(what, small), whole(found), percent(found / has, 2))
        if not asked:
            return cells
        budget = budgets.get(key)
        return cells + (row("no budget", "yes") if budget is None else row(whole(int(budget.value)), yes_no(key not in broken)))

    rows = [
        line("stack", "proven, over the call graph", costs.bound.stack_bytes, chip.ram_bytes, "max_stack_bytes"),
        line("flash", "code, constants and library helpers", costs.flash_bytes, chip.flash_bytes, "max_flash_bytes"),
        line("RAM", "one controller's memory, and constants that must lie in RAM", costs.ram_bytes, chip.ram_bytes, ""),
    ]
    columns: tuple[Column, ...] = (
        Column("memory"),
        Column("bytes", "number"),
        Column("of what the chip has", "number"),
    )
    if asked:
        columns += (Column("budget of the build file", "number"), Column("holds", "verdict"))
    return table("target-memory", "What the controller takes of the chip.", columns, rows)


def _shares(shipment: Shipment, costs: AuditReport) -> Picture | None:
    """Both kinds of tick as shares of the period."""
    bound = costs.bound
    kinds = [("ordinary", bound.ordinary.cycles, costs.measured_ordinary), ("outer loop", bound.slow.cycles, costs.measured_slow)]
    if shipment.graph.slow_every == 1:
        kinds = [("any tick", bound.worst.cycles, costs.measured_slow)]
    shares = [(name, costs.share_of(proven), None if seen is None else costs.share_of(seen)) for name, proven, seen in kinds]
    known = [(name, 100.0 * proven, None if seen is None else 100.0 * seen) for name, proven, seen in shares if proven is not None]
    if not known:
        return None
    wanted = shipment.build.target.max_share if shipment.build is not None else None
    budget = None if wanted is None else 100.0 * wanted.value
    widest = max(max(proven for _, proven, _ in known), budget or 0.0)

    def paint(canvas: Figure) -> None:
        axes = canvas.subplots()
        places = list(range(len(known)))
        axes.barh(places, [proven for _, proven, _ in known], color=BLUE, alpha=0.35, height=0.55, label="proven bound")
        seen = [(place, value) for place, (_, _, value) in enumerate(known) if value is not None]
        if seen:
            axes.scatter([value for _, value in seen], [place for place, _ in seen], color=ORANGE, s=22.0, zorder=3, label="worst found")
        for place, (_, proven, _) in enumerate(known):
            axes.text(proven + 0.02 * widest, place, f"{proven:.3g} %", va="center", ha="left", fontsize=8.5, color=INK)
        if budget is not None:
            axes.axvline(budget, color=RED, linestyle="--", linewidth=1.1, label="max_share")
        axes.set_yticks(places, [name for name, _, _ in known])
        axes.tick_params(axis="y", length=0.0)
        axes.grid(visible=False, axis="y")
        axes.set_xlim(0.0, 1.25 * widest)
        axes.set_ylim(len(known) - 0.4, -0.6)
        axes.set_xlabel("share of the loop period, %")
        canvas.legend(loc="outside upper right", ncols=3)

    worst = max(proven for _, proven, _ in known)
    return draw(
        paint,
        "target-shares",
        f"Bars of the share of the loop period that a tick takes at most: {', '.join(f'{name} {figure(p)} %' for name, p, _ in known)}.",
        f"What a tick takes of the loop period. At least {figure(100.0 - worst)} % are left for everything else.",
        0.42 * len(known) + 1.1,
    )


def _latency(shipment: Shipment, costs: AuditReport) -> Picture | None:
    """Latency as designed and as audited, in its parts."""
    build, design = shipment.build, shipment.design
    compute = costs.seconds_of(costs.bound.worst.cycles)
    if build is None or design is None or costs.latency_s is None or compute is None:
        return None
    taken, sensor = build.loop.compute_us.value, build.loop.latency_us.value - build.loop.compute_us.value
    hold = 0.5e6 * design.plant.period_s
    bars = (("audited", sensor, 1e6 * compute), ("as designed", sensor, taken))

    def paint(canvas: Figure) -> None:
        axes = canvas.subplots()
        for place, (_, first, second) in enumerate(bars):
            axes.barh(place, first, color=BLUE, alpha=0.35, height=0.55, label="sensor and transport" if place == 0 else None)
            axes.barh(place, second, left=first, color=ORANGE, height=0.55, label="computing" if place == 0 else None)
            axes.barh(place, hold, left=first + second, color=PALE, height=0.55, label="holding, half a period" if place == 0 else None)
            axes.text(first + second + hold, place, f"  {first + second:.4g} + {hold:.4g} µs", va="center", fontsize=8.5, color=INK)
        axes.set_yticks(range(len(bars)), [name for name, _, _ in bars])
        axes.tick_params(axis="y", length=0.0)
        axes.grid(visible=False, axis="y")
        axes.set_xlim(0.0, 1.35 * max(first + second + hold for _, first, second in bars))
        axes.set_ylim(len(bars) - 0.4, -0.6)
        axes.set_xlabel("from sensor to command, µs")
        canvas.legend(loc="outside upper right", ncols=3)

    return draw(
        paint,
        "target-latency",
        f"Latency from sensor to command: {figure(1e6 * costs.latency_s, 4)} µs audited, {figure(sensor + taken, 4)} µs as designed.",
        f"Where the latency comes from: the proven computing time of {with_unit(1e6 * compute, 'µs')} "
        + (f"takes the place of the {with_unit(taken, 'µs')} that the build file reckons with." if taken else "comes on top."),
        1.9,
    )


def _margins(costs: AuditReport) -> Table | None:
    if not costs.margins:
        return None
    rows = []
    for name, (designed, now) in costs.margins.items():
        lost = now - designed if name in FEWER_IS_BETTER else designed - now
        change = DASH if not isfinite(lost) or lost == 0.0 else f"{'lost' if lost > 0.0 else 'gained'} {figure(abs(lost), 2)}"
        rows.append(row(name, figure(designed, 4), figure(now, 4), change))
    columns = (
        Column("margin at the torque command"),
        Column("as designed", "number"),
        Column("with the audited latency", "number"),
        Column("change", "number"),
    )
    return table("target-margins", "What the computing time does to the margins.", columns, rows)


def _margins_note(shipment: Shipment, costs: AuditReport) -> str:
    build = shipment.build
    if build is None or costs.latency_s is None:
        return ""
    taken = build.loop.compute_us.value
    part = f"{with_unit(taken, 'µs')} of it" if taken else "none of it"
    return (
        f"The design reckons with {with_unit(build.loop.latency_us.value, 'µs', 4)} from sensor to command, {part} for "
        f"computing; with the proven worst tick it is {with_unit(1e6 * costs.latency_s, 'µs', 4)}."
    )


def _lines(result: TargetResult, costs: AuditReport) -> Table | None:
    shown = result.lines[:MOST_LINES]
    if not shown:
        return None
    worst = costs.bound.worst.cycles
    rows = [
        row(f"{line.file}:{line.line}" if line.file else "library", whole(line.cycles), percent(line.cycles / worst, 2), line.text)
        for line in shown
    ]
    rest = worst - sum(line.cycles for line in shown)
    if rest:
        rows.append(row(f"{len(result.lines) - len(shown)} other lines", whole(rest), percent(rest / worst, 2), ""))
    columns = (Column("line", "short"), Column("cycles", "number"), Column("share", "number"), Column("C text", "code"))
    caption = "Where the cycles of the longest path go; the compiler mixes lines. In their order: loopwright audit OUT --path."
    return table("target-lines", caption, columns, rows)


def _checked(result: TargetResult) -> list[str]:
    said = []
    replay, flight, costs = result.replay, result.flight, result.costs
    if costs is not None and result.tries:
        said.append(
            f"The worst tick was searched for over {plural(result.tries, 'tick')} of each kind, from legal memories and any readings; none "
            f"took more than its bound. Seed {result.seed}."
        )
    if replay is not None:
        outcome = "no value differs" if not replay.mismatches else f"{plural(replay.mismatches, 'value')} differ"
        said.append(
            f"The same inputs as on this computer were replayed on the emulated core ({replay.emulator}), {plural(replay.ticks, 'tick')}: "
            f"every output and every member of the memory after every tick; {outcome}. Seed {result.seed}."
        )
    if flight is not None:
        said.append(_flown(result, flight))
    return said


def _flown(result: TargetResult, flight: FirmwareFlight) -> str:
    outcome = "the machine stands" if flight.stands else "the machine does NOT stand"
    agree = "every reading and command is the host's"
    if flight.differing:
        agree = f"{plural(flight.differing, 'value')} differ from the host's"
    busy = ""
    if flight.busy_cycles is not None:
        busy = f" From the timer's interrupt to the next wait the core was busy for at most {plural(flight.busy_cycles, 'cycle')}."
    lost = "" if not flight.lost_ticks else f" It came too late for {plural(flight.lost_ticks, 'tick')}."
    return (
        f"The firmware was flown: the emulated {result.target} at the controls of the simulated machine for {figure(flight.seconds)} s "
        f"with {plural(flight.pokes, 'poke')}; {outcome}, and {agree}.{busy}{lost}"
    )


def _firmware(shipment: Shipment, result: TargetResult) -> str:
    if result.clock.hz is None:
        return ""
    return (
        f"A project to flash lies in {project_folder(shipment.realisation.target)}/: start-up, timer tick, one step per tick, a buffer of "
        "the last ticks, and marked places for your sensors and drive."
    )
