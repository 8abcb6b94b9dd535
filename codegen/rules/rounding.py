"""Rounding-error meaning of every node kind: what one tick adds, and what it does with the errors of its operands.

Takes a ``FixedGraph`` with proven ranges, gives for every signal an error form (fixed value minus float64 value, after one tick from
common memory and equal inputs) as a weighted sum of error symbols, each with a proven interval.  Exact rationals throughout.

Affine arithmetic (de Figueiredo, Stolfi, "Affine arithmetic: concepts and applications", Numerical Algorithms 37, 2004; from
memory) keeps correlated errors together.  A clamp is a contraction, |sat(a) - sat(b)| <= |a - b| with sat(a) - sat(b) = s (a - b) for
some s in [0, 1], so each symbol passes it as a new symbol whose interval is the old contribution joined with 0.  Branches are
compared under equal decisions; how far a decision's own quantity must be from its threshold for that is its margin.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction

from codegen.graph import (
    Clamp,
    Compare,
    Constant,
    Delay,
    Input,
    Logic,
    Node,
    Parameter,
    Product,
    Select,
    Shorten,
    SumOver,
    Table,
    WeightedSum,
    WrappedDifference,
)
from codegen.rules.fixed import (
    ClampDetail,
    CompareDetail,
    FixedGraph,
    ProductDetail,
    ShortenDetail,
    SumDetail,
    TableDetail,
)
from codegen.rules.walk import WALKED, total

Form = dict[str, Fraction]
HALF = Fraction(1, 2)
# Float64 evaluation of a sum of n products errs by less than (n + 2) * 2**-52 of the sum of magnitudes (Higham, "Accuracy and
# Stability of Numerical Algorithms", 2nd ed. 2002, section 3.1; from memory), so the reference itself is allowed that much.
FLOAT_UNIT = Fraction(1, 2**52)
FLOAT_LABEL = "float64 evaluation"


@dataclass(frozen=True)
class Site:
    """One source of error: a label for people and the interval of its value."""

    label: str
    low: Fraction
    high: Fraction


@dataclass
class Errors:
    """Error forms under construction.

    Attributes:
        fixed: The realisation.
        forms: Error form of every signal so far.
        sites: Interval of every symbol.
        margins: Per comparison, how near to its threshold the float64 quantity can be when the decisions differ.
    """

    fixed: FixedGraph
    forms: dict[str, Form] = field(default_factory=dict)
    sites: dict[str, Site] = field(default_factory=dict)
    margins: dict[str, tuple[Fraction, Fraction]] = field(default_factory=dict)

    def site(self, key: str, label: str, low: Fraction, high: Fraction) -> Form:
        """A form that is one symbol with coefficient 1 (empty where the interval is just 0)."""
        if low == 0 == high:
            return {}
        self.sites[key] = Site(label, low, high)
        return {key: Fraction(1)}

    def value(self, name: str) -> Form:
        """The fixed value of a signal as a symbol with its proven range."""
        proven = self.fixed.formats[name]
        return self.site(f"value of {name}", f"coefficients on {name}", proven.low * proven.lsb, proven.high * proven.lsb)

    def bound(self, form: Form) -> tuple[Fraction, Fraction]:
        """Interval of a form."""
        low = high = Fraction(0)
        for key, coefficient in form.items():
            site = self.sites[key]
            ends = coefficient * site.low, coefficient * site.high
            low, high = low + min(ends), high + max(ends)
        return low, high

    def contributions(self, form: Form) -> list[tuple[str, Fraction]]:
        """Largest magnitude that each labelled source adds, largest first."""
        sums: dict[str, Fraction] = {}
        for key, coefficient in form.items():
            site = self.sites[key]
            size = max(abs(coefficient * site.low), abs(coefficient * site.high))
            sums[site.label] = sums.get(site.label, Fraction(0)) + size
        return sorted(sums.items(), key=lambda item: (-item[1], item[0]))

    def scaled_between(self, form: Form, low: Fraction, high: Fraction, key: str) -> Form:
        """``form`` times an unknown factor in [low, high]: every symbol becomes a fresh one with the joined interval."""
        result: Form = {}
        for symbol, coefficient in form.items():
            site = self.sites[symbol]
            ends = [factor * coefficient * end for factor in (low, high) for end in (site.low, site.high)]
            result |= self.site(f"{key}: {symbol}", site.label, min(ends), max(ends))
        return result


    def held(self, form: Form) -> Form:
        """``form`` as fast nodes read it from a slow delay: on slow ticks just written, on ordinary ticks common memory without error.

        All slow delays share the fresh symbols, since all of them are written on the same ticks.
        """
        result: Form = {}
        for symbol, coefficient in form.items():
            site = self.sites[symbol]
            key = f"held {symbol}"
            if self.site(key, site.label, min(site.low, Fraction(0)), max(site.high, Fraction(0))):
                result[key] = coefficient
        return result


def add(*pairs: tuple[Fraction, Form]) -> Form:
    """Sum of weight * form."""
    result: Form = {}
    for weight, form in pairs:
        for key, coefficient in form.items():
            result[key] = result.get(key, Fraction(0)) + weight * coefficient
    return {key: coefficient for key, coefficient in result.items() if coefficient != 0}


def half_up_error(shift: int, lsb: Fraction) -> tuple[Fraction, Fraction]:
    """Interval of (rounded - exact) for dropping ``shift`` bits half up, in units of the result."""
    if shift == 0:
        return Fraction(0), Fraction(0)
    return (Fraction(1, 2**shift) - HALF) * lsb, HALF * lsb


def _magnitude(fixed: FixedGraph, name: str) -> Fraction:
    proven = fixed.formats[name]
    return max(abs(proven.low), abs(proven.high)) * proven.lsb


def _reach(errors: Errors, name: str) -> Fraction:
    """Largest magnitude of the float64 value: that of the fixed one and of its error."""
    return _magnitude(errors.fixed, name) + max(map(abs, errors.bound(errors.forms[name])))


def _float_site(errors: Errors, name: str, magnitude: Fraction, operations: int) -> Form:
    allowance = (operations + 2) * FLOAT_UNIT * magnitude
    return errors.site(f"float64 of {name}", FLOAT_LABEL, -allowance, allowance)


def _limits(
    errors: Errors, node: WeightedSum | Product | Clamp, form: Form, low: int | None, high: int | None, lsb: Fraction
) -> Form:
    if node.low is None or node.high is None:
        return form
    if low is None or high is None:
        # The integers never reach these limits, but float64 may, by as much as the error: then it alone is limited.
        proven = errors.fixed.formats[node.name]
        least, most = errors.bound(form)
        if node.low <= proven.low * lsb - most and proven.high * lsb - least <= node.high:
            return form
        passed = errors.scaled_between(form, Fraction(0), Fraction(1), f"limit of {node.name}")
        beyond = min(proven.low * lsb - Fraction(node.low), Fraction(0)), max(proven.high * lsb - Fraction(node.high), Fraction(0))
        return add((Fraction(1), passed), (Fraction(1), errors.site(f"limits of {node.name}", f"limits of {node.name}", *beyond)))
    passed = errors.scaled_between(form, Fraction(0), Fraction(1), f"limit of {node.name}")
    # The integers' limits L', H' are whole counts, the real ones L, H are not.  Where a limit acts, the difference of the limits takes
    # the place of the operand's error and does not add to it: clamp(x', L', H') - clamp(x, L, H) lies between the least and the
    # greatest of x' - x, L' - L, H' - H and 0 (go through the nine cases of which arm each clamp takes).
    least, most = errors.bound(passed)
    shifts = low * lsb - Fraction(node.low), high * lsb - Fraction(node.high)
    excess = min(*(shift - least for shift in shifts), Fraction(0)), max(*(shift - most for shift in shifts), Fraction(0))
    return add((Fraction(1), passed), (Fraction(1), errors.site(f"limits of {node.name}", f"limits of {node.name}", *excess)))


def _weighted_sum(node: WeightedSum, errors: Errors) -> Form:
    fixed = errors.fixed
    detail = fixed.details[node.name]
    assert isinstance(detail, SumDetail)
    lsb = fixed.formats[node.name].lsb
    parts: list[tuple[Fraction, Form]] = []
    magnitude = abs(Fraction(node.bias))
    for weight, term in zip(detail.weights, node.terms, strict=True):
        realised = weight * lsb / (2**detail.shift * fixed.formats[term.name].lsb)
        parts.append((Fraction(term.weight), errors.forms[term.name]))
        parts.append((realised - Fraction(term.weight), errors.value(term.name)))
        magnitude += abs(Fraction(term.weight)) * _reach(errors, term.name)
    bias_error = detail.bias * lsb / 2**detail.shift - Fraction(node.bias)
    parts.append((Fraction(1), errors.site(f"bias of {node.name}", f"bias of {node.name}", bias_error, bias_error)))
    parts.append(
        (Fraction(1), errors.site(f"rounding of {node.name}", f"rounding of {node.name}", *half_up_error(detail.shift, lsb)))
    )
    parts.append((Fraction(1), _float_site(errors, node.name, magnitude, len(node.terms))))
    return _limits(errors, node, add(*parts), detail.low, detail.high, lsb)


def _clamp(node: Clamp, errors: Errors) -> Form:
    detail = errors.fixed.details[node.name]
    assert isinstance(detail, ClampDetail)
    operand = errors.fixed.formats[node.operand]
    inside = node.low <= operand.low * operand.lsb and operand.high * operand.lsb <= node.high
    if inside and detail.low <= operand.low and operand.high <= detail.high and not errors.forms[node.operand]:
        return {}
    return _limits(errors, node, errors.forms[node.operand], detail.low, detail.high, operand.lsb)


def _product(node: Product, errors: Errors) -> Form:
    fixed = errors.fixed
    detail = fixed.details[node.name]
    assert isinstance(detail, ProductDetail)
    scale = Fraction(node.scale)
    lsb = fixed.formats[node.name].lsb
    left, right = fixed.formats[node.left], fixed.formats[node.right]
    error_left, error_right = errors.forms[node.left], errors.forms[node.right]
    # l' r' - l r = l' e_r + r' e_l - e_l e_r with l', r' the fixed values and e their errors.
    by_right = errors.scaled_between(error_right, left.low * left.lsb, left.high * left.lsb, f"{node.name} left")
    by_left = errors.scaled_between(error_left, right.low * right.lsb, right.high * right.lsb, f"{node.name} right")
    ends = [-a * b for a in errors.bound(error_left) for b in errors.bound(error_right)]
    second = errors.site(f"second order of {node.name}", f"second order of {node.name}", min(ends), max(ends))
    realised = lsb / (2**detail.shift * left.lsb * right.lsb) - scale
    magnitude = _magnitude(fixed, node.left) * _magnitude(fixed, node.right)
    scale_error = errors.site(
        f"scale of {node.name}", f"scale of {node.name}", -abs(realised) * magnitude, abs(realised) * magnitude
    )
    rounding = errors.site(f"rounding of {node.name}", f"rounding of {node.name}", *half_up_error(detail.shift, lsb))
    evaluation = _float_site(errors, node.name, scale * _reach(errors, node.left) * _reach(errors, node.right), 2)
    one = Fraction(1)
    form = add((scale, by_right), (scale, by_left), (scale, second), (one, scale_error), (one, rounding), (one, evaluation))
    return _limits(errors, node, form, detail.low, detail.high, lsb)


def _select(node: Select, errors: Errors) -> Form:
    if node.is_bool:
        return {}
    first, second = errors.forms[node.if_true], errors.forms[node.if_false]
    apart = _either(node, errors, first, second)
    low, high = errors.bound(apart)
    ends = [*errors.bound(first), *errors.bound(second), Fraction(0)]
    if min(ends) < 0 or max(ends) > 0:
        if high - low <= max(ends) - min(ends):
            return apart
        # One branch or the other: the joined interval is tighter than both branches' symbols side by side.  It is shared out over
        # the sources in proportion to the larger branch, which keeps their names: e = sum of e c_i / c with sum of c_i = c.
        larger = max(first, second, key=lambda form: sum((size for _, size in errors.contributions(form)), Fraction(0)))
        parts = errors.contributions(larger)
        whole = sum((size for _, size in parts), Fraction(0))
        result: Form = {}
        for label, size in parts:
            share = size / whole
            result |= errors.site(f"branch of {node.name}: {label}", label, min(ends) * share, max(ends) * share)
        return result
    return apart


def _either(node: Select, errors: Errors, first: Form, second: Form) -> Form:
    """Symbol by symbol: the coefficient is that of the one branch or of the other."""
    result: Form = {}
    for key in sorted(first.keys() | second.keys()):
        a, b = first.get(key, Fraction(0)), second.get(key, Fraction(0))
        if a == b:
            result[key] = a
            continue
        site = errors.sites[key]
        ends = [coefficient * end for coefficient in (a, b) for end in (site.low, site.high)]
        result |= errors.site(f"branch of {node.name}: {key}", site.label, min(ends), max(ends))
    return result


def _compare(node: Compare, errors: Errors) -> Form:
    fixed = errors.fixed
    detail = fixed.details[node.name]
    assert isinstance(detail, CompareDetail)
    parts: list[tuple[Fraction, Form]] = []
    magnitude = abs(Fraction(node.threshold))
    unit = fixed.formats[node.terms[0].name].lsb * abs(Fraction(node.terms[0].weight)) / abs(detail.weights[0])
    # Where every weight is realised exactly the integer threshold is the exact boundary, so equal operands decide equally.
    exact = all(
        weight * unit == Fraction(term.weight) * fixed.formats[term.name].lsb
        for weight, term in zip(detail.weights, node.terms, strict=True)
    )
    for weight, term in zip(detail.weights, node.terms, strict=True):
        realised = weight * unit / fixed.formats[term.name].lsb
        parts.append((Fraction(term.weight), errors.forms[term.name]))
        if not exact:
            parts.append((realised - Fraction(term.weight), errors.value(term.name)))
        magnitude += abs(Fraction(term.weight)) * _reach(errors, term.name)
    if not exact:
        parts.append((Fraction(1), errors.site(f"threshold of {node.name}", f"threshold of {node.name}", -unit, unit)))
    low, high = errors.bound(add(*parts))
    allowance = (len(node.terms) + 2) * FLOAT_UNIT * magnitude
    errors.margins[node.name] = (low - allowance, high + allowance)
    return {}


def _logic(node: Logic, errors: Errors) -> Form:
    return {}


def _table(node: Table, errors: Errors) -> Form:
    fixed = errors.fixed
    detail = fixed.details[node.name]
    assert isinstance(detail, TableDetail)
    lsb, step = fixed.formats[node.name].lsb, Fraction(node.step)
    operand = fixed.formats[node.operand]
    one = Fraction(1)
    # Error of the position, in table steps.
    realised = Fraction(detail.weight, 2**detail.shift * 2**detail.position_bits) / operand.lsb
    offset = Fraction(detail.bias, 2**detail.shift * 2**detail.position_bits) + Fraction(node.start) / step
    position = add(
        (1 / step, errors.forms[node.operand]),
        (realised - 1 / step, errors.value(node.operand)),
        (one, errors.site(f"origin of {node.name}", f"position in {node.name}", offset, offset)),
        (
            one,
            errors.site(
                f"position of {node.name}", f"position in {node.name}", *half_up_error(detail.shift, Fraction(1, 2**detail.position_bits))
            ),
        ),
    )
    rises = [Fraction(b) - Fraction(a) for a, b in zip(node.values, node.values[1:], strict=False)]
    along = errors.scaled_between(position, min(*rises, Fraction(0)), max(*rises, Fraction(0)), f"slope of {node.name}")
    knots = [knot * lsb - Fraction(value) for knot, value in zip(detail.knots, node.values, strict=True)]
    knot_error = errors.site(f"knots of {node.name}", f"knots of {node.name}", min(knots), max(knots))
    rounding = errors.site(f"rounding of {node.name}", f"rounding of {node.name}", *half_up_error(detail.position_bits, lsb))
    travel = (_reach(errors, node.operand) + abs(Fraction(node.start))) / step
    magnitude = max(abs(Fraction(value)) for value in node.values) * 4 + max(map(abs, rises)) * travel
    return add((one, along), (one, knot_error), (one, rounding), (one, _float_site(errors, node.name, magnitude, 4)))


def _wrapped_difference(node: WrappedDifference, errors: Errors) -> Form:
    proven = errors.fixed.formats[node.name]
    return _float_site(errors, node.name, max(abs(proven.low), abs(proven.high)) * proven.lsb, 3)


def _shorten(node: Shorten, errors: Errors) -> Form:
    detail = errors.fixed.details[node.name]
    assert isinstance(detail, ShortenDetail)
    lsb = errors.fixed.formats[node.name].lsb
    rounding = errors.site(f"rounding of {node.name}", f"shortening of {node.operand}", *half_up_error(detail.shift, lsb))
    return add((Fraction(1), errors.forms[node.operand]), (Fraction(1), rounding))


RULES: Mapping[type[Node], Callable[..., Form]] = total(
    {
        WeightedSum: _weighted_sum,
        Clamp: _clamp,
        Product: _product,
        Select: _select,
        Compare: _compare,
        Logic: _logic,
        Table: _table,
        WrappedDifference: _wrapped_difference,
        Shorten: _shorten,
    },
    "rounding errors",
    WALKED,
)


def trace_errors(fixed: FixedGraph) -> Errors:
    """Error forms of every signal for one tick, slow section included, from memory and inputs common to both readings."""
    errors = Errors(fixed)
    graph = fixed.graph
    for name, node in graph.nodes.items():
        if isinstance(node, Input | Delay | Parameter):
            proven = fixed.formats[name]
            # raw * lsb is exact in float64 for a power of two and up to 53 bits; else the common value itself is rounded.
            exact = proven.fraction_bits is not None and max(abs(proven.low), abs(proven.high)) < 2**53
            errors.forms[name] = {} if exact or node.is_bool else _float_site(errors, name, _magnitude(fixed, name), 0)
        elif isinstance(node, Constant):
            raw = getattr(fixed.details[name], "value", 0)
            difference = Fraction(0) if node.is_bool else raw * fixed.formats[name].lsb - Fraction(node.value)
            errors.forms[name] = errors.site(f"constant {name}", f"constant {name}", difference, difference)
    for part in (graph.before, graph.slow, graph.after):
        for node in part:
            if isinstance(node, SumOver):
                evaluation = _float_site(errors, node.name, graph.slow_every * _reach(errors, node.operand), 1)
                errors.forms[node.name] = add((Fraction(1), errors.forms[node.operand]), (Fraction(1), evaluation))
            else:
                errors.forms[node.name] = RULES[type(node)](node, errors)
        if part is graph.slow:
            errors.forms |= {delay.name: errors.held(errors.forms[delay.source]) for delay in graph.delays if delay.slow}
    return errors
