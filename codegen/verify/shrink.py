"""Failing inputs made short and small.

Takes a judge (runs to the failure they show, or None) and a failure, gives a failure that is no longer and no larger: ticks are left
out from the end and in the middle, then inputs and memory are put to zero, then magnitudes are halved.
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
Judge = Callable[[tuple[Run, ...]], Failure | None]
SECONDS = 4.0
LONGEST_ROWS = 64


def shrink(failure: Failure, judge: Judge, seconds: float = SECONDS) -> Failure:
    """The smallest failure found from ``failure`` on within a time.

    ``judge`` returns the failure of the earliest tick, with its runs cut behind that tick.
    """
    end = time.perf_counter() + seconds
    best = failure
    for _ in range(6):
        before = best
        for stage in (_shorter, _without_inputs, _without_memory, _smaller):
            best = _descend(best, judge, stage, end)
        if best is before or time.perf_counter() > end:
            break
    return best


def _descend(best: Failure, judge: Judge, stage: Callable[[Failure], Iterator[tuple[Run, ...]]], end: float) -> Failure:
    """Take over whatever the stage proposes and still fails, until it proposes nothing more."""
    improved = True
    while improved:
        improved = False
        for runs in stage(best):
            if time.perf_counter() > end:
                return best
            found = judge(runs)
            if found is not None and _weight(found) < _weight(best):
                best, improved = found, True
                break
    return best


def _weight(failure: Failure) -> tuple[int, int, int, float]:
    """What makes a failure hard to read: its length, stretches, values that are not zero, and their size."""
    joined = np.hstack([run.inputs for run in failure.runs])
    memory = [abs(value) for run in failure.runs for value in (run.memory or {}).values()]
    changes = int(np.count_nonzero(np.any(joined[1:] != joined[:-1], axis=1)))
    nonzero = int(np.count_nonzero(np.any(joined != 0, axis=0))) + sum(1 for value in memory if value)
    size = float(np.sum(np.log2(1.0 + np.abs(joined.astype(np.float64))))) + float(sum(np.log2(1.0 + value) for value in memory))
    return failure.ticks, changes, nonzero, size


def _with_inputs(failure: Failure, change: Callable[[Counts], Counts]) -> tuple[Run, ...]:
    """The same change in every run: what the runs differ in stays what it was."""
    return tuple(replace(run, inputs=np.ascontiguousarray(change(run.inputs))) for run in failure.runs)


def _shorter(failure: Failure) -> Iterator[tuple[Run, ...]]:
    """Leave out stretches, large ones first."""
    if any(run.flip is not None for run in failure.runs):
        return
    size = failure.ticks // 2
    while size >= 1:
        for start in range(0, failure.ticks - size + 1, size):
            keep = np.r_[0:start, start + size : failure.ticks]
            if len(keep):
                yield _with_inputs(failure, partial(_rows, keep))
        size //= 2


def _rows(keep: Counts, inputs: Counts) -> Counts:
    return inputs[keep]


def _without_inputs(failure: Failure) -> Iterator[tuple[Run, ...]]:
    """Put an input to zero, or hold it at its last or first value."""
    width = failure.runs[0].inputs.shape[1]
    for column in range(width):
        for pick in (None, -1, 0):

            def change(inputs: Counts, column: int = column, pick: int | None = pick) -> Counts:
                result = inputs.copy()
                result[:, column] = 0 if pick is None else inputs[pick, column]
                return result

            yield _with_inputs(failure, change)


def _without_memory(failure: Failure) -> Iterator[tuple[Run, ...]]:
    """Leave a member as initialised, or halve it, in every run alike where all have it alike."""
    for at, run in enumerate(failure.runs):
        for name, value in (run.memory or {}).items():
            rest = {other: kept for other, kept in (run.memory or {}).items() if other != name}
            candidates = [rest or None, *([{**rest, name: int(value / 2)}] if value not in (0, 1) else [])]
            for memory in candidates:
                yield tuple(replace(other, memory=memory) if place == at else other for place, other in enumerate(failure.runs))


def _smaller(failure: Failure) -> Iterator[tuple[Run, ...]]:
    """Halve an input, all ticks at once, then single rows."""
    width = failure.runs[0].inputs.shape[1]
    rows: list[slice] = [slice(None)]
    if failure.ticks <= LONGEST_ROWS:
        rows += [slice(at, at + 1) for at in range(failure.ticks)]
    for column in range(width):
        for part in rows:
            for share in (0, 64, 8, 2):

                def change(inputs: Counts, column: int = column, part: slice = part, share: int = share) -> Counts:
                    result = inputs.copy()
                    values = result[part, column]
                    result[part, column] = 0 if share == 0 else np.sign(values) * (np.abs(values) // share)
                    return result

                yield _with_inputs(failure, change)

            def nudge(inputs: Counts, column: int = column, part: slice = part) -> Counts:
                result = inputs.copy()
                result[part, column] -= np.sign(result[part, column])
                return result

            yield _with_inputs(failure, nudge)
