"""One simulated flight as a picture of its own: tilt, wheel speed, torque and, where known, the controller's trim.

Takes a ``Flight`` with recorded rows, gives SVG text.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from codegen.plant import Flight, RollingFlight
from codegen.report.draw import BLUE, GREEN, ORANGE, RED, svg_text, thinned

HEIGHT_IN = 1.5


def draw_flight(flight: Flight, title: str, estimates: Mapping[str, NDArray[np.float64]] | None = None) -> str:
    """SVG text of the flight.

    Args:
        flight: With recorded rows.
        title: One line above the picture.
        estimates: The controller's own ``trim`` and ``lean`` in rad, one value per recorded row.
    """
    panels = [
        ("tilt, deg", [("true tilt", np.degrees(flight.tilt_rad), BLUE)]),
        ("place, m", [("place", flight.position_m, ORANGE)])
        if isinstance(flight, RollingFlight)
        else ("wheel, rad/s", [("wheel speed", flight.wheel_rad_s, ORANGE)]),
        ("torque, mN m", [("motor torque", 1e3 * flight.torque_n_m, GREEN)]),
    ]
    known = [(name, color) for name, color in (("trim", RED), ("lean", BLUE)) if estimates and name in estimates]
    if known and estimates:
        panels.append(("deg", [(name, np.degrees(estimates[name]), color) for name, color in known]))

    def paint(figure: Figure) -> None:
        axes = figure.subplots(len(panels), 1, sharex=True, squeeze=False)[:, 0]
        axes[0].set_title(title, loc="left", parse_math=False)
        for place, (label, lines) in zip(axes, panels, strict=True):
            for name, values, color in lines:
                kept = thinned(values)
                place.plot(flight.time_s[kept], values[kept], color=color, label=name, linewidth=1.0)
            place.set_ylabel(label)
            if len(lines) > 1:
                place.legend(loc="upper right")
        axes[-1].set_xlabel("time, s")

    return svg_text(paint, "flight", HEIGHT_IN * len(panels))
