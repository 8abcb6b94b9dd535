"""Every kind of machine that can be flown.

Takes a plant of any kind, gives a flight.
"""

from __future__ import annotations

from codegen.plant.model import Plant
from codegen.plant.rolling import RollingPlant
from codegen.plant.rolling_flight import fly_rolling
from codegen.plant.scenario import Scenario
from codegen.plant.simulator import Flight, StepFunction, fly

AnyPlant = Plant | RollingPlant


def fly_any(plant: AnyPlant, controller: StepFunction, scenario: Scenario) -> Flight:
    """Simulate the closed loop of a plant of any kind.

    Raises:
        LoopwrightError: The scenario is contradictory, or a delay or counting window is longer than the simulator can remember.
        CompileError: The simulator cannot be compiled on this machine.
    """
    if isinstance(plant, RollingPlant):
        return fly_rolling(plant, controller, scenario)
    return fly(plant, controller, scenario)
