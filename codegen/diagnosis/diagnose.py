"""Why does it tremble, and why did it stop: from a log, or from a simulated machine.

Takes a twin and a trace (or a machine), gives ``Diagnosis``.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from codegen.control import ARMED_REGIME
from codegen.control.examine import LinearLoop
from codegen.diagnosis.causes import Cause, Facts, list_causes
from codegen.diagnosis.estimate import Estimated, estimate_flown, twin_readings
from codegen.diagnosis.hunting import predict_hunting
from codegen.diagnosis.shares import Shares, find_shares
from codegen.diagnosis.stop import Stop, find_stop
from codegen.diagnosis.twin import Flown, Twin
from codegen.errors import BenchError
from codegen.rules.real import read_real, real_inputs
from codegen.telemetry import Readings, Replay, Trace, replay_trace

Watch = Callable[[str, float], None]
ROUNDING_TICKS = 20_000
CALM = 1.5
"""A variance within this factor of what the design expects is no trembling."""


@dataclass(frozen=True)
class Diagnosis:
    """What was found.

    Attributes:
        stop: Why it let go; None if it did not.
        shares: What the motion is made of; None where the log is too short to tell.
        causes: By falling share.
        replay: Of the log through the C; None for a simulation.
        estimated: The machine as flown; None for a simulation or a log that is too short.
        readings: Of the log, and of the twin, at rest; None where there is none.
        notes: What has to be said besides.
    """

    stop: Stop | None
    shares: Shares | None
    causes: tuple[Cause, ...]
    replay: Replay | None
    estimated: Estimated | None
    readings: tuple[Readings | None, Readings | None]
    notes: tuple[str, ...]

    @property
    def first(self) -> str:
        """The name of what stands first: what stopped it, else the largest cause."""
        if self.stop is not None:
            return self.stop.name
        return self.causes[0].title if self.causes else "nothing"

    @property
    def is_calm(self) -> bool:
        """Whether it neither stopped nor moves more than the design expects."""
        return self.stop is None and self.shares is not None and self.shares.excess < CALM


def diagnose_log(trace: Trace, twin: Twin, watch: Watch = lambda name, share: None) -> Diagnosis:
    """Of a robot's log.

    Raises:
        BenchError: The log is of another machine, or so short that neither can be said.
        GraphError: The controller's law is linear nowhere.
    """
    watch("replaying", 0.0)
    replay = replay_trace(trace, twin.controller)
    notes = list(trace.notes)
    if replay.starts_in_flight:
        notes.append("the log begins in flight, where the controller's memory is not known: it cannot be replayed")
    elif replay.difference is not None:
        notes.append(f"the robot does not run this C: {replay.difference.message()}")
    stop = find_stop(trace, replay, twin.designed.design, twin.fixed)
    watch("reading the log", 0.05)
    try:
        estimated = estimate_flown(trace, twin)
    except BenchError as error:
        if stop is None:
            raise
        notes.append(f"{error.what}: what moves it before it stops is not looked into")
        return Diagnosis(stop, None, (), replay, None, (None, None), tuple(notes))
    shares = find_shares(twin, estimated.flown, lambda name, share: watch(f"without {name}", 0.4 + 0.55 * share))
    causes = list_causes(shares, _facts(twin, estimated.flown, estimated.calm, trace.inputs, estimated))
    shown = twin_readings(twin, estimated.flown)
    notes += _agreement(estimated.calm, shown)
    return Diagnosis(stop, shares, causes, replay, estimated, (estimated.calm, shown), tuple(notes))


def diagnose_machine(flown: Flown, twin: Twin, watch: Watch = lambda name, share: None) -> Diagnosis:
    """Of a simulated machine."""
    shares = find_shares(twin, flown, lambda name, share: watch(f"without {name}", 0.05 + 0.9 * share))
    shown = twin_readings(twin, flown)
    counts = twin.fly(flown, counts=True).counts
    if counts is None:
        raise AssertionError("the flight was asked for its counts")
    inputs = counts[:, : len(twin.shape.inputs)].astype(np.int64)
    causes = list_causes(shares, _facts(twin, flown, shown, inputs, None))
    return Diagnosis(None, shares, causes, None, None, (None, shown), ())


def _agreement(calm: Readings, shown: Readings) -> list[str]:
    """Whether the twin trembles as the robot does."""
    if not shown.ticks:
        return ["the twin falls where the robot stands: take the shares with care"]
    pairs = (
        ("tilt rate", calm.rate_rad_s, shown.rate_rad_s),
        ("wheel speed", calm.wheel_rad_s, shown.wheel_rad_s),
        ("command", calm.torque_n_m, shown.torque_n_m),
    )
    ratios = {name: float(np.std(twin)) / max(float(np.std(log)), 1e-12) for name, log, twin in pairs}
    return [f"of the log's RMS the twin shows: {', '.join(f'{name} {100.0 * ratio:.0f} %' for name, ratio in ratios.items())}"]


def _facts(twin: Twin, flown: Flown, calm: Readings, inputs: NDArray[np.int64], estimated: Estimated | None) -> Facts:
    loop = LinearLoop(twin.graph, twin.designed.plant, ARMED_REGIME)
    # About standstill the counter dithers; a turn round counts once the wheel has really moved the other way.
    least = max(2.0 / twin.designed.plant.wheel_counts_per_rad_s, 0.2)
    direction = np.sign(np.where(np.abs(calm.wheel_rad_s) >= least, calm.wheel_rad_s, 0.0))
    moving = direction[direction != 0.0]
    return Facts(
        twin=twin,
        flown=flown,
        found=None if estimated is None else estimated.found,
        rounding_counts=rounding_counts(twin, inputs),
        hunting_rad_s=predict_hunting(loop, flown.plant),
        wheel_std_rad_s=float(np.std(calm.wheel_rad_s)) if calm.ticks else 0.0,
        reversals_per_s=float(np.sum(np.diff(moving) != 0.0)) / max(calm.ticks * calm.period_s, 1e-9),
    )


def rounding_counts(twin: Twin, inputs: NDArray[np.int64]) -> float:
    """RMS, in counts of the command, by which the robot's C differs from the float64 reference on the same readings (ticks, inputs)."""
    part = inputs[:ROUNDING_TICKS]
    if not len(part):
        return 0.0
    given = twin.controller.run(twin.controller.start(1), part[:, :, np.newaxis]).outputs[:, 0, 0]
    reading = read_real(twin.graph)
    memory = reading.start()
    names = [node.name for node in twin.graph.inputs]
    signal = twin.graph.outputs[0].signal
    per_count = twin.shape.outputs[0].per_count
    exact = [
        reading.tick(memory, real_inputs(twin.graph, dict(zip(names, map(int, row), strict=True))))[signal] / per_count for row in part
    ]
    difference = given - np.floor(np.asarray(exact, dtype=np.float64) + 0.5)
    return float(math.sqrt(np.mean(difference**2)))
