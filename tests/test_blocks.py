"""Blocks against simulations written anew: PID, filters, slew limit, latch and the watch for a frozen reading."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from codegen.formats import choose_formats
from codegen.graph import Graph, GraphBuilder
from codegen.graph.blocks import PidGains, latch, low_pass, pid, rate_limit, second_order_section, unchanged_for
from codegen.ranges import find_ranges
from codegen.rules.fixed import FixedGraph
from codegen.rules.integer import read_integer
from codegen.rules.real import read_real
from codegen.targets import read_target

Series = NDArray[np.float64]
H = 0.01
PER_COUNT = 2.0**-8


def _graph(write: Callable[[GraphBuilder], str], resolution: float = 2.0**-10, ctype: str = "int32_t") -> Graph:
    graph = GraphBuilder("block", H)
    name = write(graph)
    shown = name if ctype == "bool" else graph.weighted_sum("shown", [(1.0, name)], resolution=resolution)
    graph.output("out", shown, ctype)
    return graph.finish()


def _real(graph: Graph, signal_name: str, **inputs: Series) -> Series:
    """Float64 trace of one signal; inputs in real units."""
    reading = read_real(graph)
    memory = reading.start()
    rows = zip(*inputs.values(), strict=True)
    return np.array([reading.tick(memory, dict(zip(inputs, row, strict=True)))[signal_name] for row in rows])


def _fixed(graph: Graph, target: str = "cortex-m4") -> FixedGraph:
    return choose_formats(find_ranges(graph), read_target(target), 1e6)


def _raw(fixed: FixedGraph, signal_name: str, **inputs: Series) -> Series:
    """Integer trace of one signal, in real units; inputs in counts."""
    reading = read_integer(fixed)
    memory = reading.start()
    rows = zip(*inputs.values(), strict=True)
    counts = [reading.tick(memory, dict(zip(inputs, map(int, row), strict=True)))[signal_name] for row in rows]
    return np.array(counts) * float(fixed.formats[signal_name].lsb)


GAINS = PidGains(proportional=2.0, integral_per_s=1.5, derivative_s=0.4, derivative_filter_s=0.05, tracking_time_s=0.5)
LIMITS = (-8.0, 10.0)
ERROR_LIMIT = 6.0


def _pid_graph(gains: PidGains = GAINS) -> Graph:
    def write(graph: GraphBuilder) -> str:
        wanted = graph.input("wanted", "int16_t", PER_COUNT)
        measured = graph.input("measured", "int16_t", PER_COUNT)
        error = graph.weighted_sum("error", [(1.0, wanted), (-1.0, measured)], limits=(-ERROR_LIMIT, ERROR_LIMIT))
        return pid(graph, "drive", error, measured, gains, LIMITS, ERROR_LIMIT)

    return _graph(write)


def _pid_by_hand(wanted: Series, measured: Series, gains: PidGains = GAINS) -> Series:
    """Parallel PID with filtered derivative of the measurement and back-calculation, written from the textbook's equations.

    Astrom, Hagglund, "PID Controllers: Theory, Design, and Tuning", 2nd ed. 1995, chapter 3 (from memory): backward difference of
    D = -Kd s/(1 + Tf s) y, I' = I + Ki h e + h/Tt (u - v).
    """
    room = gains.proportional * ERROR_LIMIT
    integral = slope = last = 0.0
    result = []
    for r, y in zip(wanted, measured, strict=True):
        e = min(max(r - y, -ERROR_LIMIT), ERROR_LIMIT)
        slope = (gains.derivative_filter_s * slope - gains.derivative_s * (y - last)) / (gains.derivative_filter_s + H)
        v = gains.proportional * e + integral + slope
        u = min(max(v, LIMITS[0]), LIMITS[1])
        integral += gains.integral_per_s * H * e + H / gains.tracking_time_s * (u - v)
        integral = min(max(integral, LIMITS[0] - room), LIMITS[1] + room)
        last = y
        result.append(u)
    return np.array(result)


def _random_levels(seed: int, ticks: int, spread: float) -> Series:
    random = np.random.default_rng(seed)
    return np.asarray(np.repeat(random.uniform(-spread, spread, ticks // 40 + 1), 40)[:ticks])


def test_pid_equals_the_textbook_recursion() -> None:
    """Random levels in and out of saturation, float64."""
    wanted, measured = _random_levels(1, 1200, 6.0), _random_levels(2, 1200, 5.0)
    found = _real(_pid_graph(), "drive", wanted=wanted, measured=measured)
    by_hand = _pid_by_hand(wanted, measured)
    assert np.max(np.abs(found - by_hand)) < 1e-9
    assert (by_hand == LIMITS[1]).any() and (by_hand == LIMITS[0]).any() and (np.abs(by_hand) < 5).any()


def test_pid_without_limits_equals_its_transfer_function() -> None:
    """While nothing is limited: Kp + Ki h/(z - 1) on the error, -Kd (z - 1)/((Tf + h) z - Tf) on the measurement (scipy.signal)."""
    wanted, measured = _random_levels(3, 400, 0.5), _random_levels(4, 400, 0.3)
    found = _real(_pid_graph(), "drive", wanted=wanted, measured=measured)
    gains = GAINS
    proportional = gains.proportional * (wanted - measured)
    integral = signal.lfilter([0.0, gains.integral_per_s * H], [1.0, -1.0], wanted - measured)
    derivative = -signal.lfilter(
        [gains.derivative_s, -gains.derivative_s], [gains.derivative_filter_s + H, -gains.derivative_filter_s], measured
    )
    total = proportional + integral + derivative
    assert np.max(np.abs(total)) < 8.0
    assert np.max(np.abs(found - total)) < 1e-9


def test_pid_leaves_saturation_when_the_error_turns() -> None:
    """Ten seconds against the limit, then the error turns: with back-calculation the output leaves within a few ticks."""
    ticks, turn = 1500, 1000
    wanted = np.where(np.arange(ticks) < turn, 6.0, -1.0)
    measured = np.zeros(ticks)

    def ticks_to_leave(gains: PidGains) -> int:
        trace = _real(_pid_graph(gains), "drive", wanted=wanted, measured=measured)
        assert trace[turn - 1] == LIMITS[1]
        left = np.flatnonzero(trace[turn:] < LIMITS[1])
        return int(left[0]) if left.size else ticks

    slow = PidGains(2.0, 1.5, 0.0, 0.0, 1e9)
    assert ticks_to_leave(GAINS) == 0
    assert ticks_to_leave(slow) > 100


def test_pid_has_no_derivative_kick() -> None:
    """A set-point step moves the derivative part not at all, a measurement step does."""
    step = np.r_[np.zeros(5), np.ones(5)]
    graph = _pid_graph()
    assert np.all(_real(graph, "drive_slope", wanted=step, measured=np.zeros(10)) == 0.0)
    kick = _real(graph, "drive_slope", wanted=np.zeros(10), measured=step)
    assert kick[5] == pytest.approx(-0.4 / 0.06)
    assert _real(graph, "drive", wanted=step, measured=np.zeros(10))[5] == pytest.approx(2.0)


@pytest.mark.parametrize("target", ["cortex-m4", "cortex-m0plus", "atmega328p"])
def test_pid_integers_follow_float64(target: str) -> None:
    """Fixed point against float64 over 1000 ticks in and out of saturation: 1 % of the range, gains of integrals being 0.8 % exact."""
    fixed = _fixed(_pid_graph(), target)
    wanted, measured = np.round(_random_levels(5, 1000, 900.0)), np.round(_random_levels(6, 1000, 700.0))
    found = _raw(fixed, "drive", wanted=wanted, measured=measured)
    by_hand = _pid_by_hand(wanted * PER_COUNT, measured * PER_COUNT)
    assert np.max(np.abs(found - by_hand)) < 0.1


def test_pid_without_integral_or_proportional_part() -> None:
    """Parts that are not asked for are left out, not multiplied by zero."""
    wanted, measured = _random_levels(7, 200, 1.0), _random_levels(8, 200, 1.0)
    for gains in (PidGains(2.0, 0.0), PidGains(0.0, 1.5)):
        found = _real(_pid_graph(gains), "drive", wanted=wanted, measured=measured)
        assert np.max(np.abs(found - _pid_by_hand(wanted, measured, gains))) < 1e-9


@pytest.mark.parametrize("time_constant_s", [0.02, 0.5, 20.0])
def test_low_pass_equals_scipy(time_constant_s: float) -> None:
    """y + (1 - a)(x - y), a = exp(-T/tau): the pole of the sampled first-order lag (any textbook; zero-order hold)."""
    graph = _graph(lambda g: low_pass(g, "smooth", g.input("x", "int16_t", PER_COUNT), time_constant_s))
    x = _random_levels(9, 600, 50.0)
    a = math.exp(-H / time_constant_s)
    assert np.max(np.abs(_real(graph, "smooth", x=x) - signal.lfilter([1.0 - a], [1.0, -a], x))) < 1e-9


@pytest.mark.parametrize("target", ["cortex-m4", "atmega328p"])
@pytest.mark.parametrize("time_constant_s", [0.1, 10.0])
@pytest.mark.parametrize("level", [1, -1, 1000, -1000])
def test_low_pass_reaches_a_constant(target: str, time_constant_s: float, level: int) -> None:
    """No dead band that matters: held input counts come out within one count of the difference, however slow the filter.

    A plain ``y += (x - y) * a >> k`` of input counts ends at 0 or 489 in place of 1000 (1/2**10 share, floor and half-up).
    """
    graph = _graph(lambda g: low_pass(g, "smooth", g.input("x", "int16_t"), time_constant_s), 0.125)
    ticks = int(12 * time_constant_s / H) + int(time_constant_s / H * math.log(abs(level)))
    fixed = _fixed(graph, target)
    trace = _raw(fixed, "smooth", x=np.full(ticks, level))
    # The difference of two full-range int16 readings has 18 bits with its sign: 4 counts in the short word that is multiplied, 2 where
    # that may have 17 bits.
    count = float(fixed.formats["smooth_apart_short"].lsb)
    assert count == (2.0 if target == "cortex-m4" else 4.0)
    assert abs(trace[-1] - level) < count
    assert np.all(np.diff(trace) * np.sign(level) >= 0.0)


@pytest.mark.parametrize("cutoff", [0.2, 0.05])
def test_second_order_section_equals_scipy(cutoff: float) -> None:
    """Butterworth low-pass of order 2 (scipy.signal.butter and lfilter)."""
    b, a = signal.butter(2, cutoff)
    taps, poles = (float(b[0]), float(b[1]), float(b[2])), (float(a[0]), float(a[1]), float(a[2]))
    graph = _graph(lambda g: second_order_section(g, "section", g.input("x", "int16_t", PER_COUNT), taps, poles))
    x = _random_levels(10, 600, 50.0)
    assert np.max(np.abs(_real(graph, "section", x=x) - signal.lfilter(b, a, x))) < 1e-9
    counts = np.round(x / PER_COUNT)
    difference = _raw(_fixed(graph), "section", x=counts) - signal.lfilter(b, a, counts * PER_COUNT)
    assert np.max(np.abs(difference)) < 1e-3


def test_rate_limit_moves_by_its_step() -> None:
    """Twelve units per second are 0.12 per tick; inside its limits; exactly there in the end."""
    graph = _graph(lambda g: rate_limit(g, "slewed", g.input("x", "int16_t", PER_COUNT), 12.0, (-1.0, 2.0)))
    x = np.repeat([5.0, -5.0, 0.5], 60)
    trace = _real(graph, "slewed", x=x)
    by_hand, state = [], 0.0
    for level in x:
        state = min(max(state + min(max(level - state, -0.12), 0.12), -1.0), 2.0)
        by_hand.append(state)
    assert np.max(np.abs(trace - by_hand)) < 1e-12
    assert np.max(np.abs(np.diff(np.r_[0.0, trace]))) <= 0.12 + 1e-12
    assert trace[59] == 2.0 and trace[119] == -1.0 and trace[179] == pytest.approx(0.5)


def test_latch_truth_table() -> None:
    """Set holds, reset wins, starts false."""
    graph = _graph(lambda g: latch(g, "tripped", g.input("on", "bool"), g.input("off", "bool")), ctype="bool")
    on = np.array([0, 1, 0, 0, 1, 0, 1, 0, 0], dtype=bool)
    off = np.array([0, 0, 0, 1, 1, 0, 0, 0, 1], dtype=bool)
    wanted = [False, True, True, False, False, False, True, True, False]
    reading = read_real(graph)
    memory = reading.start()
    seen = [reading.tick(memory, {"on": bool(a), "off": bool(b)})["tripped"] for a, b in zip(on, off, strict=True)]
    assert seen == wanted
    assert _raw(_fixed(graph), "tripped", on=on, off=off).tolist() == wanted


@pytest.mark.parametrize("ticks", [1, 4, 25])
def test_frozen_reading_is_seen_after_its_ticks(ticks: int) -> None:
    """True from the ``ticks``-th repetition on, false at once on any change, also of one count."""
    graph = _graph(lambda g: unchanged_for(g, "frozen", g.input("x", "int16_t"), ticks), ctype="bool")
    random = np.random.default_rng(ticks)
    x = np.repeat(random.integers(-2, 3, 400), random.integers(1, 2 * ticks + 3, 400))[:2000]
    wanted, run, last = [], 0, 0
    for value in x:
        run = run + 1 if value == last else 0
        last = int(value)
        wanted.append(run >= ticks)
    assert _raw(_fixed(graph, "atmega328p"), "frozen", x=x.astype(float)).astype(bool).tolist() == wanted
    assert any(wanted) and not all(wanted)
