"""Rolling balancers for flight tests: the examples' own controllers as emitted C compiled on this machine."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass, replace
from math import radians
from pathlib import Path

from codegen.control import trace_rolling
from codegen.design.rolling import RollingDesign
from codegen.flight.rolling import RollingTerms, set_rolling_terms
from codegen.graph import Graph
from codegen.host.controller import HostController
from codegen.machines import DesignedRolling, design_machine
from codegen.plant import RollingPlant, StepFunction
from tests.flown import compile_graph, steps_of

EXAMPLES = Path(__file__).resolve().parent / "examples"
KINDS = ("cart_pendulum", "trolley")


@dataclass(frozen=True)
class FlownRolling:
    """A machine with its compiled controller."""

    plant: RollingPlant
    design: RollingDesign
    terms: RollingTerms
    graph: Graph
    controller: HostController

    @property
    def make_step(self) -> Callable[[], StepFunction]:
        """Factory of fresh controllers."""
        return steps_of(self.controller)


@functools.cache
def designed_rolling(kind: str) -> DesignedRolling:
    """An example machine (invented), designed once per process."""
    designed = design_machine(EXAMPLES / f"{kind}.toml")
    assert isinstance(designed, DesignedRolling)
    return designed


@functools.cache
def fly_example(kind: str, target: str = "cortex-m4", arm_tilt_deg: float = 0.0) -> FlownRolling:
    """The example's controller, if wanted with another arming tilt and its cut-off out of the way."""
    designed = designed_rolling(kind)
    design, build = designed.design, designed.build
    if arm_tilt_deg:
        design = replace(design, arm_tilt_rad=radians(arm_tilt_deg), stop_tilt_rad=radians(arm_tilt_deg + 5.0))
    graph = trace_rolling(design, build.name, build.title)
    return FlownRolling(designed.plant, design, set_rolling_terms(build, design), graph, compile_graph(graph, target))
