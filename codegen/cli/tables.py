"""Results as table rows: numbers that people compare."""

from __future__ import annotations

import math
from collections.abc import Iterable

from codegen.bounds import SignalBound
from codegen.ci import Finding
from codegen.design import Design, Margins
from codegen.design.goals import Verdict
from codegen.plant import Flight, Plant
from codegen.shipment import Shipment

Rows = list[tuple[str, ...]]


def number(value: float, digits: int = 4) -> str:
    """A number for people."""
    return "-" if math.isnan(value) else f"{value:.{digits}g}"


def limit_rows(design: Design) -> Rows:
    """What the machine can do at best."""
    limits = design.limits
    return [
        ("rate at which it falls away (lambda)", number(limits.divergence_rad_s), "rad/s"),
        ("dead time of the loop", number(1e3 * limits.dead_time_s), "ms"),
        ("recoverable tilt, released at rest", number(math.degrees(limits.recoverable_tilt_rad)), "deg"),
        ("largest poke, at rest", number(1e3 * limits.poke_n_m_s), "mN m s"),
        ("calm that the gyro allows (Kalman floor)", number(math.degrees(limits.kalman_floor_rad)), "deg RMS"),
    ]


def gain_rows(design: Design) -> Rows:
    """The controller's numbers."""
    return [
        ("P gain on tilt", number(design.proportional_n_m_per_rad), "N m/rad"),
        ("D gain on tilt rate", number(design.derivative_n_m_s_per_rad), "N m s/rad"),
        ("inner pole", number(design.inner_pole_rad_s), "rad/s"),
        ("momentum gain of the outer loop", number(design.momentum_gain_rad_per_n_m_s), "rad/(N m s)"),
        ("outer pole", number(design.outer_pole_rad_s), "rad/s"),
        ("trim observer", number(design.trim_pole_rad_s), "rad/s"),
        ("complementary filter", number(design.filter_time_s), "s"),
        ("wheel speed set-point", number(design.wheel_setpoint_rad_s), "rad/s"),
        ("trim limit", number(math.degrees(design.trim_limit_rad)), "deg"),
        ("arms within", number(math.degrees(design.arm_tilt_rad)), "deg"),
        ("cuts off beyond", number(math.degrees(design.stop_tilt_rad)), "deg"),
        ("wheel over-speed", number(design.overspeed_rad_s), "rad/s"),
    ]


MARGIN_HEADINGS = ("machine", "Ms", "gain down", "gain up", "phase deg", "delay ms", "disk")


def margin_rows(design: Design) -> Rows:
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


def flight_rows(flight: Flight, plant: Plant) -> Rows:
    """Figures of one simulated flight."""
    return [
        ("stands", "yes" if flight.stands else f"no, fell at {number(flight.fell_at_s or 0.0)} s", ""),
        ("simulated", number(flight.ticks * plant.period_s), "s"),
        ("tilt RMS", number(math.degrees(flight.tilt_rms_rad)), "deg"),
        ("largest tilt", number(math.degrees(flight.tilt_max_rad)), "deg"),
        ("mean wheel speed", number(flight.wheel_mean_rad_s), "rad/s"),
        ("wheel speed deviation", number(flight.wheel_std_rad_s), "rad/s"),
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
    if checks.flight is not None:
        held = len(checks.flight.checks) - len(checks.flight.failures)
        rows.append(("flights of the emitted C", f"{len(checks.flight.checks)} figures", f"{held} hold"))
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
