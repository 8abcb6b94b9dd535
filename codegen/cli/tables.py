"""Results as table rows: numbers that people compare."""

from __future__ import annotations

import math
from collections.abc import Iterable

from codegen.bounds import SignalBound
from codegen.ci import Finding
from codegen.defects import DefectReport
from codegen.design import Design, Margins
from codegen.design.change import Effect, Figures, best_change
from codegen.design.goals import Verdict
from codegen.design.kinds import AnyDesign
from codegen.design.laws import uses
from codegen.design.rolling import RollingDesign
from codegen.design.spread import Bound
from codegen.plant import AnyPlant, Flight, RollingFlight
from codegen.shipment import Shipment

Rows = list[tuple[str, ...]]


def number(value: float, digits: int = 4) -> str:
    """A number for people."""
    return "-" if math.isnan(value) else f"{value:.{digits}g}"


BOUND_SPREAD_HEADINGS = ("bound", "low", "value", "high", "unit", "how found")


def bound_spread_rows(bounds: Iterable[Bound]) -> Rows:
    """What the machine can do at best, and how far that is known."""
    return [(b.words, number(b.low), number(b.value), number(b.high), b.unit, b.method) for b in bounds]


CHANGE_HEADINGS = ("change", "tilt", "poke", "poke, wheel fast", "creep", "fall", "floor", "dead time", "blindness")


def change_rows(now: Figures, effects: Iterable[Effect]) -> Rows:
    """The machine as it is, then every change in per cent of it; a blank where it changes nothing.

    Dead time counts times the rate of fall, blindness is the accelerometer's height over the blind height.
    """
    rows: Rows = [
        (
            "as it is",
            f"{number(now.tilt_deg, 3)} deg",
            f"{number(1e3 * now.poke_n_m_s, 3)} mN m s",
            f"{number(1e3 * now.poke_spinning_n_m_s, 3)} mN m s",
            f"{number(now.creep_rad_s2, 3)} rad/s2",
            f"{number(now.fall_s, 3)} s",
            f"{number(now.floor_deg, 2)} deg",
            number(now.dead_time_product, 2),
            number(now.sensor_height_share, 2),
        )
    ]

    def cell(change: float) -> str:
        return "" if abs(change) < 5e-4 else f"{100.0 * change:+.1f} %"

    return [*rows, *((effect.words, *map(cell, effect.changes.values())) for effect in effects)]


def best_change_lines(effects: tuple[Effect, ...]) -> list[str]:
    """What buys most of each of the figures that builders ask for."""
    lines = []
    for words, figure, less in (
        ("recoverable tilt", "tilt_deg", False),
        ("poke at rest", "poke_n_m_s", False),
        ("poke with the wheel spinning", "poke_spinning_n_m_s", False),
        ("calm", "floor_deg", True),
        ("dead time", "dead_time_product", True),
    ):
        best = best_change(effects, figure, less=less)
        if best is not None:
            lines.append(f"most for {words}: {best.words} ({100.0 * best.changes[figure]:+.1f} %)")
    return lines


def gain_rows(design: Design) -> Rows:
    """The controller's numbers: the structure's own, then the common ones that it uses."""
    own: Rows = [(found.words, number(found.value), found.unit) for found in design.law.numbers()]
    degrees = math.degrees(1.0)
    common = (
        ("P gain on tilt", "proportional_n_m_per_rad", 1.0, "N m/rad"),
        ("D gain on tilt rate", "derivative_n_m_s_per_rad", 1.0, "N m s/rad"),
        ("inner pole", "inner_pole_rad_s", 1.0, "rad/s"),
        ("momentum gain of the outer loop", "momentum_gain_rad_per_n_m_s", 1.0, "rad/(N m s)"),
        ("outer pole", "outer_pole_rad_s", 1.0, "rad/s"),
        ("trim observer", "trim_pole_rad_s", 1.0, "rad/s"),
        ("complementary filter", "filter_time_s", 1.0, "s"),
        ("wheel speed set-point", "wheel_setpoint_rad_s", 1.0, "rad/s"),
        ("trim limit", "trim_limit_rad", degrees, "deg"),
        ("arms within", "arm_tilt_rad", degrees, "deg"),
        ("cuts off beyond", "stop_tilt_rad", degrees, "deg"),
        ("wheel over-speed", "overspeed_rad_s", 1.0, "rad/s"),
    )
    return [
        *own,
        *((words, number(factor * getattr(design, name)), unit) for words, name, factor, unit in common if uses(design.law, name)),
    ]


MARGIN_HEADINGS = ("machine", "Ms", "gain down", "gain up", "phase deg", "delay ms", "disk")


def rolling_limit_rows(design: RollingDesign) -> Rows:
    """What a machine that rolls can do at best."""
    limits = design.limits
    rows: Rows = [
        ("rate at which it falls away (lambda)", number(limits.divergence_rad_s), "rad/s"),
        ("dead time of the loop", number(1e3 * limits.dead_time_s), "ms"),
        ("tilt that can be held for a moment", number(math.degrees(limits.static_tilt_rad)), "deg"),
        ("tilt that full effort brings back", number(math.degrees(limits.full_effort_tilt_rad)), "deg"),
        ("the same in closed form", number(math.degrees(limits.closed_form_tilt_rad)), "deg"),
        ("poke that full effort brings back", number(limits.full_effort_poke_n_m_s), "N m s"),
    ]
    if math.isfinite(limits.track_tilt_rad):
        rows.append(("tilt that any course brings back on the track", number(math.degrees(limits.track_tilt_rad)), "deg"))
        rows.append(("poke that any course brings back on the track", number(limits.track_poke_n_m_s), "N m s"))
    return rows


def rolling_gain_rows(design: RollingDesign) -> Rows:
    """The numbers of the controller of a machine that rolls."""
    place, speed, tilt, rate = design.feedback
    return [
        ("torque per tilt", number(tilt), "N m/rad"),
        ("torque per tilt rate", number(rate), "N m s/rad"),
        ("torque per place", number(place), "N m/m"),
        ("torque per speed", number(speed), "N m s/m"),
        ("inner pole", number(design.inner_pole_rad_s), "rad/s"),
        ("outer pole", number(design.outer_pole_rad_s), "rad/s"),
        ("place pole", number(design.place_pole_rad_s), "rad/s"),
        ("trim observer", number(design.trim_pole_rad_s), "rad/s"),
        ("complementary filter", number(design.filter_time_s), "s"),
        ("filter of differences", number(1e3 * design.difference_filter_s), "ms"),
        ("lean limit", number(math.degrees(design.lean_limit_rad)), "deg"),
        ("trim limit", number(math.degrees(design.trim_limit_rad)), "deg"),
        ("arms within", number(math.degrees(design.arm_tilt_rad)), "deg"),
        ("cuts off beyond", number(math.degrees(design.stop_tilt_rad)), "deg"),
        ("drive over-speed", number(design.overspeed_rad_s), "rad/s"),
    ]


def margin_rows(design: AnyDesign) -> Rows:
    """Margins at the nominal machine and at its corners."""

    def row(label: str, margins: Margins) -> tuple[str, ...]:
        return (
            label,
            number(margins.peak_sensitivity, 3),
            number(margins.gain_margin_down, 3),
            number(margins.gain_margin_up, 3),
            number(math.degrees(margins.phase_margin_rad), 3),
            number(1e3 * margins.delay_margin_s, 3),
            number(margins.disk_margin, 3),
        )

    return [row("nominal", design.margins), *(row(label, margins) for label, margins in design.corners)]


VERDICT_HEADINGS = ("goal", "wanted", "reached", "holds", "what to change")


def verdict_rows(verdicts: Iterable[Verdict]) -> Rows:
    """Goals against what is reached."""
    return [
        (
            verdict.goal,
            f"{verdict.relation} {number(verdict.wanted)} {verdict.unit}",
            number(verdict.reached),
            "yes" if verdict.holds else "NO",
            verdict.remedy,
        )
        for verdict in verdicts
    ]


FLIGHT_HEADINGS = ("figure", "value", "unit")


def flight_rows(flight: Flight, plant: AnyPlant) -> Rows:
    """Figures of one simulated flight."""
    how = "ran into its stop" if isinstance(flight, RollingFlight) and flight.struck else "fell"
    place: Rows = []
    if isinstance(flight, RollingFlight):
        place = [
            ("farthest from its place", number(flight.position_max_m), "m"),
            ("mean place", number(flight.position_mean_m), "m"),
            ("place at the end", number(flight.final_position_m), "m"),
        ]
    return [
        ("stands", "yes" if flight.stands else f"no, {how} at {number(flight.fell_at_s or 0.0)} s", ""),
        ("simulated", number(flight.ticks * plant.period_s), "s"),
        ("tilt RMS", number(math.degrees(flight.tilt_rms_rad)), "deg"),
        ("largest tilt", number(math.degrees(flight.tilt_max_rad)), "deg"),
        ("mean wheel speed", number(flight.wheel_mean_rad_s), "rad/s"),
        ("wheel speed deviation", number(flight.wheel_std_rad_s), "rad/s"),
        *place,
        ("torque RMS", number(100.0 * flight.torque_rms_n_m / plant.torque_limit_n_m), "% of maximum"),
    ]


CHECK_HEADINGS = ("check", "how often", "result")


def check_rows(shipment: Shipment) -> Rows:
    """What was checked, how often, and the result."""
    checks = shipment.checks
    loosest = checks.errors.loosest
    tight = f", bound / seen at most {number(loosest.ratio, 3)} ({loosest.name})" if loosest is not None else ""
    rows: Rows = []
    if checks.proof is not None and checks.proof.refused is not None:
        rows.append(("proof from the C text", "-", f"refused: {checks.proof.refused.place}: {checks.proof.refused.reason}"))
    elif checks.proof is not None:
        for proof in checks.proof.models:
            asked, equal = len(proof.findings), len(proof.pairs) - len(proof.differences)
            said = f"{asked - len(proof.failed)} proved, {equal} of {len(proof.pairs)} results equal the model"
            rows.append((f"proof from the C text, {proof.model}", f"{asked} obligations", said))
    rows += [
        ("compiled C = integer model", f"{checks.bits.ticks:,} ticks", f"{checks.bits.mismatches} mismatches"),
        ("undefined behaviour", f"{checks.bits.ticks:,} ticks", f"{len(checks.bits.sanitizer)} places"),
        ("error bound against float64", f"{checks.errors.ticks:,} ticks", f"{checks.errors.violations} beaten{tight}"),
    ]
    target = checks.target
    if target is not None and target.replay is not None:
        replay = target.replay
        rows.append((f"the same on an emulated {target.target}", f"{replay.ticks:,} ticks", f"{replay.mismatches} values differ"))
    if target is not None and target.flight is not None:
        flown = target.flight
        stands = "stands" if flown.stands else "does NOT stand"
        what = f"firmware in the loop, {target.target}"
        rows.append((what, f"{flown.ticks:,} ticks", f"{stands}, {flown.differing} values differ from the host's flight"))
    if checks.flight is not None:
        held = len(checks.flight.checks) - len(checks.flight.failures)
        rows.append(("flights of the emitted C", f"{len(checks.flight.checks)} figures", f"{held} hold"))
    return rows


DEFECT_HEADINGS = ("what finds it", "defects found", "of")


def defect_rows(report: DefectReport) -> Rows:
    """Planted defects by the method that kills them, then all methods together."""
    tried = f"{report.tried:,}"
    rows: Rows = [(method, f"{report.killed_by(method):,}", tried) for method in report.methods]
    rows.append(("any of them", f"{report.killed:,}", tried))
    rows.append(("the same controller, shown", f"{report.equivalent:,}", tried))
    rows.append(("survived", f"{len(report.survivors):,}", tried))
    return rows


FINDING_HEADINGS = ("property", "result", "tried", "line", "what")


def finding_rows(findings: Iterable[Finding]) -> Rows:
    """Every property and its verdict."""
    return [
        (
            finding.name,
            finding.status.upper() if finding.status == "broken" else finding.status,
            f"{finding.count:,}" if finding.count else "-",
            str(finding.line) if finding.line else "",
            finding.message,
        )
        for finding in findings
    ]


BOUND_HEADINGS = ("signal", "error", "counts", "largest contributor")


def bound_rows(bounds: Iterable[SignalBound]) -> Rows:
    """Error bounds with their largest contributor."""
    return [
        (
            bound.name,
            f"{bound.magnitude:.3g} {bound.unit}",
            number(bound.counts, 3),
            bound.contributors[0][0] if bound.contributors else "",
        )
        for bound in bounds
    ]
