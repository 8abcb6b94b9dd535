"""The state of knowledge at one place of a program: how it is changed, joined, compared and thinned out."""

from __future__ import annotations

from collections.abc import Collection, Iterator

from codegen.target.values import (
    FLAGS,
    Compared,
    Flag,
    Item,
    Pointer,
    Range,
    Recorder,
    Slot,
    Value,
    Watched,
    covers,
    join_values,
)

Key = tuple[object, ...]


class State:
    """What is known at one place of the program.

    Args:
        registers: One value per register of the core.
        flags: Condition flags by name, or the operands of the last comparison; what is missing is unknown.
        memory: By (base, offset); what is missing is unknown.
        names: Greatest name in use.
    """

    __slots__ = ("_flags", "memory", "names", "recorder", "registers")

    def __init__(
        self,
        registers: list[Value | None],
        flags: dict[str, Flag] | None = None,
        memory: dict[tuple[str, int], Slot] | None = None,
        names: int = 0,
    ) -> None:
        self.registers = registers
        self._flags = {} if flags is None else flags
        self.memory = {} if memory is None else memory
        self.names = names
        self.recorder: Recorder | None = None

    @property
    def flags(self) -> dict[str, Flag]:
        """Condition flags."""
        if self.recorder:
            self.recorder.read(FLAGS)
        return self._flags

    @flags.setter
    def flags(self, flags: dict[str, Flag]) -> None:
        if self.recorder:
            self.recorder.write(FLAGS)
        self._flags = flags

    def copy(self) -> State:
        """An independent copy; what happens to it is not recorded."""
        return State(list(self.registers), dict(self._flags), dict(self.memory), self.names)

    def watched(self) -> State:
        """An independent copy with a recorder of what happens to it."""
        state = self.copy()
        state.recorder = Recorder()
        state.registers = Watched(state.registers, state.recorder)
        return state

    def join(self, other: State) -> None:
        """Keep what holds in both."""
        for index, mine in enumerate(self.registers):
            its = list.__getitem__(other.registers, index)
            if mine is not None and mine != its:
                list.__setitem__(self.registers, index, join_values(mine, its))
        self._flags = {name: value for name, value in self._flags.items() if other._flags.get(name) == value}
        for place, slot in list(self.memory.items()):
            twin = other.memory.get(place)
            if twin == slot:
                continue
            value = join_values(slot.value, twin.value) if twin and twin[::2] == slot[::2] else None
            if value is None:
                del self.memory[place]
            else:
                self.memory[place] = slot._replace(value=value)
        self.names = max(self.names, other.names)

    def covers(self, other: State) -> bool:
        """Whether every execution that `other` stands for is one that this state stands for too."""
        if not all(map(covers, self.registers, other.registers)):
            return False
        if any(other._flags.get(name) != value for name, value in self._flags.items()):
            return False
        for place, slot in self.memory.items():
            twin = other.memory.get(place)
            if twin is None or twin[::2] != slot[::2] or not covers(slot.value, twin.value):
                return False
        return True

    def key(self) -> Key:
        """Equal for equal states."""
        return (tuple(self.registers), frozenset(self._flags.items()), frozenset(self.memory.items()))

    def thin(self, needed: Collection[Item] | None) -> None:
        """Forget what nobody asks for from here on (None: nothing), and number the names anew, so that equal knowledge looks equal."""
        if needed is not None:
            for index in range(len(self.registers)):
                if index not in needed:
                    self.registers[index] = None
            if FLAGS not in needed:
                self._flags = {}
            self.memory = {place: slot for place, slot in self.memory.items() if place in needed}
        counts: dict[int, int] = {}
        for value in self._ranges():
            counts[value.name] = counts.get(value.name, 0) + 1
        shared = [name for name, count in counts.items() if name and count > 1]
        numbers = {name: place for place, name in enumerate(shared, 1)}
        self._rename(numbers)
        self.names = len(shared)

    def _ranges(self) -> Iterator[Range]:
        """All ranges, in an order that depends on their places only."""
        for value in self.registers:
            if isinstance(value, Range):
                yield value
        for place in sorted(self.memory):
            stored = self.memory[place].value
            if isinstance(stored, Range):
                yield stored
        for name in sorted(self._flags):
            flag = self._flags[name]
            for part in flag if isinstance(flag, Compared) else (flag,):
                if isinstance(part, Range):
                    yield part

    def _rename(self, numbers: dict[int, int]) -> None:
        def renamed(value: Range) -> Range:
            return Range(value.low, value.high, numbers.get(value.name, 0))

        for index, value in enumerate(self.registers):
            if isinstance(value, Range) and value.name:
                self.registers[index] = renamed(value)
        for place, slot in self.memory.items():
            if isinstance(slot.value, Range) and slot.value.name:
                self.memory[place] = slot._replace(value=renamed(slot.value))
        for name, flag in self._flags.items():
            if isinstance(flag, Compared):
                first, second = (renamed(part) if isinstance(part, Range) else part for part in flag)
                self._flags[name] = Compared(first, second)
            elif isinstance(flag, Range):
                self._flags[name] = renamed(flag)

    def named(self, value: Value | None, high: int) -> Value:
        """The value with a name of its own, unless it has one or is a constant or pointer; unknown is up to `high`."""
        if value is not None and (not isinstance(value, Range) or value.name or value.low == value.high):
            return value
        self.names += 1
        return Range(0, high, self.names) if value is None else value._replace(name=self.names)

    def narrow(self, value: Value | None, low: int, high: int) -> bool:
        """Take in that a number lies in [low, high] too, wherever it is held; False if it cannot."""
        if not isinstance(value, Range):
            return True
        low, high = max(low, value.low), min(high, value.high)
        if low > high:
            return False
        if not value.name or (low, high) == value[:2]:
            return True
        narrowed = Range(low, high, value.name if low < high else 0)
        for index, held in enumerate(self.registers):
            if isinstance(held, Range) and held.name == value.name:
                list.__setitem__(self.registers, index, narrowed)
        for place, slot in self.memory.items():
            if isinstance(slot.value, Range) and slot.value.name == value.name:
                self.memory[place] = slot._replace(value=narrowed)
        return True

    def store(self, address: Value | None, size: int, value: Value | None, *, saved: bool = False) -> None:
        """Remember a store; one through an unknown pointer may have hit anything but saved registers."""
        if not isinstance(address, Pointer):
            self.memory = {place: slot for place, slot in self.memory.items() if slot.saved}
            return
        base, offset = address
        if self.recorder:
            self.recorder.write((base, offset))
        for reach in range(offset - 7, offset + size):
            slot = self.memory.get((base, reach))
            if slot and reach + slot.size > offset:
                del self.memory[base, reach]
        if value is not None:
            self.memory[base, offset] = Slot(size, value, saved)

    def load(self, address: Value | None, size: int) -> Value | None:
        """What a load gives; memory not written so far gets a name, so that a second load gives the same."""
        if not isinstance(address, Pointer):
            return None
        place = (address.base, address.offset)
        if self.recorder:
            self.recorder.read(place)
        slot = self.memory.get(place)
        if slot:
            return slot.value if slot.size == size else None
        value = self.named(None, (1 << 8 * size) - 1)
        if not any((address.base, near) in self.memory for near in range(address.offset - 7, address.offset + size)):
            self.memory[place] = Slot(size, value, False)
        return value

    def forget_below(self, base: str, offset: int) -> None:
        """Drop what lies below a raised stack pointer: an interrupt may overwrite it."""
        for place in [place for place in self.memory if place[0] == base and place[1] < offset]:
            del self.memory[place]
