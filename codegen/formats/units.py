"""In what unit each group of signals counts: chosen so that as many terms as possible need no multiplication.

A signal that only this controller reads may count in any unit.  Where one count of a sum is one count of its operand times the weight,
up to a power of two, the term is a shift or nothing at all.  Every such wish ties two groups together; wishes that cost no odd unit come
first, then those of ordinary ticks, then those of the slow section, as long as they do not contradict each other.

Takes the groups of a graph, gives a unit per group: the odd part of its scale, 1 for plain powers of two.
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from codegen.graph import Constant, Graph, Parameter, Product, Table, Term, WeightedSum


def odd_part(value: Fraction) -> Fraction:
    """``value`` > 0 without its factors of two."""
    numerator, denominator = value.numerator, value.denominator
    return Fraction(numerator // (numerator & -numerator), denominator // (denominator & -denominator))


class Units:
    """Units of groups, tied together bit by bit.

    Args:
        fixed: Unit of every group that has no choice.
    """

    def __init__(self, fixed: Mapping[str, Fraction]) -> None:
        self._relative: dict[str, Fraction] = {}
        self._component: dict[str, str] = {}
        for root, unit in fixed.items():
            self._relative[root], self._component[root] = odd_part(unit), ""

    def tie(self, sum_root: str, operand_root: str, weight: Fraction) -> bool:
        """Ask for unit of the sum = weight * unit of the operand (up to a power of two); False where that contradicts earlier ties."""
        wanted = odd_part(abs(weight))
        for root in (sum_root, operand_root):
            if root not in self._component:
                self._relative[root], self._component[root] = Fraction(1), root
        one, other = self._component[sum_root], self._component[operand_root]
        if one == other:
            return self.free(sum_root, operand_root, weight)
        # The component that has a choice follows the other; "" holds those that have none.
        if one == "" or (other != "" and one < other):
            factor, moved, kept = self._relative[sum_root] / wanted / self._relative[operand_root], other, one
        else:
            factor, moved, kept = wanted * self._relative[operand_root] / self._relative[sum_root], one, other
        for root, component in self._component.items():
            if component == moved:
                self._component[root] = kept
                self._relative[root] = odd_part(self._relative[root] * factor)
        return True

    def of(self, root: str) -> Fraction:
        """Unit of a group, 1 where nothing ties it to one that has no choice."""
        return self._relative.get(root, Fraction(1))

    def free(self, sum_root: str, operand_root: str, weight: Fraction) -> bool:
        """Whether a term needs no multiplication."""
        return odd_part(abs(weight)) * self.of(operand_root) == self.of(sum_root)


def choose_units(graph: Graph, root: Mapping[str, str], lsb: Mapping[str, Fraction]) -> Units:
    """Tie groups together by the terms of weighted sums.

    Args:
        graph: The graph.
        root: Group of every number.
        lsb: Prescribed scale by group.
    """
    fixed = dict(lsb)
    for node in graph.nodes.values():
        if isinstance(node, Product | Table):
            # Their own rules say what scale comes of their operands' scales.
            for name in (node.name, *node.operands()):
                fixed.setdefault(root[name], Fraction(1))
        elif isinstance(node, Parameter) or (isinstance(node, Constant) and not node.is_bool and node.value != 0.0):
            fixed.setdefault(root[node.name], Fraction(1))
    units = Units(fixed)
    wishes: list[tuple[bool, bool, int, Fraction, WeightedSum, Term]] = []
    for place, node in enumerate(graph.nodes.values()):
        if not isinstance(node, WeightedSum):
            continue
        for term in node.terms:
            weight = abs(Fraction(term.weight))
            # Of one sum's readings the one with the smallest counts, which leaves the other weights large and so exact.
            wishes.append((odd_part(weight) != 1, node.slow, place, weight * lsb.get(root[term.name], Fraction(1)), node, term))
    for *_, node, term in sorted(wishes, key=lambda wish: wish[:4]):
        units.tie(root[node.name], root[term.name], Fraction(term.weight))
    return units
