"""Cycles bought with error: the table of costs points the right way, steps keep the budget, and the text reaches the goals.

Cycles are those of the proved bound (``codegen.target.bound``), on text compiled for the core.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from codegen.errors import FormatError
from codegen.formats import choose_formats
from codegen.formats.fit import fit_formats
from codegen.formats.words import Thrift, Widened
from codegen.graph import GraphBuilder, Shorten, WeightedSum
from codegen.host.shape import Port, Shape
from codegen.ranges import Ranges, find_ranges
from codegen.rules.cost import price_signals
from codegen.rules.fixed import ShortenDetail, SumDetail
from codegen.rules.rounding import trace_errors
from codegen.target.bound import bound_tick
from codegen.target.build import build_image
from codegen.targets import Costs, read_target
from tests.target_tools import lantern_image, need_compiler

# One operation each, after the names of the costs; {a} is 16, {b} 32 bits wide.
OPERATIONS = {
    "multiply_16": "(int32_t){a} * INT32_C(12347)",
    "multiply_32": "{b} * INT32_C(12347)",
    "shift_32": "({b} >> 16)",
    "odd shift": "({b} >> 13)",
    "limit_32": "clamp_32({b}, -INT32_C(1498939392), INT32_C(1498939392))",
    "limit_saturating": "saturate_32({b}, 21)",
}
HELPERS = """
static inline int32_t clamp_32(int32_t x, int32_t low, int32_t high)
{
    if (x < low) {
        return low;
    }
    return (x > high) ? high : x;
}
"""
SATURATE = """
#define saturate_32(x, n) ((int32_t)__builtin_arm_ssat((x), (n)))
"""
SHAPE = Shape(
    name="one",
    header="one.h",
    state_type="one_state",
    inputs_type="one_inputs",
    outputs_type="one_outputs",
    init="one_init",
    step="one_step",
    inputs=(Port("a", "int16_t", -(2**15), 2**15 - 1), Port("b", "int32_t", -(2**31), 2**31 - 1)),
    outputs=(Port("y", "int32_t", -(2**31), 2**31 - 1),),
    memory=(Port("m", "uint8_t", 0, 255),),
)
HEADER = """#include <stdbool.h>
#include <stdint.h>
typedef struct { int16_t a; int32_t b; } one_inputs;
typedef struct { int32_t y; } one_outputs;
typedef struct { uint8_t m; } one_state;
void one_init(one_state *state);
void one_step(one_state *state, const one_inputs *inputs, one_outputs *outputs);
"""


def _cycles(target: str, expression: str) -> int:
    """Bound of a step that computes one expression."""
    helpers = (HELPERS if "clamp" in expression else "") + (SATURATE if "saturate" in expression else "")
    text = expression.format(a="inputs->a", b="inputs->b")
    source = (
        f'#include "one.h"\n{helpers}\nvoid one_init(one_state *state) {{ state->m = 0u; }}\n'
        "void one_step(one_state *state, const one_inputs *inputs, one_outputs *outputs)\n"
        f"{{\n    (void)state;\n    outputs->y = {text};\n}}\n"
    )
    image = build_image({"one.h": HEADER, "one.c": source}, SHAPE, read_target(target), optimise="-Os", compiler="gcc")
    return bound_tick(image).worst.cycles


def _price(costs: Costs, operation: str) -> int:
    if operation == "odd shift":
        return max(costs.shift_32, 13 * costs.shift_bit)
    return int(getattr(costs, operation))


@pytest.mark.parametrize("target", ["atmega328p", "cortex-m4"])
def test_table_of_costs_is_that_of_the_compiled_text(target: str) -> None:
    """Each price within a third, or three cycles, of the bound of the operation less that of a plain copy."""
    need_compiler(target, "gcc")
    costs = read_target(target).costs
    plain = {"a": _cycles(target, "(int32_t){a}"), "b": _cycles(target, "{b}")}
    for operation, expression in OPERATIONS.items():
        if operation == "limit_saturating" and costs.limit_saturating is None:
            continue
        found = _cycles(target, expression) - plain["a" if "{a}" in expression else "b"]
        price = _price(costs, operation)
        assert abs(found - price) <= max(3, price / 3), f"{operation}: {price} in the table, {found} in the text"


def _summed() -> Ranges:
    """Readings averaged over a period and shown: scales that shift by odd distances at first."""
    graph = GraphBuilder("saved", 0.001, 40)
    x, z = graph.input("x", "int16_t", 0.01), graph.input("z", "int16_t", 0.003)
    fast = graph.weighted_sum("fast", [(0.31, x), (0.7, z)])
    leaned = graph.weighted_sum("leaned", [(0.13, fast), (0.9, x)])
    with graph.section("slow", slow=True):
        total = graph.sum_over("total", leaned)
        kept = graph.delay("kept")
        graph.connect(kept, graph.weighted_sum("mean", [(1.0, kept), (0.002, total)], limits=(-50.0, 50.0)))
    graph.output("out", graph.weighted_sum("shown", [(1.0, kept), (0.3, leaned)], resolution=0.05), "int16_t")
    return find_ranges(graph.finish())


def test_steps_save_cycles_within_the_budget_and_are_told() -> None:
    """Cheaper than the finest scales by the table, each step with its saving; no rounding error grows by more than a quarter."""
    target = read_target("atmega328p")
    ranges = _summed()
    finest = fit_formats(ranges, target, Widened(), Thrift())
    chosen = choose_formats(ranges, target, 1e6)
    before, after = (sum(price_signals(fixed, target.costs).values()) for fixed in (finest, chosen))
    told = [int(text.split(": ")[1].split()[0]) for text in chosen.decisions]
    print(before, after, chosen.decisions)
    assert told and before - after == sum(told)
    errors = [trace_errors(fixed) for fixed in (finest, chosen)]
    sizes = [
        sum(size for label, size in one.contributions(one.forms["shown"]) if not label.startswith("coefficients on")) for one in errors
    ]
    assert sizes[1] <= sizes[0] * 5 / 4


def test_tight_budget_allows_no_step() -> None:
    """A budget that the finest scales just keep leaves nothing to give away."""
    target = read_target("atmega328p")
    ranges = _summed()
    finest = fit_formats(ranges, target, Widened(), Thrift())
    errors = trace_errors(finest)
    bound = max(map(abs, errors.bound(errors.forms["shown"]))) / finest.formats["shown"].lsb
    tight = choose_formats(ranges, target, float(bound) * (1 + 1e-9))
    errors = trace_errors(tight)
    assert max(map(abs, errors.bound(errors.forms["shown"]))) / tight.formats["shown"].lsb <= bound


def test_copy_moves_up_to_whole_bytes_where_only_those_are_cheap() -> None:
    """x / 2**13 as x * 2**3 / 2**16: the same value, two byte moves on the 8-bit core; nothing of the kind with a barrel shifter."""

    def lifts(target: str) -> list[tuple[int, int]]:
        fixed = fit_formats(_summed(), read_target(target), Widened(), Thrift())
        details = [fixed.details[name] for name, node in fixed.graph.nodes.items() if isinstance(node, Shorten)]
        return [(detail.shift, detail.lift) for detail in details if isinstance(detail, ShortenDetail)]

    assert any(lift > 0 and (shift + lift) % 8 == 0 for shift, lift in lifts("atmega328p"))
    assert all(lift == 0 for _, lift in lifts("cortex-m0plus"))


def test_price_follows_the_costs() -> None:
    """Dearer multiplications make exactly the statements dearer that multiply."""
    target = read_target("atmega328p")
    fixed = fit_formats(_summed(), target, Widened(), Thrift())
    dearer = replace(target.costs, multiply_16=target.costs.multiply_16 + 10)
    before, after = price_signals(fixed, target.costs), price_signals(fixed, dearer)
    for name, node in fixed.graph.nodes.items():
        detail = fixed.details[name]
        if name not in before:
            continue
        count = 0
        if isinstance(node, WeightedSum) and isinstance(detail, SumDetail) and detail.accumulator_bits <= 32:
            pairs = zip(detail.weights, node.terms, strict=True)
            count = sum(bool(abs(w) & (abs(w) - 1)) and fixed.formats[term.name].bits <= 16 for w, term in pairs)
        assert after[name] - before[name] == 10 * count, name


def test_calm_lantern_keeps_within_its_share_of_an_8_bit_core() -> None:
    """A tenth of a 1 kHz period at 16 MHz in the worst tick, 2.5 KiB of flash, 64 bytes of stack."""
    need_compiler("atmega328p", "gcc")
    image = lantern_image("calm", "atmega328p", "gcc", "-Os")
    bound = bound_tick(image)
    print(bound.ordinary.cycles, bound.slow.cycles, image.flash_bytes, bound.stack_bytes)
    assert bound.worst.cycles <= 1600
    assert image.flash_bytes <= 2560
    assert bound.stack_bytes <= 64


def test_a_word_is_never_made_so_coarse_that_nothing_is_left() -> None:
    """Found by a random graph: a copy that gives up all its bits has no scale, and looking for one must come to an end."""
    target = read_target("atmega328p")
    ranges = _summed()
    assert isinstance(fit_formats(ranges, target, Widened(), Thrift()).graph.nodes["leaned_short"], Shorten)
    with pytest.raises(FormatError, match="no scale fits this signal's word") as caught:
        fit_formats(ranges, target, Widened(), Thrift(coarser={"leaned_short": 14}))
    assert caught.value.where == "leaned_short"
