"""Fly the controller of a build file and draw the flight."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from codegen.flight import fly_reference, replay
from codegen.host.controller import HostController
from codegen.pipeline.progress import Progress
from codegen.pipeline.realise import design_build, realise
from codegen.plant import Flight, Plant, Scenario, StepFunction, fly
from codegen.report import draw_flight
from codegen.targets import read_target

PICTURE_POINTS = 4000
# Longer flights are drawn without the controller's own estimates, which need every tick's readings.
REPLAYED_TICKS = 300_000


def simulate_build(
    path: Path, scenario: Scenario, progress: Progress, *, emitted: bool, target: str | None = None, draw: bool = False
) -> tuple[Flight, Plant, str | None]:
    """Fly the controller of a build file; returns the flight, its plant and, if asked for, a picture (SVG text).

    Raises:
        LoopwrightError: Something is wrong with the build file or the target.
    """
    with progress.during("designing", 0.1):
        designed = design_build(path)
        build = designed.build
    ticks = scenario.seconds / designed.plant.period_s
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
                flight = fly(designed.plant, StepFunction(*host.flight_step()), scenario)
                if estimates:
                    memory = {name: row[::every][: len(flight.time_s)] for name, row in replay(host, flight).items()}
        else:
            flight = fly_reference(designed.plant, graph, scenario)
    return flight, designed.plant, draw_flight(flight, build.title, memory) if draw else None
