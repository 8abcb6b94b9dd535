"""The build file: what a machine is, as measured, and what is wanted of it.

Takes a TOML file, gives a frozen `Build`. Knows no control design, no bits and no C beyond the name's form.
"""

from codegen.build.quantity import Quantity
from codegen.build.read import AnyBuild, parse_build, parse_machine, read_build, read_machine, read_unjudged
from codegen.build.rolling import CartBuild, RollingBuild, TrolleyBuild
from codegen.build.schema import (
    MACHINES,
    Accelerometer,
    Body,
    Build,
    Choice,
    Drive,
    Goals,
    Gyro,
    Loop,
    Target,
    Wheel,
    WheelSpeed,
)
from codegen.build.text import build_text

__all__ = [
    "MACHINES",
    "Accelerometer",
    "AnyBuild",
    "Body",
    "Build",
    "Choice",
    "CartBuild",
    "Drive",
    "Goals",
    "Gyro",
    "Loop",
    "Quantity",
    "RollingBuild",
    "Target",
    "TrolleyBuild",
    "Wheel",
    "WheelSpeed",
    "build_text",
    "parse_build",
    "parse_machine",
    "read_build",
    "read_machine",
    "read_unjudged",
]
