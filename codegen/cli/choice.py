"""Structures side by side and the front as tables, pictures and JSON."""

from __future__ import annotations

from math import isfinite
from typing import Any

from codegen.cli.tables import Rows, number
from codegen.pipeline.choose import FlownPoint, Front, StructureFigures
from codegen.report.front_picture import FrontCurve, draw_front

STRUCTURE_HEADINGS = (
    "structure",
    "stands s",
    "tilt deg",
    "wheel, std",
    "torque %",
    "tilt",
    "poke",
    "back s",
    "peak deg",
    "Ms",
    "delay",
    "cost",
    "mult.",
)
STRUCTURE_NOTE = (
    "At rest: tilt RMS, mean wheel speed and its deviation in rad/s, torque RMS. Tilt and poke: the largest brought back, as shares of "
    "the bounds, which no controller passes. Back and peak: after a poke of 30 % of the bound. Delay: margin in ms. Cost: over that of "
    "the LQG optimum, with a poke of 10 % of the bound every 100 s. Mult.: multiplications per tick, and more in the outer one."
)


def structure_rows(rows: tuple[StructureFigures, ...]) -> Rows:
    """One row per structure; a dash where there is nothing to measure."""
    return [_structure_row(row) for row in rows]


def _structure_row(row: StructureFigures) -> tuple[str, ...]:
    if row.design is None:
        return (row.structure.title, "not possible", *["" for _ in STRUCTURE_HEADINGS[2:]])
    rest = "-" if not row.stands else f"{number(row.wheel_mean_rad_s, 3)}, {number(row.wheel_std_rad_s, 2)}"
    slow = f" + {row.slow_multiplications}" if row.slow_multiplications else ""
    return (
        row.structure.title,
        f"> {row.stands_s:.0f}" if row.stands else number(row.stands_s, 3),
        number(row.tilt_rms_deg, 2),
        rest,
        number(row.torque_rms_percent, 3),
        number(row.tilt_share, 3),
        number(row.poke_share, 3),
        number(row.recovery_s, 3),
        number(row.peak_deg, 3),
        number(row.peak_sensitivity, 3) if isfinite(row.peak_sensitivity) else "-",
        number(row.delay_margin_ms, 3) if isfinite(row.peak_sensitivity) else "-",
        number(row.cost_excess, 3),
        f"{row.multiplications}{slow}",
    )


def structure_document(row: StructureFigures) -> dict[str, Any]:
    """The same for machines; null where there is nothing to measure."""
    figures = {
        name: value if not isinstance(value, float) or isfinite(value) else None
        for name, value in vars(row).items()
        if name not in ("structure", "design", "reason")
    }
    return {"structure": row.structure.name, "not_possible": row.reason or None, **figures}


FRONT_HEADINGS = (
    "pokes per s",
    "tilt RMS deg",
    "torque %",
    "peak deg",
    "flown: tilt",
    "torque",
    "peak",
    "Ms",
    "cost / optimum",
    "numbers",
    "",
)
FRONT_NOTE = (
    "Peak: after a poke of 10 % of the bound. Predicted figures are those of the linear loop with sensor noise and quantisers; flown "
    "ones have friction and cogging too. At the bend the peak is within 10 % of the smallest: beyond it, effort buys next to nothing."
)


def front_rows(front: Front) -> Rows:
    """One row per rate of pokes, then the present design."""
    rows = [_front_row(flown, f"{flown.point.pokes_hz:g}", _notes(front, at)) for at, flown in enumerate(front.points)]
    return [*rows, _front_row(front.present, "present", "calm goal met" if _calm(front, front.present) else "calm goal MISSED")]


def goal_line(front: Front) -> str:
    """The goals on the front, in words."""
    share, peak = front.goal_poke_share, front.goal_poke_peak_deg
    met = sum(1 for flown in front.points if _calm(front, flown))
    return (
        f"Your goals: tilt RMS of at most {front.goal_tilt_deg:g} deg, met at {met} of {len(front.points)} points as flown; a poke of "
        f"{number(1e3 * front.build.goals.poke_n_m_s.value, 3)} mN m s, {100.0 * share:.0f} % of what can be recovered, which at the bend "
        f"would tilt the body by some {number(peak, 2)} deg."
    )


def _notes(front: Front, at: int) -> str:
    notes = ["bend"] if at == front.bend else []
    return ", ".join([*notes, "calm goal met" if _calm(front, front.points[at]) else "calm goal MISSED"])


def _calm(front: Front, flown: FlownPoint) -> bool:
    return flown.tilt_rms_deg <= front.goal_tilt_deg


def _front_row(flown: FlownPoint, label: str, note: str) -> tuple[str, ...]:
    point = flown.point
    return (
        label,
        number(point.tilt_rms_deg, 2),
        number(point.torque_rms_percent, 2),
        number(point.poke_peak_deg, 3),
        number(flown.tilt_rms_deg, 2),
        number(flown.torque_rms_percent, 2),
        number(flown.poke_peak_deg, 3),
        number(point.peak_sensitivity, 3),
        number(point.excess, 3),
        _numbers(point),
        note,
    )


def _numbers(point: Any) -> str:
    design = point.design
    text = f"w {design.inner_pole_rad_s:g}, w_o {design.outer_pole_rad_s:g}, w_t {design.trim_pole_rad_s:g}, tau {design.filter_time_s:g}"
    observer = getattr(design.law, "observer_pole_rad_s", None)
    return text if observer is None else f"{text}, w_f {observer:g}"


def front_document(front: Front) -> dict[str, Any]:
    """The front for machines."""
    return {
        "name": front.build.name,
        "structure": front.structure.name,
        "bend": front.bend,
        "goal_tilt_rms_deg": front.goal_tilt_deg,
        "goal_poke_share": front.goal_poke_share,
        "goal_poke_peak_deg": front.goal_poke_peak_deg,
        "points": [_point_document(flown) for flown in front.points],
        "present": _point_document(front.present),
        "design": list(front.design_lines()),
    }


def _point_document(flown: FlownPoint) -> dict[str, Any]:
    point, design = flown.point, flown.point.design
    figures = {
        "pokes_hz": point.pokes_hz,
        "tilt_rms_deg": point.tilt_rms_deg,
        "torque_rms_percent": point.torque_rms_percent,
        "poke_peak_deg": point.poke_peak_deg,
        "peak_sensitivity": point.peak_sensitivity,
        "cost_over_optimum": point.excess,
        "flown_tilt_rms_deg": flown.tilt_rms_deg,
        "flown_torque_rms_percent": flown.torque_rms_percent,
        "flown_poke_peak_deg": flown.poke_peak_deg,
        "inner_pole_rad_s": design.inner_pole_rad_s,
        "outer_pole_rad_s": design.outer_pole_rad_s,
        "trim_pole_rad_s": design.trim_pole_rad_s,
        "filter_time_s": design.filter_time_s,
    }
    return {name: value if isfinite(value) else None for name, value in figures.items()}


def front_picture(title: str, front: Front) -> str:
    """The front as SVG text."""
    points = [flown.point for flown in front.points]
    return draw_front(
        title,
        FrontCurve(
            tuple(point.torque_rms_percent for point in points),
            tuple(point.tilt_rms_deg for point in points),
            tuple(point.poke_peak_deg for point in points),
        ),
        FrontCurve(
            tuple(flown.torque_rms_percent for flown in front.points),
            tuple(flown.tilt_rms_deg for flown in front.points),
            tuple(flown.poke_peak_deg for flown in front.points),
        ),
        FrontCurve(
            tuple(point.least_torque_percent for point in points),
            tuple(point.least_tilt_deg for point in points),
            tuple(point.least_peak_deg for point in points),
        ),
        front.bend,
        FrontCurve(
            (front.present.point.torque_rms_percent,), (front.present.point.tilt_rms_deg,), (front.present.point.poke_peak_deg,)
        ),
        front.goal_tilt_deg,
    )
