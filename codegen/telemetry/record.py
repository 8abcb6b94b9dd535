"""What a robot notes per tick: the trace record, as a C struct, as bytes of a memory dump, and as a row of text.

Takes a controller's shape, gives column names and the byte layout. The record is what the firmware's trace ring holds: the controller's
inputs struct, then its outputs struct. As text it is one column per member, named as the member, in raw counts; a column of time may stand
beside them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from codegen.bench.columns import Meaning, Vocabulary
from codegen.errors import BenchError
from codegen.host.shape import Port, Shape
from codegen.tomlfile import nearest

TIME_UNITS = {"time_s": 1.0, "time_ms": 1e-3, "time_us": 1e-6}
COUNTS = "counts"
_KINDS = {"bool": "u1", "int8_t": "i1", "uint8_t": "u1", "int16_t": "i2", "uint16_t": "u2", "int32_t": "i4", "uint32_t": "u4"}

Counts = NDArray[np.int64]


def column_names(shape: Shape) -> tuple[str, ...]:
    """Names of the columns of a trace without its time: inputs, then outputs."""
    return tuple(port.name for port in (*shape.inputs, *shape.outputs))


def trace_vocabulary(shape: Shape) -> Vocabulary:
    """How the columns of a trace of this controller are named."""
    names = (*TIME_UNITS, *column_names(shape))

    def meaning_of(name: str) -> Meaning | None:
        if name in TIME_UNITS:
            return Meaning("time", name)
        return Meaning(name, COUNTS) if name in names else None

    def explain_name(name: str) -> tuple[str, str] | None:
        guess = nearest(name, names)
        if guess is None or abs(len(guess) - len(name)) > 3:
            return None
        return "the column's name is not understood", f"did you mean {guess}? (rename it, or write - to leave the column out)"

    return Vocabulary(names, meaning_of, explain_name, "name the columns as the members of the controller's structs")


@dataclass(frozen=True)
class RecordLayout:
    """Bytes of one record in a core's memory.

    Attributes:
        dtype: Of numpy, little-endian, with the padding that the core's compiler puts in.
        shape: The controller's.
    """

    dtype: np.dtype[np.void]
    shape: Shape

    def read(self, dump: bytes, file_name: str, oldest: int = 0) -> Counts:
        """Records of a dumped ring in order of time, (ticks, inputs + outputs).

        Args:
            dump: Bytes of the whole ring.
            file_name: For messages.
            oldest: Index of the oldest record (the firmware's ``board_trace_next``).

        Raises:
            BenchError: The length is no whole number of records, or there is no such record.
        """
        size = self.dtype.itemsize
        if not dump or len(dump) % size:
            raise BenchError(
                f"{len(dump)} bytes are no whole number of records of {size} bytes",
                file_name,
                "dump the whole of board_trace_entries, and name the target that wrote it",
            )
        records = np.frombuffer(dump, dtype=self.dtype)
        if not 0 <= oldest < len(records):
            raise BenchError(
                f"record {oldest} is asked for as the oldest of {len(records)}", file_name, "give the value of board_trace_next"
            )
        records = np.roll(records, -oldest)
        columns = [records["readings"][port.name] for port in self.shape.inputs]
        columns += [records["command"][port.name] for port in self.shape.outputs]
        return np.stack(columns, axis=1).astype(np.int64)


def record_layout(shape: Shape, *, aligned: bool) -> RecordLayout:
    """Layout of a record on a core whose compiler aligns numbers to their own size (``aligned``), or packs them as AVR's does."""

    def struct(ports: Sequence[Port]) -> np.dtype[np.void]:
        return np.dtype([(port.name, f"<{_KINDS[port.ctype]}") for port in ports], align=aligned)

    return RecordLayout(np.dtype([("readings", struct(shape.inputs)), ("command", struct(shape.outputs))], align=aligned), shape)
