"""Pictures in one style: scalable, self-contained, the same bytes for the same data.

Takes a function that paints a matplotlib figure, gives a ``Picture``.  Touches no state outside: the object interface only, and a
style that is put back afterwards, whatever the user's own settings are.
"""

from __future__ import annotations

import base64
import io
from collections.abc import Callable
from itertools import pairwise

import matplotlib
import matplotlib.style
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from codegen.report.parts import Picture

# Colours that stay apart for every kind of colour vision (Okabe, Ito, "Color Universal Design", 2008; from memory).
BLUE, ORANGE, GREEN, RED, PURPLE = "#0072b2", "#e69f00", "#009e73", "#d55e00", "#a34d80"
INK, GREY, PALE = "#22303c", "#7b8794", "#d9dfe3"

WIDTH_IN = 5.0
MOST_POINTS = 1000

_STYLE = {
    "svg.fonttype": "path",
    "font.family": ["DejaVu Sans"],
    "font.size": 9.0,
    "axes.edgecolor": GREY,
    "axes.labelcolor": INK,
    "axes.titlesize": 9.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.formatter.use_mathtext": True,
    "grid.color": PALE,
    "grid.linewidth": 0.6,
    "xtick.color": INK,
    "ytick.color": INK,
    "text.color": INK,
    "lines.linewidth": 1.4,
    "legend.frameon": False,
    "legend.fontsize": 8.0,
    "savefig.facecolor": "white",
}

Paint = Callable[[Figure], None]


def svg_text(paint: Paint, name: str, height_in: float) -> str:
    """What ``paint`` makes on an empty figure of ``WIDTH_IN`` times ``height_in`` inches, as SVG text."""
    with matplotlib.style.context({**_STYLE, "svg.hashsalt": name}, after_reset=True):
        canvas = Figure(figsize=(WIDTH_IN, height_in), layout="constrained")
        paint(canvas)
        text = io.StringIO()
        canvas.savefig(text, format="svg", metadata={"Date": None, "Creator": None, "Type": None, "Format": None})
    return text.getvalue()


def draw(paint: Paint, name: str, alt: str, caption: str, height_in: float) -> Picture:
    """The picture that ``paint`` makes, to be put into a page."""
    data = base64.b64encode(svg_text(paint, name, height_in).encode("utf-8")).decode("ascii")
    return Picture(name, alt, caption, f"data:image/svg+xml;base64,{data}")


def mark(axes: Axes, x: float, y: float, text: str, *, dx: float = 4.0, dy: float = 4.0, color: str = INK) -> None:
    """A text beside a point, shifted by points of type."""
    axes.annotate(
        text,
        (x, y),
        (dx, dy),
        textcoords="offset points",
        color=color,
        fontsize=8.0,
        ha="left",
        va="center",
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.85},
    )


def thinned(values: NDArray[np.float64], most: int = MOST_POINTS) -> NDArray[np.int64]:
    """Indices, ascending, of about ``most`` samples that keep every peak a picture can show.

    They are the ends, and the least and the greatest of each of ``most``/2 equal pieces.
    """
    if len(values) <= most:
        return np.arange(len(values))
    edges = np.linspace(0, len(values), most // 2 + 1).astype(np.int64)
    kept = [0, len(values) - 1]
    for first, end in pairwise(edges):
        piece = values[first:end]
        kept += [int(first + np.argmin(piece)), int(first + np.argmax(piece))]
    return np.unique(np.array(kept, dtype=np.int64))
