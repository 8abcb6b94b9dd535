"""The front between calm and pokes as a picture: tilt at rest and poke peak over the torque that they cost.

Takes a ``Front``-like set of curves, gives SVG text.
"""

from __future__ import annotations

from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, NullFormatter

from codegen.report.draw import BLUE, GREEN, GREY, ORANGE, RED, mark, svg_text

HEIGHT_IN = 5.4


@dataclass(frozen=True)
class FrontCurve:
    """One curve: torque RMS in per cent of the motor's, tilt RMS in deg, peak in deg after a poke of a tenth of the bound."""

    torque_percent: tuple[float, ...]
    tilt_deg: tuple[float, ...]
    peak_deg: tuple[float, ...]


def draw_front(
    title: str, front: FrontCurve, flown: FrontCurve, least: FrontCurve, bend: int, present: FrontCurve, goal_tilt_deg: float
) -> str:
    """SVG text of the front.

    Args:
        title: One line above the picture.
        front: The structure's best, predicted, by rising rate of pokes.
        flown: The same points with the emitted C on the nonlinear machine, drawn at their predicted torque (what the wheel's drag takes
            is the same for all and would hide the rest).
        least: The LQG optimum, which no linear controller passes.
        bend: Index of the bend.
        present: One point, the design as it is.
        goal_tilt_deg: What the goals ask for.
    """

    def panel(axes: Axes, name: str, label: str, goal: float | None) -> None:
        axes.loglog(least.torque_percent, getattr(least, name), color=GREY, linestyle="--", label="LQG optimum")
        axes.loglog(front.torque_percent, getattr(front, name), color=BLUE, marker="o", markersize=3.5, label="front, predicted")
        measured = {"color": GREEN, "marker": "s", "markersize": 4.0, "linestyle": "none", "label": "flown, emitted C"}
        axes.loglog(front.torque_percent, getattr(flown, name), **measured)
        now = {"color": ORANGE, "marker": "D", "markersize": 6.0, "linestyle": "none", "label": "present design"}
        axes.loglog(present.torque_percent, getattr(present, name), **now)
        x, y = front.torque_percent[bend], getattr(front, name)[bend]
        axes.plot([x], [y], color=RED, marker="o", markersize=10.0, fillstyle="none", markeredgewidth=1.6, linestyle="none")
        mark(axes, x, y, "bend", dx=-4.0, dy=14.0, color=RED)
        if goal is not None:
            axes.axhline(goal, color=RED, linewidth=0.9, linestyle=":")
            mark(axes, min(least.torque_percent), goal, f"goal {goal:g} deg", dx=2.0, dy=6.0, color=RED)
        axes.set_ylabel(label)
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
            axis.set_minor_formatter(NullFormatter())

    def paint(canvas: Figure) -> None:
        above, below = canvas.subplots(2, 1, sharex=True)
        above.set_title(title, loc="left", parse_math=False)
        panel(above, "tilt_deg", "tilt RMS at rest, deg", goal_tilt_deg)
        panel(below, "peak_deg", "peak after a 10 % poke, deg", None)
        for axes, name in ((above, "tilt_deg"), (below, "peak_deg")):
            values = [*getattr(front, name), *getattr(flown, name), *getattr(least, name), *getattr(present, name)]
            values += [goal_tilt_deg] if axes is above else []
            known = [value for value in values if value == value]
            axes.set_ylim(0.75 * min(known), 1.35 * max(known))
        ticks = [0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0]
        reach = [*front.torque_percent, *least.torque_percent, *present.torque_percent]
        below.set_xlim(0.8 * min(reach), 1.25 * max(reach))
        below.set_xticks([tick for tick in ticks if 0.8 * min(reach) <= tick <= 1.25 * max(reach)])
        for axes, ends in ((above, above.get_ylim()), (below, below.get_ylim())):
            places = [base * 10.0**power for power in range(-4, 2) for base in (1.0, 2.0, 5.0)]
            axes.set_yticks([place for place in places if ends[0] <= place <= ends[1]])
        below.set_xlabel("torque RMS at rest by noise, % (more pokes to the right)")
        below.legend(loc="upper center", bbox_to_anchor=(0.5, -0.22), ncols=2)

    return svg_text(paint, "front", HEIGHT_IN)
