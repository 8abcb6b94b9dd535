"""A path of machine instructions shown as lines of the C text it came from."""

from __future__ import annotations

import bisect
import io
from collections.abc import Mapping
from dataclasses import dataclass

from elftools.dwarf.lineprogram import LineProgram
from elftools.elf.elffile import ELFFile


@dataclass(frozen=True)
class PathStep:
    """One instruction of a path.

    Attributes:
        address: Where it lies.
        text: As an assembly listing has it.
        cycles: Most that it takes here.
    """

    address: int
    text: str
    cycles: int


@dataclass(frozen=True)
class WorstPath:
    """The way through a function that takes the most cycles.

    Attributes:
        cycles: From its entry to its return, inclusive.
        steps: In the order of execution.
    """

    cycles: int
    steps: tuple[PathStep, ...]


@dataclass(frozen=True)
class PathLine:
    """Cycles that a path spends on one line of the C text.

    Attributes:
        file: File name; "" for code without line information (library helpers, for instance).
        line: Line number from 1; 0 likewise.
        text: The line, or the name of the library function.
        cycles: Sum over the path, callees of the library included where they have no lines of their own.
        instructions: Number of them.
        address: Of the first.
    """

    file: str
    line: int
    text: str
    cycles: int
    instructions: int
    address: int


class LineTable:
    """Address to file and line, from the DWARF line programs of an ELF file."""

    def __init__(self, elf: bytes) -> None:
        rows: dict[int, tuple[str, int]] = {}
        file = ELFFile(io.BytesIO(elf))
        if file.has_dwarf_info():
            dwarf = file.get_dwarf_info()
            for unit in dwarf.iter_CUs():
                program = dwarf.line_program_for_CU(unit)
                if program is not None:
                    _read_rows(program, rows)
        self._starts = sorted(rows)
        self._rows = rows

    def find(self, address: int) -> tuple[str, int]:
        """File name and line of the code at `address`; ("", 0) if it has none."""
        place = bisect.bisect_right(self._starts, address) - 1
        return self._rows[self._starts[place]] if place >= 0 else ("", 0)


def _read_rows(program: LineProgram, rows: dict[int, tuple[str, int]]) -> None:
    entries = program.header["file_entry"]
    first = 0 if program.header["version"] >= 5 else 1
    sequence: dict[int, tuple[str, int]] = {}
    for entry in program.get_entries():
        state = entry.state
        if state is None:
            continue
        if not state.end_sequence:
            name = entries[state.file - first].name
            sequence[state.address] = (bytes(name).decode(errors="replace"), int(state.line))
            continue
        # Functions that the linker left out keep their lines, at address 0.
        if 0 not in sequence:
            rows.update(sequence)
            rows.setdefault(state.address, ("", 0))
        sequence = {}


def path_lines(path: WorstPath, elf: bytes, sources: Mapping[str, str]) -> tuple[PathLine, ...]:
    """The path in the order of execution, one entry per run of instructions of the same line of `sources` (file name to text).

    What has no line in `sources`, such as the compiler's library, counts to the line that called it.
    """
    table = LineTable(elf)
    texts = {name: text.splitlines() for name, text in sources.items()}
    lines: list[PathLine] = []
    for step in path.steps:
        file, line = table.find(step.address)
        file = file.rsplit("/", 1)[-1]
        if file not in texts or not 1 <= line <= len(texts[file]):
            file, line = (lines[-1].file, lines[-1].line) if lines else ("", 0)
        if lines and (lines[-1].file, lines[-1].line) == (file, line):
            last = lines[-1]
            lines[-1] = PathLine(file, line, last.text, last.cycles + step.cycles, last.instructions + 1, last.address)
        else:
            text = texts[file][line - 1].strip() if file else ""
            lines.append(PathLine(file, line, text, step.cycles, 1, step.address))
    return tuple(lines)


def cycles_by_line(lines: tuple[PathLine, ...]) -> tuple[PathLine, ...]:
    """The same summed over the path, the most expensive line first."""
    sums: dict[tuple[str, int], PathLine] = {}
    for line in lines:
        key = (line.file, line.line)
        if key in sums:
            last = sums[key]
            line = PathLine(last.file, last.line, last.text, last.cycles + line.cycles, last.instructions + line.instructions, last.address)
        sums[key] = line
    return tuple(sorted(sums.values(), key=lambda line: (-line.cycles, line.file, line.line)))
