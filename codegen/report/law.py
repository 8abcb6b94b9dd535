"""The control law's numbers, why they are what they are, and how robust they are.

Takes a design, gives tables and pictures.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import degrees, inf, pi

import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Circle
from matplotlib.ticker import FuncFormatter
from numpy.typing import NDArray

from codegen.control.examine import LinearLoop
from codegen.control.structures import open_loop
from codegen.design import Design
from codegen.design.goals import CORNER_PEAK_TARGET, PEAK_SENSITIVITY_TARGET
from codegen.design.laws import CascadeLaw, LqgLaw, TiltPidLaw, pd_gains, structure_of, uses
from codegen.design.margins import Margins, corners
from codegen.report.draw import BLUE, GREY, ORANGE, RED, draw, mark
from codegen.report.parts import Cell, Column, Group, Picture, Table, row, table, yes_no
from codegen.report.wording import figure, fixed_point

# Name of a gain: (words, symbol, unit shown, factor from the SI value to it).
_DEGREES = 180.0 / pi
COMMON_WORDS: dict[str, tuple[str, str, str, float]] = {
    "inner_pole_rad_s": ("inner pole", "w", "rad/s", 1.0),
    "filter_time_s": ("complementary filter, balancing", "τ", "s", 1.0),
    "hold_filter_time_s": ("complementary filter, held in the hand", "τ", "s", 1.0),
    "outer_pole_rad_s": ("outer pole", "w_o", "rad/s", 1.0),
    "momentum_gain_rad_per_n_m_s": ("momentum gain", "k_H = w_o/G", "rad/(N m s)", 1.0),
    "lean_limit_rad": ("largest lean", "", "deg", _DEGREES),
    "trim_pole_rad_s": ("trim observer", "w_t", "rad/s", 1.0),
    "trim_limit_rad": ("largest trim", "", "deg", _DEGREES),
    "tilt_limit_rad": ("clamp of the tilt estimate", "", "deg", _DEGREES),
    "arm_tilt_rad": ("arms within", "", "deg", _DEGREES),
    "stop_tilt_rad": ("trips beyond", "", "deg", _DEGREES),
    "sensor_timeout_ticks": ("trips on sensors without news after", "", "ticks", 1.0),
}
"""Numbers that every law of a balancing machine has."""
_WORDS = COMMON_WORDS | {
    "proportional_n_m_per_rad": ("proportional gain", "Kp", "N m/rad", 1.0),
    "derivative_n_m_s_per_rad": ("derivative gain, on the gyro", "Kd", "N m s/rad", 1.0),
    "lean_gain_n_m_per_rad": ("lean gain", "I λ w", "N m/rad", 1.0),
    "wheel_gain_n_m_s": ("gain on the wheel speed, makes up for back-EMF", "Kt²/R", "N m s", 1.0),
    "wheel_setpoint_rad_s": ("wheel set-point", "", "rad/s", 1.0),
    "overspeed_rad_s": ("trips beyond wheel speed", "", "rad/s", 1.0),
}
_GROUPS = (
    (
        "inner loop",
        (
            "inner_pole_rad_s",
            "proportional_n_m_per_rad",
            "derivative_n_m_s_per_rad",
            "lean_gain_n_m_per_rad",
            "wheel_gain_n_m_s",
        ),
    ),
    ("tilt estimate", ("filter_time_s", "hold_filter_time_s", "tilt_limit_rad")),
    (
        "outer loop",
        (
            "outer_pole_rad_s",
            "momentum_gain_rad_per_n_m_s",
            "lean_limit_rad",
            "trim_pole_rad_s",
            "trim_limit_rad",
            "wheel_setpoint_rad_s",
        ),
    ),
    ("arming and trips", ("arm_tilt_rad", "stop_tilt_rad", "overspeed_rad_s", "sensor_timeout_ticks")),
)
_PLAIN_REASONS = {
    "proportional_n_m_per_rad": "Kp = G + I λ w: gravity's torque per radian, and as much again as moves the falling pole to w",
    "lean_gain_n_m_per_rad": "what makes the body follow the lean that the outer loop asks for",
    "wheel_gain_n_m_s": "nothing to make up for with a current drive; with a voltage drive the back-EMF",
    "momentum_gain_rad_per_n_m_s": "lean per surplus momentum, so that gravity takes the momentum away at the outer pole's rate",
    "arm_tilt_rad": "from the build file's goals",
    "stop_tilt_rad": "from the build file's goals",
}


@dataclass(frozen=True)
class LawPart:
    """The section's content."""

    gains: Table
    as_pid: Table | None
    pid_note: str
    margins: Table
    nyquist: Picture | None
    sensitivity: Picture | None


def describe_law(design: Design) -> LawPart:
    """Gains with reasons, margins, and the loop's pictures."""
    gains, margins = _gains(design), margin_table(design.margins, design.corners)
    linear = open_loop(design)
    pd = pd_gains(design.law, design)
    if linear is None or pd is None:
        return LawPart(gains, None, f"{structure_of(design.law.structure).words}.", margins, None, None)
    frequencies = _frequencies(design)
    loop = linear.opened()(frequencies)
    return LawPart(
        gains,
        _as_pid(design, pd),
        _pid_note(design, pd),
        margins,
        draw_nyquist(loop, design.margins),
        draw_sensitivity(frequencies, loop, design.margins, _worst_corner(design, linear, frequencies)),
    )


def _pid_note(design: Design, pd: tuple[float, float]) -> str:
    share = design.plant.divergence_rad_s * pd[1] / pd[0]
    note = (
        "With the lean and the trim at rest the inner loop is a PD controller on the tilt, the D from the gyro and never from "
        f"differences of angles. λ·Kd/Kp is {figure(share)}; below 0.6 a tuned PID loses most of the recoverable poke "
        "although its margins still look good."
    )
    if isinstance(design.law, TiltPidLaw):
        return f"{note} Nothing here looks at the wheel, so it creeps to its top speed and the body falls."
    if isinstance(design.law, LqgLaw):
        return (
            f"The feedback of the estimate amounts to a PD controller on tilt and rate, with λ·Kd/Kp of {figure(share)}; below 0.6 most of "
            "the recoverable poke is lost although the margins still look good. The part on the momentum brings the wheel back, and the "
            "estimate of the accelerometer's offset and the gyro's bias takes the place of the I."
        )
    if isinstance(design.law, CascadeLaw):
        return (
            f"{note} The outer loop takes the place of the I: proportional on the wheel's speed, and an observer of the balance angle "
            "instead of an integral."
        )
    return (
        f"{note} The outer loop takes the place of the I: proportional on the momentum, and an observer of the balance angle instead "
        "of an integral."
    )


def _gains(design: Design) -> Table:
    reasons = _PLAIN_REASONS | dict(design.reasons)
    own = [
        row(Cell(number.words, number.symbol), figure(number.value, 4), number.unit, number.reason) for number in design.law.numbers()
    ]
    groups = [Group(f"structure: {structure_of(design.law.structure).title}", tuple(own))] if own else []
    for title, names in _GROUPS:
        rows = []
        for name in (name for name in names if uses(design.law, name)):
            words, symbol, unit, factor = _WORDS[name]
            value = figure(factor * float(getattr(design, name)), 4)
            rows.append(row(Cell(words, symbol), value, unit, reasons.get(name, "")))
        if rows:
            groups.append(Group(title, tuple(rows)))
    columns = (Column("number"), Column("value", "number"), Column("unit", "short"), Column("why"))
    return Table("gains", "Every number of the control law and the reason for it.", columns, tuple(groups), prose=True)


def _as_pid(design: Design, pd: tuple[float, float]) -> Table:
    unit = "V" if design.plant.voltage_drive else "A"
    counts = design.counts_per_n_m
    per_count = design.plant.command_full_scale / design.plant.command_counts
    rows = []
    for name, gain, per in (
        ("Kp", pd[0], "deg"),
        ("Kd", pd[1], "(deg/s)"),
    ):
        per_degree = gain / _DEGREES
        rows.append(
            row(
                Cell(name, f"per {per}"),
                f"{figure(1e3 * per_degree, 4)} mN m",
                f"{figure(per_degree * counts * per_count, 4)} {unit}",
                figure(per_degree * counts, 4),
            )
        )
    columns = (Column("gain"), Column("torque", "number"), Column("command", "number"), Column("command counts", "number"))
    return table("as-pid", "The inner loop for readers who think in PID.", columns, rows)


def margin_table(margins: Margins, around: tuple[tuple[str, Margins], ...]) -> Table:
    """Margins as built and on machines that differ."""

    def cells(label: str, margins: Margins) -> tuple[Cell, ...]:
        if not margins.stable:
            return row(label, yes_no(False), *["" for _ in range(6)])
        return row(
            label,
            yes_no(True),
            fixed_point(margins.peak_sensitivity, 2),
            fixed_point(margins.disk_margin, 2),
            fixed_point(margins.gain_margin_down, 2),
            fixed_point(margins.gain_margin_up, 2),
            fixed_point(degrees(margins.phase_margin_rad), 1),
            fixed_point(1e3 * margins.delay_margin_s, 1),
        )

    rows = [cells("as built", margins), *(cells(label, there) for label, there in around)]
    columns = (
        Column("machine"),
        Column("stable", "verdict"),
        Column("peak Ms", "number"),
        Column("disk", "number"),
        Column("gain ×, down to", "number"),
        Column("gain ×, up to", "number"),
        Column("phase, deg", "number"),
        Column("delay, ms", "number"),
    )
    caption = (
        "How far the loop is from instability, on the machine as built and on machines that differ from it. Good figures: "
        f"Ms at most {PEAK_SENSITIVITY_TARGET:g} (at the corners {CORNER_PEAK_TARGET:g}), disk at least 0.8, gain down to 0.5 "
        "and up to 4."
    )
    return table("margins", caption, columns, rows)


def _frequencies(design: Design) -> NDArray[np.float64]:
    slowest = min(design.outer_pole_rad_s, design.trim_pole_rad_s)
    return np.geomspace(1e-2 * slowest, pi / design.plant.period_s, 1500)


def draw_nyquist(loop: NDArray[np.complex128], margins: Margins) -> Picture:
    """The curve of the loop (k,), opened at the torque command."""
    radius = 1.0 / margins.peak_sensitivity
    reach = min(9.0, 1.25 / margins.gain_margin_down) if margins.gain_margin_down > 0.0 else 3.0

    def paint(canvas: Figure) -> None:
        axes = canvas.subplots()
        axes.add_patch(Circle((-1.0, 0.0), radius, facecolor=ORANGE, alpha=0.25, edgecolor="none"))
        axes.plot(loop.real, loop.imag, color=BLUE)
        axes.plot(loop.real, -loop.imag, color=BLUE, linewidth=0.8, alpha=0.5)
        axes.plot([-1.0], [0.0], color=RED, marker="+", markersize=9.0, markeredgewidth=1.8)
        mark(axes, -1.0, 0.0, "-1", dx=6.0, dy=8.0, color=RED)
        axes.set_xlim(-reach, 1.5)
        half = 0.42 * (reach + 1.5)
        axes.set_ylim(-half, half)
        axes.set_aspect("equal")
        axes.set_xlabel("real part of the loop gain")
        axes.set_ylabel("imaginary part")

    return draw(
        paint,
        "nyquist",
        f"Nyquist curve of the loop; it stays outside the circle of radius {figure(radius)} around -1.",
        "The loop opened at the torque command (thin: negative frequencies). The curve keeps out of the shaded disc of radius "
        f"1/Ms = {figure(radius)} around -1.",
        3.9,
    )


@dataclass(frozen=True)
class WorstCorner:
    """The loop (k,) on the machine with the highest sensitivity peak of those that differ from the nominal one."""

    label: str
    stable: bool
    loop: NDArray[np.complex128]


def _worst_corner(design: Design, linear: LinearLoop, frequencies: NDArray[np.float64]) -> WorstCorner | None:
    worst = max(
        (corner for corner in zip(corners(), design.corners, strict=bool(design.corners))),
        key=lambda pair: pair[1][1].peak_sensitivity if pair[1][1].stable else inf,
        default=None,
    )
    if worst is None:
        return None
    corner, (label, margins) = worst
    plant = corner.machine(design.plant)
    return WorstCorner(label, margins.stable, linear.opened(plant, corner.torque)(frequencies))


def draw_sensitivity(
    frequencies: NDArray[np.float64], loop: NDArray[np.complex128], margins: Margins, worst: WorstCorner | None
) -> Picture:
    """|1/(1 + L)| over the frequencies (k,) in rad/s, as built and at the worst corner."""
    hertz = frequencies / (2.0 * pi)
    here = np.abs(1.0 / (1.0 + loop))

    def paint(canvas: Figure) -> None:
        axes = canvas.subplots()
        axes.loglog(hertz, here, color=BLUE, label="as built")
        if worst is not None:
            there = np.abs(1.0 / (1.0 + worst.loop))
            label = "worst corner" if worst.stable else "worst corner (unstable)"
            axes.loglog(hertz, there, color=ORANGE, linestyle="--", label=label)
        axes.axhline(PEAK_SENSITIVITY_TARGET, color=GREY, linewidth=0.9, linestyle=":")
        mark(axes, float(hertz[0]), PEAK_SENSITIVITY_TARGET, f"target {PEAK_SENSITIVITY_TARGET:g}", dx=2.0, dy=6.0, color=GREY)
        peak = int(np.argmax(here))
        axes.plot([hertz[peak]], [here[peak]], color=BLUE, marker="o", markersize=4.0)
        mark(axes, float(hertz[peak]), float(here[peak]), f"Ms {here[peak]:.2f}", dx=0.0, dy=-9.0, color=BLUE)
        axes.set_ylim(max(1e-3, 0.6 * float(here.min())), 5.0)
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        axes.set_xlabel("frequency, Hz")
        axes.set_ylabel("sensitivity |S|")
        axes.legend(loc="lower right")

    label = "" if worst is None else f" The worst corner is: {worst.label}."
    return draw(
        paint,
        "sensitivity",
        f"Sensitivity over frequency, peak {figure(margins.peak_sensitivity)}.",
        "Below 1 a disturbance is pushed back, above 1 it is passed on stronger." + label,
        3.2,
    )
