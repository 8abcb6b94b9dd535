"""A body with a reaction wheel, designed."""

from __future__ import annotations

from dataclasses import dataclass, replace

from codegen.build import Build
from codegen.control import margins_of, trace_controller
from codegen.design import Design, Margins
from codegen.design.goals import at_least
from codegen.design.laws import structure_of
from codegen.flight import FlightVerdict, Level, Recording, StepFactory, fly_reference, judge_flight, record_flights, set_terms
from codegen.flight.stand import HOLD_S
from codegen.graph import Graph
from codegen.host.controller import HostController
from codegen.plant import Plant, Scenario

LONGEST_FALL_S = 120.0
"""Longest flight of a structure that falls by nature; the float64 reference runs in Python."""


@dataclass(frozen=True)
class DesignedLantern:
    """A build with its plant and its design; see ``Machine``."""

    build: Build
    plant: Plant
    design: Design

    def graph(self) -> Graph:
        """The controller as a graph."""
        return trace_controller(self.design, self.build.name, self.build.title)

    def margins_at(self, latency_s: float) -> Margins:
        """The design's margins with another latency."""
        return margins_of(self.design, latency_s)

    def judge(self, make_step: StepFactory, graph: Graph, level: Level) -> FlightVerdict:
        """Fly a controller made from ``graph``."""
        return judge_flight(self.plant, set_terms(self.build, self.design), make_step, graph, level)

    def record(self, controller: HostController) -> tuple[Recording, ...]:
        """Flights for pictures."""
        return record_flights(self.plant, set_terms(self.build, self.design), controller)


def told_to_fall(designed: DesignedLantern) -> DesignedLantern:
    """The same with the verdict on standing that its structure has earned: the float64 reference is flown until it falls."""
    terms = set_terms(designed.build, designed.design)
    scenario = Scenario(
        HOLD_S + LONGEST_FALL_S,
        tilt_rad=-terms.offset_rad,
        hold_s=HOLD_S,
        arm_s=HOLD_S,
        balance_offset_rad=terms.offset_rad,
        gyro_bias_rad_s=terms.gyro_bias_rad_s,
    )
    flight = fly_reference(designed.plant, designed.graph(), scenario)
    # A controller that has tripped has given up, wherever the body is.
    reached_s = (flight.fell_at_s or scenario.seconds) - HOLD_S
    found = structure_of(designed.design.law.structure)
    verdict = at_least(
        "goals.standing_hours",
        terms.standing_hours,
        reached_s / 3600.0,
        "h",
        f'{found.title}: {found.words}; for teaching only: write structure = "momentum" in [design]',
    )
    return replace(designed, design=replace(designed.design, verdicts=(verdict, *designed.design.verdicts)))
