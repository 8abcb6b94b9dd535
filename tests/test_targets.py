"""Target descriptions: all are sound, and what they say about C's words is what compilers say."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from codegen.errors import TargetError
from codegen.resources import targets_folder
from codegen.targets import Target, known_targets, parse_target, read_target

NAMES = ("atmega328p", "cortex-m0plus", "cortex-m3", "cortex-m4", "cortex-m4f", "rv32imc")


def text_of(name: str) -> str:
    """The description as it stands in the folder."""
    return (targets_folder() / f"{name}.toml").read_text(encoding="utf-8")


def widths(target: Target) -> str:
    """A C text that compiles only if `int` and pointers have the stated widths and all types are at hand."""
    return (
        "#include <stdint.h>\n#include <stdbool.h>\n"
        f'_Static_assert(sizeof(int) * 8 == {target.int_bits}, "int");\n'
        f'_Static_assert(sizeof(void *) * 8 == {target.pointer_bits}, "pointer");\n'
        "int32_t twice(int16_t x);\nint32_t twice(int16_t x) { return (int32_t)x + x; }\n"
    )


def compile_widths(command: list[str], target: Target, folder: Path) -> subprocess.CompletedProcess[str]:
    """Compile the C text of `widths` to an object file."""
    source = folder / "widths.c"
    source.write_text(widths(target), encoding="utf-8")
    arguments = [*command, "-std=c11", "-Wall", "-Wextra", "-Werror", "-c", str(source), "-o", "widths.o"]
    return subprocess.run(arguments, cwd=folder, capture_output=True, text=True, timeout=120, check=False)


def test_known_targets_are_the_six() -> None:
    """The folder holds what the documents promise."""
    assert known_targets() == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_target_is_sound(name: str) -> None:
    """Each description is read, is called as its file, and names a source for each fact."""
    target = read_target(name)
    assert target.name == name
    assert target.cycles
    assert {fact.standing for fact in target.cycles} <= {"seen", "from memory"}
    assert target.weight_bits <= target.operand_bits <= target.accumulator_bits
    assert target.signal_bits >= target.int_bits


def test_words_follow_the_cores() -> None:
    """Narrow where a wide product is a library call, wide where it is one or two instructions."""
    sums = {name: read_target(name).accumulator_bits for name in NAMES}
    operands = {name: read_target(name).operand_bits for name in NAMES}
    assert [sums[name] for name in NAMES] == [32, 32, 32, 64, 64, 64]
    assert [operands[name] for name in NAMES] == [16, 16, 16, 32, 32, 32]


@pytest.mark.parametrize("name", NAMES)
def test_widths_are_those_of_the_pip_compiler(name: str, tmp_path: Path) -> None:
    """Outside check: a C compiler for the target agrees on the width of int and pointers, with our flags."""
    target = read_target(name)
    done = compile_widths([sys.executable, "-m", "ziglang", "cc", *target.zig.flags], target, tmp_path)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("name", [name for name in NAMES if shutil.which(read_target(name).gcc.command)])
def test_widths_are_those_of_the_gnu_compiler(name: str, tmp_path: Path) -> None:
    """Outside check: the same with the GNU compilers that are on this machine."""
    target = read_target(name)
    done = compile_widths([target.gcc.command, *target.gcc.flags], target, tmp_path)
    assert done.returncode == 0, done.stderr


def test_a_wrong_width_does_not_compile(tmp_path: Path) -> None:
    """The check above can fail: the widths of an 8-bit core are not those of a 32-bit one."""
    target = read_target("atmega328p")
    other = read_target("cortex-m3")
    done = compile_widths([sys.executable, "-m", "ziglang", "cc", *other.zig.flags], target, tmp_path)
    assert done.returncode != 0
    assert "int" in done.stderr


@pytest.mark.parametrize(
    ("name", "remedy"),
    [
        ("cortex-m5", 'did you mean "cortex-m'),
        ("Cortex-M4", 'did you mean "cortex-m4"'),
        ("../targets/cortex-m4", "cortex-m4"),
        ("z80", "use one of: atmega328p, cortex-m0plus"),
        ("", "use one of"),
    ],
)
def test_unknown_target_names_the_nearest(name: str, remedy: str) -> None:
    """A name that is no file in the folder is refused, whatever path it spells."""
    with pytest.raises(TargetError) as caught:
        read_target(name)
    assert "no target called" in caught.value.what
    assert remedy in caught.value.remedy


@pytest.mark.parametrize(
    ("old", "new", "where", "says"),
    [
        ("int_bits = 32", "int_bit = 32", "cortex-m3.toml, line 4, int_bit", "did you mean int_bits?"),
        ("int_bits = 32", "int_bits = 24", "cortex-m3.toml, line 4, int_bits", "24 is refused"),
        ("int_bits = 32\n", "", "cortex-m3.toml, line 1, int_bits", "the key is missing"),
        (
            'name = "cortex-m3"',
            'name = "cortex-m33"',
            "cortex-m3.toml, line 2, name",
            "give both the same name",
        ),
        (
            "accumulator_bits = 32",
            "accumulator_bits = 16",
            "line 7, accumulator_bits",
            "narrower than an operand",
        ),
        ('command = "arm', 'comand = "arm', "line 36, gcc.comand", "did you mean command?"),
        ("links = true", 'links = "yes"', "line 44, zig.links", "is refused"),
        ("most = 5", "most = 2", "cycles.3.most", "at most 2 but at least 3 cycles"),
        ("most = 5", "mots = 5", "cycles.3.mots", "did you mean most?"),
        ("most = 5", "most = 5.5", "cycles.3.most", "5.5 is refused"),
    ],
)
def test_broken_description_is_refused(old: str, new: str, where: str, says: str) -> None:
    """Unknown keys, wrong values and contradictions are refused with the line."""
    text = text_of("cortex-m3")
    assert text.count(old) == 1
    with pytest.raises(TargetError) as caught:
        parse_target(text.replace(old, new), "cortex-m3.toml")
    assert where in caught.value.where
    assert says in str(caught.value)
