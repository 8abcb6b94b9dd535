"""Which signals only one side of a choice needs: where a select becomes a branch, they are computed on that side alone.

Takes the signals of one part of a tick and the selects that are to be branches; gives groups of selects that share a branch, and the path
of branches and sides under which each signal is needed.  Knows nothing of prices and of text.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from codegen.graph import Graph, Node, Select

Side = tuple[str, bool]
Path = tuple[Side, ...]


@dataclass(frozen=True)
class Branching:
    """How one part of a tick branches.

    Attributes:
        group: The first select of the branch that each branched select belongs to.
        paths: Branches, by their first select, and sides, outermost first, under which each signal is needed.
        made_of: Signals of the part that each signal is made of.
    """

    group: Mapping[str, str]
    paths: Mapping[str, Path]
    made_of: Mapping[str, frozenset[str]]


def find_readers(graph: Graph) -> dict[str, list[str]]:
    """Names of the nodes that read each signal within the tick; "" where memory or an output takes it over."""
    readers: dict[str, list[str]] = {name: [] for name in graph.nodes}
    for node in graph.nodes.values():
        for operand in node.operands():
            readers[operand].append(node.name)
    for delay in graph.delays:
        readers[delay.source].append("")
    for output in graph.outputs:
        readers[output.signal].append("")
    return readers


def find_branching(nodes: Sequence[Node], readers: Mapping[str, Sequence[str]], branched: Collection[str]) -> Branching:
    """Groups and paths of one part.

    Args:
        nodes: Its signals, operands first.
        readers: Who reads them.
        branched: Names of the selects that are branches.
    """
    made_of: dict[str, frozenset[str]] = {}
    for node in nodes:
        inside = [name for name in node.operands() if name in made_of]
        made_of[node.name] = frozenset(inside).union(*(made_of[name] for name in inside))
    choices = [node for node in nodes if isinstance(node, Select) and node.name in branched]
    group = {choice.name: choice.name for choice in choices}
    paths = _find_paths(nodes, readers, group)
    while True:
        # Members of one branch must be needed under the same conditions; what they share is then needed on one side of it.
        joined = _join(choices, made_of, {choice.name: paths[choice.name] for choice in choices})
        found = _find_paths(nodes, readers, joined)
        if all(found[name] == found[first] for name, first in joined.items()):
            return Branching(joined, found, made_of)
        if joined == group:
            # No two selects agree for good: each is a branch of its own.
            alone = {choice.name: choice.name for choice in choices}
            return Branching(alone, _find_paths(nodes, readers, alone), made_of)
        group, paths = joined, found


def _join(choices: Sequence[Select], made_of: Mapping[str, frozenset[str]], paths: Mapping[str, Path]) -> dict[str, str]:
    """Put each select into an earlier branch by the same truth value, where neither that branch nor a later one comes before it."""
    group: dict[str, str] = {}
    order: list[str] = []
    for choice in choices:
        members = {first: [name for name, other in group.items() if other == first] for first in order}
        conditions = {one.name: one.condition for one in choices}
        for place, first in enumerate(order):
            later = {name for other in order[place:] for name in members[other]}
            if conditions[first] == choice.condition and paths[first] == paths[choice.name] and not later & made_of[choice.name]:
                group[choice.name] = first
                break
        else:
            group[choice.name] = choice.name
            order.append(choice.name)
    return group


def _find_paths(nodes: Sequence[Node], readers: Mapping[str, Sequence[str]], group: Mapping[str, str]) -> dict[str, Path]:
    part = {node.name: node for node in nodes}
    paths: dict[str, Path] = {}
    for node in reversed(nodes):
        wanted: list[Path] = []
        for reader in readers[node.name]:
            user = part.get(reader)
            if user is None:
                wanted.append(())
            elif isinstance(user, Select) and reader in group and node.name != user.condition and user.if_true != user.if_false:
                wanted.append((*paths[reader], (group[reader], node.name == user.if_true)))
            else:
                wanted.append(paths[reader])
        paths[node.name] = _shared(wanted)
    return paths


def _shared(paths: Sequence[Path]) -> Path:
    """The longest beginning that all paths have."""
    shared: list[Side] = []
    for sides in zip(*paths, strict=False):
        if len(set(sides)) > 1:
            break
        shared.append(sides[0])
    return tuple(shared)
