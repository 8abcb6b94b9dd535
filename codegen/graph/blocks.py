"""Blocks of the trade as plain functions that write primitives: filters, PID, latch, watch for a frozen sensor, ...

Takes a ``GraphBuilder`` and signals, gives signals.  Time constants and poles are in seconds and rad/s; every block reads the
builder's tick period (or slow period, for a slow section) itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from codegen.graph.builder import GraphBuilder, Signal


def latch(graph: GraphBuilder, name: str, set_by: str, reset_by: str, *, note: str = "") -> Signal:
    """A truth value that ``set_by`` sets and ``reset_by`` resets; reset wins; starts false."""
    last = graph.delay(f"{name}_last", "bool", note=f"{name} a tick ago")
    held = graph.any_of(f"{name}_asked", set_by, last, note=f"asked for or held: {name}")
    result = graph.all_of(name, held, f"not {reset_by}", note=note)
    graph.connect(last, result)
    return result


def unchanged_for(graph: GraphBuilder, name: str, reading: str, ticks: int, *, note: str = "") -> Signal:
    """Whether the raw reading has had the very same value on ``ticks`` ticks in a row after the first of them.

    A change sets the count below its least, so that the lower limit, which holds flipped memory, also acts in every plain run and
    can be tested there.
    """
    last = graph.delay(f"{name}_reading_last", graph.unit_of(reading), note=f"{reading} a tick ago", source=reading)
    changed = graph.compare(f"{name}_changed", [(1.0, reading), (-1.0, last)], "!=", 0.0, note=f"{reading} is not what it was")
    count_last = graph.delay(f"{name}_count_last", "ticks", note=f"ticks that {reading} had not changed, a tick ago")
    counted = graph.weighted_sum(
        f"{name}_counted",
        [(1.0, count_last)],
        "ticks",
        bias=1.0,
        limits=(1.0, float(ticks)),
        resolution=1.0,
        note="one more, at most the limit",
    )
    none = graph.constant(f"{name}_none", -1.0, "ticks", note="count after a change; the next one is 1 all the same")
    count = graph.select(f"{name}_count", changed, none, counted, note=f"ticks since {reading} last changed")
    graph.connect(count_last, count)
    return graph.compare(name, [(1.0, count)], ">=", float(ticks), note=note)


def low_pass(graph: GraphBuilder, name: str, operand: str, time_constant_s: float, unit: str = "", *, note: str = "") -> Signal:
    """First-order low-pass, y + (1 - exp(-T/time constant)) (x - y): y never leaves the range of x.

    Written as memory plus a share of the difference: the memory's update drops nothing, so the filter stops short of a constant input
    by no more than half a count of the difference, however slow it is.
    """
    share = 1.0 - math.exp(-graph.period_s / time_constant_s)
    last = graph.delay(f"{name}_last", unit, note=f"{name} a tick ago")
    apart = graph.weighted_sum(f"{name}_apart", [(1.0, operand), (-1.0, last)], unit, note=f"{operand} beyond {name}")
    result = graph.weighted_sum(name, [(1.0, last), (share, apart)], unit, note=note)
    graph.connect(last, result)
    return result


def second_order_section(
    graph: GraphBuilder,
    name: str,
    operand: str,
    numerator: tuple[float, float, float],
    denominator: tuple[float, float, float],
    unit: str = "",
    *,
    note: str = "",
) -> Signal:
    """Y = (b0 x + b1 x1 + b2 x2 - a1 y1 - a2 y2) / a0, one accumulator, rounded once; memory is limited at its proven peak."""
    b0, b1, b2 = (b / denominator[0] for b in numerator)
    a1, a2 = denominator[1] / denominator[0], denominator[2] / denominator[0]
    in_unit = graph.unit_of(operand)
    x1 = graph.delay(f"{name}_in_1", in_unit, source=operand, note=f"{operand} a tick ago")
    x2 = graph.delay(f"{name}_in_2", in_unit, source=x1, note=f"{operand} two ticks ago")
    y1 = graph.delay(f"{name}_out_1", unit, note=f"{name} a tick ago")
    y2 = graph.delay(f"{name}_out_2", unit, source=y1, note=f"{name} two ticks ago")
    terms = [(b0, operand), (b1, x1), (b2, x2), (-a1, y1), (-a2, y2)]
    result = graph.weighted_sum(name, [(w, s) for w, s in terms if w != 0.0], unit, note=note)
    graph.connect(y1, result)
    return result


@dataclass(frozen=True)
class PidGains:
    """Parallel PID: u = proportional * e + integral * (time integral of e) - derivative * d(measurement)/dt, filtered.

    Attributes:
        proportional: Output unit per error unit.
        integral_per_s: Output unit per error unit and second.
        derivative_s: Output unit per (error unit per second).
        derivative_filter_s: Time constant of the derivative's low-pass; backward difference, so its pole is never negative.
        tracking_time_s: Time constant with which back-calculation unwinds the integral while the output is limited.
    """

    proportional: float
    integral_per_s: float
    derivative_s: float = 0.0
    derivative_filter_s: float = 0.0
    tracking_time_s: float = 1.0


def pid(
    graph: GraphBuilder,
    name: str,
    error: str,
    measurement: str,
    gains: PidGains,
    limits: tuple[float, float],
    error_limit: float,
    unit: str = "",
    *,
    resolution: float | None = None,
) -> Signal:
    """PID with derivative on the measurement and back-calculation anti-windup.

    The integral is limited to ``limits`` widened by what P can add for |e| <= ``error_limit``, and moves by h/Tt times the excess
    of the limited over the unlimited output (Astrom, Hagglund, "PID Controllers", 2nd ed. 1995, chapter 3; from memory).
    """
    h = graph.period_s
    low, high = limits
    room = abs(gains.proportional) * error_limit
    integral_last = graph.delay(f"{name}_integral_last", unit, note="integral part a tick ago")
    terms = [(gains.proportional, error)] if gains.proportional else []
    terms.append((1.0, integral_last))
    if gains.derivative_s:
        decay = gains.derivative_filter_s / (gains.derivative_filter_s + h)
        last = graph.delay(
            f"{name}_measurement_last", graph.unit_of(measurement), source=measurement, note=f"{measurement} a tick ago"
        )
        slope_last = graph.delay(f"{name}_slope_last", unit, note="derivative part a tick ago")
        gain = gains.derivative_s / (gains.derivative_filter_s + h)
        slope = graph.weighted_sum(
            f"{name}_slope", [(decay, slope_last), (-gain, measurement), (gain, last)], unit, note="derivative part"
        )
        graph.connect(slope_last, slope)
        terms.append((1.0, slope))
    wanted = graph.weighted_sum(f"{name}_wanted", terms, unit, note="output before its limits")
    limited = graph.clamp(f"{name}_limited", wanted, low, high, note="output within its limits, not yet in counts")
    # Exactly 0 while no limit acts, in every format: the integral must not leak through a rounded difference.
    slack = graph.weighted_sum(f"{name}_slack", [(1.0, limited), (-1.0, wanted)], unit, note="what the limits took away")
    result = graph.weighted_sum(name, [(1.0, limited)], unit, limits=limits, resolution=resolution, note="output")
    share = min(1.0, h / gains.tracking_time_s)
    change = [(gains.integral_per_s * h, error)] if gains.integral_per_s else []
    integral = graph.weighted_sum(
        f"{name}_integral",
        [(1.0, integral_last), *change, (share, slack)],
        unit,
        limits=(low - room, high + room),
        note="integral part, unwound while the output is limited",
    )
    graph.connect(integral_last, integral)
    return result


def rate_limit(
    graph: GraphBuilder,
    name: str,
    operand: str,
    per_second: float,
    limits: tuple[float, float],
    unit: str = "",
    *,
    note: str = "",
) -> Signal:
    """``operand`` followed at no more than ``per_second`` units per second, within ``limits``, starting from 0."""
    step = per_second * graph.period_s
    last = graph.delay(f"{name}_last", unit, note=f"{name} a tick ago")
    move = graph.weighted_sum(
        f"{name}_move", [(1.0, operand), (-1.0, last)], unit, limits=(-step, step), note=f"step of {name} in this tick"
    )
    result = graph.weighted_sum(name, [(1.0, last), (1.0, move)], unit, limits=limits, note=note)
    graph.connect(last, result)
    return result
