"""What a core does to the state of knowledge: the interface that each core's effects offer to the bound."""

from __future__ import annotations

from typing import NamedTuple, Protocol

from codegen.errors import BoundError
from codegen.target.instruction import Instruction
from codegen.target.state import State

STACK = "stack on entry"
RETURN = "return address on entry"


class Known(NamedTuple):
    """A fact about memory on entry: an unsigned member of an argument's object lies in a range.

    Attributes:
        argument: Index of the pointer argument, from 0.
        offset: Of the member, in bytes.
        size: Of the member, in bytes.
        low: Least value.
        high: Greatest value.
    """

    argument: int
    offset: int
    size: int
    low: int
    high: int


class Effects(Protocol):
    """How the instructions of a core change a `State`."""

    entry_bytes: int
    """Stack that the call of the function itself takes, for its return address."""

    def enter(self, known: tuple[Known, ...]) -> State:
        """The state on entry of a function with pointer arguments."""
        ...

    def apply(self, state: State, instruction: Instruction) -> None:
        """Change the state as the instruction does, jumps and calls aside."""
        ...

    def decide(self, state: State, instruction: Instruction) -> bool | None:
        """Whether a branch or skip is taken, or a predicated instruction executed; None if both may be."""
        ...

    def assume(self, state: State, instruction: Instruction, taken: bool) -> bool:
        """Take in how an undecided branch or skip went; False if it cannot go that way."""
        ...

    def call(self, state: State, instruction: Instruction) -> None:
        """Put the return address where the core puts it.

        Raises:
            BoundError: The stack pointer is not known.
        """
        ...

    def come_back(self, state: State, instruction: Instruction, place: int) -> None:
        """Return to `place`, or to whoever called the outermost function if it is negative.

        Raises:
            BoundError: The return address is not provably this one.
        """
        ...

    def depth(self, state: State) -> int | None:
        """Bytes of stack in use since entry, None if that is not known."""
        ...

    def changing(self, state: State) -> bool:
        """Whether the stack pointer is in the midst of a change by parts, each of them known."""
        ...


def lost_return(instruction: Instruction) -> BoundError:
    """The refusal of a return to an unknown place."""
    return BoundError(
        f"{instruction.text} jumps to an address that is not provably the caller's",
        f"{instruction.address:#x}",
        "indirect jumps have no bound; write the code without function pointers and computed jumps",
    )


def lost_stack(instruction: Instruction) -> BoundError:
    """The refusal of a stack pointer that is not a known distance from where it was on entry."""
    return BoundError(
        f"the stack pointer is not known at {instruction.text}",
        f"{instruction.address:#x}",
        "write the code without variable-length arrays and alloca",
    )


def pointer_argument(index: int) -> str:
    """Base name of the object that a pointer argument points at; arguments must not overlap (the emitted header says so)."""
    return f"argument {index}"
