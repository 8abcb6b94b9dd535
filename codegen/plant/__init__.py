"""Physics of the machine: its numbers, linear model, sampling, and a compiled simulator."""

from codegen.plant.kinds import AnyPlant, fly_any
from codegen.plant.model import (
    GRAVITY_M_S2,
    STANDARD_GRAVITY_M_S2,
    Accelerometer,
    Gyro,
    Plant,
    linearise,
    model_plant,
)
from codegen.plant.rolling import Encoders, Inertial, RollingPlant, linearise_rolling, model_cart, model_trolley
from codegen.plant.rolling_flight import RollingFlight, fly_rolling
from codegen.plant.sampling import sample
from codegen.plant.scenario import Scenario
from codegen.plant.simulator import Flight, StepFunction, fly

__all__ = [
    "GRAVITY_M_S2",
    "STANDARD_GRAVITY_M_S2",
    "Accelerometer",
    "AnyPlant",
    "Encoders",
    "Flight",
    "Gyro",
    "Inertial",
    "Plant",
    "RollingFlight",
    "RollingPlant",
    "Scenario",
    "StepFunction",
    "fly",
    "fly_any",
    "fly_rolling",
    "linearise",
    "linearise_rolling",
    "model_cart",
    "model_plant",
    "model_trolley",
    "sample",
]
