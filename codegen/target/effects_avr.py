"""What AVR instructions do to the state of knowledge.

Registers 0 to 31, then the two bytes of the stack pointer.  Calling convention: avr-gcc's (pointer arguments in r24, r22, r20;
r1 holds zero between statements; return address of two bytes on the stack), from memory.
"""

from __future__ import annotations

from codegen.target.instruction import Flow, Instruction, Memory
from codegen.target.machine import RETURN, STACK, Known, lost_return, lost_stack, pointer_argument
from codegen.target.relation import assume, compare
from codegen.target.state import State
from codegen.target.values import Byte, Carry, Compared, Flag, Pointer, Range, Slot, Value, constant, known

SPL, SPH = 32, 33
PORTS = {0x3D: SPL, 0x3E: SPH}
SREG = 0x3F
FLAGS = "CZNVSHTI"
ANY = Range(0, 255)
KEEP_FLAGS = {"MOV", "MOVW", "LDI", "LD", "LDD", "LDS", "ST", "STD", "STS", "PUSH", "POP", "IN", "LPM", "NOP", "SWAP", "SBI", "CBI", "BLD"}
KEEP_FLAGS |= {"RCALL", "CALL", "RET", "RETI", "JMP", "RJMP", "BRxx", "CPSE", "SBRC", "SBRS", "SBIC", "SBIS", "WDR", "SLEEP"}
STORES = {"ST", "STD", "STS", "PUSH", "OUT", "SBI", "CBI", "CP", "CPC", "CPI", "BST", "NOP", "BSET", "BCLR", "WDR", "SLEEP", "BREAK"}
STORES |= {"RCALL", "CALL", "RET", "RETI", "JMP", "RJMP", "BRxx", "CPSE", "SBRC", "SBRS", "SBIC", "SBIS"}
# Relation of a comparison's operands if a flag is set, and if it is clear.
RELATIONS = {"Z": ("eq", "ne"), "C": ("ltu", "geu"), "S": ("lt", "ge")}
# Logic and counting leave the carry alone.
KEEP_CARRY = {"INC", "DEC", "AND", "ANDI", "OR", "ORI", "EOR"}
FOLLOWED = KEEP_CARRY | {"COM", "ASR", "LSR", "ROR"}
SUBTRACTIONS = {"SUB", "SUBI", "SBC", "SBCI", "CP", "CPC", "CPI"}
WITH_BORROW = {"SBC", "SBCI", "CPC"}


def _offset(value: int) -> int:
    """An offset as a signed 16-bit number."""
    return ((value + 0x8000) & 0xFFFF) - 0x8000


class AvrEffects:
    """See `Effects`."""

    entry_bytes = 2

    def enter(self, known: tuple[Known, ...]) -> State:
        registers: list[Value | None] = [None] * 34
        registers[1] = constant(0)
        for index in range(3):
            _put_pointer(registers, 24 - 2 * index, Pointer(pointer_argument(index), 0))
        _put_pointer(registers, SPL, Pointer(STACK, 0))
        state = State(registers)
        for place in (0, 1):
            state.memory[STACK, 1 + place] = Slot(1, Byte(RETURN, 0, place), True)
        for fact in known:
            for place in range(fact.size):
                low, high = fact.low >> 8 * place, fact.high >> 8 * place
                # A byte is bounded by the ends only if all bytes above it are the same in both.
                if low >> 8 == high >> 8:
                    value = Range(low & 0xFF, high & 0xFF)
                    state.memory[pointer_argument(fact.argument), fact.offset + place] = Slot(1, value, False)
        return state

    def depth(self, state: State) -> int | None:
        pointer = _pair(state, SPL)
        return -pointer.offset if isinstance(pointer, Pointer) and pointer.base == STACK else None

    def changing(self, state: State) -> bool:
        low, high = state.registers[SPL], state.registers[SPH]
        return isinstance(low, Byte) and isinstance(high, Byte) and low.base == high.base == STACK

    def decide(self, state: State, instruction: Instruction) -> bool | None:
        match instruction.name:
            case "BRxx":
                flag = state.flags.get(instruction.predicate[0])
                return (flag == int(instruction.predicate[1])) if isinstance(flag, int) else None
            case "CPSE":
                return compare("eq", state.registers[instruction.integer(0)], state.registers[instruction.integer(1)], 8)
            case "SBRC" | "SBRS":
                value = state.registers[instruction.integer(0)]
                bit = instruction.integer(1)
                if not isinstance(value, Range) or value.low >> bit != value.high >> bit:
                    return None
                return (value.low >> bit & 1) == int(instruction.name == "SBRS")
        return None

    def assume(self, state: State, instruction: Instruction, taken: bool) -> bool:
        match instruction.name:
            case "BRxx":
                flag, wanted = instruction.predicate[0], instruction.predicate[1] == "1"
                # A test of one register leaves the carry of whatever came before.
                compared = state.flags.get("compared") or (state.flags.get("tested") if flag != "C" else None)
                relation = RELATIONS.get(flag, ("", ""))[int(wanted != taken)]
                state.flags[flag] = int(wanted == taken)
                if relation and isinstance(compared, Compared):
                    return assume(state, relation, compared.first, compared.second, 8)
            case "CPSE":
                operands = []
                for index in range(2):
                    register = instruction.integer(index)
                    state.registers[register] = state.named(state.registers[register], 0xFF)
                    operands.append(state.registers[register])
                return assume(state, "eq" if taken else "ne", operands[0], operands[1], 8)
            case "SBRC" | "SBRS":
                register, bit = instruction.integer(0), instruction.integer(1)
                value_known = state.registers[register] = state.named(state.registers[register], 0xFF)
                if bit == 7 or (isinstance(value_known, Range) and value_known.high < 2 << bit):
                    holds = "geu" if taken == (instruction.name == "SBRS") else "ltu"
                    return assume(state, holds, value_known, constant(1 << bit), 8)
        return True

    def call(self, state: State, instruction: Instruction) -> None:
        self._push(state, instruction, constant(instruction.end & 0xFF))
        self._push(state, instruction, constant(instruction.end >> 8))

    def come_back(self, state: State, instruction: Instruction, place: int) -> None:
        second = self._pop(state, instruction)
        first = self._pop(state, instruction)
        if place < 0:
            if (second, first) != (Byte(RETURN, 0, 0), Byte(RETURN, 0, 1)):
                raise lost_return(instruction)
        elif (first, second) != (constant(place & 0xFF), constant(place >> 8)):
            raise lost_return(instruction)

    def _push(self, state: State, instruction: Instruction, value: Value | None) -> None:
        pointer = _pair(state, SPL)
        if not isinstance(pointer, Pointer):
            raise lost_stack(instruction)
        state.store(pointer, 1, value, saved=True)
        _put_pointer(state.registers, SPL, Pointer(pointer.base, pointer.offset - 1))

    def _pop(self, state: State, instruction: Instruction) -> Value | None:
        pointer = _pair(state, SPL)
        if not isinstance(pointer, Pointer):
            raise lost_stack(instruction)
        place = Pointer(pointer.base, pointer.offset + 1)
        value = state.load(place, 1)
        _put_pointer(state.registers, SPL, place)
        state.forget_below(STACK, place.offset + 1)
        return value

    def apply(self, state: State, instruction: Instruction) -> None:
        name = instruction.name
        if name in SUBTRACTIONS:
            self._subtract(state, instruction)
            return
        if name in ("ADD", "ADC"):
            self._add(state, instruction)
            return
        if name in ("ADIW", "SBIW"):
            self._add_word(state, instruction)
            return
        match name:
            case "MOV":
                state.registers[instruction.integer(0)] = state.registers[instruction.integer(1)]
            case "MOVW":
                to, source = instruction.integer(0), instruction.integer(1)
                state.registers[to : to + 2] = state.registers[source : source + 2]
            case "LDI":
                state.registers[instruction.integer(0)] = constant(instruction.integer(1))
            case "PUSH":
                self._push(state, instruction, state.registers[instruction.integer(0)])
            case "POP":
                state.registers[instruction.integer(0)] = self._pop(state, instruction)
            case "RCALL":
                # Room of two bytes on the stack; a call proper has its own way.
                for _ in range(2):
                    self._push(state, instruction, None)
            case "IN":
                port = PORTS.get(instruction.integer(1))
                state.registers[instruction.integer(0)] = state.registers[port] if port is not None else None
            case "OUT":
                self._out(state, instruction)
            case "LD" | "LDD" | "ST" | "STD":
                self._access(state, instruction)
            case "STS":
                state.store(None, 1, None)
            case _:
                self._logic(state, instruction)

    def _out(self, state: State, instruction: Instruction) -> None:
        value = state.registers[instruction.integer(0)]
        port = PORTS.get(instruction.integer(1))
        if port is not None:
            state.registers[port] = value
            pointer = _pair(state, SPL)
            if isinstance(pointer, Pointer):
                state.forget_below(STACK, pointer.offset + 1)
        elif instruction.integer(1) == SREG:
            state.flags = {}

    def _access(self, state: State, instruction: Instruction) -> None:
        memory = instruction.memory(1)
        register = instruction.integer(0)
        pointer = _pair(state, memory.base)
        address = Pointer(pointer.base, pointer.offset + memory.displacement) if isinstance(pointer, Pointer) else None
        if instruction.name in ("LD", "LDD"):
            value = state.load(address, 1)
            self._step(state, memory, pointer)
            state.registers[register] = value
        else:
            state.store(address, 1, state.registers[register])
            self._step(state, memory, pointer)

    def _step(self, state: State, memory: Memory, pointer: Pointer | None) -> None:
        if memory.step:
            moved = Pointer(pointer.base, pointer.offset + memory.step) if pointer else None
            _put_pointer(state.registers, memory.base, moved)

    def _subtract(self, state: State, instruction: Instruction) -> None:
        name = instruction.name
        register = instruction.integer(0)
        first = state.registers[register]
        second = constant(instruction.integer(1)) if instruction.kinds[1] == "i" else state.registers[instruction.integer(1)]
        borrow = state.flags.get("C") if name in WITH_BORROW else 0
        zero = state.flags.get("Z") if name in WITH_BORROW else 1
        state.flags = {}
        if name in ("CP", "CPI") and not isinstance(first, Byte):
            first = state.registers[register] = state.named(first, 0xFF)
            state.flags["compared"] = Compared(first, second)
        result: Value | None = None
        taken = known(second)
        if isinstance(first, Byte):
            result = self._move(state, first, borrow, None if taken is None else -taken, borrow=True)
        elif not isinstance(second, Byte):
            result = _difference(state, first or ANY, second or ANY, borrow if isinstance(borrow, int) else None, zero)
        if name not in ("CP", "CPC", "CPI"):
            state.registers[register] = result

    def _add(self, state: State, instruction: Instruction) -> None:
        register, other = instruction.integer(0), instruction.integer(1)
        first, second = state.registers[register], state.registers[other]
        carry = state.flags.get("C") if instruction.name == "ADC" else 0
        state.flags = {}
        if isinstance(second, Byte):
            first, second = second, first
        left, right = known(first), known(second)
        result: Value | None = None
        if isinstance(first, Byte):
            result = self._move(state, first, carry, right, borrow=False)
        elif left is not None and right is not None and isinstance(carry, int):
            total = left + right + carry
            value = total & 0xFF
            overflow = (left ^ value) & (right ^ value) & 0x80
            _set_flags(state, value, int(total > 0xFF), overflow >> 7)
            result = constant(value)
        state.registers[register] = result

    def _move(self, state: State, byte: Byte, carry: Flag | None, delta: int | None, *, borrow: bool) -> Byte | None:
        """One byte of a pointer moved by a constant; the carry out of the low byte belongs to the high one."""
        if delta is None:
            return None
        if byte.part == 0 and carry == 0:
            state.flags["C"] = Carry(byte.base, byte.offset, delta, borrow)
            return byte._replace(offset=_offset(byte.offset + delta))
        if byte.part == 0 or not isinstance(carry, Carry):
            return None
        belongs = carry.base == byte.base and (carry.offset - byte.offset) % 256 == 0
        if not belongs or (carry.delta != 0 and carry.borrow != borrow):
            return None
        return byte._replace(offset=_offset(byte.offset + carry.delta + 256 * delta))

    def _add_word(self, state: State, instruction: Instruction) -> None:
        register, amount = instruction.integer(0), instruction.integer(1)
        delta = amount if instruction.name == "ADIW" else -amount
        pointer = _pair(state, register)
        low, high = known(state.registers[register]), known(state.registers[register + 1])
        state.flags = {}
        if low is not None and high is not None:
            word = (low | high << 8) + delta
            state.registers[register : register + 2] = [constant(word & 0xFF), constant(word >> 8 & 0xFF)]
            state.flags["Z"] = int(word & 0xFFFF == 0)
            state.flags["C"] = int(not 0 <= word <= 0xFFFF)
            state.flags["N"] = word >> 15 & 1
            return
        _put_pointer(state.registers, register, Pointer(pointer.base, pointer.offset + delta) if pointer else None)

    def _logic(self, state: State, instruction: Instruction) -> None:
        """Everything on one or two bytes of which constants are followed, and, failing that, forgetting what is written."""
        name = instruction.name
        if instruction.flow is not Flow.NEXT:
            return
        register = instruction.integer(0) if instruction.kinds.startswith("r") else -1
        first = known(state.registers[register]) if register >= 0 else None
        second = None
        if len(instruction.kinds) > 1:
            operand = instruction.integer(1)
            second = operand if instruction.kinds[1] == "i" else known(state.registers[operand])
        same = instruction.kinds == "rr" and instruction.operands[0] == instruction.operands[1]
        carry = state.flags.get("C") if name in KEEP_CARRY or name == "ROR" else None
        if name not in KEEP_FLAGS:
            state.flags = {}
        result = _bitwise(name, first, second, same, carry if isinstance(carry, int) else None)
        if name == "COM":
            carry = 1
        elif name in ("ASR", "LSR", "ROR"):
            carry = first & 1 if first is not None else None
        if result is not None and name in FOLLOWED:
            overflow = {"INC": result == 0x80, "DEC": result == 0x7F}.get(name, False)
            simple = name in KEEP_CARRY or name == "COM"
            _set_flags(state, result, carry if isinstance(carry, int) else None, int(overflow) if simple else None)
        elif name == "AND" and same:
            # A register tested against itself.
            tested = state.registers[register] = state.named(state.registers[register], 0xFF)
            state.flags["tested"] = Compared(tested, constant(0))
            return
        if name in KEEP_CARRY and isinstance(carry, int | Carry):
            state.flags["C"] = carry
        if name in STORES:
            return
        if name.startswith(("MUL", "FMUL")):
            state.registers[0:2] = [None, None]
            return
        if name == "SWAP":
            state.registers[register] = None
            return
        value: Value | None = constant(result) if result is not None else None
        if value is None and name in ("AND", "ANDI") and (first is not None or second is not None):
            value = Range(0, second if second is not None else first or 0)
        if name == "LPM" and isinstance(instruction, Instruction) and register < 0:
            register = 0
        state.registers[register] = value
        if name == "LPM":
            _put_pointer(state.registers, 30, None)


def _bitwise(name: str, first: int | None, second: int | None, same: bool, carry: int | None) -> int | None:
    """Result of an instruction on constants; None if it is not known."""
    if name == "EOR" and same:
        return 0
    if name in ("AND", "ANDI") and 0 in (first, second):
        return 0
    if first is None:
        return None
    match name:
        case "AND" | "ANDI":
            return first & second if second is not None else None
        case "OR" | "ORI":
            return first | second if second is not None else None
        case "EOR":
            return first ^ second if second is not None else None
        case "COM":
            return 0xFF - first
        case "INC":
            return (first + 1) & 0xFF
        case "DEC":
            return (first - 1) & 0xFF
        case "LSR":
            return first >> 1
        case "ASR":
            return first >> 1 | first & 0x80
        case "ROR":
            return first >> 1 | carry << 7 if carry is not None else None
    return None


def _set_flags(state: State, value: int, carry: int | None, overflow: int | None) -> None:
    state.flags["Z"] = int(value == 0)
    state.flags["N"] = value >> 7
    if carry is not None:
        state.flags["C"] = carry
    if overflow is not None:
        state.flags["V"] = overflow
        state.flags["S"] = value >> 7 ^ overflow


def _difference(state: State, first: Value, second: Value, borrow: int | None, zero: Flag | None) -> Range | None:
    """First - second - borrow on ranges, with the flags that are decided by them."""
    if not isinstance(first, Range) or not isinstance(second, Range):
        return None
    least = first.low - second.high - (1 if borrow is None else borrow)
    most = first.high - second.low - (borrow or 0)
    if most < 0:
        state.flags["C"] = 1
    elif least >= 0:
        state.flags["C"] = 0
    if not any(least <= total <= most for total in (0, -256)):
        state.flags["Z"] = 0
    if first.high < 0x80 and second.high < 0x80 and "C" in state.flags:
        state.flags["S"] = state.flags["C"]
    left, right = known(first), known(second)
    if left is not None and right is not None and borrow is not None:
        value = least & 0xFF
        overflow = (left ^ right) & (left ^ value) & 0x80
        _set_flags(state, value, int(least < 0), overflow >> 7)
        if value == 0:
            # With borrow, zero stays only if the bytes below were zero too.
            del state.flags["Z"]
            if isinstance(zero, int):
                state.flags["Z"] = zero
    if least >= 0:
        return Range(least, most)
    if most < 0 and least >= -256:
        return Range(least + 256, most + 256)
    return None


def _pair(state: State, register: int) -> Pointer | None:
    """The pointer in a register pair."""
    low, high = state.registers[register], state.registers[register + 1]
    if not isinstance(low, Byte) or not isinstance(high, Byte):
        return None
    fits = low.base == high.base and (low.part, high.part) == (0, 1) and (low.offset - high.offset) % 256 == 0
    return Pointer(high.base, high.offset) if fits else None


def _put_pointer(registers: list[Value | None], register: int, pointer: Pointer | None) -> None:
    pair: list[Value | None] = [None, None]
    if pointer:
        pair = [Byte(pointer.base, _offset(pointer.offset), index) for index in range(2)]
    registers[register : register + 2] = pair
