"""Worst-case peak gain against tables, closed forms and published inequalities.

Sources, by test:

* Table of worst-case peak gains of scipy's standard filters: computed once with mpmath at 40 digits, tail below 1e-12 (no published
  table with enough digits is known to us; definition and use: A. Volkova, T. Hilaire, C. Lauter, "Reliable evaluation of the
  worst-case peak gain matrix in multiple precision", ARITH-22, 2015).
* 1/(1 - a z^-1) and 1/(1 - 2 r cos(theta) z^-1 + r^2 z^-2): geometric sums, derived here.
* cnx.org/content/m11928 (D. L. Jones): 1/(1 - z^-1 + 1/2 z^-2); its gain 10/3 is a geometric sum over one period, derived here.
* cnx.org/content/m11927 (D. L. Jones): scaling by the sum of |h| is enough against overflow, and sign(h) attains it.
* S. Boyd, J. C. Doyle, "Comparison of peak and RMS gains for discrete-time systems", Systems & Control Letters 9, 1987 (from
  memory): ||H||_inf <= peak gain <= (2 n + 1) ||H||_inf.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal

from codegen.errors import RangeError
from codegen.formats import choose_formats
from codegen.graph import GraphBuilder
from codegen.graph.blocks import second_order_section
from codegen.peak_gain import PeakGain, peak_gain
from codegen.ranges import find_ranges
from codegen.targets import read_target
from tests.two_readings import TwoReadings

Coefficients = Sequence[float] | NDArray[np.float64]


def gain(numerator: Coefficients, denominator: Coefficients, tolerance: float = 1e-13) -> PeakGain:
    """Peak gain of b(z)/a(z) in controllable form, a(0) = 1."""
    b = [float(x) for x in numerator] + [0.0] * (len(denominator) - len(numerator))
    a = [float(x) for x in denominator]
    order = len(a) - 1
    A = [[-x for x in a[1:]]] + [[float(i == j) for j in range(order)] for i in range(order - 1)]
    B = [[1.0]] + [[0.0]] * (order - 1)
    C = [[b[k] - a[k] * b[0] for k in range(1, order + 1)]]
    return peak_gain(A, B, C, [[b[0]]], tolerance)[0][0]


# Filter, gain of H = B/A, gain of 1/A; twelve and ten significant digits.
TABLE = [
    ("butter(2, 0.5)", signal.butter(2, 0.5), "1.29289321881", "1.207106781"),
    ("butter(2, 0.1)", signal.butter(2, 0.1), "1.09314446836", "13.64091759"),
    ("butter(2, 0.01)", signal.butter(2, 0.01), "1.09036852146", "1129.428074"),
    ("butter(4, 0.1)", signal.butter(4, 0.1), "1.30886571867", "198.9167176"),
    ("cheby1(2, 3, 0.1)", signal.cheby1(2, 3, 0.1), "1.24064496764", "27.84897735"),
    ("ellip(4, 1, 60, 0.2)", signal.ellip(4, 1, 60, 0.2), "1.75421395076", "66.75800386"),
    (
        "pole pair 0.9, 45 degrees",
        ([1.0], [1.0, -1.8 * math.cos(math.pi / 4), 0.81]),
        "8.96421112572",
        "8.96421112572",
    ),
    ("pole 0.9", ([1.0], [1.0, -0.9]), "10.0000000000", "10.0000000000"),
]


def holds(enclosure: PeakGain, printed: str) -> bool:
    """Whether the enclosure meets the interval that the printed digits stand for."""
    half = 0.5 * 10.0 ** -len(printed.split(".")[1])
    return enclosure.low <= float(printed) + half and float(printed) - half <= enclosure.high


@pytest.mark.parametrize(("name", "filter_", "whole", "recursive"), TABLE)
def test_table(name: str, filter_: tuple[Coefficients, Coefficients], whole: str, recursive: str) -> None:
    numerator, denominator = filter_
    for enclosure, printed in ((gain(numerator, denominator), whole), (gain([1.0], denominator), recursive)):
        assert holds(enclosure, printed), f"{name}: {enclosure} does not meet {printed}"
        assert 0.0 <= enclosure.high - enclosure.low <= 1e-12 * enclosure.high


def test_butterworth_at_half_band_in_closed_form() -> None:
    numerator, denominator = signal.butter(2, 0.5)
    assert gain(numerator, denominator).high == pytest.approx(2.0 - 1.0 / math.sqrt(2.0), rel=1e-12)
    assert gain([1.0], denominator).high == pytest.approx((1.0 + math.sqrt(2.0)) / 2.0, rel=1e-12)


def test_ten_thirds() -> None:
    """1/(1 - z^-1 + 1/2 z^-2): gain 10/3, DC gain 2, so 8/3 by positive and 2/3 by negative samples."""
    enclosure = gain([1.0], [1.0, -1.0, 0.5])
    assert enclosure.low <= 10.0 / 3.0 <= enclosure.high
    assert enclosure.positive == pytest.approx(8.0 / 3.0, rel=1e-12)
    assert enclosure.negative == pytest.approx(2.0 / 3.0, rel=1e-12)


@pytest.mark.parametrize("pole", [0.5, -0.5, 0.9, -0.99, 127 / 128, -127 / 128, 1023 / 1024])
def test_one_pole(pole: float) -> None:
    """1/(1 - |a|); exact in float64 for these poles up to the rounding of the quotient."""
    enclosure = gain([1.0], [1.0, -pole])
    exact = 1.0 / (1.0 - abs(pole))
    assert enclosure.low <= exact * (1 + 1e-15)
    assert exact * (1 - 1e-15) <= enclosure.high
    assert enclosure.high - enclosure.low <= 1e-12 * exact


@pytest.mark.parametrize("radius", [0.5, 0.9, 0.97])
@pytest.mark.parametrize("eighths", [1, 2, 3, 4, 5, 6, 7])
def test_pole_pair_by_its_own_period(radius: float, eighths: int) -> None:
    """h(k) = r^k sin((k + 1) theta) / sin(theta); with theta = pi m / 8, |sin| has period 8, so the sum is geometric."""
    theta = math.pi * eighths / 8
    one_period = sum(radius**k * abs(math.sin((k + 1) * theta)) for k in range(8)) / math.sin(theta)
    exact = one_period / (1.0 - radius**8)
    enclosure = gain([1.0], [1.0, -2.0 * radius * math.cos(theta), radius**2])
    assert enclosure.low == pytest.approx(exact, rel=1e-12)
    assert enclosure.high == pytest.approx(exact, rel=1e-12)


@pytest.mark.parametrize(("pole", "order"), [(0.9, 2), (0.8, 3), (0.95, 3)])
def test_equal_poles_have_no_basis_of_eigenvectors_but_a_gain(pole: float, order: int) -> None:
    """1/(1 - a z^-1)^n has only positive samples, so its gain is its DC gain (1 - a)^-n."""
    enclosure = gain([1.0], [float(x) for x in np.poly([pole] * order)])
    assert enclosure.high == pytest.approx((1.0 - pole) ** -order, rel=1e-9)
    assert enclosure.negative <= 1e-9 * enclosure.high


def test_gain_between_two_inputs_and_two_outputs() -> None:
    """Coupled form r (cos, -sin; sin, cos), each entry a geometric sum over one period of |cos| or |sin|."""
    r, theta = 0.9, math.pi / 4
    A = [[r * math.cos(theta), -r * math.sin(theta)], [r * math.sin(theta), r * math.cos(theta)]]
    identity, zero = [[1.0, 0.0], [0.0, 1.0]], [[0.0, 0.0], [0.0, 0.0]]
    own = sum(r**k * abs(math.cos(k * theta)) for k in range(4)) / (1.0 - r**4)
    cross = sum(r**k * abs(math.sin(k * theta)) for k in range(4)) / (1.0 - r**4)
    gains = peak_gain(A, identity, identity, zero)
    assert [[entry.high for entry in row] for row in gains] == [pytest.approx([own, cross]), pytest.approx([cross, own])]


@pytest.mark.parametrize("denominator", [[1.0, -1.0], [1.0, 1.0], [1.0, -2.0, 1.0], [1.0, 0.0, 1.0], [1.0, -1.01]], ids=str)
def test_no_gain_without_proven_stability(denominator: list[float]) -> None:
    with pytest.raises(RangeError, match="not provably stable"):
        gain([1.0], denominator)


@st.composite
def stable_filters(draw: st.DrawFn) -> tuple[list[float], list[float]]:
    """Numerator and denominator, order 1 to 4, poles within radius 0.95."""
    radii = st.floats(0.05, 0.95)
    poles: list[complex] = []
    for _ in range(draw(st.integers(0, 2))):
        angle = draw(st.floats(0.05, 3.09))
        pole = draw(radii) * complex(math.cos(angle), math.sin(angle))
        poles += [pole, pole.conjugate()]
    if not poles or draw(st.booleans()):
        poles.append(complex(draw(st.floats(-0.95, 0.95))))
    order = min(len(poles), 4)
    poles = poles[:order] if order % 2 == 0 or len(poles) % 2 == 1 else poles
    denominator = [float(x) for x in np.poly(poles).real]
    numerator = draw(st.lists(st.floats(-1.0, 1.0), min_size=len(denominator), max_size=len(denominator)))
    return numerator, denominator


@settings(max_examples=60, deadline=None, derandomize=True)
@given(stable_filters())
def test_peak_gain_against_the_greatest_frequency_response(filter_: tuple[list[float], list[float]]) -> None:
    numerator, denominator = filter_
    if not any(abs(b) > 1e-3 for b in numerator):
        numerator = [1.0, *numerator[1:]]
    order = len(denominator) - 1
    _, response = signal.freqz(numerator, denominator, worN=np.linspace(0.0, math.pi, 4001))
    peak = float(np.abs(response).max())
    enclosure = gain(numerator, denominator, 1e-10)
    assert peak <= enclosure.high
    assert enclosure.low <= (2 * order + 1) * peak


@settings(max_examples=40, deadline=None, derandomize=True)
@given(stable_filters())
def test_peak_gain_is_attained_by_the_sign_of_the_response(filter_: tuple[list[float], list[float]]) -> None:
    numerator, denominator = filter_
    length = 1500
    response = signal.lfilter(numerator, denominator, np.concatenate([[1.0], np.zeros(length - 1)]))
    worst_input = np.where(response[::-1] >= 0.0, 1.0, -1.0)
    reached = float(signal.lfilter(numerator, denominator, worst_input)[-1])
    enclosure = gain(numerator, denominator, 1e-10)
    scale = sum(map(abs, numerator)) + enclosure.high
    assert enclosure.low - 1e-9 * scale <= reached <= enclosure.high + 1e-9 * scale


@pytest.mark.parametrize("corner", [0.5, 0.1, 0.01])
def test_emitted_section_attains_the_published_gain_within_its_limit(corner: float) -> None:
    """The second-order block is limited at a proven peak; the worst input drives the C to the published gain, short of the limit."""
    numerator, denominator = signal.butter(2, corner)
    published = {row[0]: float(row[2]) for row in TABLE}[f"butter(2, {corner})"]
    graph = GraphBuilder("section", 1.0)
    x = graph.input("x", "int16_t", 1.0 / 2**15)
    # scipy leaves a residue of 1e-17 where the half-band filter has no middle coefficient; a weight that would vanish is refused.
    b0, b1, b2 = (float(b) for b in numerator)
    a0, a1, a2 = (0.0 if abs(a) < 1e-15 else float(a) for a in denominator)
    y = second_order_section(graph, "y", x, (b0, b1, b2), (a0, a1, a2))
    graph.output("y_shown", graph.delay("shown", source=y), "int32_t")
    ranges = find_ranges(graph.finish())
    assert {name for name, _, _ in ranges.added_limits} == {"y"}
    limits = ranges.added_limits[0][1]
    # The limit takes the three readings of the input as independent of each other, so it may be the gain of 1/A times sum |b|.
    assert published <= limits.high <= 1.02 * sum(abs(numerator)) * gain([1.0], denominator).high
    fixed = choose_formats(ranges, read_target("cortex-m4"))
    length = 1200
    response = signal.lfilter(numerator, denominator, np.concatenate([[1.0], np.zeros(length - 1)]))
    inputs = np.where(response[::-1] >= 0.0, 2**15 - 1, -(2**15)).astype(np.int64)[:, None, None]
    with TwoReadings(fixed) as both:
        outputs = both.run_lanes(both.host.start(1), np.concatenate([inputs, inputs[-1:]]))[:, 0, 0]
    peak = float(np.abs(outputs).max() * fixed.formats["y"].lsb)
    assert peak == pytest.approx(published, rel=1e-3)
    assert peak < limits.high
