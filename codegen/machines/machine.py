"""What the pipeline needs to know of a machine, whatever it is.

Gives a protocol. The number side never sees it: it gets the graph and, for the closed-loop bounds, the linear plant around it.
"""

from __future__ import annotations

from typing import Protocol

from codegen.build import AnyBuild
from codegen.design import Margins
from codegen.design.kinds import AnyDesign
from codegen.flight import FlightVerdict, Level, Recording, StepFactory
from codegen.graph import Graph
from codegen.host.controller import HostController
from codegen.plant import AnyPlant


class Machine(Protocol):
    """A build with its plant and its design, of one kind of machine."""

    @property
    def build(self) -> AnyBuild:
        """The build file, read."""

    @property
    def plant(self) -> AnyPlant:
        """Its nominal numbers."""

    @property
    def design(self) -> AnyDesign:
        """The numbers of its controller, with limits, margins and verdicts."""

    def graph(self) -> Graph:
        """The controller as a graph."""

    def margins_at(self, latency_s: float) -> Margins:
        """The design's margins with another latency."""

    def judge(self, make_step: StepFactory, graph: Graph, level: Level) -> FlightVerdict:
        """Fly a controller made from ``graph``.

        Raises:
            LoopwrightError: The machine cannot be simulated.
        """

    def record(self, controller: HostController) -> tuple[Recording, ...]:
        """Flights for pictures.

        Raises:
            CheckFailed: A replay is not its flight.
        """
