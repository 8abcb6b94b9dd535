"""The law of exactness on short sequences: the compiled C does what the integer model does, and if not, how little it takes to see it.

Takes a subject with integers, gives what was found.  The campaign over millions of ticks is ``codegen.verify.bits``; this one looks
for the shortest sequence, first a tick or a few from the start, then single ticks from legal memories.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from codegen.rules.vector import read_integer_arrays
from codegen.verify.bits import member_value, unpack_memory
from codegen.verify.draws import make_legal
from codegen.verify.lasting import model_failure, step_breach
from codegen.verify.law import Found, Generator, Law, emitted_only
from codegen.verify.shrink import shrink
from codegen.verify.subject import Subject
from codegen.verify.trial import Failure

Counts = NDArray[np.int64]
LENGTHS = ((1, 3000), (4, 2000), (50, 400), (300, 100))
MEMORIES = 20_000
CLAIM = "the compiled C does what the integer model does"


def first_difference(subject: Subject, inputs: Counts) -> tuple[int, int] | None:
    """(tick, lane) of the earliest difference over inputs (ticks, inputs, lanes) from the start, None if there is none."""
    assert subject.fixed is not None
    host, twin = subject.host(), read_integer_arrays(subject.fixed)
    lanes = inputs.shape[2]
    begin = host.start(lanes)
    memory = unpack_memory(subject.fixed, host.memory, begin)
    memory.gains = dict(twin.start().gains)
    trace = host.run(begin, inputs, trace_memory=True)
    assert trace.memory is not None
    for tick, fed in enumerate(inputs):
        values = twin.tick(memory, {name: fed[at] for at, name in enumerate(host.inputs)})
        broken = np.zeros(lanes, dtype=bool)
        for at, output in enumerate(subject.fixed.graph.outputs):
            broken |= np.not_equal(values[output.signal], trace.outputs[tick, at])
        for at, name in enumerate(host.memory):
            broken |= np.not_equal(member_value(memory, name), trace.memory[tick, at])
        if broken.any():
            return tick, int(np.argmax(broken))
    return None


def _from_memory(subject: Subject, rng: Generator) -> Failure | None:
    """Single ticks from legal memories."""
    host = subject.host()
    n = subject.shape.slow_every
    for kind, count in (("edges", n - 1), ("held", n - 1), ("edges", None), ("held", None)):
        before = subject.legal_memory(rng, MEMORIES)
        if n > 1 and count is not None:
            assert subject.fixed is not None
            before[-1] = count
            make_legal(subject.fixed, before)
        inputs = subject.draw(kind, rng, 1, MEMORIES)
        after = before.copy()
        outputs = host.run(after, inputs).outputs[0]
        members = len(host.memory)
        breach = step_breach(subject, before[:members].T, inputs[0].T, after[:members].T, outputs.T)
        if breach is not None:
            lane = breach[0]
            return model_failure(subject, inputs[:, :, lane].copy(), subject.named_memory(before[:, lane]), CLAIM)
    return None


def _check(subject: Subject, rng: Generator) -> Found:
    count = 0
    for ticks, lanes in LENGTHS:
        for kind in subject.kinds:
            inputs = subject.draw(kind, rng, ticks, lanes)
            count += ticks * lanes
            place = first_difference(subject, inputs)
            if place is not None:
                tick, lane = place
                failure = model_failure(subject, inputs[: tick + 1, :, lane].copy(), None, CLAIM)
                if failure is not None:
                    return Found(count, _made_short(subject, failure))
    failure = _from_memory(subject, rng)
    count += 4 * MEMORIES
    return Found(count, None if failure is None else _made_short(subject, failure))


def _made_short(subject: Subject, failure: Failure) -> Failure:
    return shrink(failure, lambda runs: model_failure(subject, runs[0].inputs, dict(runs[0].memory) if runs[0].memory else None, CLAIM))


LAWS = (Law("exactness", CLAIM, emitted_only, _check),)
