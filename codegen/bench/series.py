"""The rows of a log in order of time, in SI units, with what was mended.

Takes a ``Log`` and the build whose sensors wrote it, gives a ``Series``: strictly rising time, missing readings as NaN. Repeated stamps,
held and interpolated readings, clipped readings and gaps are mended and said, or refused where nothing trustworthy is left.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from codegen.bench.columns import counted, factor_to_si, largest_count
from codegen.bench.log import Log
from codegen.build import Build
from codegen.errors import BenchError

FEWEST_ROWS = 50
MOST_MISSING = 0.2
MOST_CLIPPED = 0.4
GAP_PERIODS = 2.5
LONGEST_HOLD = 50
_SENSED = ("gyro", "tilt", "accel_tangential", "accel_radial")

RealArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class Series:
    """Readings over time.

    Attributes:
        log: Where they are from.
        time_s: (n,) strictly rising.
        values: By quantity, (n,), SI units; NaN where missing.
        rows: (n,) row of the log that each sample is from.
        period_s: Median spacing of the samples.
        notes: What was mended.
    """

    log: Log
    time_s: RealArray
    values: Mapping[str, RealArray]
    rows: NDArray[np.int64]
    period_s: float
    notes: tuple[str, ...]

    @property
    def seconds(self) -> float:
        """Length in s."""
        return float(self.time_s[-1] - self.time_s[0])


def order_series(log: Log, build: Build, quantities: tuple[str, ...]) -> Series:
    """Return the samples of a log.

    Args:
        log: With a column of time.
        build: Gives the scales of counts.
        quantities: Columns to take besides time; those the log lacks are passed over.

    Raises:
        BenchError: No time, time that runs back, too few rows, too much missing.
    """
    if "time" not in log.columns:
        raise BenchError("there is no column of time", log.place(), "add a column time_s, time_ms or time_us")
    notes: list[str] = []
    time_s = log.columns["time"].values * factor_to_si(log.columns["time"].meaning, build)
    values = {name: log.columns[name].values * factor_to_si(log.columns[name].meaning, build) for name in quantities if name in log.columns}
    rows = _rows_in_order(log, time_s, notes)
    if len(rows) < FEWEST_ROWS:
        raise BenchError(f"only {counted(len(rows), 'row')} can be used", log.place(), f"give at least {FEWEST_ROWS} rows")
    time_s, values = time_s[rows], {name: column[rows] for name, column in values.items()}
    kept = _thin_repeats(values, notes)
    time_s, rows, values = time_s[kept], rows[kept], {name: column[kept] for name, column in values.items()}
    for name in values:
        values[name] = _without_clipped(log, build, name, values[name], rows, notes)
        _check_missing(log, name, values[name], rows, notes)
    period_s = float(np.median(np.diff(time_s)))
    gaps = np.diff(time_s)
    gaps = gaps[gaps > GAP_PERIODS * period_s]
    if len(gaps):
        notes.append(f"{counted(len(gaps), 'gap')} in time, the longest {gaps.max():.3g} s")
    return Series(log, time_s, values, rows, period_s, tuple(notes))


def _rows_in_order(log: Log, time_s: RealArray, notes: list[str]) -> NDArray[np.int64]:
    stamped = np.isfinite(time_s)
    if not stamped.all():
        first = int(np.flatnonzero(~stamped)[0])
        share = 1.0 - float(np.mean(stamped))
        if share > MOST_MISSING:
            raise BenchError(f"{100 * share:.0f} % of the time stamps are missing", log.place(first, "time"), "log the time of every row")
        notes.append(f"{counted(int(np.sum(~stamped)), 'row')} without a time stamp left out, the first in line {log.lines[first]}")
    rows = np.flatnonzero(stamped)
    steps = np.diff(time_s[rows])
    back = np.flatnonzero(steps < 0)
    if len(back):
        row = int(rows[back[0] + 1])
        raise BenchError(
            f"time runs back from {time_s[rows[back[0]]]:.6g} to {time_s[row]:.6g} s",
            log.place(row, "time"),
            "give one run per log; a counter that overflows has to be unwrapped",
        )
    repeated = np.flatnonzero(steps == 0)
    if len(repeated) > MOST_MISSING * len(rows):
        row = int(rows[repeated[0] + 1])
        raise BenchError(
            f"{len(repeated)} of {len(rows)} rows have the time stamp of the row before",
            log.place(row, "time"),
            "log the time with more digits (microseconds of the tick), so that each row has its own",
        )
    if len(repeated):
        row = int(rows[repeated[0] + 1])
        notes.append(f"{counted(len(repeated), 'row')} with a repeated time stamp left out, the first in line {log.lines[row]}")
        rows = np.delete(rows, repeated + 1)
    return rows.astype(np.int64)


def _thin_repeats(values: Mapping[str, RealArray], notes: list[str]) -> NDArray[np.int64]:
    """Indices of the samples that are readings, where a log was written faster than the sensors read.

    Held readings change only at every n-th row, readings on straight lines bend only there.
    """
    sensed = [values[name] for name in _SENSED if name in values]
    count = len(next(iter(values.values()))) if values else 0
    everything = np.arange(count)
    if not sensed:
        return everything
    table = np.column_stack(sensed)
    finite = np.isfinite(table).all(axis=1)
    if not finite.all():
        return everything
    changes = np.flatnonzero(np.any(np.diff(table, axis=0) != 0, axis=1)) + 1
    every, first = _common_step(changes)
    if every > 1:
        notes.append(f"every reading stands in {every} rows (the log was written faster than the sensor reads): one of them is kept")
        return np.arange(first, count, every)
    bend = np.abs(np.diff(table[:, 0], 2))
    bends = np.flatnonzero(bend > 0.05 * np.sqrt(np.mean(bend**2))) + 1
    every, first = _common_step(bends)
    if every > 1:
        notes.append(f"the log was resampled: {every - 1} of {every} rows lie on straight lines between readings and are left out")
        return np.arange(first, count, every)
    return everything


def _common_step(places: NDArray[np.int64]) -> tuple[int, int]:
    """(n, first) if all but a few places are a multiple of n apart, n > 1; else (1, 0)."""
    if len(places) < FEWEST_ROWS:
        return 1, 0
    steps = np.diff(places)
    every = int(np.gcd.reduce(steps))
    if every <= 1 or every > LONGEST_HOLD:
        return 1, 0
    return every, int(places[0] % every)


def _without_clipped(log: Log, build: Build, name: str, column: RealArray, rows: NDArray[np.int64], notes: list[str]) -> RealArray:
    if name not in (*_SENSED, "wheel"):
        return column
    clipped = _clipped(log, build, name, column)
    count = int(np.sum(clipped))
    if not count:
        return column
    first = int(rows[np.flatnonzero(clipped)[0]])
    if count > MOST_CLIPPED * len(column):
        raise BenchError(
            f"{100 * count / len(column):.0f} % of the readings are at the end of the sensor's range",
            log.place(first, name),
            "choose a wider range of the sensor, or a gentler motion",
        )
    if name == "wheel":
        raise BenchError(
            f"{counted(count, 'reading')} of the wheel at the end of the range",
            log.place(first, name),
            "use less current, or a wider range",
        )
    notes.append(f"{counted(count, 'clipped reading')} of {log.columns[name].name} taken as missing, the first in line {log.lines[first]}")
    return np.where(clipped, np.nan, column)


def _clipped(log: Log, build: Build, name: str, column: RealArray) -> BoolArray:
    largest = largest_count(log.columns[name].meaning, build)
    if largest is not None:
        counts = log.columns[name].values
        if np.nanmax(np.abs(counts)) > largest + 1.5:
            row = int(np.nanargmax(np.abs(counts)))
            raise BenchError(
                f"a reading of {counts[row]:.0f} counts does not fit into the sensor's {int(np.log2(largest + 1)) + 1} bits",
                log.place(row, name),
                "correct bits in the build file, or the column's unit",
            )
        step = abs(factor_to_si(log.columns[name].meaning, build))
        return np.asarray(np.abs(column) >= (largest - 0.5) * step, dtype=np.bool_)
    clipped = np.zeros(len(column), dtype=np.bool_)
    if name == "wheel":
        return clipped
    for extreme in (np.nanmax(column), np.nanmin(column)):
        at = column == extreme
        starts = int(np.sum(at[1:] & ~at[:-1]))
        # A peak that returns to the very same value again and again, and stays there, is the sensor's end.
        if np.sum(at) >= 0.01 * len(column) and starts >= 3 and np.sum(at) >= 4 * starts:
            clipped |= at
    return clipped


def _check_missing(log: Log, name: str, column: RealArray, rows: NDArray[np.int64], notes: list[str]) -> None:
    missing = ~np.isfinite(column)
    share = float(np.mean(missing))
    if share == 0.0:
        return
    first = int(rows[np.flatnonzero(missing)[0]])
    if share > MOST_CLIPPED:
        raise BenchError(
            f"{100 * share:.0f} % of the readings are missing or not a number", log.place(first, name), "log the sensor in every row"
        )
    at = f"the first in line {log.lines[first]}"
    notes.append(f"{counted(int(np.sum(missing)), 'reading')} of {log.columns[name].name} missing or not a number, {at}")
