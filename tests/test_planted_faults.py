"""Faults planted in emitted C: each is found by comparison with the integer model, and how many ticks that takes."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest

from codegen.emit import Emission, emit_controller
from codegen.host.controller import HostController
from codegen.rules.fixed import FixedGraph
from codegen.rules.vector import read_integer_arrays
from tests.miniature import miniature, pid_loop
from tests.one_tick import Readings, memory_rows
from tests.strategies import Counts, draw_inputs, draw_memory

TICKS, LANES = 400, 40
GRAPHS: dict[str, Callable[[str], FixedGraph]] = {"mini": miniature, "vent": pid_loop}


@dataclass(frozen=True)
class Fault:
    """One edit of the source text.

    Attributes:
        graph: Which graph's C.
        target: Word rules.
        statement: Name of the signal whose statement is edited; "" for the whole text.
        pattern, replacement: The edit (regular expression); its first occurrence in the statement.
    """

    graph: str
    target: str
    statement: str
    pattern: str
    replacement: str | Callable[[re.Match[str]], str]

    def plant(self, source: str) -> str:
        """The source with the fault in it."""
        start, end = 0, len(source)
        if self.statement:
            found = re.search(rf"^    const \w+ {self.statement} =.*?;$", source, flags=re.DOTALL | re.MULTILINE)
            assert found is not None, f"no statement of {self.statement}"
            start, end = found.span()
        edited, count = re.subn(self.pattern, self.replacement, source[start:end], count=1, flags=re.MULTILINE)
        assert count == 1 and edited != source[start:end], f"{self.pattern} stands nowhere in {source[start:end]}"
        return source[:start] + edited + source[end:]


def _plus(step: int) -> Callable[[re.Match[str]], str]:
    """The number of the match's second group moved by ``step``."""
    return lambda match: f"{match[1]}{int(match[2]) + step}{match[3]}"


M4, AVR = "cortex-m4", "atmega328p"
HALF_UP_32 = r"return \(x \+ \(INT32_C\(1\) << \(n - 1\)\)\) >> n;"
LAST_LIMIT = r"()(\d+)(\)\)?;)"
FAULTS: dict[str, Fault] = {
    "shift one too long": Fault("mini", M4, "mean", r"(, )(\d+)(\), -)", _plus(1)),
    "shift one too short": Fault("mini", M4, "shown", r"(, )(\d+)(\);)", _plus(-1)),
    "rounding constant missing": Fault("mini", M4, "", HALF_UP_32, "return x >> n;"),
    "rounding constant one bit low": Fault("mini", M4, "", r"INT64_C\(1\) << \(n - 1\)", "INT64_C(1) << (n - 2)"),
    "upper limit one too high": Fault("mini", M4, "mean", LAST_LIMIT, _plus(1)),
    "upper limit one too low": Fault("mini", M4, "mean", LAST_LIMIT, _plus(-1)),
    "lower limit one off": Fault("mini", M4, "mean", r"(-INT64_C\()(\d+)(\), INT64)", _plus(-1)),
    "limits exchanged": Fault("mini", M4, "", r"return \(x > high\) \? high : x;", "return (x > high) ? x : high;"),
    "sign of a term": Fault("mini", M4, "mean", r"- \(int64_t\)inputs", "+ (int64_t)inputs"),
    "weight one off": Fault("mini", M4, "mean", r"(level \* INT64_C\()(\d+)(\))", _plus(4096)),
    "bias forgotten": Fault("mini", M4, "mean", r"\s*\+ INT64_C\(\d+\)", ""),
    "accumulated in 32 bits": Fault(
        "mini", M4, "mean", r"\(int64_t\)inputs->level \* INT64_C\((\d+)\)", r"(int32_t)((uint32_t)inputs->level * \1u)"
    ),
    "narrowed before the clamp": Fault("mini", AVR, "mean", r"clamp_64\(round_shift_64", "clamp_64((int16_t)round_shift_64"),
    "logical shift": Fault("mini", M4, "", HALF_UP_32, "return (int32_t)((uint32_t)(x + (INT32_C(1) << (n - 1))) >> n);"),
    "division in place of the shift": Fault("mini", M4, "", HALF_UP_32, "return x / (INT32_C(1) << n);"),
    "wrong signal remembered": Fault("mini", M4, "", r"state->mean_last = mean;", "state->mean_last = shown;"),
    "memory not written": Fault("mini", M4, "", r"    state->mean_last = mean;\n", ""),
    "wrong start": Fault("mini", M4, "", r"state->mean_last = 0;", "state->mean_last = 1;"),
    "wrong output": Fault("mini", M4, "", r"= \(int16_t\)clamp_32\(shown,", "= (int16_t)clamp_32(mean - 0 * shown,"),
    "operands swapped": Fault("vent", M4, "error", r"inputs->wanted (.*)inputs->measured", r"inputs->measured \1inputs->wanted"),
    "derivative of the error": Fault("vent", M4, "drive_slope", r"inputs->measured", "inputs->wanted"),
    "memory written before it is read": Fault("vent", M4, "", r"^(    const bool hot = .*)$", r"\1\n    state->hot_last = hot;"),
    "slope of two ticks": Fault(
        "vent", M4, "", r"state->drive_slope_last = drive_slope;", "state->drive_slope_last = state->drive_measurement_last;"
    ),
    "anti-windup forgotten": Fault("vent", M4, "drive_integral", r"drive_slack_short \* INT32_C\(\d+\)", "drive_slack_short * INT32_C(0)"),
    "anti-windup turned over": Fault("vent", M4, "drive_slack", r"drive_limited - drive_wanted", "drive_wanted - drive_limited"),
    "integral not limited": Fault("vent", M4, "drive_integral", r"clamp_32\(((?:.|\n)*), -INT32(?:.|\n)*;", r"\1;"),
    "integral in 16 bits": Fault("vent", M4, "drive_integral", r"state->drive_integral_last", "(int16_t)state->drive_integral_last"),
    "double rounding": Fault("vent", AVR, "drive", r"round_shift_32\((.*), 16\)", r"round_shift_32(round_shift_32(\1, 8), 8)"),
    "moved up too far": Fault("vent", AVR, "drive", r"INT32_C\(8\)", "INT32_C(16)"),
    "threshold one off": Fault("vent", M4, "hot", r"(> INT32_C\()(\d+)(\))", _plus(1)),
    "negation forgotten": Fault("vent", M4, "alarm", r"!", ""),
    "or in place of and": Fault("vent", M4, "alarm", r"&", "|"),
}
# Edits that change no value for any input: the comparison must not cry wolf.
HARMLESS: dict[str, Fault] = {
    "rounded down before and half up after": Fault("vent", AVR, "drive_slack_short", r"\(drive_slack, 16\)", "(drive_slack >> 8, 8)"),
    "sum written in another order": Fault(
        "mini", M4, "mean", r"\(int64_t\)(state->mean_last \S \S+) - (\(int64_t\)inputs->level \* \S+)", r"-\2 + (int64_t)\1"
    ),
    "decided early": Fault("vent", M4, "alarm", r"&", "&&"),
    "comparison with the next integer": Fault("vent", M4, "hot", r"> INT32_C\((\d+)\)", lambda m: f">= INT32_C({int(m[1]) + 1})"),
    "clamp by comparisons the other way": Fault("mini", M4, "", r"return \(x > high\) \? high : x;", "return (x <= high) ? x : high;"),
}


def _near_decisions(fixed: FixedGraph, inputs: Counts) -> None:
    """Make some lanes sit at the very threshold of ``hot``: measured - wanted / 2 = 2500 counts, or two next to it."""
    names = [node.name for node in fixed.graph.inputs]
    if "wanted" in names:
        measured, wanted = names.index("measured"), names.index("wanted")
        inputs[:, wanted, -8:] = 2 * (inputs[:, wanted, -8:] // 4)
        inputs[:, measured, -8:] = 2500 + inputs[:, wanted, -8:] // 2 + np.arange(8) % 3 - 1


def first_difference(fixed: FixedGraph, source: str) -> int | None:
    """Tick (from 1) on which the C of ``source`` first differs from the integer model, None if it never does.

    Half of the lanes start as initialised, half from any memory inside the proven ranges.
    """
    emission = emit_controller(fixed)
    readings = Readings(fixed)
    random = np.random.default_rng(7)
    inputs = draw_inputs(fixed, random, TICKS, LANES)
    _near_decisions(fixed, inputs)
    model = read_integer_arrays(fixed)
    memory, legal = readings.start(LANES), draw_memory(fixed, random, LANES, 0)
    with HostController(Emission(emission.name, emission.header, source), fixed) as host:
        rows = host.start(LANES)
        if not np.array_equal(rows, memory_rows(fixed, memory, LANES)):
            return 1
        half = np.arange(LANES) < LANES // 2
        memory.delays = {name: np.where(half, memory.delays[name], value) for name, value in legal.delays.items()}
        trace = host.run(memory_rows(fixed, memory, LANES), inputs, trace_memory=True)
    assert trace.memory is not None
    for tick, row in enumerate(inputs):
        values = model.tick(memory, readings.counts(row))
        wanted = np.array([np.broadcast_to(values[output.signal], LANES) for output in fixed.graph.outputs])
        if not np.array_equal(trace.outputs[tick], wanted):
            return tick + 1
        if not np.array_equal(trace.memory[tick], memory_rows(fixed, memory, LANES)):
            return tick + 1
    return None


@pytest.mark.parametrize("case", sorted(FAULTS))
def test_planted_fault_is_found(case: str) -> None:
    """A fault shows within the 400 ticks, mostly within the first few."""
    fault = FAULTS[case]
    fixed = GRAPHS[fault.graph](fault.target)
    tick = first_difference(fixed, fault.plant(emit_controller(fixed).source))
    print(f"{case}: found on tick {tick}")
    assert tick is not None


@pytest.mark.parametrize("graph", sorted(GRAPHS))
@pytest.mark.parametrize("target", [M4, "cortex-m0plus", AVR])
def test_unchanged_source_shows_no_difference(graph: str, target: str) -> None:
    """Without a fault there is nothing to find."""
    fixed = GRAPHS[graph](target)
    assert first_difference(fixed, emit_controller(fixed).source) is None


@pytest.mark.parametrize("case", sorted(HARMLESS))
def test_equivalent_edit_is_not_called_a_fault(case: str) -> None:
    """The same values in other words pass."""
    edit = HARMLESS[case]
    fixed = GRAPHS[edit.graph](edit.target)
    assert first_difference(fixed, edit.plant(emit_controller(fixed).source)) is None
