"""What is known about a microcontroller: its words, its compilers, its cycles.

Takes the name of a file in ``targets/``, gives a frozen `Target`. The facts are data, each with its source;
nothing here computes with them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated, ClassVar, Literal

from pydantic import ConfigDict, Field

from codegen.errors import TargetError
from codegen.resources import targets_folder
from codegen.tomlfile import nearest, parse_document, read_text, show, validate

WordBits = Literal[8, 16, 32, 64]
Cycles = Annotated[int, Field(strict=True, ge=0, le=1000)]
Address = Annotated[int, Field(strict=True, ge=0, lt=2**32)]
Text = Annotated[str, Field(strict=True, min_length=1, max_length=200)]
Case = Literal["", "taken", "not executed", "skips one word", "skips two words", "to pc", "from code", "uses the result before"]


@dataclass(frozen=True)
class _Table:
    """What all tables share: unknown keys are refused."""

    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(extra="forbid")


@dataclass(frozen=True)
class Gcc(_Table):
    """The GNU cross compiler.

    Attributes:
        command: Name of its driver on the path.
        flags: What selects this core; optimisation and warnings are the caller's choice.
        libraries: What to link for the helpers of wide arithmetic.
        source: Where the flags are known from.
    """

    command: Text
    flags: Annotated[tuple[Text, ...], Field(min_length=1)]
    libraries: tuple[Text, ...]
    source: Text


@dataclass(frozen=True)
class Zig(_Table):
    """The C cross compiler that installs with pip (module ``ziglang``, subcommand ``cc``).

    Attributes:
        flags: What selects this core.
        libraries: What to link for the helpers of wide arithmetic.
        links: False if it makes object files only, because a runtime library for this core is missing.
        source: Where the flags are known from.
    """

    flags: Annotated[tuple[Text, ...], Field(min_length=1)]
    libraries: tuple[Text, ...]
    links: Annotated[bool, Field(strict=True)]
    source: Text


@dataclass(frozen=True)
class Chip(_Table):
    """The memory that images are linked for, and what executes them here.

    Attributes:
        family: Instruction set family: decides start-up code, linker script and emulator.
        emulator: What executes images of this core.
        model: Its name for the core.
        flash_origin: First address of program memory.
        flash_bytes: Its size.
        ram_origin: First address of data memory.
        ram_bytes: Its size.
        wait_states: Cycles a flash access takes beyond one; an assumption that cycle figures rest on.
        source: Where the memory map is known from, or that it is assumed.
        highest_clock_hz: Fastest clock that the chip allows; None where that is the chip maker's choice.
    """

    family: Literal["avr", "arm", "riscv"]
    emulator: Literal["simavr", "unicorn"]
    model: Text
    flash_origin: Address
    flash_bytes: Annotated[int, Field(strict=True, ge=1024, lt=2**32)]
    ram_origin: Address
    ram_bytes: Annotated[int, Field(strict=True, ge=256, lt=2**32)]
    wait_states: Annotated[int, Field(strict=True, ge=0, le=15)]
    source: Text
    highest_clock_hz: Annotated[int, Field(strict=True, ge=1_000, lt=2**32)] | None = None


@dataclass(frozen=True)
class CycleFact(_Table):
    """How long one class of instruction takes, zero wait states.

    Attributes:
        instruction: Mnemonics, in the core's own assembly language, without suffixes of condition, width and flags.
        fewest: Least number of clock cycles.
        most: Greatest number; differs from `fewest` where the core's implementer or the operands decide.  Bounds use it.
        source: Document and table.
        standing: Whether the figure was seen in the source or is recalled from memory.
        case: When the row holds: "taken" or "not executed" for what depends on a condition, "skips one word" or "skips two words",
            "to pc" where the program counter is loaded, "from code" for a literal; "uses the result before" is added on top.
        per_register: Cycles added for each register that is moved.
        variant: A variant of the core, chosen by the chip maker, for which the row replaces the plain one; empty for all.
    """

    instruction: Annotated[str, Field(strict=True, min_length=1, max_length=400)]
    fewest: Cycles
    most: Cycles
    source: Text
    standing: Literal["seen", "from memory"]
    case: Case = ""
    per_register: Annotated[int, Field(strict=True, ge=0, le=8)] = 0
    variant: Annotated[str, Field(strict=True, max_length=60)] = ""


@dataclass(frozen=True)
class Costs(_Table):
    """What operations cost, to choose between two ways to write one thing; no bound and no report of cycles rests on them.

    Numbers are cycles beyond those for reading operands and writing the result.

    Attributes:
        multiply_16: A 16-bit signal times a constant of 16 bits, 32-bit product.
        multiply_32: A 32-bit signal times a constant, lower 32 bits of the product.
        multiply_64: A 32-bit signal times a constant, 64-bit product.
        add_16, add_32, add_64: A sum or difference.
        shift_32: A 32-bit word moved by whole bytes, or by any distance where there is a barrel shifter.
        shift_bit: What each bit of a distance costs that is not whole bytes; 0 with a barrel shifter.
        shift_64: A 64-bit word moved.
        limit_16, limit_32, limit_64: Both sides of a clamp.
        limit_saturating: A clamp to a signed word of so many bits by an instruction of its own; None without one.
        compare_16, compare_32, compare_64: A comparison with a constant that gives a truth value.
        select_16, select_32: One of two values by a truth value, beyond computing both.
        branch: A test of a truth value and the jumps around both sides.
        source: Where the figures are known from.
    """

    multiply_16: Cycles
    multiply_32: Cycles
    multiply_64: Cycles
    add_16: Cycles
    add_32: Cycles
    add_64: Cycles
    shift_32: Cycles
    shift_bit: Cycles
    shift_64: Cycles
    limit_16: Cycles
    limit_32: Cycles
    limit_64: Cycles
    compare_16: Cycles
    compare_32: Cycles
    compare_64: Cycles
    select_16: Cycles
    select_32: Cycles
    branch: Cycles
    source: Text
    limit_saturating: Cycles | None = None


@dataclass(frozen=True)
class Target(_Table):
    """One microcontroller core as the number side and the cross compilers see it.

    Attributes:
        name: Name of the file in ``targets/``.
        title: Core and what is special about it, for people.
        int_bits: Width of C `int`, to which narrower operands are promoted.
        pointer_bits: Width of a data pointer.
        operand_bits: Widest operand of a multiplication that is cheap on this core.
        accumulator_bits: Widest sum of products that is cheap on this core.
        signal_bits: Narrowest width in which a local signal costs nothing extra.
        memory_bits: Narrowest width in which a member of the memory costs nothing extra.
        weight_bits: Widest weight integer that multiplies cheaply with a signal.
        words_source: Why these widths.
        costs: What operations cost.
        gcc: GNU cross compiler.
        zig: Pip-installable cross compiler.
        chip: Memory map and emulator.
        cycles: Cycle facts.
    """

    name: Text
    title: Text
    int_bits: Literal[16, 32]
    pointer_bits: Literal[16, 32]
    operand_bits: WordBits
    accumulator_bits: WordBits
    signal_bits: WordBits
    memory_bits: WordBits
    weight_bits: WordBits
    words_source: Text
    costs: Costs
    gcc: Gcc
    zig: Zig
    chip: Chip
    cycles: tuple[CycleFact, ...] = field(default=())


def known_targets() -> tuple[str, ...]:
    """Names of all target descriptions, sorted.

    Raises:
        LoopwrightError: The folder of target descriptions is missing from the installation.
    """
    return tuple(sorted(path.stem for path in targets_folder().glob("*.toml")))


def read_target(name: str) -> Target:
    """Return the description of the target called `name`.

    Raises:
        TargetError: There is no such target, or its description is malformed or contradicts itself.
    """
    known = known_targets()
    if name not in known:
        guess = nearest(name, known)
        remedy = f'did you mean "{guess}"?' if guess else f"use one of: {', '.join(known)}"
        raise TargetError(f"there is no target called {show(name)}", "", remedy)
    path = targets_folder() / f"{name}.toml"
    return parse_target(read_text(path, TargetError), path.name)


def parse_target(text: str, file_name: str) -> Target:
    """Return the target that the TOML `text` describes; `file_name` must be its name with ``.toml``.

    Raises:
        TargetError: The description is malformed or contradicts itself.
    """
    document = parse_document(text, file_name, TargetError)
    target = validate(document, Target, TargetError)
    if f"{target.name}.toml" != file_name:
        raise TargetError(
            f"the target is called {show(target.name)}, its file {show(file_name)}",
            document.place(("name",)),
            "give both the same name",
        )
    if target.accumulator_bits < target.signal_bits or target.accumulator_bits < target.operand_bits:
        raise TargetError(
            f"the accumulator ({target.accumulator_bits} bits) is narrower than an operand or signal",
            document.place(("accumulator_bits",)),
            "give an accumulator at least as wide as operand_bits and signal_bits",
        )
    for index, fact in enumerate(target.cycles):
        if fact.most < fact.fewest:
            raise TargetError(
                f"{fact.instruction} takes at most {fact.most} but at least {fact.fewest} cycles",
                document.place(("cycles", index, "most")),
                "exchange the two numbers",
            )
    return target
