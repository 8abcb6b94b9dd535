"""The versions of one controller that are compared, the inputs that all of them get, and the check that they compute the same."""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from codegen.flight import set_terms
from codegen.flight.reference import Comparison, compare_with_reference
from codegen.graph import Graph
from codegen.host.controller import CompiledController
from codegen.host.shape import Shape, shape_of
from codegen.pipeline import Designed
from codegen.plant import StepFunction
from codegen.rules.real import read_real, real_inputs
from codegen.target.image import Counts
from codegen.verify.draws import draw_class, spoil
from tests.benchmarks.dialects import Floating, Wide
from tests.benchmarks.library import FLAGS, Composed
from tests.benchmarks.plain import Dialect
from tests.target_tools import lantern, made

FIXED, FLOAT, WIDE, LIBRARY = "emitted fixed point", "float", "64-bit fixed point", "library composition"
# Ticks of the fixed set of inputs: a recorded flight, flights with a reading spoilt, white noise of full scale, held extremes.
FLIGHT_TICKS, SPOILT_TICKS, WHITE_TICKS, EXTREME_TICKS = 1500, 1000, 1000, 2500
# Of the comparison with float64 in flight.
SECONDS = 4.0


@dataclass(frozen=True)
class Version:
    """One way to write the controller.

    Attributes:
        name: What it is.
        shape: Its functions and structs.
        sources: File name to text.
        flags: Further compiler flags.
        warnings_are_errors: Whether its text must compile without a warning on the host.
    """

    name: str
    shape: Shape
    sources: Mapping[str, str]
    flags: tuple[str, ...] = ()
    warnings_are_errors: bool = True

    def on_host(self) -> CompiledController:
        """Compiled for this machine."""
        return CompiledController(self.shape, self.sources, flags=self.flags, warnings_are_errors=self.warnings_are_errors)


def emitted(lantern_name: str, target: str) -> Version:
    """The fixed point that Loopwright emits for a target."""
    part = made(lantern_name, target)
    name = part.emission.name
    return Version(FIXED, shape_of(name, part.fixed), {f"{name}.h": part.emission.header, f"{name}.c": part.emission.source})


def hand_written(graph: Graph, library: Mapping[str, str] | None = None) -> list[Version]:
    """Float, naive fixed point, and the composition where the files of the library are given."""

    def version(name: str, dialect: Dialect, more: Mapping[str, str], flags: tuple[str, ...], *, clean: bool) -> Version:
        emission, shape = dialect.write()
        sources = {f"{emission.name}.h": emission.header, f"{emission.name}.c": emission.source, **more}
        return Version(name, shape, sources, flags, clean)

    versions = [version(FLOAT, Floating(graph), {}, (), clean=True), version(WIDE, Wide(graph), {}, (), clean=True)]
    if library is not None:
        versions.append(version(LIBRARY, Composed(graph), library, FLAGS, clean=False))
    return versions


def fixed_inputs(lantern_name: str, target: str, ticks: int = 0) -> Counts:
    """The readings (ticks, inputs) that every version gets, the same in every run; ``ticks`` > 0 shortens each part alike."""
    part = made(lantern_name, target)
    rng = np.random.default_rng(20)
    share = ticks / (FLIGHT_TICKS + SPOILT_TICKS + WHITE_TICKS + EXTREME_TICKS) if ticks else 1.0
    flight, spoilt, white, extreme = (math.ceil(share * count) for count in (FLIGHT_TICKS, SPOILT_TICKS, WHITE_TICKS, EXTREME_TICKS))
    # The last of four lanes is a flight with one reading overwritten.
    pieces = [part.traces[0][:flight], spoil(part.traces[1], part.fixed, rng, spoilt, 4)[:, :, 3]]
    pieces.append(draw_class("white", part.fixed, rng, white, 1)[:, :, 0])
    pieces += [draw_class(kind, part.fixed, rng, -(-extreme // 2), 1)[:, :, 0] for kind in ("opposite", "edges")]
    return np.concatenate(pieces)


@functools.cache
def reference_outputs(lantern_name: str, target: str) -> Counts:
    """What float64 shows on the recorded flights (ticks of all flights, outputs)."""
    graph = lantern(lantern_name).graph()
    names = [node.name for node in graph.inputs]
    shown = [(output.signal, made(lantern_name, target).fixed.formats[output.signal].lsb) for output in graph.outputs]
    rows = []
    for trace in made(lantern_name, target).traces:
        reading = read_real(graph)
        memory = reading.start()
        for row in trace.tolist():
            values = reading.tick(memory, real_inputs(graph, dict(zip(names, row, strict=True))))
            rows.append([math.floor(values[signal] / float(count) + 0.5) for signal, count in shown])
    return np.array(rows, dtype=np.int64)


def largest_differences(host: CompiledController, lantern_name: str, target: str) -> Counts:
    """Largest |output - float64| on the recorded flights, in counts, (outputs,)."""
    traces = made(lantern_name, target).traces
    got = np.concatenate([host.run(host.start(1), trace[:, :, None]).outputs[:, :, 0] for trace in traces])
    worst: Counts = np.abs(got - reference_outputs(lantern_name, target)).max(axis=0)
    return worst


def flown_differences(host: CompiledController, designed: Designed) -> Comparison:
    """Both at the controls of the simulated machine, with the same seeds."""
    terms = set_terms(designed.build, designed.design)
    return compare_with_reference(designed.plant, terms, lambda: StepFunction(*host.flight_step()), designed.graph(), SECONDS)
