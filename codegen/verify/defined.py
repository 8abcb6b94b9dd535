"""The law of defined behaviour: nothing that C leaves undefined happens, for all inputs from the start.

Takes a subject, gives what was found; the failure names the line.  The build is one with the compiler's undefined-behaviour checks.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from codegen.host.controller import CompiledController
from codegen.native.compile import SanitizerReport
from codegen.verify.law import Found, Generator, Law, always
from codegen.verify.shrink import shrink
from codegen.verify.subject import Subject
from codegen.verify.trial import Failure, Run

Counts = NDArray[np.int64]
TICKS, LANES = 300, 60
CLAIM = "nothing happens that C leaves undefined"


def _checked(subject: Subject) -> CompiledController:
    return subject.host("-O1", sanitize=True)


def _reports(subject: Subject, inputs: Counts, memory: Counts) -> list[SanitizerReport]:
    """Reports about the subject's own files over inputs (ticks, inputs, lanes)."""
    host = _checked(subject)
    host.library.clear_sanitizer_reports()
    host.run(memory, inputs)
    found = [report for report in host.library.sanitizer_reports() if report.file in subject.sources]
    host.library.clear_sanitizer_reports()
    return found


def _failure(subject: Subject, run: Run) -> Failure | None:
    """The earliest tick of one run in which something is reported."""
    host = _checked(subject)
    memory = host.start(1)
    for name, value in (run.memory or {}).items():
        memory[host.memory.index(name), 0] = value
    for tick in range(len(run.inputs)):
        reports = _reports(subject, run.inputs[tick : tick + 1, :, None], memory)
        if reports:
            cut = Run(run.inputs[: tick + 1].copy(), run.memory)
            return Failure(CLAIM, (cut,), (), 0, 0, (), "-O1", reports[0].line, reports[0].kind)
    return None


def _check(subject: Subject, rng: Generator) -> Found:
    count = 0
    host = _checked(subject)
    for kind in subject.kinds:
        inputs = subject.draw(kind, rng, TICKS, LANES)
        starts = [host.start(LANES)] + ([subject.legal_memory(rng, LANES)] if subject.fixed is not None else [])
        for begin in starts:
            count += TICKS * LANES
            if not _reports(subject, inputs, begin.copy()):
                continue
            for lane in range(LANES):
                from_start = begin is starts[0]
                memory = None if from_start else subject.named_memory(begin[:, lane])
                failure = _failure(subject, Run(inputs[:, :, lane].copy(), memory))
                if failure is not None:
                    return Found(count, shrink(failure, lambda runs: _failure(subject, runs[0])))
    return Found(count)


LAWS = (Law("defined behaviour", CLAIM, always, _check),)
