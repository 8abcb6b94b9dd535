"""Images for the target tests, and what happens where a tool is missing: skipped with the reason, or failed where all must be there."""

from __future__ import annotations

import functools
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from codegen.emit import Emission
from codegen.errors import CompileError
from codegen.host.shape import Port, Shape
from codegen.pipeline import Designed, design_build, fly_traces, realise
from codegen.rules.fixed import FixedGraph
from codegen.target.build import CompilerKind, Optimise, build_emission, build_image, find_cross_compiler
from codegen.target.emulate_simavr import simavr_version
from codegen.target.emulate_unicorn import unicorn_version
from codegen.target.image import TargetImage
from codegen.targets import read_target

EXAMPLES = Path(__file__).resolve().parent / "examples"
TARGETS = ("atmega328p", "cortex-m0plus", "cortex-m3", "cortex-m4", "cortex-m4f", "rv32imc")
BUILDS: tuple[tuple[str, CompilerKind], ...] = tuple(
    (target, kind) for target in TARGETS for kind in ("gcc", "zig") if (target, kind) != ("atmega328p", "zig")
)
Counts = NDArray[np.int64]


def lack(reason: str) -> None:
    """Skip, or fail where the environment promises all tools."""
    if os.environ.get("LOOPWRIGHT_ALL_TOOLS") == "1":
        pytest.fail(reason)
    pytest.skip(reason)


def need_compiler(target: str, kind: CompilerKind | None = None) -> None:
    """Go on only with a cross compiler."""
    try:
        find_cross_compiler(read_target(target), kind)
    except CompileError as error:
        lack(str(error))


def need_emulator(target: str) -> None:
    """Go on only with an emulator."""
    try:
        (simavr_version if read_target(target).chip.emulator == "simavr" else unicorn_version)()
    except CompileError as error:
        lack(str(error))


@dataclass(frozen=True)
class Made:
    """A lantern's controller for one target, with readings of its flights."""

    designed: Designed
    emission: Emission
    fixed: FixedGraph
    traces: tuple[Counts, ...]


@functools.cache
def lantern(name: str) -> Designed:
    """One of the three lanterns (invented), designed once per process."""
    return design_build(EXAMPLES / f"lantern_{name}.toml")


@functools.cache
def made(name: str, target: str) -> Made:
    """Its controller."""
    designed = lantern(name)
    budget = designed.build.target.error_budget_counts.value
    part = realise(designed.graph(), read_target(target), budget, designed.plant)
    return Made(designed, part.emission, part.fixed, tuple(fly_traces(designed.plant, part.emission, part)))


@functools.cache
def lantern_image(name: str, target: str, kind: CompilerKind | None = None, optimise: Optimise = "-O2") -> TargetImage:
    """Its image; skips without a compiler."""
    need_compiler(target, kind)
    part = made(name, target)
    return build_emission(part.emission, part.fixed, read_target(target), optimise=optimise, compiler=kind)


SMALL = Shape(
    name="small",
    header="small.h",
    state_type="small_state",
    inputs_type="small_inputs",
    outputs_type="small_outputs",
    init="small_init",
    step="small_step",
    inputs=(Port("wide", "int32_t", -(2**31), 2**31 - 1), Port("narrow", "int8_t", -128, 127)),
    outputs=(Port("flag", "bool", 0, 1), Port("long_word", "int64_t", -(2**63), 2**63 - 1)),
    memory=(Port("count", "uint16_t", 0, 2**16 - 1), Port("sum", "int64_t", -(2**63), 2**63 - 1)),
)
SMALL_HEADER = """#include <stdbool.h>
#include <stdint.h>
typedef struct { int8_t narrow; int32_t wide; } small_inputs;
typedef struct { bool flag; int64_t long_word; } small_outputs;
typedef struct { uint16_t count; int64_t sum; } small_state;
void small_init(small_state *state);
void small_step(small_state *state, const small_inputs *inputs, small_outputs *outputs);
"""


def small_sources(step: str, init: str = "state->count = 0u; state->sum = 0;") -> dict[str, str]:
    """A hand-written controller; its members lie in another order than its shape names them."""
    source = f"""#include "small.h"
void small_init(small_state *state) {{ {init} }}
void small_step(small_state *state, const small_inputs *inputs, small_outputs *outputs)
{{
{step}
}}
"""
    return {"small.h": SMALL_HEADER, "small.c": source}


def small_image(target: str, step: str, flags: Sequence[str] = (), kind: CompilerKind | None = None) -> TargetImage:
    """Its image; skips without a compiler."""
    need_compiler(target, kind)
    return build_image(small_sources(step), SMALL, read_target(target), compiler=kind, flags=flags)


COUNTING = """    state->count++;
    state->sum += (int64_t)inputs->wide * inputs->narrow;
    outputs->flag = state->sum < 0;
    outputs->long_word = state->sum;"""
IDLE = "    (void)state;\n    (void)inputs;\n    (void)outputs;"
