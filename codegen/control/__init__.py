"""Design to graph: the one place where the physics side and the number side meet."""

from codegen.control.balance import ARMED_REGIME
from codegen.control.kinds import surround_any
from codegen.control.loop import surround
from codegen.control.rolling import surround_rolling, trace_rolling
from codegen.control.structures import design_structure, margins_of, trace_controller

__all__ = [
    "ARMED_REGIME",
    "design_structure",
    "margins_of",
    "surround",
    "surround_any",
    "surround_rolling",
    "trace_controller",
    "trace_rolling",
]
