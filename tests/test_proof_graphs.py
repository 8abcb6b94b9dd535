"""Random graphs over every node kind: what the emitter writes is proved safe and equal to its integer model."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, Phase, given, settings

from codegen.contract import write_contract
from codegen.emit import emit_controller
from codegen.errors import FormatError, GraphError, RangeError
from codegen.formats import choose_formats
from codegen.graph import GraphBuilder
from codegen.proof import prove
from codegen.ranges import find_ranges
from codegen.targets import read_target
from tests.strategies import graphs

# Without shrinking: a failing graph is as large as it is, and each try costs a proof.
SETTINGS = settings(deadline=None, derandomize=True, database=None, suppress_health_check=list(HealthCheck), phases=[Phase.generate])


def _prove_graph(builder: GraphBuilder) -> None:
    for target in ("atmega328p", "cortex-m4"):
        try:
            fixed = choose_formats(find_ranges(builder.finish()), read_target(target))
        except (FormatError, GraphError, RangeError):
            continue  # a refusal with a reason: nothing is emitted
        emission = emit_controller(fixed)
        report = prove(emission.source, emission.header, write_contract(fixed, emission))
        assert report.refused is None, str(report.refused)
        assert [(proof.failed, proof.differences) for proof in report.models] == [((), ())] * 3


@settings(SETTINGS, max_examples=8)
@given(graphs())
def test_emitted_graph_is_proved(builder):
    _prove_graph(builder)


@pytest.mark.long
@pytest.mark.timeout(3600)
@settings(SETTINGS, max_examples=500)
@given(graphs())
def test_five_hundred_graphs_are_proved(builder):
    _prove_graph(builder)


@pytest.mark.parametrize("combine", ["product", "sum"])
def test_constants_that_meet_are_wide_enough(combine):
    """Found by a random graph: 25600 * 25600 is an operation of int, which has 16 bits on some machines."""
    builder = GraphBuilder("met", 0.001)
    reading = builder.input("reading", "int16_t", 0.001)
    one, other = builder.constant("one", 100.0), builder.constant("other", 100.0)
    both = builder.product("both", one, other) if combine == "product" else builder.weighted_sum("both", [(1.0, one), (1.0, other)])
    builder.output("shown", builder.weighted_sum("shown", [(1.0, both), (10.0, reading)], resolution=1.0), "int32_t")
    _prove_graph(builder)


@pytest.mark.parametrize("relation", [">", ">=", "!="])
def test_the_least_value_is_compared_without_negating_it(relation):
    """Found by a random graph: -x of a 16-bit reading at -32768 does not fit an int of 16 bits."""
    builder = GraphBuilder("negated", 0.001)
    reading = builder.input("reading", "int16_t")
    builder.output("beyond", builder.compare("beyond", [(-1.0, reading)], relation, 0.0), "bool")
    _prove_graph(builder)
