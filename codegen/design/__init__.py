"""Choice of the controller's numbers: bounds first, then gains, margins, and verdicts on the goals."""

from codegen.design.design import Design, design_controller
from codegen.design.gains import Gains
from codegen.design.goals import Verdict
from codegen.design.limits import Limits, find_limits
from codegen.design.loop import ClosedLoop, closed_loop_matrices
from codegen.design.margins import Margins, find_margins
from codegen.design.rest import RestNoise, predict_rest

__all__ = [
    "ClosedLoop",
    "Design",
    "Gains",
    "Limits",
    "Margins",
    "RestNoise",
    "Verdict",
    "closed_loop_matrices",
    "design_controller",
    "find_limits",
    "find_margins",
    "predict_rest",
]
