"""One decoded machine instruction, as flow, price and effect see it, whatever the core."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from typing import Protocol

from codegen.errors import BoundError


class Flow(Enum):
    """Where an instruction leads.

    NEXT goes on behind itself; JUMP to its target; BRANCH and SKIP to their target if taken, else on; CALL to its target, and
    its callee's return goes on behind it; RETURN to where the caller goes on.  INDIRECT leads nobody knows where.
    """

    NEXT = "next"
    JUMP = "jump"
    BRANCH = "branch"
    SKIP = "skip"
    CALL = "call"
    RETURN = "return"
    INDIRECT = "indirect"


@dataclass(frozen=True, slots=True)
class Memory:
    """An address operand: base and index register (numbers, -1 for none) and displacement in bytes.

    Attributes:
        base: Register that holds the address; on an 8-bit core the lower of the pair.
        displacement: Added to it.
        index: Register added to it.
        step: Added to the base once the address is formed (post-increment: displacement 0; pre-decrement: the same as it); 0 none.
    """

    base: int
    displacement: int
    index: int = -1
    step: int = 0


Operand = int | Memory


@dataclass(frozen=True, slots=True)
class Instruction:
    """One instruction.

    Attributes:
        address: Of its first byte.
        size: In bytes.
        name: As the cycle tables spell it: upper case, without condition, width and flag suffixes; "Bcc" and "BRxx" for
            conditional branches.
        text: As an assembly listing has it.
        flow: Where it leads.
        target: Address of the jump, branch, skip or call; -1 if it has none.
        case: Row of the cycle table among those of its name, where that does not depend on the path.
        registers: Number of registers that it moves, for prices by the register.
        predicate: Condition under which it is executed at all, or under which a branch is taken; "" always.
        sources: Registers for which it waits if the instruction before wrote them: those that form an address, and floating-point ones.
        results: Registers that it writes.
        operands: In the order of the assembly language; registers, integers and memory, told apart by `kinds`.
        kinds: One letter per operand: r register, i integer, m memory.
        sets_flags: Whether it writes the condition flags.
        shift: Whether an operand is shifted on its way, which the effects do not follow.
    """

    address: int
    size: int
    name: str
    text: str
    flow: Flow = Flow.NEXT
    target: int = -1
    case: str = ""
    registers: int = 0
    predicate: str = ""
    sources: tuple[int, ...] = ()
    results: tuple[int, ...] = ()
    operands: tuple[Operand, ...] = ()
    kinds: str = ""
    sets_flags: bool = False
    shift: bool = False

    @property
    def end(self) -> int:
        """Address of the first byte behind it."""
        return self.address + self.size

    def integer(self, index: int) -> int:
        """Operand `index`, which must be a register or an integer."""
        operand = self.operands[index]
        if isinstance(operand, Memory):
            raise BoundError(f"unexpected form of an instruction: {self.text}", f"{self.address:#x}", "report the line to the developers")
        return operand

    def memory(self, index: int) -> Memory:
        """Operand `index`, which must be memory."""
        operand = self.operands[index]
        if not isinstance(operand, Memory):
            raise BoundError(f"unexpected form of an instruction: {self.text}", f"{self.address:#x}", "report the line to the developers")
        return operand


class Decoder(Protocol):
    """Decodes by address, so that the flow and never a linear sweep decides what is code."""

    def decode(self, address: int) -> Instruction:
        """The instruction at `address`.

        Raises:
            BoundError: There is no code at the address, or no known instruction.
        """
        ...


CodeReader = Callable[[int, int], bytes]
"""(address, size) -> at most that many bytes of program memory; fewer at the end of it, none outside."""


def unknown_instruction(address: int, code: bytes) -> BoundError:
    """The refusal of bytes that are no known instruction."""
    return BoundError(
        f"the bytes {code.hex(' ') or '(none)'} are no known instruction",
        f"{address:#x}",
        "leave out assembly and data in code, or compile for the core that the target names",
    )
