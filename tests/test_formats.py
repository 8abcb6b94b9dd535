"""Choice of formats: words per target, exact integrators, refusals with a remedy, and widening where the budget asks for it."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

import pytest

from codegen.errors import FormatError
from codegen.formats import choose_formats
from codegen.graph import GraphBuilder, Shorten
from codegen.graph.blocks import low_pass
from codegen.ranges import find_ranges
from codegen.rules.fixed import FixedGraph, Format, SumDetail
from codegen.rules.integer import read_integer
from codegen.rules.rounding import trace_errors
from codegen.targets import read_target

Write = Callable[[GraphBuilder], None]


def _choose(write: Write, target: str, budget: float = 1e6) -> FixedGraph:
    graph = GraphBuilder("words", 0.001)
    write(graph)
    return choose_formats(find_ranges(graph.finish()), read_target(target), budget)


def _show(graph: GraphBuilder, signal: str, resolution: float, ctype: str = "int32_t") -> None:
    graph.output("out", graph.weighted_sum("shown", [(1.0, signal)], resolution=resolution), ctype)


def _show_as(graph: GraphBuilder, name: str, signal: str, resolution: float) -> None:
    graph.output(name, graph.weighted_sum(name, [(1.0, signal)], resolution=resolution), "int32_t")


def _integrator(per_tick: float, limit: float = 1.0, ctype: str = "int16_t") -> Write:
    def write(graph: GraphBuilder) -> None:
        x = graph.input("x", ctype, 2.0**-15)
        last = graph.delay("last")
        state = graph.weighted_sum("filled", [(1.0, last), (per_tick, x)], limits=(-limit, limit))
        graph.connect(last, state)
        _show(graph, state, 1e-4)

    return write


def _smooth(graph: GraphBuilder) -> None:
    _show(graph, low_pass(graph, "smooth", graph.input("x", "int16_t", 2.0**-15), 0.02), 2.0**-10)


def _mixed(graph: GraphBuilder) -> None:
    """Two readings in one sum: at least one of them is multiplied, whatever the unit in which the sum counts."""
    x, z = graph.input("x", "int16_t", 0.001), graph.input("z", "int16_t", 0.001)
    _show(graph, graph.weighted_sum("y", [(0.123, x), (0.456, z)]), 0.01)


def test_short_words_are_chosen_where_they_are_cheaper() -> None:
    """16-bit operands and 32-bit sums on every core, in 32-bit variables where those cost nothing."""
    wide, narrow = _choose(_mixed, "cortex-m4"), _choose(_mixed, "atmega328p")
    assert wide.formats["y"].ctype == "int32_t" and narrow.formats["y"].ctype == "int16_t"
    for fixed in (wide, narrow):
        detail = fixed.details["y"]
        assert isinstance(detail, SumDetail) and detail.accumulator_bits == 32
        assert fixed.formats["x"].ctype == "int16_t"


def test_long_words_where_the_budget_asks_for_them() -> None:
    """An output of fine counts: a 16-bit core widens step by step, one with 64-bit sums may take those at once."""

    def write(graph: GraphBuilder) -> None:
        x, z = graph.input("x", "int16_t", 2.0**-15), graph.input("z", "int16_t", 2.0**-15)
        product = graph.product("p", graph.weighted_sum("a", [(0.7, x), (0.9, z)]), graph.weighted_sum("b", [(0.3, x), (-0.8, z)]))
        _show(graph, product, 2.0**-22)

    loose, tight = _choose(write, "cortex-m4"), _choose(write, "cortex-m4", 60.0)
    widths = [[getattr(fixed.details[name], "accumulator_bits", 0) for name in ("a", "p")] for fixed in (loose, tight)]
    assert widths[0] == [32, 32] and 64 in widths[1]


def test_choice_is_priced_signal_by_signal() -> None:
    """On a core with both words the rows say what each signal costs and errs in either; the sum of the chosen ones is the lower one."""
    fixed = _choose(_mixed, "cortex-m4")
    rows = {choice.signal: choice for choice in fixed.choices}
    assert set(rows) == {"y", "shown"}
    assert rows["y"].chosen == "32 bits, summed in 32" and rows["y"].other == "32 bits, summed in 64"
    assert sum(row.cycles for row in rows.values()) < sum(row.other_cycles for row in rows.values())
    assert rows["shown"].error > rows["shown"].other_error > 0.0
    assert _choose(_mixed, "atmega328p").choices == ()


def test_unit_of_a_signal_saves_a_multiplication() -> None:
    """What only this controller reads counts in a unit in which a term is a shift, and that term is then exact."""

    def write(graph: GraphBuilder) -> None:
        x, z = graph.input("x", "int16_t", 0.001), graph.input("z", "int16_t", 0.003)
        y = graph.weighted_sum("y", [(0.123, x), (0.456, z)])
        graph.output("far", graph.compare("far", [(1.0, y)], ">", 1.0), "bool")
        _show(graph, graph.weighted_sum("w", [(3.7, y)]), 0.01)

    for target in ("cortex-m4", "cortex-m0plus", "atmega328p"):
        fixed = _choose(write, target)
        multiplied = {
            name: [weight for weight in detail.weights if weight & (weight - 1)]
            for name, detail in fixed.details.items()
            if isinstance(detail, SumDetail)
        }
        # Three terms would need a factor; of the readings, the one with the larger counts keeps its own.
        assert {name: len(found) for name, found in multiplied.items()} == {"y": 1, "w": 1, "shown": 0}
        detail, proven = fixed.details["y"], fixed.formats["y"]
        assert isinstance(detail, SumDetail)
        assert detail.weights[0] * proven.lsb / 2**detail.shift == Fraction(0.123) * Fraction(0.001)


def test_scale_is_the_finest_power_of_two_that_fits() -> None:
    """16-bit word for |y| <= 40.3: Q9, since 40.3 * 2**10 does not fit 15 bits."""

    def write(graph: GraphBuilder) -> None:
        x = graph.input("x", "int16_t", 0.001)
        # The operands of a product count in plain powers of two.
        y, other = graph.weighted_sum("y", [(1.23, x)]), graph.weighted_sum("other", [(-0.77, x)])
        _show(graph, graph.product("p", y, other), 10.0)

    proven = _choose(write, "atmega328p").formats["y"]
    assert proven.label == "Q9" and proven.fraction_bits == 9
    assert proven.real_high == pytest.approx(40.3, abs=0.01)


def test_limit_of_a_power_of_two_is_a_word_where_the_core_saturates() -> None:
    """-1 to 1 becomes the signed word [-2**k, 2**k - 1] on cores that hold a number inside one by an instruction; others keep both ends."""

    def write(graph: GraphBuilder) -> None:
        x, z = graph.input("x", "int16_t", 0.001), graph.input("z", "int16_t", 0.001)
        _show(graph, graph.weighted_sum("y", [(0.123, x), (0.456, z)], limits=(-1.0, 1.0)), 0.01)

    for target, short in (("cortex-m3", 1), ("cortex-m4", 1), ("cortex-m0plus", 0), ("atmega328p", 0), ("rv32imc", 0)):
        detail = _choose(write, target).details["y"]
        assert isinstance(detail, SumDetail) and detail.low is not None and detail.high is not None
        assert detail.low + detail.high in (0, -short)


def test_sum_over_the_slow_period_is_held_inside_a_word_or_by_short_constants() -> None:
    """What 31 ticks can add up to, at most doubled: a signed word for SSAT, multiples of 2**16 elsewhere, exact where it is short."""

    def write(graph: GraphBuilder) -> None:
        x, z = graph.input("x", "int16_t"), graph.input("z", "int8_t")
        fast = graph.weighted_sum("fast", [(0.3, x), (0.7, z)])
        with graph.section("slow", slow=True):
            kept = graph.delay("kept", source=graph.weighted_sum("mean", [(0.03, graph.sum_over("all", fast))]))
        _show(graph, kept, 1.0)

    for target in ("cortex-m4", "cortex-m0plus", "atmega328p"):
        graph = GraphBuilder("words", 0.001, 32)
        write(graph)
        fixed = choose_formats(find_ranges(graph.finish()), read_target(target), 1e6)
        (node,) = fixed.graph.sums
        low, high = fixed.partial_sum_range(node)
        operand = fixed.formats[node.operand]
        assert low <= 31 * operand.low < 0 < 31 * operand.high <= high
        assert high < 2 * 31 * operand.high
        if target == "cortex-m4":
            assert low == -high - 1 and high & (high + 1) == 0
        elif high >= 2**20:
            assert low % 2**16 == 0 == high % 2**16
        assert low + operand.low >= -(2**31) and high + operand.high < 2**31


LABELS = [(Fraction(1, 4096), "Q12"), (Fraction(8), "Q-3"), (Fraction(1), "Q0"), (Fraction(1, 10), "lsb 0.1")]


@pytest.mark.parametrize(("lsb", "label"), LABELS)
def test_format_label(lsb: Fraction, label: str) -> None:
    """Q notation where one count is a power of two, also above one."""
    assert Format(lsb, 16, -5, 5, "int16_t").label == label


@pytest.mark.parametrize("target", ["cortex-m4", "cortex-m0plus", "atmega328p"])
@pytest.mark.parametrize("per_tick", [1e-3, 1e-6, 3e-9])
def test_integrator_is_exact_for_a_constant_count(target: str, per_tick: float) -> None:
    """One count held for 100 000 ticks adds up to exactly 100 000 times its weight: the update drops nothing."""
    fixed = _choose(_integrator(per_tick), target)
    detail = fixed.details["filled"]
    assert isinstance(detail, SumDetail) and detail.shift == 0
    reading = read_integer(fixed)
    for raw in (1, -1):
        memory = reading.start()
        for _ in range(100_000):
            reading.tick(memory, {"x": raw})
        assert detail.high is not None and detail.low is not None
        assert memory.delays["last"] == min(max(100_000 * raw * detail.weights[1], detail.low), detail.high)
    gain = detail.weights[1] * fixed.formats["filled"].lsb / fixed.formats["x"].lsb
    assert abs(gain / Fraction(per_tick) - 1) <= Fraction(1, 2**7)


def test_weight_that_is_lost_is_refused() -> None:
    """An integrator of prescribed resolution whose gain rounds to zero: named, with a remedy."""

    def write(graph: GraphBuilder) -> None:
        x = graph.input("x", "int16_t")
        last = graph.delay("last")
        state = graph.weighted_sum("filled", [(1.0, last), (1e-4, x)], limits=(-100.0, 100.0), resolution=0.01)
        graph.connect(last, state)
        graph.output("out", state, "int32_t")

    with pytest.raises(FormatError, match=r"filled: a weight (is realised 100 % off|rounds to zero)") as caught:
        _choose(write, "cortex-m4")
    assert "finer resolution" in caught.value.remedy


def test_budget_that_cannot_be_met_is_refused() -> None:
    """Half a count is rounding alone: nothing that is rounded twice meets it."""
    with pytest.raises(FormatError, match=r"out: error of one tick is .* counts, the budget 0\.2; largest contributor") as caught:
        _choose(_smooth, "cortex-m4", 0.2)
    assert "raise the error budget" in caught.value.remedy


def test_budget_widens_words_and_says_so() -> None:
    """A tight budget on the 8-bit core costs longer words, each with its reason; a loose one costs none."""

    def write(graph: GraphBuilder) -> None:
        x, y = graph.input("x", "int16_t", 2.0**-15), graph.input("y", "int16_t", 2.0**-15)
        _show(graph, graph.weighted_sum("both", [(0.7, x), (0.9, y)]), 2.0**-15)

    cheap, dear = _choose(write, "atmega328p", 1e6), _choose(write, "atmega328p", 1.1)
    assert not cheap.decisions and dear.decisions
    assert any("both gets a longer word" in decision and "budget 1.1" in decision for decision in dear.decisions)

    def counts(fixed: FixedGraph) -> float:
        errors = trace_errors(fixed)
        low, high = errors.bound(errors.forms["shown"])
        return float(max(-low, high) / fixed.formats["shown"].lsb)

    assert counts(dear) <= 1.1 < counts(cheap)


def test_long_reading_is_shortened_only_where_multiplications_are_narrow() -> None:
    """An int32 reading gets a 16-bit copy before it is multiplied; where the budget forbids that, long multiplications take it whole."""

    def write(graph: GraphBuilder) -> None:
        x, z = graph.input("x", "int32_t"), graph.input("z", "int32_t")
        _show(graph, graph.weighted_sum("y", [(0.3, x), (0.4, z)]), 1e5)

    def copies(target: str, budget: float) -> list[str]:
        return [name for name, node in _choose(write, target, budget).graph.nodes.items() if isinstance(node, Shorten)]

    assert all({"x_short", "z_short"} <= set(copies(target, 1e6)) for target in ("cortex-m4", "cortex-m0plus", "atmega328p"))
    assert copies("cortex-m4", 0.51) == []


def _limits_in_one_count(graph: GraphBuilder) -> None:
    x = graph.input("x", "int16_t")
    graph.output("out", graph.weighted_sum("y", [(1.0, x)], limits=(0.3, 0.4), resolution=1.0), "int16_t")


def _gain_in_one_count(graph: GraphBuilder) -> None:
    x = graph.input("x", "int16_t")
    _show(graph, graph.product("p", x, graph.parameter("k", 0.1, 0.1, 0.1)), 1.0)


def _gain_to_zero(graph: GraphBuilder) -> None:
    x = graph.input("x", "int16_t")
    _show(graph, graph.product("p", x, graph.parameter("k", 1e-9, -1.0, 1e3)), 1.0)


def _output_too_wide(graph: GraphBuilder) -> None:
    x = graph.input("x", "int16_t")
    graph.output("out", graph.weighted_sum("y", [(1.0, x)], resolution=1.0), "int8_t")


def _unsigned_output(graph: GraphBuilder) -> None:
    x = graph.input("x", "int8_t")
    graph.output("out", graph.weighted_sum("y", [(1.0, x)], resolution=1.0), "uint16_t")


def _two_scales(graph: GraphBuilder) -> None:
    go = graph.input("go", "bool")
    graph.output("out", graph.select("y", go, graph.input("x", "int16_t", 0.1), graph.input("z", "int16_t", 0.2)), "int16_t")


def _unlike_products(graph: GraphBuilder) -> None:
    x, go = graph.input("x", "int16_t"), graph.input("go", "bool")
    _show(graph, graph.select("y", go, graph.product("p", x, x), graph.product("q", x, x, scale=0.3)), 1e5)


def _never(graph: GraphBuilder) -> None:
    graph.output("out", graph.compare("c", [(1.0, graph.input("x", "uint8_t"))], ">", 255.0), "bool")


def _never_equal(graph: GraphBuilder) -> None:
    graph.output("out", graph.compare("c", [(1.0, graph.input("x", "uint8_t"))], "!=", 0.5), "bool")


def _too_fine(graph: GraphBuilder) -> None:
    graph.output("out", graph.weighted_sum("y", [(1.0, graph.input("x", "int32_t"))], resolution=1e-6), "int32_t")


def _long_table(graph: GraphBuilder) -> None:
    x, go = graph.input("x", "int16_t"), graph.input("go", "bool")
    last = graph.delay("last")
    state = graph.weighted_sum("filled", [(1.0, last), (1e-10, x)], limits=(-2.0, 2.0))
    chosen = graph.select("chosen", go, state, graph.table("bent", x, -3e4, 2e4, [-1.0, 0.3, 0.5, 1.0]))
    graph.connect(last, chosen)
    _show(graph, chosen, 0.01)


REFUSED: dict[str, tuple[Write, str, str]] = {
    "limits within a count": (_limits_in_one_count, "y: the limits lie within one count", "finer resolution"),
    "gain within a count": (_gain_in_one_count, "k: the interval of a live gain lies within one count", "wider interval"),
    "gain that is lost": (_gain_to_zero, "k: a live gain rounds to zero", "narrower interval"),
    "output too wide": (_output_too_wide, "out: counts from -32768 to 32767 do not fit int8_t", "wider type"),
    "unsigned output": (_unsigned_output, "out: counts from -128 to 127 do not fit uint16_t", "wider type"),
    "two scales in one format": (_two_scales, "one count is 0.1 here and 0.2 there", "weighted_sum"),
    "unlike products": (_unlike_products, "q: two products of unlike scales share one format", "weighted_sum"),
    "comparison that is never true": (_never, "c: the comparison is always false", "threshold"),
    "comparison that is never equal": (_never_equal, "c: the signal can never equal this threshold", "multiple"),
    "resolution too fine": (_too_fine, "y: ", "limits"),
    "table in a 64-bit format": (_long_table, "bent: the table's values do not fit 32 bits", "weighted_sum"),
}


@pytest.mark.parametrize("case", sorted(REFUSED))
def test_what_no_word_can_hold_is_refused(case: str) -> None:
    """Each refusal names the signal and the smallest change that helps."""
    write, message, remedy = REFUSED[case]
    with pytest.raises(FormatError, match=message) as caught:
        _choose(write, "cortex-m4")
    assert remedy in caught.value.remedy


def test_bits_are_enough_for_every_proven_range() -> None:
    """Every format's C type holds its proven range, on every target."""
    for target in ("cortex-m4", "cortex-m0plus", "atmega328p"):
        for name, proven in _choose(_integrator(1e-6), target).formats.items():
            if proven.ctype != "bool":
                width = int(proven.ctype[3:-2])
                assert -(2 ** (width - 1)) <= proven.low <= proven.high < 2 ** (width - 1), name
