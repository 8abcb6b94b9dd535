"""Time added up in tenths of a second, and counters beyond the end of their word.

Sources:

* U.S. General Accounting Office, "Patriot Missile Defense: Software Problem Led to System Failure at Dhahran, Saudi Arabia",
  IMTEC-92-26, 1992: a clock in tenths of a second, times 0.1 in 24 bits, is 0.3433 s off after 100 hours.  The digits of 0.1 cut to
  23 fraction bits, 0.099999904632568359375, from senthil.learntosolveit.com, 2017-07-17.
* ma.ttias.be, "248 days": a signed 32-bit count of hundredths of a second ends after 248.55 days.
* Common practice, no source: an unsigned 32-bit count of milliseconds wraps after 49.71 days.

Our integrators drop nothing, so all that can drift is the realised weight: after any number of ticks the error is that number times
the weight's error, which the error bound states per tick; and a count that is worth 0.1 s itself does not drift at all.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from codegen.errors import FormatError
from codegen.graph import Graph, GraphBuilder
from codegen.rules.fixed import FixedGraph, SumDetail
from codegen.rules.rounding import trace_errors
from tests.two_readings import TwoReadings, realise

TICKS_OF_100_HOURS = 3_600_000
CHUNK = 600_000
TENTH = Fraction(1, 10)


def clock(resolution: float | None = None) -> Graph:
    """time(n) = time(n-1) + 0.1 * passed(n), where ``passed`` is 1 on every tick."""
    graph = GraphBuilder("clock", 0.1)
    passed = graph.input("passed", "int8_t", note="tenths of a second since the last tick")
    last = graph.delay("time_last", "s")
    time = graph.weighted_sum("time", [(1.0, last), (0.1, passed)], "s", limits=(-400_000.0, 400_000.0), resolution=resolution)
    graph.connect(last, time)
    graph.output("seconds", graph.weighted_sum("seconds", [(1.0, time)], "s", resolution=1.0), "int32_t")
    return graph.finish()


def after_100_hours(fixed: FixedGraph) -> Fraction:
    """What the emitted clock shows, its own memory, in seconds."""
    with TwoReadings(fixed) as both:
        both.run([{"passed": 1}] * 500)
        memory = both.host.start(1)
        for _ in range(TICKS_OF_100_HOURS // CHUNK):
            both.run_lanes(memory, np.ones((CHUNK, 1, 1), dtype=np.int64))
        return int(memory[both.host.memory.index("time_last"), 0]) * fixed.formats["time"].lsb


def test_published_drift_of_a_cut_tenth() -> None:
    """What is to be avoided: 23 fraction bits, low bits cut off."""
    cut = Fraction(2**23 // 10, 2**23)
    assert cut == Fraction("0.099999904632568359375")
    assert float(TENTH - cut) == 9.5367431640625e-8
    assert float((TENTH - cut) * TICKS_OF_100_HOURS) == pytest.approx(0.3433, abs=5e-5)


@pytest.mark.parametrize("target", ["cortex-m4", "cortex-m3", "cortex-m0plus", "atmega328p"])
def test_chosen_word_drifts_by_its_weight_error_and_nothing_else(target: str) -> None:
    fixed = realise(clock(), target)
    detail = fixed.details["time"]
    assert isinstance(detail, SumDetail)
    assert detail.shift == 0
    realised = detail.weights[1] * fixed.formats["time"].lsb
    shown = after_100_hours(fixed)
    assert shown == TICKS_OF_100_HOURS * realised
    # The bound is stated for the input's whole range; a reading of 1 has its share of the coefficient's part.
    errors = trace_errors(fixed)
    stated = dict(errors.contributions(errors.forms["time"]))
    per_tick = stated["coefficients on passed"] / 128 + stated["float64 evaluation"]
    assert abs(shown - TICKS_OF_100_HOURS * TENTH) <= TICKS_OF_100_HOURS * per_tick


@pytest.mark.parametrize("target", ["cortex-m4", "cortex-m0plus", "atmega328p"])
def test_count_worth_a_tenth_does_not_drift(target: str) -> None:
    """One count is the float64 nearest to 0.1, so what is left is that number's own 5.6e-18 per tick."""
    shown = after_100_hours(realise(clock(resolution=0.1), target))
    assert shown == TICKS_OF_100_HOURS * Fraction(0.1)
    assert abs(shown - TICKS_OF_100_HOURS * TENTH) < Fraction(1, 10**10)


def test_word_of_the_published_case_is_refused() -> None:
    """23 fraction bits leave a 32-bit word 256 s; 100 hours do not fit, and that is said instead of wrapping."""
    with pytest.raises(FormatError, match="time"):
        realise(clock(resolution=2.0**-23))


# Width of the counter, counts per second, days until it ends (signed) or wraps (unsigned).
COUNTERS = [(31, 100, 248.55), (32, 1000, 49.71)]


@pytest.mark.parametrize(("bits", "per_second", "days"), COUNTERS)
def test_elapsed_time_across_the_end_of_a_counter(bits: int, per_second: int, days: float) -> None:
    """Differences of a 32-bit count stay right across the sign change and across the wrap, whatever the step."""
    assert 2**bits / per_second / 86_400 == pytest.approx(days, abs=5e-3)
    graph = GraphBuilder("uptime", 0.01)
    counter = graph.input("counter", "int32_t", 1.0 / per_second, "s")
    last = graph.delay("counter_last", "s", source=counter)
    elapsed = graph.wrapped_difference("elapsed", counter, last, 32, "s")
    graph.output("elapsed", graph.clamp("elapsed_shown", elapsed, -1000.0, 1000.0), "int32_t")
    steps = [1, 1, 1, 7, 1, -2, 1, 1000]
    readings = [2**bits - 5]
    for step in steps:
        readings.append(readings[-1] + step)
    signed = [(reading + 2**31) % 2**32 - 2**31 for reading in readings]
    assert min(signed) < 0 < max(signed)
    with TwoReadings(realise(graph.finish())) as both:
        shown = [tick["elapsed"] for tick in both.run([{"counter": reading} for reading in signed])]
    assert shown[1:] == steps
