"""Inputs and memory that break an obligation, and whether a controller can get there from its start.

Takes the expressions of one tick and obligations, gives ``Witness``es.  Searches, proves nothing: first points at the edges, then
the solver, and from the start a walk with held levels.  Every witness was evaluated exactly.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from codegen.proof.dag import Node
from codegen.proof.evaluate import Evaluator, draw
from codegen.proof.operators import Obligation
from codegen.proof.solver import escape

POINTS = 200
WALKS = 12
TICKS = 150


@dataclass(frozen=True)
class Witness:
    """An obligation that does not hold.

    Attributes:
        memory: Memory before the tick.
        ticks: Inputs of each tick; the last one breaks the obligation.
        value: The value there.
        from_reset: Whether ``memory`` is the start state; else it only lies in its boxes ("not inductive").
    """

    memory: Mapping[str, int]
    ticks: tuple[Mapping[str, int], ...]
    value: int
    from_reset: bool

    @property
    def standing(self) -> str:
        """What the witness shows, in words."""
        return "a trace from the start" if self.from_reset else "not inductive: a memory that only lies in its boxes"


class Hunter:
    """Looks for witnesses in one tick's expressions.

    Args:
        start: Variables before the tick by ``state.`` and ``inputs.`` names.
        after: Values after the tick by ``state.`` names.
        reset: Start value of every memory member.
    """

    def __init__(self, start: Mapping[str, Node], after: Mapping[str, Node | None], reset: Mapping[str, int]) -> None:
        self._start = start
        self._after = {name: node for name, node in after.items() if node is not None and name.startswith("state.")}
        self._reset = dict(reset)

    def find(self, one: Obligation) -> Witness | None:
        """A witness against an obligation of the step, best one from the start."""
        evaluator = Evaluator([one.node, *one.path])
        if not all(name in self._start for name in evaluator.variables):
            return None
        return self._walk(one) or self._anywhere(one, evaluator)

    @staticmethod
    def _broken(one: Obligation, evaluator: Evaluator, values: Sequence[int]) -> bool:
        if not all(values[evaluator.place[condition.ident]] for condition in one.path):
            return False
        return not one.low <= values[evaluator.place[one.node.ident]] <= one.high

    def _anywhere(self, one: Obligation, evaluator: Evaluator) -> Witness | None:
        ranges = {name: (node.low, node.high) for name, node in self._start.items()}
        points = draw(ranges, POINTS)
        answer = None
        for point in points:
            if self._broken(one, evaluator, evaluator.run(point)):
                return self._witness(one, evaluator, point)
        answer = escape(one.node, one.low, one.high, one.path).assignment
        if answer is not None:
            point = {name: min(max(0, low), high) for name, (low, high) in ranges.items()} | dict(answer)
            if self._broken(one, evaluator, evaluator.run(point)):
                return self._witness(one, evaluator, point)
        return None

    def _witness(self, one: Obligation, evaluator: Evaluator, point: Mapping[str, int]) -> Witness:
        memory = {name: value for name, value in point.items() if name.startswith("state.")}
        inputs = {name: value for name, value in point.items() if name.startswith("inputs.")}
        value = evaluator.run(point)[evaluator.place[one.node.ident]]
        return Witness(memory, (inputs,), value, memory == self._reset)

    def _walk(self, one: Obligation) -> Witness | None:
        """Ticks from the start; live gains stay at their start."""
        if not set(self._reset) <= set(self._after):
            return None
        evaluator = Evaluator([one.node, *one.path, *self._after.values()])
        ranges = {name: (node.low, node.high) for name, node in self._start.items() if name.startswith("inputs.")}
        for walk in range(WALKS):
            memory = dict(self._reset)
            ticks: list[Mapping[str, int]] = []
            for inputs in _stroll(ranges, walk):
                ticks.append(inputs)
                values = evaluator.run({**memory, **inputs})
                if self._broken(one, evaluator, values):
                    return Witness(dict(self._reset), tuple(ticks), values[evaluator.place[one.node.ident]], True)
                memory = {name: values[evaluator.place[node.ident]] for name, node in self._after.items()}
                if any(not self._start[name].low <= value <= self._start[name].high for name, value in memory.items()):
                    break  # another obligation is broken already; from here on C does something else
        return None


def _stroll(ranges: Mapping[str, tuple[int, int]], walk: int) -> Iterator[Mapping[str, int]]:
    """Inputs of one walk: held levels at the edges, or noise about a level with every truth value 1."""
    chance = random.Random(walk)
    levels = draw(ranges, 12, walk)
    if walk % 2 == 0:
        hold, inputs = 0, levels[walk % 3]
        for _ in range(TICKS):
            if hold == 0:
                hold, inputs = chance.choice((1, 1, 3, 30, 60)), chance.choice(levels)
            hold -= 1
            yield inputs
        return
    level = chance.choice(levels)
    size = {name: 1 << chance.randrange(1, (high - low).bit_length() + 1) for name, (low, high) in ranges.items()}
    for _ in range(TICKS):
        noisy = {name: level[name] + chance.randrange(-size[name], size[name] + 1) for name in ranges}
        yield {
            name: high if (low, high) == (0, 1) else min(max(noisy[name], low), high) for name, (low, high) in ranges.items()
        }
