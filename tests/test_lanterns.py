"""The three lanterns under the word rules of three targets: warnings, bits, bounds, flights."""

import functools
import os
import shutil
import subprocess
from pathlib import Path

import pytest

from codegen.emit import Emission
from codegen.pipeline import BIT_TICKS, Progress, design_build, make_shipment, realise
from codegen.targets import read_target

EXAMPLES = Path(__file__).parent / "examples"
LANTERNS = ("calm", "heavy", "lively")
TARGETS = ("cortex-m4", "cortex-m0plus", "atmega328p")
WARNINGS = "-std=c99 -Wall -Wextra -Wconversion -Wpedantic -Wshadow -Werror".split()
COMPILERS = {
    "gcc": (),
    "arm-none-eabi-gcc": ("-mcpu=cortex-m0plus", "-mthumb"),
    "avr-gcc": ("-mmcu=atmega328p",),
    "riscv64-unknown-elf-gcc": ("-march=rv32imc", "-mabi=ilp32"),
}


@functools.cache
def emitted(lantern: str) -> tuple[Emission, ...]:
    """One emission per word rule."""
    designed = design_build(EXAMPLES / f"lantern_{lantern}.toml")
    return tuple(realise(designed.graph(), read_target(target), 3.0, designed.plant).emission for target in TARGETS)


@pytest.mark.parametrize("compiler", COMPILERS)
@pytest.mark.parametrize("lantern", [LANTERNS[0], *(pytest.param(name, marks=pytest.mark.long) for name in LANTERNS[1:])])
def test_emitted_c_compiles_without_a_warning(lantern: str, compiler: str, tmp_path: Path):
    """Every lantern, every word rule, four compilers, ``int`` of 16 and of 32 bits."""
    if shutil.which(compiler) is None:
        assert os.environ.get("LOOPWRIGHT_ALL_TOOLS") != "1", f"{compiler} is missing"
        pytest.skip(f"{compiler} is not installed here")
    for emission in emitted(lantern):
        (tmp_path / f"{emission.name}.h").write_text(emission.header, encoding="utf-8")
        (tmp_path / f"{emission.name}.c").write_text(emission.source, encoding="utf-8")
        for optimise in ("-O2", "-Os"):
            command = [compiler, *COMPILERS[compiler], *WARNINGS, optimise, "-ffreestanding", "-c", f"{emission.name}.c", "-o", "out.o"]
            done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
            assert done.stderr == ""
            assert done.returncode == 0


@pytest.mark.long
@pytest.mark.parametrize("target", TARGETS)
@pytest.mark.parametrize("lantern", LANTERNS)
def test_lantern_ships_and_everything_holds(lantern: str, target: str):
    """Ten million ticks bit for bit, sanitizer silent, no bound beaten, every bound within twice the largest observation."""
    designed = design_build(EXAMPLES / f"lantern_{lantern}.toml")
    shipment = make_shipment(designed.graph(), read_target(target), 3.0, Progress(), designed)

    assert shipment.failures == ()
    assert shipment.checks.bits.ticks >= BIT_TICKS == 10_000_000
    assert {seen.name: seen.ratio for seen in shipment.checks.errors.signals if not seen.ratio <= 2.0} == {}
