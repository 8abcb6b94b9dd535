"""Writes a graph down: one method per primitive, each returning the signal's name.

Takes calls in the designer's order, gives a checked ``Graph``.  Blocks (``codegen.graph.blocks``) are plain functions that
call these methods.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from typing import NewType

from codegen.errors import GraphError
from codegen.graph.graph import INPUT_RANGES, Graph, Output, check_graph
from codegen.graph.nodes import (
    Clamp,
    Compare,
    Constant,
    Delay,
    Input,
    Logic,
    Node,
    Parameter,
    Product,
    Relation,
    Select,
    SumOver,
    Table,
    Term,
    WeightedSum,
    WrappedDifference,
)

Signal = NewType("Signal", str)


class GraphBuilder:
    """Collects nodes; ``finish`` checks them and returns the graph.

    Args:
        name: Prefix of every C identifier.
        period_s: Tick period in seconds.
        slow_every: Ticks per slow period; 1 where there is no slow section.
        title: One line for headers and reports.
    """

    def __init__(self, name: str, period_s: float, slow_every: int = 1, title: str = "") -> None:
        self.name = name
        self.period_s = period_s
        self.slow_every = slow_every
        self.title = title or name
        self._nodes: dict[str, Node] = {}
        self._outputs: list[Output] = []
        self._section = ""
        self._slow = False

    @contextmanager
    def section(self, heading: str, *, slow: bool = False) -> Iterator[None]:
        """Everything declared inside stands under this heading; with ``slow`` it runs on every n-th tick only."""
        before = self._section, self._slow
        self._section, self._slow = heading, slow
        try:
            yield
        finally:
            self._section, self._slow = before

    def _add(self, node: Node) -> Signal:
        if node.name in self._nodes:
            raise GraphError("two signals have the same name", node.name, "rename one of them")
        self._nodes[node.name] = replace(node, section=self._section, slow=self._slow)
        return Signal(node.name)

    def unit_of(self, signal: str) -> str:
        """Unit of a signal declared before; empty if there is none such (``finish`` will name it)."""
        return self._nodes[signal].unit if signal in self._nodes else ""

    def input(
        self, name: str, ctype: str, per_count: float = 1.0, unit: str = "", *, quantity: str = "", note: str = ""
    ) -> Signal:
        """A raw input of the full range of ``ctype``; ``per_count`` real units per count."""
        low, high = INPUT_RANGES.get(ctype, (1, 0))
        unit = "bool" if ctype == "bool" else unit
        return self._add(
            Input(
                name=name, unit=unit, note=note, ctype=ctype, quantity=quantity or name, per_count=per_count, low=low, high=high
            )
        )

    def parameter(self, name: str, value: float, low: float, high: float, unit: str = "", *, note: str = "") -> Signal:
        """A live gain within [low, high]."""
        return self._add(Parameter(name=name, unit=unit, note=note, value=value, low=low, high=high))

    def constant(self, name: str, value: float, unit: str = "", *, note: str = "") -> Signal:
        """A fixed number."""
        return self._add(Constant(name=name, unit=unit, note=note, value=value))

    def weighted_sum(
        self,
        name: str,
        terms: Sequence[tuple[float, str]],
        unit: str = "",
        *,
        bias: float = 0.0,
        limits: tuple[float, float] | None = None,
        resolution: float | None = None,
        note: str = "",
    ) -> Signal:
        """``bias`` + sum of weight * signal, rounded once, then clamped to ``limits``."""
        low, high = limits if limits is not None else (None, None)
        return self._add(
            WeightedSum(
                name=name,
                unit=unit,
                note=note,
                resolution=resolution,
                terms=tuple(Term(float(weight), operand) for weight, operand in terms),
                bias=bias,
                low=low,
                high=high,
            )
        )

    def clamp(self, name: str, operand: str, low: float, high: float, *, note: str = "") -> Signal:
        """The operand held inside [low, high]."""
        unit = self.unit_of(operand)
        return self._add(Clamp(name=name, unit=unit, note=note, operand=operand, low=low, high=high))

    def delay(self, name: str, unit: str = "", *, initial: float = 0.0, source: str = "", note: str = "") -> Signal:
        """One tick of memory; connect its source now or later with ``connect``."""
        return self._add(Delay(name=name, unit=unit, note=note, source=source, initial=initial))

    def connect(self, delay: str, source: str) -> None:
        """Say what a delay remembers.

        Raises:
            GraphError: ``delay`` is no delay, or is connected already.
        """
        node = self._nodes.get(delay)
        if not isinstance(node, Delay) or node.source:
            raise GraphError("only an unconnected delay can be connected", delay)
        self._nodes[delay] = replace(node, source=source)

    def product(
        self,
        name: str,
        left: str,
        right: str,
        unit: str = "",
        *,
        scale: float = 1.0,
        limits: tuple[float, float] | None = None,
        resolution: float | None = None,
        note: str = "",
    ) -> Signal:
        """``scale`` * left * right, rounded once, then clamped to ``limits``."""
        low, high = limits if limits is not None else (None, None)
        return self._add(
            Product(
                name=name, unit=unit, note=note, resolution=resolution, left=left, right=right, scale=scale, low=low, high=high
            )
        )

    def select(self, name: str, condition: str, if_true: str, if_false: str, *, note: str = "") -> Signal:
        """``if_true`` where ``condition`` holds, else ``if_false``."""
        unit = self.unit_of(if_true)
        return self._add(Select(name=name, unit=unit, note=note, condition=condition, if_true=if_true, if_false=if_false))

    def compare(
        self, name: str, terms: Sequence[tuple[float, str]], relation: str, threshold: float, *, note: str = ""
    ) -> Signal:
        """Whether the exact sum of weight * signal stands in ``relation`` (``>``, ``>=``, ``!=``) to ``threshold``."""
        return self._add(
            Compare(
                name=name,
                unit="bool",
                note=note,
                terms=tuple(Term(float(weight), operand) for weight, operand in terms),
                relation=Relation(relation),
                threshold=threshold,
            )
        )

    def all_of(self, name: str, *arguments: str, note: str = "") -> Signal:
        """Whether all truth values hold; write ``"not x"`` for a negated one."""
        return self._logic(name, arguments, any_of=False, note=note)

    def any_of(self, name: str, *arguments: str, note: str = "") -> Signal:
        """Whether any truth value holds; write ``"not x"`` for a negated one."""
        return self._logic(name, arguments, any_of=True, note=note)

    def _logic(self, name: str, arguments: Sequence[str], *, any_of: bool, note: str) -> Signal:
        names = tuple(argument.removeprefix("not ") for argument in arguments)
        inverted = tuple(argument.startswith("not ") for argument in arguments)
        return self._add(Logic(name=name, unit="bool", note=note, arguments=names, inverted=inverted, any_of=any_of))

    def table(
        self, name: str, operand: str, start: float, step: float, values: Sequence[float], unit: str = "", *, note: str = ""
    ) -> Signal:
        """Piecewise linear through ``values`` at start, start + step, ...; constant beyond both ends."""
        return self._add(
            Table(name=name, unit=unit, note=note, operand=operand, start=start, step=step, values=tuple(map(float, values)))
        )

    def wrapped_difference(self, name: str, newer: str, older: str, bits: int, unit: str = "", *, note: str = "") -> Signal:
        """Difference of two readings of a counter that wraps at 2**bits counts."""
        return self._add(WrappedDifference(name=name, unit=unit, note=note, newer=newer, older=older, bits=bits))

    def sum_over(self, name: str, operand: str, *, note: str = "") -> Signal:
        """Exact sum of a fast signal over one slow period."""
        unit = self.unit_of(operand)
        return self._add(SumOver(name=name, unit=unit, note=note, operand=operand))

    def output(self, name: str, signal: str, ctype: str, *, quantity: str = "") -> None:
        """Show a signal as the member ``name`` of the output struct."""
        self._outputs.append(Output(name, signal, quantity or name, ctype))

    def finish(self) -> Graph:
        """The checked graph.

        Raises:
            GraphError: See ``check_graph``.
        """
        return check_graph(self.name, self.title, self.period_s, self.slow_every, self._nodes.values(), self._outputs)
