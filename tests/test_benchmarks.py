"""The benchmark compares like with like: what it sets beside the emitted fixed point computes the same, and its counts add up."""

from __future__ import annotations

import re
from collections import Counter

import numpy as np
import pytest

from codegen.errors import CompileError
from codegen.graph import GraphBuilder
from codegen.native.compile import find_compiler
from codegen.targets import Target, read_target
from tests.benchmarks.cycles import CLOSED_LOOP_LIMIT, measure
from tests.benchmarks.dialects import Floating, Wide
from tests.benchmarks.library import FUNCTION, SOURCE_FILE
from tests.benchmarks.limit import IDIOMS, WHY, Limit, count_limit
from tests.benchmarks.versions import (
    FIXED,
    FLOAT,
    LIBRARY,
    WIDE,
    Version,
    emitted,
    fixed_inputs,
    flown_differences,
    hand_written,
    largest_differences,
)
from tests.target_tools import TARGETS, lack, lantern, need_compiler, need_emulator

# The dot product as the library's manual describes it: each product shortened by 14 bits, then added up in 64 bits.
STAND_IN = {
    SOURCE_FILE: f"""#include <stdint.h>
void {FUNCTION}(const int32_t *first, const int32_t *second, uint32_t count, int64_t *result);
void {FUNCTION}(const int32_t *first, const int32_t *second, uint32_t count, int64_t *result)
{{
    int64_t sum = 0;
    for (uint32_t i = 0; i < count; i++) {{ sum += ((int64_t)first[i] * second[i]) >> 14; }}
    *result = sum;
}}
"""
}
# Counts of 512 that an output may differ from float64 on recorded flights.
MOST_COUNTS = 2


def need_host_compiler() -> None:
    """Go on only with a compiler for this machine."""
    try:
        find_compiler()
    except CompileError as error:
        lack(str(error))


def version(name: str, lantern_name: str) -> Version:
    """One of the versions, the library replaced by its stand-in."""
    if name == FIXED:
        return emitted(lantern_name, "cortex-m4")
    return next(made for made in hand_written(lantern(lantern_name).graph(), STAND_IN) if made.name == name)


@pytest.mark.parametrize(
    "lantern_name", ["calm", pytest.param("heavy", marks=pytest.mark.long), pytest.param("lively", marks=pytest.mark.long)]
)
@pytest.mark.parametrize("name", [FIXED, FLOAT, WIDE, LIBRARY])
def test_every_version_is_the_same_controller(name: str, lantern_name: str) -> None:
    """Outputs on recorded flights beside the float64 reference, and the figures of flights within 2 % of it."""
    need_host_compiler()
    with version(name, lantern_name).on_host() as host:
        counts = largest_differences(host, lantern_name, "cortex-m4")
        flown = flown_differences(host, lantern(lantern_name))

    assert counts.max() <= MOST_COUNTS
    assert counts[1:].max() == 0
    assert flown.all_up
    assert max(flown.differences().values()) <= CLOSED_LOOP_LIMIT


def test_a_wrong_version_is_seen() -> None:
    """One gain of the float version a hundredth too large."""
    need_host_compiler()
    right = version(FLOAT, "calm")
    name = f"{right.shape.name}.c"
    gain = next(word for word in right.sources[name].split("command_wanted = limit(")[1].split() if word.endswith("f"))
    wrong = Version(FLOAT, right.shape, {**right.sources, name: right.sources[name].replace(gain, f"{1.05 * float(gain[:-1]):.9g}f")})
    with wrong.on_host() as host:
        assert largest_differences(host, "calm", "cortex-m4").max() > MOST_COUNTS


def test_float_version_is_written_as_by_hand() -> None:
    """No double, no reading converted twice, nothing computed in a branch that is not taken."""
    source = Floating(lantern("calm").graph()).write()[0].source
    body = source[source.index("_step(") :]

    assert "double" not in source
    assert len(re.findall(r"\d\.\d[\de.-]*f\b", body)) == len(re.findall(r"\d\.\d", body)) > 10
    assert all(count == 1 for count in Counter(line.split("(float)")[1] for line in body.splitlines() if "(float)" in line).values())
    assert body.index("if (state->armed_last) {") < body.index("const float tilt_balancing") < body.index("} else {") < body.index(
        "const float tilt_waiting"
    )
    assert "fabsf(tilt) >" in body


def test_wide_version_leaves_room_for_every_product() -> None:
    wide = Wide(lantern("calm").graph())
    assert 20 <= wide.fraction_bits <= 30


def test_what_has_no_hand_written_form_is_refused() -> None:
    builder = GraphBuilder("small", 0.001)
    reading = builder.input("reading", "int16_t", 0.001, "rad")
    table = builder.table("curve", reading, -1.0, 1.0, (0.0, 1.0, 4.0), "rad")
    builder.output("high", builder.compare("is_high", [(1.0, table)], ">", 1.0), "bool")
    with pytest.raises(ValueError, match="no hand-written form for Table"):
        Floating(builder.finish())


def test_inputs_reach_all_that_they_should() -> None:
    """The same in every run, as many as are promised, and each reading held at both ends of its type."""
    inputs = fixed_inputs("calm", "cortex-m4")

    assert len(inputs) >= 5000
    np.testing.assert_array_equal(inputs, fixed_inputs("calm", "cortex-m4"))
    assert inputs[:, 0].min() == -(2**15) and inputs[:, 0].max() == 2**15 - 1


@pytest.mark.parametrize("target", TARGETS)
def test_limit_is_the_sum_of_its_operations(target: str) -> None:
    limit = count_limit(lantern("calm").graph(), read_target(target))

    assert limit.cycles == sum(count * price for count, price, _ in limit.operations.values())
    assert set(limit.operations) <= set(WHY)
    assert all(count > 0 for count, _, _ in limit.operations.values())


def test_limit_of_a_small_controller_is_counted_by_hand() -> None:
    """Two gains and a limit: what a programmer counts on paper for a Cortex-M4, Arm's instructions at the table's prices."""
    graph = GraphBuilder("small", 0.001)
    first = graph.input("first", "int16_t", 0.001, "rad")
    second = graph.input("second", "int16_t", 0.001, "rad")
    total = graph.weighted_sum("total", [(0.3, first), (0.7, second)], "rad", limits=(-1.0, 1.0), resolution=0.001)
    graph.output("shown", total, "int16_t")
    limit = count_limit(graph.finish(), read_target("cortex-m4"))

    # Two readings, one product, one product added, two constants, one limit, one output, and the call.
    assert {name: count for name, (count, price, _) in limit.operations.items() if price} == {
        "load": 2,
        "product": 1,
        "product and addition": 1,
        "gain": 2,
        "limits": 1,
        "store": 1,
        "call": 1,
    }
    # LDR 2, SMULBB 1, SMLABB 1, MOVW 1, SSAT 1, STR 2, PUSH 1 + 5, POP with pc 4 + 5.
    assert limit == Limit(4 + 1 + 1 + 2 + 1 + 2 + 6 + 9, limit.operations)


def test_every_idiom_has_a_reason() -> None:
    assert all(set(idioms) == set(WHY) for idioms in IDIOMS.values())


@pytest.mark.parametrize("name", [FIXED, FLOAT, WIDE, LIBRARY])
@pytest.mark.parametrize("mcu", ["atmega328p", "cortex-m4f"])
def test_a_version_does_on_the_target_what_it_does_on_the_host(mcu: str, name: str) -> None:
    need_host_compiler()
    need_compiler(mcu, "gcc")
    need_emulator(mcu)
    target: Target = read_target(mcu)
    made = emitted("calm", mcu) if name == FIXED else version(name, "calm")
    row = measure(made, target, "-O2", fixed_inputs("calm", mcu, 120))

    assert row.differing_ticks == 0
    assert 100 < row.mean < row.worst
