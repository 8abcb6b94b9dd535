"""The PID block against the sampled PID of the textbooks, and a coefficient that does not fit the word it was said to fit.

Sources, by test:

* K. J. Astrom, B. Wittenmark, "Computer-Controlled Systems", 3rd ed. 1997, chapter 8, listing of a sampled PID (from memory):
  bi = K h/Ti, backward difference ad = Td/(Td + N h), bd = K N Td/(Td + N h), Tustin ad = (2 Td - N h)/(2 Td + N h), ao = h/Tt.
* K. J. Astrom, T. Hagglund, "PID Controllers", 2nd ed. 1995, chapters 3 and 4 (from memory): back-calculation, Tt = sqrt(Ti Td) (the
  square root also in a public teaching note), and the ultimate-cycle gains of 1/(s + 1)^3: K = 4.8, Ti = 1.81, Td = 0.45.
* Public teaching note (index file id 71648698431): PI by the bilinear rule, Kp = 2, Ki = 84000, h = 5 us, a0 = 2.21, a1 = -1.79.  The
  same note has -1.79 * 2^15 = -58654 fit 16 bits, which it does not, and drops h from the tracking term.

The numbers of the sampled PID were derived from its formulas with the gains above.
"""

from __future__ import annotations

import math
from fractions import Fraction

import pytest

from codegen.graph import Graph, GraphBuilder
from codegen.graph.blocks import PidGains, pid
from codegen.rules.fixed import FixedGraph, SumDetail
from codegen.rules.integer import read_integer
from codegen.rules.real import read_real
from codegen.rules.rounding import trace_errors
from codegen.rules.walk import Values
from tests.two_readings import TwoReadings, realise

K, TI, TD, N, H = 4.8, 1.81, 0.45, 10.0, 0.05
TT = math.sqrt(TI * TD)
LIMIT = 2.0
SENSOR = 2.0**-13
TARGETS = ["cortex-m4", "cortex-m3", "cortex-m0plus", "atmega328p"]


def textbook_pid(filter_n: float = N, period_s: float = H) -> Graph:
    graph = GraphBuilder("loop", period_s)
    error = graph.input("error", "int16_t", SENSOR)
    measurement = graph.input("measurement", "int16_t", SENSOR)
    gains = PidGains(
        proportional=K,
        integral_per_s=K / TI,
        derivative_s=K * TD,
        derivative_filter_s=TD / filter_n,
        tracking_time_s=TT,
    )
    command = pid(graph, "command", error, measurement, gains, (-LIMIT, LIMIT), 4.0, resolution=2.0**-9)
    graph.output("command", command, "int16_t")
    return graph.finish()


def real_ticks(graph: Graph, *ticks: tuple[float, float]) -> list[Values]:
    """Every signal of the float64 reading from rest, for ticks of (error, measurement)."""
    reading = read_real(graph)
    memory = reading.start()
    return [reading.tick(memory, {"error": error, "measurement": measurement}) for error, measurement in ticks]


def test_sampled_coefficients() -> None:
    """Each coefficient as what one unit does: an error, a step of the measurement and the tick after it, an output beyond its limit."""
    graph = textbook_pid()
    small, step = 0.125, 0.0625
    first = real_ticks(graph, (small, 0.0))[0]
    assert first["command_wanted"] == K * small == first["command"]
    assert first["command_integral"] / small == pytest.approx(0.132597, abs=5e-7)
    before, after = real_ticks(graph, (0.0, step), (0.0, step))
    assert before["command_slope"] / step == pytest.approx(-22.736842, abs=5e-7)
    assert after["command_slope"] / before["command_slope"] == pytest.approx(0.473684, abs=5e-7)
    limited = real_ticks(graph, (2.0, 0.0))[0]
    unwound = limited["command_integral"] - 2.0 * first["command_integral"] / small
    assert unwound / (limited["command"] - limited["command_wanted"]) == pytest.approx(0.055402, abs=5e-7)


@pytest.mark.parametrize(("filter_n", "period_s"), [(10.0, 0.05), (10.0, 0.1), (20.0, 0.05), (20.0, 0.2), (8.0, 1.0)])
def test_derivative_never_rings(filter_n: float, period_s: float) -> None:
    """Tustin's pole is negative where N h > 2 Td; that of the backward difference is not."""
    before, after = real_ticks(textbook_pid(filter_n, period_s), (0.0, 1.0), (0.0, 1.0))
    pole = after["command_slope"] / before["command_slope"]
    tustin = (2.0 * TD - filter_n * period_s) / (2.0 * TD + filter_n * period_s)
    if (filter_n, period_s) == (N, H):
        assert tustin == pytest.approx(0.285714, abs=5e-7)
    assert (tustin < 0.0) == (filter_n * period_s > 2.0 * TD)
    assert pole == pytest.approx(TD / (TD + filter_n * period_s))
    assert 0.0 < pole < 1.0


def test_one_step_of_back_calculation() -> None:
    """I + K h/Ti e + h/Tt (sat(v) - v) by hand: e = 1.5 from rest wants 7.2, gets 2, and the integral goes down, not up."""
    values, after = real_ticks(textbook_pid(), (1.5, 0.0), (0.0, 0.0))
    assert values["command_wanted"] == pytest.approx(7.2, rel=1e-14)
    assert values["command"] == LIMIT
    by_hand = 0.132597 * 1.5 + 0.055402 * (2.0 - 7.2)
    assert values["command_integral"] == pytest.approx(by_hand, abs=5e-6)
    without_h = 0.132597 * 1.5 + (2.0 - 7.2) / TT
    assert abs(values["command_integral"] - without_h) > 5.0
    assert after["command_wanted"] == values["command_integral"]


def recursion(errors: list[float], measurements: list[float]) -> list[float]:
    """The book's listing, line for line: output, then derivative and integral for the next tick."""
    bi, ad, bd, ao = K * H / TI, TD / (TD + N * H), K * N * TD / (TD + N * H), H / TT
    integral = derivative = before = 0.0
    commands = []
    for error, y in zip(errors, measurements, strict=True):
        derivative = ad * derivative - bd * (y - before)
        v = K * error + integral + derivative
        u = min(max(v, -LIMIT), LIMIT)
        integral += bi * error + ao * (u - v)
        before = y
        commands.append(u)
    return commands


@pytest.mark.parametrize("target", TARGETS)
def test_emitted_pid_follows_the_listing(target: str) -> None:
    """Into saturation, back out of it and to rest: the C stays within its one-tick bound times the loop's memory."""
    fixed = realise(textbook_pid(), target)
    counts = [6000] * 40 + [-2500] * 30 + [900, -300] * 20 + [0] * 30
    measured = [round(3000 * math.sin(0.07 * tick)) for tick in range(len(counts))]
    with TwoReadings(fixed) as both:
        outputs = both.run([{"error": e, "measurement": m} for e, m in zip(counts, measured, strict=True)])
    wanted = recursion([e * SENSOR for e in counts], [m * SENSOR for m in measured])
    assert max(wanted) == LIMIT
    assert min(wanted) == -LIMIT
    assert sum(abs(u) < LIMIT for u in wanted) > 40
    lsb = float(fixed.formats["command"].lsb)
    # One tick's errors of integral and derivative stay for Tt/h and 1/(1 - ad) ticks.
    errors = trace_errors(fixed)
    stay = {"command": 1.0, "command_integral": TT / H, "command_slope": 1.0 / (1.0 - TD / (TD + N * H))}
    bound = sum(float(max(map(abs, errors.bound(errors.forms[name])))) * ticks for name, ticks in stay.items())
    assert max(abs(shown["command"] * lsb - u) for shown, u in zip(outputs, wanted, strict=True)) <= bound


A0, A1 = 2.0 + 84000 * 5e-6 / 2, -2.0 + 84000 * 5e-6 / 2


def bilinear_pi(limit: float) -> Graph:
    """u(n) = u(n-1) + a0 e(n) + a1 e(n-1)."""
    graph = GraphBuilder("loop", 5e-6)
    error = graph.input("error", "int16_t", 2.0**-15)
    before = graph.delay("error_last", source=error)
    last = graph.delay("command_last")
    command = graph.weighted_sum("wide", [(1.0, last), (A0, error), (A1, before)], limits=(-limit, limit))
    graph.connect(last, command)
    graph.output("command", graph.weighted_sum("command", [(1.0, command)], resolution=2.0**-9, limits=(-limit, limit)), "int16_t")
    return graph.finish()


def one_sum(resolution: float) -> FixedGraph:
    graph = GraphBuilder("loop", 5e-6)
    error = graph.input("error", "int16_t", 2.0**-15)
    before = graph.delay("error_last", source=error)
    change = graph.weighted_sum("change", [(A0, error), (A1, before)], resolution=resolution, limits=(-3.99, 3.99))
    graph.output("change", change, "int32_t")
    return realise(graph.finish(), "cortex-m0plus")


def test_published_bilinear_coefficients() -> None:
    assert pytest.approx(2.21, abs=1e-12) == A0
    assert pytest.approx(-1.79, abs=1e-12) == A1
    # The note's product (it rounds towards zero) is no 16-bit number, and neither is its neighbour.
    assert math.trunc(A1 * 2**15) in (-58654, -58655)
    assert not -(2**15) <= math.ceil(A1 * 2**15) < 2**15


@pytest.mark.parametrize("resolution", [2.0**-11, 2.0**-12, 2.0**-13])
def test_weights_for_a_16_bit_multiplication_fit_16_bits(resolution: float) -> None:
    """Where weights are 16 bits wide, 2.21 and -1.79 get 13 fraction bits, not 15, and lose next to nothing."""
    fixed = one_sum(resolution)
    detail = fixed.details["change"]
    assert isinstance(detail, SumDetail)
    assert detail.accumulator_bits == 32
    assert all(-(2**15) <= weight < 2**15 for weight in detail.weights)
    assert -58654 not in detail.weights
    scale = fixed.formats["change"].lsb / (2**detail.shift * Fraction(2.0**-15))
    for weight, wanted in zip(detail.weights, (A0, A1), strict=True):
        assert float(abs(weight * scale - Fraction(wanted))) <= 2.0**-14


@pytest.mark.parametrize("target", TARGETS)
def test_live_coefficient_is_stored_where_it_fits(target: str) -> None:
    """The same coefficient as a live gain: its word holds the whole interval, in 16 bits with fewer than 15 fraction bits."""
    graph = GraphBuilder("loop", 5e-6)
    error = graph.input("error", "int16_t", 2.0**-15)
    graph.delay("error_last", source=error)
    a1 = graph.parameter("a1", A1, -1.79, -1.0)
    product = graph.product("part", a1, error)
    graph.output("command", graph.weighted_sum("command", [(1.0, product)], resolution=2.0**-13), "int16_t")
    fixed = realise(graph.finish(), target)
    stored = fixed.formats["a1"]
    low, high = -(2 ** (stored.bits - 1)), 2 ** (stored.bits - 1) - 1
    assert low <= stored.low <= stored.high <= high
    assert float(stored.low * stored.lsb) == pytest.approx(-1.79, rel=2e-4)
    if stored.bits == 16:
        assert stored.lsb > Fraction(1, 2**15)
    with TwoReadings(fixed) as both:
        shown = both.run([{"error": value} for value in (-(2**15), -1, 0, 1, 2**15 - 1)])
    assert [tick["command"] / 2**13 for tick in shown] == pytest.approx([1.79, 0.0, 0.0, 0.0, -1.79], abs=5e-4)


@pytest.mark.parametrize("target", TARGETS)
def test_step_response_of_the_bilinear_pi(target: str) -> None:
    """e = 1/64: u = (Kp + Ki h (n + 1/2)) / 64, added up without loss until the limit holds it."""
    fixed = realise(bilinear_pi(6.0), target)
    detail = fixed.details["wide"]
    assert isinstance(detail, SumDetail)
    lsb = fixed.formats["wide"].lsb
    reading = read_integer(fixed)
    memory = reading.start()
    first, second = (weight * 2**9 for weight in detail.weights[1:])
    for tick in range(1000):
        raw = reading.tick(memory, {"error": 2**9})["wide"]
        assert raw == min(first * (tick + 1) + second * tick, fixed.formats["wide"].high)
        if raw < fixed.formats["wide"].high:
            ideal = (2.0 + 0.42 * (tick + 0.5)) / 64
            assert float(raw * lsb) == pytest.approx(ideal, rel=0.02)
    assert raw == fixed.formats["wide"].high
    with TwoReadings(fixed) as both:
        shown = both.run([{"error": 2**9}] * 1000)
    assert shown[-1]["command"] == 6 * 2**9
