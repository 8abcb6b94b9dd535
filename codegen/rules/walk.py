"""The one loop that runs a table of rules over a graph, tick by tick, and the check that a table is total.

Takes a graph and a table of rules, gives a ``Reading`` whose ``tick`` computes every signal.  Knows the order of a tick and how
memory is written, not what any node means: the same walk serves float64, Python integers and numpy arrays of either.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from codegen.graph import NODE_KINDS, Constant, Delay, Graph, Input, Node, Parameter, SumOver

Values = dict[str, Any]
Evaluate = Callable[[Values], Any]
RuleTable = Mapping[type[Node], Callable[..., Any]]


def total(table: RuleTable, meaning: str, without: frozenset[type[Node]] = frozenset()) -> RuleTable:
    """Return ``table`` after checking that it has a rule for every node kind, except those the walk itself handles.

    Raises:
        TypeError: A rule is missing or one too many; raised when the module is imported.
    """
    wanted = NODE_KINDS - without
    if set(table) != wanted:
        missing = sorted(kind.__name__ for kind in wanted - set(table))
        extra = sorted(kind.__name__ for kind in set(table) - wanted)
        raise TypeError(f"rules for {meaning}: missing {missing}, superfluous {extra}")
    return table


# Kinds that have no arithmetic of their own: the walk hands their values in or adds them up.
WALKED: frozenset[type[Node]] = frozenset({Input, Parameter, Constant, Delay, SumOver})


@dataclass
class Memory:
    """All memory of one controller: delays, running sums of the slow period, and ticks since the last slow tick."""

    delays: Values
    sums: Values
    count: int = 0
    gains: Values = field(default_factory=dict)

    def copy(self) -> Memory:
        """An independent copy (values themselves are never changed in place)."""
        return Memory(dict(self.delays), dict(self.sums), self.count, dict(self.gains))


class Reading:
    """A graph bound to one meaning.

    Args:
        graph: The graph.
        evaluators: For every node that computes something, the function from the values so far to its value.
        constants: Value of every ``Constant``.
        initial: Value of every ``Delay`` at the start.
        gains: Start value of every ``Parameter``.
        zero: The neutral element of the sums.
        held: For every ``SumOver``, the function that holds its memory inside the range it can have, None where memory cannot
            be wrong; integers hold it so that a flipped bit cannot leave the proven set.
    """

    def __init__(
        self,
        graph: Graph,
        evaluators: Mapping[str, Evaluate],
        constants: Mapping[str, Any],
        initial: Mapping[str, Any],
        gains: Mapping[str, Any],
        zero: Any,
        held: Mapping[str, Callable[[Any], Any]] | None = None,
    ) -> None:
        self.graph = graph
        self._constants = dict(constants)
        self._initial = dict(initial)
        self._gains = dict(gains)
        self._zero = zero
        self._held = dict(held or {})
        self._before = [(node.name, evaluators[node.name]) for node in graph.before]
        self._slow = [(node.name, evaluators[node.name]) for node in graph.slow if not isinstance(node, SumOver)]
        self._after = [(node.name, evaluators[node.name]) for node in graph.after]
        self._sums = [(node.name, node.operand) for node in graph.sums]
        self._slow_delays = [(node.name, node.source) for node in graph.delays if node.slow]
        self._fast_delays = [(node.name, node.source) for node in graph.delays if not node.slow]

    def start(self) -> Memory:
        """Memory as it is after initialisation."""
        return Memory(dict(self._initial), {name: self._zero for name, _ in self._sums}, 0, dict(self._gains))

    def tick(self, memory: Memory, inputs: Mapping[str, Any]) -> Values:
        """Compute one tick, write ``memory``, and return the value of every signal computed in it.

        Slow signals are present on slow ticks only.
        """
        values: Values = {**self._constants, **memory.gains, **memory.delays, **inputs}
        for name, evaluate in self._before:
            values[name] = evaluate(values)
        if self._sums or self._slow_delays:
            kept = {name: self._held[name](value) if name in self._held else value for name, value in memory.sums.items()}
            sums = {name: kept[name] + values[operand] for name, operand in self._sums}
            if memory.count + 1 >= self.graph.slow_every:
                values |= sums
                for name, evaluate in self._slow:
                    values[name] = evaluate(values)
                values |= {name: values[source] for name, source in self._slow_delays}
                memory.delays |= {name: values[name] for name, _ in self._slow_delays}
                memory.sums = {name: self._zero for name, _ in self._sums}
                memory.count = 0
            else:
                memory.sums = sums
                memory.count += 1
        for name, evaluate in self._after:
            values[name] = evaluate(values)
        memory.delays |= {name: values[source] for name, source in self._fast_delays}
        return values
