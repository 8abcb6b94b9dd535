"""A controller's image run on its emulated core, and compared bit for bit with the host.

Takes a ``TargetImage`` with inputs, gives a ``TargetTrace``; with the same C compiled for the host, gives a ``TargetCheck``.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from codegen.host.controller import CompiledController
from codegen.rules.fixed import FixedGraph
from codegen.target.emulate_simavr import SimavrCore
from codegen.target.emulate_unicorn import UnicornCore
from codegen.target.image import Counts, TargetImage
from codegen.target.trace import Core
from codegen.verify.draws import checked_traces, draw_class, draw_memory, spoil

CLASSES = ("held", "edges", "white", "constant", "opposite")
LANES = 8
CORPUS_TICKS = 100_000


def start_core(image: TargetImage, stop: str = "driven_halt") -> Core:
    """An emulated core with ``image`` in its memory, started from reset up to the symbol ``stop``.

    Raises:
        CompileError: The emulator is missing; with what to install.
        CheckFailed: The start-up code does not arrive.
    """
    return SimavrCore(image, stop) if image.target.chip.emulator == "simavr" else UnicornCore(image, stop)


@dataclass(frozen=True)
class TargetTrace:
    """What an image did.

    Attributes:
        outputs: (ticks, outputs, lanes).
        memory: (ticks, members, lanes) after each tick.
        cycles: (ticks, lanes) from entry to return; None where the emulator counts none.
        outer: (ticks, lanes) whether the tick ran the outer loop.
        stack_bytes: Most stack in use.
        seconds: Time the emulation took.
        emulator: Name and version.
    """

    outputs: Counts
    memory: Counts
    cycles: Counts | None
    outer: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]
    stack_bytes: int
    seconds: float
    emulator: str

    def worst(self, *, outer: bool) -> int | None:
        """Greatest cycle count of a tick with or without the outer loop; None if none was counted."""
        if self.cycles is None:
            return None
        chosen = self.cycles[self.outer == outer]
        return int(chosen.max()) if chosen.size else None


def run_on_target(image: TargetImage, inputs: Counts, memory: Counts | None = None, core: Core | None = None) -> TargetTrace:
    """Run an image over inputs.

    Args:
        image: What to run.
        inputs: (ticks, inputs, lanes); each lane is a controller of its own, one after the other.
        memory: (members, lanes) to start from; None starts anew.
        core: One that already runs this image; None starts one.

    Raises:
        CompileError: The emulator is missing.
        CheckFailed: The core faults.
    """
    own = core if core is not None else start_core(image)
    begun = time.perf_counter()
    try:
        parts = []
        for lane in range(inputs.shape[2]):
            own.start()
            if memory is not None:
                own.inject(memory[: len(image.shape.memory), lane])
            parts.append(own.run(inputs[:, :, lane]))
        emulator = own.version
    finally:
        if core is None:
            own.close()
    kept = np.stack([part.memory for part in parts], axis=2)
    names = [port.name for port in image.shape.memory]
    # The counter of the slow section starts anew exactly in the tick that runs it.
    outer = kept[:, names.index("slow_count")] == 0 if "slow_count" in names else np.zeros(kept[:, 0].shape, dtype=np.bool_)
    counted = [part.cycles for part in parts if part.cycles is not None]
    return TargetTrace(
        outputs=np.stack([part.outputs for part in parts], axis=2),
        memory=kept,
        cycles=np.stack(counted, axis=1) if counted else None,
        outer=outer,
        stack_bytes=max(part.stack_bytes for part in parts),
        seconds=time.perf_counter() - begun,
        emulator=emulator,
    )


@dataclass(frozen=True)
class TargetMismatch:
    """The first value that differs.

    Attributes:
        kind: Class of inputs.
        lane: Which controller of the batch.
        tick: From its start.
        member: Output or member of the state.
        host: Value there.
        target: Value on the target.
    """

    kind: str
    lane: int
    tick: int
    member: str
    host: int
    target: int


@dataclass(frozen=True)
class TargetCheck:
    """Target against host.

    Attributes:
        target: Name.
        optimise: Optimisation flag.
        compiler: Version line of the cross compiler.
        emulator: Name and version.
        ticks: Ticks compared, every output and every member of the state after each.
        mismatches: Values that differ.
        first: The first of them.
        armed_ticks: Ticks in which an output was not zero, a sign that the corpus reaches beyond the start state.
        ordinary_cycles, outer_cycles: Greatest cycle counts seen, without and with the outer loop; None if none is counted.
        stack_bytes: Most stack seen in use.
        seconds: Time of the emulation alone.
    """

    target: str
    optimise: str
    compiler: str
    emulator: str
    ticks: int
    mismatches: int
    first: TargetMismatch | None
    armed_ticks: int
    ordinary_cycles: int | None
    outer_cycles: int | None
    stack_bytes: int
    seconds: float


def compare_with_host(
    image: TargetImage,
    host: CompiledController,
    batches: Sequence[tuple[str, Counts, Counts | None]],
    progress: Callable[[float], None] = lambda share: None,
) -> TargetCheck:
    """Run the same batches here and there.

    Args:
        image: The target's side.
        host: The same C on this machine.
        batches: Class name, inputs (ticks, inputs, lanes), memory to start from (members, lanes) or None.
        progress: Told the share that is done.

    Raises:
        CompileError: The emulator is missing.
        CheckFailed: The emulated core faults.
    """
    core = start_core(image)
    names = (*(port.name for port in image.shape.outputs), *(port.name for port in image.shape.memory))
    ticks = mismatches = armed = stack = 0
    seconds, first = 0.0, None
    worst: dict[bool, int | None] = {False: None, True: None}
    try:
        for place, (kind, inputs, memory) in enumerate(batches):
            got = run_on_target(image, inputs, memory, core)
            begun = host.start(inputs.shape[2]) if memory is None else memory.copy()
            wanted = host.run(begun, inputs, trace_memory=True)
            assert wanted.memory is not None
            here = np.concatenate([wanted.outputs, wanted.memory], axis=1)
            there = np.concatenate([got.outputs, got.memory], axis=1)
            wrong = here != there
            mismatches += int(wrong.sum())
            if first is None and wrong.any():
                tick, member, lane = (int(part) for part in np.argwhere(wrong)[0])
                first = TargetMismatch(kind, lane, tick, names[member], int(here[tick, member, lane]), int(there[tick, member, lane]))
            ticks += inputs.shape[0] * inputs.shape[2]
            armed += int((wanted.outputs != 0).any(axis=1).sum())
            stack = max(stack, got.stack_bytes)
            seconds += got.seconds
            for outer in worst:
                seen = [value for value in (worst[outer], got.worst(outer=outer)) if value is not None]
                worst[outer] = max(seen, default=None)
            progress((place + 1) / len(batches))
    finally:
        core.close()
    return TargetCheck(
        target=image.target.name,
        optimise=image.optimise,
        compiler=image.compiler,
        emulator=core.version,
        ticks=ticks,
        mismatches=mismatches,
        first=first,
        armed_ticks=armed,
        ordinary_cycles=worst[False],
        outer_cycles=worst[True],
        stack_bytes=stack,
        seconds=seconds,
    )


def draw_corpus(
    fixed: FixedGraph, traces: Sequence[Counts] = (), ticks: int = CORPUS_TICKS, seed: int = 1
) -> list[tuple[str, Counts, Counts | None]]:
    """Batches for ``compare_with_host``: every class of inputs from the start state and from legal memories, and spoilt flights.

    Args:
        fixed: The controller.
        traces: Recorded readings, (ticks, inputs) each.
        ticks: At least so many in all.
        seed: Of the draws.
    """
    rng = np.random.default_rng(seed)
    recorded = checked_traces(traces, fixed)
    # Flights keep the controller armed, so they get as much as all other classes together.
    rounds = [(kind, None) for kind in CLASSES] + [("flight", trace) for trace in recorded for _ in range(max(1, 4 // len(recorded)))]
    length = -(-ticks // (len(rounds) * LANES))
    batches: list[tuple[str, Counts, Counts | None]] = []
    for kind, trace in rounds:
        inputs = draw_class(kind, fixed, rng, length, LANES) if trace is None else spoil(trace, fixed, rng, length, LANES)
        injected = kind in ("held", "edges") or (trace is not None and len(batches) % 2 == 1)
        batches.append((kind, inputs, draw_memory(fixed, rng, LANES) if injected else None))
    return batches
