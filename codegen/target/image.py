"""A controller linked for a microcontroller, and what its ELF file says of it.

Takes the bytes of an ELF file with a controller's ``Shape``, gives a frozen ``TargetImage``: symbols, sizes, and where each member lies
in the structs.  Executes nothing.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
from elftools.elf.elffile import ELFFile
from elftools.elf.sections import SymbolTableSection
from numpy.typing import NDArray

from codegen.errors import CompileError
from codegen.host.shape import Port, Shape
from codegen.targets import Target

Counts = NDArray[np.int64]
# Sections of the linker scripts that hold the controller and whatever it calls; start-up and drivers lie elsewhere.
FLASH_SECTIONS = (".text", ".rodata", ".data")
RAM_SECTIONS = (".data", ".bss")
LAYOUT_SECTION = ".layout"
# Tools mark an AVR's data addresses with this offset.
AVR_DATA = 0x80_0000
_NUMPY_TYPES = {"bool": "u1", "int8_t": "i1", "uint8_t": "u1", "int16_t": "<i2", "uint16_t": "<u2", "int32_t": "<i4", "uint32_t": "<u4"}
_NUMPY_TYPES |= {"int64_t": "<i8", "uint64_t": "<u8"}


@dataclass(frozen=True)
class Symbol:
    """A function or object of the image.

    Attributes:
        address: Where it lies, without the mark of Thumb code; an AVR's data address as the core sees it.
        size: Bytes, 0 where the source did not say.
        is_code: Whether it is a function.
    """

    address: int
    size: int
    is_code: bool


@dataclass(frozen=True)
class Segment:
    """Bytes that a programmer writes into the chip: load address and content."""

    address: int
    content: bytes


@dataclass(frozen=True)
class Layout:
    """Where the members lie in the controller's structs on this target.

    Attributes:
        inputs, outputs, state: Structured types with the members of the shape, in its order, at the compiler's offsets.
    """

    inputs: np.dtype[np.void]
    outputs: np.dtype[np.void]
    state: np.dtype[np.void]


@dataclass(frozen=True)
class TargetImage:
    """A linked bare-metal image.

    Attributes:
        target: What it was built for.
        shape: The controller's names and members.
        elf: The ELF file, with debugging information.
        symbols: Name to place.
        segments: What is written into the chip.
        entry: Address of the first instruction.
        layout: Places of the struct members.
        compiler: Version line of the compiler.
        optimise: Optimisation flag of the controller.
        flash_bytes: Code and constants of the controller and of everything it calls.
        ram_bytes: One state struct, and constants that the core must keep in data memory.
    """

    target: Target
    shape: Shape
    elf: bytes = field(repr=False)
    symbols: Mapping[str, Symbol] = field(repr=False)
    segments: tuple[Segment, ...] = field(repr=False)
    entry: int
    layout: Layout = field(repr=False)
    compiler: str
    optimise: str
    flash_bytes: int
    ram_bytes: int

    def address_of(self, name: str) -> int:
        """Address of a symbol.

        Raises:
            CompileError: The image has none of that name.
        """
        if name not in self.symbols:
            raise CompileError(f"the image has no symbol {name}", self.target.name)
        return self.symbols[name].address


def layout_members(shape: Shape) -> tuple[tuple[str, Port], ...]:
    """Struct type and member, in the order of the layout table."""
    return (
        *((shape.inputs_type, port) for port in shape.inputs),
        *((shape.outputs_type, port) for port in shape.outputs),
        *((shape.state_type, port) for port in shape.memory),
    )


def read_image(elf: bytes, shape: Shape, target: Target, compiler: str, optimise: str) -> TargetImage:
    """Return the image that an ELF file holds.

    Raises:
        CompileError: The file is none that ``build_image`` links.
    """
    file = ELFFile(io.BytesIO(elf))
    table = file.get_section_by_name(".symtab")
    section = file.get_section_by_name(LAYOUT_SECTION)
    if not isinstance(table, SymbolTableSection) or section is None:
        raise CompileError("the linked image lacks its symbols or its layout table", target.name)
    symbols = {}
    for entry in table.iter_symbols():
        kind, place = entry["st_info"]["type"], int(entry["st_value"])
        if entry.name and kind in ("STT_FUNC", "STT_OBJECT", "STT_NOTYPE") and entry["st_shndx"] != "SHN_UNDEF":
            if target.chip.family == "arm" and kind == "STT_FUNC":
                place &= ~1
            if target.chip.family == "avr" and place >= AVR_DATA:
                place -= AVR_DATA
            symbols[entry.name] = Symbol(place, int(entry["st_size"]), kind == "STT_FUNC")
    layout = _read_layout(section.data(), shape, target)
    sizes = {part.name: int(part["sh_size"]) for part in file.iter_sections()}
    segments = tuple(
        Segment(int(part["p_paddr"]), part.data()) for part in file.iter_segments() if part["p_type"] == "PT_LOAD" and part["p_filesz"]
    )
    return TargetImage(
        target=target,
        shape=shape,
        elf=elf,
        symbols=MappingProxyType(symbols),
        segments=segments,
        entry=int(file.header["e_entry"]) & ~1,
        layout=layout,
        compiler=compiler,
        optimise=optimise,
        flash_bytes=sum(sizes.get(name, 0) for name in FLASH_SECTIONS),
        ram_bytes=layout.state.itemsize + sum(sizes.get(name, 0) for name in RAM_SECTIONS),
    )


def _read_layout(content: bytes, shape: Shape, target: Target) -> Layout:
    members = layout_members(shape)
    numbers = np.frombuffer(content, dtype="<u2").astype(int).tolist()
    if len(numbers) < 3 + len(members):
        raise CompileError("the layout table of the image is too short", target.name)
    sizes = dict(zip((shape.inputs_type, shape.outputs_type, shape.state_type), numbers[:3], strict=True))
    places: dict[str, list[tuple[Port, int]]] = {name: [] for name in sizes}
    for (owner, port), offset in zip(members, numbers[3 : 3 + len(members)], strict=True):
        places[owner].append((port, offset))

    def struct(owner: str) -> np.dtype[np.void]:
        return np.dtype(
            {
                "names": [port.name for port, _ in places[owner]],
                "formats": [_NUMPY_TYPES[port.ctype] for port, _ in places[owner]],
                "offsets": [offset for _, offset in places[owner]],
                "itemsize": sizes[owner],
            }
        )

    return Layout(struct(shape.inputs_type), struct(shape.outputs_type), struct(shape.state_type))


def pack(rows: Counts, struct: np.dtype[np.void], onto: bytes = b"") -> bytes:
    """Numbers (rows, members) as an array of structs in the target's memory; what is no member stays as in ``onto``, else zero."""
    # A copy of a structured array would leave out the bytes between its members.
    content = bytearray(onto or bytes(len(rows) * struct.itemsize))
    packed = np.frombuffer(content, dtype=struct)
    for place, name in enumerate(struct.names or ()):
        packed[name] = rows[:, place]
    return bytes(content)


def unpack(content: bytes, struct: np.dtype[np.void]) -> Counts:
    """The reverse: (rows, members)."""
    packed = np.frombuffer(content, dtype=struct)
    names = struct.names or ()
    result = np.empty((len(packed), len(names)), dtype=np.int64)
    for place, name in enumerate(names):
        result[:, place] = packed[name]
    return result
