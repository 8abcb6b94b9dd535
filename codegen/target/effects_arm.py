"""What Thumb instructions do to the state of knowledge.

Registers r0 to r14; calling convention of the Arm procedure call standard (pointer arguments in r0, r1, r2; return address in
lr).  Conditions are decided from the ranges of the last comparison, not from single flags.
"""

from __future__ import annotations

from collections.abc import Callable

from codegen.target.instruction import Flow, Instruction, Memory
from codegen.target.machine import RETURN, STACK, Known, lost_return, lost_stack, pointer_argument
from codegen.target.relation import OPPOSITE, assume, compare
from codegen.target.state import State
from codegen.target.values import Compared, Pointer, Range, Slot, Value, constant, known
from codegen.target.word import WORD, add, bitwise, extend, moved, subtract

SP, LR, PC = 13, 14, 15
LOADS = {"LDR": 4, "LDRH": 2, "LDRB": 1, "LDRSH": 2, "LDRSB": 1}
STORES = {"STR": 4, "STRH": 2, "STRB": 1}
LOGIC = {"AND": "and", "ORR": "or", "EOR": "xor", "BIC": "bic", "ORN": "orn", "LSL": "lsl", "LSR": "lsr", "ASR": "asr", "MUL": "mul"}
# Relation that decides a condition after a comparison.
RELATIONS = {"eq": "eq", "ne": "ne", "hs": "geu", "lo": "ltu", "hi": "gtu", "ls": "leu", "ge": "ge", "lt": "lt", "gt": "gt", "le": "le"}


class ArmEffects:
    """See `Effects`; constants in code are read through `read`."""

    entry_bytes = 0

    def __init__(self, read: Callable[[int, int], bytes]) -> None:
        self._read = read

    def enter(self, known: tuple[Known, ...]) -> State:
        registers: list[Value | None] = [None] * (PC + 1)
        for index in range(3):
            registers[index] = Pointer(pointer_argument(index), 0)
        registers[SP] = Pointer(STACK, 0)
        registers[LR] = Pointer(RETURN, 0)
        state = State(registers)
        for fact in known:
            slot = Slot(fact.size, Range(fact.low, fact.high), False)
            state.memory[pointer_argument(fact.argument), fact.offset] = slot
        return state

    def depth(self, state: State) -> int | None:
        pointer = state.registers[SP]
        return -pointer.offset if isinstance(pointer, Pointer) and pointer.base == STACK else None

    def changing(self, state: State) -> bool:
        return False

    def decide(self, state: State, instruction: Instruction) -> bool | None:
        if instruction.name in ("CBZ", "CBNZ"):
            value = state.registers[instruction.integer(0)]
            return compare("eq" if instruction.name == "CBZ" else "ne", value, constant(0))
        if not instruction.predicate:
            return True
        compared = state.flags.get("compared")
        if isinstance(compared, Compared):
            relation = RELATIONS.get(instruction.predicate)
            return compare(relation, compared.first, compared.second) if relation else None
        result = state.flags.get("result")
        if isinstance(result, Range):
            match instruction.predicate:
                case "eq" | "ne":
                    return compare(instruction.predicate, result, constant(0))
                case "mi" | "pl":
                    return compare("lt" if instruction.predicate == "mi" else "ge", result, constant(0))
        return None

    def assume(self, state: State, instruction: Instruction, taken: bool) -> bool:
        if instruction.name in ("CBZ", "CBNZ"):
            register = instruction.integer(0)
            value = state.registers[register] = state.named(state.registers[register], WORD)
            return assume(state, "eq" if taken == (instruction.name == "CBZ") else "ne", value, constant(0))
        compared = state.flags.get("compared")
        result = state.flags.get("result")
        relation = RELATIONS.get(instruction.predicate, "")
        if relation and not taken:
            relation = OPPOSITE[relation]
        if relation and isinstance(compared, Compared):
            return assume(state, relation, compared.first, compared.second)
        if relation in ("eq", "ne") and isinstance(result, Range):
            return assume(state, relation, result, constant(0))
        return True

    def call(self, state: State, instruction: Instruction) -> None:
        state.registers[LR] = constant(instruction.end)

    def come_back(self, state: State, instruction: Instruction, place: int) -> None:
        if instruction.name in ("BX", "MOV"):
            found = state.registers[LR]
        else:
            self._multiple(state, instruction)
            found = state.registers[PC]
            state.registers[PC] = None
        if found != (constant(place) if place >= 0 else Pointer(RETURN, 0)):
            raise lost_return(instruction)

    def apply(self, state: State, instruction: Instruction) -> None:
        if instruction.flow is not Flow.NEXT:
            return
        executed = self.decide(state, instruction)
        if executed is False:
            return
        if executed is None:
            as_before = state.copy()
            if state.recorder:
                state.recorder.maybe = True
            self._do(state, instruction)
            if state.recorder:
                state.recorder.maybe = False
            state.join(as_before)
            return
        self._do(state, instruction)

    def _do(self, state: State, instruction: Instruction) -> None:
        name = instruction.name
        if name in LOADS or name in STORES:
            self._access(state, instruction)
            return
        if name in ("PUSH", "POP", "LDM", "STM", "LDMDB", "STMDB"):
            self._multiple(state, instruction)
            return
        if name.startswith(("STR", "VST", "VPUSH", "STC", "STL")):
            self._store_wide(state, instruction)
            return
        result = self._result(state, instruction)
        if instruction.sets_flags:
            result = self._compare(state, instruction, result)
        self._forget(state, instruction)
        if name in ("CMP", "CMN", "TST", "TEQ"):
            return
        if result is not None and instruction.kinds.startswith("r") and instruction.integer(0) < PC:
            state.registers[instruction.integer(0)] = result

    def _forget(self, state: State, instruction: Instruction) -> None:
        for register in instruction.results:
            if register < PC:
                state.registers[register] = None
            else:
                # The status register, or one that is not followed.
                if not instruction.sets_flags:
                    state.flags = {}

    def _operand(self, state: State, instruction: Instruction, index: int) -> Value | None:
        operand = instruction.integer(index)
        if instruction.kinds[index] == "i":
            return constant(operand & WORD)
        return state.registers[operand] if instruction.kinds[index] == "r" and operand < PC else None

    def _result(self, state: State, instruction: Instruction) -> Value | None:
        """The result of an instruction without memory, as far as it is followed."""
        name, kinds = instruction.name, instruction.kinds
        if "m" in kinds or len(kinds) < 2 or len(kinds) > 3 or instruction.shift:
            return None
        last = self._operand(state, instruction, len(kinds) - 1)
        first = self._operand(state, instruction, len(kinds) - 2)
        match name:
            case "MOV" | "MOVW" if len(kinds) == 2:
                return last
            case "MVN":
                return bitwise("xor", last, constant(WORD))
            case "MOVT":
                low, high = known(state.registers[instruction.integer(0)]), known(last)
                return constant(high << 16 | low & 0xFFFF) if low is not None and high is not None else None
            case "ADD" | "CMN":
                return add(first, last)
            case "SUB":
                return subtract(first, last)
            case "RSB":
                return subtract(last, first)
            case "UXTB":
                return extend(last, 8)
            case "UXTH":
                return extend(last, 16)
            case "TST":
                return bitwise("and", first, last)
            case _ if name in LOGIC:
                return bitwise(LOGIC[name], first, last)
        return None

    def _compare(self, state: State, instruction: Instruction, result: Value | None) -> Value | None:
        """Set the flags; returns the result, by a name if they depend on it."""
        state.flags = {}
        name, kinds = instruction.name, instruction.kinds
        if name in ("CMP", "SUB", "RSB") and not instruction.shift and len(kinds) in (2, 3):
            places = (len(kinds) - 2, len(kinds) - 1)
            for place in places:
                if kinds[place] == "r" and instruction.integer(place) < PC:
                    register = instruction.integer(place)
                    state.registers[register] = state.named(state.registers[register], WORD)
            first, second = (self._operand(state, instruction, place) for place in places)
            state.flags["compared"] = Compared(second, first) if name == "RSB" else Compared(first, second)
        elif name not in ("CMN", "TEQ", "VMRS") and not isinstance(result, Pointer):
            named = state.named(result, WORD)
            if isinstance(named, Range):
                state.flags["result"] = named
                return named if instruction.name not in ("TST",) else result
        return result

    def _address(self, state: State, instruction: Instruction, memory: Memory) -> Value | None:
        if memory.base == PC:
            return constant(((instruction.address + 4) & ~3) + memory.displacement)
        if instruction.shift or memory.base > LR or memory.index > LR:
            return None
        address = moved(state.registers[memory.base], memory.displacement)
        return address if memory.index < 0 else add(address, state.registers[memory.index])

    def _access(self, state: State, instruction: Instruction) -> None:
        memory, register = instruction.memory(1), instruction.integer(0)
        address = self._address(state, instruction, memory)
        size = LOADS.get(instruction.name) or STORES[instruction.name]
        base = moved(state.registers[memory.base], memory.step) if memory.base < PC else None
        if instruction.name in STORES:
            value = state.registers[register] if register < PC else None
            saved = memory.base == SP and size == 4 and isinstance(value, Pointer) and value.base == RETURN
            saved = saved or (memory.base == SP and register == LR)
            state.store(address, size, value, saved=saved)
        else:
            value = self._loaded(state, instruction, address, size)
            if register <= PC:
                state.registers[register] = value
        if memory.step and memory.base < PC:
            state.registers[memory.base] = base
            self._raised(state, memory.base)

    def _loaded(self, state: State, instruction: Instruction, address: Value | None, size: int) -> Value | None:
        place = known(address)
        signed = instruction.name.startswith("LDRS")
        if place is not None and instruction.memory(1).base == PC:
            return constant(int.from_bytes(self._read(place, size), "little", signed=signed) & WORD)
        value = state.load(address, size)
        if signed:
            # A small positive number is the same with and without its sign.
            return value if isinstance(value, Range) and value.high < 1 << (8 * size - 1) else None
        return value if value is not None or size == 4 else Range(0, (1 << 8 * size) - 1)

    def _store_wide(self, state: State, instruction: Instruction) -> None:
        memories = [operand for operand in instruction.operands if isinstance(operand, Memory)]
        address = self._address(state, instruction, memories[0]) if memories else None
        if instruction.name == "STRD":
            for place in range(2):
                register = instruction.integer(place)
                value = state.registers[register] if register < PC else None
                state.store(moved(address, 4 * place), 4, value)
        else:
            state.store(None, 4, None)
        self._forget(state, instruction)
        if memories and memories[0].step and memories[0].base < PC:
            state.registers[memories[0].base] = None
        if SP in instruction.results:
            raise lost_stack(instruction)

    def _multiple(self, state: State, instruction: Instruction) -> None:
        """PUSH, POP, LDM and STM: registers in ascending order of address."""
        name = instruction.name
        if name == "LDR":
            self._access(state, instruction)
            return
        stack = name in ("PUSH", "POP")
        base = SP if stack else instruction.integer(0)
        registers = [instruction.integer(index) for index in range(0 if stack else 1, len(instruction.operands))]
        size = 4 * len(registers)
        down = name == "PUSH" or name.endswith("DB")
        start = moved(state.registers[base], -size if down else 0)
        if stack and not isinstance(start, Pointer):
            raise lost_stack(instruction)
        written = stack or base in instruction.results
        if name in ("PUSH", "STM", "STMDB"):
            for place, register in enumerate(registers):
                value = state.registers[register] if register < PC else None
                state.store(moved(start, 4 * place), 4, value, saved=base == SP)
        else:
            for place, register in enumerate(registers):
                if register <= PC:
                    state.registers[register] = state.load(moved(start, 4 * place), 4)
        if written and (stack or base not in registers):
            state.registers[base] = start if down else moved(start, size)
            self._raised(state, base)

    def _raised(self, state: State, base: int) -> None:
        pointer = state.registers[SP]
        if base == SP and isinstance(pointer, Pointer):
            state.forget_below(STACK, pointer.offset)
