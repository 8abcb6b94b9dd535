"""What an emulated core did in a row of ticks."""

from __future__ import annotations

from dataclasses import dataclass

from codegen.target.image import Counts


@dataclass(frozen=True)
class StepTrace:
    """One controller from one start.

    Attributes:
        outputs: (ticks, outputs).
        memory: (ticks, members) after each tick.
        cycles: (ticks,) from the entry of the step function to its return, inclusive; None where the emulator counts none.
    """

    outputs: Counts
    memory: Counts
    cycles: Counts | None
