"""Proven ranges: clamped, convex and peak-gain-limited memory, and the refusal of memory that grows."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy import signal

from codegen.errors import RangeError
from codegen.formats import choose_formats
from codegen.graph import GraphBuilder, WeightedSum
from codegen.graph.blocks import low_pass, second_order_section
from codegen.ranges import PEAK_ROOM, Ranges, find_ranges
from codegen.rules.vector import read_integer_arrays
from codegen.targets import read_target


def _ranges(write: Callable[[GraphBuilder, str], str], slow_every: int = 1, ctype: str = "int16_t") -> Ranges:
    graph = GraphBuilder("span", 0.001, slow_every)
    shown = write(graph, graph.input("x", ctype, 2.0**-15))
    graph.output("out", graph.weighted_sum("out_sum", [(1.0, shown)], resolution=2.0**-9), "int32_t")
    return find_ranges(graph.finish())


def _integrator(limits: tuple[float, float] | None, own: float = 1.0) -> Callable[[GraphBuilder, str], str]:
    def write(graph: GraphBuilder, x: str) -> str:
        last = graph.delay("last")
        state = graph.weighted_sum("filled", [(own, last), (0.01, x)], limits=limits)
        graph.connect(last, state)
        return state

    return write


def test_clamped_memory_has_its_limits_as_range() -> None:
    """An integrator with limits is bounded by them and gets no limit of ours."""
    ranges = _ranges(_integrator((-0.25, 0.5)))
    assert tuple(ranges.intervals["filled"]) == (-0.25, 0.5)
    assert tuple(ranges.intervals["last"]) == (-0.25, 0.5)
    assert not ranges.added_limits


def test_memory_holds_its_initial_value_too() -> None:
    """A start outside the limits belongs to the memory's range."""

    def write(graph: GraphBuilder, x: str) -> str:
        last = graph.delay("last", initial=3.0)
        state = graph.weighted_sum("filled", [(0.5, last), (0.1, x)], limits=(-1.0, 1.0))
        graph.connect(last, state)
        return last

    assert _ranges(write).intervals["last"].high == 3.0


@pytest.mark.parametrize("time_constant_s", [0.002, 0.05, 2.0])
@pytest.mark.parametrize("target", ["cortex-m4", "atmega328p"])
def test_low_pass_stays_within_its_input(time_constant_s: float, target: str) -> None:
    """Convex form: the range of the state is that of the input (facts of convexity), up to the room of one percent and a count."""
    ranges = _ranges(lambda graph, x: low_pass(graph, "smooth", x, time_constant_s))
    low, high = ranges.intervals["smooth"]
    assert -1.0 * PEAK_ROOM * (1 + 1e-8) <= low <= -1.0
    assert (1.0 - 2.0**-15) <= high <= PEAK_ROOM * (1 + 1e-8)
    fixed = choose_formats(ranges, read_target(target), 1e6)
    assert fixed.formats["smooth"].real_high <= PEAK_ROOM * (1 + 1e-6)


SECTIONS = {
    "Butterworth 0.2": signal.butter(2, 0.2),
    "Butterworth 0.02": signal.butter(2, 0.02),
    "resonant": (np.array([0.3, 0.0, -0.3]), np.array([1.0, -1.2, 0.85])),
}


@pytest.mark.parametrize("case", sorted(SECTIONS))
def test_peak_of_a_section_is_nearly_reached_and_never_beaten(case: str) -> None:
    """Bang-bang input u(k) = sign h(K - k) drives the section to its peak gain (Volkova, Hilaire, Lauter, ARITH-22, 2015).

    The added limit stands at the peak with one percent of room; the integers come near it and never to it.
    """
    numerator, denominator = SECTIONS[case]
    taps = (float(numerator[0]), float(numerator[1]), float(numerator[2]))
    poles = (float(denominator[0]), float(denominator[1]), float(denominator[2]))
    ranges = _ranges(lambda graph, x: second_order_section(graph, "section", x, taps, poles))
    assert [name for name, _, _ in ranges.added_limits] == ["section"]
    limit = ranges.added_limits[0][1]
    fixed = choose_formats(ranges, read_target("cortex-m4"), 1e6)
    length = 1500
    response = signal.lfilter(numerator, denominator, np.r_[1.0, np.zeros(length - 1)])
    peak = float(np.sum(np.abs(response)))
    assert limit.high == pytest.approx(peak * PEAK_ROOM, rel=1e-3)
    reading = read_integer_arrays(fixed)
    memory = reading.start()
    reached = 0.0
    for sample in response[::-1]:
        raw = np.array([32767 if sample > 0 else -32768])
        reached = max(reached, float(np.abs(reading.tick(memory, {"x": raw})["section"]).max()))
    ratio = reached * float(fixed.formats["section"].lsb) / float(limit.high)
    print(f"{case}: peak gain {peak:.5f}, reached {ratio * 100:.2f} % of the limit")
    assert 0.98 < ratio < 1.0


def test_sum_over_the_slow_period_holds_its_first_ticks_too() -> None:
    """Five readings of [10, 11]: the sum that stands in memory runs from 0 to 55."""

    def write(graph: GraphBuilder, x: str) -> str:
        level: str = graph.weighted_sum("level", [(0.5, x)], bias=10.5, limits=(10.0, 11.0))
        with graph.section("outer", slow=True):
            return graph.delay("kept", source=graph.sum_over("total", level))

    low, high = _ranges(write, slow_every=5).intervals["total"]
    assert low == 0.0 and 54.9 < high <= 55.0


def _across(graph: GraphBuilder, x: str) -> str:
    with graph.section("outer", slow=True):
        kept = graph.delay("kept")
    last = graph.delay("last")
    state = graph.weighted_sum("filled", [(0.9, last), (0.5, kept), (0.1, x)])
    graph.connect(last, state)
    with graph.section("outer", slow=True):
        graph.connect(kept, graph.weighted_sum("level", [(0.5, kept), (1.0, last)]))
    return state


def _growing_product(graph: GraphBuilder, x: str) -> str:
    last = graph.delay("last", initial=1.0)
    squared = graph.product("squared", last, last)
    state = graph.weighted_sum("filled", [(1.5, squared), (1.0, x)])
    graph.connect(last, state)
    return state


GROWING: dict[str, tuple[Callable[[GraphBuilder, str], str], int, str]] = {
    "integrator": (_integrator(None), 1, "last: memory grows without bound"),
    "unstable": (_integrator(None, 1.01), 1, "last: memory grows without bound"),
    "oscillating": (_integrator(None, -1.0), 1, "last: memory grows without bound"),
    "across the slow section": (_across, 3, "memory grows"),
    "product": (_growing_product, 1, "is not a linear section"),
}


@pytest.mark.parametrize("case", sorted(GROWING))
def test_growth_is_refused_with_a_remedy(case: str) -> None:
    """Memory without a bound is refused, naming it and how to mend it."""
    write, slow_every, message = GROWING[case]
    with pytest.raises(RangeError, match=message) as caught:
        _ranges(write, slow_every)
    assert "limits" in caught.value.remedy and caught.value.where


def test_a_range_beyond_float64_is_refused() -> None:
    """A weight of 1e29, squared four times, is no number."""

    def tower(graph: GraphBuilder, x: str) -> str:
        level: str = graph.weighted_sum("w", [(1e29, x)])
        for name in ("p", "q", "r", "s"):
            level = graph.product(name, level, level)
        return level

    with pytest.raises(RangeError, match="s: the range is too large for float64"):
        _ranges(tower)


def test_added_limits_are_kept_in_the_graph() -> None:
    """A flipped bit cannot leave the proven set either: the limit stands at the driving sum."""
    ranges = _ranges(lambda graph, x: low_pass(graph, "smooth", x, 0.1))
    node = ranges.graph.nodes["smooth"]
    assert isinstance(node, WeightedSum) and node.low is not None and node.high is not None
    assert ranges.graph.after == () and ranges.graph.before[-2] is node
