"""A machine of any kind with its design: all that stands behind a controller, as the pipeline needs it."""

from codegen.machines.lantern import DesignedLantern
from codegen.machines.machine import Machine
from codegen.machines.read import design_lantern, design_machine
from codegen.machines.rolling import DesignedRolling

__all__ = ["DesignedLantern", "DesignedRolling", "Machine", "design_lantern", "design_machine"]
