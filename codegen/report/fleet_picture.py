"""A fleet of simulated machines as one picture: how the many did, what decided it, and the worst machine's flight.

Takes outcomes, their verdict and the worst flight, gives SVG text.
"""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from codegen.plant import Flight
from codegen.report.draw import BLUE, GREEN, GREY, INK, ORANGE, RED, svg_text, thinned
from codegen.report.wording import figure, whole
from codegen.robustness import FleetOrder, FleetVerdict, Influence, MachineOutcome

MOST_BARS = 7
BINS = 40
HEIGHT_IN = 8.6


def draw_fleet(
    title: str, order: FleetOrder, outcomes: tuple[MachineOutcome, ...], verdict: FleetVerdict, worst: Flight
) -> str:
    """SVG text of the fleet; ``worst`` with every tick recorded."""

    def paint(canvas: Figure) -> None:
        many, causes, one = np.asarray(canvas.subfigures(3, 1, height_ratios=[2.2, 1.9, 4.0]))
        peaks, rest = many.subplots(1, 2)
        survived = [outcome for outcome in outcomes if outcome.up]
        _histogram(peaks, np.degrees([outcome.peak_rad for outcome in survived]), "largest tilt after a poke, deg")
        _histogram(rest, np.degrees([outcome.tilt_rms_rad for outcome in survived]), "tilt RMS at rest, deg")
        peaks.set_ylabel("machines")
        many.suptitle(_headline(title, order, verdict), x=0.01, ha="left", fontsize=9.0, color=INK, parse_math=False)
        _bars(causes.subplots(), verdict.peak_influences)
        causes.suptitle("What decides the largest tilt", x=0.01, ha="left", fontsize=9.0, color=INK)
        panels = one.subplots(3, 1, sharex=True)
        _flight(list(panels), order, worst)
        fell = f", falls after {figure(worst.fell_at_s)} s" if worst.fell_at_s is not None else ""
        one.suptitle(f"The worst of them, machine {verdict.worst.number}{fell}", x=0.01, ha="left", fontsize=9.0, color=INK)
        one.align_ylabels(list(panels))

    return svg_text(paint, "fleet", HEIGHT_IN)


def _headline(title: str, order: FleetOrder, verdict: FleetVerdict) -> str:
    share = verdict.survive
    return (
        f"{title}\n{whole(share.count)} of {whole(share.of)} machines stand and survive pokes of {figure(1e3 * order.poke_n_m_s)} mN m s\n"
        f"(true share {figure(100.0 * share.low, 4)} to {figure(100.0 * share.high, 4)} % with 95 % confidence)"
    )


def _histogram(axes: Axes, values: NDArray[np.float64], label: str) -> None:
    axes.set_xlabel(label)
    axes.grid(visible=False, axis="x")
    axes.set_axisbelow(True)
    if not len(values):
        axes.text(0.5, 0.5, "none stands", transform=axes.transAxes, ha="center", color=RED)
        return
    axes.hist(values, bins=BINS, color=BLUE, linewidth=0.0)
    # Small numbers have long labels.
    axes.locator_params(axis="x", nbins=4)
    for value, color in ((np.median(values), ORANGE), (np.quantile(values, 0.95), GREY)):
        axes.axvline(value, color=color, linewidth=1.2)
    axes.set_title("median", loc="left", color=ORANGE, fontsize=8.0)
    axes.set_title("95 % below", loc="right", color=GREY, fontsize=8.0)


def _bars(axes: Axes, influences: tuple[Influence, ...]) -> None:
    shown = [influence for influence in influences if influence.is_sure][:MOST_BARS][::-1]
    axes.set_xlabel("share of the variance of ranks, %")
    axes.grid(visible=False, axis="y")
    axes.set_axisbelow(True)
    if not shown:
        axes.text(0.0, 0.5, "nothing stands out of chance", transform=axes.transAxes, color=GREY)
        axes.set_axis_off()
        return
    colors = [RED if influence.coefficient > 0.0 else GREEN for influence in shown]
    axes.barh([influence.uncertain.name for influence in shown], [100.0 * influence.share for influence in shown], color=colors, height=0.7)
    axes.text(0.98, 0.22, "more of it makes it worse", transform=axes.transAxes, color=RED, fontsize=8.0, ha="right")
    axes.text(0.98, 0.08, "more of it makes it better", transform=axes.transAxes, color=GREEN, fontsize=8.0, ha="right")


def _flight(axes: list[Axes], order: FleetOrder, flight: Flight) -> None:
    lines = (
        ("tilt, deg", np.degrees(flight.tilt_rad), BLUE),
        ("wheel, rad/s", flight.wheel_rad_s, ORANGE),
        ("torque, mN m", 1e3 * flight.torque_n_m, GREEN),
    )
    for place, (label, values, color) in zip(axes, lines, strict=True):
        kept = thinned(values)
        place.plot(flight.time_s[kept], values[kept], color=color, linewidth=1.0)
        place.set_ylabel(label)
        place.margins(x=0.0, y=0.1)
        for time_s in (time_s for time_s in order.poke_times_s if time_s <= flight.time_s[-1]):
            place.axvline(time_s, color=GREY, linestyle=":", linewidth=1.0)
    axes[-1].set_xlabel("time, s (dotted: the two pokes)")
