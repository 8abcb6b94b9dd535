"""Whether C ends the process that runs it: tried in a process of its own, before anything else runs it in this one.

Takes an emission (usually with an edited source) and its integers, gives yes or no.  An index beyond an array or a division by zero would
otherwise end the gate instead of being its verdict.
"""

from __future__ import annotations

import multiprocessing
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool

import numpy as np

from codegen.emit import Emission
from codegen.rules.fixed import FixedGraph
from codegen.verify.subject import emitted_subject

TICKS, LANES = 150, 100


def ends_its_process(emission: Emission, fixed: FixedGraph, seed: int = 1) -> bool:
    """Run draws of every class from the start, from legal memories and from any, in a child process.

    Raises:
        CompileError: The text does not compile.
    """
    with ProcessPoolExecutor(1, multiprocessing.get_context("spawn")) as pool:
        try:
            pool.submit(_exercise, emission, fixed, seed).result()
        except BrokenProcessPool:
            return True
    return False


def _exercise(emission: Emission, fixed: FixedGraph, seed: int) -> None:
    rng = np.random.default_rng(seed)
    with emitted_subject(emission, fixed) as subject:
        # An optimising compiler may leave out the very division that stops the processor.
        for host in (subject.host("-O0"), subject.host("-O2")):
            for kind in subject.kinds:
                inputs = subject.draw(kind, rng, TICKS, LANES)
                for memory in (host.start(LANES), subject.legal_memory(rng, LANES), subject.any_memory(rng, LANES)):
                    host.run(memory, inputs)
