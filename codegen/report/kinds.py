"""The sections about machine and law, for a machine of any kind.

Takes a build and its design, gives the same parts for each kind.
"""

from __future__ import annotations

from codegen.build import AnyBuild, Build
from codegen.design import Design
from codegen.design.kinds import AnyDesign
from codegen.errors import LoopwrightError
from codegen.report.law import LawPart, describe_law
from codegen.report.machine import MachinePart, describe_machine
from codegen.report.rolling import describe_rolling_law, describe_rolling_machine


def describe_any_machine(build: AnyBuild, design: AnyDesign) -> MachinePart:
    """Limits, goals, and the two pictures a builder looks at first.

    Raises:
        LoopwrightError: Build and design are of two kinds.
    """
    if isinstance(build, Build) and isinstance(design, Design):
        return describe_machine(build, design)
    if isinstance(build, Build) or isinstance(design, Design):
        raise LoopwrightError("build and design are of two kinds of machine", "report")
    return describe_rolling_machine(build, design)


def describe_any_law(design: AnyDesign) -> LawPart:
    """Gains with reasons, margins, and the loop's pictures."""
    return describe_law(design) if isinstance(design, Design) else describe_rolling_law(design)
