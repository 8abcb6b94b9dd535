"""The emitted C on a log's readings: does it command what the robot did, bit for bit?

Takes a trace and the compiled controller, gives a ``Replay``. Where the two differ first is where the robot's program, its log or its
memory stop being what was shipped.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from codegen.host.controller import CompiledController
from codegen.telemetry.trace import Trace

RealArray = NDArray[np.float64]


@dataclass(frozen=True)
class Difference:
    """Where log and replay part.

    Attributes:
        tick: The first such tick.
        place: File and line.
        output: Which output.
        logged, replayed: What either has.
        ticks: How many ticks differ in all.
    """

    tick: int
    place: str
    output: str
    logged: int
    replayed: int
    ticks: int

    def message(self) -> str:
        """One sentence."""
        return (
            f"{self.place}: the log has {self.output} = {self.logged}, the C gives {self.replayed} ({self.ticks} ticks differ in all)"
        )


@dataclass(frozen=True)
class Replay:
    """A replayed log.

    Attributes:
        ticks: Replayed.
        difference: The first one, or None.
        starts_in_flight: Whether the log begins with the controller armed already: its memory then is unknown, and nothing can be said.
        outputs: (ticks, outputs) that the C gives.
        memory: (ticks,) by member of the state struct, in raw counts, after each tick.
    """

    ticks: int
    difference: Difference | None
    starts_in_flight: bool
    outputs: NDArray[np.int64]
    memory: Mapping[str, NDArray[np.int64]]

    @property
    def holds(self) -> bool:
        """Whether every output is the same."""
        return self.difference is None


def replay_trace(trace: Trace, controller: CompiledController) -> Replay:
    """Run the controller from its start on the log's readings."""
    run = controller.run(controller.start(1), trace.inputs[:, :, np.newaxis], trace_memory=True)
    given = run.outputs[:, :, 0]
    names = [port.name for port in trace.shape.outputs]
    apart = (given != trace.outputs) & trace.shown
    difference = None
    if apart.any():
        tick = int(np.flatnonzero(apart.any(axis=1))[0])
        which = int(np.flatnonzero(apart[tick])[0])
        difference = Difference(
            tick,
            trace.place(tick),
            names[which],
            int(trace.outputs[tick, which]),
            int(given[tick, which]),
            int(np.sum(apart.any(axis=1))),
        )
    armed = next((place for place, port in enumerate(trace.shape.outputs) if port.role == "armed"), None)
    in_flight = armed is not None and bool(trace.shown[armed]) and bool(trace.outputs[0, armed]) and difference is not None
    memory = {} if run.memory is None else {name: run.memory[:, place, 0] for place, name in enumerate(controller.memory)}
    return Replay(trace.ticks, difference, in_flight, given, memory)
