"""Laws about controllers as such: starting anew, two at once, live gains, and the compiler's optimisation.

Takes a subject, gives what was found.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np
from numpy.typing import NDArray

from codegen.host.controller import Trace
from codegen.rules.integer import raw_value
from codegen.verify.law import Found, Generator, Law, always, earliest
from codegen.verify.shrink import shrink
from codegen.verify.subject import Subject
from codegen.verify.trial import Failure, Run, Watched, watch

Counts = NDArray[np.int64]
TICKS, LANES = 150, 60
LEVELS = ("-O0", "-O1", "-O2", "-O3", "-Os")
DIRT = (0x00, 0xFF, 0xA5)


def _names(subject: Subject) -> list[str]:
    return [port.name for port in subject.shape.outputs] + [f"state.{port.name}" for port in subject.shape.memory]


def _differing(subject: Subject, claim: str, runs: tuple[Run, ...], wanted: Counts, got: Counts) -> Failure | None:
    """The earliest difference of two traces (ticks, outputs + members) of the first controller."""
    place = earliest((wanted != got)[:, :, None])
    if place is None:
        return None
    tick, column, _ = place
    cut = tuple(Run(run.inputs[: tick + 1].copy()) for run in runs)
    value = int(wanted[tick, column])
    return Failure(claim, cut, (Watched(_names(subject)[column], 0),), value, value, tuple(int(v) for v in got[: tick + 1, column]))


def _disturbed(subject: Subject, runs: tuple[Run, ...]) -> Failure | None:
    """The first controller by itself, and with another one in turn."""
    host = subject.host()
    alone = host.run(host.start(1), runs[0].inputs[:, :, None], trace_memory=True)
    got = host.pair(runs[0].inputs, runs[1].inputs)[0]
    return _differing(subject, "another controller that runs in turn changes nothing", runs, _all_numbers(alone)[:, : got.shape[1], 0], got)


def _restarted(subject: Subject, runs: tuple[Run, ...], dirt: int) -> Failure | None:
    """The first controller over clean memory, and started a second time over memory that was dirty."""
    host = subject.host()
    wanted = host.pair(runs[0].inputs, runs[1].inputs)[0]
    got = host.pair(runs[0].inputs, runs[1].inputs, dirt=dirt, rounds=2)[0]
    claim = "a controller that is started anew behaves like a new one, whatever its memory held"
    return _differing(subject, claim, runs, wanted, got)


def _check_instances(subject: Subject, rng: Generator) -> Found:
    count = 0
    for kind in subject.kinds:
        drawn = subject.draw(kind, rng, TICKS, 2)
        runs = (Run(np.ascontiguousarray(drawn[:, :, 0])), Run(np.ascontiguousarray(drawn[:, :, 1])))
        judges: list[Callable[[tuple[Run, ...]], Failure | None]] = [partial(_disturbed, subject)]
        judges += [partial(_restarted, subject, dirt=dirt) for dirt in DIRT]
        for judge in judges:
            count += 4 * TICKS
            failure = judge(runs)
            if failure is not None:
                return Found(count, shrink(failure, judge))
    return Found(count)


# --- live gains -------------------------------------------------------------------------------------------------------------


def _why_no_gains(subject: Subject) -> str:
    return "" if subject.shape.gains else "it has no live gains"


def _start_gains(subject: Subject) -> dict[str, int]:
    assert subject.fixed is not None
    return {port.name: raw_value(subject.fixed, port.name) for port in subject.shape.gains}


def _gain_array(subject: Subject, gains: dict[str, int], lanes: int) -> Counts:
    return np.array([[gains[port.name]] * lanes for port in subject.shape.gains], dtype=np.int64)


def _same(subject: Subject, claim: str, inputs: Counts, ones: dict[str, int] | None, others: dict[str, int]) -> Failure | None:
    """Two settings that must act alike, over inputs (ticks, inputs, lanes)."""
    host = subject.host()
    lanes = inputs.shape[2]
    pair = [
        host.run(host.start(lanes), inputs, None if gains is None else _gain_array(subject, gains, lanes)).outputs
        for gains in (ones, others)
    ]
    place = earliest(pair[0] != pair[1])
    if place is None:
        return None
    tick, column, lane = place
    name = subject.shape.outputs[column].name
    fed = inputs[: tick + 1, :, lane].copy()
    runs, watched = (Run(fed, None, ones), Run(fed, None, others)), (Watched(name, 1), Watched(name, 0, -1))
    return Failure(claim, runs, watched, 0, 0, tuple(int(v) for v in watch(host, runs, watched)))


def _check_gains(subject: Subject, rng: Generator) -> Found:
    count = 0
    start = _start_gains(subject)
    settings: list[tuple[str, dict[str, int] | None, dict[str, int]]] = [
        ("setting live gains to what they are changes nothing", None, start)
    ]
    for port in subject.shape.gains:
        for beyond, held in ((port.type_low, port.low), (port.type_high, port.high), (port.high + 1, port.high), (port.low - 1, port.low)):
            if port.type_low <= beyond <= port.type_high:
                claim = f"a gain {port.name} of {beyond} is held at {held}"
                settings.append((claim, {**start, port.name: held}, {**start, port.name: beyond}))
    for claim, ones, others in settings:
        for kind in ("held", "edges"):
            inputs = subject.draw(kind, rng, TICKS, LANES)
            count += 2 * TICKS * LANES

            def judge(
                runs: tuple[Run, ...],
                claim: str = claim,
                ones: dict[str, int] | None = ones,
                others: dict[str, int] = others,
            ) -> Failure | None:
                return _same(subject, claim, runs[0].inputs[:, :, None], ones, others)

            failure = _same(subject, claim, inputs, ones, others)
            if failure is not None:
                return Found(count, shrink(failure, judge))
    return Found(count)


# --- optimisation -----------------------------------------------------------------------------------------------------------


def _all_numbers(trace: Trace) -> Counts:
    assert trace.memory is not None
    return np.concatenate([trace.outputs, trace.memory], axis=1)


def _level_failure(subject: Subject, level: str, inputs: Counts) -> Failure | None:
    """Outputs and memory of the least and of another optimisation, over inputs (ticks, inputs, lanes)."""
    lanes = inputs.shape[2]
    least, other = subject.host(LEVELS[0]), subject.host(level)
    ones, others = (_all_numbers(host.run(host.start(lanes), inputs, trace_memory=True)) for host in (least, other))
    place = earliest(ones != others)
    if place is None:
        return None
    tick, column, lane = place
    outputs = subject.shape.outputs
    name = outputs[column].name if column < len(outputs) else f"state.{subject.shape.memory[column - len(outputs)].name}"
    runs, watched = (Run(inputs[: tick + 1, :, lane].copy()),), (Watched(name),)
    value = int(ones[tick, column, lane])
    got = tuple(int(v) for v in watch(other, runs, watched))
    return Failure(f"compiled with {level} it does what it does with {LEVELS[0]}", runs, watched, value, value, got, level)


def _check_levels(subject: Subject, rng: Generator) -> Found:
    count = 0
    draws = [subject.draw(kind, rng, TICKS, LANES) for kind in subject.kinds]
    for level in LEVELS[1:]:
        for inputs in draws:
            count += TICKS * LANES
            failure = _level_failure(subject, level, inputs)
            if failure is not None:

                def judge(runs: tuple[Run, ...], level: str = level) -> Failure | None:
                    return _level_failure(subject, level, runs[0].inputs[:, :, None])

                return Found(count, shrink(failure, judge))
    return Found(count, None, {"optimisation levels": float(len(LEVELS))})


LAWS = (
    Law("start and isolation", "a controller started anew is like new, and two at once do not touch each other", always, _check_instances),
    Law("live gains", "setting a gain to its value changes nothing; the setter holds it inside its interval", _why_no_gains, _check_gains),
    Law("optimisation", f"the same trace with {', '.join(LEVELS)}", always, _check_levels),
)
