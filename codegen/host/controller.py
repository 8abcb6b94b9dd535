"""The controller's C, compiled on this machine and run in batches.

Takes an ``Emission`` with its ``FixedGraph`` (or any C text with its ``Shape``), gives many controllers at once over many ticks, from
start or from given memory, plain or with undefined-behaviour checks, with bits flipped in memory, two in turn; and a step function that
a simulator can call.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from codegen.emit import Emission
from codegen.host.shape import DECLARATIONS, Shape, glue, shape_of
from codegen.native.compile import Library, compile_library
from codegen.rules.fixed import FixedGraph

Counts = NDArray[np.int64]


def memory_names(fixed: FixedGraph) -> tuple[str, ...]:
    """Members of the state struct in the order of the batch arrays: delays, sums, and the slow section's counter."""
    graph = fixed.graph
    names = [delay.name for delay in graph.delays] + [node.name for node in graph.sums]
    return tuple(names + (["slow_count"] if graph.slow_every > 1 else []))


@dataclass(frozen=True)
class Trace:
    """What a batch did.

    Attributes:
        outputs: (ticks, outputs, lanes).
        memory: (ticks, members, lanes) after each tick, or None if it was not asked for.
    """

    outputs: Counts
    memory: Counts | None


class CompiledController:
    """Compiled C of a given shape.

    Args:
        shape: Names and types of its functions, structs and members.
        sources: File name to text; the header that the shape names is among them.
        sanitize: Build with undefined-behaviour checks.
        optimise: Optimisation flag.
        flags: Further compiler flags.
        warnings_are_errors: Whether the text must compile without a warning.

    Raises:
        CompileError: No compiler, or it refuses the text.
    """

    def __init__(
        self,
        shape: Shape,
        sources: Mapping[str, str],
        *,
        sanitize: bool = False,
        optimise: str = "-O2",
        flags: tuple[str, ...] = (),
        warnings_are_errors: bool = True,
    ) -> None:
        self.shape = shape
        self.inputs = tuple(port.name for port in shape.inputs)
        self.outputs = tuple(port.name for port in shape.outputs)
        self.memory = tuple(port.name for port in shape.memory)
        self.gains = tuple(port.name for port in shape.gains)
        self.library: Library = compile_library(
            {**sources, "host_glue.c": glue(shape)},
            declarations=DECLARATIONS.replace("NAME", shape.name),
            optimise=optimise,
            flags=flags,
            sanitize=sanitize,
            warnings_are_errors=warnings_are_errors,
        )
        self._prefix = f"{shape.name}_host"
        self._ffi = self.library.ffi

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the library."""
        self.library.close()

    def _function(self, name: str) -> Any:
        return getattr(self.library.lib, f"{self._prefix}_{name}")

    def _pointer(self, array: Counts | None) -> Any:
        if array is None:
            return self._ffi.NULL
        return self._ffi.cast("int64_t *", array.ctypes.data)

    def start(self, lanes: int) -> Counts:
        """Memory of ``lanes`` controllers after initialisation, (members, lanes)."""
        memory = np.zeros((max(1, len(self.memory)), lanes), dtype=np.int64)
        self._function("start")(lanes, self._pointer(memory))
        return memory

    def run(self, memory: Counts, inputs: Counts, gains: Counts | None = None, *, trace_memory: bool = False) -> Trace:
        """Advance ``memory`` (changed in place) by the ticks of ``inputs``.

        Args:
            memory: (members, lanes), C-contiguous.
            inputs: (ticks, inputs, lanes), each value inside its C type.
            gains: (gains, lanes) set before the first tick; None leaves the initial ones.
            trace_memory: Whether to keep the memory after every tick.
        """
        ticks, _, lanes = inputs.shape
        inputs = np.ascontiguousarray(inputs, dtype=np.int64)
        gains = None if gains is None else np.ascontiguousarray(gains, dtype=np.int64)
        outputs = np.empty((ticks, len(self.outputs), lanes), dtype=np.int64)
        kept = np.empty((ticks, len(self.memory), lanes), dtype=np.int64) if trace_memory else None
        self._function("run")(
            lanes,
            ticks,
            self._pointer(memory),
            self._pointer(inputs),
            self._pointer(gains),
            self._pointer(outputs),
            self._pointer(kept),
        )
        return Trace(outputs, kept)

    def flight_step(self) -> tuple[int, int, object]:
        """(address of the step function, address of fresh memory, owner to keep alive) for one simulated flight."""
        memory = self._ffi.new("unsigned char[]", int(self._function("state_size")()))
        self._function("begin")(memory)
        return (
            self.library.address_of(f"{self._prefix}_fly"),
            int(self._ffi.cast("uintptr_t", memory)),
            (self.library, memory),
        )

    def upset(self, memory: Counts, inputs: Counts, flips: Counts, *, trace_memory: bool = True) -> Trace:
        """Advance ``memory`` as ``run`` does, with one bit flipped per lane between two ticks.

        Args:
            memory: (members, lanes), C-contiguous, changed in place.
            inputs: (ticks, inputs, lanes).
            flips: (3, lanes): tick before which the flip happens, member (-1: none), bit of its bytes in the host's order.
            trace_memory: Whether to keep the memory after every tick.
        """
        ticks, _, lanes = inputs.shape
        inputs = np.ascontiguousarray(inputs, dtype=np.int64)
        flips = np.ascontiguousarray(flips, dtype=np.int64)
        outputs = np.empty((ticks, len(self.outputs), lanes), dtype=np.int64)
        kept = np.empty((ticks, len(self.memory), lanes), dtype=np.int64) if trace_memory else None
        pointers = [self._pointer(array) for array in (memory, inputs, flips, outputs, kept)]
        self._function("upset")(lanes, ticks, *pointers)
        return Trace(outputs, kept)

    def pair(self, first: Counts, second: Counts, *, dirt: int = 0, rounds: int = 1) -> tuple[Counts, Counts]:
        """Outputs and memory (ticks, outputs + members) of two controllers that run in turn, of the last of ``rounds`` starts.

        Args:
            first: (ticks, inputs) of the one.
            second: Of the other, equally long.
            dirt: Byte that fills their memory before the first start.
            rounds: How often both are started and run; memory is not cleaned in between.
        """
        first, second = (np.ascontiguousarray(part, dtype=np.int64) for part in (first, second))
        outputs = np.empty((len(first), 2, len(self.outputs) + len(self.memory)), dtype=np.int64)
        self._function("pair")(len(first), dirt, rounds, self._pointer(first), self._pointer(second), self._pointer(outputs))
        return outputs[:, 0], outputs[:, 1]


class HostController(CompiledController):
    """An emitted controller, compiled.

    Args:
        emission: The files.
        fixed: What they realise (names and order of inputs, outputs and memory).
        sanitize: Build with undefined-behaviour checks.
        optimise: Optimisation flag.

    Raises:
        CompileError: No compiler, or it refuses the text.
    """

    def __init__(self, emission: Emission, fixed: FixedGraph, *, sanitize: bool = False, optimise: str = "-O2") -> None:
        self.fixed = fixed
        name = emission.name
        sources = {f"{name}.h": emission.header, f"{name}.c": emission.source}
        super().__init__(shape_of(name, fixed), sources, sanitize=sanitize, optimise=optimise)
