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
SETTINGS = settings(deadline=None, suppress_health_check=list(HealthCheck), phases=[Phase.explicit, Phase.reuse, Phase.generate])


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
