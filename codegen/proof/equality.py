"""Equality of the C text and the integer model for all inputs and all memory in their boxes.

Takes both as expressions of one ``Dag``, gives the names in which they differ or may differ.  What normalises alike is equal; for the
rest both are evaluated at many points, a difference there is a witness, and nodes that agree at all of them are merged bottom-up
where the solver proves them equal, each on top of those merged before.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from codegen.proof.dag import Dag, Node
from codegen.proof.evaluate import Evaluator, draw
from codegen.proof.refine import rebuild
from codegen.proof.solver import common_cut, differ

POINTS = 200
QUERIES = 120
TRIED_PER_CLASS = 3


@dataclass(frozen=True)
class Difference:
    """A name in which text and model are not shown to be equal.

    Attributes:
        name: Output or memory member.
        reason: One sentence.
        assignment: Inputs and memory under which they differ; None if none was found.
        got: Value that the text computes there.
        wanted: Value of the model there.
    """

    name: str
    reason: str
    assignment: Mapping[str, int] | None = None
    got: int | None = None
    wanted: int | None = None


def compare(dag: Dag, after: Mapping[str, Node | None], wanted: Mapping[str, Node]) -> tuple[tuple[Difference, ...], int]:
    """Compare what the text computes with what the model does.

    Returns:
        The differences, and how many equalities the solver had to prove.
    """
    unlike: dict[str, tuple[Node, Node]] = {}
    differences: list[Difference] = []
    for name, right in wanted.items():
        left = after.get(name)
        if left is None:
            differences.append(Difference(name, "the text does not always give a value"))
        elif left is not right:
            unlike[name] = (left, right)
    if not unlike:
        return tuple(differences), 0
    sweep = _Sweep(dag, unlike)
    seen = {name: found for name, (left, right) in unlike.items() if (found := sweep.seen(name, left, right))}
    differences += seen.values()
    for name, (left, right) in unlike.items():
        if name not in seen:
            found = _not_asked(name) if differences else sweep.judge(name, left, right)
            if found is not None:
                differences.append(found)
    return tuple(differences), sweep.steps


def _not_asked(name: str) -> Difference:
    """A name of which nothing is known, because a difference elsewhere decides already."""
    return Difference(name, f"written differently, alike at {POINTS} points; not examined further, another name differs")


class _Sweep:
    def __init__(self, dag: Dag, pairs: Mapping[str, tuple[Node, Node]]) -> None:
        self._dag = dag
        self._evaluator = Evaluator([node for pair in pairs.values() for node in pair])
        self._points = draw(self._evaluator.variables, POINTS)
        columns = [self._evaluator.run(point) for point in self._points]
        self._signature = {node.ident: tuple(column[place] for column in columns) for place, node in enumerate(self._evaluator.cone)}
        self._canonical: dict[int, Node] | None = None
        self._queries = QUERIES
        self.steps = 0

    def seen(self, name: str, left: Node, right: Node) -> Difference | None:
        """A difference at one of the points."""
        got, wanted = self._signature[left.ident], self._signature[right.ident]
        for point, one, other in zip(self._points, got, wanted, strict=True):
            if one != other:
                return self._difference(name, point, one, other)
        return None

    def judge(self, name: str, left: Node, right: Node) -> Difference | None:
        """What the solver makes of two nodes that agree at all points."""
        if self._canonical is None:
            self._canonical = self._merge()
        left, right = self._canonical[left.ident], self._canonical[right.ident]
        if left is right:
            return None
        answer = differ(left, right)
        if answer.proved:
            self.steps += 1
            return None
        if answer.assignment is not None:
            point = {variable: low for variable, (low, _) in self._evaluator.variables.items()} | dict(answer.assignment)
            pair = Evaluator([left, right])
            values = pair.run(point)
            one, other = values[pair.place[left.ident]], values[pair.place[right.ident]]
            if one != other:
                return self._difference(name, point, one, other)
        return Difference(name, "not proved equal: the solver neither proves it nor finds a difference")

    @staticmethod
    def _difference(name: str, point: Mapping[str, int], got: int, wanted: int) -> Difference:
        return Difference(name, f"the text gives {got}, the model {wanted}", point, got, wanted)

    def _merge(self) -> dict[int, Node]:
        """The representative of every node: itself, or an earlier one that is proved equal."""
        canonical: dict[int, Node] = {}
        classes: dict[tuple[int, ...], list[Node]] = {}
        for node in self._evaluator.cone:
            made = rebuild(self._dag, node, [canonical[arg.ident] for arg in node.args]) if node.args else node
            alike = classes.setdefault(self._signature[node.ident], [])
            if not any(made is one for one in alike):
                same = next((one for one in alike[:TRIED_PER_CLASS] if self._same(one, made)), None)
                if same is None:
                    alike.append(made)
                else:
                    made = same
            canonical[node.ident] = made
        return canonical

    def _same(self, left: Node, right: Node) -> bool:
        if left.value is not None or right.value is not None or self._queries <= 0:
            return False
        self._queries -= 1
        if differ(left, right, common_cut(left, right)).proved or differ(left, right).proved:
            self.steps += 1
            return True
        return False
