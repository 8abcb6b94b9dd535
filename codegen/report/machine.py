"""What the machine can do: its limits in plain words, and which goals hold.

Takes a build and its design, gives tables and pictures.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import degrees, log, radians

from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, NullFormatter

from codegen.build import Build
from codegen.design import Design, Verdict
from codegen.report.draw import BLUE, GREY, INK, RED, draw, mark
from codegen.report.parts import Cell, Column, Picture, Table, row, table, yes_no
from codegen.report.wording import figure, percent, with_unit

GOAL_WORDS = {
    "goals.poke_n_m_s": "poke survived at rest, trusted share of the bound",
    "goals.arm_tilt_deg": "arming tilt lies within what can be caught",
    "goals.stop_tilt_deg": "cut-off tilt lies beyond what can be caught",
    "goals.calm_tilt_rms_deg": "stillness, predicted tilt RMS",
    "goals.stay_within_m": "place at rest, three times the predicted RMS",
}


@dataclass(frozen=True)
class MachinePart:
    """The section's content."""

    limits: Table
    goals: Table
    poke: Picture
    fall: Picture


def describe_machine(build: Build, design: Design) -> MachinePart:
    """Limits, goals, and the two pictures a builder looks at first."""
    return MachinePart(_limits(build, design), goal_table(design.verdicts), _poke(build, design), _fall(design))


def _limits(build: Build, design: Design) -> Table:
    limits, plant = design.limits, design.plant
    rate = limits.divergence_rad_s
    rows = (
        ("rate of fall", f"{figure(rate)} 1/s", f"left alone, a lean doubles every {figure(1e3 * log(2.0) / rate)} ms"),
        (
            "tilt that can be held",
            f"{figure(degrees(limits.static_tilt_rad))} deg",
            "the motor's largest torque against gravity, for the moment until the wheel is too fast",
        ),
        (
            "recoverable tilt",
            f"{figure(degrees(limits.recoverable_tilt_rad))} deg",
            "let go at rest from here, the body still comes back; from further no controller saves it",
        ),
        (
            "recoverable poke",
            Cell(f"{figure(1e3 * limits.poke_n_m_s)} mN m s", f"{figure(degrees(limits.poke_rad_s))} deg/s at once"),
            f"the hardest knock at rest; a finger {figure(1e3 * limits.poke_height_m)} mm above the edge gives "
            f"{figure(1e3 * limits.poke_n_s)} mN s",
        ),
        (
            "creep",
            f"{figure(radians(limits.creep_rad_s2_per_rad))} rad/s²",
            f"how fast the wheel speeds up for each degree of standing tilt error; its top speed is {figure(plant.top_speed_rad_s)} rad/s",
        ),
        (
            "dead time",
            f"{figure(1e3 * limits.dead_time_s)} ms",
            f"from a sensor reading to the torque it causes; a fall grows by {percent(limits.dead_time_factor - 1.0)} meanwhile, "
            "which no controller gets back",
        ),
        (
            "stillest possible",
            f"{figure(degrees(limits.sampled_floor_rad))} deg RMS",
            f"no estimate of the tilt is better with these sensors ({figure(degrees(limits.kalman_floor_rad))} deg if only the "
            "gyro's noise counted)",
        ),
        (
            "blind height",
            f"{figure(1e3 * limits.blind_height_m)} mm",
            "an accelerometer this high above the edge cannot see the tilt of a falling body, above it reads the wrong sign; "
            f"yours sits at {figure(1e3 * build.accelerometer.height_m.value)} mm",
        ),
        (
            "ring figure",
            figure(limits.ring_figure),
            "momentum of the wheel at top speed against what a recovery needs; from 3 on the ring costs next to nothing "
            f"(smallest inertia for that: {figure(limits.smallest_ring_kg_m2)} kg m²)",
        ),
        (
            "peak if the wheel speed alone were fed back",
            figure(limits.wheel_only_peak_sensitivity),
            "why the outer loop feeds back the momentum instead (a good loop stays below 1.4)",
        ),
    )
    columns = (Column("limit"), Column("value", "number"), Column("what it means"))
    return table("limits", "What physics allows, whatever the controller.", columns, [row(*cells) for cells in rows], prose=True)


def goal_table(verdicts: tuple[Verdict, ...]) -> Table:
    """Goals and targets, wanted and reached."""
    rows = []
    for verdict in verdicts:
        words = GOAL_WORDS.get(verdict.goal, "")
        below = [verdict.goal] if words else []
        if verdict.remedy:
            below.append(f"what would help: {verdict.remedy}")
        rows.append(
            row(
                Cell(words or verdict.goal, "; ".join(below)),
                f"{verdict.relation} {with_unit(verdict.wanted, verdict.unit)}",
                with_unit(verdict.reached, verdict.unit),
                yes_no(verdict.holds),
            )
        )
    columns = (Column("goal"), Column("wanted", "number"), Column("reached", "number"), Column("holds", "verdict"))
    return table("goals", "Goals of the build file and targets of the design.", columns, rows)


def _poke(build: Build, design: Design) -> Picture:
    limits, inertia = design.limits, design.plant.body_inertia_kg_m2
    speeds = [loss.wheel_rad_s for loss in limits.speed_losses]
    pokes = [1e3 * inertia * loss.poke_rad_s for loss in limits.speed_losses]
    goal = 1e3 * build.goals.poke_n_m_s.value
    setpoint = design.wheel_setpoint_rad_s

    def paint(canvas: Figure) -> None:
        axes = canvas.subplots()
        axes.plot(speeds, pokes, color=BLUE, marker="o", markersize=4.0)
        for speed, poke, loss in zip(speeds, pokes, limits.speed_losses, strict=True):
            mark(axes, speed, poke, f"{100.0 * loss.kept_share:.0f} %", dx=5.0, dy=7.0, color=BLUE)
        axes.axhline(goal, color=RED, linestyle="--", linewidth=1.1)
        mark(axes, setpoint, goal, "goal of the build", dx=4.0, dy=7.0, color=RED)
        axes.axvline(setpoint, color=GREY, linestyle=":", linewidth=1.1)
        mark(axes, setpoint, 0.0, "set-point at rest", dx=4.0, dy=7.0, color=GREY)
        axes.set_xlim(0.0, 1.02 * design.plant.top_speed_rad_s)
        axes.set_ylim(0.0, 1.15 * max(*pokes, goal))
        axes.set_xlabel("wheel speed in the direction the recovery needs, rad/s")
        axes.set_ylabel("largest poke, mN m s")

    return draw(
        paint,
        "poke",
        f"Curve of the largest recoverable poke, falling from {figure(pokes[0])} mN m s with the wheel at rest to "
        f"{figure(pokes[-1])} mN m s at {figure(speeds[-1])} rad/s.",
        "A wheel that already turns has less left to give: largest recoverable poke against wheel speed, with the share that is kept.",
        3.0,
    )


def _fall(design: Design) -> Picture:
    errors = [degrees(error) for error, _ in design.limits.fall_times]
    times = [seconds for _, seconds in design.limits.fall_times]

    def paint(canvas: Figure) -> None:
        axes = canvas.subplots()
        axes.loglog(errors, times, color=BLUE, marker="o", markersize=4.0)
        for error, seconds in zip(errors, times, strict=True):
            mark(axes, error, seconds, f"{seconds:.0f} s" if seconds >= 10.0 else f"{seconds:.1f} s", dx=5.0, dy=6.0, color=INK)
        axes.set_xlim(0.8 * errors[0], 1.5 * errors[-1])
        axes.set_ylim(0.7 * min(times), 1.8 * max(times))
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
            axis.set_minor_formatter(NullFormatter())
        axes.set_xlabel("standing error of the tilt estimate, deg")
        axes.set_ylabel("time to fall, s")

    return draw(
        paint,
        "fall",
        f"Time to fall from {figure(times[0])} s at {figure(errors[0])} deg down to {figure(times[-1])} s at {figure(errors[-1])} deg.",
        "Why the tilt alone is not enough: a PID that holds the tilt but ignores the wheel falls after so long, because the wheel "
        "creeps to its top speed.",
        3.0,
    )
