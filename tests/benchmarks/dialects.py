"""The number types that the emitted fixed point is compared with: single-precision float, naive 64-bit fixed point, a library's Q31.

Each takes a graph and writes the same controller; see ``plain``.
"""

from __future__ import annotations

import math

from codegen.graph import Clamp, Compare, Constant, Delay, Graph, Input, Relation, Select, Term, WeightedSum
from tests.benchmarks.plain import Dialect

MIRRORED = {Relation.GREATER: "<", Relation.GREATER_OR_EQUAL: "<=", Relation.NOT_EQUAL: "!="}


def shared_factors(terms: list[tuple[float, str]]) -> list[tuple[float, list[tuple[int, str]]]]:
    """Terms (weight, text) by the size of their weight: kp * a - kp * b is kp * (a - b), one product for two."""
    groups: dict[float, list[tuple[int, str]]] = {}
    for weight, text in terms:
        if weight:
            groups.setdefault(abs(weight), []).append((1 if weight > 0 else -1, text))
    return list(groups.items())


def signed_sum(parts: list[tuple[int, str]]) -> str:
    """a - b + c."""
    ordered = sorted(parts, key=lambda part: -part[0])
    head = ("-" if ordered[0][0] < 0 else "") + ordered[0][1]
    return head + "".join(f" {'-' if sign < 0 else '+'} {text}" for sign, text in ordered[1:])


class Floating(Dialect):
    """Single precision as a good programmer writes it.

    Readings stay integers as long as they are compared, clamped or remembered only, and are converted once; scales are folded into the
    gains; no double, no library function but the magnitude, which costs a bit.  The command is computed in counts.
    """

    support = """static inline float limit(float x, float low, float high)
{
    return x < low ? low : (x > high ? high : x);
}
"""

    def __init__(self, graph: Graph) -> None:
        super().__init__(graph)
        self._units: dict[str, float] = {}
        for node in graph.nodes.values():
            if node.resolution is not None:
                self._units[node.name] = node.resolution
            elif isinstance(node, Select) and not node.is_bool:
                units = {self._unit(name) for name in (node.if_true, node.if_false) if not isinstance(graph.nodes[name], Constant)}
                if len(units) == 1:
                    self._units[node.name] = units.pop()

    def _unit(self, name: str) -> float:
        """Real value of 1.0 in the signal's variable."""
        whole = name.removesuffix("_real")
        if whole != name and whole in self.scales:
            return self.scales[whole]
        return self._units.get(name, 1.0)

    def number_type(self) -> str:
        return "float"

    @staticmethod
    def _literal(value: float) -> str:
        text = f"{value:.9g}"
        return text + ("f" if "." in text or "e" in text else ".0f")

    def number(self, value: float, like: str) -> str:
        return self._literal(value / self._unit(like))

    def converted(self, name: str) -> str:
        return f"(float){self.text(name)}"

    def text(self, name: str, like: str = "") -> str:
        node = self.graph.nodes.get(name)
        if like and not self.is_whole(like) and not isinstance(node, Constant) and self._unit(name) != self._unit(like):
            return f"{super().text(name)} * {self._literal(self._unit(name) / self._unit(like))}"
        return super().text(name, like)

    def _terms(self, terms: tuple[Term, ...], unit: float) -> str:
        shared = shared_factors([(term.weight * self._unit(term.name) / unit, self.text(term.name)) for term in terms])
        parts = []
        for size, group in shared:
            inner = signed_sum(group)
            if size == 1.0:
                parts += group
            elif len(group) == 1:
                parts.append((group[0][0], f"{self._literal(size)} * {group[0][1]}"))
            else:
                parts.append((1, f"{self._literal(size)} * ({inner})"))
        return signed_sum(parts)

    def sum_text(self, node: WeightedSum) -> str:
        unit = self._unit(node.name)
        text = self._terms(node.terms, unit)
        if node.bias:
            text += f" {'-' if node.bias < 0 else '+'} {self._literal(abs(node.bias) / unit)}"
        if node.low is None or node.high is None:
            return text
        return f"limit({text}, {self._literal(node.low / unit)}, {self._literal(node.high / unit)})"

    def clamp_text(self, node: Clamp) -> str:
        low, high = (self.number(end, node.name) for end in (node.low, node.high))
        return f"limit({self.text(node.operand, node.name)}, {low}, {high})"

    def compare_text(self, node: Compare) -> str:
        if len(node.terms) == 1:
            (term,) = node.terms
            limit = self._literal(node.threshold / (term.weight * self._unit(term.name)))
            relation = node.relation.value if term.weight > 0 else MIRRORED[node.relation]
            return f"{self.text(term.name)} {relation} {limit}"
        return f"{self._terms(node.terms, 1.0)} {node.relation.value} {self._literal(node.threshold)}"

    def magnitude_text(self, name: str, node: Compare) -> str:
        limit = self._literal(node.threshold / (abs(node.terms[0].weight) * self._unit(name)))
        return f"__builtin_fabsf({self.text(name)}) {node.relation.value} {limit}"

    def output_text(self, name: str, ctype: str) -> str:
        text = self.text(name)
        return f"({ctype})({text} < 0.0f ? {text} - 0.5f : {text} + 0.5f)"


class Wide(Dialect):
    """Naive 64-bit fixed point: every signal in one format, one shift per product, rounded.

    The format has as many fraction bits as let no product overflow.
    """

    whole_numbers = False

    def __init__(self, graph: Graph) -> None:
        super().__init__(graph)
        reach = {name: max(1e-9, float(interval.magnitude)) for name, interval in self.ranges.intervals.items()}
        sums = [node for node in graph.nodes.values() if isinstance(node, WeightedSum)]
        products = [abs(term.weight) * reach[term.name] for node in sums for term in node.terms]
        self.fraction_bits = min(30, *((62 - math.ceil(math.log2(largest))) // 2 for largest in products if largest > 0))
        self.support = f"""static inline int64_t times(int64_t a, int64_t b)
{{
    return (a * b + (INT64_C(1) << {self.fraction_bits - 1})) >> {self.fraction_bits};
}}

static inline int64_t limit(int64_t x, int64_t low, int64_t high)
{{
    return x < low ? low : (x > high ? high : x);
}}
"""

    def number_type(self) -> str:
        return "int64_t"

    def _literal(self, value: float) -> str:
        raw = round(value * 2.0**self.fraction_bits)
        return f"INT64_C({raw})" if raw >= 0 else f"(-INT64_C({-raw}))"

    def number(self, value: float, like: str) -> str:
        return self._literal(value)

    def converted(self, name: str) -> str:
        node = self.graph.nodes[name]
        assert isinstance(node, Input)
        return f"(int64_t)inputs->{name} * {self._literal(node.per_count)}"

    def _terms(self, terms: tuple[Term, ...]) -> str:
        parts = []
        for size, group in shared_factors([(term.weight, self.text(term.name)) for term in terms]):
            if size == 1.0:
                parts += group
            elif len(group) == 1:
                parts.append((group[0][0], f"times({self._literal(size)}, {group[0][1]})"))
            else:
                parts.append((1, f"times({self._literal(size)}, {signed_sum(group)})"))
        return signed_sum(parts)

    def sum_text(self, node: WeightedSum) -> str:
        text = self._terms(node.terms)
        if node.bias:
            text += f" {'-' if node.bias < 0 else '+'} {self._literal(abs(node.bias))}"
        if node.low is None or node.high is None:
            return text
        return f"limit({text}, {self._literal(node.low)}, {self._literal(node.high)})"

    def clamp_text(self, node: Clamp) -> str:
        return f"limit({self.text(node.operand)}, {self._literal(node.low)}, {self._literal(node.high)})"

    def compare_text(self, node: Compare) -> str:
        return f"{self._terms(node.terms)} {node.relation.value} {self._literal(node.threshold)}"

    def output_text(self, name: str, ctype: str) -> str:
        # The reciprocal of the resolution is a larger number than gains are, so it has fewer fraction bits.
        reciprocal_bits = 12
        reciprocal = round(2.0**reciprocal_bits / self._resolution(name))
        shift = self.fraction_bits + reciprocal_bits
        return f"({ctype})(({self.text(name)} * INT64_C({reciprocal}) + (INT64_C(1) << {shift - 1})) >> {shift})"

    def _resolution(self, name: str) -> float:
        node = self.graph.nodes[name]
        if node.resolution is not None:
            return node.resolution
        match node:
            case Input():
                return node.per_count
            case Clamp():
                return self._resolution(node.operand)
            case Delay():
                return self._resolution(node.source)
            case Select():
                return self._resolution(node.if_false if isinstance(self.graph.nodes[node.if_true], Constant) else node.if_true)
        raise ValueError(f"{name}: an output without a resolution")
