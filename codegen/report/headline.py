"""The top of the page: what it is, whether it holds, and the few figures that matter.

Takes a shipment, gives texts.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import degrees

from codegen.flight.checks import FlightCheck
from codegen.report.wording import figure, percent, plural, whole
from codegen.shipment import Shipment

REST_CHECK = "tilt RMS at rest"
POKE_CHECK = "largest poke of either sign"
"""Names of the flight checks whose figures are shown at the top."""


@dataclass(frozen=True)
class Tile:
    """One key figure: what it is, the figure, and what it is to be compared with."""

    label: str
    figure: str
    note: str


@dataclass(frozen=True)
class Headline:
    """The section's content."""

    title: str
    subtitle: str
    holds: bool
    verdict: str
    failures: tuple[str, ...]
    summary: str
    tiles: tuple[Tile, ...]


def write_headline(shipment: Shipment) -> Headline:
    """Title, verdict, summary and key figures."""
    failures = shipment.failures
    verdict = "Everything that was checked holds" if not failures else f"Does not hold: {plural(len(failures), 'failure')}"
    return Headline(
        shipment.build.title if shipment.build is not None else shipment.graph.title,
        _subtitle(shipment),
        not failures,
        verdict,
        failures,
        " ".join(_summary(shipment)),
        tuple(_tiles(shipment)),
    )


def _subtitle(shipment: Shipment) -> str:
    graph = shipment.graph
    parts = [f"controller {graph.name}"]
    if shipment.build is not None:
        parts.append(f"from {shipment.build.path_name}")
    parts.append(f"words for {shipment.realisation.fixed.target}")
    parts.append(f"one tick every {figure(1e3 * graph.period_s)} ms")
    if graph.slow_every > 1:
        parts.append(f"slow section every {graph.slow_every} ticks")
    return ", ".join(parts)


def _worst_output(shipment: Shipment) -> tuple[str, float] | None:
    """Output with the largest one-tick bound, in counts."""
    bounds = shipment.realisation.one_tick
    numbers = [(bounds[output.signal].counts, output.name) for output in shipment.graph.outputs if output.signal in bounds]
    return max(((name, counts) for counts, name in numbers), key=lambda pair: pair[1], default=None)


def _flown(shipment: Shipment, name: str) -> FlightCheck | None:
    flight = shipment.checks.flight
    return None if flight is None else next((check for check in flight.checks if check.name == name), None)


def _summary(shipment: Shipment) -> list[str]:
    design, bits, flight = shipment.design, shipment.checks.bits, shipment.checks.flight
    said = []
    if design is not None:
        limits = design.limits
        said.append(
            f"At full effort the body comes back from {figure(degrees(limits.recoverable_tilt_rad))} deg let go at rest, or from a poke of "
            f"{figure(1e3 * limits.poke_n_m_s)} mN m s; no controller does better."
        )
        rest = _flown(shipment, REST_CHECK)
        flown = "" if rest is None else f", flown {figure(rest.reached)} {rest.unit}"
        said.append(f"At rest it is predicted to stay within {figure(degrees(design.rest.tilt_rad))} deg RMS{flown}.")
    worst = _worst_output(shipment)
    if worst is not None:
        name, counts = worst
        said.append(f"In one tick rounding moves {name} by at most {figure(counts)} of its counts.")
    loop = shipment.realisation.loop
    if loop is not None and "true_tilt" in loop.bounds:
        said.append(f"In closed loop it moves the tilt by at most {figure(degrees(loop.bounds['true_tilt'].magnitude))} deg.")
    differ = "no value differs" if bits.mismatches == 0 else f"{plural(bits.mismatches, 'value')} differ"
    said.append(f"The compiled C was compared with its integer model over {plural(bits.ticks, 'tick')}; {differ}.")
    costs = shipment.checks.target.costs if shipment.checks.target is not None else None
    if costs is not None:
        share = "" if costs.share is None else f", {percent(costs.share)} of the loop period"
        said.append(
            f"On the {costs.target.name} no tick takes more than {plural(costs.bound.worst.cycles, 'cycle')}{share}, "
            f"{plural(costs.bound.stack_bytes, 'byte')} of stack and {whole(costs.flash_bytes)} of flash."
        )
    if flight is not None:
        wrong = len(flight.failures)
        outcome = "all hold" if not wrong else f"{wrong} do not hold" if wrong > 1 else "one does not hold"
        said.append(
            f"Of {plural(len(flight.checks), 'flight check')} {outcome}, after {figure(flight.simulated_s / 3600.0)} simulated hours "
            "of standing."
        )
    return said


def _tiles(shipment: Shipment) -> list[Tile]:
    design, build = shipment.design, shipment.build
    tiles = []
    if design is not None and build is not None:
        limits, goals = design.limits, build.goals
        tiles.append(Tile("recoverable tilt", f"{figure(degrees(limits.recoverable_tilt_rad))} deg", "let go at rest"))
        poke, rest = _flown(shipment, POKE_CHECK), _flown(shipment, REST_CHECK)
        flown = "" if poke is None else f"flown {figure(poke.reached)}, "
        goal = figure(1e3 * goals.poke_n_m_s.value)
        tiles.append(Tile("poke at rest", f"{figure(1e3 * limits.poke_n_m_s)} mN m s", f"{flown}goal {goal}"))
        flown = "" if rest is None else f"flown {figure(rest.reached)}, "
        tiles.append(
            Tile(
                "stillness, tilt RMS",
                f"{figure(degrees(design.rest.tilt_rad))} deg",
                f"predicted; {flown}goal {figure(goals.calm_tilt_rms_deg.value)}",
            )
        )
    worst = _worst_output(shipment)
    if worst is not None:
        name, counts = worst
        budget = figure(shipment.realisation.error_budget_counts)
        tiles.append(Tile("error of one tick", f"{figure(counts)} counts", f"at most, {name}; budget {budget}"))
    bits = shipment.checks.bits
    flight = shipment.checks.flight
    costs = shipment.checks.target.costs if shipment.checks.target is not None else None
    if costs is not None:
        share = costs.share
        of_period = "proven" if share is None else f"{percent(share)} of the period, proven"
        tiles.append(Tile(f"worst tick, {costs.target.name}", f"{whole(costs.bound.worst.cycles)} cycles", of_period))
        memory = f"with library helpers; stack {whole(costs.bound.stack_bytes)}, RAM {whole(costs.ram_bytes)}"
        tiles.append(Tile("flash", f"{whole(costs.flash_bytes)} bytes", memory))
    if flight is not None:
        held = len(flight.checks) - len(flight.failures)
        tiles.append(
            Tile("flight checks", f"{held} of {len(flight.checks)} hold", f"{figure(flight.simulated_s / 3600.0)} h of standing simulated")
        )
    tiles.append(Tile("C against model", f"{whole(bits.ticks)} ticks", f"{whole(bits.mismatches)} values differ"))
    return tiles
