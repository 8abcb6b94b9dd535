"""What RV32IMC instructions do to the state of knowledge.

Registers x0 to x31; calling convention of the RISC-V psABI (pointer arguments in a0, a1, a2; return address in ra).
"""

from __future__ import annotations

from codegen.target.instruction import Flow, Instruction
from codegen.target.machine import RETURN, STACK, Known, lost_return, pointer_argument
from codegen.target.relation import OPPOSITE, assume, compare
from codegen.target.state import State
from codegen.target.values import Pointer, Range, Slot, Value, constant, known
from codegen.target.word import WORD, add, bitwise, moved, subtract

ZERO, RA, SP, A0 = 0, 1, 2, 10
LOADS = {"LW": 4, "LH": 2, "LHU": 2, "LB": 1, "LBU": 1}
STORES = {"SW": 4, "SH": 2, "SB": 1}
LOGIC = {"AND": "and", "OR": "or", "XOR": "xor", "SLL": "lsl", "SRL": "lsr", "SRA": "asr", "MUL": "mul"}
IMMEDIATE = {"ADDI": "ADD", "ANDI": "AND", "ORI": "OR", "XORI": "XOR", "SLLI": "SLL", "SRLI": "SRL", "SRAI": "SRA"}
IMMEDIATE |= {"SLTI": "SLT", "SLTIU": "SLTU"}


class RiscvEffects:
    """See `Effects`."""

    entry_bytes = 0

    def enter(self, known: tuple[Known, ...]) -> State:
        registers: list[Value | None] = [None] * 32
        registers[ZERO] = constant(0)
        for index in range(3):
            registers[A0 + index] = Pointer(pointer_argument(index), 0)
        registers[SP] = Pointer(STACK, 0)
        registers[RA] = Pointer(RETURN, 0)
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
        if instruction.flow is not Flow.BRANCH:
            return True
        first, second = (state.registers[instruction.integer(index)] for index in range(2))
        return compare(instruction.predicate, first, second)

    def assume(self, state: State, instruction: Instruction, taken: bool) -> bool:
        if instruction.flow is not Flow.BRANCH:
            return True
        operands = []
        for index in range(2):
            register = instruction.integer(index)
            state.registers[register] = state.named(state.registers[register], WORD)
            operands.append(state.registers[register])
        relation = instruction.predicate if taken else OPPOSITE[instruction.predicate]
        return assume(state, relation, operands[0], operands[1])

    def call(self, state: State, instruction: Instruction) -> None:
        state.registers[RA] = constant(instruction.end)

    def come_back(self, state: State, instruction: Instruction, place: int) -> None:
        if state.registers[RA] != (constant(place) if place >= 0 else Pointer(RETURN, 0)):
            raise lost_return(instruction)

    def apply(self, state: State, instruction: Instruction) -> None:
        if instruction.flow is not Flow.NEXT:
            if instruction.name == "JALR" and instruction.target >= 0:
                self._check_pair(state, instruction)
            return
        name = instruction.name
        if name in STORES:
            memory, register = instruction.memory(1), instruction.integer(0)
            address = moved(state.registers[memory.base], memory.displacement)
            saved = memory.base == SP and register == RA and name == "SW"
            state.store(address, STORES[name], state.registers[register], saved=saved)
            return
        value = self._result(state, instruction)
        for register in instruction.results:
            if register != ZERO:
                state.registers[register] = value
        pointer = state.registers[SP]
        if SP in instruction.results and isinstance(pointer, Pointer):
            state.forget_below(STACK, pointer.offset)

    def _check_pair(self, state: State, instruction: Instruction) -> None:
        base = known(state.registers[instruction.integer(1)])
        if base is None or (base + instruction.integer(2)) & (WORD - 1) != instruction.target:
            raise lost_return(instruction)

    def _result(self, state: State, instruction: Instruction) -> Value | None:
        name = instruction.name
        if name in LOADS:
            return self._loaded(state, instruction)
        if name == "LUI":
            return constant(instruction.integer(1) << 12 & WORD)
        if name == "AUIPC":
            return constant(instruction.address + (instruction.integer(1) << 12) & WORD)
        if len(instruction.kinds) != 3 or instruction.kinds[:2] != "rr":
            return None
        first = state.registers[instruction.integer(1)]
        last = instruction.integer(2)
        second = constant(last & WORD) if instruction.kinds[2] == "i" else state.registers[last]
        operation = IMMEDIATE.get(name, name)
        match operation:
            case "ADD":
                return add(first, second)
            case "SUB":
                return subtract(first, second)
            case "SLT" | "SLTU":
                held = compare("lt" if operation == "SLT" else "ltu", first, second)
                return Range(0, 1) if held is None else constant(int(held))
            case _ if operation in LOGIC:
                return bitwise(LOGIC[operation], first, second)
        return None

    def _loaded(self, state: State, instruction: Instruction) -> Value | None:
        memory, size = instruction.memory(1), LOADS[instruction.name]
        value = state.load(moved(state.registers[memory.base], memory.displacement), size)
        if instruction.name in ("LH", "LB"):
            # A small positive number is the same with and without its sign.
            return value if isinstance(value, Range) and value.high < 1 << (8 * size - 1) else None
        return value if value is not None or size == 4 else Range(0, (1 << 8 * size) - 1)
