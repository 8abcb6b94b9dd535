"""Laws about what a controller may say at all: limits of outputs and state, arming and trips.

Takes a subject, gives what was found.  Limits are those of the shape; arming goes by the roles arm, armed, tripped, sensor_fresh.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from codegen.host.controller import CompiledController, Trace
from codegen.verify.law import Found, Generator, Law, always, earliest
from codegen.verify.shrink import shrink
from codegen.verify.subject import Subject
from codegen.verify.trial import Failure, Run, Watched, watch

Counts = NDArray[np.int64]
TICKS, LANES = 200, 200
ANY_TICKS, ANY_LANES = 60, 1500
FLAGS = ("armed", "tripped")


def _judge_limits(subject: Subject, runs: tuple[Run, ...], *, state: bool) -> Failure | None:
    """The earliest tick in which an output (``state``: or a member) of a single run leaves its limits."""
    host, run = subject.host(), runs[0]
    memory = host.start(1)
    for name, value in (run.memory or {}).items():
        memory[host.memory.index(name), 0] = value
    trace = host.run(memory, run.inputs[:, :, None], trace_memory=state)
    place = earliest(outside(subject, trace, state=state))
    return None if place is None else limit_failure(subject, run.inputs[: place[0] + 1], run.memory, place[1])


def outside(subject: Subject, trace: Trace, *, state: bool) -> NDArray[np.bool_]:
    """Where an output (and, with ``state``, a member) is beyond its limits, (ticks, outputs + members, lanes)."""
    ports = subject.shape.outputs + (subject.shape.memory if state else ())
    values = trace.outputs
    if state and trace.memory is not None:
        values = np.concatenate([trace.outputs, trace.memory[:, : len(subject.shape.memory)]], axis=1)
    lows = np.array([port.low for port in ports], dtype=np.int64)[None, :, None]
    highs = np.array([port.high for port in ports], dtype=np.int64)[None, :, None]
    return np.asarray((values < lows) | (values > highs))


def limit_failure(subject: Subject, inputs: Counts, memory: object, column: int) -> Failure:
    """The failure that a number beyond its limits in the last tick of ``inputs`` is."""
    outputs = subject.shape.outputs
    port = (outputs + subject.shape.memory)[column]
    signal = port.name if column < len(outputs) else f"state.{port.name}"
    start = memory if isinstance(memory, dict) else None
    runs, watched = (Run(inputs, start),), (Watched(signal),)
    what = "output" if column < len(outputs) else "state"
    claim = f"{what} {port.name} stays inside [{port.low}, {port.high}]"
    return Failure(claim, runs, watched, port.low, port.high, tuple(int(v) for v in watch(subject.host(), runs, watched)))


def _check_limits(subject: Subject, rng: Generator) -> Found:
    host, count = subject.host(), 0
    for kind in subject.kinds:
        inputs = subject.draw(kind, rng, TICKS, LANES)
        trace = host.run(host.start(LANES), inputs, trace_memory=True)
        count += TICKS * LANES
        place = earliest(outside(subject, trace, state=True))
        if place is not None:
            failure = limit_failure(subject, inputs[: place[0] + 1, :, place[2]], None, place[1])
            return Found(count, shrink(failure, lambda runs: _judge_limits(subject, runs, state=True)))
    return Found(count)


def _check_any_state(subject: Subject, rng: Generator) -> Found:
    host, count = subject.host(), 0
    for kind in subject.kinds:
        inputs = subject.draw(kind, rng, ANY_TICKS, ANY_LANES)
        begin = subject.any_memory(rng, ANY_LANES)
        trace = host.run(begin.copy(), inputs)
        count += ANY_TICKS * ANY_LANES
        place = earliest(outside(subject, trace, state=False))
        if place is not None:
            named = subject.named_memory(begin[:, place[2]])
            failure = limit_failure(subject, inputs[: place[0] + 1, :, place[2]], named, place[1])
            return Found(count, shrink(failure, lambda runs: _judge_limits(subject, runs, state=False)))
    return Found(count)


def _no_memory(subject: Subject) -> str:
    return "" if subject.shape.memory else "it has no memory"


# --- arming and trips -------------------------------------------------------------------------------------------------------


def _why_no_arming(subject: Subject) -> str:
    roles = {port.role for port in subject.shape.outputs}
    if subject.input_of("arm") is None or not set(FLAGS) <= roles:
        return "it has no input with role arm, or no outputs with roles armed and tripped"
    return ""


def arming_breaches(subject: Subject, inputs: Counts, outputs: Counts) -> list[tuple[str, str, NDArray[np.bool_], int]]:
    """(claim, output, where it is broken (ticks, lanes), wanted value) of every arming rule, for runs that begin at the start."""
    arm = inputs[:, subject.input_of("arm") or 0] != 0
    armed, tripped = (outputs[:, subject.roles(role)[0]] != 0 for role in FLAGS)
    names = [subject.shape.outputs[subject.roles(role)[0]].name for role in FLAGS]
    armed_before = np.concatenate([np.zeros_like(armed[:1]), armed[:-1]])
    tripped_before = np.concatenate([np.zeros_like(armed[:1]), tripped[:-1]])
    rules = [
        ("not armed unless asked to", names[0], armed & ~arm, 0),
        ("not armed while tripped", names[0], armed & tripped, 0),
        ("stays tripped until disarmed", names[1], tripped_before & arm & ~tripped, 1),
        ("disarming clears a trip", names[1], tripped & ~arm, 0),
        ("trips only out of the armed state", names[1], tripped & ~tripped_before & ~armed_before, 0),
    ]
    fresh = subject.input_of("sensor_fresh")
    if fresh is not None:
        stale = inputs[:, fresh] == 0
        rules.append(("a stale reading trips at once", names[1], armed_before & stale & arm & ~tripped, 1))
    for at, port in enumerate(subject.shape.outputs):
        if port.role not in FLAGS:
            rules.append(("commands nothing unless armed", port.name, (outputs[:, at] != 0) & ~armed, 0))
    return rules


def _judge_arming(subject: Subject, runs: tuple[Run, ...]) -> Failure | None:
    host, run = subject.host(), runs[0]
    trace = host.run(host.start(1), run.inputs[:, :, None])
    return _first_breach(subject, host, run.inputs[:, :, None], trace.outputs)


def _first_breach(subject: Subject, host: CompiledController, inputs: Counts, outputs: Counts) -> Failure | None:
    rules = arming_breaches(subject, inputs, outputs)
    place = earliest(np.stack([broken for _, _, broken, _ in rules], axis=1))
    if place is None:
        return None
    tick, at, lane = place
    claim, signal, _, wanted = rules[at]
    runs, watched = (Run(inputs[: tick + 1, :, lane].copy()),), (Watched(signal),)
    return Failure(claim, runs, watched, wanted, wanted, tuple(int(v) for v in watch(host, runs, watched)))


def _check_arming(subject: Subject, rng: Generator) -> Found:
    host, count, armed = subject.host(), 0, 0
    kinds: Sequence[str] = subject.kinds + (("flight",) * 2 if "flight" in subject.kinds else ())
    for kind in kinds:
        inputs = subject.draw(kind, rng, 2 * TICKS, LANES)
        outputs = host.run(host.start(LANES), inputs).outputs
        count += 2 * TICKS * LANES
        armed += int(np.count_nonzero(outputs[:, subject.roles("armed")[0]]))
        failure = _first_breach(subject, host, inputs, outputs)
        if failure is not None:
            return Found(count, shrink(failure, lambda runs: _judge_arming(subject, runs)))
    return Found(count, None, {"share of ticks armed": armed / count})


LAWS = (
    Law("output limits", "outputs and state stay inside their ranges for all inputs from the start", always, _check_limits),
    Law(
        "output limits from any state",
        "outputs stay inside their ranges whatever the state's bits are",
        _no_memory,
        _check_any_state,
    ),
    Law("arming and trips", "runs only when asked to, is off while tripped, stays tripped until disarmed", _why_no_arming, _check_arming),
)
