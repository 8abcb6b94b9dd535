"""Where each signal of a graph is computed when a good programmer writes the C by hand: only in the branch that needs it.

Takes a graph, gives a tree of blocks.  A signal stands in the innermost block that holds all its uses; selects on the same truth value
share one ``if``; a truth value that is used once is written where it is used.  What the statements say is a dialect's business.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from codegen.graph import Compare, Graph, Logic, Node, Select, SumOver

Key = tuple[str, bool]
Path = tuple[Key, ...]
SLOW: Key = ("slow section", True)


@dataclass(frozen=True, kw_only=True)
class Converted(Node):
    """``operand``, a whole number, as the dialect's number type: converted once, however often it is read."""

    operand: str

    def operands(self) -> tuple[str, ...]:
        """The one operand."""
        return (self.operand,)


@dataclass
class Block:
    """Statements that run together.

    Attributes:
        path: Conditions under which it runs, outermost first.
        nodes: Signals computed here, in order.
        blocks: Blocks inside, by condition and polarity.
    """

    path: Path
    nodes: list[Node] = field(default_factory=list)
    blocks: dict[Key, Block] = field(default_factory=dict)


@dataclass(frozen=True)
class Structure:
    """The tree and what is written in place.

    Attributes:
        root: What runs on every tick.
        inlined: Truth values that are written where they are used.
    """

    root: Block
    inlined: frozenset[str]


def place_signals(graph: Graph, parts: Sequence[Sequence[Node]]) -> Structure:
    """Place the signals of ``parts`` (before, in and behind the slow section, each in an order in which they can be computed)."""
    uses = _find_uses(graph, parts)
    consumers = {name: [node for node, _ in found] for name, found in uses.items()}
    inlined = frozenset(
        node.name
        for part in parts
        for node in part
        if isinstance(node, Compare | Logic) and len(uses[node.name]) == 1 and isinstance(consumers[node.name][0], Logic)
    )
    paths: dict[str, Path] = {}
    for part in reversed(parts):
        for node in reversed(part):
            if isinstance(node, SumOver):
                paths[node.name] = ()
                continue
            found = [_path_of(user, key, paths) for user, key in uses[node.name]]
            paths[node.name] = _common(found)
    root = Block(())
    for part in parts:
        for node in part:
            if node.name in inlined:
                continue
            block = root
            for key in paths[node.name]:
                block = block.blocks.setdefault(key, Block((*block.path, key)))
            block.nodes.append(node)
    return Structure(root, inlined)


User = Node | Path


def _path_of(user: User, key: Key | None, paths: Mapping[str, Path]) -> Path:
    path = user if isinstance(user, tuple) else paths[user.name]
    return (*path, key) if key is not None else path


def _common(paths: Sequence[Path]) -> Path:
    shared: list[Key] = []
    for keys in zip(*paths, strict=False):
        if len(set(keys)) > 1:
            break
        shared.append(keys[0])
    return tuple(shared)


def _find_uses(graph: Graph, parts: Sequence[Sequence[Node]]) -> dict[str, list[tuple[User, Key | None]]]:
    """Who reads each computed signal: a node, or a store or output in a block; and under which branch."""
    uses: dict[str, list[tuple[User, Key | None]]] = {node.name: [] for part in parts for node in part}

    def use(name: str, user: User, key: Key | None = None) -> None:
        if name in uses:
            uses[name].append((user, key))

    for part in parts:
        for node in part:
            if isinstance(node, Select):
                use(node.condition, node)
                use(node.if_true, node, (node.condition, True))
                use(node.if_false, node, (node.condition, False))
            else:
                for operand in node.operands():
                    use(operand, node)
    for delay in graph.delays:
        use(delay.source, (SLOW,) if delay.slow else ())
    for output in graph.outputs:
        use(output.signal, ())
    return uses


def with_conversions(graph: Graph, whole: Mapping[str, bool], *, compare_whole: bool) -> list[list[Node]]:
    """Computed signals before, in and behind the slow section, whole numbers converted where fractional ones are made of them.

    Args:
        graph: The controller.
        whole: Signal name to whether it is held as a whole number; names of truth values are missing.
        compare_whole: Whether whole numbers are compared as they are.

    Returns:
        Three parts, with a ``Converted`` before the first signal that reads it, and readers that name it as their operand.
    """
    result: list[list[Node]] = []
    ready: set[str] = set()
    for part in (graph.before, graph.slow, graph.after):
        kept: list[Node] = []
        for node in part:
            names: dict[str, str] = {}
            compared = isinstance(node, Compare) and not (compare_whole and all(whole[name] for name in node.operands()))
            if compared or not whole.get(node.name, True):
                names = {name: f"{name}_real" for name in node.operands() if whole.get(name, False)}
            for name, real in names.items():
                if real not in ready:
                    ready.add(real)
                    kept.append(Converted(name=real, operand=name, slow=node.slow))
            kept.append(_renamed(node, names))
        result.append(kept)
    return result


def _renamed(node: Node, names: Mapping[str, str]) -> Node:
    if not names:
        return node
    changes: dict[str, object] = {}
    if hasattr(node, "terms"):
        changes["terms"] = tuple(replace(term, name=names.get(term.name, term.name)) for term in node.terms)
    for attribute in ("operand", "if_true", "if_false"):
        if hasattr(node, attribute):
            value = getattr(node, attribute)
            changes[attribute] = names.get(value, value)
    return replace(node, **changes)  # type: ignore[arg-type]
