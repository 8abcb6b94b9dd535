"""Failing inputs made short and small.

Takes a judge (runs to the failure they show, or None) and a failure, gives a failure that is no longer and no larger: ticks are left
out, then inputs and memory are put to zero or held, then magnitudes are brought down by bisection.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from codegen.verify.trial import Failure, Run

Counts = NDArray[np.int64]
Runs = tuple[Run, ...]
Judge = Callable[[Runs], Failure | None]
Change = Callable[[Failure], Runs]
SECONDS = 2.0
PASSES = 8
LONGEST_ROWS = 40


class _Shrinker:
    """The best failure so far, and the time that is left."""

    def __init__(self, failure: Failure, judge: Judge, seconds: float) -> None:
        self.best = failure
        self._judge = judge
        self._end = time.perf_counter() + seconds

    @property
    def late(self) -> bool:
        return time.perf_counter() > self._end

    def take(self, runs: Runs) -> bool:
        """Judge candidate runs; keep them if they fail and are smaller."""
        if self.late:
            return False
        found = self._judge(runs)
        if found is None or _weight(found) >= _weight(self.best):
            return False
        self.best = found
        return True

    def bisect(self, change: Callable[[Failure, int], Runs], high: int) -> None:
        """Bring a magnitude from ``high`` down to the least that still fails, as far as bisection finds it."""
        low = -1
        while high - low > 1 and not self.late:
            middle = (low + high) // 2
            if self.take(change(self.best, middle)):
                high = middle
            else:
                low = middle


def shrink(failure: Failure, judge: Judge, seconds: float = SECONDS) -> Failure:
    """The smallest failure found from ``failure`` on within a time.

    ``judge`` returns the failure of the earliest tick, with its runs cut behind that tick.
    """
    work = _Shrinker(failure, judge, seconds)
    for _ in range(PASSES):
        before = work.best
        _leave_out(work)
        for change in _simpler(work.best):
            work.take(change(work.best))
        _bring_down(work)
        if work.best is before or work.late:
            break
    return work.best


def _weight(failure: Failure) -> tuple[int, int, int, float]:
    """What makes a failure hard to read: its length, stretches, values that are not zero, and their size."""
    joined = np.hstack([run.inputs for run in failure.runs])
    memory = [abs(value) for run in failure.runs for value in (run.memory or {}).values()]
    changes = int(np.count_nonzero(np.any(joined[1:] != joined[:-1], axis=1)))
    nonzero = int(np.count_nonzero(np.any(joined != 0, axis=0))) + sum(1 for value in memory if value)
    size = float(np.sum(np.abs(joined.astype(np.float64)))) + float(sum(float(value) for value in memory))
    return failure.ticks, changes, nonzero, size


def _with_inputs(failure: Failure, change: Callable[[Counts], Counts]) -> Runs:
    """The same change in every run: what the runs differ in stays what it was."""
    return tuple(replace(run, inputs=np.ascontiguousarray(change(run.inputs))) for run in failure.runs)


def _leave_out(work: _Shrinker) -> None:
    """Leave out stretches of ticks, large ones first; what flips at a tick stays where it is."""
    if any(run.flip is not None for run in work.best.runs):
        return
    size = work.best.ticks // 2
    while size >= 1 and not work.late:
        start = 0
        while start + size <= work.best.ticks and work.best.ticks > 1:
            keep = np.r_[0:start, start + size : work.best.ticks]
            if not work.take(_with_inputs(work.best, partial(_rows, keep))):
                start += size
            if work.late:
                return
        size //= 2


def _rows(keep: Counts, inputs: Counts) -> Counts:
    return inputs[keep]


def _held(column: int, pick: int | None, inputs: Counts) -> Counts:
    result = inputs.copy()
    result[:, column] = 0 if pick is None else inputs[pick, column]
    return result


def _capped(column: int, part: slice, cap: int, inputs: Counts) -> Counts:
    result = inputs.copy()
    result[part, column] = np.clip(result[part, column], -cap, cap)
    return result


def _set_memory(name: str, value: int | None, failure: Failure) -> Runs:
    """A member of every run's memory left as initialised (None) or set."""
    runs = []
    for run in failure.runs:
        if run.memory is None or name not in run.memory:
            runs.append(run)
            continue
        rest = {other: kept for other, kept in run.memory.items() if other != name}
        runs.append(replace(run, memory=(rest or None) if value is None else {**rest, name: value}))
    return tuple(runs)


def _simpler(failure: Failure) -> Iterator[Change]:
    """Members left as initialised; inputs at zero, or held at their last or first value."""
    for name in list(failure.runs[0].memory or {}):
        yield partial(_set_memory, name, None)
        yield partial(_set_memory, name, 0)
    for column in range(failure.runs[0].inputs.shape[1]):
        for pick in (None, -1, 0):
            yield partial(_hold_input, column, pick)


def _bring_down(work: _Shrinker) -> None:
    """Magnitudes: a whole input, then single ticks of it, then members."""
    for column in range(work.best.runs[0].inputs.shape[1]):
        parts = [slice(None)]
        if work.best.ticks <= LONGEST_ROWS:
            parts += [slice(at, at + 1) for at in range(work.best.ticks)]
        for part in parts:
            values = [np.abs(run.inputs[part, column]) for run in work.best.runs]
            most = max((int(value.max()) for value in values if len(value)), default=0)
            if most > 1 and not work.late:
                cap = partial(_cap_inputs, column, part)
                work.bisect(cap, most)
    for name, value in dict(work.best.runs[0].memory or {}).items():
        if abs(value) > 1 and not work.late:
            sign = 1 if value > 0 else -1
            work.bisect(partial(_size_memory, name, sign), abs(value))


def _hold_input(column: int, pick: int | None, best: Failure) -> Runs:
    return _with_inputs(best, partial(_held, column, pick))


def _size_memory(name: str, sign: int, best: Failure, size: int) -> Runs:
    return _set_memory(name, sign * size, best)


def _cap_inputs(column: int, part: slice, best: Failure, cap: int) -> Runs:
    return _with_inputs(best, partial(_capped, column, part, cap))
