"""The order of statements where some choices are branches: what only one side needs stands inside it.

Takes the signals of one part of the tick in an order in which they can be computed, gives statements and branches in such an order.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from codegen.graph import Node, Select
from codegen.rules.branching import Path, find_branching


@dataclass(frozen=True)
class Branch:
    """Choices by one truth value, and what each side computes for them alone."""

    condition: str
    selects: tuple[Select, ...]
    if_true: tuple[Node | Branch, ...]
    if_false: tuple[Node | Branch, ...]


Item = Node | Branch


def arrange(nodes: Sequence[Node], readers: Mapping[str, Sequence[str]], branched: Collection[str]) -> list[Item]:
    """Statements and branches of one part of the tick.

    Args:
        nodes: Its signals, operands first.
        readers: Who reads them.
        branched: Names of the selects that are branches.
    """
    return _Arrangement(nodes, readers, branched).block((), {node.name for node in nodes})


class _Arrangement:
    def __init__(self, nodes: Sequence[Node], readers: Mapping[str, Sequence[str]], branched: Collection[str]) -> None:
        self._nodes = {node.name: node for node in nodes}
        self._branching = find_branching(nodes, readers, branched)

    def block(self, path: Path, wanted: set[str]) -> list[Item]:
        """Those of ``wanted`` that are needed under ``path``, and the branches for what is needed under longer ones."""
        items: list[Item] = []
        done: set[str] = set()
        for name in self._nodes:
            if name in wanted and self._branching.paths[name] == path:
                self._place(name, path, items, done)
        return items

    def _place(self, name: str, path: Path, items: list[Item], done: set[str]) -> None:
        """Put a signal down behind everything under the same path that it is made of."""
        if name in done:
            return
        first = self._branching.group.get(name)
        together = [name] if first is None else [other for other, own in self._branching.group.items() if own == first]
        done.update(together)
        needed = set[str]().union(*(self._branching.made_of[other] for other in together))
        for other in self._nodes:
            if other in needed and self._branching.paths[other] == path:
                self._place(other, path, items, done)
        if first is None:
            items.append(self._nodes[name])
            return
        selects = [select for other in together if isinstance(select := self._nodes[other], Select)]
        sides = [tuple(self.block((*path, (first, side)), needed)) for side in (True, False)]
        items.append(Branch(selects[0].condition, tuple(selects), *sides))
