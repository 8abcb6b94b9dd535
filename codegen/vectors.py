"""Test vectors: inputs and the outputs that the integer model gives, for a test bench of the user's own.

Takes a fixed graph and recorded readings, gives CSV text: raw counts, one tick a row, from the start state on.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from codegen.rules.fixed import FixedGraph
from codegen.rules.integer import read_integer
from codegen.verify.draws import draw_class

FLIGHT_TICKS, TICKS_PER_CLASS = 800, 200
SEED = 7


def draw_vectors(fixed: FixedGraph, traces: Sequence[NDArray[np.int64]] = ()) -> str:
    """CSV with a header: tick, every input, every output.

    The start of each recorded flight, then edges, held levels and white noise, without a new start between them.
    """
    rng = np.random.default_rng(SEED)
    reading = read_integer(fixed)
    memory = reading.start()
    names = [node.name for node in fixed.graph.inputs]
    lines = [",".join(["tick", *names, *(output.name for output in fixed.graph.outputs)])]
    blocks = [trace[:FLIGHT_TICKS] for trace in traces]
    blocks += [draw_class(kind, fixed, rng, TICKS_PER_CLASS, 1)[:, :, 0] for kind in ("edges", "held", "white")]
    for block in blocks:
        for row in block:
            values = reading.tick(memory, {name: int(value) for name, value in zip(names, row, strict=True)})
            shown = [values[output.signal] for output in fixed.graph.outputs]
            lines.append(",".join(str(int(number)) for number in [len(lines) - 1, *row, *shown]))
    return "\n".join(lines) + "\n"
