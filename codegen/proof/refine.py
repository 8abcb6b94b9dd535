"""Tighter intervals of a node where a path's conditions hold: propagation down and up the graph, and case splits.

Takes nodes and conditions of a ``Dag``, gives ranges or says that a case cannot happen.  Everything here only ever removes
values that the assumed conditions exclude, so a range that fits is a proof.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction
from math import gcd

from codegen.proof.dag import Dag, Node, is_condition, limit_of, parts, residue_bits, shift_count
from codegen.proof.interval import Affine, Range, hull, meet, product_range, quotient_range, scale_range

FAR = 1 << 200
FORK_DEPTH = 3
SPLIT_DEPTH = 4
SPLIT_BUDGET = 160
LONGEST_TABLE = 512
SHORT_TABLE = 64


class ImpossibleError(Exception):
    """The assumed conditions contradict each other."""


class Case:
    """What is known besides the nodes' own intervals: a range for some nodes, under assumed conditions."""

    def __init__(
        self,
        dag: Dag,
        facts: Mapping[int, Range] | None = None,
        sums: Mapping[tuple[tuple[int, int], ...], Range] | None = None,
        depth: int = 0,
    ) -> None:
        self._dag = dag
        self._facts = dict(facts or {})
        # Ranges of sums without their constants: x + y + 3 says something of x + y + 7.
        self._sums = dict(sums or {})
        self._known: dict[int, Range] = {}
        self._depth = depth

    def assuming(self, conditions: Iterable[Node]) -> Case:
        """This case with further conditions.

        Raises:
            ImpossibleError: They cannot all hold.
        """
        result = Case(self._dag, self._facts, self._sums, self._depth + 1)
        wanted = list(conditions)
        for _ in range(2):  # the second round uses what the first one found
            for condition in wanted:
                result._assume(condition)
        return result

    def range_of(self, node: Node) -> Range:
        """Range of a node.

        Raises:
            ImpossibleError: This case cannot happen.
        """
        known = self._known.get(node.ident)
        if known is None:
            own = self._met((node.low, node.high), self._facts.get(node.ident, (-FAR, FAR)))
            known = own if own[0] == own[1] else self._met(own, self._forward(node))
            self._known[node.ident] = known
        return known

    @staticmethod
    def _met(left: Range, right: Range) -> Range:
        both = meet(left, right)
        if both is None:
            raise ImpossibleError
        return both

    def _forward(self, node: Node) -> Range:
        match node.kind:
            case "linear":
                return self._linear(node)
            case "product":
                return product_range(self.range_of(node.args[0]), self.range_of(node.args[1]))
            case "shift":
                low, high = self.range_of(node.args[0])
                return low >> shift_count(node), high >> shift_count(node)
            case "quotient":
                return quotient_range(self.range_of(node.args[0]), self.range_of(node.args[1]))
            case "residue":
                low, high = self.range_of(node.args[0])
                start = low >> residue_bits(node) << residue_bits(node)
                return (low - start, high - start) if high < start + (1 << residue_bits(node)) else (node.low, node.high)
            case "least":
                low, high = self.range_of(node.args[0])
                return min(low, limit_of(node)), min(high, limit_of(node))
            case "most":
                low, high = self.range_of(node.args[0])
                return max(low, limit_of(node)), max(high, limit_of(node))
            case "select":
                return self._select(node)
            case "entry":
                low, high = self.range_of(node.args[0])
                values = node.data
                assert isinstance(values, tuple)
                inside = values[max(low, 0) : high + 1] if high >= 0 else ()
                return (min(inside), max(inside)) if inside else (node.low, node.high)
            case "truth":
                return self.range_of(node.args[0])
            case _ if is_condition(node):
                return self._condition(node)
            case _:
                return node.low, node.high

    def _linear(self, node: Node) -> Range:
        terms, constant = parts(node)
        low = high = constant
        for weight, atom in terms:
            least, most = scale_range(weight, *self.range_of(atom))
            low, high = low + least, high + most
        if any(atom.kind == "shift" for _, atom in terms):
            ends = self._affine(node).ends()
            low, high = max(low, ends[0]), min(high, ends[1])
        key, factor = _primitive(terms)
        if key in self._sums:
            least, most = scale_range(factor, *self._sums[key])
            low, high = max(low, constant + least), min(high, constant + most)
        if low > high:
            raise ImpossibleError
        return low, high

    def _affine(self, node: Node) -> Affine:
        if node.kind == "shift":
            whole = 1 << shift_count(node)
            inner = self._affine(node.args[0]).scaled(Fraction(1, whole))
            return inner.widened(Fraction(1 - whole, whole), Fraction(0))
        if node.kind != "linear":
            return Affine.atom(node.ident, *self.range_of(node))
        terms, constant = parts(node)
        result = Affine.constant(constant)
        for weight, atom in terms:
            result = result.plus(self._affine(atom).scaled(Fraction(weight)))
        return result

    def _select(self, node: Node) -> Range:
        condition, if_true, if_false = node.args
        low, high = self.range_of(condition)
        if low == high:
            return self.range_of(if_true if low else if_false)
        if self._depth >= FORK_DEPTH:
            return hull(self.range_of(if_true), self.range_of(if_false))
        found: list[Range] = []
        for test, branch in ((condition, if_true), (self._dag.negation(condition), if_false)):
            try:
                found.append(self.assuming([test]).range_of(branch))
            except ImpossibleError:
                continue
        if not found:
            raise ImpossibleError
        return hull(found[0], found[-1])

    def _condition(self, node: Node) -> Range:
        match node.kind:
            case "nonnegative":
                low, high = self.range_of(node.args[0])
                return int(low >= 0), int(high >= 0)
            case "zero" | "nonzero":
                low, high = self.range_of(node.args[0])
                zero = (int(low == high == 0), int(low <= 0 <= high))
                return zero if node.kind == "zero" else (1 - zero[1], 1 - zero[0])
            case "all":
                ends = [self.range_of(arg) for arg in node.args]
                return min(low for low, _ in ends), min(high for _, high in ends)
            case "any":
                ends = [self.range_of(arg) for arg in node.args]
                return max(low for low, _ in ends), max(high for _, high in ends)
            case _:
                return node.low, node.high

    # --- downwards ---

    def _assume(self, condition: Node) -> None:
        low, high = self.range_of(condition)
        if low == high:
            if low == 0:
                raise ImpossibleError
            if condition.kind != "all":
                return
        # What is not an interval (b != 0) is still known where the same condition is asked for again.
        self._facts[condition.ident] = (1, 1)
        self._facts[self._dag.negation(condition).ident] = (0, 0)
        self._known.clear()
        match condition.kind:
            case "nonnegative":
                self._push(condition.args[0], (0, FAR))
            case "zero":
                self._push(condition.args[0], (0, 0))
            case "nonzero":
                low, high = self.range_of(condition.args[0])
                self._push(condition.args[0], (low + (low == 0), high - (high == 0)))
            case "all":
                for arg in condition.args:
                    self._assume(arg)
            case "any":
                open_args = [arg for arg in condition.args if self.range_of(arg)[1]]
                if not open_args:
                    raise ImpossibleError
                if len(open_args) == 1:
                    self._assume(open_args[0])
            case _:
                return

    def _push(self, node: Node, wanted: Range) -> None:
        """Keep only ``wanted`` of a node's range, and what that says about its operands."""
        before = self.range_of(node)
        now = self._met(before, wanted)
        if now == before:
            return
        self._facts[node.ident] = now
        self._known.clear()
        match node.kind:
            case "linear":
                self._note_sum(node, now)
                self._push_terms(node, now)
            case "shift":
                count = shift_count(node)
                self._push(node.args[0], (now[0] << count, ((now[1] + 1) << count) - 1))
            case "least":
                self._push(node.args[0], (now[0], now[1] if now[1] < limit_of(node) else FAR))
            case "most":
                self._push(node.args[0], (now[0] if now[0] > limit_of(node) else -FAR, now[1]))
            case "truth" if now[0] == now[1]:
                self._assume(node.args[0] if now[0] else self._dag.negation(node.args[0]))
            case "select":
                condition, if_true, if_false = node.args
                if meet(self.range_of(if_true), now) is None:
                    self._assume(self._dag.negation(condition))
                    self._push(if_false, now)
                elif meet(self.range_of(if_false), now) is None:
                    self._assume(condition)
                    self._push(if_true, now)
            case _:
                return

    def _note_sum(self, node: Node, now: Range) -> None:
        terms, constant = parts(node)
        key, factor = _primitive(terms)
        ends = sorted((now[0] - constant, now[1] - constant), key=lambda end: end * factor)
        size, low, high = abs(factor), ends[0] * (1 if factor > 0 else -1), ends[1] * (1 if factor > 0 else -1)
        self._sums[key] = self._met(self._sums.get(key, (-FAR, FAR)), (-(-low // size), high // size))

    def _push_terms(self, node: Node, now: Range) -> None:
        terms, constant = parts(node)
        ends = [scale_range(weight, *self.range_of(atom)) for weight, atom in terms]
        low, high = sum(end[0] for end in ends), sum(end[1] for end in ends)
        # A term is the whole less the others; the ends are those before any push here, which is only looser.
        for (weight, atom), (least, most) in zip(terms, ends, strict=True):
            term_low, term_high = now[0] - constant - (high - most), now[1] - constant - (low - least)
            if weight > 0:
                self._push(atom, (-((-term_low) // weight), term_high // weight))
            else:
                self._push(atom, (-(term_high // -weight), -term_low // -weight))


def _primitive(terms: Sequence[tuple[int, Node]]) -> tuple[tuple[tuple[int, int], ...], int]:
    """Terms over their common factor, the first one positive, as a key; and that factor."""
    factor = gcd(*(weight for weight, _ in terms))
    if terms[0][0] < 0:
        factor = -factor
    return tuple((weight // factor, atom.ident) for weight, atom in terms), factor


class TableDag(Dag):
    """A ``Dag`` in which sums of tables' entries are looked at index by index: neighbouring entries belong together."""

    def _table_range(self, terms: Sequence[tuple[int, Node]], constant: int, known: Range) -> Range:
        index = next((found for _, node in terms if node.kind == "entry" for found in [index_atom(node)] if found), None)
        if index is None or index.high - index.low >= SHORT_TABLE:
            return known
        found: Range | None = None
        for value in range(index.low, index.high + 1):
            try:
                case = Case(self).assuming([self.zero(self.shifted(index, -value))])
                ends = [scale_range(weight, *case.range_of(node)) for weight, node in terms]
            except ImpossibleError:
                continue
            one = (constant + sum(end[0] for end in ends), constant + sum(end[1] for end in ends))
            found = one if found is None else hull(found, one)
        return known if found is None else meet(found, known) or known


def index_atom(entry: Node) -> Node | None:
    """The one unknown that an entry's index is made of."""
    terms, _ = parts(entry.args[0])
    return terms[0][1] if len(terms) == 1 else None


def fits(dag: Dag, node: Node, wanted: Range, path: Iterable[Node]) -> str | None:
    """How it is known that ``node`` lies in ``wanted`` wherever all conditions of ``path`` hold; None if it is not known."""
    if wanted[0] <= node.low and node.high <= wanted[1]:
        return "interval"
    try:
        case = Case(dag).assuming(path)
        low, high = case.range_of(node)
    except ImpossibleError:
        return "unreachable"
    if wanted[0] <= low and high <= wanted[1]:
        return "interval with branch refinement"
    return "interval with case split" if _Splitter(dag, wanted).proves(node, case, 0) else None


class _Splitter:
    """Case splits on tables' indices and on limits and selections, within a budget."""

    def __init__(self, dag: Dag, wanted: Range) -> None:
        self._dag = dag
        self._wanted = wanted
        self._budget = SPLIT_BUDGET

    def proves(self, node: Node, case: Case, depth: int) -> bool:
        try:
            low, high = case.range_of(node)
        except ImpossibleError:
            return True
        if self._wanted[0] <= low and high <= self._wanted[1]:
            return True
        if depth >= SPLIT_DEPTH:
            return False
        cone = cone_of([node])
        index = next((found for one in reversed(cone) if one.kind == "entry" for found in [self._index(one, case)] if found), None)
        if index is not None:
            return self._enumerate(node, case, index, depth)
        for one in reversed(cone):
            if one.kind in ("least", "most", "select") and self._budget > 0:
                self._budget -= 2
                return all(self._branch(node, case, one, branch, test, depth) for branch, test in self._branches(one))
        return False

    def _branches(self, one: Node) -> list[tuple[Node, Node]]:
        dag = self._dag
        if one.kind == "select":
            return [(one.args[1], one.args[0]), (one.args[2], dag.negation(one.args[0]))]
        below = dag.nonnegative(dag.linear(((-1, one.args[0]),), limit_of(one)))
        above = dag.nonnegative(dag.shifted(one.args[0], -limit_of(one)))
        inner, limit = one.args[0], dag.const(limit_of(one))
        return [(inner, below), (limit, above)] if one.kind == "least" else [(inner, above), (limit, below)]

    def _branch(self, node: Node, case: Case, one: Node, branch: Node, test: Node, depth: int) -> bool:
        try:
            narrowed = case.assuming([test])
        except ImpossibleError:
            return True
        return self.proves(replace(self._dag, node, {one.ident: branch}), narrowed, depth + 1)

    def _index(self, entry: Node, case: Case) -> Node | None:
        """The one atom that an entry's index is made of, if it still has several but few values."""
        atom = index_atom(entry)
        if atom is None:
            return None
        low, high = case.range_of(atom)
        return atom if 0 < high - low < LONGEST_TABLE else None

    def _enumerate(self, node: Node, case: Case, index: Node, depth: int) -> bool:
        low, high = case.range_of(index)
        for value in range(low, high + 1):
            test = self._dag.zero(self._dag.shifted(index, -value))
            try:
                narrowed = case.assuming([test])
            except ImpossibleError:
                continue
            if not self.proves(replace(self._dag, node, {index.ident: self._dag.const(value)}), narrowed, depth + 1):
                return False
        return True


def cone_of(nodes: Iterable[Node]) -> list[Node]:
    """The nodes and all they are made of, operands first."""
    seen: dict[int, Node] = {}
    stack = list(nodes)
    while stack:
        node = stack.pop()
        if node.ident not in seen:
            seen[node.ident] = node
            stack.extend(node.args)
    return [seen[ident] for ident in sorted(seen)]


def replace(dag: Dag, node: Node, exchange: Mapping[int, Node]) -> Node:
    """``node`` made anew with some nodes exchanged for others."""
    made: dict[int, Node] = {}
    for one in cone_of([node]):
        if one.ident in exchange:
            made[one.ident] = exchange[one.ident]
        elif any(made[arg.ident] is not arg for arg in one.args):
            made[one.ident] = rebuild(dag, one, [made[arg.ident] for arg in one.args])
        else:
            made[one.ident] = one
    return made[node.ident]


def rebuild(dag: Dag, node: Node, args: list[Node]) -> Node:
    """The same operation on other operands."""
    match node.kind:
        case "linear":
            terms, constant = parts(node)
            return dag.linear([(weight, arg) for (weight, _), arg in zip(terms, args, strict=True)], constant)
        case "product":
            return dag.product(*args)
        case "shift":
            return dag.shift(args[0], shift_count(node))
        case "quotient":
            return dag.quotient(*args)
        case "residue":
            return dag.residue(args[0], residue_bits(node))
        case "least":
            return dag.least(args[0], limit_of(node))
        case "most":
            return dag.most(args[0], limit_of(node))
        case "select":
            return dag.select(*args)
        case "entry":
            assert isinstance(node.data, tuple)
            return dag.entry(node.data, args[0])
        case "bits":
            return dag.bits(str(node.data), *args)
        case "truth":
            return dag.truth(args[0])
        case "nonnegative":
            return dag.nonnegative(args[0])
        case "zero":
            return dag.zero(args[0])
        case "nonzero":
            return dag.negation(dag.zero(args[0]))
        case "all":
            return dag.all_of(args)
        case "any":
            return dag.any_of(args)
        case _:
            return node
