"""The emitted controller, compiled on this machine and run in batches.

Takes an ``Emission`` with its ``FixedGraph`` (or an edited source in its place), gives a ``HostController``: many controllers at
once over many ticks, from start or from given memory, plain or with undefined-behaviour checks; and a step function that a
simulator can call.  Between the two stands glue text of our own, which only copies numbers in and out of the structs.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from codegen.emit import Emission
from codegen.host.compile import Library, compile_library
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


class HostController:
    """A compiled controller.

    Args:
        emission: The files.
        fixed: What they realise (names and order of inputs, outputs and memory).
        sanitize: Build with undefined-behaviour checks.
        optimise: Optimisation flag.

    Raises:
        CompileError: No compiler, or it refuses the text.
    """

    def __init__(
        self, emission: Emission, fixed: FixedGraph, *, sanitize: bool = False, optimise: str = "-O2"
    ) -> None:
        name = emission.name
        self.fixed = fixed
        self.inputs = tuple(node.name for node in fixed.graph.inputs)
        self.outputs = tuple(output.name for output in fixed.graph.outputs)
        self.memory = memory_names(fixed)
        self.gains = tuple(parameter.name for parameter in fixed.graph.parameters)
        sources = {
            f"{name}.h": emission.header,
            f"{name}.c": emission.source,
            "host_glue.c": _glue(emission.name, fixed, self.memory),
        }
        self.library: Library = compile_library(
            sources, declarations=_DECLARATIONS.replace("NAME", name), optimise=optimise, sanitize=sanitize
        )
        self._prefix = f"{name}_host"
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


_DECLARATIONS = """
int64_t NAME_host_state_size(void);
void NAME_host_begin(void *context);
void NAME_host_start(int64_t lanes, int64_t *memory);
void NAME_host_run(int64_t lanes, int64_t ticks, int64_t *memory, const int64_t *inputs, const int64_t *gains,
                   int64_t *outputs, int64_t *trace);
void NAME_host_fly(void *context, const int32_t *inputs, int32_t *outputs);
"""


def _glue(name: str, fixed: FixedGraph, memory: tuple[str, ...]) -> str:
    """Host-only C that copies between arrays and the controller's structs."""
    graph = fixed.graph
    counter = "uint8_t" if graph.slow_every <= 2**8 else "uint16_t" if graph.slow_every <= 2**16 else "uint32_t"

    def ctype(member: str) -> str:
        return counter if member == "slow_count" else fixed.formats[member].ctype

    def into(target: str, kind: str, value: str) -> str:
        return f"    {target} = {value} != 0;" if kind == "bool" else f"    {target} = ({kind}){value};"

    load = [into(f"s->{m}", ctype(m), f"memory[{i} * lanes + lane]") for i, m in enumerate(memory)]
    store = [f"    memory[{i} * lanes + lane] = (int64_t)s->{m};" for i, m in enumerate(memory)]
    read = [into(f"in->{n.name}", n.ctype, f"values[{i} * lanes + lane]") for i, n in enumerate(graph.inputs)]
    fly_read = [into(f"in.{n.name}", n.ctype, f"inputs[{i}]") for i, n in enumerate(graph.inputs)]
    show = [f"    values[{i} * lanes + lane] = (int64_t)out->{o.name};" for i, o in enumerate(graph.outputs)]
    fly_show = [f"    outputs[{i}] = (int32_t)out.{o.name};" for i, o in enumerate(graph.outputs)]
    gains = [
        f"    gains.{p.name} = ({fixed.formats[p.name].ctype})values[{i} * lanes + lane];" for i, p in enumerate(graph.parameters)
    ]
    lines = [
        f'#include "{name}.h"',
        f"int64_t {name}_host_state_size(void);",
        f"void {name}_host_begin(void *context);",
        f"void {name}_host_start(int64_t lanes, int64_t *memory);",
        f"void {name}_host_run(int64_t lanes, int64_t ticks, int64_t *memory, const int64_t *inputs, const int64_t *gains,",
        "    int64_t *outputs, int64_t *trace);",
        f"void {name}_host_fly(void *context, const int32_t *inputs, int32_t *outputs);",
        f"static void load({name}_state *s, const int64_t *memory, int64_t lanes, int64_t lane)",
        *["{", *(load or ["    (void)s; (void)memory; (void)lanes; (void)lane;"]), "}"],
        f"static void store(const {name}_state *s, int64_t *memory, int64_t lanes, int64_t lane)",
        *["{", *(store or ["    (void)s; (void)memory; (void)lanes; (void)lane;"]), "}"],
        f"static void take({name}_inputs *in, const int64_t *values, int64_t lanes, int64_t lane)",
        *["{", *read, "}"],
        f"static void show(const {name}_outputs *out, int64_t *values, int64_t lanes, int64_t lane)",
        *["{", *show, "}"],
        f"int64_t {name}_host_state_size(void) {{ return (int64_t)sizeof({name}_state); }}",
        f"void {name}_host_begin(void *context) {{ {name}_init(({name}_state *)context); }}",
        f"void {name}_host_start(int64_t lanes, int64_t *memory)",
        "{",
        f"    {name}_state s;",
        f"    {name}_init(&s);",
        "    for (int64_t lane = 0; lane < lanes; lane++) { store(&s, memory, lanes, lane); }",
        "}",
        f"void {name}_host_run(int64_t lanes, int64_t ticks, int64_t *memory, const int64_t *inputs, const int64_t *values,",
        "    int64_t *outputs, int64_t *trace)",
        "{",
        "    for (int64_t lane = 0; lane < lanes; lane++) {",
        f"        {name}_state s;",
        f"        {name}_init(&s);",
        "        load(&s, memory, lanes, lane);",
        *(["        if (values != 0) {", f"        {name}_gains gains;", *gains, f"        {name}_set_gains(&s, &gains);", "        }"] if gains else ["        (void)values;"]),
        "        for (int64_t tick = 0; tick < ticks; tick++) {",
        f"            {name}_inputs in;",
        f"            {name}_outputs out;",
        f"            take(&in, inputs + tick * {len(graph.inputs)} * lanes, lanes, lane);",
        f"            {name}_step(&s, &in, &out);",
        f"            show(&out, outputs + tick * {len(graph.outputs)} * lanes, lanes, lane);",
        f"            if (trace != 0) {{ store(&s, trace + tick * {len(memory)} * lanes, lanes, lane); }}",
        "        }",
        "        store(&s, memory, lanes, lane);",
        "    }",
        "}",
        f"void {name}_host_fly(void *context, const int32_t *inputs, int32_t *outputs)",
        "{",
        f"    {name}_inputs in;",
        f"    {name}_outputs out;",
        *fly_read,
        f"    {name}_step(({name}_state *)context, &in, &out);",
        *fly_show,
        "}",
        "",
    ]
    return "\n".join(lines)
