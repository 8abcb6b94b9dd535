"""The vectors that are shipped run every statement of the emitted step and show every condition to decide by itself (MC/DC).

Outside the project: clang's source-based coverage measures (LLVM, Clang documentation, "Source-based Code Coverage", section
"MC/DC Instrumentation"; from memory).  What MC/DC asks of a decision is taken from K. J. Hayhurst, D. S. Veerhusen, J. J. Chilenski and
L. K. Rierson, A Practical Tutorial on Modified Condition/Decision Coverage, NASA/TM-2001-210876, 2001, chapter 3 (from memory).
"""

from __future__ import annotations

import re

import pytest

from codegen.graph import Constant, Logic
from codegen.rules.integer import read_integer
from codegen.vectors import FLIGHT_TICKS, draw_vectors
from tests.structural_coverage import Coverage, measure
from tests.target_tools import Made, made

QUICK = [("calm", "atmega328p"), ("lively", "cortex-m4")]
OTHER = [("heavy", "atmega328p"), ("lively", "atmega328p"), ("calm", "cortex-m4"), ("heavy", "cortex-m4")]
LANTERNS = [*QUICK, *(pytest.param(*one, marks=pytest.mark.long) for one in OTHER)]


# A truth value with its operators: emitted without the jumps of the short circuit, because its operands cost nothing.
TRUTH = re.compile(r"^ *const bool \w+ =[^;]*;", re.MULTILINE)


def with_decisions(source: str) -> str:
    """The same text with the operators whose operands the tool counts as conditions; on truth values they mean the same."""
    return TRUTH.sub(lambda found: found[0].replace(" & ", " && ").replace(" | ", " || "), source)


def measure_lantern(part: Made, vectors: str) -> Coverage:
    emission = part.emission
    inputs = [node.name for node in part.fixed.graph.inputs]
    return measure(emission.name, with_decisions(emission.source), emission.header, vectors, inputs)


def whole(measured: Coverage) -> bool:
    return measured.statements == measured.statements_run and measured.conditions == measured.conditions_shown


@pytest.mark.parametrize(("name", "target"), LANTERNS)
def test_vectors_run_every_statement_and_show_every_condition(name, target):
    part = made(name, target)

    measured = measure_lantern(part, draw_vectors(part.fixed, part.traces))

    assert measured.wrong == 0
    # No condition is excused as coupled with another.
    assert measured.missing == ()
    assert whole(measured) and measured.ways == measured.ways_gone
    logic = [node for node in part.fixed.graph.nodes.values() if isinstance(node, Logic) and len(node.arguments) > 1]
    # The tool has seen the decisions that the graph has.
    assert measured.conditions >= sum(len(node.arguments) for node in logic)
    assert measured.statements > 75


@pytest.mark.parametrize(("name", "target"), LANTERNS)
def test_every_truth_value_goes_both_ways(name, target):
    """Also those that stand in no decision of the C text, which the compiler therefore does not count."""
    part = made(name, target)
    reading = read_integer(part.fixed)
    memory, inputs = reading.start(), part.fixed.graph.inputs
    seen: dict[str, set[bool]] = {
        key: set() for key, node in part.fixed.graph.nodes.items() if node.is_bool and not isinstance(node, Constant)
    }

    for line in draw_vectors(part.fixed, part.traces).splitlines()[1:]:
        row = line.split(",")[1:]
        values = reading.tick(memory, {node.name: int(row[place]) for place, node in enumerate(inputs)})
        for key in seen.keys() & values.keys():
            seen[key].add(bool(values[key]))

    assert {key: both for key, both in seen.items() if len(both) < 2} == {}


def without(vectors: str, column: str, value: int) -> str:
    """The vectors with one column always the same."""
    head, *rows = [line.split(",") for line in vectors.splitlines()]
    place = head.index(column)
    return "\n".join(",".join(row) for row in [head, *([*row[:place], str(value), *row[place + 1 :]] for row in rows)]) + "\n"


def test_coverage_falls_where_arming_is_never_asked_for():
    part = made("calm", "atmega328p")

    measured = measure_lantern(part, without(draw_vectors(part.fixed, part.traces), "arm", 0))

    assert measured.wrong > 0
    assert measured.statements_run < measured.statements
    assert measured.conditions_shown < measured.conditions


def test_coverage_falls_where_a_sensor_never_goes_stale():
    part = made("calm", "atmega328p")

    measured = measure_lantern(part, without(draw_vectors(part.fixed, part.traces), "sensor_fresh", 1))

    assert measured.conditions_shown < measured.conditions
    assert any("never" in one for one in measured.missing)


def test_flights_alone_do_not_reach_it():
    part = made("calm", "atmega328p")
    lines = draw_vectors(part.fixed, part.traces).splitlines(keepends=True)

    measured = measure_lantern(part, "".join(lines[: 1 + 2 * FLIGHT_TICKS]))

    assert measured.wrong == 0
    assert not whole(measured)


ONE = """#include "one.h"
void one_init(one_state *state) { state->nothing = false; }
void one_step(one_state *state, const one_inputs *inputs, one_outputs *outputs) { (void)state; outputs->z = EXPRESSION; }
"""
ONE_HEADER = """#include <stdbool.h>
typedef struct { bool a; bool b; bool c; } one_inputs;
typedef struct { bool z; } one_outputs;
typedef struct { bool nothing; } one_state;
void one_init(one_state *state);
void one_step(one_state *state, const one_inputs *inputs, one_outputs *outputs);
"""
# Expression to its tests: values of a, b and c, then the outcome.
TRIPLES = {
    "inputs->a && inputs->b && inputs->c": ("1111", "0110", "1010", "1100"),
    "inputs->a || inputs->b || inputs->c": ("0000", "1001", "0101", "0011"),
    "inputs->a && (inputs->b || inputs->c)": ("1101", "0100", "1000", "1011"),
}


@pytest.mark.parametrize("expression", TRIPLES)
def test_tool_asks_for_one_test_more_than_conditions(expression):
    """Hayhurst et al.: n + 1 tests can do for n conditions, and none of these sets can spare one."""
    source = ONE.replace("EXPRESSION", expression)

    def shown(tests: tuple[str, ...]) -> Coverage:
        text = "\n".join(["tick,a,b,c,z", *(",".join([str(tick), *test]) for tick, test in enumerate(tests)), ""])
        return measure("one", source, ONE_HEADER, text, ["a", "b", "c"])

    measured = shown(TRIPLES[expression])
    assert (measured.conditions, measured.conditions_shown, measured.wrong) == (3, 3, 0)
    for spared in range(4):
        fewer = tuple(test for place, test in enumerate(TRIPLES[expression]) if place != spared)
        assert shown(fewer).conditions_shown < 3
