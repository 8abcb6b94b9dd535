"""Random graphs over every node kind: all readings agree, and no proven range, error bound or margin is ever beaten."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from codegen.emit import emit_controller
from codegen.errors import LoopwrightError
from codegen.formats import choose_formats
from codegen.graph import NODE_KINDS, GraphBuilder
from codegen.ranges import find_ranges
from codegen.targets import read_target
from tests.one_tick import Readings, check_realisation, kinds_of
from tests.strategies import draw_inputs, graphs

WORD_RULES = ("cortex-m4", "cortex-m0plus", "atmega328p")
BUDGETS = (3.0, 30.0, 1e4)
STRICT = ("-std=c99", "-Wall", "-Wextra", "-Wconversion", "-Wpedantic", "-Wshadow", "-Werror")
COMPILERS = {
    "gcc": ("cortex-m4", ()),
    "arm-none-eabi-gcc": ("cortex-m0plus", ("-mcpu=cortex-m0plus", "-mthumb", "-ffreestanding")),
    "avr-gcc": ("atmega328p", ("-mmcu=atmega328p",)),
    "riscv64-unknown-elf-gcc": ("rv32imc", ("-march=rv32imc", "-mabi=ilp32", "-ffreestanding")),
}


def _check_refusal(error: LoopwrightError) -> None:
    assert error.what, "a refusal says what is wrong"
    assert error.remedy or error.where, f"a refusal says where or how to mend it: {error.what}"


def _check_graph(builder: GraphBuilder, seed: int, budget: float, compiled: str, done: Counter[str]) -> None:
    try:
        ranges = find_ranges(builder.finish())
    except LoopwrightError as error:
        _check_refusal(error)
        done[f"graph refused: {type(error).__name__}"] += 1
        return
    for name in WORD_RULES:
        try:
            fixed = choose_formats(ranges, read_target(name), budget)
        except LoopwrightError as error:
            _check_refusal(error)
            done[f"formats refused: {error.what.split(' is ')[0][:40]}"] += 1
            continue
        readings = check_realisation(fixed, seed, ticks=30, lanes=16, compiled=name == compiled)
        done.update(readings.done)
        done.update({f"nodes of kind {kind}": count for kind, count in kinds_of(fixed).items()})
        done["realisations"] += 1
        done["compiled"] += name == compiled


def _campaign(examples: int) -> Counter[str]:
    done: Counter[str] = Counter()

    @settings(
        max_examples=examples,
        derandomize=True,
        database=None,
        deadline=None,
        phases=[Phase.generate, Phase.shrink],
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    )
    @given(graphs(), st.integers(0, 2**32 - 1), st.sampled_from(BUDGETS))
    def check(builder: GraphBuilder, seed: int, budget: float) -> None:
        # One word rule per graph, in turn, is compiled: the compiler takes most of the time.
        compiled = WORD_RULES[done["graphs"] % len(WORD_RULES)]
        done["graphs"] += 1
        _check_graph(builder, seed, budget, compiled, done)

    check()
    return done


def test_random_graphs_agree_in_every_reading_and_beat_no_bound() -> None:
    """Scalar, array and compiled integers are equal; ranges, one-tick error bounds and margins hold, on three word rules."""
    done = _campaign(14)
    assert done["realisations"] >= 20
    assert done["decisions"] > 0


@pytest.mark.long
@pytest.mark.timeout(1500)
def test_campaign_of_random_graphs() -> None:
    """The same on 500 graphs, one word rule compiled per graph; every node kind comes up."""
    done = _campaign(500)
    for what, count in sorted(done.items()):
        print(f"{what}: {count}")
    assert done["realisations"] >= 750
    missing = {kind.__name__ for kind in NODE_KINDS if not done[f"nodes of kind {kind.__name__}"]}
    assert not missing
    assert done["nodes of kind slow delay"] and done["decisions that differ"]


def _graphs(count: int) -> list[GraphBuilder]:
    """The first ``count`` graphs of a fixed draw."""
    found: list[GraphBuilder] = []

    @settings(
        max_examples=count,
        derandomize=True,
        database=None,
        deadline=None,
        phases=[Phase.generate],
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    )
    @given(graphs(most_nodes=12))
    def collect(builder: GraphBuilder) -> None:
        found.append(builder)

    collect()
    return found


@pytest.mark.parametrize("command", sorted(COMPILERS))
def test_emitted_c_compiles_without_a_warning(command: str, tmp_path: Path) -> None:
    """C of random graphs passes the strict flags of the contract, on data models with 16-bit and 32-bit int."""
    if shutil.which(command) is None:
        assert os.environ.get("LOOPWRIGHT_ALL_TOOLS") != "1", f"{command} is missing although all tools are asked for"
        pytest.skip(f"{command} is not installed: emitted C is not checked with it here")
    target, flags = COMPILERS[command]
    names = []
    for place, builder in enumerate(_graphs(10)):
        builder.name = f"graph_{place}"
        try:
            fixed = choose_formats(find_ranges(builder.finish()), read_target(target), 1e4)
        except LoopwrightError as error:
            _check_refusal(error)
            continue
        emission = emit_controller(fixed)
        (tmp_path / f"{emission.name}.h").write_text(emission.header, encoding="utf-8")
        (tmp_path / f"{emission.name}.c").write_text(emission.source, encoding="utf-8")
        names.append(f"{emission.name}.c")
    assert len(names) >= 5
    done = subprocess.run([command, *STRICT, *flags, "-O2", "-c", *names], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0 and not done.stderr, done.stderr[:3000]


# --- graphs written to break a bound --------------------------------------------------------------------------------------


def _shown(graph: GraphBuilder, signal: str, resolution: float) -> None:
    shown = graph.weighted_sum(f"shown_{signal}", [(1.0, signal)], resolution=resolution)
    graph.output(shown, shown, "int32_t")


def _idle_limit(graph: GraphBuilder) -> None:
    # The integers just miss the limit, float64 is limited: the copies differ although they share their error.
    x = graph.input("x", "int8_t")
    a = graph.weighted_sum("a", [(1.0114, x)], resolution=1.0)
    y = graph.weighted_sum("y", [(1.0, a)], limits=(-129.2, 128.2), resolution=1.0)
    graph.output("z", graph.weighted_sum("z", [(1.0, y), (-1.0, a)], resolution=0.01), "int32_t")


def _sampled_copy(graph: GraphBuilder) -> None:
    # On slow ticks the copy shares the error of its source, on ordinary ticks it has none.
    x = graph.input("x", "int16_t", 0.1)
    a = graph.weighted_sum("a", [(1.234567, x)], resolution=0.13)
    with graph.section("outer loop", slow=True):
        kept = graph.delay("kept", source=a)
    graph.output("z", graph.weighted_sum("z", [(1.0, a), (-1.0, kept)], resolution=0.01), "int32_t")


def _slow_mean(graph: GraphBuilder) -> None:
    x = graph.input("x", "int16_t", 0.1)
    a = graph.weighted_sum("a", [(0.777, x)], resolution=0.3)
    with graph.section("outer loop", slow=True):
        total = graph.sum_over("total", a)
        mean = graph.weighted_sum("mean", [(1.0 / 3.0, total)])
        apart = graph.weighted_sum("apart", [(1.0, mean), (-1.0, a)])
        kept = graph.delay("kept", source=apart)
    graph.output("z", graph.weighted_sum("z", [(1.0, kept), (1.0, a)], resolution=0.01), "int32_t")


def _one_sided_error(graph: GraphBuilder) -> None:
    x = graph.input("x", "int16_t")
    third = graph.constant("third", 0.3)
    rounded = graph.weighted_sum("rounded", [(1.0, third)], resolution=1.0)
    with graph.section("outer loop", slow=True):
        kept = graph.delay("kept", source=rounded)
    graph.output("z", graph.weighted_sum("z", [(1.0, x), (1.0, kept)], resolution=1.0), "int32_t")


def _wide_products(graph: GraphBuilder) -> None:
    x = graph.input("x", "uint16_t", 0.001)
    w = graph.input("w", "int32_t")
    square = graph.product("square", x, x, scale=0.7, limits=(-1.0, 1234.5))
    _shown(graph, square, 0.3)
    _shown(graph, graph.table("bent", square, -3.3, 123.4, [0.1, -2.0, 7.0, 7.0, -1.0]), 0.001)
    huge = graph.product("huge", w, w)
    graph.output("part", graph.weighted_sum("part", [(2.0**-40, huge)], resolution=1.0), "int32_t")


def _counters(graph: GraphBuilder) -> None:
    x = graph.input("x", "uint16_t", 0.0123)
    w = graph.input("w", "int32_t", 1e-6)
    x_last = graph.delay("x_last", source=x)
    _shown(graph, graph.wrapped_difference("turned", x, x_last, 16), 0.1)
    _shown(graph, graph.wrapped_difference("turned_low", x, x_last, 8), 0.01)
    with graph.section("outer loop", slow=True):
        w_last = graph.delay("w_last", source=w)
        kept = graph.delay("kept", source=graph.wrapped_difference("turned_slow", w, w_last, 32))
    _shown(graph, kept, 1e-3)


def _gain_ends(graph: GraphBuilder) -> None:
    x = graph.input("x", "int16_t", 0.01)
    k = graph.parameter("k", 0.3, -0.1, 2.7)
    m = graph.parameter("m", -3.0, -4.0, -2.0)
    first = graph.product("first", x, k)
    _shown(graph, graph.product("second", first, m, limits=(-100.0, 77.7)), 0.05)
    _shown(graph, graph.weighted_sum("both", [(1.0, k), (1.0, m)]), 0.01)


def _long_integrator(graph: GraphBuilder) -> None:
    x = graph.input("x", "int32_t")
    last = graph.delay("last")
    state = graph.weighted_sum("filled", [(1.0, last), (1e-9, x)], limits=(-1e3, 1e3))
    graph.connect(last, state)
    _shown(graph, state, 0.01)


def _shared_branches(graph: GraphBuilder) -> None:
    x, y = graph.input("x", "int16_t", 0.1), graph.input("y", "uint16_t", 0.07)
    a = graph.weighted_sum("a", [(0.333, x), (0.777, y)], resolution=0.1)
    held = graph.clamp("held", a, -1000.05, 2000.07)
    above = graph.compare("above", [(1.0, a), (-0.3333, y)], ">", 100.0)
    chosen = graph.select("chosen", above, a, held)
    graph.output("z", graph.weighted_sum("z", [(1.0, chosen), (-1.0, a)], resolution=0.01), "int32_t")
    graph.output("v", graph.weighted_sum("v", [(1.0, held), (-1.0, a)], resolution=0.01), "int32_t")


def _unlike_comparisons(graph: GraphBuilder) -> None:
    x, y, z = graph.input("x", "int32_t"), graph.input("y", "int8_t", 1e6), graph.input("z", "uint16_t", 3.3)
    for place, (relation, threshold) in enumerate([(">", 0.0), (">=", 12345.6), ("!=", 0.0)]):
        name = graph.compare(f"sum_{place}", [(0.7, x), (-33.3, y), (1000.1, z)], relation, threshold)
        graph.output(name, name, "bool")
    for place, (weight, relation, threshold) in enumerate([(-1.7, ">", -5.1), (-1.7, ">=", -0.1), (1.0, "!=", 3.3)]):
        name = graph.compare(f"single_{place}", [(weight, z)], relation, threshold)
        graph.output(name, name, "bool")


def _far_limits(graph: GraphBuilder) -> None:
    # Limits beyond every word: they never act, and no constant of the C may overflow.
    x = graph.input("x", "int16_t")
    graph.output("one", graph.weighted_sum("one", [(1.0, x)], limits=(-5.0, 1e30), resolution=1.0), "int16_t")
    graph.output("two", graph.clamp("two", x, -1e12, 5.0), "int16_t")
    graph.output("three", graph.weighted_sum("three", [(0.001, graph.product("p", x, x, limits=(-1e15, 5e6)))], resolution=1.0), "int32_t")


def _negative_constants(graph: GraphBuilder) -> None:
    # A minus sign before a constant that has one of its own is not a decrement.
    x, five = graph.input("x", "int16_t"), graph.constant("five", -5.0)
    _shown(graph, graph.weighted_sum("y", [(-1.0, five), (-1.0, x)], resolution=1.0), 1.0)
    name = graph.compare("above", [(-1.0, five), (0.5, x)], ">", 3.0)
    graph.output(name, name, "bool")


def _limits_almost_on_the_grid(graph: GraphBuilder) -> None:
    # A limit a hair inside a whole count is realised as that count, outside the real limit.
    x = graph.input("x", "int16_t", 0.25)
    held = graph.clamp("held", x, -149.9999999999999, 149.9999999999999)
    graph.output("z", graph.weighted_sum("z", [(1.0, held)], resolution=0.25), "int32_t")
    whole = graph.clamp("whole", x, -8192.0 + 1e-8, 8191.75 - 1e-8)
    graph.output("v", graph.weighted_sum("v", [(1.0, whole)], resolution=0.25), "int32_t")
    idle = graph.weighted_sum("idle", [(1.0, x)], limits=(-8192.0 + 1e-8, 8191.75 - 1e-8), resolution=0.25)
    graph.output("w", idle, "int32_t")


DIRECTED: dict[str, tuple[int, Callable[[GraphBuilder], None]]] = {
    "idle limit": (1, _idle_limit),
    "sampled copy": (3, _sampled_copy),
    "slow mean": (3, _slow_mean),
    "one-sided error": (2, _one_sided_error),
    "wide products": (1, _wide_products),
    "counters": (5, _counters),
    "gain ends": (1, _gain_ends),
    "long integrator": (1, _long_integrator),
    "shared branches": (1, _shared_branches),
    "unlike comparisons": (1, _unlike_comparisons),
    "far limits": (1, _far_limits),
    "negative constants": (1, _negative_constants),
    "limits almost on the grid": (1, _limits_almost_on_the_grid),
}


@pytest.mark.parametrize("case", sorted(DIRECTED))
@pytest.mark.parametrize("target", WORD_RULES)
def test_graphs_written_to_break_a_bound_do_not(case: str, target: str) -> None:
    """Copies that share an error, limits at the very edge of a range, counters, 64-bit sums: every reading and bound holds."""
    slow_every, write = DIRECTED[case]
    builder = GraphBuilder("directed", 0.001, slow_every)
    write(builder)
    fixed = choose_formats(find_ranges(builder.finish()), read_target(target), 1e6)
    for seed in range(3):
        readings = check_realisation(fixed, seed, ticks=60, lanes=40, compiled=seed == 0)
    assert readings.done["errors"] or readings.done["decisions"]


def test_checks_of_this_file_can_fail() -> None:
    """A bound made a quarter too small and a range one count too small are found out."""
    builder = GraphBuilder("directed", 0.001)
    _shared_branches(builder)
    fixed = choose_formats(find_ranges(builder.finish()), read_target("cortex-m0plus"), 1e6)

    def run(readings: Readings) -> None:
        random = np.random.default_rng(3)
        inputs = draw_inputs(readings.fixed, random, 300, 60)
        memory = readings.start(60)
        for row in inputs:
            readings.tick(memory, readings.counts(row))

    run(Readings(fixed))
    small = Readings(fixed)
    small.bounds["a"] = (small.bounds["a"][0] * 3 / 4, small.bounds["a"][1] * 3 / 4)
    with pytest.raises(AssertionError, match="a: error"):
        run(small)
    tight = fixed.formats["held"]
    narrow = replace(fixed, formats={**fixed.formats, "held": replace(tight, high=tight.high - 1)})
    readings = Readings(fixed)
    readings.fixed = narrow
    with pytest.raises(AssertionError, match=r"held: .* outside"):
        run(readings)
