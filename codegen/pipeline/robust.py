"""Fly thousands of machines with the one emitted controller of a build file, judge them, and set the worst one apart."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from codegen.build import build_text
from codegen.design import Design
from codegen.flight import set_terms
from codegen.host.controller import HostController
from codegen.host.shape import shape_of
from codegen.pipeline.progress import Progress
from codegen.pipeline.realise import design_build, realise
from codegen.plant import Flight, Plant, StepFunction, fly
from codegen.report.fleet_picture import draw_fleet
from codegen.robustness import (
    DrawnMachine,
    FleetOrder,
    FleetVerdict,
    Knowledge,
    MachineOutcome,
    cluster_executor,
    fly_order,
    judge_fleet,
    list_uncertain,
)
from codegen.robustness.distribute import Watch
from codegen.robustness.fleet import flight_times, fly_alone
from codegen.shipment import Realisation
from codegen.targets import read_target


@dataclass(frozen=True)
class Fleet:
    """What is asked for.

    Attributes:
        machines: How many, at least 1.
        seed: Of all draws.
        poke_share: Pokes, as a share of what the nominal machine can survive at best.
        knowledge: Which defaults stand where the build file gives no interval.
        wanted: Least share of survivors.
        target: Word rules of the emitted C; None takes the build's.
        jobs: Threads; None takes every core.
        cluster: Address of a cluster's scheduler that does the work instead; None flies here.
    """

    machines: int = 1000
    seed: int = 1
    poke_share: float = 0.4
    knowledge: Knowledge = "measured"
    wanted: float = 0.995
    target: str | None = None
    jobs: int | None = None
    cluster: str | None = None


@dataclass(frozen=True)
class FleetResult:
    """What came out.

    Attributes:
        title: The build's.
        design: Of the controller.
        order: What was flown.
        outcomes: One per machine, by number.
        verdict: What they say.
        worst: The worst machine.
        worst_plant: Its plant.
        worst_flight: Its flight again, recorded.
        worst_build: Its build file.
    """

    title: str
    design: Design
    order: FleetOrder
    outcomes: tuple[MachineOutcome, ...]
    verdict: FleetVerdict
    worst: DrawnMachine
    worst_plant: Plant
    worst_flight: Flight
    worst_build: str

    def picture(self) -> str:
        """Histograms, what mattered, and the worst machine's flight, as SVG text."""
        return draw_fleet(self.title, self.order, self.outcomes, self.verdict, self.worst_flight)


def fly_fleet(path: Path, fleet: Fleet, progress: Progress) -> FleetResult:
    """Design, emit, and fly the machines that the build file at ``path`` allows.

    Raises:
        LoopwrightError: Something is wrong with the build file, the target or the cluster.
    """
    with progress.during("designing", 0.0):
        designed = design_build(path)
        build = designed.build
        terms = set_terms(build, designed.design)
    with progress.during("emitting", 0.05):
        target = read_target(fleet.target or build.target.mcu)
        part = realise(designed.graph(), target, build.target.error_budget_counts.value, designed.plant)
        settling_s, between_s = flight_times(terms)
        order = FleetOrder(
            build=build,
            uncertain=list_uncertain(build, fleet.knowledge),
            seed=fleet.seed,
            shape=shape_of(part.emission.name, part.fixed),
            header=part.emission.header,
            source=part.emission.source,
            poke_n_m_s=fleet.poke_share * terms.poke_n_m_s,
            settling_s=settling_s,
            between_s=between_s,
        )
    with progress.during("flying", 0.1):
        outcomes = _flown(order, fleet, lambda share: progress.stage("flying", 0.1 + 0.85 * share))
    with progress.during("judging", 0.95):
        verdict = judge_fleet(order, outcomes, fleet.wanted)
        machine, plant, flight = _fly_worst(order, part, verdict.worst.number)
    progress.stage("done", 1.0)
    title = f"{build.title}, machine {machine.number} of seed {fleet.seed}"
    text = build_text(machine.build, title, _remark(path.name, machine, flight))
    return FleetResult(build.title, designed.design, order, outcomes, verdict, machine, plant, flight, text)


def _flown(order: FleetOrder, fleet: Fleet, watch: Watch) -> tuple[MachineOutcome, ...]:
    if fleet.cluster is None:
        return fly_order(order, fleet.machines, jobs=fleet.jobs, watch=watch)
    with cluster_executor(fleet.cluster) as executor:
        return fly_order(order, fleet.machines, executor=executor, watch=watch)


def _fly_worst(order: FleetOrder, part: Realisation, number: int) -> tuple[DrawnMachine, Plant, Flight]:
    machine, plant, scenario = fly_alone(order, number)
    with HostController(part.emission, part.fixed) as host:
        return machine, plant, fly(plant, StepFunction(*host.flight_step()), scenario)


def _remark(file_name: str, machine: DrawnMachine, flight: Flight) -> str:
    """What stands above the worst machine's build file."""
    return (
        f"Machine {machine.number}, drawn from the intervals of {file_name}; not a measured one.\n"
        "It is a machine to fly, not one to design for: its controller is that of the other file.\n"
        "Spinning wheels, batteries and motors can hurt; a machine that falls in simulation is not to be tried in the hand.\n"
        f"To fly it alone: loopwright simulate {file_name} {flight_options(flight)} --on THIS_FILE"
    )


def flight_options(flight: Flight) -> str:
    """Options of ``loopwright simulate`` that repeat a flight of a fleet, without the machine's file."""
    scenario = flight.scenario
    pokes = " ".join(f"--poke {time_s!r} {impulse!r}" for time_s, impulse in scenario.pokes)
    return f"--emitted --hours {scenario.seconds / 3600.0!r} --seed {scenario.seed} {pokes}"
