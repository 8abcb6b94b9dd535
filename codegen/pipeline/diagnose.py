"""Why does it tremble: a build file and a robot's log, or a simulated machine, to causes and a picture."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from codegen.build import read_unjudged
from codegen.diagnosis import Diagnosis, Flown, Twin, diagnose_log, diagnose_machine
from codegen.emit import Emission, emit_controller
from codegen.errors import LoopwrightError
from codegen.formats import choose_formats
from codegen.pipeline.progress import Progress
from codegen.pipeline.realise import Designed, design_build
from codegen.plant import Plant, model_plant
from codegen.ranges import find_ranges
from codegen.report.diagnosis_picture import draw_diagnosis
from codegen.shipped import read_file
from codegen.targets import Target, read_target
from codegen.telemetry import read_trace

PACKED_FAMILIES = ("avr",)
"""Chips whose compilers put no padding into structs."""


@dataclass(frozen=True)
class Diagnosed:
    """A diagnosis with what the screen needs besides."""

    title: str
    diagnosis: Diagnosis
    picture: str | None


def diagnose_robot(
    path: Path, log: Path, progress: Progress, *, source: Path | None = None, target: str | None = None, oldest: int = 0, draw: bool = False
) -> Diagnosed:
    """Diagnose the log of the robot that runs the controller of the build file at ``path``.

    Args:
        path: The build file.
        log: Text or memory dump of every tick.
        progress: Told of the stages.
        source: The C that the robot runs, if it was edited.
        target: Word rules of the C; None takes the build's.
        oldest: Of a dump: index of the oldest record.
        draw: Whether to make the picture.

    Raises:
        LoopwrightError: Something is wrong with build file, log or source.
    """
    with progress.during("designing", 0.0):
        designed = design_build(path)
    chosen = read_target(target or designed.build.target.mcu)
    twin = Twin(designed, chosen, _edited(designed, chosen, source))
    try:
        trace = read_trace(log, twin.shape, aligned=chosen.chip.family not in PACKED_FAMILIES, oldest=oldest)
        diagnosis = diagnose_log(trace, twin, lambda name, share: progress.stage(name, 0.05 + 0.9 * share))
        return _diagnosed(designed, diagnosis, twin, f"{designed.build.title}, {log.name}", progress, draw=draw)
    finally:
        twin.close()


def diagnose_simulated(
    path: Path,
    progress: Progress,
    *,
    machine: Path | None = None,
    source: Path | None = None,
    target: str | None = None,
    draw: bool = False,
) -> Diagnosed:
    """Diagnose the simulated machine of a build file, or another one, under the build file's controller.

    Raises:
        LoopwrightError: Something is wrong with a build file or the source.
    """
    with progress.during("designing", 0.0):
        designed = design_build(path)
    plant = designed.plant if machine is None else _machine(machine, designed.plant)
    chosen = read_target(target or designed.build.target.mcu)
    twin = Twin(designed, chosen, _edited(designed, chosen, source))
    try:
        diagnosis = diagnose_machine(Flown(plant), twin, lambda name, share: progress.stage(name, 0.05 + 0.9 * share))
        title = f"{designed.build.title}, simulated" + ("" if machine is None else f" on {machine.name}")
        return _diagnosed(designed, diagnosis, twin, title, progress, draw=draw)
    finally:
        twin.close()


def _machine(path: Path, built: Plant) -> Plant:
    plant = model_plant(read_unjudged(path))
    if plant.period_s != built.period_s:
        raise LoopwrightError(
            "the machine's loop and the controller's do not run at the same rate", f"{path.name}, loop.inner_hz", "give both one inner_hz"
        )
    return plant


def _edited(designed: Designed, target: Target, source: Path | None) -> Emission | None:
    """The edited C, with the header that belongs to the design."""
    if source is None:
        return None
    graph = designed.graph()
    own = emit_controller(choose_formats(find_ranges(graph), target, designed.build.target.error_budget_counts.value), {})
    return Emission(own.name, own.header, read_file(source))


def _diagnosed(designed: Designed, diagnosis: Diagnosis, twin: Twin, title: str, progress: Progress, *, draw: bool) -> Diagnosed:
    with progress.during("drawing", 0.97):
        picture = draw_diagnosis(title, diagnosis, twin) if draw and diagnosis.shares is not None else None
    progress.stage("done", 1.0)
    return Diagnosed(designed.build.title, diagnosis, picture)
