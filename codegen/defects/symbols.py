"""Values of one tick as shared nodes: sums in normal form, with intervals and known factors of two.

Gives ``Nodes``, a table in which equal values get equal numbers.  Simplifies only what holds for every value inside the intervals: a
clamp that cannot act, a conversion that cannot change anything, a shift of a multiple.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.int64]
MOST_VALUES = 1 << 24
AT_A_TIME = 1 << 18
FAR = 1 << 62
DEEPEST = 8


@dataclass(frozen=True)
class Node:
    """What a value is: an operation, numbers, and the nodes it works on."""

    operation: str
    numbers: tuple[int, ...]
    parts: tuple[int, ...]


class Nodes:
    """The table.

    Attributes:
        nodes: Node of every number.
        low, high: Least and greatest value.
    """

    def __init__(self) -> None:
        self.nodes: list[Node] = []
        self.low: list[int] = []
        self.high: list[int] = []
        self._known: dict[Node, int] = {}
        self._unknown = 0

    def _put(self, operation: str, numbers: tuple[int, ...], parts: tuple[int, ...], low: int, high: int) -> int:
        node = Node(operation, numbers, parts)
        if node not in self._known:
            self._known[node] = len(self.nodes)
            self.nodes.append(node)
            self.low.append(low)
            self.high.append(high)
        return self._known[node]

    def variable(self, name_number: int, low: int, high: int) -> int:
        """A reading or a member at the start of the tick."""
        return self._put("variable", (name_number,), (), low, high)

    def unknown(self, low: int, high: int) -> int:
        """A value of which nothing more is known; equal to nothing else."""
        self._unknown += 1
        return self._put("unknown", (self._unknown,), (), low, high)

    def narrow(self, node: int, low: int, high: int) -> None:
        """Take over what is proven of a value from elsewhere."""
        self.low[node], self.high[node] = max(self.low[node], low), min(self.high[node], high)

    def fits(self, node: int, low: int, high: int) -> bool:
        """Whether a value always lies inside [low, high]."""
        return low <= self.low[node] and self.high[node] <= high

    def number(self, value: int) -> int:
        """A constant."""
        return self._put("sum", (value,), (), value, value)

    def as_sum(self, node: int) -> tuple[int, dict[int, int]]:
        """(constant, weight per part) of a value."""
        made = self.nodes[node]
        if made.operation == "core":
            return 0, dict(zip(made.parts, made.numbers, strict=True))
        if made.operation == "sum":
            if not made.parts:
                return made.numbers[0], {}
            scale, (_, inner) = made.numbers[1], self.as_sum(made.parts[0])
            return made.numbers[0], {part: scale * weight for part, weight in inner.items()}
        return 0, {node: 1}

    def add(self, *terms: tuple[int, int]) -> int:
        """Sum of (weight, value)."""
        constant, weights = 0, dict[int, int]()
        for weight, node in terms:
            base, inner = self.as_sum(node)
            constant += weight * base
            for part, count in inner.items():
                weights[part] = weights.get(part, 0) + weight * count
        weights = {part: weight for part, weight in sorted(weights.items()) if weight}
        if not weights:
            return self.number(constant)
        # Several parts become one node of their own, so that sums which differ in scale and constant alone share it.
        scale = math.gcd(*weights.values()) * (1 if next(iter(weights.values())) > 0 else -1)
        part, weight = next(iter(weights.items()))
        if len(weights) > 1:
            shares = {inner: count // scale for inner, count in weights.items()}
            ends = [sorted((share * self.low[inner], share * self.high[inner])) for inner, share in shares.items()]
            core = self._put("core", tuple(shares.values()), tuple(shares), *(sum(side) for side in zip(*ends, strict=True)))
            self.narrow(core, *self._ends_of_sum(core))
            part, weight = core, scale
        if (constant, weight) == (0, 1):
            return part
        low, high = sorted((weight * self.low[part], weight * self.high[part]))
        return self._put("sum", (constant, weight), (part,), constant + low, constant + high)

    def _linear(self, node: int) -> tuple[Fraction, Fraction, dict[int, Fraction]]:
        """A value as weights of parts and the interval of what rounding downwards took away or added."""
        made = self.nodes[node]
        if made.operation == "shift":
            low, high, weights = self._linear(made.parts[0])
            one = Fraction(1, 1 << made.numbers[0])
            return low * one - 1 + one, high * one, {part: weight * one for part, weight in weights.items()}
        if made.operation not in ("sum", "core"):
            return Fraction(0), Fraction(0), {node: Fraction(1)}
        constant = made.numbers[0] if made.operation == "sum" else 0
        low = high = Fraction(constant)
        total: dict[int, Fraction] = {}
        for weight, part in zip(made.numbers[1:] if made.operation == "sum" else made.numbers, made.parts, strict=True):
            least, most, inner = self._linear(part)
            low, high = low + min(weight * least, weight * most), high + max(weight * least, weight * most)
            for name, share in inner.items():
                total[name] = total.get(name, Fraction(0)) + weight * share
        return low, high, total

    def _ends_of_sum(self, node: int) -> tuple[int, int]:
        """Least and greatest value of a sum in which one part, once rounded, may cancel another."""
        low, high, weights = self._linear(node)
        ends = [sorted((weight * self.low[part], weight * self.high[part])) for part, weight in weights.items()]
        return math.ceil(low + sum(pair[0] for pair in ends)), math.floor(high + sum(pair[1] for pair in ends))

    def multiply(self, left: int, right: int) -> int:
        """Product."""
        for one, other in ((left, right), (right, left)):
            constant, weights = self.as_sum(one)
            if not weights:
                return self.add((constant, other))
        corners = [a * b for a in (self.low[left], self.high[left]) for b in (self.low[right], self.high[right])]
        return self._put("product", (), (min(left, right), max(left, right)), min(corners), max(corners))

    def twos(self, node: int) -> int:
        """Number of factors of two that every value surely has."""
        constant, weights = self.as_sum(node)
        if weights == {node: 1} and constant == 0:
            made = self.nodes[node]
            if made.operation == "choice":
                return min(self.twos(part) for part in made.parts[1:])
            return 0
        counts = [(abs(w) & -abs(w)).bit_length() - 1 + self.twos(p) for p, w in weights.items()]
        return min([*counts, (abs(constant) & -abs(constant)).bit_length() - 1 if constant else 99])

    def shift_down(self, node: int, count: int) -> int:
        """Floor of value / 2**count."""
        constant, weights = self.as_sum(node)
        if count == 0:
            return node
        # Factors of two that all weights have leave the floor as it is.
        spare = min([count, *((abs(weight) & -abs(weight)).bit_length() - 1 for weight in weights.values())])
        if spare:
            less = self.add((1, self.number(constant >> spare)), *((weight >> spare, part) for part, weight in weights.items()))
            return self.shift_down(less, count - spare)
        if list(weights.values()) == [1]:
            (part,) = weights
            made = self.nodes[part]
            if made.operation == "shift":
                # A floor of a floor is one floor.
                inner = self.add((1, self.number(constant << made.numbers[0])), (1, made.parts[0]))
                return self.shift_down(inner, made.numbers[0] + count)
            if made.operation == "clamp" and made.numbers[0] <= made.numbers[1]:
                # The floor never falls: limits act before it as they do behind it.
                low, high = ((constant + end) >> count for end in made.numbers)
                return self.clamp(self.shift_down(self.add((1, self.number(constant)), (1, made.parts[0])), count), low, high)
        return self._put("shift", (count,), (node,), self.low[node] >> count, self.high[node] >> count)

    def divide(self, node: int, divisor: int) -> int:
        """Value / divisor towards zero, divisor > 0."""
        count = divisor.bit_length() - 1
        if divisor == 1 << count and (self.low[node] >= 0 or self.twos(node) >= count):
            return self.shift_down(node, count)
        ends = [abs(end) // divisor * (1 if end >= 0 else -1) for end in (self.low[node], self.high[node])]
        return self._put("quotient", (divisor,), (node,), *ends)

    def clamp(self, node: int, low: int, high: int) -> int:
        """Value held inside [low, high] as the helper does it, also where the limits are crossed."""
        if low <= high and self.fits(node, low, high):
            return node
        node = self._without_inner_limits(node, low, high)
        made = self.nodes[node]
        if low <= high and self.fits(node, low, high):
            return node
        if made.operation == "clamp" and low <= high and made.numbers[0] <= made.numbers[1]:
            return self.clamp(made.parts[0], *(min(max(end, low), high) for end in made.numbers))
        if made.operation == "quotient" and 0 <= low <= high and made.numbers[0] & (made.numbers[0] - 1) == 0:
            # Towards zero and downwards differ below zero only, where this clamp gives its lower limit for both.
            return self.clamp(self.shift_down(made.parts[0], made.numbers[0].bit_length() - 1), low, high)
        if made.operation == "choice" and low <= high:
            return self.choose(made.parts[0], self.clamp(made.parts[1], low, high), self.clamp(made.parts[2], low, high))
        if low > high:
            return self._put("clamp", (low, high), (node,), min(low, high), max(low, high))
        least, most = (min(max(end, low), high) for end in (self.low[node], self.high[node]))
        return self._put("clamp", (max(low, self.low[node]), min(high, self.high[node])), (node,), least, most)

    def _without_inner_limits(self, node: int, low: int, high: int) -> int:
        """A value freed of those limits inside it at which the outer ones [low, high] act already, whatever is added to it on the way."""
        if low > high:
            return node
        for path in self._ways_to_limits(node, DEEPEST):
            freed = self._freed(node, path, low, high)
            if freed != node:
                return self._without_inner_limits(freed, low, high)
        return node

    def _ways_to_limits(self, node: int, depth: int) -> Iterator[tuple[int, ...]]:
        """Places of parts that lead through shifts and sums to a clamp, at least one step down."""
        made = self.nodes[node]
        if made.operation not in ("shift", "sum", "core") or depth == 0:
            return
        for place, part in enumerate(made.parts):
            inner = self.nodes[part]
            if inner.operation == "clamp" and inner.numbers[0] <= inner.numbers[1]:
                yield (place,)
            yield from ((place, *rest) for rest in self._ways_to_limits(part, depth - 1))

    def _weights(self, made: Node) -> tuple[int, ...]:
        return made.numbers if made.operation == "core" else made.numbers[1:]

    def _freed(self, node: int, path: tuple[int, ...], low: int, high: int) -> int:
        steps: list[Node] = []
        inner, rising = node, True
        for place in path:
            made = self.nodes[inner]
            rising ^= made.operation != "shift" and self._weights(made)[place] < 0
            steps.append(made)
            inner = made.parts[place]
        held, way = self.nodes[inner], list(zip(steps, path, strict=True))[::-1]
        part = held.parts[0]
        (bottom_low, bottom_high), (top_low, top_high) = (self._reached(end, way) for end in held.numbers)
        least = self.low[part] if (bottom_high <= low if rising else bottom_low >= high) else held.numbers[0]
        most = self.high[part] if (top_low >= high if rising else top_high <= low) else held.numbers[1]
        if (least, most) == held.numbers:
            return node
        freed = self.clamp(part, least, most)
        if freed == inner:
            return node
        for made, place in way:
            if made.operation == "shift":
                freed = self.shift_down(freed, made.numbers[0])
                continue
            parts = (*made.parts[:place], freed, *made.parts[place + 1 :])
            base = self.number(made.numbers[0] if made.operation == "sum" else 0)
            freed = self.add((1, base), *zip(self._weights(made), parts, strict=True))
        return freed

    def _reached(self, value: int, way: Sequence[tuple[Node, int]]) -> tuple[int, int]:
        """Least and greatest value at the end of the way where one part stands at a value."""
        low = high = value
        for made, place in way:
            if made.operation == "shift":
                low, high = low >> made.numbers[0], high >> made.numbers[0]
                continue
            base = made.numbers[0] if made.operation == "sum" else 0
            weights = self._weights(made)
            others = [(w, p) for at, (w, p) in enumerate(zip(weights, made.parts, strict=True)) if at != place]
            ends = [sorted((weight * self.low[other], weight * self.high[other])) for weight, other in others]
            low, high = sorted((weights[place] * low, weights[place] * high))
            low, high = base + low + sum(pair[0] for pair in ends), base + high + sum(pair[1] for pair in ends)
        return low, high

    def convert(self, node: int, low: int, high: int) -> int:
        """Conversion to a type that holds [low, high], modulo its size."""
        if self.fits(node, low, high):
            return node
        size = high - low + 1
        loose = self._loosened(node, size)
        if loose != node:
            return self.convert(loose, low, high)
        return self._put("convert", (low, high), (node,), low, high)

    def _loosened(self, node: int, size: int) -> int:
        """A value that is the same modulo ``size``, without the conversions inside it that keep everything modulo their own size."""
        made = self.nodes[node]
        if made.operation == "convert" and (made.numbers[1] - made.numbers[0] + 1) % size == 0:
            return self._loosened(made.parts[0], size)
        if made.operation == "shift":
            # The low bits of a shifted residue are those of the shifted value as long as none came from beyond the residue.
            inner = self._loosened(made.parts[0], size << made.numbers[0])
            return node if inner == made.parts[0] else self.shift_down(inner, made.numbers[0])
        base, weights = self.as_sum(node)
        if weights == {node: 1}:
            return node
        terms = [(w, self._loosened(part, size // math.gcd(size, w))) for part, w in weights.items()]
        return self.add((1, self.number(base)), *terms)

    def choose(self, condition: int, if_true: int, if_false: int) -> int:
        """One of two values."""
        if if_true == if_false:
            return if_true
        if self.low[condition] == self.high[condition]:
            return if_true if self.low[condition] else if_false
        made = self.nodes[condition]
        if made.operation == "not":
            return self.choose(made.parts[0], if_false, if_true)
        low, high = min(self.low[if_true], self.low[if_false]), max(self.high[if_true], self.high[if_false])
        return self._put("choice", (), (condition, if_true, if_false), low, high)

    def positive(self, node: int) -> int:
        """Whether a value is above zero."""
        if self.low[node] > 0 or self.high[node] <= 0:
            return self.number(int(self.low[node] > 0))
        return self._put("positive", (), (node,), 0, 1)

    def invert(self, node: int) -> int:
        """Whether a truth value is false."""
        made = self.nodes[node]
        if self.low[node] == self.high[node]:
            return self.number(1 - self.low[node])
        return made.parts[0] if made.operation == "not" else self._put("not", (), (node,), 0, 1)

    def other(self, operation: str, numbers: tuple[int, ...], parts: tuple[int, ...], low: int, high: int) -> int:
        """An operation that is only compared, never simplified."""
        return self._put(operation, numbers, parts, low, high)

    # --- equality -----------------------------------------------------------------------------------------------------

    def below(self, node: int) -> set[int]:
        """A value and everything it is made of."""
        seen: set[int] = set()
        rest = [node]
        while rest:
            one = rest.pop()
            if one not in seen:
                seen.add(one)
                rest += self.nodes[one].parts
        return seen

    def equal(self, left: int, right: int) -> bool:
        """Whether two values are shown to be equal: the same node, or equal for all values of what they share, or part by part."""
        if left == right:
            return True
        if self._equal_for_all(left, right):
            return True
        first, second = self.nodes[left], self.nodes[right]
        same = first.operation == second.operation and first.numbers == second.numbers and len(first.parts) == len(second.parts)
        return same and bool(first.parts) and all(map(self.equal, first.parts, second.parts))

    def _frontier(self, node: int, shared: set[int]) -> set[int]:
        if node in shared:
            return set() if self.low[node] == self.high[node] else {node}
        parts = self.nodes[node].parts
        return set().union(*(self._frontier(part, shared) for part in parts)) if parts else {node}

    def _equal_for_all(self, left: int, right: int) -> bool:
        """Try every value of the parts that both are made of, if they are few."""
        shared = self.below(left) & self.below(right)
        parts = sorted(self._frontier(left, shared) | self._frontier(right, shared))
        count = 1
        for part in parts:
            if part not in shared:
                return False
            count *= self.high[part] - self.low[part] + 1
        far = any(max(abs(self.low[n]), abs(self.high[n])) >= FAR for n in self.below(left) | self.below(right))
        if not parts or count > MOST_VALUES or far:
            return False
        sizes = tuple(self.high[part] - self.low[part] + 1 for part in parts)
        for begin in range(0, count, AT_A_TIME):
            places = np.unravel_index(np.arange(begin, min(count, begin + AT_A_TIME)), sizes)
            known = {part: np.asarray(place + self.low[part], dtype=np.int64) for part, place in zip(parts, places, strict=True)}
            first, second = self._value(left, dict(known)), self._value(right, dict(known))
            if first is None or second is None or np.any(first != second):
                return False
        return True

    def _value(self, node: int, known: dict[int, Values]) -> Values | None:
        if node not in known:
            if self.low[node] == self.high[node]:
                return np.asarray(self.low[node], dtype=np.int64)
            parts = [self._value(part, known) for part in self.nodes[node].parts]
            rule = RULES.get(self.nodes[node].operation)
            if rule is None or any(part is None for part in parts):
                return None
            known[node] = np.asarray(rule(self.nodes[node].numbers, *parts), dtype=np.int64)
        return known[node]


def _sum(numbers: tuple[int, ...], *parts: Values) -> Any:
    return sum((weight * part for weight, part in zip(numbers[1:], parts, strict=True)), np.int64(numbers[0]))


def _converted(numbers: tuple[int, ...], value: Values) -> Any:
    low, high = numbers
    return (value - low) % (high - low + 1) + low


def _quotient(numbers: tuple[int, ...], value: Values) -> Any:
    return np.sign(value) * (np.abs(value) // numbers[0])


def _held(numbers: tuple[int, ...], value: Values) -> Any:
    return np.where(value < numbers[0], numbers[0], np.where(value > numbers[1], numbers[1], value))


def _core(numbers: tuple[int, ...], *parts: Values) -> Any:
    return sum((weight * part for weight, part in zip(numbers, parts, strict=True)), np.int64(0))


RULES: dict[str, Callable[..., Any]] = {
    "sum": _sum,
    "core": _core,
    "product": lambda _, left, right: left * right,
    "shift": lambda numbers, value: value >> numbers[0],
    "quotient": _quotient,
    "clamp": _held,
    "convert": _converted,
    "choice": lambda _, condition, if_true, if_false: np.where(condition != 0, if_true, if_false),
    "positive": lambda _, value: value > 0,
    "not": lambda _, value: value == 0,
    "zero": lambda _, value: value == 0,
    "and": lambda _, left, right: (left != 0) & (right != 0),
    "or": lambda _, left, right: (left != 0) | (right != 0),
}
