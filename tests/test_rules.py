"""Each rule against an evaluation written anew from the words of the node kinds, in exact rationals; tables are total."""

from __future__ import annotations

import math
from collections.abc import Callable
from fractions import Fraction
from types import ModuleType

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from codegen.formats import choose_formats
from codegen.graph import NODE_KINDS, Delay, GraphBuilder, Input, WeightedSum
from codegen.ranges import find_ranges
from codegen.rules import ctext, integer, interval, linear, real, rounding, vector
from codegen.rules.fixed import CompareDetail, FixedGraph, ProductDetail, ShortenDetail, SumDetail, TableDetail
from codegen.rules.integer import read_integer, round_half_up
from codegen.rules.interval import Interval, shifted, weighted
from codegen.rules.real import read_real
from codegen.rules.walk import WALKED, total
from codegen.targets import read_target

TABLES = {
    "real": real.RULES,
    "integer": integer.RULES,
    "arrays of integers": vector.INTEGER_RULES,
    "arrays of float64": vector.REAL_RULES,
    "intervals of reals": interval.REAL_INTERVALS,
    "intervals of integers": interval.INTEGER_INTERVALS,
    "rounding errors": rounding.RULES,
    "C text": ctext.RULES,
    "linear forms": linear.RULES,
}


def _nearest(value: Fraction) -> int:
    """Nearest integer, halves towards plus infinity."""
    return math.floor(value + Fraction(1, 2))


def _held(value: Fraction, low: float | int | None, high: float | int | None) -> Fraction:
    value = value if low is None or value >= low else Fraction(low)
    return value if high is None or value <= high else Fraction(high)


def _fixed(write: Callable[[GraphBuilder], None], target: str = "cortex-m0plus") -> FixedGraph:
    graph = GraphBuilder("rule", 0.001)
    write(graph)
    return choose_formats(find_ranges(graph.finish()), read_target(target), 1e6)


def _show(graph: GraphBuilder, signal: str, resolution: float) -> None:
    shown = graph.weighted_sum(f"shown_{signal}", [(1.0, signal)], resolution=resolution)
    graph.output(shown, shown, "int32_t")


@pytest.mark.parametrize("meaning", sorted(TABLES))
def test_table_has_a_rule_for_every_kind_and_fails_without_one(meaning: str) -> None:
    """A table that lacks a kind, or has one too many, is a TypeError that names it."""
    table = dict(TABLES[meaning])
    assert set(table) == NODE_KINDS - WALKED
    gone = table.pop(WeightedSum)
    with pytest.raises(TypeError, match=r"missing \['WeightedSum'\]"):
        total(table, meaning, WALKED)
    with pytest.raises(TypeError, match=r"superfluous \['Input'\]"):
        total(table | {WeightedSum: gone, Input: gone}, meaning, WALKED)


def test_integer_rule_and_c_text_rule_share_no_code() -> None:
    """Neither module imports the other: the comparison of both would test itself."""

    def imported(module: ModuleType) -> set[str]:
        return {value.__name__ for value in vars(module).values() if isinstance(value, ModuleType)} | {
            getattr(value, "__module__", "") for value in vars(module).values()
        }

    assert "codegen.rules.integer" not in imported(ctext)
    assert "codegen.rules.ctext" not in imported(integer)


@given(st.integers(-(2**70), 2**70), st.integers(0, 40))
def test_round_half_up_is_the_nearest_integer(value: int, shift: int) -> None:
    """value / 2**shift rounded to nearest, halves towards plus infinity, in integers of any size."""
    assert round_half_up(value, shift) == _nearest(Fraction(value, 2**shift))


@given(st.lists(st.tuples(st.integers(-50, 50), st.integers(-99, 99), st.integers(0, 40)), min_size=1, max_size=4), st.integers(0, 9))
def test_interval_of_a_weighted_sum_is_exact(rows: list[tuple[int, int, int]], shift: int) -> None:
    """The ends are attained at corners, rounding included, and nothing in between lies outside."""
    pairs = [(weight, Interval(low, low + width)) for weight, low, width in rows]
    found = shifted(weighted(pairs, 3), shift)
    corners = [0]
    for weight, (low, high) in pairs:
        corners = [corner + weight * int(end) for corner in corners for end in (low, high)]
    rounded = [_nearest(Fraction(corner + 3, 2**shift)) for corner in corners]
    assert found == Interval(min(rounded), max(rounded))


@given(st.tuples(st.integers(-9, 9), st.integers(0, 9)), st.tuples(st.integers(-9, 9), st.integers(0, 9)))
def test_interval_of_a_product_holds_every_product(a: tuple[int, int], b: tuple[int, int]) -> None:
    """Least and greatest of all products, not only of the corners."""
    first, second = Interval(a[0], a[0] + a[1]), Interval(b[0], b[0] + b[1])
    every = [x * y for x in range(int(first.low), int(first.high) + 1) for y in range(int(second.low), int(second.high) + 1)]
    assert first.times(second) == Interval(min(every), max(every))


def test_interval_zero_times_infinity_is_zero() -> None:
    """Infinite ends are limits of finite values, so nothing becomes undefined."""
    assert Interval(0, 0).times(Interval(-math.inf, math.inf)) == Interval(0, 0)
    assert Interval(0, 2).times(Interval(-math.inf, 3)) == Interval(-math.inf, 6)


def test_weighted_sum_clamp_and_product_of_integers() -> None:
    """Exact rationals, one rounding, then the limits; the clamp in the operand's own counts; the product's single shift."""

    def write(graph: GraphBuilder) -> None:
        x, y = graph.input("x", "int16_t", 0.01), graph.input("y", "int8_t", 0.3)
        a = graph.weighted_sum("a", [(0.37, x), (-1.9, y)], bias=0.7, limits=(-30.05, 61.77), resolution=0.05)
        held = graph.clamp("held", a, -10.01, 7.7)
        _show(graph, graph.product("p", held, x, scale=0.3, limits=(-99.0, 55.5)), 0.1)

    fixed = _fixed(write)
    reading = read_integer(fixed)
    a, p = fixed.details["a"], fixed.details["p"]
    assert isinstance(a, SumDetail) and isinstance(p, ProductDetail)
    weight_units = [Fraction(w) * fixed.formats["a"].lsb / 2**a.shift for w in a.weights]
    scales = fixed.formats["x"].lsb, fixed.formats["y"].lsb
    for unit, lsb, wanted in zip(weight_units, scales, (0.37, -1.9), strict=True):
        assert abs(unit / lsb / Fraction(wanted) - 1) < Fraction(1, 128)
    random = np.random.default_rng(5)
    for _ in range(400):
        x, y = int(random.integers(-(2**15), 2**15)), int(random.integers(-128, 128))
        values = reading.tick(reading.start(), {"x": x, "y": y})
        exact = Fraction(a.bias + a.weights[0] * x + a.weights[1] * y, 2**a.shift)
        assert values["a"] == _held(Fraction(_nearest(exact)), -601, 1235)  # ceil(-30.05 / 0.05), floor(61.77 / 0.05)
        assert values["held"] == _held(Fraction(values["a"]), -200, 154)  # ceil(-10.01 / 0.05), floor(7.7 / 0.05)
        assert values["p"] == _held(Fraction(_nearest(Fraction(values["held"] * x, 2**p.shift))), p.low, p.high)


def test_comparison_of_one_signal_is_exact_at_its_boundary() -> None:
    """One operand: the integer decision is the decision on the exact real value, for every relation, sign and count."""
    thresholds = [0.1, -0.3, 1.0, 0.25, 3.0]

    def write(graph: GraphBuilder) -> None:
        x = graph.input("x", "int8_t", 0.1)
        for place, threshold in enumerate(thresholds):
            for sign in (1.0, -2.0):
                for relation in (">", ">="):
                    stem = f"c{place}_{'up' if sign > 0 else 'down'}_{'gt' if relation == '>' else 'ge'}"
                    name = graph.compare(stem, [(sign, x)], relation, threshold)
                    graph.output(name, name, "bool")

    fixed = _fixed(write)
    reading = read_integer(fixed)
    for raw in range(-128, 128):
        values = reading.tick(reading.start(), {"x": raw})
        real_value = raw * Fraction(0.1)
        for place, threshold in enumerate(thresholds):
            for label, sign in (("up", 1), ("down", -2)):
                assert values[f"c{place}_{label}_gt"] == (sign * real_value > Fraction(threshold))
                assert values[f"c{place}_{label}_ge"] == (sign * real_value >= Fraction(threshold))


def test_comparison_of_two_signals_uses_the_exact_integer_sum() -> None:
    """Never rounded: one count decides."""

    def write(graph: GraphBuilder) -> None:
        x, y = graph.input("x", "int16_t", 0.01), graph.input("y", "int16_t", 0.25)
        name = graph.compare("c", [(1.0, x), (-1.7, y)], ">", 0.5)
        graph.output(name, name, "bool")

    fixed = _fixed(write)
    detail = fixed.details["c"]
    assert isinstance(detail, CompareDetail)
    reading = read_integer(fixed)
    a, b = detail.weights
    for y in range(-80, 80):
        edge = math.floor(Fraction(detail.threshold - b * y, a))
        for x in (edge - 1, edge, edge + 1):
            if abs(x) < 2**15:
                assert reading.tick(reading.start(), {"x": x, "y": y})["c"] == (a * x + b * y > detail.threshold)


def test_table_follows_its_knots_and_is_constant_beyond() -> None:
    """The integers' own position and knots, interpolated in rationals; float64 against numpy's interpolation."""
    values = [0.1, -2.0, 7.0, 7.0, -1.0]

    def write(graph: GraphBuilder) -> None:
        x = graph.input("x", "int16_t", 0.01)
        _show(graph, graph.table("t", x, -30.0, 20.0, values), 0.01)

    fixed = _fixed(write)
    detail = fixed.details["t"]
    assert isinstance(detail, TableDetail)
    reading, floating = read_integer(fixed), read_real(fixed.graph)
    for raw in range(-(2**15), 2**15, 37):
        position = Fraction(_nearest(Fraction(detail.weight * raw + detail.bias, 2**detail.shift)), 2**detail.position_bits)
        position = _held(position, 0, 4)
        place = min(math.floor(position), 3)
        rise = (detail.knots[place + 1] - detail.knots[place]) * (position - place)
        assert reading.tick(reading.start(), {"x": raw})["t"] == detail.knots[place] + _nearest(rise)
        smooth = np.interp(raw * 0.01, [-30.0, -10.0, 10.0, 30.0, 50.0], values)
        assert floating.tick(floating.start(), {"x": raw * 0.01})["t"] == pytest.approx(smooth, abs=1e-12)


@pytest.mark.parametrize("bits", [2, 8, 16])
def test_wrapped_difference_is_the_nearest_way_round(bits: int) -> None:
    """The representative in [-2**(bits-1), 2**(bits-1)), in integers and in float64; unchanged by an offset of both."""

    def write(graph: GraphBuilder) -> None:
        x = graph.input("x", "uint16_t", 0.1)
        last = graph.delay("last", source=x)
        _show(graph, graph.wrapped_difference("d", x, last, bits), 0.1)

    fixed = _fixed(write)
    reading, floating = read_integer(fixed), read_real(fixed.graph)
    random = np.random.default_rng(bits)
    for older in [0, 1, 2**15, 2**16 - 1, *map(int, random.integers(0, 2**16, 40))]:
        for step in [0, 1, -1, 2 ** (bits - 1), 2 ** (bits - 1) - 1, -(2 ** (bits - 1)), *map(int, random.integers(-400, 400, 9))]:
            newer = (older + step) % 2**16
            wanted = (newer - older) % 2**bits
            wanted -= 2**bits if wanted >= 2 ** (bits - 1) else 0
            memory = reading.start()
            memory.delays["last"] = older
            assert reading.tick(memory, {"x": newer})["d"] == wanted
            smooth = floating.start()
            smooth.delays["last"] = older * 0.1
            assert floating.tick(smooth, {"x": newer * 0.1})["d"] == pytest.approx(wanted * 0.1, abs=1e-9)


@pytest.mark.parametrize(("target", "shift"), [("atmega328p", 17), ("cortex-m0plus", 16)])
def test_shortened_copy_is_rounded_half_up(target: str, shift: int) -> None:
    """A 32-bit reading multiplies as a copy of 16 bits, of 17 where a whole word is multiplied as cheaply; rounded once."""
    fixed = _fixed(lambda graph: _show(graph, graph.weighted_sum("y", [(0.3, graph.input("x", "int32_t"))]), 1e5), target)
    detail = fixed.details["x_short"]
    assert isinstance(detail, ShortenDetail) and detail.shift == shift
    reading = read_integer(fixed)
    for raw in (-(2**31), 2**31 - 1, 0, 2**16, 2**16 - 1, -(2**16), -(2**16) - 1, 123456789):
        assert reading.tick(reading.start(), {"x": raw})["x_short"] == _nearest(Fraction(raw, 2**shift))


def test_select_and_logic_by_truth_table() -> None:
    """Every combination of three truth values, negated ones included."""

    def write(graph: GraphBuilder) -> None:
        a, b, c = (graph.input(name, "bool") for name in ("a", "b", "c"))
        x = graph.input("x", "int8_t")
        five = graph.constant("five", 5.0)
        every = graph.all_of("every", a, f"not {b}", c)
        some = graph.any_of("some", f"not {a}", b, f"not {c}")
        graph.output("every", every, "bool")
        graph.output("picked", graph.select("picked", every, a, some), "bool")
        graph.output("number", graph.select("number", some, x, five), "int8_t")

    fixed = _fixed(write)
    reading, floating = read_integer(fixed), read_real(fixed.graph)
    for code in range(8):
        a, b, c = (bool(code >> place & 1) for place in range(3))
        every, some = a and not b and c, not a or b or not c
        raw = reading.tick(reading.start(), {"a": int(a), "b": int(b), "c": int(c), "x": -7})
        smooth = floating.tick(floating.start(), {"a": a, "b": b, "c": c, "x": -7.0})
        for values in (raw, smooth):
            assert (values["every"], values["some"]) == (every, some)
            assert values["picked"] == (a if every else some)
            assert values["number"] == (-7 if some else 5)


def test_memory_and_live_gains_start_at_their_initial_values() -> None:
    """A delay shows its initial value on the first tick; a gain starts at its value and moves between its interval's ends."""

    def write(graph: GraphBuilder) -> None:
        x = graph.input("x", "int8_t")
        last = graph.delay("last", source=x, initial=-3.0)
        k = graph.parameter("k", 0.5, -1.0, 2.0)
        _show(graph, graph.product("p", last, k), 0.01)

    fixed = _fixed(write)
    assert any(isinstance(node, Delay) for node in fixed.graph.nodes.values())
    reading = read_integer(fixed)
    memory = reading.start()
    values = reading.tick(memory, {"x": 100})
    assert values["last"] == -3 and memory.delays["last"] == 100
    assert values["k"] * fixed.formats["k"].lsb == Fraction(1, 2)
    assert (fixed.formats["k"].real_low, fixed.formats["k"].real_high) == (-1.0, 2.0)


@given(*(st.integers(-12, 12) for _ in range(6)))
def test_difference_of_two_clamps_lies_between_errors_and_limit_shifts(a: int, b: int, c: int, d: int, x: int, e: int) -> None:
    """clamp(x + e, L', H') - clamp(x, L, H) lies between the least and greatest of e, L' - L, H' - H and 0 (derived here)."""
    low, high = sorted((a, b))
    low_fixed, high_fixed = sorted((c, d))
    difference = min(max(x + e, low_fixed), high_fixed) - min(max(x, low), high)
    ends = (e, low_fixed - low, high_fixed - high, 0)
    assert min(ends) <= difference <= max(ends)
