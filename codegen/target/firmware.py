"""A minimal firmware project around a controller, ready for a builder to fill in sensors and drive.

Takes a controller's ``Shape`` and a target, gives file names and texts; builds them as the project's own Makefile does, for the
emulator.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from codegen.emit import Emission
from codegen.emit.comments import CAUTIONS
from codegen.errors import CompileError
from codegen.host.shape import Shape, shape_of
from codegen.rules.fixed import FixedGraph
from codegen.target.build import (
    LANGUAGE,
    LINKER_SCRIPT,
    NO_LIBRARY_CALLS,
    STARTS,
    WARNINGS,
    CompilerKind,
    Optimise,
    Unit,
    find_cross_compiler,
    layout_table,
    link_flags,
    link_image,
    linker_script,
    support_flags,
    template,
)
from codegen.target.emulate_unicorn import RISCV_TIMER
from codegen.target.image import LAYOUT_SECTION, TargetImage
from codegen.targets import Target

FOLDER = "firmware"
# From a project's folder to the controller's.
_CONTROLLER = "../.."
OPTIMISE: Optimise = "-Os"
# The project's own objects all begin with this, so that the linker script can tell them from the controller.
_OWN = "*board*"
_TEMPLATES = ("board.h", "board.c", "board_main.c", "board_trace.h", "board_trace.c")
# Clock divider of timer 1 and its code (Microchip, ATmega328P data sheet, DS40002061, clock select bits; from memory).
_AVR_PRESCALERS = ((1, 1), (8, 2), (64, 3), (256, 4), (1024, 5))
_COUNTER_BITS = {"avr": 16, "arm": 24, "riscv": 32}
_LONGEST_TRACE = 256
_BOOL_NOTES = {
    "arm": "1 = asked to balance; a switch within reach",
    "sensor_fresh": "1 = this tick's readings are new",
    "armed": "1 = balancing; at 0 let go of the drive",
    "tripped": "1 = cut off until disarmed",
}


def project_folder(target: Target) -> str:
    """Where the project lies, seen from the emission's folder."""
    return f"{FOLDER}/{target.name}"


def firmware_files(emission: Emission, fixed: FixedGraph, target: Target, clock_hz: int) -> dict[str, str]:
    """Path from the emission's folder to text, for every file of the project.

    Args:
        emission: The controller, whose own files lie beside the project's folder.
        fixed: What it realises.
        target: What for.
        clock_hz: Core clock that the tick timer counts.

    Raises:
        CompileError: The clock is too slow to count a tick.
    """
    shape = shape_of(emission.name, fixed)
    chip, gcc = target.chip, target.gcc
    timer = _divide(shape, target, clock_hz)
    reached_us = timer.counts * timer.prescaler * timer.interrupts / clock_hz * 1e6
    start = f"board_{STARTS[chip.family]}"
    tripped = [port.name for port in shape.outputs if port.role == "tripped"]
    values = {
        "name": shape.name,
        "state": shape.state_type,
        "inputs": shape.inputs_type,
        "outputs": shape.outputs_type,
        "init": shape.init,
        "step": shape.step,
        "input_ports": shape.inputs,
        "output_ports": shape.outputs,
        "bool_notes": _BOOL_NOTES,
        "target": target.name,
        "title": target.title,
        "family": chip.family,
        "source": chip.source,
        "clock_hz": clock_hz,
        "timer": timer,
        "timer_origin": RISCV_TIMER,
        "period": f"{reached_us:.9g} us" if math.isclose(reached_us, shape.period_s * 1e6) else f"{reached_us:.9g} us, the nearest",
        "trace_ticks": _trace_ticks(shape, target),
        "tripped": tripped[0] if tripped else "",
        "cautions": CAUTIONS,
        "controller": _CONTROLLER,
    }
    texts = {name: template(f"firmware/{name}.jinja", **values) for name in (*_TEMPLATES, "README.md")}
    texts[start] = template(f"target/{STARTS[chip.family]}")
    texts["memory.c"] = template("target/memory.c")
    texts[LINKER_SCRIPT] = linker_script(target, _OWN)
    units = _units(shape, target, "gcc", OPTIMISE)
    texts["Makefile"] = template(
        "firmware/Makefile.jinja",
        name=shape.name,
        target=target.name,
        gcc=gcc,
        zig=target.zig,
        optimise=OPTIMISE,
        controller=_CONTROLLER,
        no_calls=NO_LIBRARY_CALLS,
        objcopy=f"{gcc.command.removesuffix('gcc')}objcopy",
        language=LANGUAGE,
        warnings=WARNINGS,
        link=link_flags(target),
        layout=LAYOUT_SECTION,
        objects=[unit.object for unit in units],
        units=[
            {
                "file": unit.file,
                "object": unit.object,
                "is_c": unit.is_c,
                "flags": [_variable(flag, unit) for flag in unit.flags] if unit.is_c else [],
            }
            for unit in units
        ],
    )
    return {f"{project_folder(target)}/{name}": text for name, text in texts.items()}


def build_firmware(
    files: Mapping[str, str],
    emission: Emission,
    fixed: FixedGraph,
    target: Target,
    *,
    optimise: Optimise = OPTIMISE,
    compiler: CompilerKind | None = None,
) -> TargetImage:
    """Build the project as its Makefile does; a layout table is added behind everything else.

    Args:
        files: What ``firmware_files`` gave, edited or not.
        emission: The controller.
        fixed: What it realises.
        target: What for.
        optimise: The controller's optimisation flag.
        compiler: Which compiler; None takes the first that is installed.

    Raises:
        CompileError: No compiler for this target, or it refuses the text.
    """
    shape = shape_of(emission.name, fixed)
    tool = find_cross_compiler(target, compiler)
    texts = {
        **files,
        f"{emission.name}.h": emission.header,
        f"{emission.name}.c": emission.source,
        f"{project_folder(target)}/layout.c": layout_table(shape),
    }
    units = [*_units(shape, target, tool.kind, optimise), Unit("layout.c", (f"-I{_CONTROLLER}",))]
    return link_image(tool, texts, units, shape, target, optimise, folder=project_folder(target))


def _units(shape: Shape, target: Target, kind: CompilerKind, optimise: str) -> list[Unit]:
    own = (*support_flags(kind), f"-I{_CONTROLLER}")
    files = (f"board_{STARTS[target.chip.family]}", "board.c", "board_main.c", "board_trace.c", "memory.c")
    return [Unit(f"{_CONTROLLER}/{shape.name}.c", (optimise, f"-I{_CONTROLLER}")), *(Unit(file, own) for file in files)]


def _variable(flag: str, unit: Unit) -> str:
    """A flag as the Makefile writes it."""
    if flag in NO_LIBRARY_CALLS.values():
        return "$(NO_CALLS)"
    return "$(OPTIMISE)" if flag == OPTIMISE and unit.file.startswith(_CONTROLLER) else flag


@dataclass(frozen=True)
class _Timer:
    """How the core's timer makes ticks: prescaler and its code, counts per interrupt, interrupts per tick."""

    prescaler: int
    code: int
    counts: int
    interrupts: int


def _divide(shape: Shape, target: Target, clock_hz: int) -> _Timer:
    family = target.chip.family
    limit = 1 << _COUNTER_BITS[family]
    prescalers = _AVR_PRESCALERS if family == "avr" else ((1, 0),)
    cycles = clock_hz * shape.period_s
    prescaler, code = next((pair for pair in prescalers if round(cycles / pair[0]) <= limit), prescalers[-1])
    interrupts = max(1, math.ceil(cycles / prescaler / limit))
    counts = round(cycles / prescaler / interrupts)
    if counts < 1:
        raise CompileError(
            f"a clock of {clock_hz} Hz is too slow to count ticks of {shape.period_s * 1e3:g} ms", target.name, "choose another clock_hz"
        )
    return _Timer(prescaler, code, counts, interrupts)


def _trace_ticks(shape: Shape, target: Target) -> int:
    """Length of the ring: at most half of the data memory, a power of two."""
    entry = sum(-(-port.bits // 8) for port in (*shape.inputs, *shape.outputs)) + 4
    ticks = target.chip.ram_bytes // 2 // entry
    return min(_LONGEST_TRACE, 1 << max(1, ticks.bit_length() - 1))
