"""What the properties are about: a compiled controller with its shape, and what is known of it.

Takes C text with a shape and, for an emitted controller, its integers, bounds and recorded flights; gives a ``Subject`` that compiles
on demand and draws inputs.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Self

import numpy as np
from numpy.typing import NDArray

from codegen.bounds import SignalBound
from codegen.emit import Emission
from codegen.host.controller import CompiledController
from codegen.host.shape import Port, Shape, shape_of
from codegen.rules.fixed import FixedGraph
from codegen.verify.draws import Drawn, checked_traces, draw_inputs, draw_memory, edge_values, spoil

Counts = NDArray[np.int64]
CLASSES = ("held", "edges", "white", "constant", "opposite")
NUMBER = re.compile(r"(?<![\w.])\d{1,10}(?=[uUlL]*(?![\w.]))")
MOST_NUMBERS = 200


@dataclass
class Subject:
    """A controller under test.

    Attributes:
        shape: Its functions, structs and members.
        sources: File name to text.
        source_name: The C file among them.
        fixed: The integers it realises, None where C was written by hand.
        bounds: One-tick error bounds, likewise.
        traces: Recorded inputs, (ticks, inputs) each.
        warnings_are_errors: Whether the text must compile without a warning.
    """

    shape: Shape
    sources: Mapping[str, str]
    source_name: str
    fixed: FixedGraph | None = None
    bounds: Mapping[str, SignalBound] = field(default_factory=dict)
    traces: tuple[Counts, ...] = ()
    warnings_are_errors: bool = True
    _hosts: dict[tuple[str, bool], CompiledController] = field(default_factory=dict, repr=False)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close every library."""
        for host in self._hosts.values():
            host.close()
        self._hosts.clear()

    def host(self, optimise: str = "-O2", *, sanitize: bool = False) -> CompiledController:
        """The compiled controller, compiled once per flag.

        Raises:
            CompileError: The text does not compile.
        """
        key = (optimise, sanitize)
        if key not in self._hosts:
            self._hosts[key] = CompiledController(
                self.shape,
                self.sources,
                optimise=optimise,
                sanitize=sanitize,
                warnings_are_errors=self.warnings_are_errors,
            )
        return self._hosts[key]

    def drawn(self) -> list[Drawn]:
        """Every input as the draws see it."""
        if self.fixed is not None:
            return [Drawn(node.low, node.high, edge_values(self.fixed, node), node.is_bool) for node in self.fixed.graph.inputs]
        result = []
        # A text that was written by hand says by its numbers where its edges are.
        numbers = sorted({int(digits) for digits in NUMBER.findall(self.sources[self.source_name])})[:MOST_NUMBERS]
        named = {sign * number + step for number in numbers for sign in (-1, 1) for step in (-1, 0, 1)}
        for port in self.shape.inputs:
            edges = {port.low, port.low + 1, -1, 0, 1, port.high - 1, port.high} | named
            kept = np.array(sorted(edge for edge in edges if port.low <= edge <= port.high), dtype=np.int64)
            result.append(Drawn(port.low, port.high, kept, port.ctype == "bool"))
        return result

    def draw(self, kind: str, rng: np.random.Generator, ticks: int, lanes: int) -> Counts:
        """Inputs (ticks, inputs, lanes) of a class; ``flight`` where flights were recorded."""
        if kind == "flight":
            assert self.fixed is not None
            recorded = checked_traces(self.traces, self.fixed)
            return spoil(recorded[int(rng.integers(len(recorded)))], self.fixed, rng, ticks, lanes)
        return draw_inputs(kind, self.drawn(), rng, ticks, lanes)

    @property
    def kinds(self) -> tuple[str, ...]:
        """Classes of inputs there are."""
        return (*CLASSES, "flight") if self.traces and self.fixed is not None else CLASSES

    def legal_memory(self, rng: np.random.Generator, lanes: int) -> Counts:
        """Random legal memories, (members, lanes)."""
        if self.fixed is not None:
            return draw_memory(self.fixed, rng, lanes)
        return self.any_memory(rng, lanes, within=True)

    def any_memory(self, rng: np.random.Generator, lanes: int, *, within: bool = False) -> Counts:
        """Memories of any value that the members' C types can hold (``within``: that is legal), ends and powers of two among them."""
        ports = self.shape.memory
        result = np.zeros((max(1, len(ports)), lanes), dtype=np.int64)
        for place, port in enumerate(ports):
            low, high = (port.low, port.high) if within else (port.type_low, port.type_high)
            anywhere = rng.integers(low, high, lanes, endpoint=True)
            ends = rng.choice(np.array([low, high, max(low, min(high, 0)), port.low, port.high]), lanes)
            sizes = np.int64(1) << rng.integers(0, max(1, min(port.bits - 1, 62)), lanes)
            powers = np.clip(sizes * rng.choice(np.array([-1, 1]), lanes), low, high)
            result[place] = np.choose(rng.integers(0, 3, lanes), [anywhere, ends, powers])
        return result

    def named_memory(self, memory: Counts) -> dict[str, int]:
        """One lane's memory by member."""
        return {port.name: int(value) for port, value in zip(self.shape.memory, memory, strict=False)}

    def roles(self, role: str) -> list[int]:
        """Places of the outputs with a role."""
        return [at for at, port in enumerate(self.shape.outputs) if port.role == role]

    def input_of(self, role: str) -> int | None:
        """Place of the input with a role, None where there is none."""
        found = [at for at, port in enumerate(self.shape.inputs) if port.role == role]
        return found[0] if found else None


def emitted_subject(
    emission: Emission,
    fixed: FixedGraph,
    bounds: Mapping[str, SignalBound] | None = None,
    traces: tuple[Counts, ...] = (),
) -> Subject:
    """An emitted controller (or an edited source in its place) as a subject."""
    name = emission.name
    sources = {f"{name}.h": emission.header, f"{name}.c": emission.source}
    return Subject(shape_of(name, fixed), sources, f"{name}.c", fixed, bounds or {}, traces)


def port_named(ports: tuple[Port, ...], name: str) -> Port:
    """The member called ``name``."""
    return next(port for port in ports if port.name == name)
