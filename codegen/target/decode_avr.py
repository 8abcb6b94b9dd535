"""Decoder for the 8-bit AVR core with multiplier and 16-bit program counter (capstone 5 has none).

Bit patterns: Microchip, AVR Instruction Set Manual, DS40002198 (from memory; every pattern that the tests execute agrees with
the assembler and the simulator).
"""

from __future__ import annotations

from codegen.target.instruction import CodeReader, Flow, Instruction, Memory, Operand, unknown_instruction

X, Y, Z = 26, 28, 30
LONG = {"JMP", "CALL", "LDS", "STS"}
# Bits of SREG by which the conditional branches go: name if set, name if clear.
BRANCHES = ("C", "Z", "N", "V", "S", "H", "T", "I")

# Pattern, name, operands: d r registers; D R upper half; P Q pairs for MOVW; W pair for ADIW; E F registers 16-23; K constant;
# k signed word offset; A port; b bit; s flag; q displacement.
PATTERNS = tuple(
    (bits.replace(" ", ""), name)
    for bits, name in (
        ("0000 0000 0000 0000", "NOP"),
        ("0000 0001 PPPP QQQQ", "MOVW"),
        ("0000 0010 DDDD RRRR", "MULS"),
        ("0000 0011 0EEE 0FFF", "MULSU"),
        ("0000 0011 0EEE 1FFF", "FMUL"),
        ("0000 0011 1EEE 0FFF", "FMULS"),
        ("0000 0011 1EEE 1FFF", "FMULSU"),
        ("0000 01rd dddd rrrr", "CPC"),
        ("0000 10rd dddd rrrr", "SBC"),
        ("0000 11rd dddd rrrr", "ADD"),
        ("0001 00rd dddd rrrr", "CPSE"),
        ("0001 01rd dddd rrrr", "CP"),
        ("0001 10rd dddd rrrr", "SUB"),
        ("0001 11rd dddd rrrr", "ADC"),
        ("0010 00rd dddd rrrr", "AND"),
        ("0010 01rd dddd rrrr", "EOR"),
        ("0010 10rd dddd rrrr", "OR"),
        ("0010 11rd dddd rrrr", "MOV"),
        ("0011 KKKK DDDD KKKK", "CPI"),
        ("0100 KKKK DDDD KKKK", "SBCI"),
        ("0101 KKKK DDDD KKKK", "SUBI"),
        ("0110 KKKK DDDD KKKK", "ORI"),
        ("0111 KKKK DDDD KKKK", "ANDI"),
        ("1001 000d dddd 0000", "LDS"),
        ("1001 000d dddd 0001", "LD Z+"),
        ("1001 000d dddd 0010", "LD -Z"),
        ("1001 000d dddd 0100", "LPM Z"),
        ("1001 000d dddd 0101", "LPM Z+"),
        ("1001 000d dddd 1001", "LD Y+"),
        ("1001 000d dddd 1010", "LD -Y"),
        ("1001 000d dddd 1100", "LD X"),
        ("1001 000d dddd 1101", "LD X+"),
        ("1001 000d dddd 1110", "LD -X"),
        ("1001 000d dddd 1111", "POP"),
        ("1001 001d dddd 0000", "STS"),
        ("1001 001d dddd 0001", "ST Z+"),
        ("1001 001d dddd 0010", "ST -Z"),
        ("1001 001d dddd 1001", "ST Y+"),
        ("1001 001d dddd 1010", "ST -Y"),
        ("1001 001d dddd 1100", "ST X"),
        ("1001 001d dddd 1101", "ST X+"),
        ("1001 001d dddd 1110", "ST -X"),
        ("1001 001d dddd 1111", "PUSH"),
        ("1001 010d dddd 0000", "COM"),
        ("1001 010d dddd 0001", "NEG"),
        ("1001 010d dddd 0010", "SWAP"),
        ("1001 010d dddd 0011", "INC"),
        ("1001 010d dddd 0101", "ASR"),
        ("1001 010d dddd 0110", "LSR"),
        ("1001 010d dddd 0111", "ROR"),
        ("1001 0100 0sss 1000", "BSET"),
        ("1001 0100 1sss 1000", "BCLR"),
        ("1001 0100 0000 1001", "IJMP"),
        ("1001 0101 0000 1001", "ICALL"),
        ("1001 0101 0000 1000", "RET"),
        ("1001 0101 0001 1000", "RETI"),
        ("1001 0101 1000 1000", "SLEEP"),
        ("1001 0101 1001 1000", "BREAK"),
        ("1001 0101 1010 1000", "WDR"),
        ("1001 0101 1100 1000", "LPM R0"),
        ("1001 010d dddd 1010", "DEC"),
        ("1001 010k kkkk 110k", "JMP"),
        ("1001 010k kkkk 111k", "CALL"),
        ("1001 0110 KKWW KKKK", "ADIW"),
        ("1001 0111 KKWW KKKK", "SBIW"),
        ("1001 1000 AAAA Abbb", "CBI"),
        ("1001 1001 AAAA Abbb", "SBIC"),
        ("1001 1010 AAAA Abbb", "SBI"),
        ("1001 1011 AAAA Abbb", "SBIS"),
        ("1001 11rd dddd rrrr", "MUL"),
        ("10q0 qq0d dddd 0qqq", "LDD Z"),
        ("10q0 qq0d dddd 1qqq", "LDD Y"),
        ("10q0 qq1d dddd 0qqq", "STD Z"),
        ("10q0 qq1d dddd 1qqq", "STD Y"),
        ("1011 0AAd dddd AAAA", "IN"),
        ("1011 1AAd dddd AAAA", "OUT"),
        ("1100 kkkk kkkk kkkk", "RJMP"),
        ("1101 kkkk kkkk kkkk", "RCALL"),
        ("1110 KKKK DDDD KKKK", "LDI"),
        ("1111 00kk kkkk ksss", "BRBS"),
        ("1111 01kk kkkk ksss", "BRBC"),
        ("1111 100d dddd 0bbb", "BLD"),
        ("1111 101d dddd 0bbb", "BST"),
        ("1111 110d dddd 0bbb", "SBRC"),
        ("1111 111d dddd 0bbb", "SBRS"),
    )
)


def _compiled() -> tuple[tuple[int, int, str, str], ...]:
    rows = []
    for bits, name in PATTERNS:
        mask = int("".join("1" if bit in "01" else "0" for bit in bits), 2)
        value = int("".join("1" if bit == "1" else "0" for bit in bits), 2)
        rows.append((mask, value, bits, name))
    # The most fixed bits first: a pattern with more of them is a special case of one with fewer.
    return tuple(sorted(rows, key=lambda row: -row[0].bit_count()))


ROWS = _compiled()


def _field(word: int, bits: str, letter: str) -> int:
    value = 0
    for place, bit in enumerate(bits):
        if bit == letter:
            value = value << 1 | (word >> (15 - place) & 1)
    return value


def _signed(value: int, width: int) -> int:
    return value - (1 << width) if value >> (width - 1) else value


class AvrDecoder:
    """Decodes AVR code read through `read`."""

    def __init__(self, read: CodeReader) -> None:
        self._read = read
        self._known: dict[int, Instruction] = {}

    def decode(self, address: int) -> Instruction:
        """The instruction at byte `address`; see `Decoder`."""
        if address not in self._known:
            self._known[address] = self._decode(address)
        return self._known[address]

    def _size(self, address: int) -> int:
        """Size of the instruction at `address`, for skips."""
        return self.decode(address).size

    def _decode(self, address: int) -> Instruction:
        code = self._read(address, 4)
        if len(code) < 2 or address % 2:
            raise unknown_instruction(address, code[:2])
        word = int.from_bytes(code[:2], "little")
        row = next((row for row in ROWS if word & row[0] == row[1]), None)
        if row is None:
            raise unknown_instruction(address, code[:2])
        _, _, bits, name = row
        stem = name.split(" ")[0]
        long = stem in LONG
        if long and len(code) < 4:
            raise unknown_instruction(address, code)
        second = int.from_bytes(code[2:4], "little") if long else 0
        return self._build(address, word, bits, name, second)

    def _build(self, address: int, word: int, bits: str, name: str, second: int) -> Instruction:
        stem, _, mode = name.partition(" ")
        size = 4 if stem in LONG else 2
        end = address + size
        letters = [letter for letter in "dDPEWrRQF" if letter in bits]
        registers = []
        for letter in letters:
            value = _field(word, bits, letter)
            registers.append({"d": value, "r": value, "P": 2 * value, "Q": 2 * value, "W": 24 + 2 * value}.get(letter, 16 + value))
        operands: list[Operand] = list(registers)
        kinds = "r" * len(registers)
        flow, target, predicate = Flow.NEXT, -1, ""
        shown = stem
        if "K" in bits:
            operands.append(_field(word, bits, "K"))
            kinds += "i"
        match stem:
            case "LD" | "ST":
                step = {"+": 1, "-": -1}.get(mode.strip("XYZ"), 0)
                operands.append(Memory({"X": X, "Y": Y, "Z": Z}[mode.strip("+-")], min(step, 0), step=step))
                kinds += "m"
            case "LDD" | "STD":
                operands.append(Memory({"Y": Y, "Z": Z}[mode], _field(word, bits, "q")))
                kinds += "m"
            case "LDS" | "STS":
                operands.append(second)
                kinds += "i"
            case "IN" | "OUT" | "SBI" | "CBI":
                operands.append(_field(word, bits, "A"))
                kinds += "i"
            case "BSET" | "BCLR":
                operands.append(_field(word, bits, "s"))
                kinds += "i"
            case "BLD" | "BST":
                operands.append(_field(word, bits, "b"))
                kinds += "i"
            case "JMP" | "CALL":
                target = 2 * (_field(word, bits, "k") << 16 | second)
                flow = Flow.JUMP if stem == "JMP" else Flow.CALL
            case "RJMP" | "RCALL":
                target = (end + 2 * _signed(_field(word, bits, "k"), 12)) & 0xFFFF
                flow = Flow.JUMP if stem == "RJMP" else Flow.CALL
                if stem == "RCALL" and target == end:
                    # A call of what comes next only makes room on the stack; nobody returns to it.
                    flow, target = Flow.NEXT, -1
            case "RET" | "RETI":
                flow = Flow.RETURN
            case "IJMP" | "ICALL":
                flow = Flow.INDIRECT
            case "BRBS" | "BRBC":
                target = end + 2 * _signed(_field(word, bits, "k"), 7)
                flow = Flow.BRANCH
                predicate = f"{BRANCHES[_field(word, bits, 's')]}{int(stem == 'BRBS')}"
                shown = "BRxx"
            case "CPSE" | "SBRC" | "SBRS" | "SBIC" | "SBIS":
                flow = Flow.SKIP
                target = end + self._size(end)
                if stem in ("SBIC", "SBIS"):
                    operands.append(_field(word, bits, "A"))
                    kinds += "i"
                if stem != "CPSE":
                    operands.append(_field(word, bits, "b"))
                    kinds += "i"
        return Instruction(
            address,
            size,
            shown,
            _text(stem, mode, operands, kinds, target),
            flow,
            target,
            predicate=predicate,
            operands=tuple(operands),
            kinds=kinds,
        )


def _text(stem: str, mode: str, operands: list[Operand], kinds: str, target: int) -> str:
    shown = []
    for operand, kind in zip(operands, kinds, strict=True):
        if isinstance(operand, Memory):
            shown.append(f"{mode}+{operand.displacement}" if stem in ("LDD", "STD") else mode)
        else:
            shown.append(f"r{operand}" if kind == "r" else str(operand))
    if target >= 0:
        shown.append(f"{target:#x}")
    return f"{stem.lower()} {', '.join(shown)}".strip()
