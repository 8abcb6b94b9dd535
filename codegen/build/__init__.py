"""The build file: what a machine is, as measured, and what is wanted of it.

Takes a TOML file, gives a frozen `Build`. Knows no control design, no bits and no C beyond the name's form.
"""

from codegen.build.quantity import Quantity
from codegen.build.read import parse_build, read_build
from codegen.build.schema import (
    Accelerometer,
    Body,
    Build,
    Drive,
    Goals,
    Gyro,
    Loop,
    Target,
    Wheel,
    WheelSpeed,
)

__all__ = [
    "Accelerometer",
    "Body",
    "Build",
    "Drive",
    "Goals",
    "Gyro",
    "Loop",
    "Quantity",
    "Target",
    "Wheel",
    "WheelSpeed",
    "parse_build",
    "read_build",
]
