"""Watches for readings that do not change, found in a graph by the kinds of its nodes.

Takes a subject, gives the input that each watch looks at and the ticks after which it must have acted.
"""

from __future__ import annotations

from dataclasses import dataclass

from codegen.graph import Clamp, Compare, Delay, Graph, Input, Relation, Select
from codegen.rules.fixed import CompareDetail, FixedGraph
from codegen.verify.subject import Subject


@dataclass(frozen=True)
class Watch:
    """An input that has to change: at the latest ``ticks`` ticks after its last change the controller must be off."""

    reading: str
    ticks: int


def _origin(graph: Graph, name: str) -> str | None:
    """The input that a signal is a copy of, clamped or not."""
    node = graph.nodes[name]
    if isinstance(node, Input):
        return name
    return _origin(graph, node.operand) if isinstance(node, Clamp) else None


def _change_of(graph: Graph, name: str) -> str | None:
    """The input of which a comparison asks whether it differs from its own delay."""
    node = graph.nodes[name]
    if not isinstance(node, Compare) or node.relation is not Relation.NOT_EQUAL or len(node.terms) != 2 or node.threshold != 0.0:
        return None
    for term, other in (node.terms, node.terms[::-1]):
        delay = graph.nodes[other.name]
        if isinstance(delay, Delay) and delay.source == term.name and term.weight == -other.weight:
            return _origin(graph, term.name)
    return None


def find_watches(subject: Subject) -> list[Watch]:
    """Every comparison of a count that a change of an input sets back."""
    if subject.fixed is None:
        return []
    fixed: FixedGraph = subject.fixed
    graph = fixed.graph
    found = []
    for node in graph.nodes.values():
        detail = fixed.details[node.name]
        if not isinstance(node, Compare) or not isinstance(detail, CompareDetail) or len(node.terms) != 1:
            continue
        count = graph.nodes[node.terms[0].name]
        reading = _change_of(graph, count.condition) if isinstance(count, Select) else None
        if reading is not None and node.relation is Relation.GREATER_OR_EQUAL and detail.weights[0] > 0:
            found.append(Watch(reading, -(-detail.threshold // detail.weights[0])))
    return found
