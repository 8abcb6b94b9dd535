"""The flights of the emitted C on the simulated machine: what was demanded, what came out, and how it looked.

Takes the flight verdict and recordings, gives tables and pictures.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from codegen.design import Design
from codegen.design.kinds import AnyDesign
from codegen.flight.checks import FlightCheck, FlightVerdict
from codegen.flight.record import RealArray, Recording
from codegen.report.draw import BLUE, GREEN, GREY, ORANGE, PURPLE, draw, thinned
from codegen.report.parts import Cell, Column, Picture, Table, row, table, yes_no
from codegen.report.wording import figure, with_unit

AGAINST_REFERENCE = "integer"
_COLUMNS = (Column("check"), Column("wanted", "number"), Column("reached", "number"), Column("holds", "verdict"))


@dataclass(frozen=True)
class FlightPart:
    """The section's content; tables are None without a verdict."""

    level: str
    hours: str
    checks: Table | None
    reference: Table | None
    pictures: tuple[Picture, ...]
    legend: str


def describe_flights(verdict: FlightVerdict | None, recordings: tuple[Recording, ...], design: AnyDesign | None) -> FlightPart:
    """Check tables and one picture per recording."""
    pictures = tuple(_picture(recording, design) for recording in recordings)
    if verdict is None:
        return FlightPart("", "", None, None, pictures, _legend_of(design))
    against = [check for check in verdict.checks if check.name.startswith(AGAINST_REFERENCE)]
    others = [check for check in verdict.checks if not check.name.startswith(AGAINST_REFERENCE)]
    return FlightPart(
        verdict.level,
        figure(verdict.simulated_s / 3600.0),
        table("flight-checks", "The emitted C at the controls of the simulated, nonlinear machine.", _COLUMNS, map(_row, others)),
        table(
            "reference-checks",
            "Float64 against integers in closed loop: the same flights with the float64 reference at the controls.",
            _COLUMNS,
            map(_row, against),
        )
        if against
        else None,
        pictures,
        _legend_of(design),
    )


def _legend_of(design: AnyDesign | None) -> str:
    """What the lines in the pictures are."""
    common = (
        "The emitted C at the controls of the simulated machine. Tilt is counted from the true balance angle, which the controller does "
        "not know; the dotted line marks the event"
    )
    if isinstance(design, Design):
        return (
            f"{common}, the dashed one the wheel's set-point. Trim is the balance angle it has learnt, lean what it asks for to slow "
            "the wheel down."
        )
    return f"{common}. Trim is the balance angle it has learnt; place is counted from where the flight began."


def _row(check: FlightCheck) -> tuple[Cell, ...]:
    return row(
        check.name,
        f"{check.relation} {with_unit(check.wanted, check.unit)}",
        with_unit(check.reached, check.unit),
        yes_no(check.holds),
    )


def _line(axes: Axes, time_s: RealArray, values: RealArray, color: str, label: str, width: float = 1.2) -> None:
    kept = thinned(values)
    axes.plot(time_s[kept], values[kept], color=color, linewidth=width, label=label)


def _legend(axes: Axes) -> None:
    """A legend above the panel, where no line can run through it."""
    axes.legend(loc="lower right", bbox_to_anchor=(1.0, 0.97), borderaxespad=0.0, borderpad=0.1, ncols=2)


def _picture(recording: Recording, design: AnyDesign | None) -> Picture:
    time_s = recording.time_s
    thought = {name: np.degrees(values) for name, values in recording.estimates.items() if name in ("tilt_last", "trim", "lean")}
    panels = 4 if "trim" in thought or "lean" in thought else 3

    def paint(canvas: Figure) -> None:
        axes = np.atleast_1d(canvas.subplots(panels, 1, sharex=True, height_ratios=[1.5, 1.2, 1.2, 1.2][:panels]))
        for each in axes:
            each.axvline(recording.event_s, color=GREY, linestyle=":", linewidth=1.0)
            each.margins(x=0.0, y=0.12)
        _line(axes[0], time_s, recording.tilt_deg, BLUE, "true", 1.6)
        if "tilt_last" in thought and "trim" in thought:
            _line(axes[0], time_s, thought["tilt_last"] - thought["trim"], ORANGE, "controller's estimate", 0.9)
            _legend(axes[0])
        axes[0].set_ylabel("tilt, deg")
        _line(axes[1], time_s, recording.wheel_rad_s if recording.place_m is None else recording.place_m, GREEN, "")
        axes[1].set_ylabel("wheel, rad/s" if recording.place_m is None else "place, m")
        _line(axes[2], time_s, 1e3 * recording.torque_n_m, PURPLE, "", 1.0)
        axes[2].set_ylabel("torque, mN m")
        if isinstance(design, Design):
            axes[1].axhline(design.wheel_setpoint_rad_s, color=GREY, linestyle="--", linewidth=0.8)
        if panels == 4:
            for name, color in (("trim", BLUE), ("lean", ORANGE)):
                if name in thought:
                    _line(axes[3], time_s, thought[name], color, name)
            _legend(axes[3])
            axes[3].set_ylabel("asked, deg")
        axes[-1].set_xlabel("time, s")
        canvas.align_ylabels(list(axes))

    largest = float(np.max(np.abs(recording.tilt_deg)))
    if recording.place_m is None:
        told, farthest = "wheel speed", f"fastest wheel {figure(float(np.max(np.abs(recording.wheel_rad_s))))} rad/s"
    else:
        told, farthest = "place", f"farthest {figure(float(np.max(np.abs(recording.place_m))))} m away"
    return draw(
        paint,
        f"flight-{recording.name}",
        f"Tilt, {told}, torque and estimates over time: {recording.title}. Largest tilt {figure(largest)} deg, {farthest}.",
        f"{recording.title[:1].upper()}{recording.title[1:]}. Largest tilt {figure(largest)} deg, {farthest}.",
        1.25 * panels + 0.4,
    )
