"""One bench experiment as a picture of its own: the data, the fit over them, and below it what the fit does not explain.

Takes an ``Experiment``, gives SVG text.
"""

from __future__ import annotations

import textwrap

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from codegen.bench import Curve, Experiment
from codegen.report.draw import BLUE, GREY, INK, ORANGE, RED, svg_text, thinned

DATA_IN, RESIDUAL_IN, FOOT_IN, TITLE_LINE_IN = 1.75, 0.9, 0.3, 0.16
TITLE_CHARACTERS = 62
# Share of the panel that is kept free above the data for the legend.
HEADROOM = 0.25
# Beyond this many points a line's every bend costs more than it shows.
MOST_POINTS = 1500


def draw_experiment(experiment: Experiment) -> str:
    """SVG text of the experiment."""
    curves = experiment.curves
    heights = [height for curve in curves for height in ([DATA_IN, RESIDUAL_IN] if curve.residual is not None else [DATA_IN])]

    title = textwrap.wrap(f"{experiment.file_name}: {experiment.headline}", TITLE_CHARACTERS)

    def paint(figure: Figure) -> None:
        panels = list(figure.subplots(len(heights), 1, sharex=True, squeeze=False, gridspec_kw={"height_ratios": heights})[:, 0])
        panels[0].set_title("\n".join(title), loc="left", parse_math=False)
        place = iter(panels)
        for curve in curves:
            _data(next(place), curve, experiment.log_log)
            if curve.residual is not None:
                _residual(next(place), curve)
        panels[-1].set_xlabel(experiment.x_label)
        figure.align_ylabels(panels)

    return svg_text(paint, f"bench-{experiment.kind}", sum(heights) + FOOT_IN + TITLE_LINE_IN * len(title))


def _data(axes: Axes, curve: Curve, log_log: bool) -> None:
    shown = _points(curve.x, curve.data)
    if curve.markers:
        axes.plot(curve.x[shown], curve.data[shown], "o", color=BLUE, markersize=3.6, label="reading")
    else:
        axes.plot(curve.x[shown], curve.data[shown], color=BLUE, linewidth=2.2, label="reading")
    if curve.fit is not None:
        kept = _points(curve.x, curve.fit)
        style = "-" if curve.markers else "--"
        axes.plot(curve.x[kept], curve.fit[kept], style, color=ORANGE, linewidth=1.0, label="fit")
    if log_log:
        axes.set_xscale("log")
        axes.set_yscale("log")
    axes.set_ylabel(curve.label)
    low, high = axes.get_ylim()
    axes.set_ylim(low, high * (high / low) ** HEADROOM if log_log else high + HEADROOM * (high - low))
    axes.legend(loc="upper right", ncols=2, borderpad=0.0)


def _residual(axes: Axes, curve: Curve) -> None:
    assert curve.residual is not None
    kept = _points(curve.x, curve.residual)
    axes.axhline(0.0, color=INK, linewidth=0.6)
    if curve.markers:
        axes.vlines(curve.x[kept], 0.0, curve.residual[kept], color=GREY, linewidth=0.8)
        axes.plot(curve.x[kept], curve.residual[kept], "o", color=RED, markersize=3.0)
    else:
        axes.plot(curve.x[kept], curve.residual[kept], color=RED, linewidth=0.6)
    axes.set_ylabel(curve.residual_label)


def _points(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.int64]:
    """Indices to draw; where there is nothing the line breaks, so a hole keeps one of its points."""
    good = np.isfinite(y)
    if good.all():
        return thinned(y, MOST_POINTS)
    filled = np.where(good, y, np.nanmean(y))
    edges = np.flatnonzero(np.diff(good.astype(np.int8)) != 0)
    return np.unique(np.concatenate((thinned(filled, MOST_POINTS), edges, np.minimum(edges + 1, len(y) - 1)))).astype(np.int64)
