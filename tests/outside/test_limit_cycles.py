"""Dead bands, limit cycles and overflow: first- and second-order sections whose words are exactly those of published examples.

Sources, by test:

* L. B. Jackson, "An analysis of limit cycles due to multiplication rounding in recursive digital (sub)filters", 7th Allerton
  Conference, 1969 (from memory): dead band 0.5 / (1 - |a|).  The formula also stands at cnx.org/content/m11928 (D. L. Jones).
* A. V. Oppenheim, R. W. Schafer, "Discrete-Time Signal Processing", zero-input limit cycles (from memory): a = 1/2 and a = -1/2
  with three fraction bits from 7/8.
* padmasrinabanlecture.blogspot.com/2021/11: y(n) = 0.95 y(n-1) + x(n), x(0) = 0.875, four fraction bits, dead band 0.625.
* "Limit cycle oscillations" (teaching page; attributed from memory to B. W. Bomar, "Finite wordlength effects", in V. Madisetti,
  D. Williams (eds.), "The Digital Signal Processing Handbook"): poles 0.4375 +- j 0.6585, three fraction bits, an oscillation of
  1/8 with period 6.
* cnx.org/content/m11928 (D. L. Jones): overflow of 1/(1 - z^-1 + 1/2 z^-2) from the state +-4/5.
* P. M. Ebert, J. E. Mazo, M. G. Taylor, "Overflow oscillations in digital filters", Bell System Technical Journal 48, 1969,
  p. 2999: limiting the sum leaves no zero-input overflow oscillation in any stable second-order section.
* J. L. Long, T. N. Trick, "An absolute bound on limit cycles due to roundoff errors in digital filters", IEEE Trans. Audio and
  Electroacoustics 21, 1973 (from memory): |y| is at most the worst-case peak gain times the largest rounding error.
* L. Wanhammar, "DSP Integrated Circuits", 1999, p. 205: average 18.285 counts at the output of a section that cuts bits off
  (coefficients 489/256 and -15/16 from memory; they give 1/2 * 256/7 = 18.2857).

Our sums never wrap, so only the limited form of the overflow example exists here.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from fractions import Fraction

import numpy as np
import pytest
from scipy.signal import lfilter

from codegen.graph import Graph, GraphBuilder
from codegen.host.controller import Counts
from codegen.peak_gain import peak_gain
from codegen.rules.fixed import FixedGraph, SumDetail
from tests.two_readings import TwoReadings, realise

Rounding = Callable[[Fraction], int]
ROUNDINGS: dict[str, Rounding] = {
    "half up": lambda value: math.floor(value + Fraction(1, 2)),
    "half away from zero": lambda value: math.floor(abs(value) + Fraction(1, 2)) * (1 if value >= 0 else -1),
    "half to even": round,
    "floor": math.floor,
    "toward zero": math.trunc,
}


def section(feedback: tuple[float, ...], limit_counts: int) -> Graph:
    """y(n) = Q[sum of feedback_k y(n-k)] + x(n) in whole counts, limited at +-``limit_counts``."""
    graph = GraphBuilder("section", 1.0)
    x = graph.input("x", "int16_t", 1.0)
    last: str = graph.delay("y_1")
    terms = [(feedback[0], last)]
    for place, weight in enumerate(feedback[1:], start=2):
        last = graph.delay(f"y_{place}", source=last)
        terms.append((weight, last))
    y = graph.weighted_sum("y", [*terms, (1.0, x)], resolution=1.0, limits=(float(-limit_counts), float(limit_counts)))
    graph.connect("y_1", y)
    graph.output("y", y, "int32_t")
    return graph.finish()


def words(graph: Graph, target: str = "cortex-m4") -> FixedGraph:
    """Realise with so small a budget that coefficients get long weights and only the rounding of the sum is left."""
    return realise(graph, target, error_budget_counts=0.500001)


def realised_feedback(fixed: FixedGraph) -> list[Fraction]:
    """The feedback coefficients that the C really multiplies by."""
    detail = fixed.details["y"]
    assert isinstance(detail, SumDetail)
    return [Fraction(weight, 2**detail.shift) for weight in detail.weights[:-1]]


def impulse(height: int, ticks: int) -> list[dict[str, int]]:
    return [{"x": height}] + [{"x": 0}] * (ticks - 1)


def decay(feedback: float, start: int, ticks: int, rounding: Rounding) -> list[int]:
    """Zero-input sequence of a first-order section under some way of rounding."""
    values = [start]
    while len(values) < ticks:
        values.append(rounding(Fraction(feedback) * values[-1]))
    return values


@pytest.mark.parametrize("target", ["cortex-m4", "cortex-m3", "cortex-m0plus", "atmega328p"])
def test_half_with_three_fraction_bits_sticks(target: str) -> None:
    """Oppenheim and Schafer: 7/8, 4/8, 2/8, 1/8, 1/8, ... for ever."""
    with TwoReadings(words(section((0.5,), 7), target)) as both:
        assert [tick["y"] for tick in both.run(impulse(7, 10))] == [7, 4, 2, 1, 1, 1, 1, 1, 1, 1]


@pytest.mark.parametrize("target", ["cortex-m4", "cortex-m3", "cortex-m0plus", "atmega328p"])
def test_emitted_c_rounds_half_up(target: str) -> None:
    """The two sequences of the book tell five ways of rounding apart: a = 1/2 from 7 and from -7, a = -1/2 from 7.

    The book's own a = -1/2 sequence 7, -4, 2, -1, 1, -1, ... is that of halves away from zero; half up dies out.
    """
    assert decay(-0.5, 7, 8, ROUNDINGS["half away from zero"]) == [7, -4, 2, -1, 1, -1, 1, -1]
    cases = [(0.5, 7), (0.5, -7), (-0.5, 7)]
    predicted = {name: [decay(a, start, 10, rounding) for a, start in cases] for name, rounding in ROUNDINGS.items()}
    assert all(first == second or predicted[first] != predicted[second] for first in predicted for second in predicted)
    emitted = []
    for a, start in cases:
        with TwoReadings(words(section((a,), 7), target)) as both:
            emitted.append([tick["y"] for tick in both.run(impulse(start, 10))])
    assert [name for name, sequences in predicted.items() if sequences == emitted] == ["half up"]
    assert emitted[2] == [7, -3, 2, -1, 1, 0, 0, 0, 0, 0]


def test_four_fraction_bits_stick_at_the_published_dead_band() -> None:
    """0.95 from 0.875 in sixteenths: 14, 13, 12, 11, 10, 10, ...; stuck at 0.625.

    9.5 is a tie, so the published value needs a weight that is not below 0.95: the realised one is not.
    """
    fixed = words(section((0.95,), 15))
    assert Fraction(95, 100) <= realised_feedback(fixed)[0] < Fraction(95, 100) + Fraction(1, 2**15)
    with TwoReadings(fixed) as both:
        values = [tick["y"] for tick in both.run(impulse(14, 12))]
    assert values == [14, 13, 12, 11, 10, 10, 10, 10, 10, 10, 10, 10]
    assert values[-1] / 16 == 0.625


def test_one_step_dead_band_of_a_half() -> None:
    """y(n) = 0.5 y(n-1) + x(n) in steps of 1/16 (quizall.hivanix.in, question 399418; step inferred): dead band 1/16."""
    with TwoReadings(words(section((0.5,), 15))) as both:
        memory = np.arange(-15, 16, dtype=np.int64)[None, :].copy()
        both.run_lanes(memory, np.zeros((40, 1, 31), dtype=np.int64))
    assert np.abs(memory).max() / 16 == 1 / 16


# Dead band in counts as printed by the formula; a floor instead of a rounding would give -9, -19, -99, -127, -992.
DEAD_BANDS = [(0.9, 5), (0.95, 10), (0.99, 50), (127 / 128, 64), (32735 / 32768, 496)]


@pytest.mark.parametrize(("feedback", "dead_band"), DEAD_BANDS)
def test_first_order_dead_band_exhaustively(feedback: float, dead_band: int) -> None:
    """Every start value up to twice the dead band ends inside it, and everything inside stays where it is.

    Half up, so a tie holds a positive value and lets a negative one go.
    """
    fixed = words(section((feedback,), 2 * dead_band))
    a = realised_feedback(fixed)[0]
    assert 0 <= a - Fraction(feedback) < Fraction(1, 2**29)
    limit = Fraction(1, 2) / (1 - a)
    stuck_above, stuck_below = math.floor(limit), -(math.ceil(limit) - 1)
    assert stuck_above == dead_band
    with TwoReadings(fixed) as both:
        starts = np.arange(-2 * dead_band, 2 * dead_band + 1, dtype=np.int64)
        zeros = np.zeros((1, 1, starts.size), dtype=np.int64)
        memory = starts[None, :].copy()
        both.run_lanes(memory, zeros)
        stays = starts[memory[0] == starts]
        assert (stays.min(), stays.max(), stays.size) == (stuck_below, stuck_above, stuck_above - stuck_below + 1)
        both.run_lanes(memory, np.zeros((2 * dead_band, 1, starts.size), dtype=np.int64))
        assert (memory.min(), memory.max()) == (stuck_below, stuck_above)


@pytest.mark.parametrize("feedback", [-127 / 128, -32735 / 32768])
def test_negative_feedback_oscillates_with_period_two_inside_the_dead_band(feedback: float) -> None:
    fixed = words(section((feedback,), 2000))
    limit = Fraction(1, 2) / (1 - abs(realised_feedback(fixed)[0]))
    with TwoReadings(fixed) as both:
        starts = np.arange(-2000, 2001, dtype=np.int64)
        memory = starts[None, :].copy()
        both.run_lanes(memory, np.zeros((2000, 1, starts.size), dtype=np.int64))
        settled = memory[0].copy()
        both.run_lanes(memory, np.zeros((1, 1, starts.size), dtype=np.int64))
        assert (memory[0] == -settled).all()
        assert np.abs(settled).max() == math.ceil(limit) - 1
        both.run_lanes(memory, np.zeros((1, 1, starts.size), dtype=np.int64))
        assert (memory[0] == settled).all()


@pytest.mark.parametrize("height", range(1, 8))
def test_second_order_rounding_oscillation_of_period_six(height: int) -> None:
    """y(n) = Q[7/8 y(n-1) - 5/8 y(n-2)] + x(n): amplitude 1/8, period 6, whatever the impulse."""
    fixed = words(section((7 / 8, -5 / 8), 7))
    assert realised_feedback(fixed) == [Fraction(7, 8), Fraction(-5, 8)]
    poles = np.roots([1.0, -7 / 8, 5 / 8])
    assert sorted(poles.imag.round(4)) == [-0.6585, 0.6585]
    assert poles.real.tolist() == pytest.approx([0.4375, 0.4375])
    with TwoReadings(fixed) as both:
        values = [tick["y"] for tick in both.run(impulse(height, 60))]
    if height == 3:
        assert values[:12] == [3, 3, 1, -1, -1, 0, 1, 1, 0, -1, -1, 0]
    tail = values[-24:]
    periods = [period for period in range(1, 13) if tail[period:] == tail[:-period]]
    assert periods[0] == 6
    assert max(map(abs, tail)) == 1


def test_overflow_dies_out_when_the_sum_is_limited() -> None:
    """State -+4/5 of 1/(1 - z^-1 + 1/2 z^-2), a count being 1/40: the limited form decays as published, a wrapped one would not."""
    wrapped, before = Fraction(-4, 5), Fraction(4, 5)
    for _ in range(20):
        wrapped, before = (wrapped - before / 2 + 1) % 2 - 1, wrapped
        assert abs(wrapped) == Fraction(4, 5)
        assert wrapped == -before
    with TwoReadings(words(section((1.0, -0.5), 40))) as both:
        memory = np.array([[-32], [32]], dtype=np.int64)
        outputs = both.run_lanes(memory, np.zeros((100, 1, 1), dtype=np.int64))[:, 0, 0]
    published = [-1.0, -0.6, -0.1, 0.2, 0.25, 0.15, 0.025, -0.05]
    assert (outputs[:8] / 40).tolist() == pytest.approx(published, abs=1e-12)
    assert np.abs(outputs[8:]).max() <= 2
    assert np.abs(outputs[-50:]).max() <= 1


# Feedback over 2^places, Jackson's estimate 0.5 / (1 - r^2), absolute bound, and the greatest amplitude under half up and under halves
# away from zero (both by exhaustion, computed here).
CYCLES = [
    ((20, -15), 4, 8, 13.3, 5, 5),
    ((29, -15), 4, 8, 28.9, 4, 12),
    ((489, -240), 8, 8, 61.5, 18, 18),
]


def half_away(wide: Counts, places: int) -> Counts:
    """Nearest integer of ``wide`` / 2^places, halves away from zero."""
    nearest: Counts = np.sign(wide) * ((2 * np.abs(wide) + (1 << places)) // (1 << (places + 1)))
    return nearest


def section_gain(feedback: tuple[float, float]) -> float:
    """Worst-case peak gain from the rounding error of 1/(1 - a1 z^-1 - a2 z^-2) to its output, upper bound."""
    A = [list(feedback), [1.0, 0.0]]
    return peak_gain(A, [[1.0], [0.0]], [list(feedback)], [[1.0]])[0][0].high


@pytest.mark.parametrize(("weights", "places", "estimate", "bound", "greatest", "greatest_half_away"), CYCLES)
def test_second_order_cycles_exhaustively(
    weights: tuple[int, int], places: int, estimate: int, bound: float, greatest: int, greatest_half_away: int
) -> None:
    """Every state up to the absolute bound, run until it has settled: the bound holds, and Jackson's estimate is none.

    The middle section tells half up (4 counts) from halves away from zero (12 counts).
    """
    feedback = (weights[0] / 2**places, weights[1] / 2**places)
    absolute = section_gain(feedback) / 2
    assert absolute == pytest.approx(bound, abs=0.05)
    assert 0.5 / (1.0 + feedback[1]) == estimate
    reach = math.ceil(absolute)
    fixed = words(section(feedback, 40 * reach))
    assert realised_feedback(fixed) == [Fraction(weight) for weight in feedback]
    axis = np.arange(-reach, reach + 1, dtype=np.int64)
    memory = np.stack([grid.ravel() for grid in np.meshgrid(axis, axis)])
    y_1, y_2 = memory.copy()
    for _ in range(500):
        y_1, y_2 = half_away(weights[0] * y_1 + weights[1] * y_2, places), y_1
    assert max(np.abs(y_1).max(), np.abs(y_2).max()) <= greatest_half_away <= absolute
    with TwoReadings(fixed) as both:
        both.run_lanes(memory, np.zeros((400, 1, memory.shape[1]), dtype=np.int64))
        outputs = both.run_lanes(memory, np.zeros((200, 1, memory.shape[1]), dtype=np.int64))
    assert np.abs(outputs).max() == greatest <= absolute
    assert max(greatest, greatest_half_away) > estimate or weights[0] == 20


def test_no_overflow_oscillation_in_any_stable_second_order_section() -> None:
    """Ebert, Mazo and Taylor: 256 sections over the stability triangle, each from every corner and edge of its state square.

    The two coefficients are live gains, so one piece of C serves all.  What remains must be within the rounding bound.
    """
    graph = GraphBuilder("section", 1.0)
    x = graph.input("x", "int8_t", 2.0**-15)
    a1, a2 = graph.parameter("a1", 0.5, -1.99, 1.99), graph.parameter("a2", 0.5, -0.99, 0.99)
    y_1 = graph.delay("y_1")
    y_2 = graph.delay("y_2", source=y_1)
    terms = [(1.0, graph.product("first", a1, y_1)), (1.0, graph.product("second", a2, y_2)), (1.0, x)]
    y = graph.weighted_sum("y", terms, limits=(-0.5, 0.5), resolution=2.0**-15)
    graph.connect(y_1, y)
    graph.output("y", y, "int16_t")
    fixed = realise(graph.finish())
    edge = 2**14
    starts = [(p, q) for p in (-edge, 0, edge) for q in (-edge, 0, edge) if (p, q) != (0, 0)]
    coefficients = [
        (round(share * (1.0 - second), 6), round(second, 6))
        for second in np.linspace(-0.96, 0.96, 16)
        for share in np.linspace(-0.9, 0.9, 16)
    ]
    lanes = [(first, second, p, q) for first, second in coefficients for p, q in starts]
    lsb = [float(fixed.formats[name].lsb) for name in ("a1", "a2")]
    gains = np.array([[round(first / lsb[0]), round(second / lsb[1])] for first, second, _, _ in lanes], dtype=np.int64).T.copy()
    memory = np.array([[p, q] for _, _, p, q in lanes], dtype=np.int64).T.copy()
    with TwoReadings(fixed) as both:
        assert both.host.memory == ("y_1", "y_2")
        still = np.zeros((1000, 1, len(lanes)), dtype=np.int64)
        first = both.run_lanes(memory, still, gains)
        assert (np.abs(first[:4]).max(axis=(0, 1)) == edge).sum() > 200
        for _ in range(6):
            both.run_lanes(memory, still, gains)
        last = np.abs(both.run_lanes(memory, still[:100], gains)).max(axis=(0, 1))
    # One count of error per tick covers the sum's own half and what rounding of the products adds.
    rounding = 0.5 + sum(0.5 * float(fixed.formats[name].lsb) * 2**15 for name in ("first", "second"))
    allowed = [rounding * section_gain((g1 * lsb[0], g2 * lsb[1])) for g1, g2 in gains.T[:: len(starts)].tolist()]
    assert (last.reshape(len(coefficients), len(starts)).max(axis=1) <= np.array(allowed)).all()


def test_average_output_of_a_rounding_section() -> None:
    """Wanhammar: cutting bits off puts 18.285 counts on the output; half up leaves 2^-9 of a count per tick, so 0.07."""
    feedback = (489 / 256, -240 / 256)
    dc_gain = 1.0 / (1.0 - sum(feedback))
    assert 0.5 * dc_gain == pytest.approx(18.285, abs=1e-3)
    fixed = words(section(feedback, 2**20))
    assert realised_feedback(fixed) == [Fraction(489, 256), Fraction(-240, 256)]
    rng = np.random.default_rng(20240)
    inputs = rng.integers(-3000, 3001, size=(20_000, 1, 64))
    with TwoReadings(fixed) as both:
        outputs = both.run_lanes(both.host.start(64), inputs)[:, 0, :]
    exact = lfilter([1.0], [1.0, -feedback[0], -feedback[1]], inputs[:, 0, :].astype(np.float64), axis=0)
    assert np.abs(outputs).max() < 2**20
    mean = float((outputs - exact)[2000:].mean())
    predicted = 2.0**-9 * dc_gain
    spread = dc_gain / math.sqrt(12 * 18_000 * 64)
    assert abs(mean - predicted) < 5 * spread < 0.06
