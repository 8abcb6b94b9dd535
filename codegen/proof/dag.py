"""A shared expression graph over the mathematical integers, brought into one normal form while it is built.

Takes operands, gives ``Node``s: two expressions that normalise alike are the same object.  Every node carries an interval that
holds for all values of the variables inside their own intervals, from exact interval and affine arithmetic.  There is no word
width here: whoever reads C says by obligations that a value fits its type.

Conditions are nodes too, with the values 0 and 1.  All rules are identities of integer arithmetic; >> is the floor of a division.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import gcd

from codegen.proof.interval import Affine, Range, product_range, quotient_range, scale_range


@dataclass(frozen=True, eq=False, slots=True)
class Node:
    """One expression.

    Attributes:
        ident: Number in order of making: operands come before what is made of them.
        kind: const, var, linear, product, shift, quotient, residue, least, most, select, entry, bits, truth, or a condition:
            nonnegative, zero, nonzero, all, any.
        args: Operands.
        data: What is not an operand: the value of a const, the name of a var, (weights, constant) of a linear, the count of a
            shift or residue, the limit of least and most, the values of an entry's table, the operator of bits.
        low: Least value.
        high: Greatest value.
    """

    ident: int
    kind: str
    args: tuple[Node, ...]
    data: object
    low: int
    high: int

    @property
    def value(self) -> int | None:
        """The value if it is always the same, else None."""
        return self.low if self.low == self.high else None


class Dag:
    """Maker and keeper of nodes."""

    def __init__(self) -> None:
        self._table: dict[tuple[object, ...], Node] = {}
        self._affine: dict[int, Affine] = {}
        self.nodes: list[Node] = []

    def _make(self, kind: str, args: tuple[Node, ...], data: object, low: int, high: int) -> Node:
        if low == high and kind != "const":
            return self.const(low)
        key = (kind, data, *(arg.ident for arg in args))
        node = self._table.get(key)
        if node is None:
            node = Node(len(self.nodes), kind, args, data, low, high)
            self._table[key] = node
            self.nodes.append(node)
        return node

    # --- numbers ---

    def const(self, value: int) -> Node:
        """A number."""
        return self._make("const", (), value, value, value)

    def var(self, name: str, low: int, high: int) -> Node:
        """A variable in [low, high]; the same name always has the same interval."""
        return self._make("var", (), (name, low, high), low, high)

    def linear(self, terms: Iterable[tuple[int, Node]], constant: int = 0) -> Node:
        """Constant + sum of weight * node."""
        weights: dict[int, int] = {}
        atoms: dict[int, Node] = {}
        for weight, node in terms:
            constant += weight * self._gather(weight, node, weights, atoms)
        kept = [(weights[ident], atoms[ident]) for ident in sorted(weights) if weights[ident]]
        if not kept:
            return self.const(constant)
        if constant == 0 and len(kept) == 1 and kept[0][0] == 1:
            return kept[0][1]
        low = high = constant
        for weight, node in kept:
            least, most = scale_range(weight, node.low, node.high)
            low, high = low + least, high + most
        if any(node.kind == "shift" for _, node in kept):
            ends = self._affine_sum(kept, constant).ends()
            low, high = max(low, ends[0]), min(high, ends[1])
        if any(node.kind == "entry" for _, node in kept):
            low, high = self._table_range(kept, constant, (low, high))
        data = (tuple(weight for weight, _ in kept), constant)
        return self._make("linear", tuple(node for _, node in kept), data, low, high)

    def _table_range(self, terms: Sequence[tuple[int, Node]], constant: int, known: Range) -> Range:
        """Range of a sum with entries of tables; ``known`` holds already, a reading of the index may do better."""
        return known

    @staticmethod
    def _gather(weight: int, node: Node, weights: dict[int, int], atoms: dict[int, Node]) -> int:
        """Add a node's terms times ``weight``; its constant is returned unscaled."""
        if node.kind == "const":
            return node.low
        own, constant = parts(node)
        for factor, atom in own:
            weights[atom.ident] = weights.get(atom.ident, 0) + weight * factor
            atoms[atom.ident] = atom
        return constant

    def affine(self, node: Node) -> Affine:
        """A node as weights of the unknowns that it is linear in, and an error from the shifts."""
        known = self._affine.get(node.ident)
        if known is None:
            if node.kind == "linear":
                known = self._affine_sum(*parts(node))
            elif node.kind == "shift":
                whole = 1 << shift_count(node)
                known = self.affine(node.args[0]).scaled(Fraction(1, whole)).widened(Fraction(1 - whole, whole), Fraction(0))
            else:
                known = Affine.atom(node.ident, node.low, node.high)
            self._affine[node.ident] = known
        return known

    def _affine_sum(self, terms: Sequence[tuple[int, Node]], constant: int) -> Affine:
        result = Affine.constant(constant)
        for weight, node in terms:
            result = result.plus(self.affine(node).scaled(Fraction(weight)))
        return result

    def add(self, left: Node, right: Node) -> Node:
        """Left + right."""
        return self.linear(((1, left), (1, right)))

    def subtract(self, left: Node, right: Node) -> Node:
        """Left - right."""
        return self.linear(((1, left), (-1, right)))

    def shifted(self, node: Node, constant: int) -> Node:
        """Node + constant."""
        return self.linear(((1, node),), constant)

    def product(self, left: Node, right: Node) -> Node:
        """Left * right."""
        for one, other in ((left, right), (right, left)):
            if one.kind == "const":
                return self.linear(((one.low, other),))
            terms, constant = parts(one)
            if len(terms) == 1 and constant == 0 and terms[0][0] != 1:
                return self.linear(((terms[0][0], self.product(terms[0][1], other)),))
        first, second = sorted((left, right), key=lambda node: node.ident)
        low, high = product_range((first.low, first.high), (second.low, second.high))
        if first is second:
            low = max(low, 0)
        return self._make("product", (first, second), None, low, high)

    def shift(self, node: Node, count: int) -> Node:
        """Floor of node / 2**count."""
        if count == 0:
            return node
        if node.kind == "shift":
            return self.shift(node.args[0], count + shift_count(node))
        whole = 1 << count
        terms, constant = parts(node)
        out = [(weight >> count, atom) for weight, atom in terms if weight % whole == 0]
        rest = [(weight, atom) for weight, atom in terms if weight % whole]
        steps, constant = constant >> count, constant % whole
        if not rest:
            return self.linear(out, steps)
        if len(terms) == 1 and terms[0][0] == 1 and terms[0][1].kind == "shift":
            # floor((floor(x / 2^a) + c) / 2^k) = floor((x + c 2^a) / 2^(a + k))
            inner = terms[0][1]
            moved = self.linear(((1, inner.args[0]),), constant << shift_count(inner))
            return self.shifted(self.shift(moved, count + shift_count(inner)), steps)
        common = gcd(whole, *(weight for weight, _ in rest))
        if common > 1:
            # floor((g y + c) / 2^k) = floor((y + floor(c / g)) / (2^k / g))
            inner_node = self.linear([(weight // common, atom) for weight, atom in rest], constant // common)
            return self.linear([*out, (1, self.shift(inner_node, count - common.bit_length() + 1))], steps)
        dropped = self.linear(rest, constant)
        result = self._make("shift", (dropped,), count, dropped.low >> count, dropped.high >> count)
        return self.linear([*out, (1, result)], steps)

    def quotient(self, left: Node, right: Node) -> Node:
        """Left / right towards zero; where right is 0 the value is anything (an obligation forbids it)."""
        if right.value == 1:
            return left
        if left.value is not None and right.value:
            size = abs(left.value) // abs(right.value)
            return self.const(size if (left.value < 0) == (right.value < 0) else -size)
        low, high = quotient_range((left.low, left.high), (right.low, right.high))
        return self._make("quotient", (left, right), None, low, high)

    def residue(self, node: Node, bits: int) -> Node:
        """Node modulo 2**bits, in [0, 2**bits)."""
        whole = 1 << bits
        if node.low >> bits == node.high >> bits:
            return self.shifted(node, -(node.low >> bits) * whole)
        terms, constant = parts(node)
        plain: list[tuple[int, Node]] = []
        for weight, atom in terms:
            weight %= whole
            if weight > whole >> 1:
                weight -= whole
            inner = atom.args[0] if atom.kind == "residue" and residue_bits(atom) >= bits else atom
            plain.append((weight, inner))
        reduced = self.linear(plain, constant % whole)
        if reduced is not node:
            return self.residue(reduced, bits)
        return self._make("residue", (node,), bits, 0, whole - 1)

    def least(self, node: Node, limit: int) -> Node:
        """The smaller of node and limit."""
        if node.high <= limit:
            return node
        if node.low >= limit:
            return self.const(limit)
        if node.kind == "least":
            return self.least(node.args[0], min(limit, limit_of(node)))
        if node.kind == "most":
            # A clamp: the lower limit is below the upper one, or the case above would have caught it.
            return self.most(self.least(node.args[0], limit), limit_of(node))
        return self._make("least", (node,), limit, node.low, limit)

    def most(self, node: Node, limit: int) -> Node:
        """The greater of node and limit."""
        if node.low >= limit:
            return node
        if node.high <= limit:
            return self.const(limit)
        if node.kind == "most":
            return self.most(node.args[0], max(limit, limit_of(node)))
        return self._make("most", (node,), limit, limit, node.high)

    def select(self, condition: Node, if_true: Node, if_false: Node) -> Node:
        """if_true where condition holds, else if_false."""
        if condition.value is not None:
            return if_true if condition.value else if_false
        if if_true is if_false:
            return if_true
        if if_true.low >= 0 and if_true.high <= 1 and if_false.low >= 0 and if_false.high <= 1:
            first = self.all_of((condition, self.holds(if_true)))
            return self.truth(self.any_of((first, self.all_of((self.negation(condition), self.holds(if_false))))))
        inverse = self.negation(condition)
        for test, one, other in ((condition, if_true, if_false), (inverse, if_false, if_true)):
            if other.value is not None or one.value is not None:
                limited = self._limit(test, one, other)
                if limited is not None:
                    return limited
        if inverse.ident < condition.ident:
            condition, if_true, if_false = inverse, if_false, if_true
        low, high = min(if_true.low, if_false.low), max(if_true.high, if_false.high)
        return self._make("select", (condition, if_true, if_false), None, low, high)

    def _limit(self, test: Node, one: Node, other: Node) -> Node | None:
        """``test ? one : other`` as a one-sided clamp, where it is one; ``one`` is the constant."""
        if one.value is None or test.kind != "nonnegative":
            return None
        limit, beyond = one.value, test.args[0]
        clamped = [arg for one in (other, *other.args) if one.kind in ("least", "most") for arg in one.args]
        solved = [self.linear(((sign, beyond),), limit + step) for sign, step in ((-1, 0), (-1, -1), (1, 0), (1, 1))]
        for inner in (other, *clamped, *solved):
            # x < limit ? limit : x, or x < limit ? limit : min(x, high) with limit <= high; the same with <= and from above.
            below = any(test is self.nonnegative(self.linear(((-1, inner),), limit - strict)) for strict in (0, 1))
            above = any(test is self.nonnegative(self.shifted(inner, -limit - strict)) for strict in (0, 1))
            highs = [high for high in _limits_of(other, "least") if high >= limit] if below else []
            lows = [low for low in _limits_of(other, "most") if low <= limit] if above else []
            if below and (other is inner or any(other is self.least(inner, high) for high in highs)):
                return self.most(other, limit)
            if above and (other is inner or any(other is self.most(inner, low) for low in lows)):
                return self.least(other, limit)
        return None

    def entry(self, values: tuple[int, ...], index: Node) -> Node:
        """values[index]; outside the table the value is anything inside it (an obligation forbids it)."""
        first, last = max(index.low, 0), min(index.high, len(values) - 1)
        if index.value is not None and 0 <= index.value < len(values):
            return self.const(values[index.value])
        inside = values[first : last + 1] or values
        return self._make("entry", (index,), values, min(inside), max(inside))

    def bits(self, operator: str, left: Node, right: Node) -> Node:
        """Bitwise operation of two numbers that are not negative; ``operator`` is one of & | ^."""
        if left.value is not None and right.value is not None:
            a, b = left.value, right.value
            return self.const(a & b if operator == "&" else a | b if operator == "|" else a ^ b)
        if all(node.low >= 0 and node.high <= 1 for node in (left, right)):
            # Of numbers that are 0 or 1 these are the logical operations.
            one, other = self.holds(left), self.holds(right)
            if operator == "^":
                return self.select(one, self.truth(self.negation(other)), self.truth(other))
            return self.truth(self.all_of((one, other)) if operator == "&" else self.any_of((one, other)))
        first, second = sorted((left, right), key=lambda node: (node.kind == "const", node.ident))
        mask = second.value
        if mask is not None and mask >= 0:
            size = mask.bit_length()
            if operator == "&" and mask == (1 << size) - 1:
                return self.residue(first, size)
            if operator == "^" and mask and mask == 1 << (size - 1) and first.low >= 0 and first.high < 1 << size:
                # Flipping the top bit of a number of that many bits adds it and drops the carry.
                return self.residue(self.shifted(first, mask), size)
        if operator == "&":
            low, high = 0, min(max(first.high, 0), max(second.high, 0))
        else:
            low, high = 0, (1 << max(first.high, second.high, 0).bit_length()) - 1
        return self._make("bits", (first, second), operator, low, high)

    # --- conditions ---

    def truth(self, condition: Node) -> Node:
        """1 where condition holds, else 0."""
        if condition.value is not None:
            return condition
        if condition.kind == "nonnegative":
            terms, constant = parts(condition.args[0])
            if len(terms) == 1 and terms[0][0] == 1 and constant == -1 and (terms[0][1].low, terms[0][1].high) == (0, 1):
                return terms[0][1]
        return self._make("truth", (condition,), None, 0, 1)

    def holds(self, node: Node) -> Node:
        """Whether node is not 0."""
        return node if is_condition(node) else self.negation(self.zero(node))

    def nonnegative(self, node: Node) -> Node:
        """Whether node >= 0."""
        if node.low >= 0 or node.high < 0:
            return self.const(int(node.low >= 0))
        terms, constant = parts(node)
        common = gcd(*(weight for weight, _ in terms))
        if common > 1:
            return self.nonnegative(self.linear([(weight // common, atom) for weight, atom in terms], constant // common))
        if len(terms) == 1 and terms[0][1].kind == "truth":
            # Of a number that is 0 or 1 only two comparisons are neither always nor never true.
            inner = terms[0][1].args[0]
            return inner if terms[0][0] > 0 else self.negation(inner)
        return self._make("nonnegative", (node,), None, 0, 1)

    def zero(self, node: Node) -> Node:
        """Whether node == 0."""
        if node.low > 0 or node.high < 0:
            return self.const(0)
        if node.value is not None:
            return self.const(1)
        if node.low == 0:
            return self.nonnegative(self.linear(((-1, node),)))
        if node.high == 0:
            return self.nonnegative(node)
        terms, constant = parts(node)
        common = gcd(*(weight for weight, _ in terms))
        if constant % common:
            return self.const(0)
        sign = common if terms[0][0] > 0 else -common
        if sign != 1:
            return self.zero(self.linear([(weight // sign, atom) for weight, atom in terms], constant // sign))
        return self._make("zero", (node,), None, 0, 1)

    def negation(self, condition: Node) -> Node:
        """Whether condition does not hold."""
        match condition.kind:
            case "const":
                return self.const(1 - condition.low)
            case "nonnegative":
                return self.nonnegative(self.linear(((-1, condition.args[0]),), -1))
            case "zero":
                return self._make("nonzero", condition.args, None, 0, 1)
            case "nonzero":
                return self.zero(condition.args[0])
            case "all":
                return self.any_of([self.negation(arg) for arg in condition.args])
            case "any":
                return self.all_of([self.negation(arg) for arg in condition.args])
            case _:
                return self.zero(condition)

    def all_of(self, conditions: Sequence[Node]) -> Node:
        """Whether all conditions hold."""
        return self._combine("all", "any", conditions)

    def any_of(self, conditions: Sequence[Node]) -> Node:
        """Whether any condition holds."""
        return self._combine("any", "all", conditions)

    def _combine(self, kind: str, dual: str, conditions: Sequence[Node]) -> Node:
        deciding = int(kind == "any")
        kept: dict[int, Node] = {}
        for condition in conditions:
            for part in condition.args if condition.kind == kind else (condition,):
                if part.value == deciding:
                    return self.const(deciding)
                if part.value is None:
                    kept[part.ident] = part
        if any(self.negation(part).ident in kept for part in list(kept.values()) if part.kind != dual):
            return self.const(deciding)
        # Absorption: x && (x || y) is x.
        kept = {
            ident: part for ident, part in kept.items() if part.kind != dual or not any(arg.ident in kept for arg in part.args)
        }
        if len(kept) == 1:
            return next(iter(kept.values()))
        if not kept:
            return self.const(1 - deciding)
        return self._make(kind, tuple(kept[ident] for ident in sorted(kept)), None, 0, 1)


def parts(node: Node) -> tuple[list[tuple[int, Node]], int]:
    """A node as (weight, atom) terms and a constant."""
    if node.kind == "const":
        return [], node.low
    if node.kind == "linear":
        assert isinstance(node.data, tuple)
        weights, constant = node.data
        return list(zip(weights, node.args, strict=True)), constant
    return [(1, node)], 0


def shift_count(node: Node) -> int:
    """How far a shift goes."""
    return _number(node, "shift")


def residue_bits(node: Node) -> int:
    """The n of a residue modulo 2**n."""
    return _number(node, "residue")


def limit_of(node: Node) -> int:
    """The limit of a one-sided clamp."""
    return _number(node, "least", "most")


def _limits_of(node: Node, kind: str) -> list[int]:
    """Limits of the given kind at the outside of a clamp."""
    inner = node.args[:1] if node.kind in ("least", "most") else ()
    return [limit_of(one) for one in (node, *inner) if one.kind == kind]


def _number(node: Node, *kinds: str) -> int:
    assert node.kind in kinds and isinstance(node.data, int)
    return node.data


def is_condition(node: Node) -> bool:
    """Whether a node is a condition."""
    return node.kind in ("nonnegative", "zero", "nonzero", "all", "any") or (node.kind == "const" and node.low in (0, 1))
