"""Raw readings as signals inside their sensors' ranges.

Takes a ``GraphBuilder`` and a sensor's numbers, gives signals.
"""

from __future__ import annotations

import math

from codegen.graph import GraphBuilder, Signal
from codegen.graph.graph import INPUT_RANGES

# The wheel reading is trusted up to this multiple of the top speed; beyond, it is held.
WHEEL_RANGE = 1.5
SIGNED_TYPES = {ctype: ends for ctype, ends in INPUT_RANGES.items() if ends[0] < 0}


def read_sensor(graph: GraphBuilder, name: str, counts_max: int, per_count: float, unit: str, note: str) -> Signal:
    """An input with readings up to ``counts_max``, held inside them where its C type is wider."""
    ctype, largest = next((ctype, largest) for ctype, (_, largest) in SIGNED_TYPES.items() if largest >= counts_max)
    raw = graph.input(name, ctype, per_count, unit, note=note)
    if counts_max == largest:
        return raw
    most = counts_max * per_count
    return graph.clamp(f"{name}_in_range", raw, -most - per_count, most, note=f"{name} inside the sensor's range")


def on_grid(angle_rad: float) -> float:
    """An angle limit as a multiple of 2**-12 rad (0.014 degrees), so that integers hold the very same limit."""
    return math.floor(angle_rad * 4096.0) / 4096.0


def power_of_two(limit: float) -> float:
    """The least power of two that is not below a positive limit.

    For limits that only guard memory: integers hold the very same limit, and it is tested at less cost.
    """
    return 2.0 ** math.ceil(math.log2(limit))
