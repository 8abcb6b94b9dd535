"""Every rounding, limit and wrap of the emitted arithmetic against an independent arithmetic library.

Source: ``apytypes`` (fixed-point arithmetic of arbitrary width, O. Gustafsson, T. Henriksson, M. Wahlberg and others, Linkoping
University).  Its ``TIES_POS`` is rounding to nearest with ties towards plus infinity, our one way of rounding; ``SAT`` limits to the
word, which is our limit where the limits are the word's own; ``WRAP`` is our difference of wrapped counters.

Numbers go in as bit patterns and change format by ``cast`` only: the library's ``from_float`` wraps in silence, and its ``>>`` moves
the binary point instead of the bits.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from apytypes import APyFixed, APyFixedArray, OverflowMode, QuantizationMode
from hypothesis import given, settings
from hypothesis import strategies as st

from codegen.formats import choose_formats
from codegen.graph import Delay, Graph, Node, Shorten, check_graph
from codegen.graph.builder import GraphBuilder
from codegen.ranges import find_ranges
from codegen.rules.fixed import Detail, FixedGraph, Format, PlainDetail, ProductDetail, RawDetail, ShortenDetail, SumDetail, WrapDetail
from codegen.rules.integer import read_integer, round_half_up
from codegen.targets import read_target
from tests.two_readings import TwoReadings

INT32 = (-(2**31), 2**31 - 1)
EDGES32 = [-(2**31), -(2**31) + 1, -(2**16), -(2**15), -3, -2, -1, 0, 1, 2, 3, 2**15 - 1, 2**15, 2**31 - 2, 2**31 - 1]


def number(value: int, bits: int = 80) -> APyFixed:
    """A whole number in a word wide enough for it."""
    return APyFixed(value % 2**bits, bits, 0)


def signed(pattern: int, bits: int) -> int:
    return pattern - 2**bits if pattern >= 2 ** (bits - 1) else pattern


def shifted_into(value: APyFixed, shift: int, bits: int, overflow: OverflowMode) -> int:
    """``value`` / 2^shift as a ``bits`` wide integer: ties towards plus infinity, then ``overflow``."""
    # Moving the binary point is exact; the cast then drops the bits behind it.
    moved = APyFixed(value.to_bits(), int_bits=value.int_bits - shift, frac_bits=value.frac_bits + shift)
    return signed(int(moved.cast(int_bits=bits, frac_bits=0, quantization=QuantizationMode.TIES_POS, overflow=overflow).to_bits()), bits)


def word(bits: int) -> tuple[int, int]:
    return -(2 ** (bits - 1)), 2 ** (bits - 1) - 1


def pipe(names: list[str]) -> Graph:
    """A graph of four inputs with one sum, one product, one shortened copy and one counter difference per row name.

    The realisation is written by hand below, so that words up to 48 bits and all shifts occur; only the shape counts here.
    """
    graph = GraphBuilder("witness", 1.0)
    a, b = graph.input("a", "int32_t"), graph.input("b", "int32_t")
    c = graph.input("c", "int16_t")
    graph.delay("a_last", source=a)
    for name in names:
        total = graph.weighted_sum(f"{name}_sum", [(1.0, a), (1.0, b), (1.0, c)])
        graph.delay(f"{name}_sum_kept", source=total)
        graph.delay(f"{name}_product_kept", source=graph.product(f"{name}_product", a, b))
        graph.delay(f"{name}_wrap_kept", source=graph.wrapped_difference(f"{name}_wrap", a, "a_last", 2))
    graph.output("c_shown", c, "int16_t")
    unfinished = graph.finish()
    nodes: list[Node] = list(unfinished.nodes.values())
    for name in names:
        short = Shorten(name=f"{name}_short", operand=f"{name}_sum")
        nodes += [short, Delay(name=f"{name}_short_kept", source=short.name)]
    return check_graph(unfinished.name, unfinished.title, 1.0, 1, nodes, unfinished.outputs)


def container(bits: int) -> int:
    return 16 if bits <= 16 else 32 if bits <= 32 else 64


def fixed_graph(rows: dict[str, dict[str, Any]]) -> FixedGraph:
    """A realisation in which row ``name`` has the given weights, shifts and words."""
    graph = pipe(list(rows))
    formats: dict[str, Format] = {}
    details: dict[str, Detail] = {}

    def put(name: str, bits: int, detail: Detail, ctype: str = "") -> None:
        low, high = word(bits)
        formats[name] = Format(Fraction(1), container(bits), low, high, ctype or f"int{container(bits)}_t")
        details[name] = detail

    for name, bits in (("a", 32), ("b", 32), ("c", 16)):
        put(name, bits, PlainDetail())
    put("a_last", 32, RawDetail(0, 0, 0))
    for name, row in rows.items():
        low, high = word(row["sum_bits"])
        put(f"{name}_sum", row["sum_bits"], SumDetail(row["weights"], row["sum_shift"], row["bias"], low, high, 64))
        put(f"{name}_sum_kept", row["sum_bits"], RawDetail(0, 0, 0))
        low, high = word(row["product_bits"])
        put(f"{name}_product", row["product_bits"], ProductDetail(row["product_shift"], low, high, 64))
        put(f"{name}_product_kept", row["product_bits"], RawDetail(0, 0, 0))
        # A shortened copy is never limited, so its word holds whatever is left; one bit more for rounding up.
        put(f"{name}_short", max(8, row["sum_bits"] - row["short_shift"] + 1), ShortenDetail(row["short_shift"]))
        put(f"{name}_short_kept", max(8, row["sum_bits"] - row["short_shift"] + 1), RawDetail(0, 0, 0))
        put(f"{name}_wrap", row["wrap_bits"], WrapDetail(row["wrap_bits"]))
        put(f"{name}_wrap_kept", row["wrap_bits"], RawDetail(0, 0, 0))
    details["c_shown"] = PlainDetail()
    return FixedGraph(graph, formats, details, "cortex-m4")


def witness(row: dict[str, Any], a: int, b: int, c: int, a_last: int) -> dict[str, int]:
    """What the library makes of one row."""
    w = row["weights"]
    total = number(w[0]) * number(a) + number(w[1]) * number(b) + number(w[2]) * number(c) + number(row["bias"])
    whole = shifted_into(total, row["sum_shift"], row["sum_bits"], OverflowMode.SAT)
    product = shifted_into(number(a) * number(b), row["product_shift"], row["product_bits"], OverflowMode.SAT)
    short = shifted_into(number(whole), row["short_shift"], 64, OverflowMode.SAT)
    wrap = shifted_into(number(a) - number(a_last), 0, row["wrap_bits"], OverflowMode.WRAP)
    return {"sum": whole, "product": product, "short": short, "wrap": wrap}


ROWS = st.fixed_dictionaries(
    {
        "weights": st.tuples(*[st.integers(-(2**29), 2**29)] * 3),
        "bias": st.integers(-(2**40), 2**40),
        "sum_shift": st.integers(0, 30),
        "sum_bits": st.integers(8, 48),
        "product_shift": st.integers(0, 30),
        "product_bits": st.integers(8, 48),
        "short_shift": st.integers(1, 30),
        "wrap_bits": st.integers(2, 32),
    }
)
RAW32 = st.one_of(st.sampled_from(EDGES32), st.integers(*INT32), st.integers(-70000, 70000))


@settings(max_examples=150, deadline=None, derandomize=True)
@given(row=ROWS, a=RAW32, b=RAW32, c=st.integers(-(2**15), 2**15 - 1), before=RAW32)
def test_integer_rules(row: dict[str, Any], a: int, b: int, c: int, before: int) -> None:
    """Weighted sum, product, shortened copy and wrapped difference of random words, shifts and weights."""
    reading = read_integer(fixed_graph({"row": row}))
    memory = reading.start()
    memory.delays["a_last"] = before
    values = reading.tick(memory, {"a": a, "b": b, "c": c})
    assert {kind: values[f"row_{kind}"] for kind in ("sum", "product", "short", "wrap")} == witness(row, a, b, c, before)


@settings(max_examples=400, deadline=None, derandomize=True)
@given(value=st.integers(-(2**60), 2**60), shift=st.integers(0, 58))
def test_rounding_shift(value: int, shift: int) -> None:
    assert round_half_up(value, shift) == shifted_into(number(value), shift, 64, OverflowMode.SAT)


def test_the_witness_can_tell_roundings_apart() -> None:
    """Its neighbouring modes differ from ours on ties, so agreement above means something."""
    ties = [(-3, 1), (-1, 1), (1, 1), (3, 1), (5, 1), (-6, 2), (6, 2), (1, 2), (-1, 2)]
    ours = [round_half_up(value, shift) for value, shift in ties]
    assert ours == [-1, 0, 1, 2, 3, -1, 2, 0, 0]
    for mode in ("TIES_NEG", "TIES_ZERO", "TIES_AWAY", "TIES_EVEN", "TIES_ODD", "TO_NEG", "TO_ZERO", "TO_POS"):
        other = [
            signed(int(APyFixed(value % 2**16, 16 - shift, shift).cast(16, 0, getattr(QuantizationMode, mode)).to_bits()), 16)
            for value, shift in ties
        ]
        assert other != ours, mode


def drawn_rows(count: int, rng: np.random.Generator) -> dict[str, dict[str, Any]]:
    """Rows that between them use every word of 8 to 48 bits, every shift and every counter width."""
    return {
        f"r{index}": {
            "weights": tuple(int(w) for w in rng.integers(-(2 ** rng.integers(1, 30)), 2 ** rng.integers(1, 30), 3)),
            "bias": int(rng.integers(-(2**40), 2**40)) if index % 2 else 0,
            "sum_shift": index % 31,
            "sum_bits": 8 + index % 41,
            "product_shift": (7 * index) % 31,
            "product_bits": 8 + (5 * index) % 41,
            "short_shift": 1 + (3 * index) % 30,
            "wrap_bits": 2 + index % 31,
        }
        for index in range(count)
    }


def array(values: list[int], bits: int = 80) -> APyFixedArray:
    return APyFixedArray([value % 2**bits for value in values], int_bits=bits, frac_bits=0)


def cast_all(values: APyFixedArray, shift: int, bits: int, overflow: OverflowMode) -> list[int]:
    moved = APyFixedArray(values.to_bits(), int_bits=values.int_bits - shift, frac_bits=values.frac_bits + shift)
    cast = moved.cast(int_bits=bits, frac_bits=0, quantization=QuantizationMode.TIES_POS, overflow=overflow)
    return [signed(int(pattern), bits) for pattern in cast.to_bits()]


def test_emitted_c() -> None:
    """82 rows of random words in one controller, 300 operand sets: every stored result as the library has it."""
    rng = np.random.default_rng(411)
    rows = drawn_rows(82, rng)
    assert {row["sum_bits"] for row in rows.values()} == {row["product_bits"] for row in rows.values()} == set(range(8, 49))
    assert {row["sum_shift"] for row in rows.values()} == {row["product_shift"] for row in rows.values()} == set(range(31))
    lanes = 300
    scale = 2 ** rng.integers(0, 31, size=(3, lanes))
    a, b, before = (rng.integers(-(2**31), 2**31, size=(3, lanes)) // scale).tolist()
    a[: len(EDGES32)], b[: len(EDGES32)], before[: len(EDGES32)] = EDGES32, EDGES32[::-1], [EDGES32[-1]] * len(EDGES32)
    c = rng.integers(-(2**15), 2**15, size=lanes).tolist()
    with TwoReadings(fixed_graph(rows)) as both:
        host = both.host
        memory = host.start(lanes)
        memory[host.memory.index("a_last")] = before
        both.run_lanes(memory, np.array([[a, b, c]], dtype=np.int64))
        kept = {name: memory[place].tolist() for place, name in enumerate(host.memory)}
    products = array(a) * array(b)
    differences = array(a) - array(before)
    for name, row in rows.items():
        w = row["weights"]
        total = array([w[0]]) * array(a) + array([w[1]]) * array(b) + array([w[2]]) * array(c) + array([row["bias"]])
        sums = cast_all(total, row["sum_shift"], row["sum_bits"], OverflowMode.SAT)
        assert kept[f"{name}_sum_kept"] == sums, name
        assert kept[f"{name}_short_kept"] == cast_all(array(sums), row["short_shift"], 64, OverflowMode.SAT), name
        assert kept[f"{name}_product_kept"] == cast_all(products, row["product_shift"], row["product_bits"], OverflowMode.SAT), name
        assert kept[f"{name}_wrap_kept"] == cast_all(differences, 0, row["wrap_bits"], OverflowMode.WRAP), name


@pytest.mark.parametrize("target", ["cortex-m4", "cortex-m0plus", "atmega328p"])
def test_chosen_formats(target: str) -> None:
    """Words chosen by the product itself for prescribed results of 8 to 16 bits: value for value as the library casts them."""
    graph = GraphBuilder("chosen", 1.0)
    a, b = graph.input("a", "int16_t", 2.0**-15), graph.input("b", "int16_t", 2.0**-15)
    graph.delay("a_last", source=a)
    weights = {8: (3, -5), 9: (7, 1), 10: (-11, 13), 11: (1, 1), 12: (15, -15), 13: (-1, 3), 14: (5, 9), 15: (13, -2), 16: (3, 3)}
    for bits, (first, second) in weights.items():
        # Weights in eighths: the exact sum has 18 fraction bits, of which ``bits`` - 1 are kept.
        lsb = 2.0 ** -(bits - 1)
        name = f"s{bits}"
        graph.weighted_sum(name, [(first / 8, a), (second / 8, b)], limits=(-1.0, 1.0 - lsb), resolution=lsb)
        graph.output(name, name, "int16_t")
    fixed = choose_formats(find_ranges(graph.finish()), read_target(target), error_budget_counts=0.500001)
    rng = np.random.default_rng(8)
    lanes = 2000
    operands = rng.integers(-(2**15), 2**15, size=(2, lanes))
    operands[:, :4] = [[-(2**15), -(2**15), 2**15 - 1, 2**15 - 1], [-(2**15), 2**15 - 1, -(2**15), 2**15 - 1]]
    with TwoReadings(fixed) as both:
        outputs = both.run_lanes(both.host.start(lanes), operands[None, :, :].astype(np.int64))[0]
        both.run([{"a": int(x), "b": int(y)} for x, y in operands.T[:50]])
    first_raw, second_raw = (array(row.tolist()) for row in operands)
    for row, (bits, (first, second)) in zip(outputs, weights.items(), strict=True):
        total = array([first]) * first_raw + array([second]) * second_raw
        assert row.tolist() == cast_all(total, 19 - bits, bits, OverflowMode.SAT)


@pytest.mark.parametrize("target", ["cortex-m4", "cortex-m0plus", "atmega328p"])
def test_operand_of_a_full_word(target: str) -> None:
    """A 32-bit reading at both ends of its word: rounding it into a shorter copy must not run over the word's end."""
    graph = GraphBuilder("full", 1.0)
    x = graph.input("x", "int32_t", 2.0**-31)
    last = graph.delay("x_last", source=x)
    graph.weighted_sum("y", [(0.25, x), (0.375, last)], limits=(-0.9, 0.9), resolution=2.0**-12)
    graph.output("y", "y", "int16_t")
    ends = [*INT32, INT32[1], INT32[1] - 1, *INT32, 2**30, INT32[1], INT32[1]]
    with TwoReadings(choose_formats(find_ranges(graph.finish()), read_target(target))) as both:
        shown = [tick["y"] for tick in both.run([{"x": value} for value in ends])]
    total = array([2]) * array(ends) + array([3]) * array([0, *ends[:-1]])
    exact = cast_all(total, 22, 32, OverflowMode.SAT)
    assert max(abs(got - wanted) for got, wanted in zip(shown, exact, strict=True)) <= 1
