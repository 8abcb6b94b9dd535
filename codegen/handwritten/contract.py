"""The contract of hand-written C: names of its functions and structs, ranges of what goes in, comes out and is kept.

Takes a TOML file, gives a frozen ``Contract`` with the shape that the compiled C is driven by.  A fault in the file is told with line and
key.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, ClassVar, Literal

from pydantic import ConfigDict, Field

from codegen.errors import LoopwrightError
from codegen.host.shape import Port, Shape
from codegen.tomlfile import Document, Fault, parse_document, raise_first, read_text, validate

Text = Annotated[str, Field(strict=True, min_length=1, max_length=200)]
Identifier = Annotated[str, Field(strict=True, pattern=r"^[A-Za-z_][A-Za-z0-9_ ]{0,62}$")]
Member = Annotated[str, Field(strict=True, pattern=r"^[A-Za-z_][A-Za-z0-9_]*(\.[A-Za-z_][A-Za-z0-9_]*)*$", max_length=63)]
FileName = Annotated[str, Field(strict=True, pattern=r"^[A-Za-z0-9_][A-Za-z0-9_.-]*$", max_length=100)]
Count = Annotated[int, Field(strict=True, ge=-(2**63), lt=2**63)]
CType = Literal["bool", "int8_t", "uint8_t", "int16_t", "uint16_t", "int32_t", "uint32_t"]
StateType = Literal["bool", "int8_t", "uint8_t", "int16_t", "uint16_t", "int32_t", "uint32_t", "int64_t"]
Role = Literal["", "arm", "sensor_fresh", "armed", "tripped"]


class ContractError(LoopwrightError):
    """The contract of a hand-written controller is malformed, or its files cannot be read."""


@dataclass(frozen=True)
class _Table:
    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(extra="forbid")


@dataclass(frozen=True)
class Functions(_Table):
    """Names of the two functions: ``void init(state *)`` and ``void step(state *, const inputs *, outputs *)``."""

    init: Identifier
    step: Identifier


@dataclass(frozen=True)
class Types(_Table):
    """Names of the three struct types."""

    state: Identifier
    inputs: Identifier
    outputs: Identifier


@dataclass(frozen=True)
class Signal(_Table):
    """A member that goes in or comes out.

    Attributes:
        name: Member.
        ctype: Its C type.
        min: Least raw value; default: that of the type.
        max: Greatest, likewise.
        unit: Unit of the real value.
        per_count: Real value of one count.
        role: arm, sensor_fresh, armed or tripped where the arming rules shall apply.
        tolerance: Outputs only: largest distance from the reference, in the unit.
    """

    name: Member
    ctype: CType
    min: Count | None = None
    max: Count | None = None
    unit: Annotated[str, Field(strict=True, max_length=40)] = ""
    per_count: Annotated[float, Field(gt=0.0, allow_inf_nan=False)] = 1.0
    role: Role = ""
    tolerance: Annotated[float, Field(ge=0.0, allow_inf_nan=False)] | None = None


@dataclass(frozen=True)
class Kept(_Table):
    """A member of the state: all of it has to be named, because bits are flipped in it and it is carried from tick to tick.

    Attributes:
        name: Member (``integral``, ``filter.last``).
        ctype: Its C type.
        length: Number of elements where the member is an array, 1 otherwise.
        min: Least value it may have; default: that of the type.
        max: Greatest, likewise.
    """

    name: Member
    ctype: StateType
    length: Annotated[int, Field(strict=True, ge=1, le=4096)] = 1
    min: Count | None = None
    max: Count | None = None


@dataclass(frozen=True)
class Reference(_Table):
    """What the C ought to do, in float64.

    Attributes:
        file: Python file beside the contract.
        function: ``function(memory, inputs) -> outputs``: called once per tick with a dict of its own, empty at the start, and the
            inputs' real values by name; returns the outputs' real values by name.
    """

    file: FileName
    function: Identifier = "step"


@dataclass(frozen=True)
class ContractFile(_Table):
    """The file as it is written."""

    schema: Literal[1]
    name: Annotated[str, Field(strict=True, pattern=r"^[a-z][a-z0-9_]{0,30}$")]
    title: Text
    source: FileName
    header: FileName
    period_s: Annotated[float, Field(gt=0.0, allow_inf_nan=False)]
    functions: Functions
    types: Types
    inputs: Annotated[list[Signal], Field(min_length=1)]
    outputs: Annotated[list[Signal], Field(min_length=1)]
    state: list[Kept] = field(default_factory=list)
    reference: Reference | None = None


@dataclass(frozen=True)
class Contract:
    """A checked contract.

    Attributes:
        title: One line.
        source: File name of the C.
        header: File name of its header.
        shape: How it is driven.
        tolerances: Largest distance from the reference per output, in the output's unit.
        reference: Path of the reference's Python file, None without one.
        function: Its function.
        folder: Where the files lie.
    """

    title: str
    source: str
    header: str
    shape: Shape
    tolerances: dict[str, float]
    reference: Path | None
    function: str
    folder: Path

    def sources(self, edited: Path | None = None) -> dict[str, str]:
        """Texts to compile, ``edited`` in the source's place if given.

        Raises:
            ContractError: A file cannot be read.
        """
        texts = {self.header: _read(self.folder / self.header)}
        texts[self.source] = _read(edited or self.folder / self.source)
        return texts


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
        raise ContractError(f"this file cannot be read: {reason}", str(path), "name C files that lie beside the contract") from None


def read_contract(path: Path) -> Contract:
    """The contract in a file.

    Raises:
        ContractError: It cannot be read or is malformed.
    """
    return parse_contract(read_text(path, ContractError), path.name, path.parent)


def parse_contract(text: str, file_name: str, folder: Path) -> Contract:
    """The contract in a text.

    Args:
        text: TOML.
        file_name: For messages.
        folder: Where the files that it names lie.

    Raises:
        ContractError: It is malformed.
    """
    document = parse_document(text, file_name, ContractError)
    written = validate(document, ContractFile, ContractError)
    inputs = [_port(document, ("inputs", at), part) for at, part in enumerate(written.inputs)]
    outputs = [_port(document, ("outputs", at), part) for at, part in enumerate(written.outputs)]
    memory = [port for at, part in enumerate(written.state) for port in _ports(document, ("state", at), part)]
    for table, ports in (("inputs", inputs), ("outputs", outputs), ("state", memory)):
        names = [port.name for port in ports]
        for at, name in enumerate(names):
            if name in names[:at]:
                raise_first(document, [Fault((table,), f"{name} stands twice", "rename one or leave it out")], ContractError)
    for at, part in enumerate(written.inputs):
        if part.tolerance is not None:
            fault = Fault(("inputs", at, "tolerance"), "an input has no tolerance", "give tolerances to outputs")
            raise_first(document, [fault], ContractError)
    tolerances = {part.name: part.tolerance for part in written.outputs if part.tolerance is not None}
    if written.reference is not None and not tolerances:
        fault = Fault(("reference",), "no output has a tolerance", "add tolerance = ... to the outputs that the reference gives")
        raise_first(document, [fault], ContractError)
    shape = Shape(
        name=written.name,
        header=written.header,
        state_type=written.types.state,
        inputs_type=written.types.inputs,
        outputs_type=written.types.outputs,
        init=written.functions.init,
        step=written.functions.step,
        inputs=tuple(inputs),
        outputs=tuple(outputs),
        memory=tuple(memory),
        period_s=written.period_s,
    )
    reference = folder / written.reference.file if written.reference is not None else None
    function = written.reference.function if written.reference is not None else ""
    return Contract(written.title, written.source, written.header, shape, tolerances, reference, function, folder)


def _port(document: Document, key: tuple[str | int, ...], part: Signal) -> Port:
    return _limited(document, key, Port(part.name, part.ctype, 0, 0, part.role, part.unit, part.per_count), part.min, part.max)


def _ports(document: Document, key: tuple[str | int, ...], part: Kept) -> list[Port]:
    port = _limited(document, key, Port(part.name, part.ctype, 0, 0), part.min, part.max)
    if part.length == 1:
        return [port]
    return [Port(f"{part.name}[{at}]", port.ctype, port.low, port.high) for at in range(part.length)]


def _limited(document: Document, key: tuple[str | int, ...], port: Port, least: int | None, most: int | None) -> Port:
    low = port.type_low if least is None else least
    high = port.type_high if most is None else most
    if not port.type_low <= low <= high <= port.type_high:
        what = f"{port.name}: {low} to {high} does not fit {port.ctype}"
        fault = Fault((*key, "min" if least is not None else "max"), what, f"stay within {port.type_low} to {port.type_high}, min <= max")
        raise_first(document, [fault], ContractError)
    return Port(port.name, port.ctype, low, high, port.role, port.unit, port.per_count)
