"""Decoder for Thumb and Thumb-2 code, through capstone.

An IT instruction is decoded together with the up to four that it makes conditional, since alone they do not show it.
"""

from __future__ import annotations

import capstone
from capstone import arm_const

from codegen.target.instruction import CodeReader, Flow, Instruction, Memory, Operand, unknown_instruction

SP, LR, PC = 13, 14, 15
CONDITIONS = {
    arm_const.ARM_CC_EQ: "eq",
    arm_const.ARM_CC_NE: "ne",
    arm_const.ARM_CC_HS: "hs",
    arm_const.ARM_CC_LO: "lo",
    arm_const.ARM_CC_MI: "mi",
    arm_const.ARM_CC_PL: "pl",
    arm_const.ARM_CC_VS: "vs",
    arm_const.ARM_CC_VC: "vc",
    arm_const.ARM_CC_HI: "hi",
    arm_const.ARM_CC_LS: "ls",
    arm_const.ARM_CC_GE: "ge",
    arm_const.ARM_CC_LT: "lt",
    arm_const.ARM_CC_GT: "gt",
    arm_const.ARM_CC_LE: "le",
}
NAMES = {"sb": 9, "sl": 10, "fp": 11, "ip": 12, "sp": SP, "lr": LR, "pc": PC} | {f"r{n}": n for n in range(16)}
# Other registers (status, floating point): numbered apart, the effects know nothing of them.
OTHER = 64
FLOATING_STATUS, FLOATING = 69, 70
NAMES |= {"fpscr": FLOATING_STATUS, "fpscr_nzcv": FLOATING_STATUS} | {f"s{n}": FLOATING + n for n in range(32)}
PAIRS = {"UMULL", "SMULL", "UMLAL", "SMLAL", "UMAAL", "LDRD"}
COMPARISONS = {"CMP", "CMN", "TST", "TEQ"}
LISTS = {"PUSH", "POP", "LDM", "STM", "LDMDB", "STMDB", "VPUSH", "VPOP", "VLDMIA", "VSTMIA", "VLDMDB", "VSTMDB"}
TABLE_BRANCHES = {"TBB", "TBH"}


class ArmDecoder:
    """Decodes Thumb code read through `read`."""

    def __init__(self, read: CodeReader) -> None:
        self._read = read
        self._known: dict[int, Instruction] = {}
        self._engine = capstone.Cs(capstone.CS_ARCH_ARM, capstone.CS_MODE_THUMB | capstone.CS_MODE_MCLASS)
        self._engine.detail = True

    def decode(self, address: int) -> Instruction:
        """The instruction at `address`; see `Decoder`."""
        if address not in self._known:
            self._fill(address)
        return self._known[address]

    def _fill(self, address: int) -> None:
        code = self._read(address, 4 + 4 * 4)
        first = next(self._engine.disasm(code, address, 1), None) if address % 2 == 0 else None
        if first is None:
            raise unknown_instruction(address, code[:4])
        if first.id != arm_const.ARM_INS_IT:
            self._known[address] = self._build(first, "")
            return
        pattern = first.mnemonic[1:]
        condition = first.op_str.strip()
        block = list(self._engine.disasm(code, address, 1 + len(pattern)))
        if len(block) != 1 + len(pattern):
            raise unknown_instruction(block[-1].address + block[-1].size, code[:4])
        self._known[address] = Instruction(address, first.size, "IT", f"{first.mnemonic} {condition}")
        for instruction in block[1:]:
            self._known[instruction.address] = self._build(instruction, CONDITIONS.get(instruction.cc, ""))

    def _build(self, found: capstone.CsInsn, predicate: str) -> Instruction:
        name = str(found.insn_name()).upper()
        name = {"MOVS": "MOV", "HINT": "NOP", "FMSTAT": "VMRS", "FCONSTS": "VMOV"}.get(name, name)
        if ".f64" in found.mnemonic:
            # Cores with single precision in hardware lack these; the name keeps them apart from what the cycle tables price.
            name += ".F64"
        operands, kinds, shift = self._operands(found)
        reads, writes = found.regs_access()
        results = {self._register(found, number) for number in writes}
        if not name.startswith(("ST", "PUSH", "B", "CB", "VST", "VPUSH", "VCMP", *COMPARISONS)) and kinds.startswith("r"):
            # The destination is named first; two of them in long products and double loads.
            results |= {found_register for found_register in operands[: 2 if name in PAIRS else 1] if isinstance(found_register, int)}
        if found.writeback:
            results |= {operand.base for operand in operands if isinstance(operand, Memory)}
        predicate = predicate or CONDITIONS.get(found.cc, "")
        flow, target, case = Flow.NEXT, -1, ""
        registers = 0
        if name in LISTS:
            first = 0 if name in ("PUSH", "POP", "VPUSH", "VPOP") else 1
            registers = len(found.operands) - first
            if name not in ("PUSH", "POP") and found.writeback and first:
                results.add(self._register(found, found.operands[0].reg))
        if name == "B":
            flow, target = (Flow.BRANCH if predicate else Flow.JUMP), found.operands[0].imm
            name = "Bcc" if predicate else "B"
        elif name in ("CBZ", "CBNZ"):
            flow, target = Flow.BRANCH, found.operands[1].imm
        elif name == "BL":
            flow, target = Flow.CALL, found.operands[0].imm & ~1
        elif name == "BX" and found.operands[0].reg == arm_const.ARM_REG_LR:
            flow = Flow.RETURN
        elif name in ("BX", "BLX") or name in TABLE_BRANCHES:
            flow = Flow.INDIRECT
        elif PC in results:
            # POP and LDM with the program counter among the registers return; MOV pc and LDR pc may lead anywhere.
            stacked = any(isinstance(operand, Memory) and operand.base == SP and operand.step > 0 for operand in operands)
            returns = name in ("POP", "LDM") or (name == "MOV" and operands[-1] == LR) or (name == "LDR" and stacked)
            flow = Flow.RETURN if returns else Flow.INDIRECT
            case = "to pc"
        elif name == "LDR" and any(isinstance(operand, Memory) and operand.base == PC for operand in operands):
            case = "from code"
        if flow is Flow.INDIRECT:
            predicate = ""
        addresses = [operand for operand in operands if isinstance(operand, Memory)]
        sources = {register for operand in addresses for register in (operand.base, operand.index) if 0 <= register < PC}
        if name in ("LDM", "STM"):
            sources.add(self._register(found, found.operands[0].reg))
        if name.startswith("V"):
            # The floating-point unit waits for a result, whatever it is needed for.
            sources |= {register for register in (self._register(found, number) for number in reads) if register >= FLOATING_STATUS}
        return Instruction(
            found.address,
            found.size,
            name,
            f"{found.mnemonic} {found.op_str}".strip(),
            flow,
            target,
            case,
            registers,
            predicate,
            tuple(sorted(sources)),
            tuple(sorted(results - {PC})),
            operands,
            kinds,
            bool(found.update_flags) or name in COMPARISONS,
            shift,
        )

    def _operands(self, found: capstone.CsInsn) -> tuple[tuple[Operand, ...], str, bool]:
        operands: list[Operand] = []
        kinds = ""
        shift = False
        for operand in found.operands:
            shift = shift or operand.shift.type != arm_const.ARM_SFT_INVALID
            if operand.type == arm_const.ARM_OP_REG:
                operands.append(self._register(found, operand.reg))
                kinds += "r"
            elif operand.type == arm_const.ARM_OP_MEM:
                index = self._register(found, operand.mem.index) if operand.mem.index else -1
                step = operand.mem.disp if found.writeback else 0
                shift = shift or operand.mem.lshift != 0
                operands.append(Memory(self._register(found, operand.mem.base), operand.mem.disp, index, step))
                kinds += "m"
            elif operand.type == arm_const.ARM_OP_IMM:
                if found.writeback and kinds.endswith("m"):
                    # Post-increment: the step stands behind the address.
                    last = operands[-1]
                    if isinstance(last, Memory):
                        operands[-1] = Memory(last.base, 0, last.index, operand.imm)
                        continue
                operands.append(operand.imm & 0xFFFFFFFF)
                kinds += "i"
            else:
                # Floating-point and system operands: the effects know nothing of them.
                operands.append(OTHER)
                kinds += "x"
        return tuple(operands), kinds, shift

    def _register(self, found: capstone.CsInsn, number: int) -> int:
        return NAMES.get(str(found.reg_name(number)), OTHER)
