"""Which choices are branches: those on both sides of which so much would be computed in vain that a jump is cheaper.

Takes a fixed graph and a target's costs, gives the names of the selects.
"""

from __future__ import annotations

from codegen.graph import Select
from codegen.rules.branching import find_branching, find_readers
from codegen.rules.cost import price_signals
from codegen.rules.fixed import FixedGraph
from codegen.targets import Costs


def choose_branches(fixed: FixedGraph, costs: Costs) -> tuple[str, ...]:
    """Names of the selects that are branches, in the order of the text.

    The longest way through a tick pays for the dearer side of a branch alone, but for both sides of a choice between two values, and
    for each such choice.
    """
    graph = fixed.graph
    prices, readers = price_signals(fixed, costs), find_readers(graph)
    chosen: list[str] = []
    for nodes in (graph.before, graph.slow, graph.after):
        choices = [node for node in nodes if isinstance(node, Select) and not node.is_bool]
        branching = find_branching(nodes, readers, [choice.name for choice in choices])
        for first in dict.fromkeys(branching.group.values()):
            names = [name for name, own in branching.group.items() if own == first]
            sides = [sum(prices[name] for name, path in branching.paths.items() if (first, side) in path) for side in (True, False)]
            if min(sides) + sum(prices[name] for name in names) > costs.branch:
                chosen += names
    return tuple(name for name in graph.nodes if name in chosen)
