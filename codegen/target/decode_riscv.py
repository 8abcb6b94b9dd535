"""Decoder for RV32IMC code, through capstone; compressed instructions appear under the names of what they stand for.

AUIPC followed by JALR through the register that it wrote is one far jump or call: the pair is decoded together.
"""

from __future__ import annotations

from dataclasses import replace

import capstone
from capstone import riscv_const

from codegen.target.instruction import CodeReader, Flow, Instruction, Memory, Operand, unknown_instruction

ZERO, RA, SP = 0, 1, 2
ABI_NAMES = ("zero ra sp gp tp t0 t1 t2 s0 s1 a0 a1 a2 a3 a4 a5 a6 a7 s2 s3 s4 s5 s6 s7 s8 s9 s10 s11 t3 t4 t5 t6").split()
NUMBERS = {name: number for number, name in enumerate(ABI_NAMES)} | {"fp": 8} | {f"x{n}": n for n in range(32)}
BRANCHES = {"BEQ": "eq", "BNE": "ne", "BLT": "lt", "BGE": "ge", "BLTU": "ltu", "BGEU": "geu"}
LOADS = {"LW", "LH", "LHU", "LB", "LBU"}
STORES = {"SW", "SH", "SB"}
# Compressed name -> full name; the others only lose their prefix.
EXPANDED = {
    "LWSP": "LW",
    "SWSP": "SW",
    "MV": "ADD",
    "LI": "ADDI",
    "NOP": "ADDI",
    "ADDI16SP": "ADDI",
    "ADDI4SPN": "ADDI",
    "BEQZ": "BEQ",
    "BNEZ": "BNE",
    "J": "JAL",
    "JR": "JALR",
}
SYSTEM = {"ECALL", "EBREAK", "MRET", "SRET", "URET", "WFI"}


class RiscvDecoder:
    """Decodes RV32IMC code read through `read`."""

    def __init__(self, read: CodeReader) -> None:
        self._read = read
        self._known: dict[int, Instruction] = {}
        self._engine = capstone.Cs(capstone.CS_ARCH_RISCV, capstone.CS_MODE_RISCV32 | capstone.CS_MODE_RISCVC)
        self._engine.detail = True

    def decode(self, address: int) -> Instruction:
        """The instruction at `address`; see `Decoder`."""
        if address not in self._known:
            instruction = self._decode(address)
            self._known[address] = instruction
            if instruction.name == "AUIPC":
                self._pair(instruction)
        return self._known[address]

    def _pair(self, first: Instruction) -> None:
        code = self._read(first.end, 4)
        if not code or next(self._engine.disasm(code, first.end, 1), None) is None:
            return
        second = self._decode(first.end)
        if second.name != "JALR" or second.flow is not Flow.INDIRECT:
            return
        link, base, offset = (second.integer(index) for index in range(3))
        if base != first.integer(0):
            return
        target = (first.address + (first.integer(1) << 12) + offset) & 0xFFFFFFFE
        flow = Flow.CALL if link == RA else Flow.JUMP
        if link in (RA, ZERO):
            self._known[second.address] = replace(second, flow=flow, target=target)

    def _decode(self, address: int) -> Instruction:
        code = self._read(address, 4)
        found = next(self._engine.disasm(code, address, 1), None) if address % 2 == 0 else None
        if found is None or not _is_integer(found):
            raise unknown_instruction(address, code)
        compressed = str(found.insn_name()).upper()
        stem = compressed.removeprefix("C.")
        if stem == "UNIMP":
            raise unknown_instruction(address, code[: found.size])
        name = EXPANDED.get(stem, stem) if compressed != stem else stem
        if compressed != stem:
            operands, kinds = self._short(found, stem, name)
        else:
            operands, kinds = self._full(found, int.from_bytes(code, "little"))
        flow, target, predicate = Flow.NEXT, -1, ""
        results: tuple[int, ...] = ()
        if name in BRANCHES:
            flow, predicate = Flow.BRANCH, BRANCHES[name]
            target = (address + _signed(operands[-1])) & 0xFFFFFFFF
        elif name == "JAL":
            link = _signed(operands[0])
            target = (address + _signed(operands[-1])) & 0xFFFFFFFF
            flow = {ZERO: Flow.JUMP, RA: Flow.CALL}.get(link, Flow.INDIRECT)
            results = (link,)
        elif name == "JALR":
            link, base = _signed(operands[0]), _signed(operands[1])
            flow = Flow.RETURN if (link, base) == (ZERO, RA) and operands[2] == 0 else Flow.INDIRECT
            results = (link,)
        elif name in SYSTEM:
            flow = Flow.INDIRECT
        elif name not in STORES and kinds.startswith("r"):
            results = (_signed(operands[0]),)
        sources = tuple(operand.base for operand in operands if isinstance(operand, Memory))
        text = f"{found.mnemonic} {found.op_str}".strip()
        return Instruction(address, found.size, name, text, flow, target, "", 0, predicate, sources, results, tuple(operands), kinds)

    def _full(self, found: capstone.CsInsn, word: int) -> tuple[list[Operand], str]:
        """Operands of an instruction of four bytes, read from its fields where a listing's short forms leave some out."""
        destination, first, second = (word >> place & 31 for place in (7, 15, 20))
        immediate = _sign_extended(word >> 20, 12)
        match word & 0x7F:
            case 0x63:
                return [first, second, self._plain(found)[0][-1]], "rri"
            case 0x6F:
                return [destination, self._plain(found)[0][-1]], "ri"
            case 0x67:
                return [destination, first, immediate], "rri"
            case 0x13:
                shift = (word >> 12 & 7) in (1, 5)
                return [destination, first, immediate & 31 if shift else immediate], "rri"
            case 0x33:
                return [destination, first, second], "rrr"
        return self._plain(found)

    def _plain(self, found: capstone.CsInsn) -> tuple[list[Operand], str]:
        """Operands as a listing has them."""
        plain: list[Operand] = []
        kinds = ""
        for operand in found.operands:
            if operand.type == riscv_const.RISCV_OP_REG:
                plain.append(NUMBERS[str(found.reg_name(operand.reg))])
                kinds += "r"
            elif operand.type == riscv_const.RISCV_OP_MEM:
                plain.append(Memory(NUMBERS[str(found.reg_name(operand.mem.base))], operand.mem.disp))
                kinds += "m"
            else:
                plain.append(operand.imm)
                kinds += "i"
        return plain, kinds

    def _short(self, found: capstone.CsInsn, stem: str, name: str) -> tuple[list[Operand], str]:
        """Operands of a compressed instruction, in the order of the full one."""
        plain, kinds = self._plain(found)
        if name in LOADS | STORES:
            # Value, displacement, base.
            return [plain[0], Memory(_signed(plain[2]), _signed(plain[1]))], "rm"
        if name == "JAL":
            return [ZERO if stem == "J" else RA, plain[0]], "ri"
        if name == "JALR":
            return [ZERO if stem == "JR" else RA, plain[0], 0], "rri"
        match stem:
            case "MV":
                return [plain[0], ZERO, plain[1]], "rrr"
            case "LI":
                return [plain[0], ZERO, plain[1]], "rri"
            case "NOP":
                return [ZERO, ZERO, 0], "rri"
            case "BEQZ" | "BNEZ":
                return [plain[0], ZERO, plain[1]], "rri"
            case "LUI" | "ADDI4SPN":
                return plain, kinds
        if not kinds:
            return [], ""
        # Two-operand forms: the destination is the first source.
        return [plain[0], *plain], f"r{kinds}"


def _is_integer(found: capstone.CsInsn) -> bool:
    """Whether all registers are those of the integer instruction set; capstone decodes extensions that the core lacks."""
    numbers = [operand.reg for operand in found.operands if operand.type == riscv_const.RISCV_OP_REG]
    numbers += [operand.mem.base for operand in found.operands if operand.type == riscv_const.RISCV_OP_MEM]
    return all(str(found.reg_name(number)) in NUMBERS for number in numbers)


def _signed(operand: Operand) -> int:
    if isinstance(operand, Memory):
        raise TypeError("a memory operand where a number is due")
    return operand


def _sign_extended(value: int, width: int) -> int:
    return value - (1 << width) if value >> (width - 1) & 1 else value
