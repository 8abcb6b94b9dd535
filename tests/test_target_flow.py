"""Decoding and flow of machine code: instructions are what other tools say, loops nest, what has no bound is refused with its place."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from codegen.errors import BoundError
from codegen.target.bound import Analysis, bound_tick, code_reader
from codegen.target.decode_avr import AvrDecoder
from codegen.target.flow import find_region
from codegen.target.instruction import Flow, Instruction
from codegen.target.seek import measure_ticks
from tests.target_tools import COUNTING, IDLE, Counts, lack, need_emulator, small_image

FAMILIES = ("atmega328p", "cortex-m0plus", "cortex-m3", "rv32imc")
# Short forms in listings of the GNU disassembler, and the instruction that they stand for.
ALIASES = {"clr": "eor", "tst": "and", "lsl": "add", "rol": "adc", "ser": "ldi"}
ALIASES |= {f"{mode}{flag}": "bset" if mode == "se" else "bclr" for mode in ("se", "cl") for flag in "cznvshti"}
ALIASES |= dict.fromkeys("brcs brlo breq brmi brvs brlt brhs brts brie".split(), "brbs")
ALIASES |= dict.fromkeys("brcc brsh brne brpl brvc brge brhc brtc brid".split(), "brbc")
# Instructions of larger AVR cores than ours, which its decoder must not know.
FOREIGN = {"elpm", "eijmp", "eicall", "spm", "des", "xch", "las", "lac", "lat"}


def readings(*rows: tuple[int, int]) -> Counts:
    return np.array(rows, dtype=np.int64)


def test_avr_decoder_agrees_with_the_gnu_disassembler_on_every_word(tmp_path: Path) -> None:
    """Outside check: GNU binutils, objdump for avr5, on all 65536 first words of an instruction."""
    objdump = shutil.which("avr-objdump")
    if objdump is None:
        lack("no avr-objdump")
    code = b"".join(word.to_bytes(2, "little") + b"\x08\x95\x08\x95" for word in range(0x10000))
    (tmp_path / "code.bin").write_bytes(code)
    command = [str(objdump), "-D", "-z", "-b", "binary", "-m", "avr:5", "code.bin"]
    listing = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=True).stdout
    shown = {int(found[1], 16): found[2] for found in re.finditer(r"^ *([0-9a-f]+):\t(?:[0-9a-f]{2} )+ *\t(\S+)", listing, re.MULTILINE)}
    decoder = AvrDecoder(lambda address, size: code[address : address + size])
    differ = []
    for word in range(0x10000):
        name = ALIASES.get(shown[6 * word], shown[6 * word])
        try:
            mine = decoder.decode(6 * word).text.split()[0]
        except BoundError:
            mine = ".word"
        if name in FOREIGN or (name == ".word" and mine in ("ldd", "std")):
            continue
        if {mine, name} in ({"ldd", "ld"}, {"std", "st"}):
            continue
        if mine != name:
            differ.append((f"{word:04x}", name, mine))

    assert differ == []


@pytest.mark.parametrize("target", FAMILIES)
def test_region_of_a_step_holds_its_loops(target: str) -> None:
    image = small_image(
        target,
        "    int32_t total = 0;\n"
        "    for (int outer = 0; outer < 30; outer++) {\n"
        "        for (int inner = 0; inner < 50; inner++) {\n"
        '            __asm__ volatile("" : "+r"(total));\n'
        "        }\n    }\n" + IDLE,
    )
    region = find_region(Analysis(image).decoder, image.address_of("small_step"))

    assert max(len(nest) for nest in region.nests.values()) == 2
    for block in region.blocks.values():
        assert all(instruction.flow is Flow.NEXT for instruction in block.instructions[:-1])


@pytest.mark.parametrize("target", FAMILIES)
def test_a_loop_of_constant_passes_has_the_bound_that_is_measured(target: str) -> None:
    need_emulator(target)
    image = small_image(
        target,
        "    for (int outer = 0; outer < 27; outer++) {\n"
        "        for (int inner = 0; inner < 31; inner++) {\n"
        '            __asm__ volatile("");\n'
        "        }\n    }\n" + COUNTING.replace("inputs->wide * inputs->narrow", "inputs->narrow"),
    )
    cycles = measure_ticks(image, readings((0, -1), (0, 100)))
    bound = bound_tick(image)

    assert int(cycles.max()) <= bound.worst.cycles <= int(cycles.max()) + 8
    assert bound.worst.cycles > 27 * 31 * 2
    assert bound.ordinary == bound.slow == bound.worst
    assert sum(step.cycles for step in bound.worst.steps) == bound.worst.cycles
    assert bound.fewest_cycles <= int(cycles.min())


@pytest.mark.parametrize("target", FAMILIES)
def test_a_loop_that_data_ends_is_refused_with_its_line(target: str) -> None:
    image = small_image(
        target,
        "    int32_t left = inputs->wide;\n"
        '    while (left > 0) {\n        left -= 3;\n        __asm__ volatile("" : "+r"(left));\n    }\n' + IDLE,
    )
    with pytest.raises(BoundError, match="no provable bound") as caught:
        bound_tick(image)
    assert re.match(r"small\.c:[56789], address 0x[0-9a-f]+", caught.value.where)
    assert "constant number of passes" in caught.value.remedy


@pytest.mark.parametrize("target", FAMILIES)
def test_a_shift_by_a_variable_is_refused_where_it_is_a_loop(target: str) -> None:
    step = f"    state->sum = (int64_t)inputs->wide << (inputs->narrow & 31);\n{IDLE}"
    if target == "atmega328p":
        with pytest.raises(BoundError, match="no provable bound"):
            bound_tick(small_image(target, step))
    else:
        assert bound_tick(small_image(target, step)).worst.cycles < 200


@pytest.mark.parametrize("target", FAMILIES)
def test_an_indirect_call_is_refused(target: str) -> None:
    step = f"    typedef void handler(void);\n    handler *volatile chosen = 0;\n    chosen();\n{IDLE}"
    with pytest.raises(BoundError, match="jumps to an address that the code does not show") as caught:
        bound_tick(small_image(target, step))
    assert "small.c:" in caught.value.where
    assert "function pointers" in caught.value.remedy


def test_a_jump_table_is_refused() -> None:
    asm = '__asm__ volatile("nop" ::: "memory");'
    cases = "".join(f"        case {value}: {asm} state->sum = {value * value}; break;\n" for value in range(12))
    step = f"    switch (inputs->wide) {{\n{cases}        default: state->count = 9u;\n    }}\n{IDLE}"
    image = small_image("cortex-m3", step, ("-fno-tree-switch-conversion",))
    with pytest.raises(BoundError, match=r"tbb|tbh|ldr"):
        bound_tick(image)


@pytest.mark.parametrize(
    ("target", "word"),
    [
        ("atmega328p", ".word 0xffff"),
        ("cortex-m0plus", ".short 0xffff, 0xffff"),
        ("cortex-m3", ".short 0xffff, 0xffff"),
        ("rv32imc", ".word 0"),
        ("rv32imc", ".word 0xffffffff"),
        # A load into a floating-point register, which this core lacks.
        ("rv32imc", ".word 0x00052507"),
    ],
)
def test_an_unknown_instruction_is_refused(target: str, word: str) -> None:
    image = small_image(target, f'    __asm__ volatile("{word}");\n{IDLE}')
    with pytest.raises(BoundError, match="are no known instruction") as caught:
        bound_tick(image)
    assert re.match(r"small\.c:\d, address 0x", caught.value.where)
    assert "compile for the core that the target names" in caught.value.remedy


@pytest.mark.parametrize(
    ("target", "words", "name"),
    [
        ("cortex-m0plus", "0xfbb1, 0xf0f2", "UDIV"),
        ("cortex-m3", "0xfb10, 0xf001", "SMULBB"),
        ("cortex-m4", "0xee30, 0x0a20", "VADD"),
        ("cortex-m4f", "0xee30, 0x0b01", r"VADD\.F64"),
        ("cortex-m0plus", "0xde00", "UDF"),
    ],
)
def test_an_instruction_of_a_larger_core_is_refused(target: str, words: str, name: str) -> None:
    """The decoder knows all of Thumb-2; what the core itself lacks has no price."""
    image = small_image(target, f'    __asm__ volatile(".short {words}");\n{IDLE}')
    with pytest.raises(BoundError, match=f"the cycle table of {target} has no row for {name}") as caught:
        bound_tick(image)
    assert re.match(r"small\.c:\d, address 0x", caught.value.where)


@pytest.mark.parametrize("target", FAMILIES)
def test_recursion_is_refused(target: str) -> None:
    step = f"    if (inputs->narrow > 0) {{\n        small_step(state, inputs, outputs);\n        state->count++;\n    }}\n{IDLE}"
    with pytest.raises(BoundError, match=r"calls itself|no provable bound"):
        bound_tick(small_image(target, step, ("-fno-optimize-sibling-calls", "-fno-inline")))


@pytest.mark.parametrize("target", FAMILIES)
def test_a_stack_of_variable_size_is_refused(target: str) -> None:
    step = (
        "    char *const room = __builtin_alloca((unsigned char)inputs->narrow);\n"
        '    __asm__ volatile("" :: "r"(room) : "memory");\n'
        f"    small_init(state);\n{IDLE}"
    )
    with pytest.raises(BoundError):
        bound_tick(small_image(target, step, ("-fno-inline",)))


def test_a_loop_entered_in_the_middle_is_refused() -> None:
    """A hand-made flow: two blocks that lead to each other, both entered from outside."""

    class Toy:
        def decode(self, address: int) -> Instruction:
            return {
                0: Instruction(0, 2, "BRxx", "br 4", Flow.BRANCH, 4),
                2: Instruction(2, 2, "NOP", "nop"),
                4: Instruction(4, 2, "BRxx", "br 2", Flow.BRANCH, 2),
                6: Instruction(6, 2, "RET", "ret", Flow.RETURN),
            }[address]

    with pytest.raises(BoundError, match="entered in the middle"):
        find_region(Toy(), 0)


def test_it_block_is_decoded_with_its_conditions() -> None:
    block = "\\n\\t".join(("cmp r0, #0", "ittet eq", "moveq r3, #1", "moveq r3, #2", "movne r3, #3", "moveq r3, #4"))
    image = small_image("cortex-m3", f'    __asm__ volatile("{block}" ::: "r3", "cc");\n{IDLE}')
    region = find_region(Analysis(image).decoder, image.address_of("small_step"))
    moves = [i for block in region.blocks.values() for i in block.instructions if i.name == "MOV" and i.results == (3,)]

    assert [move.predicate for move in moves] == ["eq", "eq", "ne", "eq"]


def test_far_call_on_riscv_is_a_call() -> None:
    """AUIPC and JALR by hand, as the assembler writes them for `call` before relaxation."""
    call = ".option push\\n\\t.option norelax\\n\\tcall small_init\\n\\t.option pop"
    step = f'    __asm__ volatile("{call}" ::: "ra", "t0", "t1", "t2", "a0", "a1", "a2", "a3", "a4", "a5", "memory");\n{IDLE}'
    image = small_image("rv32imc", step)
    region = find_region(Analysis(image).decoder, image.address_of("small_step"))
    calls = [block.last for block in region.blocks.values() if block.last.flow is Flow.CALL]

    assert [call.target for call in calls] == [image.address_of("small_init")]
    assert calls[0].name == "JALR"
    assert bound_tick(image).worst.cycles > 10


def test_code_is_read_only_where_there_is_some() -> None:
    image = small_image("cortex-m0plus", IDLE)
    read = code_reader(image)

    assert len(read(image.address_of("small_step"), 2)) == 2
    assert read(0x7000_0000, 4) == b""
