"""Cross compilation: images are whole, their sizes and layouts are what other tools and the calling conventions say; refusals are clear."""

from __future__ import annotations

import importlib.util
import io
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from elftools.elf.elffile import ELFFile

from codegen.emit import Emission
from codegen.errors import CompileError, TargetError
from codegen.host.shape import WIDTHS
from codegen.target.build import CompilerKind, build_emission, build_image, find_cross_compiler
from codegen.target.firmware import build_firmware, firmware_files, project_folder
from codegen.target.image import FLASH_SECTIONS, TargetImage
from codegen.targets import read_target
from tests.defect_graphs import realise, vent
from tests.target_tools import BUILDS, COUNTING, IDLE, SMALL, TARGETS, lack, lantern_image, made, need_compiler, small_image, small_sources

CLOCK_HZ = 16_000_000


def tool(image: TargetImage, name: str) -> str:
    """One of the GNU binary utilities for the image's core."""
    path = shutil.which(image.target.gcc.command.removesuffix("gcc") + name)
    if path is None:
        lack(f"no {name} for {image.target.name}")
    assert path is not None
    return path


@pytest.mark.parametrize(("target", "kind"), BUILDS)
def test_lantern_builds_without_a_warning(target: str, kind: CompilerKind) -> None:
    image = lantern_image("calm", target, kind)

    assert image.optimise == "-O2"
    assert image.symbols[image.shape.step].is_code
    chip = image.target.chip
    assert chip.flash_origin <= image.entry < chip.flash_origin + chip.flash_bytes
    assert sum(len(segment.content) for segment in image.segments) > image.flash_bytes > 500
    assert image.ram_bytes >= sum(port.bits // 8 for port in image.shape.memory)
    assert image.compiler.startswith("zig 0.") == (kind == "zig")


@pytest.mark.parametrize(("target", "kind"), BUILDS)
def test_flash_is_what_the_binary_utilities_cut_out(target: str, kind: CompilerKind, tmp_path: Path) -> None:
    """Outside check: GNU objcopy writes exactly the counted bytes of the sections that hold the controller."""
    image = lantern_image("calm", target, kind, "-Os")
    (tmp_path / "image.elf").write_bytes(image.elf)
    cut = 0
    for section in FLASH_SECTIONS:
        command = [tool(image, "objcopy"), "-O", "binary", "-j", section, "image.elf", "part.bin"]
        subprocess.run(command, cwd=tmp_path, check=True, capture_output=True)
        cut += (tmp_path / "part.bin").stat().st_size

    assert cut == image.flash_bytes


@pytest.mark.parametrize("target", TARGETS)
def test_start_up_and_drivers_are_not_counted(target: str) -> None:
    """A controller that does nothing is two returns and what aligns them."""
    image = small_image(target, IDLE)

    assert 0 < image.flash_bytes <= 64
    assert image.ram_bytes == image.layout.state.itemsize


@pytest.mark.parametrize("target", TARGETS)
def test_layout_is_that_of_the_calling_convention(target: str) -> None:
    """Natural alignment on Arm and RISC-V, none on AVR.

    Arm, Procedure Call Standard for the Arm Architecture (AAPCS32), 5.1 and 5.3; RISC-V ELF psABI, "C type sizes and alignments";
    avr-gcc ABI: all types have alignment 1 (all from memory).
    """
    image = small_image(target, COUNTING)
    packed = image.target.chip.family == "avr"
    for struct, order in (
        (image.layout.inputs, ("narrow", "wide")),
        (image.layout.outputs, ("flag", "long_word")),
        (image.layout.state, ("count", "sum")),
    ):
        ports = {port.name: port for port in (*SMALL.inputs, *SMALL.outputs, *SMALL.memory)}
        sizes = [WIDTHS[ports[name].ctype] // 8 for name in order]
        second = sizes[0] if packed else sizes[1]
        assert struct.fields is not None
        assert [struct.fields[name][1] for name in order] == [0, second]
        assert struct.itemsize == second + sizes[1]


def test_wide_arithmetic_of_the_library_is_counted() -> None:
    """A 64-bit product is a library call on an AVR; it must not be missing from the flash figure."""
    plain = small_image("atmega328p", IDLE)
    wide = small_image("atmega328p", COUNTING)

    assert "__muldi3" in wide.symbols or "__mulsidi3" in wide.symbols
    assert wide.flash_bytes > plain.flash_bytes + 100


@pytest.mark.parametrize("target", ["atmega328p", "cortex-m0plus"])
def test_constants_of_an_avr_cost_data_memory(target: str) -> None:
    table = "    static const int32_t table[4] = {11, 22, 33, 44};\n    state->sum = table[inputs->narrow & 3];\n    outputs->flag = false;"
    image = small_image(target, table)

    extra = image.ram_bytes - image.layout.state.itemsize
    assert extra == (16 if target == "atmega328p" else 0)


@pytest.mark.parametrize("target", TARGETS)
def test_builds_repeat(target: str) -> None:
    """The same text gives the same bytes, whatever folder it was compiled in."""
    assert small_image(target, COUNTING).elf == small_image(target, COUNTING).elf


def test_gnu_compiler_is_taken_first_and_the_pip_one_in_its_place(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    target = read_target("cortex-m0plus")
    need_compiler("cortex-m0plus", "gcc")
    assert find_cross_compiler(target).kind == "gcc"

    monkeypatch.setenv("PATH", str(tmp_path))
    assert find_cross_compiler(target).kind == "zig"


def test_missing_compiler_is_refused(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(CompileError, match="there is no program avr-gcc") as caught:
        find_cross_compiler(read_target("atmega328p"))
    assert caught.value.remedy == "install avr-gcc"
    with pytest.raises(CompileError, match="there is no program arm-none-eabi-gcc"):
        find_cross_compiler(read_target("cortex-m3"), "gcc")

    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    with pytest.raises(CompileError, match="no cross compiler") as caught:
        find_cross_compiler(read_target("rv32imc"))
    assert "pip install ziglang" in caught.value.remedy
    assert caught.value.exit_status == 2


def test_unknown_target_is_refused() -> None:
    with pytest.raises(TargetError, match="no target called"):
        read_target("cortex-m99")


@pytest.mark.parametrize("kind", ["gcc", "zig"])
def test_a_warning_is_an_error(kind: CompilerKind) -> None:
    """Also one that only a 32-bit core raises."""
    need_compiler("cortex-m0plus", kind)
    narrowing = "    state->count = inputs->wide;\n    outputs->flag = false;"
    with pytest.raises(CompileError, match="the cross compiler refused the text") as caught:
        build_image(small_sources(narrowing), SMALL, read_target("cortex-m0plus"), compiler=kind)
    assert "small.c" in str(caught.value)


def test_too_large_a_controller_is_refused() -> None:
    """The linker knows the chip's memory."""
    need_compiler("atmega328p")
    step = (
        "    static int32_t many[1000];\n    many[inputs->narrow & 7] = inputs->wide;\n"
        "    state->sum = many[3];\n    outputs->flag = false;"
    )
    with pytest.raises(CompileError, match="refused"):
        build_image(small_sources(step), SMALL, read_target("atmega328p"))


@pytest.mark.parametrize("target", ["atmega328p", "cortex-m0plus", "rv32imc"])
def test_make_builds_the_firmware_that_is_run(target: str, tmp_path: Path) -> None:
    """The project's own Makefile gives the program that the emulator executes, and a hex file of it."""
    need_compiler(target, "gcc")
    make = shutil.which("make")
    if make is None:
        lack("no make")
    part, described = made("calm", target), read_target(target)
    files = firmware_files(part.emission, part.fixed, described, CLOCK_HZ)
    image = build_firmware(files, part.emission, part.fixed, described, compiler="gcc")
    write_project(tmp_path, files, part.emission)
    place = tmp_path / project_folder(described)
    done = subprocess.run([str(make)], cwd=place, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr

    command = [tool(image, "objcopy"), "-O", "binary", "-R", ".layout"]
    (place / "ours.elf").write_bytes(image.elf)
    for name in ("firmware", "ours"):
        subprocess.run([*command, f"{name}.elf", f"{name}.bin"], cwd=place, check=True, capture_output=True)
    assert (place / "firmware.bin").read_bytes() == (place / "ours.bin").read_bytes()
    assert (place / "firmware.hex").read_text(encoding="ascii").startswith(":")


@pytest.mark.parametrize("target", ["cortex-m0plus", "rv32imc"])
def test_make_builds_with_the_pip_compiler(target: str, tmp_path: Path) -> None:
    """`make TOOL=zig`, the same bytes as here."""
    need_compiler(target, "zig")
    make = shutil.which("make")
    if make is None:
        lack("no make")
    part, described = made("calm", target), read_target(target)
    files = firmware_files(part.emission, part.fixed, described, CLOCK_HZ)
    image = build_firmware(files, part.emission, part.fixed, described, compiler="zig")
    write_project(tmp_path, files, part.emission)
    place = tmp_path / project_folder(described)
    done = subprocess.run([str(make), "TOOL=zig", f"PYTHON={sys.executable}"], cwd=place, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr

    assert code_of((tmp_path / project_folder(described) / "firmware.elf").read_bytes()) == code_of(image.elf)


def code_of(elf: bytes) -> list[bytes]:
    """What an image executes: start-up and board, controller, constants."""
    file = ELFFile(io.BytesIO(elf))
    found = [file.get_section_by_name(name) for name in (".support", *FLASH_SECTIONS)]
    return [section.data() for section in found if section is not None]


def write_project(folder: Path, files: dict[str, str], emission: Emission) -> None:
    """What ``ship`` puts into a folder, as far as the firmware needs it."""
    for name, text in {**files, f"{emission.name}.h": emission.header, f"{emission.name}.c": emission.source}.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")


def test_firmware_files_name_every_reading_and_its_unit() -> None:
    part, folder = made("calm", "cortex-m0plus"), project_folder(read_target("cortex-m0plus"))
    files = firmware_files(part.emission, part.fixed, read_target("cortex-m0plus"), CLOCK_HZ)

    assert set(files) == {
        f"{folder}/{name}"
        for name in (
            "Makefile README.md board.c board.h board_main.c board_start_arm.c board_trace.c board_trace.h link.ld memory.c".split()
        )
    }
    for port in part.fixed.graph.inputs:
        assert f" *   {port.name}: " in files[f"{folder}/board.c"]
    for name in ("board.c", "README.md"):
        assert "CAUTION" in files[f"{folder}/{name}"]


def test_slow_loops_count_several_interrupts() -> None:
    """A period of one second is beyond a 24-bit timer at 64 MHz: 16 MHz times one second is not."""
    emission, fixed = realise(vent(), "cortex-m0plus")
    described = read_target("cortex-m0plus")
    need_compiler("cortex-m0plus")
    fast = firmware_files(emission, fixed, described, 64_000_000)
    slow = firmware_files(emission, fixed, described, 16_000_000)
    assert "BOARD_INTERRUPTS_PER_TICK 4u" in fast[f"{project_folder(described)}/board.h"]
    assert "BOARD_TIMER_COUNTS 16000000UL" in fast[f"{project_folder(described)}/board.h"]
    assert "BOARD_INTERRUPTS_PER_TICK 1u" in slow[f"{project_folder(described)}/board.h"]
    assert build_firmware(fast, emission, fixed, described).symbols["board_wait_for_tick"].is_code

    with pytest.raises(CompileError, match="too slow"):
        firmware_files(emission, fixed, described, 0)


@pytest.mark.extended
@pytest.mark.parametrize("name", ["calm", "heavy", "lively"])
@pytest.mark.parametrize(("target", "kind"), BUILDS)
def test_every_lantern_builds_at_both_levels(name: str, target: str, kind: CompilerKind) -> None:
    need_compiler(target, kind)
    part = made(name, target)
    sizes = [
        build_emission(part.emission, part.fixed, read_target(target), optimise=level, compiler=kind).flash_bytes
        for level in ("-O2", "-Os")
    ]
    assert sizes[1] <= sizes[0] * 1.05
