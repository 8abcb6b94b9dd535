"""A robot's own log: every tick's raw inputs and outputs, from text or from a memory dump.

Takes a file and the controller's shape, gives a ``Trace``. Nothing is mended silently: what is replayed bit for bit must be what was.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from codegen.bench.log import Column, Log, read_log
from codegen.errors import BenchError
from codegen.host.shape import Port, Shape
from codegen.telemetry.record import TIME_UNITS, column_names, record_layout, trace_vocabulary

FEWEST_TICKS = 50
DUMP_SUFFIXES = (".bin", ".dump")
# Stamps this far from the period, on the median, are not of every tick.
MOST_OFF_PERIOD = 0.1

Counts = NDArray[np.int64]
RealArray = NDArray[np.float64]


@dataclass(frozen=True)
class Trace:
    """What a controller got and gave, tick by tick.

    Attributes:
        file_name: Where it is from, without folders.
        shape: The controller's.
        inputs: (ticks, inputs) raw counts.
        outputs: (ticks, outputs) raw counts; those in ``shown`` only are meant.
        shown: Which outputs the log has, (outputs,).
        time_s: (ticks,) stamps, or None.
        lines: (ticks,) line of the file for each tick, or None for a dump.
        notes: What was found odd and how it was read.
    """

    file_name: str
    shape: Shape
    inputs: Counts
    outputs: Counts
    shown: NDArray[np.bool_]
    time_s: RealArray | None
    lines: NDArray[np.int64] | None
    notes: tuple[str, ...] = ()

    @property
    def ticks(self) -> int:
        """How many there are."""
        return len(self.inputs)

    @property
    def seconds(self) -> float:
        """Length, by its stamps or else by the controller's period."""
        if self.time_s is not None:
            return float(self.time_s[-1] - self.time_s[0]) + self.shape.period_s
        return self.ticks * self.shape.period_s

    def column(self, name: str) -> Counts:
        """One input or output by its name."""
        names = [port.name for port in self.shape.inputs]
        if name in names:
            return self.inputs[:, names.index(name)]
        return self.outputs[:, [port.name for port in self.shape.outputs].index(name)]

    def has(self, name: str) -> bool:
        """Whether the log has this input or output."""
        outputs = [port.name for port in self.shape.outputs]
        if name in outputs:
            return bool(self.shown[outputs.index(name)])
        return any(port.name == name for port in self.shape.inputs)

    def place(self, tick: int) -> str:
        """File and line (or tick) for a message."""
        return f"{self.file_name}, tick {tick}" + ("" if self.lines is None else f", line {self.lines[tick]}")


def read_trace(path: Path, shape: Shape, *, aligned: bool = True, oldest: int = 0) -> Trace:
    """The trace in the file at ``path``: a memory dump if its name ends in .bin or .dump, else text.

    Args:
        path: The file.
        shape: The controller's, whose members name the columns.
        aligned: Of a dump: whether the core aligns numbers to their size.
        oldest: Of a dump: index of the oldest record.

    Raises:
        BenchError: The file is no trace of this controller; with file, line, column and remedy.
    """
    if path.suffix in DUMP_SUFFIXES:
        return _read_dump(path, shape, aligned=aligned, oldest=oldest)
    log = read_log(path, trace_vocabulary(shape))
    missing = [port.name for port in shape.inputs if port.name not in log.columns]
    if missing:
        raise BenchError(
            f"the log lacks {' and '.join(missing)}", log.place(), f"log every tick's {', '.join(column_names(shape))} in raw counts"
        )
    shown = np.array([port.name in log.columns for port in shape.outputs])
    if not shown[0]:
        raise BenchError(f"the log lacks {shape.outputs[0].name}", log.place(), "log what the controller commanded, too")
    inputs = np.stack([_counts(log, port) for port in shape.inputs], axis=1)
    zero = np.zeros(len(inputs), dtype=np.int64)
    outputs = np.stack([_counts(log, port) if has else zero for port, has in zip(shape.outputs, shown, strict=True)], axis=1)
    if len(inputs) < FEWEST_TICKS:
        raise BenchError(f"the log has {len(inputs)} ticks only", log.place(), f"log at least {FEWEST_TICKS}")
    return Trace(log.file_name, shape, inputs, outputs, shown, _stamps(log, shape.period_s), log.lines, log.notes)


def _read_dump(path: Path, shape: Shape, *, aligned: bool, oldest: int) -> Trace:
    try:
        dump = path.read_bytes()
    except OSError as error:
        raise BenchError(f"the file cannot be read ({error.strerror})", path.name, "check the path") from None
    records = record_layout(shape, aligned=aligned).read(dump, path.name, oldest)
    inputs, outputs = records[:, : len(shape.inputs)], records[:, len(shape.inputs) :]
    if len(inputs) < FEWEST_TICKS:
        raise BenchError(f"the dump has {len(inputs)} ticks only", path.name, f"dump at least {FEWEST_TICKS}")
    return Trace(path.name, shape, inputs, outputs, np.ones(len(shape.outputs), dtype=np.bool_), None, None)


def _counts(log: Log, port: Port) -> Counts:
    """A column as whole numbers inside the member's type."""
    column = log.columns[port.name]
    values = column.values
    bad = ~np.isfinite(values)
    if bad.any():
        raise BenchError("the cell is empty", _place(log, column, bad), "a replay needs every tick: give the longest stretch without holes")
    bad = values != np.round(values)
    if bad.any():
        remedy = f"log raw counts, as the controller's struct {port.ctype} {port.name} has them, not physical units"
        raise BenchError(f"{values[bad][0]:g} is no whole number", _place(log, column, bad), remedy)
    bad = (values < port.type_low) | (values > port.type_high)
    if bad.any():
        what = f"{values[bad][0]:.0f} does not fit into {port.ctype} {port.name}"
        raise BenchError(what, _place(log, column, bad), "check the order of the columns")
    return values.astype(np.int64)


def _place(log: Log, column: Column, bad: NDArray[np.bool_]) -> str:
    return log.place(int(np.flatnonzero(bad)[0]), column.meaning.quantity)


def _stamps(log: Log, period_s: float) -> RealArray | None:
    """Stamps in s; refused where they are not of every tick."""
    if "time" not in log.columns:
        return None
    column = log.columns["time"]
    time_s = column.values * TIME_UNITS[column.meaning.unit]
    bad = ~np.isfinite(time_s)
    if bad.any():
        raise BenchError("the time stamp is missing", _place(log, column, bad), "stamp every tick, or leave the column of time out")
    steps = np.diff(time_s)
    back = np.concatenate(([False], steps < 0))
    if back.any():
        remedy = "give one run per log; unwrap a counter that overflows"
        raise BenchError("time runs back", _place(log, column, back), remedy)
    median = float(np.median(steps))
    if abs(median - period_s) > MOST_OFF_PERIOD * period_s:
        raise BenchError(
            f"the rows are {1e3 * median:.4g} ms apart, the controller's ticks {1e3 * period_s:.4g} ms",
            log.place(0, "time"),
            "log every tick once; a thinned or doubled log cannot be replayed",
        )
    return time_s
