"""What a rolling balancer can do, and its control law: limits, goals, numbers with reasons, robustness.

Takes a build and its design, gives tables and pictures.
"""

from __future__ import annotations

from math import degrees, inf, isfinite, log, pi, radians

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from codegen.build import RollingBuild
from codegen.design.rolling import RollingDesign, open_rolling_loop, rolling_corners
from codegen.plant import Encoders
from codegen.report.draw import BLUE, INK, RED, draw, mark
from codegen.report.law import COMMON_WORDS, LawPart, WorstCorner, draw_nyquist, draw_sensitivity, margin_table
from codegen.report.machine import MachinePart, goal_table
from codegen.report.parts import Cell, Column, Group, Picture, Table, row, table
from codegen.report.wording import figure, percent

_DEGREES = 180.0 / pi
# Name of a number: (words, symbol, unit shown, factor from the SI value to it).
_WORDS = COMMON_WORDS | {
    "proportional_n_m_per_rad": ("proportional gain, torque on the tilt", "Kp", "N m/rad", 1.0),
    "derivative_n_m_s_per_rad": ("derivative gain, torque on the tilt", "Kd", "N m s/rad", 1.0),
    "lean_gain_n_m_per_rad": ("lean gain", "Ie λ w", "N m/rad", 1.0),
    "torque_share": ("torque of all motors per torque on the tilt", "r/N", "1", 1.0),
    "wheel_gain_n_m_s": ("gain on the drive's speed, makes up for back-EMF", "Kt²/R", "N m s", 1.0),
    "difference_filter_s": ("filter of the encoders' differences", "τ", "ms", 1e3),
    "place_limit_m": ("clamp of the place", "", "m", 1.0),
    "place_pole_rad_s": ("place pole", "w_x", "rad/s", 1.0),
    "stop_place_m": ("trips beyond place", "", "m", 1.0),
    "overspeed_rad_s": ("trips beyond drive speed", "", "rad/s", 1.0),
}
_INNER = (
    "inner_pole_rad_s",
    "proportional_n_m_per_rad",
    "derivative_n_m_s_per_rad",
    "lean_gain_n_m_per_rad",
    "torque_share",
    "wheel_gain_n_m_s",
)
_OUTER = (
    "outer_pole_rad_s",
    "momentum_gain_rad_per_n_m_s",
    "place_pole_rad_s",
    "lean_limit_rad",
    "trim_pole_rad_s",
    "trim_limit_rad",
)
_PLAIN_REASONS = {
    "proportional_n_m_per_rad": "Kp = G + Ie λ w: gravity's torque per radian, and as much again as moves the falling pole to w",
    "lean_gain_n_m_per_rad": "what makes the body follow the lean that momentum and place ask for",
    "torque_share": "the force of the drive tips the body over the arm N, since the carriage gives way",
    "wheel_gain_n_m_s": "nothing to make up for with a current drive; with a voltage drive the back-EMF",
    "momentum_gain_rad_per_n_m_s": "lean per surplus momentum, so that gravity takes the momentum away at the outer pole's rate",
    "place_limit_m": "the track's end",
    "arm_tilt_rad": "from the build file's goals",
    "stop_tilt_rad": "from the build file's goals",
}
_START_ERRORS_RAD = tuple(radians(error) for error in (0.1, 0.25, 0.5, 1.0, 2.0, 3.0))
_FALLEN_RAD = radians(60.0)


def describe_rolling_machine(build: RollingBuild, design: RollingDesign) -> MachinePart:
    """Limits, goals, and the two pictures a builder looks at first."""
    return MachinePart(_limits(design), goal_table(design.verdicts), _push(build, design), _fall(design))


def _limits(design: RollingDesign) -> Table:
    limits, plant = design.limits, design.plant
    rate = limits.divergence_rad_s
    rows: list[tuple[str, str | Cell, str]] = [
        ("rate of fall", f"{figure(rate)} 1/s", f"left alone, a lean doubles every {figure(1e3 * log(2.0) / rate)} ms"),
        (
            "tilt that can be held",
            f"{figure(degrees(limits.static_tilt_rad))} deg",
            "the full force against gravity, for the moment until the drive is too fast; from beyond no controller returns",
        ),
        (
            "recoverable tilt",
            f"{figure(degrees(limits.recoverable_tilt_rad))} deg",
            f"let go at rest from here, the body still comes back (full effort on an endless floor: "
            f"{figure(degrees(limits.full_effort_tilt_rad))} deg, in closed form {figure(degrees(limits.closed_form_tilt_rad))} deg)",
        ),
        (
            "recoverable poke",
            Cell(f"{figure(limits.poke_n_m_s)} N m s", f"{figure(limits.poke_n_s)} N s"),
            f"the hardest knock at rest, by a finger {figure(limits.poke_height_m)} m above the axle or pivot (full effort on an endless "
            f"floor: {figure(limits.full_effort_poke_n_m_s)} N m s)",
        ),
        (
            "creep",
            f"{figure(radians(limits.creep_m_s2_per_rad))} m/s²",
            "how fast the carriage speeds up for each degree of standing tilt error",
        ),
        (
            "dead time",
            f"{figure(1e3 * limits.dead_time_s)} ms",
            f"from a sensor reading to the force it causes; a fall grows by {percent(limits.dead_time_factor - 1.0)} meanwhile, which no "
            "controller gets back",
        ),
    ]
    if isfinite(limits.track_tilt_rad):
        rows.insert(
            4,
            (
                "what the track allows",
                Cell(f"{figure(degrees(limits.track_tilt_rad))} deg", f"{figure(limits.track_poke_n_m_s)} N m s"),
                f"the largest start from the middle that any course of the command brings back within {figure(plant.half_track_m)} m to "
                "either side, by a linear programme that knows the future",
            ),
        )
    if not isinstance(plant.senses, Encoders):
        rows.append(
            ("stillest possible", f"{figure(degrees(limits.kalman_floor_rad))} deg RMS", "no estimate of the tilt is better with this gyro")
        )
    columns = (Column("limit"), Column("value", "number"), Column("what it means"))
    return table("limits", "What physics allows, whatever the controller.", columns, [row(*cells) for cells in rows], prose=True)


def _push(build: RollingBuild, design: RollingDesign) -> Picture:
    """Largest push against the height of the finger: what counts is the tilt rate that it leaves."""
    plant, limits = design.plant, design.limits
    middle = plant.moment_kg_m / plant.mass_kg
    height = limits.poke_height_m
    heights = np.linspace(1.25 * middle, 1.6 * height, 200)
    rate = limits.poke_n_s * height * (1.0 - middle / height)
    pushes = rate / (heights - middle)
    goal = build.goals.poke_n_m_s.value / height

    def paint(canvas: Figure) -> None:
        axes = canvas.subplots()
        axes.plot(heights, pushes, color=BLUE)
        axes.plot([height], [limits.poke_n_s], color=BLUE, marker="o", markersize=4.0)
        axes.plot([height], [goal], color=RED, marker="o", markersize=4.0)
        mark(axes, height, goal, "goal of the build", dx=5.0, dy=4.0, color=RED)
        axes.set_ylim(0.0, 3.0 * limits.poke_n_s)
        axes.set_xlabel("height of the finger above axle or pivot, m")
        axes.set_ylabel("largest push, N s")

    return draw(
        paint,
        "poke",
        f"Curve of the largest recoverable push, {figure(limits.poke_n_s)} N s at a height of {figure(height)} m.",
        "The higher the finger, the less push is survived; near the height at which a push moves the carriage along, much more.",
        3.0,
    )


def _fall(design: RollingDesign) -> Picture:
    errors = [degrees(error) for error in _START_ERRORS_RAD]
    times = [log(2.0 * _FALLEN_RAD / error) / design.limits.divergence_rad_s for error in _START_ERRORS_RAD]

    def paint(canvas: Figure) -> None:
        axes = canvas.subplots()
        axes.semilogx(errors, times, color=BLUE, marker="o", markersize=4.0)
        for error, seconds in zip(errors, times, strict=True):
            mark(axes, error, seconds, f"{seconds:.2g} s", dx=5.0, dy=6.0, color=INK)
        axes.set_xlim(0.8 * errors[0], 1.6 * errors[-1])
        axes.set_ylim(0.0, 1.2 * max(times))
        axes.set_xlabel("lean at which the body is let go, deg")
        axes.set_ylabel("time to fall, s")

    return draw(
        paint,
        "fall",
        f"Time to fall from {figure(times[0])} s at {figure(errors[0])} deg down to {figure(times[-1])} s at {figure(errors[-1])} deg.",
        "Left alone on its free carriage the body falls so soon: what the controller is always only a moment away from.",
        3.0,
    )


def describe_rolling_law(design: RollingDesign) -> LawPart:
    """Gains with reasons, margins, and the loop's pictures."""
    place, speed, tilt, rate = design.feedback
    note = (
        f"As state feedback the law is torque = {figure(tilt)} tilt + {figure(rate)} rate + {figure(speed)} speed + {figure(place)} place "
        "(N m of all motors, SI units); all four of one sign, since a carriage that is too far on has to run ahead first, to lean the body "
        "back. Speed and place act through the lean and its limit. In place of an I there is an observer of the balance angle."
    )
    slowest = min(design.outer_pole_rad_s, design.trim_pole_rad_s)
    frequencies = np.geomspace(1e-2 * slowest, pi / design.plant.period_s, 1000)
    loop = open_rolling_loop(design, design.plant).response(frequencies, design.plant.period_s)
    return LawPart(
        _gains(design),
        _as_pid(design),
        note,
        margin_table(design.margins, design.corners),
        draw_nyquist(loop, design.margins),
        draw_sensitivity(frequencies, loop, design.margins, _worst_corner(design, frequencies)),
    )


def _worst_corner(design: RollingDesign, frequencies: NDArray[np.float64]) -> WorstCorner:
    corner, (label, margins) = max(
        zip(rolling_corners(), design.corners, strict=True),
        key=lambda pair: pair[1][1].peak_sensitivity if pair[1][1].stable else inf,
    )
    plant = corner.machine(design.plant)
    loop = open_rolling_loop(design, plant, corner.torque).response(frequencies, plant.period_s)
    return WorstCorner(label, margins.stable, loop)


def _gains(design: RollingDesign) -> Table:
    reasons = _PLAIN_REASONS | dict(design.reasons)
    encoders = isinstance(design.plant.senses, Encoders)
    estimate = ("difference_filter_s",) if encoders else ("filter_time_s", "hold_filter_time_s")
    stops = ("stop_place_m",) if encoders else ("sensor_timeout_ticks",)
    groups = []
    for title, names in (
        ("inner loop", _INNER),
        ("estimate", (*estimate, "tilt_limit_rad", "place_limit_m")),
        ("outer loop", _OUTER),
        ("arming and trips", ("arm_tilt_rad", "stop_tilt_rad", "overspeed_rad_s", *stops)),
    ):
        rows = []
        for name in names:
            words, symbol, unit, factor = _WORDS[name]
            value = figure(factor * float(getattr(design, name)), 4)
            rows.append(row(Cell(words, symbol), value, unit, reasons.get(name, "")))
        groups.append(Group(title, tuple(rows)))
    columns = (Column("number"), Column("value", "number"), Column("unit", "short"), Column("why"))
    return Table("gains", "Every number of the control law and the reason for it.", columns, tuple(groups), prose=True)


def _as_pid(design: RollingDesign) -> Table:
    unit = "V" if design.plant.voltage_drive else "A"
    counts = design.counts_per_n_m
    per_count = design.plant.command_full_scale / design.plant.command_counts
    rows = []
    for name, gain, per in (("Kp", design.feedback[2], "deg"), ("Kd", design.feedback[3], "(deg/s)")):
        per_degree = gain / _DEGREES
        cells = (f"{figure(per_degree, 4)} N m", f"{figure(per_degree * counts * per_count, 4)} {unit}", figure(per_degree * counts, 4))
        rows.append(row(Cell(name, f"per {per}"), *cells))
    columns = (
        Column("gain"),
        Column("torque of all motors", "number"),
        Column("command", "number"),
        Column("command counts", "number"),
    )
    return table("as-pid", "The inner loop for readers who think in PID.", columns, rows)
