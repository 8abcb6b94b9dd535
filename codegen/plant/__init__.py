"""Physics of the machine: its numbers, linear model, sampling, and a compiled simulator."""

from codegen.plant.model import (
    GRAVITY_M_S2,
    STANDARD_GRAVITY_M_S2,
    Accelerometer,
    Gyro,
    Plant,
    linearise,
    model_plant,
)
from codegen.plant.sampling import sample
from codegen.plant.simulator import Flight, Scenario, StepFunction, fly

__all__ = [
    "GRAVITY_M_S2",
    "STANDARD_GRAVITY_M_S2",
    "Accelerometer",
    "Flight",
    "Gyro",
    "Plant",
    "Scenario",
    "StepFunction",
    "fly",
    "linearise",
    "model_plant",
    "sample",
]
