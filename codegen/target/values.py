"""What is known about registers and memory on the way through a program: constants, ranges, and addresses relative to a base.

Every value stands for a set of machine words; ``None`` stands for all of them.  Joining two states keeps what holds in both, so
that whatever is decided from a state holds on every execution that reaches it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple


class Range(NamedTuple):
    """An unsigned number between two ends, both possible.

    Attributes:
        low: Least value.
        high: Greatest value.
    """

    low: int
    high: int


class Pointer(NamedTuple):
    """The start of an object, of the stack on entry, or a return address, plus an offset.

    Attributes:
        base: What it is relative to.
        offset: Bytes beyond it.
    """

    base: str
    offset: int


class Byte(NamedTuple):
    """One byte of a `Pointer` on an 8-bit core.

    Attributes:
        base: What the pointer is relative to.
        offset: Bytes beyond it; the low byte knows it modulo 256 only.
        index: 0 for the low byte, 1 for the high one.
    """

    base: str
    offset: int
    index: int


class Carry(NamedTuple):
    """The carry or borrow out of the low byte of a pointer to which a constant was added.

    Attributes:
        base: What the pointer is relative to.
        offset: Its offset before the addition.
        delta: What was added, negative for a subtraction.
        borrow: True if it was subtracted.
    """

    base: str
    offset: int
    delta: int
    borrow: bool


Value = Range | Pointer | Byte


def constant(value: int) -> Range:
    """The range that holds one number."""
    return Range(value, value)


def known(value: Value | None) -> int | None:
    """The number, if there is only one."""
    return value.low if isinstance(value, Range) and value.low == value.high else None


def join_values(first: Value | None, second: Value | None) -> Value | None:
    """What holds for both."""
    if first == second:
        return first
    if isinstance(first, Range) and isinstance(second, Range):
        return Range(min(first.low, second.low), max(first.high, second.high))
    return None


class Slot(NamedTuple):
    """Something stored in memory.

    Attributes:
        size: In bytes.
        value: What was stored.
        saved: True for a register saved on the stack; no store through a pointer that C gave away can reach it.
    """

    size: int
    value: Value
    saved: bool


@dataclass
class State:
    """What is known at one place of the program.

    Attributes:
        registers: One value per register of the core.
        flags: Condition flags by name, or the operands of the last comparison; what is missing is unknown.
        memory: By (base, offset); what is missing is unknown.
    """

    registers: list[Value | None]
    flags: dict[str, object] = field(default_factory=dict)
    memory: dict[tuple[str, int], Slot] = field(default_factory=dict)

    def copy(self) -> State:
        """An independent copy."""
        return State(list(self.registers), dict(self.flags), dict(self.memory))

    def join(self, other: State) -> bool:
        """Keep what holds in both; True if something was given up."""
        changed = False
        for index, mine in enumerate(self.registers):
            if mine is None or mine == other.registers[index]:
                continue
            joined = join_values(mine, other.registers[index])
            changed |= joined != mine
            self.registers[index] = joined
        for name in [name for name, value in self.flags.items() if other.flags.get(name) != value]:
            del self.flags[name]
            changed = True
        for place, slot in list(self.memory.items()):
            twin = other.memory.get(place)
            if twin == slot:
                continue
            value = join_values(slot.value, twin.value) if twin and twin[::2] == slot[::2] else None
            if value is None:
                del self.memory[place]
                changed = True
            elif value != slot.value:
                self.memory[place] = slot._replace(value=value)
                changed = True
        return changed

    def store(self, address: Value | None, size: int, value: Value | None, *, saved: bool = False) -> None:
        """Remember a store; one through an unknown pointer may have hit anything but saved registers."""
        if not isinstance(address, Pointer):
            self.memory = {place: slot for place, slot in self.memory.items() if slot.saved}
            return
        base, offset = address
        for reach in range(offset - 7, offset + size):
            slot = self.memory.get((base, reach))
            if slot and reach + slot.size > offset:
                del self.memory[base, reach]
        if value is not None:
            self.memory[base, offset] = Slot(size, value, saved)

    def load(self, address: Value | None, size: int) -> Value | None:
        """What a load gives."""
        if not isinstance(address, Pointer):
            return None
        slot = self.memory.get((address.base, address.offset))
        return slot.value if slot and slot.size == size else None

    def forget_below(self, base: str, offset: int) -> None:
        """Drop what lies below a raised stack pointer: an interrupt may overwrite it."""
        for place in [place for place in self.memory if place[0] == base and place[1] < offset]:
            del self.memory[place]
