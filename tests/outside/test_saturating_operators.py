"""Weighted sums, products and limits against the published basic operators of speech coding.

Source: ITU-T Recommendation G.191, Software Tool Library, basic operators (definitions in ``src/basop/basop32.c``, library of
the open recommendation, commit 139db497; manual ``basop.tex``).  The values below were obtained by compiling those definitions.

How an operator is said in our node kinds, with one count of a short word worth 2^-15 and of a long word 2^-31:

* ``add``, ``sub``, ``negate``, ``shl`` and ``shr`` to the left: a weighted sum with the word's own limits (weight 2^n for a shift);
* ``abs_s``: a comparison and a select between the operand and ``negate``;
* ``shr_r``, ``L_shr_r``, ``round_fx``: a weighted sum into a coarser word, rounded once, half up;
* ``mult_r``, ``Mpy_32_16_r``, ``Mpy_32_32_r``: a product, rounded once, half up, then limited (by a clamp, or by itself);
* ``L_mult``, ``L_mac``, ``L_msu``: an exact product and a weighted sum, limited once.

What we do not have, on purpose: operators that cut low bits off instead of rounding (``mult``, ``shr``, ``Mpy_32_16_1``,
``Mpy_32_32``, ``extract_h``, ``extract_l``); where no bit is cut their value is that of the rounding operator, and those values
are used here.  No normalisation (``norm_s``, ``norm_l``) and no division (``div_s``): scales are chosen before the controller
runs.  ``L_mac`` limits its product before it adds; a weighted sum never limits a part, so the two differ where the product alone
is -1 times -1 (not among the published values).
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from codegen.graph import Graph, GraphBuilder
from tests.two_readings import TwoReadings, prescribe, realise

SHORT, LONG = 2.0**-15, 2.0**-31
MIN16, MAX16, MIN32, MAX32 = -(2**15), 2**15 - 1, -(2**31), 2**31 - 1

# operator here, (a, b, long_a, long_b), published result, operator there
SHORT_VALUES = [
    ("add", (MAX16, 1, 0, 0), MAX16, "add"),
    ("sub", (MIN16, 1, 0, 0), MIN16, "sub"),
    ("negate", (MIN16, 0, 0, 0), MAX16, "negate"),
    ("abs_s", (MIN16, 0, 0, 0), MAX16, "abs_s"),
    ("mult_r", (MIN16, MIN16, 0, 0), MAX16, "mult_r"),
    ("mult_r", (-1, 16384, 0, 0), 0, "mult_r"),
    ("mult_r", (1, 16384, 0, 0), 1, "mult_r"),
    ("mult_r", (-3, 16384, 0, 0), -1, "mult_r"),
    ("mult_r", (MIN16, MAX16, 0, 0), -MAX16, "mult, nothing cut"),
    ("sum_of_product", (MIN16, MIN16, 0, 0), MAX16, "mult_r"),
    ("sum_of_product", (-1, 16384, 0, 0), 0, "mult_r"),
    ("sum_of_product", (1, 16384, 0, 0), 1, "mult_r"),
    ("sum_of_product", (-3, 16384, 0, 0), -1, "mult_r"),
    ("l_mult", (MIN16, MIN16, 0, 0), MAX32, "L_mult"),
    ("l_mult", (MAX16, MAX16, 0, 0), 2147352578, "L_mult"),
    ("l_mult", (MIN16, MAX16, 0, 0), -2147418112, "L_mult"),
    ("l_mac", (1, 1, MAX32, 0), MAX32, "L_mac"),
    ("l_mac", (16384, 16384, -1, 0), 536870911, "L_mac"),
    ("l_msu", (1, 1, MIN32, 0), MIN32, "L_msu"),
    ("round_fx", (0, 0, 0x7FFF8000, 0), MAX16, "round_fx"),
    ("round_fx", (0, 0, 0x00008000, 0), 1, "round_fx"),
    ("round_fx", (0, 0, 0xFFFF8000 - 2**32, 0), 0, "round_fx"),
    ("round_fx", (0, 0, 0x00007FFF, 0), 0, "round_fx"),
    ("round_fx", (0, 0, 0xFFFF7FFF - 2**32, 0), -1, "round_fx"),
    ("shr_r_1", (1, 0, 0, 0), 1, "shr_r by 1"),
    ("shr_r_1", (-1, 0, 0, 0), 0, "shr_r by 1"),
    ("shr_r_1", (-3, 0, 0, 0), -1, "shr_r by 1"),
    ("shr_r_1", (3, 0, 0, 0), 2, "shr_r by 1"),
    ("shr_r_15", (MIN16, 0, 0, 0), -1, "shr_r by 15"),
    ("shr_r_16", (-1, 0, 0, 0), 0, "shr_r by 16"),
    ("l_shr_r_31", (0, 0, -1, 0), 0, "L_shr_r by 31"),
    ("l_shr_r_31", (0, 0, 0x40000000, 0), 1, "L_shr_r by 31"),
    ("shl_1", (16384, 0, 0, 0), MAX16, "shl by 1"),
    ("shl_15", (1, 0, 0, 0), MAX16, "shl by 15"),
    ("shl_15", (-1, 0, 0, 0), MIN16, "shl by 15"),
    ("shl_20", (1, 0, 0, 0), MAX16, "shr by -20"),
]
LONG_VALUES = [
    ("mpy_32_16_r", (0, MIN16, MIN32, 0), MAX32, "Mpy_32_16_1, nothing cut"),
    ("mpy_32_16_r", (0, 1, 0x40000000, 0), 32768, "Mpy_32_16_r"),
    ("mpy_32_32_r", (0, 0, MIN32, MIN32), MAX32, "Mpy_32_32, nothing cut"),
    ("mpy_32_32_r", (0, 0, -1, 1), 0, "Mpy_32_32_r"),
]
# Long products only where a multiplication of two long words is cheap: elsewhere operands are shortened first.
CORES = [("cortex-m4", True), ("cortex-m3", False), ("cortex-m0plus", False), ("atmega328p", False)]


def operators(*, long_products: bool) -> Graph:
    graph = GraphBuilder("operators", 1.0)
    a, b = graph.input("a", "int16_t", SHORT), graph.input("b", "int16_t", SHORT)
    long_a, long_b = graph.input("long_a", "int32_t", LONG), graph.input("long_b", "int32_t", LONG)
    graph.delay("a_last", source=a)
    short_limits, long_limits = (-1.0, 1.0 - SHORT), (-1.0, 1.0 - LONG)

    def short(name: str, *terms: tuple[float, str]) -> None:
        graph.output(name, graph.weighted_sum(name, terms, limits=short_limits, resolution=SHORT), "int16_t")

    def long(name: str, *terms: tuple[float, str]) -> None:
        graph.output(name, graph.weighted_sum(name, terms, limits=long_limits, resolution=LONG), "int32_t")

    short("add", (1.0, a), (1.0, b))
    short("sub", (1.0, a), (-1.0, b))
    short("negate", (-1.0, a))
    not_negative = graph.compare("not_negative", [(1.0, a)], ">=", 0.0)
    graph.output("abs_s", graph.select("magnitude", not_negative, a, "negate"), "int16_t")
    rounded = graph.product("rounded", a, b)
    graph.output("mult_r", graph.clamp("mult_r", rounded, *short_limits), "int16_t")
    exact = graph.product("exact", a, b)
    short("sum_of_product", (1.0, exact))
    long("l_mult", (1.0, exact))
    long("l_mac", (1.0, long_a), (1.0, exact))
    long("l_msu", (1.0, long_a), (-1.0, exact))
    short("round_fx", (1.0, long_a))
    for places in (1, 15, 16):
        short(f"shr_r_{places}", (2.0**-places, a))
    long("l_shr_r_31", (2.0**-31, long_a))
    for places in (1, 15, 20):
        short(f"shl_{places}", (2.0**places, a))
    words = {"exact": 2.0**-30, "rounded": SHORT}
    if long_products:
        for name, left, right in (("mpy_32_16_r", long_a, b), ("mpy_32_32_r", long_a, long_b)):
            graph.output(name, graph.clamp(f"{name}_shown", graph.product(name, left, right, limits=long_limits), *long_limits), "int32_t")
            words[name] = LONG
    return prescribe(graph.finish(), words)


@pytest.fixture(scope="module", params=CORES, ids=lambda core: str(core[0]))
def readings(request: pytest.FixtureRequest) -> Iterator[TwoReadings]:
    """The operators for one core, under a budget that leaves nothing but each result's own rounding."""
    target, long_products = request.param
    with TwoReadings(realise(operators(long_products=long_products), target, error_budget_counts=0.5001)) as both:
        yield both


def test_published_values(readings: TwoReadings) -> None:
    known = {output.name for output in readings.fixed.graph.outputs}
    rows = SHORT_VALUES + [row for row in LONG_VALUES if row[0] in known]
    outputs = readings.run([dict(zip(("a", "b", "long_a", "long_b"), operands, strict=True)) for _, operands, _, _ in rows])
    got = [(there, operands, result[name]) for (name, operands, _, there), result in zip(rows, outputs, strict=True)]
    assert got == [(there, operands, value) for _, operands, value, there in rows]


def test_definitions_beyond_the_published_values(readings: TwoReadings) -> None:
    """Edges of the words against each other, by the recommendation's definitions in unlimited integers."""
    edges = [MIN16, MIN16 + 1, -16385, -3, -2, -1, 0, 1, 2, 3, 16383, 16384, MAX16 - 1, MAX16]
    pairs = np.array([(a, b) for a in edges for b in edges]).T
    lanes = pairs.shape[1]
    longs = np.array([MIN32, MIN32 + 1, -32769, -32768, -1, 0, 1, 32767, 32768, MAX32 - 32768, MAX32 - 1, MAX32])
    long_a = np.resize(longs, lanes)
    inputs = np.stack([pairs[0], pairs[1], long_a, np.resize(longs[::-1], lanes)])[None, :, :]
    host = readings.host
    outputs = readings.run_lanes(host.start(lanes), inputs)[0]
    got = {name: outputs[row].tolist() for row, name in enumerate(host.outputs)}

    def short(value: int) -> int:
        return min(max(value, MIN16), MAX16)

    def long(value: int) -> int:
        return min(max(value, MIN32), MAX32)

    rows = list(zip(pairs[0].tolist(), pairs[1].tolist(), long_a.tolist(), strict=True))
    assert got["add"] == [short(a + b) for a, b, _ in rows]
    assert got["sub"] == [short(a - b) for a, b, _ in rows]
    assert got["abs_s"] == [short(abs(a)) for a, _, _ in rows]
    assert got["mult_r"] == got["sum_of_product"] == [short((a * b + 2**14) // 2**15) for a, b, _ in rows]
    assert got["l_mult"] == [long(2 * a * b) for a, b, _ in rows]
    assert got["l_mac"] == [long(c + 2 * a * b) for a, b, c in rows]
    assert got["l_msu"] == [long(c - 2 * a * b) for a, b, c in rows]
    assert got["round_fx"] == [short((c + 2**15) // 2**16) for _, _, c in rows]
    assert got["shl_15"] == [short(a * 2**15) for a, _, _ in rows]
