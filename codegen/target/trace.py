"""What an emulated core did in a row of ticks, and what every emulated core can do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from codegen.target.image import Counts, TargetImage

# Byte that fills data memory before start-up.
DIRT = 0xC3


@dataclass(frozen=True)
class StepTrace:
    """One controller from one start.

    Attributes:
        outputs: (ticks, outputs).
        memory: (ticks, members) after each tick.
        cycles: (ticks,) from the entry of the step function to its return, inclusive; None where the emulator counts none.
        stack_bytes: Most stack in use at any time, from before the call on, return address included where the call pushes it.
    """

    outputs: Counts
    memory: Counts
    cycles: Counts | None
    stack_bytes: int


@dataclass(frozen=True)
class InstructionTrace:
    """Every instruction of one call of the step function.

    Attributes:
        places: (n,) byte address.
        cycles: (n,) that it took; None where the emulator counts none.
    """

    places: Counts
    cycles: Counts | None


class Core(Protocol):
    """A core with a controller's image in its memory, started.

    Attributes:
        image: The image.
        version: Name and version of the emulator.
    """

    image: TargetImage
    version: str

    def start(self) -> None:
        """Initialise the controller's memory."""

    def memory(self) -> Counts:
        """Members of the state struct, (members,)."""

    def inject(self, memory: Counts) -> None:
        """Overwrite the members of the state struct, (members,); live gains stay."""

    def run(self, inputs: Counts) -> StepTrace:
        """Advance by the ticks of ``inputs`` (ticks, inputs).

        Raises:
            CheckFailed: The core faults or does not come to an end.
        """

    def trace(self, reading: Counts) -> InstructionTrace:
        """Advance by one tick with ``reading`` (inputs,), noting every instruction.

        Raises:
            CheckFailed: The core faults or does not come to an end.
        """

    def read(self, address: int, size: int) -> bytes:
        """Bytes of data memory."""

    def write(self, address: int, content: bytes) -> None:
        """Overwrite data memory."""

    def run_on(self, stop: int) -> None:
        """Run from where it stands, at least one instruction, until the instruction at ``stop`` is next.

        Raises:
            CheckFailed: The core faults or does not arrive.
        """

    def close(self) -> None:
        """Free the emulator's memory."""
