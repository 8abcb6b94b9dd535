"""RW8: the published robot's compensator, sampled, to its printed digits, and through our chain as a graph.

Source: Kitz, Brehin, Sander, Vestergaard, Villarmarzo Arrunada, "Cubli: Dynamic Control of a Reaction Wheel Inverted Pendulum", BSc
project report 16gr630, Aalborg University, May 2016, chapter 8 (design and discretisation); continuous compensator from the program of
the report.  Bilinear transform prewarped at 33.5 rad/s, T = 10 ms.  The compensator has a pole outside the unit circle: it is run with a
limited output, and compared with scipy's difference equation while no limit acts.
"""

import math

import numpy as np
import pytest
from scipy.signal import bilinear_zpk, lfilter, zpk2tf

from codegen.errors import RangeError
from codegen.formats import choose_formats
from codegen.graph import Graph, GraphBuilder
from codegen.ranges import find_ranges
from codegen.targets import read_target
from tests.two_readings import TwoReadings

PERIOD_S = 0.01
TORQUE_N_M = 0.134
PRINTED_NUMERATOR = (-8.314, 7.422, 8.302, -7.434)
PRINTED_DENOMINATOR = (1.0, -1.382, 0.3415, 0.001638)


def sampled() -> tuple[np.ndarray, np.ndarray]:
    """Numerator and denominator in powers of 1/z."""
    warped = 33.5 / (2.0 * math.tan(33.5 * PERIOD_S / 2.0))
    zeros, poles, gain = bilinear_zpk([-9.483, -1.599], [5.539, -100.0, -200.0], -4583.5, warped)
    return zpk2tf(zeros, poles, gain)


def compensator(limited: bool) -> Graph:
    """Torque from tilt, u = (b0 x + b1 x1 + b2 x2 + b3 x3 - a1 u1 - a2 u2 - a3 u3), the book's difference equation."""
    b, a = (part.tolist() for part in sampled())
    graph = GraphBuilder("compensator", PERIOD_S)
    x = graph.input("tilt", "int16_t", 2.0**-17, "rad")
    x1 = graph.delay("tilt_1", "rad", source=x)
    x2 = graph.delay("tilt_2", "rad", source=x1)
    x3 = graph.delay("tilt_3", "rad", source=x2)
    u1, u2, u3 = graph.delay("torque_1", "N m"), graph.delay("torque_2", "N m"), graph.delay("torque_3", "N m")
    terms = [*zip(b, (x, x1, x2, x3), strict=True), *zip([-w for w in a[1:]], (u1, u2, u3), strict=True)]
    u = graph.weighted_sum("torque", terms, "N m", limits=(-4.0, 4.0) if limited else None)
    graph.connect(u1, u)
    graph.connect(u2, u1)
    graph.connect(u3, u2)
    shown = graph.weighted_sum("command", [(1.0, u)], "N m", limits=(-TORQUE_N_M, TORQUE_N_M), resolution=TORQUE_N_M / 512)
    graph.output("command", shown, "int16_t")
    return graph.finish()


def test_printed_coefficients():
    numerator, denominator = sampled()

    assert numerator == pytest.approx(PRINTED_NUMERATOR, abs=5.5e-4)
    assert denominator == pytest.approx(PRINTED_DENOMINATOR, abs=5e-4)


def test_unstable_compensator_without_a_limit_is_refused():
    with pytest.raises(RangeError, match="grows without bound") as caught:
        find_ranges(compensator(limited=False))

    assert "limits" in caught.value.remedy


@pytest.mark.parametrize("target", ["cortex-m4", "cortex-m0plus"])
def test_emitted_difference_equation_is_scipys(target: str):
    """Over 40 ticks (the unstable pole grows 1.0577 a tick) the emitted command is scipy's to one count and the coefficients' share."""
    fixed = choose_formats(find_ranges(compensator(limited=True)), read_target(target), 4.0)
    rng = np.random.default_rng(3)
    tilt = rng.integers(-200, 201, 40)
    with TwoReadings(fixed) as both:
        outputs = np.array([row["command"] for row in both.run([{"tilt": int(count)} for count in tilt])])
    expected = lfilter(*sampled(), tilt * 2.0**-17) / (TORQUE_N_M / 512)

    assert np.abs(expected).max() > 20.0
    assert np.abs(outputs - expected).max() <= 1.0
