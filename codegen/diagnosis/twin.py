"""The robot's twin: the simulated machine with everything that was found out about the real one, and the same with one thing mended.

Takes a designed machine, its controller, and the machine as flown; gives how much it moves. Knows no log.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from codegen.emit import Emission, emit_controller
from codegen.flight import fly_reference
from codegen.flight.stand import HOLD_S, is_up
from codegen.formats import choose_formats
from codegen.graph import Graph
from codegen.host.controller import CompiledController, HostController
from codegen.host.shape import shape_of
from codegen.machines import DesignedLantern
from codegen.plant import Flight, Plant, Scenario, StepFunction, fly
from codegen.ranges import find_ranges
from codegen.rules.fixed import FixedGraph
from codegen.targets import Target

RealArray = NDArray[np.float64]

SETTLED_S = 15.0
WATCHED_S = 45.0
SEEDS = (1, 2)
FINER = 64
"""Counts of a grid that is fine enough to do no harm, over those of the grid itself."""


@dataclass(frozen=True)
class Motion:
    """How much the body moves at rest; infinite where it falls.

    Attributes:
        sway_rad: Standard deviation of the true tilt.
        shake_rad_s: Standard deviation of its rate.
    """

    sway_rad: float
    shake_rad_s: float

    def of(self, measure: str) -> float:
        """Variance of "sway" or "shake"."""
        return (self.sway_rad if measure == "sway" else self.shake_rad_s) ** 2


FALLEN = Motion(math.inf, math.inf)


@dataclass(frozen=True)
class Flown:
    """A machine as flown.

    Attributes:
        plant: Its numbers, balance angle and gyro bias included.
        tick_lengths_s: Lengths of its ticks, used over and over; empty if all are the period.
    """

    plant: Plant
    tick_lengths_s: tuple[float, ...] = ()


class Twin:
    """The controller of a designed machine, ready to fly any machine.

    Args:
        designed: Build, plant and design.
        target: Whose word rules the C follows.
        emission: The C that the robot runs, if it is not the design's own.
    """

    def __init__(self, designed: DesignedLantern, target: Target, emission: Emission | None = None) -> None:
        self.designed = designed
        self.graph: Graph = designed.graph()
        self._target = target
        self._budget = designed.build.target.error_budget_counts.value
        self.fixed: FixedGraph = choose_formats(find_ranges(self.graph), target, self._budget)
        own = emit_controller(self.fixed, {})
        self.edited = emission is not None
        self.shape = shape_of(own.name, self.fixed)
        texts = emission or own
        self.controller = CompiledController(self.shape, {f"{own.name}.h": texts.header, f"{own.name}.c": texts.source})
        self._own = HostController(own, self.fixed) if self.edited else None
        self._finer: dict[str, tuple[HostController, Plant]] = {}

    def close(self) -> None:
        """Close what was compiled."""
        self.controller.close()
        if self._own is not None:
            self._own.close()
        for controller, _ in self._finer.values():
            controller.close()

    def fly(self, flown: Flown, seed: int = SEEDS[0], *, counts: bool = False) -> Flight:
        """A flight at rest with the robot's own C."""
        return fly(flown.plant, StepFunction(*self.controller.flight_step()), _scenario(flown, seed, counts=counts))

    def motion(self, flown: Flown) -> Motion:
        """With the robot's own C."""
        return _mean([_motion(self.fly(flown, seed)) for seed in SEEDS])

    def motion_unedited(self, flown: Flown) -> Motion:
        """With the C that the design emits; the robot's own unless that was edited."""
        if self._own is None:
            return self.motion(flown)
        steps = [StepFunction(*self._own.flight_step()) for _ in SEEDS]
        return _mean([_motion(fly(flown.plant, step, _scenario(flown, seed))) for step, seed in zip(steps, SEEDS, strict=True)])

    def motion_exact(self, flown: Flown) -> Motion:
        """With the float64 reference instead of integers."""
        return _mean([_motion(fly_reference(flown.plant, self.graph, _scenario(flown, seed))) for seed in SEEDS])

    def motion_finer(self, flown: Flown, grid: str) -> Motion:
        """With the C for a machine whose counts of "command", "speed" or "both" are ``FINER`` times as fine, on such a machine."""
        controller, _ = self._fine(grid)
        machine = Flown(finer(flown.plant, grid), flown.tick_lengths_s)
        flights = [fly(machine.plant, StepFunction(*controller.flight_step()), _scenario(machine, seed)) for seed in SEEDS]
        return _mean([_motion(flight) for flight in flights])

    def _fine(self, grid: str) -> tuple[HostController, Plant]:
        if grid not in self._finer:
            plant = finer(self.designed.plant, grid)
            graph = replace(self.designed, plant=plant, design=replace(self.designed.design, plant=plant)).graph()
            # Counts of the command are the unit of the error budget.
            budget = self._budget * (1 if grid == "speed" else FINER)
            fixed = choose_formats(find_ranges(graph), self._target, budget)
            self._finer[grid] = (HostController(emit_controller(fixed, {}), fixed), plant)
        return self._finer[grid]


def finer(plant: Plant, grid: str) -> Plant:
    """The plant with finer counts of "command", "speed" or "both"."""
    if grid != "speed":
        plant = replace(plant, command_counts=FINER * plant.command_counts)
    if grid == "command":
        return plant
    most = min(2**31 - 1, FINER * plant.wheel_counts_max)
    return replace(plant, wheel_counts_per_rad_s=FINER * plant.wheel_counts_per_rad_s, wheel_counts_max=most)


def _scenario(flown: Flown, seed: int, *, counts: bool = False) -> Scenario:
    seconds = SETTLED_S + WATCHED_S
    ticks = math.ceil(seconds / flown.plant.period_s)
    lengths = flown.tick_lengths_s
    return Scenario(
        seconds,
        seed=seed,
        tilt_rad=-flown.plant.balance_offset_rad,
        hold_s=HOLD_S,
        arm_s=HOLD_S,
        record_every=1,
        record_counts=counts,
        tick_lengths_s=tuple(np.resize(np.asarray(lengths), ticks).tolist()) if lengths else (),
    )


def _motion(flight: Flight) -> Motion:
    if not is_up(flight):
        return FALLEN
    watched = flight.time_s >= SETTLED_S
    return Motion(float(np.std(flight.tilt_rad[watched])), float(np.std(flight.rate_rad_s[watched])))


def _mean(motions: list[Motion]) -> Motion:
    sway, shake = (math.sqrt(sum(motion.of(measure) for motion in motions) / len(motions)) for measure in ("sway", "shake"))
    return Motion(sway, shake)
