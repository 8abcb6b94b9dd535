"""A trace as text, the way a robot's log is read back.

Takes raw counts by tick, gives CSV.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from codegen.host.shape import Shape
from codegen.telemetry.record import column_names


def trace_text(shape: Shape, counts: NDArray[np.int32] | NDArray[np.int64], time_s: NDArray[np.float64] | None = None) -> str:
    """CSV of (ticks, inputs + outputs) raw counts, with a column ``time_us`` where ``time_s`` (ticks,) is given."""
    names = column_names(shape)
    head = ",".join((("time_us",) if time_s is not None else ()) + names)
    rows = (",".join(map(str, row)) for row in counts.tolist())
    if time_s is not None:
        rows = (f"{stamp},{row}" for stamp, row in zip(np.round(1e6 * time_s).astype(np.int64).tolist(), rows, strict=True))
    return "\n".join((f"# raw counts of every tick of {shape.name}", head, *rows)) + "\n"
