"""Certificates for linear memory that no clamp bounds: its peak gain from the start, with a proven rest.

Takes expressions of one tick, gives bounds of expressions in every tick since the start.  All linear memory is taken as one group
x' = A x + w with |w| known from intervals; then x of tick n is the sum of A^j w over the ticks before, and after K ticks of that
sum what is left is A^K times a memory that lies in its box.  Strong induction over ticks, exact rationals.

Holds from the zero start only, for memory that nothing else writes: not for flipped bits.  Source: the bound by the sum of an
impulse response's magnitudes, L. B. Jackson, On the interaction of roundoff noise and dynamic range in digital filters, Bell
System Technical Journal 49, 1970 (from memory); the rest term is derived here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

from codegen.proof.dag import Dag, Node

LONGEST = 1500
PEAK_GAIN = "peak gain from the start"
Row = dict[str, Fraction]


@dataclass(frozen=True)
class _Form:
    """Weights of the group's members, weights of other unknowns by their node, greatest magnitude of what rounding adds."""

    memory: Row
    sources: Mapping[int, Fraction]
    rounding: Fraction


class Section:
    """The linear memory of one controller, and what its history from the start bounds.

    Args:
        dag: Where the expressions are.
        start: Variables before the tick by name.
        after: Values after the tick by name.
        resets: Start value of every memory member.
        kept: Values after any other function that may be called between ticks.

    Attributes:
        holds: Whether every member of the group is shown to stay in its box in every tick since the start.
        ticks: The K of the longest sum so far.
    """

    def __init__(
        self,
        dag: Dag,
        start: Mapping[str, Node],
        after: Mapping[str, Node | None],
        resets: Mapping[str, int],
        kept: Mapping[str, Node | None],
    ) -> None:
        self._dag = dag
        self._start = start
        self._names = {node.ident: name for name, node in start.items() if name in resets}
        self._group = self._linear_memory(after, resets, kept)
        self._reach: dict[int, Fraction] = {}
        self.ticks = 0
        self._next = {name: self._split(node) for name, node in self._group.items()}
        boxes = {name: min(start[name].high, -start[name].low) for name in self._group}
        self.holds = bool(self._group) and all(
            box > 0 and self.bound(self._group[name], Fraction(box)) is not None for name, box in boxes.items()
        )

    def _linear_memory(
        self, after: Mapping[str, Node | None], resets: Mapping[str, int], kept: Mapping[str, Node | None]
    ) -> dict[str, Node]:
        """Members that start at 0 and whose next value is linear in memory and in what is bounded anyway."""
        found: dict[str, Node] = {}
        for name, reset in resets.items():
            node = after.get(name)
            # A number written under a condition is no linear map of the last tick's.
            if node is None or reset != 0 or node is self._start[name] or kept.get(name, self._start[name]) is not self._start[name]:
                continue
            if node.kind in ("linear", "shift", "var"):
                found[name] = node
        return found

    def _split(self, node: Node) -> _Form:
        """A node as weights of the group's members, weights of other unknowns, and the greatest magnitude of its roundings."""
        form = self._dag.affine(node)
        memory: Row = {}
        sources: dict[int, Fraction] = {}
        for ident, weight in form.weights.items():
            name = self._names.get(ident)
            if name is not None and name in self._group:
                memory[name] = weight
            elif weight:
                sources[ident] = weight
                least, most = form.ranges[ident]
                self._reach[ident] = Fraction(max(abs(least), abs(most)))
        return _Form(memory, sources, max(abs(form.low), abs(form.high)))

    def bound(self, node: Node, wanted: Fraction) -> Fraction | None:
        """A bound of |node| in every tick since the start that is at most ``wanted``; None if there is none."""
        form = self._split(node)
        row, total = form.memory, self._loudness(form.sources) + form.rounding
        for tick in range(LONGEST):
            rest = sum((abs(weight) * self._boxes_of(name) for name, weight in row.items()), Fraction(0))
            if total + rest <= wanted:
                self.ticks = max(self.ticks, tick)
                return total + rest
            if total > wanted or not row:
                return None
            # What came in one tick earlier; an unknown that went into several members counts once.
            sources: dict[int, Fraction] = {}
            following: Row = {}
            for name, weight in row.items():
                last = self._next[name]
                total += abs(weight) * last.rounding
                for ident, factor in last.sources.items():
                    sources[ident] = sources.get(ident, Fraction(0)) + weight * factor
                for other, factor in last.memory.items():
                    following[other] = following.get(other, Fraction(0)) + weight * factor
            total += self._loudness(sources)
            row = {name: weight for name, weight in following.items() if weight}
        return None

    def _loudness(self, sources: Mapping[int, Fraction]) -> Fraction:
        return sum((abs(weight) * self._reach[ident] for ident, weight in sources.items()), Fraction(0))

    def _boxes_of(self, name: str) -> Fraction:
        return Fraction(max(self._start[name].high, -self._start[name].low))

    def proves(self, node: Node, low: int, high: int) -> str | None:
        """How it is known that ``node`` lies in [low, high] in every tick since the start; None if it is not known."""
        if not self.holds:
            return None
        found = self.bound(node, Fraction(min(high, -low)))
        return None if found is None else f"{PEAK_GAIN}: at most {float(found):.6g} in magnitude"
