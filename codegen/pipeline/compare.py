"""A robot's log against what was shipped: replayed bit for bit, and the machine as it flew beside the prediction."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from codegen.build import Build, parse_build
from codegen.control import ARMED_REGIME
from codegen.control.examine import LinearLoop
from codegen.errors import BenchError
from codegen.host.controller import CompiledController
from codegen.host.shape import Shape, shape_of
from codegen.pipeline.progress import Progress
from codegen.plant import model_plant
from codegen.shipped import ShippedFolder, read_file, read_shipped
from codegen.targets import read_target
from codegen.telemetry import Replay, Trace, find_as_flown, read_trace, replay_trace
from codegen.telemetry.comparison import Change, Compared, changes_since, compare_flown, read_comparison

BUILD_COPY = "build.toml"
PACKED_FAMILIES = ("avr",)
LARGEST_PEAK = 1.7
"""Peak sensitivity as flown up to which a loop is healthy; common practice, no source."""


@dataclass(frozen=True)
class Comparison:
    """What came out.

    Attributes:
        name: Of the controller.
        replay: Of the log through the shipped C.
        compared: Stated and found; empty for a controller without a build file or a log that is too short.
        changes: Since the earlier log; empty without one.
        notes: What has to be said besides.
    """

    name: str
    replay: Replay
    compared: tuple[Compared, ...]
    changes: tuple[Change, ...]
    notes: tuple[str, ...]

    @property
    def failures(self) -> tuple[str, ...]:
        """What does not hold."""
        found = []
        if self.replay.difference is not None and not self.replay.starts_in_flight:
            found.append(f"the robot does not do what this C does: {self.replay.difference.message()}")
        peak = next((one for one in self.compared if one.name == "peak sensitivity"), None)
        if peak is not None and not peak.found <= LARGEST_PEAK:
            found.append(f"the loop flies with a peak sensitivity of {peak.found:.3g}, more than {LARGEST_PEAK:g}")
        return tuple(found)


def compare_robot(folder: Path, log: Path, progress: Progress, *, since: Path | None = None, oldest: int = 0) -> Comparison:
    """Compare the log of a robot with the shipment in ``folder``.

    Args:
        folder: What ``loopwright ship`` wrote.
        log: Text or memory dump of every tick.
        progress: Told of the stages.
        since: An earlier comparison (JSON) or an earlier log.
        oldest: Of a dump: index of the oldest record.

    Raises:
        LoopwrightError: The folder is no shipment, or a log cannot be read.
    """
    with progress.during("reading", 0.0):
        shipped = read_shipped(folder)
        shape = shape_of(shipped.graph.name, shipped.fixed())
        aligned = read_target(shipped.evidence.target).chip.family not in PACKED_FAMILIES
        trace = read_trace(log, shape, aligned=aligned, oldest=oldest)
    with progress.during("replaying", 0.2):
        replay = _replayed(shipped, shape, trace)
    notes = list(trace.notes)
    if replay.starts_in_flight:
        notes.append("the log begins in flight, where the controller's memory is not known: a replay says nothing")
    compared: tuple[Compared, ...] = ()
    changes: tuple[Change, ...] = ()
    copy = folder / BUILD_COPY
    if copy.is_file():
        build = parse_build(read_file(copy), BUILD_COPY)
        with progress.during("comparing", 0.4):
            try:
                compared = _compared(build, shipped, trace)
            except BenchError as error:
                notes.append(f"not compared with the prediction: {error.what}")
        if since is not None and compared:
            with progress.during("reading what was before", 0.7):
                changes = changes_since(_earlier(since, build, shipped, shape, aligned=aligned), compared)
    elif since is not None:
        notes.append("nothing is compared with an earlier log: the folder has no build file")
    progress.stage("done", 1.0)
    return Comparison(shipped.graph.name, replay, compared, changes, tuple(notes))


def _replayed(shipped: ShippedFolder, shape: Shape, trace: Trace) -> Replay:
    name = shipped.emission.name
    sources = {f"{name}.h": shipped.emission.header, f"{name}.c": shipped.emission.source}
    with CompiledController(shape, sources) as controller:
        return replay_trace(trace, controller)


def _compared(build: Build, shipped: ShippedFolder, trace: Trace) -> tuple[Compared, ...]:
    plant = model_plant(build)
    found = find_as_flown(trace, plant, shipped.graph)
    return compare_flown(build, LinearLoop(shipped.graph, plant, ARMED_REGIME), found)


def _earlier(since: Path, build: Build, shipped: ShippedFolder, shape: Shape, *, aligned: bool) -> tuple[Compared, ...]:
    if since.suffix != ".json":
        return _compared(build, shipped, read_trace(since, shape, aligned=aligned))
    try:
        document = json.loads(read_file(since))
    except json.JSONDecodeError as error:
        place = f"{since.name}, line {error.lineno}"
        raise BenchError(f"this is not JSON ({error.msg})", place, "give an earlier comparison or log") from None
    return read_comparison(document, since.name)
