"""Design to graph: the one place where the physics side and the number side meet."""

from codegen.control.balance import ARMED_REGIME, trace_controller
from codegen.control.loop import surround

__all__ = ["ARMED_REGIME", "surround", "trace_controller"]
