"""Sampled models against published values.

Sources, by test:
* K. J. Astrom, B. Wittenmark, "Computer-Controlled Systems", 3rd ed. 1997: zero-order-hold pairs and the
  delayed double integrator (values from memory of the book, each also a closed form).
* K. J. Astrom, P. Hagander, J. Sternby, "Zeros of sampled systems", Automatica 20(1), 1984: limiting zeros
  (from memory).
* University of Michigan, control tutorials (ctms.engin.umich.edu), inverted pendulum: state-space page
  (poles), digital page (sampled matrices).
* Worked example 7.10 at applieddigitalcontrols.com/Chapter7.10.html (servo-driven cart pendulum).
* Kitz, Brehin, Sander, Vestergaard, Villarmarzo Arrunada, "Cubli: Dynamic Control of a Reaction Wheel
  Inverted Pendulum", Aalborg University, 2016, chapter 10: time constant of a complementary filter (its
  Tustin coefficients are derived here, not printed there).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import ss2tf

from codegen.plant import linearise, sample
from tests.machines import published_robot


def integrators(count: int) -> tuple[np.ndarray, np.ndarray]:
    """Return state and input matrix of 1/s^count with the output as first state."""
    B = np.zeros((count, 1))
    B[-1] = 1.0
    return np.eye(count, k=1), B


def transfer(A: np.ndarray, B: np.ndarray, period_s: float) -> tuple[list[float], list[float]]:
    """Return numerator and denominator of the sampled transfer function to the first state."""
    Ad, Bd = sample(A, B, period_s)
    C = np.zeros((1, len(A)))
    C[0, 0] = 1.0
    numerator, denominator = ss2tf(Ad, Bd, C, np.zeros((1, 1)))
    return numerator[0].tolist(), denominator.tolist()


def test_integrator_with_lag() -> None:
    """1/(s(s+1)), h = 1: (0.36788 z + 0.26424)/(z^2 - 1.36788 z + 0.36788) (Astrom and Wittenmark)."""
    numerator, denominator = transfer(np.array([[0.0, 1.0], [0.0, -1.0]]), np.array([[0.0], [1.0]]), 1.0)
    assert numerator == pytest.approx([0.0, 0.36788, 0.26424], abs=5e-6)
    assert denominator == pytest.approx([1.0, -1.36788, 0.36788], abs=5e-6)


@pytest.mark.parametrize("period_s", [0.01, 0.5, 3.0])
def test_double_integrator_and_first_order_lag(period_s: float) -> None:
    """1/s^2: (h^2/2)(z+1)/(z-1)^2; a/(s+a): (1-e^-ah)/(z-e^-ah) (Astrom and Wittenmark)."""
    numerator, denominator = transfer(*integrators(2), period_s)
    assert numerator == pytest.approx([0.0, period_s**2 / 2, period_s**2 / 2], abs=1e-14)
    assert denominator == pytest.approx([1.0, -2.0, 1.0], abs=1e-14)
    numerator, denominator = transfer(np.array([[-0.7]]), np.array([[0.7]]), period_s)
    assert numerator == pytest.approx([0.0, 1.0 - math.exp(-0.7 * period_s)], abs=1e-14)
    assert denominator == pytest.approx([1.0, -math.exp(-0.7 * period_s)], abs=1e-14)


@pytest.mark.parametrize(
    ("excess", "zeros"),
    [
        (2, [-1.0]),
        (3, [-3.7321, -0.2679]),
        (4, [-9.8990, -1.0, -0.1010]),
        (5, [-23.2039, -2.3225, -0.4306, -0.0431]),
    ],
)
def test_zeros_of_sampled_integrators(excess: int, zeros: list[float]) -> None:
    """1/s^n sampled has the zeros of the Euler polynomials (Astrom, Hagander, Sternby)."""
    numerator, _ = transfer(*integrators(excess), 1.0)
    found = np.sort(np.roots(numerator[1:]).real)
    assert found == pytest.approx(zeros, abs=5e-5)


@pytest.mark.parametrize(("delay", "period"), [(0.2, 0.5), (0.5, 0.5), (0.7, 0.5)])
def test_double_integrator_with_delay(delay: float, period: float) -> None:
    """Two inputs act: the older by [d(h-d/2), d], the newer by [(h-d)^2/2, h-d] (Astrom and Wittenmark).

    For delays of more than one period the same holds for the inputs one tick older.
    """
    whole, late = divmod(delay, period)
    Ad, Bd = sample(*integrators(2), period, delay)
    everything = np.hstack([Ad[:2, 2:], Bd[:2]])
    older = [late * (period - late / 2), late]
    newer = [(period - late) ** 2 / 2, period - late]
    expected = [older, newer] if late > 0 else [newer]
    expected += [[0.0, 0.0]] * int(whole)
    assert everything.T.ravel() == pytest.approx(np.ravel(expected), abs=1e-14)


def cart_pendulum() -> tuple[np.ndarray, np.ndarray]:
    """Return A and B of the cart with a pendulum (Michigan).

    Cart 0.5 kg, friction 0.1 N s/m; rod 0.2 kg, half length 0.3 m, inertia 0.006 kg m^2; g = 9.8 m/s^2.
    """
    cart, rod, friction, length, inertia, gravity = 0.5, 0.2, 0.1, 0.3, 0.006, 9.8
    p = inertia * (cart + rod) + cart * rod * length**2
    A = np.array(
        [
            [0, 1, 0, 0],
            [0, -(inertia + rod * length**2) * friction / p, rod**2 * gravity * length**2 / p, 0],
            [0, 0, 0, 1],
            [0, -rod * length * friction / p, rod * gravity * length * (cart + rod) / p, 0],
        ]
    )
    return A, np.array([[0], [(inertia + rod * length**2) / p], [0], [rod * length / p]])


def test_cart_pendulum_poles_survive_sampling() -> None:
    """Poles 0, -0.1428, 5.5651, -5.6041 (Michigan, state-space page) are logarithms of the sampled ones."""
    Ad, _ = sample(*cart_pendulum(), 0.01)
    poles = np.sort(np.log(np.linalg.eigvals(Ad)).real / 0.01)
    assert poles == pytest.approx([-5.6041, -0.1428, 0.0, 5.5651], abs=1e-4)


def test_cart_pendulum_at_hundred_hertz() -> None:
    """Matrices at T = 0.01 s (Michigan, digital page) to four decimals; some to six (own computation)."""
    Ad, Bd = sample(*cart_pendulum(), 0.01)
    published = [
        [1, 0.01, 0.0001, 0],
        [0, 0.9982, 0.0267, 0.0001],
        [0, 0, 1.0016, 0.01],
        [0, -0.0045, 0.3119, 1.0016],
    ]
    assert Ad.ravel() == pytest.approx(np.ravel(published), abs=5.1e-5)
    assert Bd.ravel() == pytest.approx([0.0001, 0.0182, 0.0002, 0.0454], abs=5.1e-5)
    assert [Ad[1, 1], Ad[1, 2], Ad[3, 2], Ad[3, 3]] == pytest.approx([0.998183, 0.026717, 0.311920, 1.001559], abs=5e-7)
    assert Bd[[1, 3], 0] == pytest.approx([0.018167, 0.045437], abs=5e-7)


def test_servo_driven_cart_pendulum() -> None:
    """First two rows and one element of Phi at T = 0.04 s (example 7.10), within the rounding of its A."""
    A = np.array([[0, 1, 0, 0], [32.7, 0, 1333, 94.3], [0, 0, 0, 1], [0, 0, -400, -28.3]])
    Ad, _ = sample(A, np.array([[0.0], [-1333.0], [0.0], [400.0]]), 0.04)
    assert Ad[0] == pytest.approx([1.0262, 0.0403, 0.7240, 0.0619], rel=1e-3, abs=5e-5)
    assert Ad[1] == pytest.approx([1.3181, 1.0262, 29.0507, 2.7782], rel=1.1e-3)
    assert Ad[2, 2] == pytest.approx(0.7839, abs=1e-4)


def test_published_robot_at_ten_milliseconds() -> None:
    """Sampled poles 1.09804, 0.99972, 0.90031 (DERIVED from the published robot's parameters)."""
    plant = published_robot()
    Ad, _ = sample(*linearise(plant), plant.period_s)
    assert np.sort(np.linalg.eigvals(Ad).real) == pytest.approx([0.90031, 0.99972, 1.09804], abs=5e-6)


def test_complementary_filter_of_the_published_robot() -> None:
    """Its filter's Tustin coefficients (DERIVED: K1 = 0.981648, 2 K2 = 0.018352) are the exact ones to 1e-6.

    tau = 0.5399 s (published), T = 10 ms. The published filter is a bilinear transform; its
    difference from exact sampling is of third order in T/tau.
    """
    Ad, Bd = sample(np.array([[-1 / 0.5399]]), np.array([[1 / 0.5399]]), 0.01)
    assert Ad[0, 0] == pytest.approx(0.981648, abs=1e-6)
    assert Bd[0, 0] == pytest.approx(2 * 0.00917600, abs=1e-6)
