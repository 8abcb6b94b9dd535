"""Many-tick and closed-loop error bounds: sound against observation, and the loop they assume is the design's own."""

import math
from pathlib import Path

import numpy as np
import pytest

from codegen.bounds import PlantLoop, bound_closed_loop, bound_many_ticks, local_errors, round_up, with_realised_gains
from codegen.control import ARMED_REGIME, surround
from codegen.design import closed_loop_matrices
from codegen.formats import choose_formats
from codegen.graph import Graph, GraphBuilder
from codegen.graph.blocks import PidGains, low_pass, pid
from codegen.pipeline import Designed, design_build, realise
from codegen.ranges import find_ranges
from codegen.rules.fixed import FixedGraph
from codegen.rules.linear import linearise_graph
from codegen.rules.vector import read_integer_arrays, read_real_arrays
from codegen.targets import read_target

EXAMPLES = Path(__file__).parent / "examples"
TARGETS = ("cortex-m4", "cortex-m0plus", "atmega328p")


@pytest.fixture(scope="module")
def calm() -> Designed:
    return design_build(EXAMPLES / "lantern_calm.toml")


def filter_graph(slow_every: int = 1) -> Graph:
    """A low-pass; with a slow section also a slow leaky mean of its sum."""
    graph = GraphBuilder("filter", 0.01, slow_every)
    x = graph.input("x", "int16_t", 2.0**-12, "1")
    smooth = low_pass(graph, "smooth", x, 0.2, "1")
    shown = smooth
    if slow_every > 1:
        with graph.section("outer", slow=True):
            total = graph.sum_over("total", smooth)
            held = graph.delay("held", "1")
            mean = graph.weighted_sum("mean", [(0.9, held), (0.1 / slow_every, total)], "1")
            graph.connect(held, mean)
        shown = graph.weighted_sum("both", [(0.5, smooth), (0.5, held)], "1", limits=(-10.0, 10.0))
    y = graph.weighted_sum("y", [(1.0, shown)], "1", limits=(-10.0, 10.0), resolution=2.0**-10)
    graph.output("y", y, "int16_t")
    return graph.finish()


def fix(graph: Graph, target: str) -> FixedGraph:
    return choose_formats(find_ranges(graph), read_target(target), 50.0)


@pytest.mark.parametrize("target", TARGETS)
@pytest.mark.parametrize("slow_every", [1, 5])
def test_many_tick_bound_is_sound_and_near(target: str, slow_every: int):
    """Held random levels for thousands of ticks never beat the bound that holds for ever, and reach a fair share of it."""
    fixed = fix(filter_graph(slow_every), target)
    signals = ("smooth", "y")
    bounds, reason = bound_many_ticks(fixed, {}, signals)
    assert reason == ""
    integer, real = read_integer_arrays(fixed), read_real_arrays(with_realised_gains(fixed))
    rng = np.random.default_rng(5)
    lanes = 300
    memory, reference = integer.start(), real.start()
    seen = dict.fromkeys(signals, 0.0)
    level = rng.integers(-30000, 30000, lanes)
    for tick in range(3000):
        if tick % 40 == 0:
            moved = rng.random(lanes) < 0.3
            level = np.where(moved, rng.integers(-30000, 30000, lanes), level)
        fine = level + rng.integers(-3, 4, lanes)
        values = integer.tick(memory, {"x": fine})
        expected = real.tick(reference, {"x": fine * 2.0**-12})
        for name in signals:
            error = np.abs(values[name] * float(fixed.formats[name].lsb) - expected[name])
            seen[name] = max(seen[name], float(error.max()))

    for name in signals:
        assert seen[name] <= bounds[name].magnitude
        assert bounds[name].magnitude <= 8.0 * seen[name]


def test_open_integrator_has_no_bound_for_ever_and_says_why():
    graph = GraphBuilder("loop", 0.01)
    x = graph.input("x", "int16_t", 2.0**-12, "1")
    u = pid(graph, "u", x, x, PidGains(0.5, 2.0), (-1.0, 1.0), 8.0, resolution=2.0**-10)
    graph.output("u", u, "int16_t")
    fixed = fix(graph.finish(), "cortex-m0plus")

    bounds, reason = bound_many_ticks(fixed, {}, ("u",))

    assert bounds == {}
    assert "integrator" in reason


def test_closed_loop_around_an_integrator_has_a_bound_and_keeps_it():
    """A PI loop around a first-order plant: no bound open loop, one in closed loop, never beaten by flight."""
    graph = GraphBuilder("loop", 0.01)
    y = graph.input("y", "int16_t", 2.0**-12, "1")
    error = graph.weighted_sum("error", [(-1.0, y)], "1")
    u = pid(graph, "u", error, y, PidGains(0.5, 2.0), (-4.0, 4.0), 8.0, resolution=2.0**-10)
    graph.output("u", u, "int16_t")
    fixed = fix(graph.finish(), "cortex-m0plus")
    plant = PlantLoop(
        ("position",), np.array([[0.95]]), np.array([0.05]), {"y": np.array([1.0])}, {"position": (np.array([1.0]), "1")}
    )

    loop = bound_closed_loop(fixed, {}, plant, "u")

    assert loop.spectral_radius < 1.0
    # A plant whose position is read without quantisation: both controllers see real numbers near the same counts.
    real = read_real_arrays(with_realised_gains(fixed))
    integer = read_integer_arrays(fixed)
    memory, reference = integer.start(), real.start()
    lsb = float(fixed.formats["u"].lsb)
    true, ideal, worst = np.full(50, 0.5), np.full(50, 0.5), 0.0
    rng = np.random.default_rng(1)
    for _ in range(2000):
        push = rng.normal(0.0, 0.002, 50)
        counts = np.floor(true * 4096.0 + 0.5)
        command = integer.tick(memory, {"y": counts.astype(np.int64)})["u"] * lsb
        # The reference sees its own reading shifted by the same quantisation error, so that only rounding inside differs.
        wish = real.tick(reference, {"y": ideal + (counts / 4096.0 - true)})["u"]
        true, ideal = 0.95 * true + 0.05 * command + push, 0.95 * ideal + 0.05 * wish + push
        worst = max(worst, float(np.abs(true - ideal).max()))
    assert 0.0 < worst <= loop.bounds["position"].magnitude


@pytest.mark.parametrize("target", TARGETS)
def test_loop_of_the_graph_is_the_loop_of_the_design(calm: Designed, target: str):
    """The closed loop built from the emitted integers' gains has the design's own spectral radius, to the gains' precision."""
    part = realise(calm.graph(), read_target(target), 3.0, calm.plant)

    assert part.loop is not None
    assert part.loop.spectral_radius == pytest.approx(closed_loop_matrices(calm.design).spectral_radius(), abs=5e-4)
    assert part.many_ticks_reason == ""


def test_linear_map_of_the_graph_is_the_law_of_the_design(calm: Designed):
    """Exact agreement with the design's matrices before any rounding: same eigenvalues over one outer period."""
    linear = linearise_graph(calm.graph(), ARMED_REGIME, ("command_wanted",))
    plant = surround(calm.plant)
    read = np.array([plant.readings.get(name, np.zeros(len(plant.states))) for name in linear.inputs])

    def close(step):
        row = np.hstack([step.D @ read, step.C])[0]
        upper = np.hstack([plant.A, np.zeros((len(plant.states), len(linear.states)))]) + np.outer(plant.B, row)
        return np.vstack([upper, np.hstack([step.B @ read, step.A])])

    period = close(linear.outer) @ np.linalg.matrix_power(close(linear.ordinary), linear.slow_every - 1)
    expected = closed_loop_matrices(calm.design).one_period()

    def slowest(matrix):
        return sorted(np.abs(np.linalg.eigvals(matrix)), reverse=True)[:6]

    assert slowest(period) == pytest.approx(slowest(expected), rel=1e-4)


def test_local_errors_are_half_counts(calm: Designed):
    part = realise(calm.graph(), read_target("atmega328p"), 3.0, calm.plant)
    local = local_errors(part.fixed)

    for name, size in local.items():
        assert 0.0 <= size <= 0.5 * float(part.fixed.formats[name].lsb) * (1 + 1e-12)


@pytest.mark.parametrize("value", [1.0, 0.999999499999, 1.23456789e-7, 9.99999999e5, 5e-324 * 2**60, math.pi])
def test_round_up_never_cuts(value: float):
    assert value <= round_up(value) <= value * (1 + 2e-5)
