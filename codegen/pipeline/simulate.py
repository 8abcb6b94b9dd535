"""Fly the controller of a build file and draw the flight."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from codegen.build import read_unjudged
from codegen.errors import LoopwrightError
from codegen.flight import fly_reference, replay
from codegen.host.controller import HostController
from codegen.pipeline.progress import Progress
from codegen.pipeline.realise import design_machine, realise
from codegen.plant import AnyPlant, Flight, Plant, Scenario, StepFunction, fly_any, model_plant
from codegen.report import draw_flight
from codegen.targets import read_target

PICTURE_POINTS = 4000
# Longer flights are drawn without the controller's own estimates, which need every tick's readings.
REPLAYED_TICKS = 300_000


def simulate_build(
    path: Path,
    scenario: Scenario,
    progress: Progress,
    *,
    emitted: bool,
    target: str | None = None,
    draw: bool = False,
    machine: Path | None = None,
    upright_by_sensor: bool = False,
) -> tuple[Flight, AnyPlant, str | None]:
    """Fly the controller of a build file; returns the flight, its plant and, if asked for, a picture (SVG text).

    Args:
        path: The build file.
        scenario: What happens; a tilt at the start is from the true balance angle, which the machine knows.
        progress: Told of the stages.
        emitted: Fly the emitted C, not the float64 reference.
        target: Word rules of the emitted C; None takes the build's.
        draw: Whether to make the picture.
        machine: A build file of the machine to fly instead of the build's own; the controller stays that of the build.
        upright_by_sensor: Start where the machine's own sensor shows no tilt, whatever the scenario says.

    Raises:
        LoopwrightError: Something is wrong with a build file or the target.
    """
    with progress.during("designing", 0.1):
        designed = design_machine(path)
        build = designed.build
        plant: AnyPlant = designed.plant
        if machine is not None:
            if not isinstance(designed.plant, Plant):
                raise LoopwrightError("another machine can be flown for bodies with a reaction wheel only", machine.name, "leave it out")
            plant = model_plant(read_unjudged(machine))
            if plant.period_s != designed.plant.period_s:
                given, made = 1.0 / plant.period_s, 1.0 / designed.plant.period_s
                raise LoopwrightError(
                    f"the machine's loop runs at {given:g} Hz, the controller was made for {made:g} Hz",
                    f"{machine.name}, loop.inner_hz",
                    "give both build files the same inner_hz",
                )
    if upright_by_sensor:
        scenario = replace(scenario, tilt_rad=-plant.balance_offset_rad)
    ticks = scenario.seconds / plant.period_s
    every = max(1, round(ticks / PICTURE_POINTS))
    estimates = emitted and draw and ticks <= REPLAYED_TICKS
    scenario = replace(scenario, record_every=every if draw else 0, record_counts=estimates)
    graph = designed.graph()
    memory: Mapping[str, NDArray[np.float64]] = {}
    with progress.during("flying", 0.3):
        if emitted:
            described = read_target(target or build.target.mcu)
            part = realise(graph, described, build.target.error_budget_counts.value, designed.plant)
            with HostController(part.emission, part.fixed) as host:
                flight = fly_any(plant, StepFunction(*host.flight_step()), scenario)
                if estimates:
                    memory = {name: row[::every][: len(flight.time_s)] for name, row in replay(host, flight).items()}
        else:
            flight = fly_reference(plant, graph, scenario)
    return flight, plant, draw_flight(flight, build.title, memory) if draw else None
