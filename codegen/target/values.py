"""What is known about registers and memory on the way through a program: constants, ranges, and addresses relative to a base.

Every value stands for a set of machine words; ``None`` stands for all of them.  Two places that hold the same unknown number carry the
same name in their ranges, so that a test of one also tells of the other.  Joining two states keeps what holds in both, so that whatever
is decided from a state holds on every execution that reaches it.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, NamedTuple, SupportsIndex, overload


class Range(NamedTuple):
    """An unsigned number between two ends, both possible.

    Attributes:
        low: Least value.
        high: Greatest value.
        name: The same for all places of a state that hold this very number; 0 for none.
    """

    low: int
    high: int
    name: int = 0


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
        part: 0 for the low byte, 1 for the high one.
    """

    base: str
    offset: int
    part: int


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


class Compared(NamedTuple):
    """The operands of the comparison that the flags stand for.

    Attributes:
        first: Left operand.
        second: Right operand.
    """

    first: Value | None
    second: Value | None


Value = Range | Pointer | Byte
Flag = int | Carry | Compared | Range
Item = int | str | tuple[str, int]
"""What a block may need to know on entry: a register (its number), memory (base, offset), or the flags ("flags")."""

FLAGS = "flags"


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
        name = first.name if first.name == second.name else 0
        return Range(min(first.low, second.low), max(first.high, second.high), name)
    return None


def covers(wide: Value | None, narrow: Value | None) -> bool:
    """Whether all that `narrow` may be, `wide` may be too; names aside."""
    if wide is None or wide == narrow:
        return True
    return isinstance(wide, Range) and isinstance(narrow, Range) and wide.low <= narrow.low and narrow.high <= wide.high and not wide.name


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


class Recorder:
    """Notes what a block needs to know on entry, and what it overwrites.

    Attributes:
        needs: Items read before they are written.
        writes: Items written.
        maybe: While True, a write is one that may not happen, so what was known before stays of interest.
    """

    def __init__(self) -> None:
        self.needs: set[Item] = set()
        self.writes: set[Item] = set()
        self.maybe = False

    def read(self, item: Item) -> None:
        """Note a read."""
        if item not in self.writes:
            self.needs.add(item)

    def write(self, item: Item) -> None:
        """Note a write."""
        if self.maybe:
            self.read(item)
        else:
            self.writes.add(item)


class Watched(list["Value | None"]):
    """Registers whose reads and writes are noted."""

    def __init__(self, values: Iterable[Value | None], recorder: Recorder) -> None:
        super().__init__(values)
        self._recorder = recorder

    @overload
    def __getitem__(self, index: SupportsIndex) -> Value | None: ...
    @overload
    def __getitem__(self, index: slice) -> list[Value | None]: ...
    def __getitem__(self, index: SupportsIndex | slice) -> Value | list[Value | None] | None:
        for each in range(len(self))[index] if isinstance(index, slice) else (int(index),):
            self._recorder.read(each)
        return super().__getitem__(index)

    @overload
    def __setitem__(self, index: SupportsIndex, value: Value | None) -> None: ...
    @overload
    def __setitem__(self, index: slice, value: Iterable[Value | None]) -> None: ...
    def __setitem__(self, index: Any, value: Any) -> None:
        for each in range(len(self))[index] if isinstance(index, slice) else (int(index),):
            self._recorder.write(each)
        super().__setitem__(index, value)
