"""A cart-pendulum or a trolley, designed."""

from __future__ import annotations

from dataclasses import dataclass, replace

from codegen.build import RollingBuild
from codegen.control import trace_rolling
from codegen.design import Margins
from codegen.design.rolling import RollingDesign, find_rolling_margins
from codegen.flight import FlightVerdict, Level, Recording, StepFactory
from codegen.flight.rolling import judge_rolling, record_rolling_flights, set_rolling_terms
from codegen.graph import Graph
from codegen.host.controller import HostController
from codegen.plant import RollingPlant


@dataclass(frozen=True)
class DesignedRolling:
    """A build with its plant and its design; see ``Machine``."""

    build: RollingBuild
    plant: RollingPlant
    design: RollingDesign

    def graph(self) -> Graph:
        """The controller as a graph."""
        return trace_rolling(self.design, self.build.name, self.build.title)

    def margins_at(self, latency_s: float) -> Margins:
        """The design's margins with another latency."""
        return find_rolling_margins(replace(self.design, plant=replace(self.design.plant, latency_s=latency_s)))

    def judge(self, make_step: StepFactory, graph: Graph, level: Level) -> FlightVerdict:
        """Fly a controller made from ``graph``."""
        return judge_rolling(self.plant, set_rolling_terms(self.build, self.design), make_step, graph, level)

    def record(self, controller: HostController) -> tuple[Recording, ...]:
        """Flights for pictures."""
        return record_rolling_flights(self.plant, set_rolling_terms(self.build, self.design), controller)
