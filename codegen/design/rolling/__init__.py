"""Choice of the numbers of rolling balancers: bounds first, then gains, margins, and verdicts on the goals."""

from codegen.design.rolling.choose import RollingDesign, design_rolling, find_unknowns
from codegen.design.rolling.gains import RollingGains
from codegen.design.rolling.limits import RollingLimits, find_rolling_limits
from codegen.design.rolling.loop import RollingCorner, find_rolling_margins, open_rolling_loop, rolling_corners
from codegen.design.rolling.machine import SampledRolling, sample_rolling

__all__ = [
    "RollingCorner",
    "RollingDesign",
    "RollingGains",
    "RollingLimits",
    "SampledRolling",
    "design_rolling",
    "find_rolling_limits",
    "find_rolling_margins",
    "find_unknowns",
    "open_rolling_loop",
    "rolling_corners",
    "sample_rolling",
]
